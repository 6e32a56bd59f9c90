//! The program against instruments behind real sockets and a serial line, in real time, with the
//! simulator's back door as judge.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::process::{Output, Stdio};
use std::time::Duration;

use beamwarden::record::{Event, Outcome, RunFolder};
use common::{Served, expect_status, only_run, program, write};

/// Symbol rate of the bench file.
const SYMBOL_RATE_HZ: f64 = 1.76e9;

const SHORT: &str = "
sequence: short
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}
  - set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}
  - set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}
  - set: {beam.tx: 0 deg, beam.rx: 0 deg, frame: qpsk uncoded, source.output: on}
  - set: {turntable.angle: 5 deg}
  - wait: 10 ms
steps:
  - search beams: {side: rx}
  - measure: {as: here}
";

/// Runs the program while the simulated instruments go on living on this runtime.
async fn run_beside(arguments: Vec<String>) -> Output {
    let output = tokio::task::spawn_blocking(move || program().args(arguments).output());
    output.await.unwrap().unwrap()
}

/// The whole way over four sockets and a pseudo-terminal: what is measured is what the back door
/// knows, and the safe state is reached.
#[tokio::test]
async fn a_run_over_sockets_and_a_serial_line() {
    let served = Served::start().await;
    let folder = tempfile::tempdir().unwrap();
    let bench = write(folder.path(), "bench.yaml", &served.bench_file());
    let sequence = write(folder.path(), "short.yaml", SHORT);
    let runs = folder.path().join("runs");
    let arguments = ["run", &sequence, "--bench", &bench, "--json", "--runs"];
    let arguments = arguments.iter().map(ToString::to_string).chain([runs.display().to_string()]);
    let shown = expect_status(&run_beside(arguments.collect()).await, 0);
    let summary: serde_json::Value = serde_json::from_str(&shown).unwrap();
    let figures = &summary["measurements"][0]["figures"];

    let at_trigger = served.bench.truth_at_last_trigger().unwrap();
    let true_snr_db = at_trigger.es_n0_db(SYMBOL_RATE_HZ).unwrap();
    let snr_db = figures["snr_db"].as_f64().unwrap();
    // One capture of 57344 symbols and 3328 preamble chips: the spread is about 0.1 dB.
    assert!((snr_db - true_snr_db).abs() < 0.4, "{snr_db} {true_snr_db}");
    let cfo_hz = figures["cfo_hz"].as_f64().unwrap();
    let true_hz = at_trigger.link.carrier_offset_hz;
    assert!((cfo_hz.abs() - true_hz.abs()).abs() < 500.0, "{cfo_hz} {true_hz}");
    assert!((at_trigger.turntable.angle_deg - 5.0).abs() < 0.1);

    let now = served.bench.truth();
    assert!(!now.supply.output && !now.source.output, "safe state");
    assert!(!now.powered);
}

/// Nothing is sent, nothing is even opened, when a file has faults: an unknown key, a wrong unit
/// and a value beyond a limit come back underlined, all three at once.
#[tokio::test]
async fn faulty_files_reach_no_instrument() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let shipped =
        std::fs::read_to_string(common::root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let text = shipped.replace("at: simulated", &format!("at: \"tcp://{address}\""));
    let bench = write(folder.path(), "bench.yaml", &text);
    let faulty = "sequence: s\nstepps: []\nsteps:\n  - set: {supply.voltage: 3.3 V}\n  \
                  - set: {turntable.angle: 5 V}\n";
    let sequence = write(folder.path(), "faulty.yaml", faulty);
    let runs = folder.path().join("runs").display().to_string();
    let arguments = ["run", &sequence, "--bench", &bench, "--runs", &runs];
    let output = run_beside(arguments.iter().map(ToString::to_string).collect()).await;
    expect_status(&output, 2);
    let shown = String::from_utf8_lossy(&output.stderr).into_owned();
    for part in [
        "unknown key 'stepps' in sequence",
        "did you mean 'steps'?",
        "supply.voltage: 3.3 V is above the limit of 1.25 V",
        "'V' is a unit of another kind; wanted an angle such as 5 deg",
        "faulty.yaml:2:1",
        "faulty.yaml:4:27",
        "faulty.yaml:5:28",
        "3 faults",
    ] {
        assert!(shown.contains(part), "{part}: {shown}");
    }
    let underlined = shown.lines().filter(|line| line.contains("^^^")).count();
    assert_eq!(underlined, 3, "{shown}");
    assert!(!std::path::Path::new(&runs).exists());
    let accepted = tokio::time::timeout(Duration::from_millis(50), listener.accept()).await;
    assert!(accepted.is_err(), "somebody connected");
}

