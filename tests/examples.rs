//! The example files that show what the grammars have: every key of a grammar stands in one of them
//! or in a shipped file, and the simulated instruments do what they say.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::instrument::{Driver, Inputs, Instrument};
use beamwarden_drivers::marked::{self, Node};
use beamwarden_drivers::transport::PipeLink;
use beamwarden_drivers::value::Value;
use beamwarden_drivers::{profile, registers};
use beamwarden_sim::{Model, Post, SimBench};
use common::{expect_status, program, root, write};
use serde_json::Value as Json;

fn examples() -> PathBuf {
    root().join("drivers/examples")
}

/// The names of all properties that a schema knows.
fn known_keys(schema: &Json, into: &mut BTreeSet<String>) {
    if let Some(properties) = schema.get("properties").and_then(Json::as_object) {
        into.extend(properties.keys().cloned());
    }
    match schema {
        Json::Object(map) => map.values().for_each(|inner| known_keys(inner, into)),
        Json::Array(list) => list.iter().for_each(|inner| known_keys(inner, into)),
        _ => {}
    }
}

fn used_keys(node: &Node, into: &mut BTreeSet<String>) {
    for (key, value) in node.entries() {
        into.insert(key.text.clone());
        used_keys(value, into);
    }
    node.items().iter().for_each(|item| used_keys(item, into));
}

fn keys_of_files(folders: &[&str]) -> BTreeSet<String> {
    let mut used = BTreeSet::new();
    for folder in folders {
        for entry in fs::read_dir(root().join(folder)).unwrap() {
            let source = Source::read(&entry.unwrap().path()).unwrap();
            used_keys(&marked::parse(&source).unwrap().0, &mut used);
        }
    }
    used
}

#[test]
fn every_key_of_the_grammars_is_shown_somewhere() {
    let used = keys_of_files(&["drivers/profiles", "drivers/registers", "drivers/examples"]);
    // Codes to the source as floats: the simulated one takes whole numbers only.
    let not_shown = BTreeSet::from(["full scale".to_string()]);
    for schema in [profile::json_schema(), registers::json_schema()] {
        let mut known = BTreeSet::new();
        known_keys(&schema, &mut known);
        assert!(known.len() > 20, "{known:?}");
        let missing: BTreeSet<String> = known.difference(&used).cloned().collect();
        assert!(missing.is_subset(&not_shown), "no file shows {missing:?}");
    }
}

const BENCH: &str = "
bench: examples
instruments:
  source: {role: waveform source, profile: scpi-source, at: simulated}
  scope: {role: scope, profile: lab-scope.yaml, identity: SIM-SCOPE, at: simulated}
  dut: {role: dut control port, profile: lab-port.yaml, registers: lab-chip.yaml, at: simulated}
  turntable: {role: turntable, profile: lab-table.yaml, at: simulated}
  supply: {role: supply, profile: scpi-supply, at: simulated}
limits:
  supply.voltage: {at most: 1.23 V}
  supply.current_limit: {at most: 0.8 A}
  turntable.angle: {at least: -20.2 deg, at most: 20.2 deg}
safe state:
  - {supply.output: off}
";

const PREPARE: &str = "
sequence: up
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.8 A, supply.output: on}
  - wait: 10 ms
steps: []
";

fn beside_the_examples(folder: &Path) -> String {
    for entry in fs::read_dir(examples()).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, folder.join(path.file_name().unwrap())).unwrap();
    }
    write(folder, "bench.yaml", BENCH)
}

/// Each setting of the examples at both ends of its range and limits, which are no steps.
#[test]
fn every_setting_of_the_examples_does_what_it_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let bench = beside_the_examples(folder.path());
    let prepare = write(folder.path(), "up.yaml", PREPARE);
    let arguments =
        ["bench", "--bench", &bench, "--exercise", "--moving", "--prepare", &prepare, "--json"];
    let output = program().args(arguments).output().unwrap();
    let shown = expect_status(&output, 0);
    let mut written_only = Vec::new();
    for line in shown.lines().map(|line| serde_json::from_str::<Json>(line).unwrap()) {
        let setting = line["setting"].as_str().unwrap().to_string();
        match line["state"].as_str().unwrap() {
            "well" => {}
            "left out" => written_only.push(setting.clone()),
            _ => panic!("{line}"),
        }
        if setting == "turntable.angle" {
            assert_eq!(line["written"][0], "-20 deg");
            assert_eq!(line["written"][1], "20 deg");
        }
    }
    assert_eq!(written_only, ["dut.tx.enable", "dut.rx.enable"]);
}

/// A sequence is checked against the steps of a profile, with the line of the value.
#[test]
fn a_check_refuses_what_the_steps_of_an_example_do_not_take() {
    let folder = tempfile::tempdir().unwrap();
    let bench = beside_the_examples(folder.path());
    let steps = "sequence: s\nsteps:\n  - set: {scope.sample_interval: 27 ps, scope.range: 30 mV}\n  \
                 - set: {turntable.angle: 20.3 deg}\n";
    let sequence = write(folder.path(), "s.yaml", steps);
    let output = program().args(["check", &sequence, "--bench", &bench]).output().unwrap();
    expect_status(&output, 2);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    for part in [
        "scope.sample_interval: 27 ps is not one of its steps; near it: 25 ps and 30 ps (profile \
         lab-scope)",
        "s.yaml:3:34",
        "turntable.angle: 20.3 deg is above the limit of 20.2 deg",
        "2 faults; nothing was sent to any instrument",
    ] {
        assert!(told.contains(part), "{told}");
    }
}

