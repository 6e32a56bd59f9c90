//! The main job as a user runs it: the story on the simulated bench, its record, its repetition.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::Path;

use beamwarden::record::{Event, Outcome, RunFolder, verify};
use common::{expect_status, only_run, run};
use serde_json::Value as Json;

const STORY: &str = "sequences/rotate-and-recover.yaml";

fn run_story(runs: &Path) -> Json {
    let output = run(&["run", STORY, "--runs", &runs.display().to_string(), "--json"]);
    serde_json::from_str(&expect_status(&output, 0)).unwrap()
}

fn measurement<'a>(summary: &'a Json, label: &str) -> &'a Json {
    let measurements = summary["measurements"].as_array().unwrap();
    &measurements.iter().find(|m| m["label"] == label).unwrap()["figures"]
}

/// The aligned link has no errors, the rotated one some per cent, the recovered one none, and the
/// coded frame passes. The loss at 21 degrees is the first sidelobe of eight elements at half-wave
/// spacing, 12.80 dB below the peak (C. A. Balanis, Antenna Theory, sec. 6.3; see
/// tests/reference/rf/array.yaml).
#[test]
fn the_story_runs_and_is_recorded() {
    let runs = tempfile::tempdir().unwrap();
    let summary = run_story(runs.path());
    assert_eq!(summary["outcome"], "completed");
    assert_eq!(summary["safe_state_reached"], true);
    let figure = |label: &str, name: &str| measurement(&summary, label)[name].as_f64().unwrap();
    assert_eq!(figure("aligned", "bit_errors"), 0.0);
    let rotated = figure("rotated away", "ber");
    assert!((0.02..0.1).contains(&rotated), "{rotated}");
    assert_eq!(figure("recovered", "bit_errors"), 0.0);
    assert_eq!(figure("coded 16-QAM", "bit_errors"), 0.0);
    assert_eq!(figure("coded 16-QAM", "codewords_failed"), 0.0);
    for label in ["aligned", "recovered", "coded 16-QAM"] {
        assert!(figure(label, "bits") >= 200_000.0);
    }
    let loss = figure("aligned", "snr_db") - figure("rotated away", "snr_db");
    assert!((loss - 12.80).abs() < 0.3, "{loss}");

    let folder = RunFolder::open(&only_run(runs.path())).unwrap();
    let findings = verify(&folder).unwrap();
    assert!(findings.is_empty(), "{findings:?}");
    for file in ["sequence.yaml", "bench.yaml", "report.html", "journal.jsonl"] {
        assert!(folder.path().join(file).metadata().unwrap().len() > 0, "{file}");
    }
    let frozen = fs::read_to_string(folder.path().join("sequence.yaml")).unwrap();
    assert_eq!(frozen, fs::read_to_string(common::root().join(STORY)).unwrap());
    check_journal(&folder);
    check_report(&folder);
    check_trace(&folder);
}

/// Every setting of the sequence stands in the journal, read back and agreeing; the search is
/// there with all its probes; the last lines are the safe state and the end.
fn check_journal(folder: &RunFolder) {
    let reading = folder.read_journal().unwrap();
    assert!(reading.faults.is_empty() && reading.torn_bytes == 0);
    let events: Vec<&Event> = reading.entries.iter().map(|entry| &entry.event).collect();
    let settings: Vec<_> = events
        .iter()
        .filter_map(|event| match event {
            Event::Setting(done) => Some(done),
            _ => None,
        })
        .collect();
    for name in ["supply.voltage", "turntable.angle", "frame", "beam.rx", "dut.rx.phase.7"] {
        let done = settings.iter().find(|done| done.setting.name == name);
        assert!(done.is_some_and(|done| done.setting.matched), "{name}");
    }
    let probes = events.iter().find_map(|event| match event {
        Event::Search(search) => Some(search.probes.len()),
        _ => None,
    });
    assert_eq!(probes, Some(17 * 17));
    let [.., Event::SafeState(safe), Event::RunEnded(ended)] = events.as_slice() else {
        panic!("the journal ends otherwise: {:?}", events.last());
    };
    assert_eq!(safe.done, ["source.output: off", "supply.output: off"]);
    assert_eq!(ended.outcome, Outcome::Completed);
}

/// One file, nothing fetched, the constellations of all four measurements drawn.
fn check_report(folder: &RunFolder) {
    let page = fs::read_to_string(folder.report_path()).unwrap().replace("url(#", "");
    for outside in ["http://", "https://", "src=", "@import", "url("] {
        let places = page.matches(outside).count();
        let namespaces =
            if outside == "http://" { page.matches("http://www.w3.org/").count() } else { 0 };
        assert_eq!(places, namespaces, "{outside}");
    }
    for label in ["aligned", "rotated away", "recovered", "coded 16-QAM"] {
        assert!(page.contains(label), "{label}");
    }
}

/// Every message to and from each instrument is kept.
fn check_trace(folder: &RunFolder) {
    for instrument in ["source", "scope", "dut", "turntable", "supply"] {
        let text = fs::read_to_string(folder.trace_path(&format!("{instrument}.jsonl")).unwrap());
        let text = text.unwrap();
        let lines: Vec<Json> =
            text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let with = |direction: &str| lines.iter().filter(|l| l["direction"] == direction).count();
        assert!(with("sent") > 3 && with("received") > 3, "{instrument}");
    }
}

/// Same seed, same sequence: the same bytes.
#[test]
fn the_seed_reproduces_the_run() {
    let (first, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let summaries = [run_story(first.path()), run_story(second.path())];
    assert_eq!(summaries[0]["measurements"], summaries[1]["measurements"]);
    let captures = |runs: &Path| {
        let folder = only_run(runs).join("captures");
        let mut files: Vec<_> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|e| e == "sigmf-data"))
            .collect();
        files.sort();
        files.iter().map(|path| fs::read(path).unwrap()).collect::<Vec<_>>()
    };
    let (first, second) = (captures(first.path()), captures(second.path()));
    assert!(first.len() >= 8 && first == second);
    // Two captures of one state differ: their noise is not the same twice.
    assert_ne!(first[0], first[1]);
}

/// A failed expectation is no failure of the run, and has its own exit status.
#[test]
fn a_failed_expectation_ends_with_status_one() {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(common::root().join(STORY)).unwrap();
    let strict = text.replace("evm: at most -13 dB", "evm: at most -30 dB");
    let sequence = common::write(folder.path(), "strict.yaml", &strict);
    let runs = folder.path().join("runs");
    let output = run(&["run", &sequence, "--runs", &runs.display().to_string()]);
    let shown = expect_status(&output, 1);
    assert!(shown.contains("FAILED: evm not at most -30 dB"), "{shown}");
    let folder = RunFolder::open(&only_run(&runs)).unwrap();
    let last = folder.read_journal().unwrap().entries.pop().unwrap();
    let Event::RunEnded(ended) = last.event else { panic!("{last:?}") };
    assert_eq!((ended.outcome, ended.expectations_failed), (Outcome::ExpectationFailed, 2));
}
