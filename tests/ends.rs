//! How whole programs end: exit status and record when the output is gone, or a signal comes.

#![allow(clippy::unwrap_used, reason = "a test that cannot start the program shall fail")]

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

fn run(folder: &Path, sequence: &str) -> Command {
    let file = folder.join("sequence.yaml");
    std::fs::write(&file, sequence).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_beamwarden"));
    command.arg("run").arg(file).arg("--runs").arg(folder.join("runs"));
    command
}

/// The last two events of the only run's journal.
fn last_events(folder: &Path) -> Vec<String> {
    let mut runs = std::fs::read_dir(folder.join("runs")).unwrap();
    let run = runs.find_map(|entry| Some(entry.unwrap().path()).filter(|path| path.is_dir()));
    let journal = std::fs::read_to_string(run.unwrap().join("journal.jsonl")).unwrap();
    let event = |line: &str| {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        line["event"].as_str().unwrap().to_string()
    };
    let lines: Vec<String> = journal.lines().map(event).collect();
    lines[lines.len() - 2..].to_vec()
}

#[test]
fn a_failed_expectation_shows_in_the_status_also_when_nobody_reads() {
    let folder = tempfile::tempdir().unwrap();
    // The source's output is off: no frame is found, and no expectation holds.
    let sequence = "
sequence: unread
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {source.sample_rate: 7.04 GHz, scope.sample_interval: 125 ps, frame: qpsk uncoded}
steps: [{measure: {as: dark}, expect: {evm: at most -16 dB}}]
";
    let mut child = run(folder.path(), sequence).stdout(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(1));
}

#[cfg(unix)]
#[test]
fn a_signal_ends_in_the_safe_state_with_a_complete_record() {
    for (signal, times) in [("INT", 1), ("TERM", 1), ("HUP", 1), ("QUIT", 1), ("INT", 3)] {
        let folder = tempfile::tempdir().unwrap();
        let sequence = "
sequence: interrupted
steps:
  - sweep: {source.amplitude: {from: 0.1 V, to: 0.2 V, count: 1000000}}
    do: [{wait: 1 s}]
finally: [{wait: 1 s}]
";
        let mut command = run(folder.path(), sequence);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let told = BufReader::new(child.stderr.take().unwrap());
        let mut lines = told.lines().map(Result::unwrap);
        assert!(lines.any(|line| line.contains("point 3:")));
        for _ in 0..times {
            let id = child.id().to_string();
            assert!(Command::new("kill").args(["-s", signal, &id]).status().unwrap().success());
        }
        let rest: Vec<String> = lines.collect();
        assert_eq!(child.wait().unwrap().code(), Some(5), "{signal}: {rest:?}");
        assert_eq!(last_events(folder.path()), ["safe_state", "run_ended"], "{signal}");
    }
}