async fn scope(bench: &SimBench) -> Instrument {
    let driver = Driver::load("lab-scope.yaml", None, Some(&examples())).unwrap();
    let bench = bench.clone();
    let link = PipeLink::new("simulated scope", move || Some(bench.pipe(Post::Scope)));
    Instrument::open("scope", Box::new(link), driver).await.unwrap()
}

/// The actions: polling, a service request, codes with the high byte first; and the queue is empty.
#[tokio::test(start_paused = true)]
async fn the_actions_of_the_examples_work() {
    let bench = SimBench::new(Model::default()).unwrap();
    let mut scope = scope(&bench).await;
    assert_eq!(scope.model(), Some("deep memory"));
    scope.set("trigger_source", &Value::Word("immediate".into())).await.unwrap();
    scope.set("points", &Value::Whole(2000)).await.unwrap();
    let rounded = scope.set("range", &Value::Number(0.03)).await.unwrap();
    assert_eq!((rounded.sent, rounded.matched), (Value::Number(0.02), true));
    assert!(scope.set("range", &Value::Number(0.02)).await.unwrap().skipped);
    assert!(!scope.set("points", &Value::Whole(2000)).await.unwrap().skipped);
    assert!(scope.set("sample_interval", &Value::Number(27e-12)).await.is_err());
    scope.perform("acquire", &Inputs::none()).await.unwrap();
    let channel = Inputs::none().word("channel", "CH1");
    let trace = scope.perform("fetch trace", &channel).await.unwrap().into_trace().unwrap();
    assert_eq!((trace.codes.len(), trace.offset_volts), (2000, 0.0));
    // Twenty millivolts each way in codes of so many bits: no code is beyond them, which bytes
    // taken in the wrong order would be.
    let most = 1i32 << (trace.bits - 1);
    assert!(trace.codes.iter().all(|code| i32::from(*code).abs() <= most), "{}", trace.bits);
    scope.perform("settle down", &Inputs::none()).await.unwrap();
    let left = scope.query_raw("SYST:ERR?").await.unwrap();
    assert!(format!("{left:?}").contains("No error"), "{left:?}");
}

/// Whoever asks twice for more sees every message, and which way it went.
#[test]
fn every_message_is_shown_on_request() {
    let output = program().args(["say", "supply", "VOLT?", "-vv"]).output().unwrap();
    expect_status(&output, 0);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    for part in ["supply <- *IDN?\\n", "supply -> BEAMWARDEN,", "supply <- VOLT?\\n"] {
        assert!(told.contains(part), "{told}");
    }
    let quiet = program().args(["say", "supply", "VOLT?"]).output().unwrap();
    assert!(quiet.stderr.is_empty());
}

/// A register map is checked by itself, and shown field by field.
#[test]
fn a_register_map_is_shown_without_a_bench() {
    let shown = program().args(["check", "--registers", "drivers/examples/lab-chip.yaml"]).output();
    let shown = expect_status(&shown.unwrap(), 0);
    let row = shown.lines().find(|line| line.contains("rx.tilt")).unwrap();
    for part in ["0x1100, 0x1101", "4..0, 4..0", "-512 to 511", "both"] {
        assert!(row.contains(part), "{row}");
    }
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(examples().join("lab-chip.yaml")).unwrap();
    let text = text.replace("at: 0x003, bits: 4..0", "at: 0x002, bits: 4..0");
    let path = write(folder.path(), "chip.yaml", &text);
    let output = program().args(["check", "--registers", &path]).output().unwrap();
    expect_status(&output, 2);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(told.contains("chip.yaml:") && told.contains("nothing was sent"), "{told}");
}

/// Another kind of server, and another instrument, at the address: the message says what it may be.
#[tokio::test]
async fn what_answers_otherwise_is_named() {
    let served = common::Served::with_hislip().await;
    let of = |wanted: Post, scheme: &str| {
        let all = served.serving.addresses();
        let found = all.iter().map(|(post, address)| (*post, address.to_string()));
        let mut found = found.filter(|(post, at)| *post == wanted && at.starts_with(scheme));
        found.next().unwrap().1
    };
    let hislip = of(Post::Scope, "hislip").replace("hislip:", "tcp:").replace("/hislip0", "");
    let cases = [
        (hislip, "", "this is HiSLIP, so write hislip:// in the address"),
        (
            of(Post::DutPort, "tcp"),
            "",
            "'SYSTem:ERRor:NEXT?' is answered otherwise than the profile",
        ),
        (of(Post::Turntable, "tcp"), ", identity: SIM-SCOPE", "SIM-TURNTABLE"),
    ];
    for (address, more, expected) in cases {
        let folder = tempfile::tempdir().unwrap();
        let text = format!(
            "bench: b\ninstruments:\n  scope: {{role: scope, profile: scpi-scope, at: \"{address}\", \
             reconnect: {{tries: 1}}{more}}}\nsafe state:\n  - {{scope.points: 100}}\n"
        );
        let bench = write(folder.path(), "bench.yaml", &text);
        let output = tokio::task::spawn_blocking(move || {
            program().args(["say", "scope", "*IDN?", "--bench", &bench]).output().unwrap()
        });
        let output = output.await.unwrap();
        expect_status(&output, 3);
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(told.contains(expected), "{told}");
    }
}