/// A termination signal ends the run in the safe state, with a complete record.
#[tokio::test]
async fn a_signal_ends_in_the_safe_state() {
    let served = Served::start().await;
    let folder = tempfile::tempdir().unwrap();
    let bench = write(folder.path(), "bench.yaml", &served.bench_file());
    let waiting = SHORT.replace("wait: 10 ms", "wait: 300 s");
    let sequence = write(folder.path(), "waiting.yaml", &waiting);
    let runs = folder.path().join("runs");
    let child = program()
        .args(["run", &sequence, "--bench", &bench, "--runs", &runs.display().to_string()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The source's output is the last setting before the table moves and the wait begins.
    while !served.bench.truth().source.output {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let pid = child.id().to_string();
    let output = tokio::task::spawn_blocking(move || {
        std::process::Command::new("kill").args(["-TERM", &pid]).status().unwrap();
        child.wait_with_output().unwrap()
    });
    let output = tokio::time::timeout(Duration::from_secs(60), output).await.unwrap().unwrap();
    expect_status(&output, 5);
    let now = served.bench.truth();
    assert!(!now.supply.output && !now.source.output);
    let folder = RunFolder::open(&only_run(&runs)).unwrap();
    let entries = folder.read_journal().unwrap().entries;
    let ended = entries.iter().find_map(|entry| match &entry.event {
        Event::RunEnded(ended) => Some(ended.outcome),
        _ => None,
    });
    assert_eq!(ended, Some(Outcome::Stopped));
    assert!(
        entries
            .iter()
            .any(|entry| matches!(&entry.event, Event::SafeState(s) if s.failed.is_empty()))
    );
}

/// An instrument that is not there fails the run with status 3; those that are there are brought
/// to their safe state, and the record says which one was missing.
#[tokio::test]
async fn a_missing_instrument_is_named_and_the_rest_made_safe() {
    let served = Served::start().await;
    let folder = tempfile::tempdir().unwrap();
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let text = served.bench_file();
    let scope = text.find("\n  scope:").unwrap();
    let at = scope + text[scope..].find("at: \"").unwrap() + 5;
    let end = at + text[at..].find('"').unwrap();
    let text = format!("{}tcp://{free}{}", &text[..at], &text[end..]);
    let bench = write(folder.path(), "bench.yaml", &text);
    let sequence = write(folder.path(), "short.yaml", SHORT);
    // Somebody left the supply on. It wakes with a current limit beyond the bench's, so that it
    // cannot be switched on before that is set.
    let live = write(folder.path(), "live.yaml", &served.bench_file());
    let current = "SOUR:CURR:LEV:IMM:AMPL 0.6";
    for (message, status) in [("OUTP:STAT ON", 4), (current, 0), ("OUTP:STAT ON", 0)] {
        let said = ["say", "supply", message, "--write", "--bench", &live];
        let said = said.iter().map(ToString::to_string);
        expect_status(&run_beside(said.collect()).await, status);
    }
    assert!(served.bench.truth().supply.output);

    let runs = folder.path().join("runs");
    let arguments = ["run", &sequence, "--bench", &bench, "--runs"];
    let arguments = arguments.iter().map(ToString::to_string).chain([runs.display().to_string()]);
    let output = run_beside(arguments.collect()).await;
    expect_status(&output, 3);
    let shown = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(shown.contains("scope") && shown.contains(&free.to_string()), "{shown}");
    assert!(!served.bench.truth().supply.output);
    let journal = std::fs::read_to_string(only_run(&runs).join("journal.jsonl")).unwrap();
    assert!(journal.contains("\"outcome\":\"failed\""), "{journal}");
}
