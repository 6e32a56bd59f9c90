//! Runs that were cut off after any line of their journal, under faults: whatever is recorded after they
//! went on was recorded at the settings that the record says, each point once, and the answers, figures
//! and counts that steps depend on are those of an uninterrupted run.
//!
//! A kill after a line was flushed leaves just the journal up to there, so that cutting a copy of it is
//! the same as killing the program at that moment.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use common::{expect_status, only_run, root, run};
use serde_json::Value;

const PREPARE: &str = "
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.75 A, supply.output: on}
  - set: {dut.tx.channel: 2, dut.rx.channel: 2, dut.tx.gain: 22, dut.rx.gain: 16, dut.tx.enable: on, dut.rx.enable: on}
  - set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}
  - set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}
  - set: {turntable.speed: 10 deg/s, turntable.angle: 0 deg, beam.tx: 0 deg, beam.rx: 0 deg}
  - set: {frame: qpsk uncoded, source.output: on}
";

/// A story that is cut.
struct Story {
    name: &'static str,
    /// Keys of the sequence besides its name and what brings the bench up.
    sequence: &'static str,
    /// Keys of the bench file besides those of the packing arm.
    bench: &'static str,
    faults: &'static str,
    /// How many cuts.
    cuts: usize,
}

fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

/// Runs a story uncut; yields its run folder.
fn run_whole(folder: &Path, story: &Story) -> PathBuf {
    let bench = std::fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let faults = format!("seed: 4\nfaults:{}\n", story.faults);
    let faulty = "simulated: {seed: 1, faults: cut.faults.yaml}";
    let bench = match story.faults {
        "" => bench,
        _ => bench.replace("simulated: {seed: 1}", faulty),
    };
    write(folder, "cut.faults.yaml", &faults);
    let bench = write(folder, "cut.bench.yaml", &format!("{bench}\n{}", story.bench));
    let sequence = story.sequence.replace("PREPARE", PREPARE);
    let sequence = write(folder, "cut.yaml", &format!("sequence: {}\n{sequence}", story.name));
    let runs = folder.join("runs");
    let output = run(&["run", &sequence, "--bench", &bench, "--runs", &runs.display().to_string()]);
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(matches!(output.status.code(), Some(0 | 1 | 3)), "{}: {told}", story.name);
    only_run(&runs)
}

