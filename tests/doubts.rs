//! What a run does when the bench does not stand where it was asked to: it says so, counts nothing
//! that it cannot vouch for, ends, and never leaves a chip beyond its limits.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::path::Path;

use beamwarden::record::{Event, RunFolder};
use common::{expect_status, only_run, root, run, short_sequence, write};
use serde_json::Value as Json;

/// Runs steps on the shipped bench under a fault plan.
fn run_under(folder: &Path, faults: &str, steps: &str, status: i32) -> String {
    let bench = std::fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let bench =
        bench.replace("simulated: {seed: 1}", "simulated: {seed: 1, faults: f.faults.yaml}");
    write(folder, "f.faults.yaml", &format!("faults:\n  - {faults}\n"));
    let bench = write(folder, "b.bench.yaml", &bench);
    let sequence = write(folder, "s.yaml", &short_sequence(steps));
    let runs = folder.join("runs").display().to_string();
    expect_status(&run(&["run", &sequence, "--bench", &bench, "--runs", &runs, "--json"]), status)
}

fn events(folder: &Path) -> Vec<Event> {
    let folder = RunFolder::open(&only_run(&folder.join("runs"))).unwrap();
    folder.read_journal().unwrap().entries.into_iter().map(|entry| entry.event).collect()
}

/// A supply that creeps beyond its limit ends the run in the safe state, with the capture that shows
/// it in the record.
#[test]
fn a_value_that_crept_beyond_its_limit_ends_the_run() {
    let folder = tempfile::tempdir().unwrap();
    // 200 V an hour are 0.056 V a second: from 1.2 V beyond 1.25 V within the wait.
    let faults =
        "{instrument: supply, fault: drift, setting: voltage, rate_per_hour: 200, at_s: 0}";
    let steps = "  - wait: 2 s\n  - measure: {as: late}\n";
    let bench = root().join("sequences/packing-arm.bench.yaml");
    assert!(std::fs::read_to_string(bench).unwrap().contains("at most: 1.25 V"));
    run_under(folder.path(), faults, steps, 4);
    let events = events(folder.path());
    let Some(Event::SafeState(safe)) = events.iter().rev().nth(1) else { panic!("{events:?}") };
    assert!(safe.failed.is_empty() && safe.done.contains(&"supply.output: off".to_string()));
    let Some(Event::RunEnded(ended)) = events.last() else { panic!("{events:?}") };
    let message = ended.message.as_deref().unwrap();
    assert!(message.contains("supply.voltage") && message.contains("limit of 1.25 V"), "{message}");
}

/// The summary's measurement of a label.
fn measurement(summary: &str, label: &str) -> Json {
    let summary: Json = serde_json::from_str(summary).unwrap();
    let all = summary["measurements"].as_array().unwrap();
    all.iter().find(|one| one["label"] == label).unwrap().clone()
}

fn doubts(measurement: &Json) -> String {
    measurement["doubts"].to_string()
}

/// A lock that is lost in the middle: the measurement gives up after three captures without a bit.
#[test]
fn a_measurement_whose_link_is_lost_ends() {
    let folder = tempfile::tempdir().unwrap();
    let faults = "{instrument: dut, fault: lost lock, chip: rx, at_capture: 3}";
    let steps = "  - measure: {as: long, until: {bits: 10 M}}\n    expect: {ber: at most 1 %}\n";
    let summary = run_under(folder.path(), faults, steps, 1);
    let long = measurement(&summary, "long");
    assert!(doubts(&long).contains("brought no bit"), "{long}");
    assert_eq!(long["passed"], false);
    let captures = long["captures"].as_array().unwrap().len();
    println!("{captures} captures");
    assert!((4..=6).contains(&captures), "{captures}");
}

/// The record before, handed out once more, does not count; the one after it does.
#[test]
fn a_record_that_came_twice_is_left_out_of_the_sums() {
    let folder = tempfile::tempdir().unwrap();
    // The first acquisition is the look before the first step.
    let faults = "{instrument: scope, fault: stale trace, at_capture: 3}";
    let steps = "  - measure: {as: one}\n  - measure: {as: two, until: {bits: 200 k}}\n    expect: {ber: at most 1 %}\n";
    let summary = run_under(folder.path(), faults, steps, 1);
    let (one, two) = (measurement(&summary, "one"), measurement(&summary, "two"));
    assert_eq!(doubts(&one), "[]");
    assert!(doubts(&two).contains("handed out the record before once more"), "{two}");
    let bits = |measured: &Json| measured["figures"]["bits"].as_f64().unwrap();
    // Two sound captures and the stale one.
    assert_eq!(two["captures"].as_array().unwrap().len(), 3);
    assert_eq!(bits(&two), 2.0 * bits(&one));
    assert_eq!(two["passed"], false);
}

/// A move that silently did not take: told when it was set, and a doubt of every capture since.
#[test]
fn a_setting_that_did_not_take_is_a_doubt_of_every_capture() {
    let folder = tempfile::tempdir().unwrap();
    // In `prepare` it would be found before the first step.
    let faults = "{instrument: turntable, fault: setting not taken, at_s: 4, for_s: 1000}";
    let steps = "  - wait: 5 s\n  - set: {turntable.angle: 7 deg}\n  - measure: {as: first}\n    expect: \
                 {ber: at most 50 %}\n  - measure: {as: second}\n";
    let summary = run_under(folder.path(), faults, steps, 1);
    for label in ["first", "second"] {
        let told = doubts(&measurement(&summary, label));
        assert!(told.contains("turntable.angle stood at 5 deg, and 7 deg was asked for"), "{told}");
    }
    assert_eq!(measurement(&summary, "first")["passed"], false);
}

/// `verify` holds a run against its own record.
#[test]
fn a_changed_capture_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let faults = "{instrument: source, fault: error entry, code: -310, text: fan, at_s: 100000}";
    run_under(folder.path(), faults, "  - measure: {as: sound}\n", 0);
    let at = only_run(&folder.path().join("runs"));
    let verify = |status| expect_status(&run(&["verify", &at.display().to_string()]), status);
    assert!(verify(0).contains("is as it was written"));
    let data = at.join("captures/000001.sigmf-data");
    let mut bytes = std::fs::read(&data).unwrap();
    bytes[1000] ^= 1;
    std::fs::write(&data, bytes).unwrap();
    let told = verify(1);
    assert!(told.contains("captures/000001.sigmf-data was changed or damaged"), "{told}");
}
