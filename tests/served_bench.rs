//! The program against instruments behind real sockets and a serial line, in real time, with the
//! simulator's back door as judge.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::process::{Child, Output, Stdio};
use std::time::Duration;

use beamwarden::record::{Event, Outcome, RunFolder};
use beamwarden_sim::{SimBench, Truth};
use common::{Served, expect_status, only_run, program, short_sequence, write};

/// Symbol rate of the bench file.
const SYMBOL_RATE_HZ: f64 = 1.76e9;

const STEPS: &str = "  - search beams: {side: rx}\n  - measure: {as: here}\n";

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
    let sequence = write(folder.path(), "short.yaml", &short_sequence(STEPS));
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

/// Sends a signal to the program once `ready` holds, and waits for its end.
async fn signal_when(child: Child, signal: &'static str, ready: impl Fn() -> bool) -> Output {
    let mut patience = 1000;
    while !ready() {
        patience -= 1;
        assert!(patience > 0, "the moment for the signal never came");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let pid = child.id().to_string();
    let output = tokio::task::spawn_blocking(move || {
        std::process::Command::new("kill").args([signal, &pid]).status().unwrap();
        child.wait_with_output().unwrap()
    });
    tokio::time::timeout(Duration::from_secs(60), output).await.unwrap().unwrap()
}

fn start(arguments: &[&str]) -> Child {
    let mut command = program();
    command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
    command.spawn().unwrap()
}

/// The journal's entries and how it says that the run ended.
fn end_of(runs: &std::path::Path) -> (Vec<Event>, Option<Outcome>) {
    let folder = RunFolder::open(&only_run(runs)).unwrap();
    let events: Vec<Event> =
        folder.read_journal().unwrap().entries.into_iter().map(|entry| entry.event).collect();
    let ended = events.iter().find_map(|event| match event {
        Event::RunEnded(ended) => Some(ended.outcome),
        _ => None,
    });
    (events, ended)
}

/// A signal ends the run in the safe state with a complete record, whatever it was doing: waiting,
/// turning the table (which then stands still), searching (which then decides nothing).
async fn check_signal(
    signal: &'static str,
    steps: &str,
    ready: impl Fn(&SimBench) -> bool,
) -> Served {
    let served = Served::start().await;
    let folder = tempfile::tempdir().unwrap();
    let bench = write(folder.path(), "bench.yaml", &served.bench_file());
    let short = short_sequence(STEPS);
    let prepare = short.split("steps:").next().unwrap();
    let sequence = write(folder.path(), "s.yaml", &format!("{prepare}steps:\n{steps}"));
    let runs = folder.path().join("runs");
    let child =
        start(&["run", &sequence, "--bench", &bench, "--runs", &runs.display().to_string()]);
    let output = signal_when(child, signal, || ready(&served.bench)).await;
    expect_status(&output, 5);
    let now = served.bench.truth();
    assert!(!now.supply.output && !now.source.output);
    let (events, ended) = end_of(&runs);
    assert_eq!(ended, Some(Outcome::Stopped));
    let safe = |event: &Event| matches!(event, Event::SafeState(state) if state.failed.is_empty());
    assert!(events.iter().any(safe));
    assert!(!events.iter().any(|event| matches!(event, Event::Search(_))));
    served
}

#[tokio::test]
async fn a_signal_in_a_wait() {
    check_signal("-TERM", "  - wait: 300 s\n", |bench| bench.truth().source.output).await;
}

#[tokio::test]
async fn a_signal_while_the_table_turns() {
    let far = "  - set: {turntable.angle: 80 deg}\nfinally:\n  - set: {turntable.angle: 0 deg}\n";
    let served = check_signal("-INT", far, |bench| bench.truth().turntable.angle_deg > 15.0).await;
    let angle_deg = served.bench.truth().turntable.angle_deg;
    assert!((15.0..70.0).contains(&angle_deg), "{angle_deg}");
    tokio::time::sleep(Duration::from_millis(200)).await;
    let later_deg = served.bench.truth().turntable.angle_deg;
    assert!((later_deg - angle_deg).abs() < 0.1, "it still moves: {angle_deg} {later_deg}");
}

#[tokio::test]
async fn a_signal_in_a_search() {
    let search = "  - search beams: {side: both}\n";
    check_signal("-HUP", search, |bench| {
        // The search has begun when a beam other than broadside was on at a trigger.
        let steered = |truth: &Truth| truth.tx.codes.iter().any(|code| code.phase != 0);
        bench.truth_at_last_trigger().as_ref().is_some_and(steered)
    })
    .await;
}

/// Two processes do not drive one bench: the second one sends nothing and changes nothing.
#[tokio::test]
async fn a_second_process_is_kept_out() {
    let served = Served::start().await;
    let folder = tempfile::tempdir().unwrap();
    let bench = write(folder.path(), "bench.yaml", &served.bench_file());
    let waiting = short_sequence(STEPS).replace("wait: 10 ms", "wait: 300 s");
    let sequence = write(folder.path(), "waiting.yaml", &waiting);
    let runs = folder.path().join("runs").display().to_string();
    let child = start(&["run", &sequence, "--bench", &bench, "--runs", &runs]);
    while !served.bench.truth().source.output {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let other = folder.path().join("other").display().to_string();
    let arguments = ["run", &sequence, "--bench", &bench, "--runs", &other];
    let output = run_beside(arguments.iter().map(ToString::to_string).collect()).await;
    expect_status(&output, 3);
    let shown = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(shown.contains("in use by another beamwarden"), "{shown}");
    assert!(served.bench.truth().source.output && served.bench.truth().supply.output);
    expect_status(&signal_when(child, "-TERM", || true).await, 5);
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
    let sequence = write(folder.path(), "short.yaml", &short_sequence(STEPS));
    // Somebody left the supply on.
    let live = write(folder.path(), "live.yaml", &served.bench_file());
    for message in ["SOUR:CURR:LEV:IMM:AMPL 0.6", "OUTP:STAT ON"] {
        let on = ["say", "supply", message, "--write", "--bench", &live];
        let output = run_beside(on.iter().map(ToString::to_string).collect()).await;
        expect_status(&output, 0);
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

/// Two benches at once, each with its own instruments and seed, and a fault plan for both: the third
/// command to a supply is never carried out.
#[tokio::test]
async fn several_benches_are_served_with_their_faults() {
    use std::io::BufRead;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let folder = tempfile::tempdir().unwrap();
    let plan = "faults: [{instrument: supply, fault: closed link, at_command: 3}]";
    let plan = write(folder.path(), "plan.yaml", plan);
    let arguments = ["sim", "--json", "--port", "0", "--benches", "2", "--seed", "7", "--faults"];
    let mut child = program().args(arguments).arg(&plan).stdout(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    let mut reader = std::io::BufReader::new(child.stdout.take().unwrap());
    reader.read_line(&mut line).unwrap();
    let served: serde_json::Value = serde_json::from_str(&line).unwrap();
    let benches = served["benches"].as_array().unwrap();
    let seeds: Vec<u64> = benches.iter().map(|one| one["seed"].as_u64().unwrap()).collect();
    assert_eq!(seeds, [7, 8]);
    let mut addresses = std::collections::BTreeSet::new();
    for (bench, volts) in benches.iter().zip(["1.0", "2.0"]) {
        let instruments = bench["instruments"].as_array().unwrap();
        addresses.extend(instruments.iter().map(|one| one["address"].to_string()));
        let supply = instruments.iter().find(|one| one["role"] == "supply").unwrap();
        let address = supply["address"].as_str().unwrap().strip_prefix("tcp://").unwrap();
        let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
        stream.write_all(format!("VOLT {volts}\nVOLT?\nVOLT?\n").as_bytes()).await.unwrap();
        let mut answers = String::new();
        stream.read_to_string(&mut answers).await.unwrap();
        let answers: Vec<f64> = answers.lines().map(|line| line.parse().unwrap()).collect();
        assert_eq!(
            answers,
            [volts.parse::<f64>().unwrap()],
            "two benches, each with its own setting"
        );
    }
    assert_eq!(addresses.len(), 12, "none is listed twice");
    let mut struck = Vec::new();
    for _ in 0..2 {
        line.clear();
        reader.read_line(&mut line).unwrap();
        let fault: serde_json::Value = serde_json::from_str(&line).unwrap();
        assert_eq!((&fault["fault"], &fault["commands"]), (&"closed link".into(), &3.into()));
        struck.push(fault["bench"].as_u64().unwrap());
    }
    struck.sort_unstable();
    assert_eq!(struck, [1, 2], "each fault is told as it strikes");
    child.kill().unwrap();
    child.wait().unwrap();
}

/// A fault plan with faults of its own is refused, by `sim` and by the check of a bench.
#[test]
fn a_wrong_fault_plan_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let plan = "faults: [{instrument: supply, fault: stuck, short_deg: 1}]";
    let plan = write(folder.path(), "plan.yaml", plan);
    let shipped =
        std::fs::read_to_string(common::root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let text = shipped.replace("simulated: {seed: 1}", "simulated: {seed: 1, faults: plan.yaml}");
    let bench = write(folder.path(), "bench.yaml", &text);
    let sequence = "sequences/rotate-and-recover.yaml";
    for arguments in [&["sim", "--faults", &plan][..], &["check", sequence, "--bench", &bench]] {
        let output = common::run(arguments);
        expect_status(&output, 2);
        let shown = String::from_utf8_lossy(&output.stderr).into_owned();
        for part in ["exactly one of at_s", "only these can have it: turntable"] {
            assert!(shown.contains(part), "{part}: {shown}");
        }
    }
    write(folder.path(), "plan.yaml", "faults: [{instrument: supply, fault: restart, at_s: 9}]");
    let shown = expect_status(&common::run(&["check", sequence, "--bench", &bench]), 0);
    assert!(shown.contains("1 planned for the simulated bench"), "{shown}");
}