fn entries(run: &Path) -> Vec<Value> {
    let journal = std::fs::read_to_string(run.join("journal.jsonl")).unwrap();
    journal.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn event(entry: &Value) -> &str {
    entry["event"].as_str().unwrap()
}

/// What of a run must be the same whether or not it was cut.
#[derive(Debug, Default, PartialEq)]
struct Essence {
    /// Settings at the last measurement of each point, as they were last read back.
    settings: BTreeMap<u64, BTreeMap<String, String>>,
    /// Notes that begin with `told`, by point; those of an abandoned begin are overwritten.
    notes: BTreeMap<u64, String>,
    finished: Vec<u64>,
    expectations_failed: u64,
}

fn essence(run: &Path) -> Essence {
    let (mut essence, mut standing) = (Essence::default(), BTreeMap::new());
    let (mut point, mut started) = (0, Value::Null);
    for entry in entries(run) {
        match event(&entry) {
            "setting" => {
                let name = entry["name"].as_str().unwrap().to_string();
                standing.insert(name, entry["read_back"].to_string());
            }
            "point_started" => {
                point = entry["point"].as_u64().unwrap();
                started = entry;
            }
            "measurement" if entry["point"].is_u64() => {
                check_axes(&standing, &started, &entry);
                essence.settings.insert(point, standing.clone());
            }
            "note" => {
                let message = entry["message"].as_str().unwrap();
                if message.starts_with("told") {
                    essence.notes.insert(point, message.to_string());
                }
            }
            "point_finished" => essence.finished.push(entry["point"].as_u64().unwrap()),
            "run_ended" => {
                essence.expectations_failed = entry["expectations_failed"].as_u64().unwrap();
            }
            _ => {}
        }
    }
    essence
}

/// Every axis stands at a measurement where its point says.
#[track_caller]
fn check_axes(standing: &BTreeMap<String, String>, started: &Value, measured: &Value) {
    for axis in started["position"].as_array().unwrap() {
        let (name, value) = (axis["axis"].as_str().unwrap(), &axis["value"]);
        let stands: Value = serde_json::from_str(&standing[name]).unwrap();
        let differs = match (stands["value"].as_f64(), value.as_f64()) {
            (Some(stands), Some(wanted)) => (stands - wanted).abs() > 0.02,
            _ => stands["value"] != *value,
        };
        assert!(!differs, "{name} stands at {stands}: {started}, {measured}");
    }
}

/// Cuts a copy of a run after a line, goes on with it and holds it against the uncut one.
#[track_caller]
fn check_cut(folder: &Path, whole: &Path, wanted: &Essence, cut: usize, story: &Story) {
    let name = whole.file_name().unwrap().to_str().unwrap();
    let runs = folder.join(format!("cut-{cut}"));
    copy(whole, &runs.join(name));
    let path = runs.join(name).join("journal.jsonl");
    let journal = std::fs::read_to_string(&path).unwrap();
    let kept: String = journal.split_inclusive('\n').take(cut).collect();
    std::fs::write(&path, kept).unwrap();
    let last = event(&entries(&runs.join(name))[cut - 1]).to_string();
    let runs_named = runs.display().to_string();
    let output = run(&["run", "--resume", name, "--runs", &runs_named]);
    let told = String::from_utf8_lossy(&output.stderr);
    let place = format!("{} cut after line {cut} ({last})", story.name);
    assert!(matches!(output.status.code(), Some(0 | 1 | 3)), "{place}: {told}");
    let verified = run(&["verify", name, "--runs", &runs_named]);
    expect_status(&verified, 0);
    let found = essence(&runs.join(name));
    let mut once = found.finished.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), found.finished.len(), "{place}: a point was finished twice");
    // Faults begin anew with the simulated bench, so that other points may be given up; what is
    // measured must be measured at the same settings.
    for (point, settings) in &found.settings {
        let Some(wanted) = wanted.settings.get(point) else { continue };
        for (name, value) in wanted.iter().filter(|(name, _)| is_of_the_point(name)) {
            assert_eq!(settings.get(name), Some(value), "{place}, point {point}: {name}");
        }
    }
    if story.faults.is_empty() {
        assert_eq!(found.finished, wanted.finished, "{place}");
        assert_eq!(found.notes, wanted.notes, "{place}");
        assert_eq!(found.expectations_failed, wanted.expectations_failed, "{place}");
    }
    std::fs::remove_dir_all(runs).unwrap();
}

/// Settings that the stories change from point to point.
fn is_of_the_point(name: &str) -> bool {
    ["turntable.angle", "dut.tx.gain", "dut.tx.channel", "dut.rx.gain", "beam.rx"].contains(&name)
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn check(story: &Story) {
    let folder = tempfile::tempdir().unwrap();
    let whole = run_whole(folder.path(), story);
    let wanted = essence(&whole);
    let all = entries(&whole);
    let first = all.iter().position(|entry| event(entry) == "run_started").unwrap() + 2;
    let last = all.iter().rposition(|entry| event(entry) == "run_ended").unwrap();
    // Spread evenly, and not at the same place of every point.
    for n in 0..story.cuts {
        let cut = first + (last - first) * (2 * n + 1) / (2 * story.cuts);
        check_cut(folder.path(), &whole, &wanted, cut, story);
    }
}

#[test]
fn a_turn_that_was_lost_is_not_measured_elsewhere() {
    check(&Story {
        name: "lost-turn",
        sequence: "prepare:PREPARE
on failure: {transient: {retries: 0, then: skip point}, instrument: {retries: 0, then: skip point}, stop after: {in a row: 100}}
steps:
  - sweep: {turntable.angle: [5 deg, 30 deg, 0 deg]}
    do:
      - wait: 40 s
      - sweep: {dut.tx.gain: [16, 19, 22, 25]}
        do: [{measure: {keep: figures}}]
",
        bench: "",
        faults: "\n  - {instrument: turntable, fault: restart, at_s: 60, for_s: 40}",
        cuts: 10,
    });
}

#[test]
fn an_axis_that_failed_is_set_again() {
    check(&Story {
        name: "lost-axis",
        sequence: "prepare:PREPARE
on failure: {transient: {retries: 0, then: skip point}, instrument: {retries: 0, then: skip point}, stop after: {in a row: 100}}
steps:
  - sweep: {turntable.angle: [5 deg, 30 deg, 0 deg], dut.tx.gain: [16, 19, 22, 25]}
    do: [{wait: 15 s}, {measure: {keep: figures}}]
",
        bench: "",
        faults: "\n  - {instrument: turntable, fault: restart, at_s: 60, for_s: 40}",
        cuts: 10,
    });
}

/// A pause of an interlock after a resumption makes everything again, the supply before its chips.
#[test]
fn a_pause_after_a_resumption_makes_everything_again() {
    check(&Story {
        name: "paused",
        sequence: "prepare:PREPARE
on failure: {transient: {retries: 6, wait: 2 s, then: skip point}, instrument: {retries: 6, wait: 2 s, then: skip point}}
reference: {every: 4 points, set: {dut.tx.gain: 22, beam.rx: 0 deg}, measure: {keep: figures}, within: {evm: 5 dB}, beyond: go on}
steps:
  - sweep: {turntable.angle: [-10 deg, 0 deg, 10 deg]}
    order: random
    seed: 3
    do:
      - measure: {keep: figures, as: turn}
      - set: {beam.rx: = turntable.angle}
      - sweep: {dut.tx.gain: [18, 22, 26], dut.tx.channel: [2, 3]}
        order: random
        skip when: dut.tx.gain == 26 and turntable.angle > 5 deg
        do: [{wait: 5 s}, {set: {dut.rx.gain: = 14 + round(dut.tx.gain / 8)}}, {measure: {keep: figures}}]
",
        bench: "interlocks:
  - {watch: dut.rx.lock, to be: on, every: 5 s, within: 15 min, then: pause, settle: 10 s, at most: 30 min}
",
        faults: "
  - {instrument: dut, fault: lost lock, chip: rx, at_s: 30, for_s: 5}
  - {instrument: supply, fault: restart, at_s: 90, for_s: 3}",
        cuts: 12,
    });
}

#[test]
fn what_was_set_under_a_condition_or_in_the_steps_is_set_again() {
    check(&Story {
        name: "under-a-condition",
        sequence: "prepare:
  - when: 1 < 2
    do: [{set: {supply.voltage: 1.2 V, supply.current_limit: 0.75 A, supply.output: on}}]
steps:PREPARE
  - sweep: {dut.tx.gain: [16, 19, 22, 25]}
    do: [{measure: {keep: figures}}]
",
        bench: "",
        faults: "",
        cuts: 12,
    });
}

#[test]
fn answers_and_counts_are_those_of_an_uninterrupted_run() {
    check(&Story {
        name: "answers",
        sequence: "prepare:PREPARE
steps:
  - ask: {question: first, within: 1 s, answers: [yes, no], default: no, as: a}
  - sweep: {dut.tx.gain: [18, 20, 22]}
    do:
      - when: answer.a == 'yes'
        do: [{note: \"told yes at {dut.tx.gain}\"}]
        otherwise: [{note: \"told no at {dut.tx.gain}\"}]
      - ask: {question: then, within: 1 s, answers: [yes, no], default: yes, as: a}
      - measure: {keep: figures}
finally:
  - measure: {as: last, keep: figures}
    expect: {evm: at most -90 dB}
",
        bench: "",
        faults: "",
        cuts: 14,
    });
}
