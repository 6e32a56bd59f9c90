//! The registers of the simulated chips over the text port and the binary port: the same settings,
//! the same values, the same answers; and dumps of them through the command line.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::collections::BTreeMap;
use std::process::Output;

use beamwarden_drivers::instrument::{Driver, Instrument, InstrumentFault};
use beamwarden_drivers::registers::RegisterMap;
use beamwarden_drivers::transport::PipeLink;
use beamwarden_drivers::value::{Kind, Value};
use beamwarden_sim::{Address, Model, Post, SimBench};
use common::{Served, expect_status, program, run, write};
use tokio::io::{AsyncReadExt, AsyncWriteExt};

const PORTS: [&str; 2] = ["register-port.yaml", "register-port-binary.yaml"];

/// Switches the chips' supply on, with plain messages.
async fn power(bench: &SimBench) {
    let mut supply = bench.pipe(Post::Supply);
    supply.write_all(b"VOLT 1.2;CURR 0.8;OUTP ON;*OPC?\n").await.unwrap();
    let mut answer = [0; 2];
    supply.read_exact(&mut answer).await.unwrap();
    assert_eq!(&answer, b"1\n");
}

async fn open(bench: &SimBench, profile: &str) -> Instrument {
    let driver = Driver::load(profile, Some("eight-element.yaml"), None).unwrap();
    let bench = bench.clone();
    let link = PipeLink::new("simulated dut", move || Some(bench.pipe(Post::DutPort)));
    Instrument::open("dut", Box::new(link), driver).await.unwrap()
}

fn values(kind: &Kind) -> Vec<Value> {
    match kind {
        Kind::Whole { at_least, at_most } => {
            [*at_least, (at_least + at_most) / 2, *at_most].map(Value::Whole).to_vec()
        }
        Kind::Switch => vec![Value::Switch(true), Value::Switch(false)],
        Kind::Word(words) => words.iter().cloned().map(Value::Word).collect(),
        Kind::Number { at_least, at_most, .. } => [*at_least, *at_most].map(Value::Number).to_vec(),
    }
}

/// Everything that a port says while each field is written to its ends and the middle, and read
/// back; then all registers.
async fn story(profile: &str) -> (Vec<String>, BTreeMap<u32, u32>, SimBench) {
    let bench = SimBench::new(Model::default()).unwrap();
    let mut dut = open(&bench, profile).await;
    let mut told = vec![dut.identity().unwrap().to_string()];
    let refused = dut.read("tx.gain").await.unwrap_err();
    let InstrumentFault::Refused { code, text } = &*refused.fault else { panic!("{refused}") };
    told.push(format!("{code} {text}"));
    power(&bench).await;
    let map: RegisterMap = (**dut.driver().registers.as_ref().unwrap()).clone();
    assert_eq!(dut.dump_registers().await.unwrap().since_reset(&map), []);
    for field in map.fields.iter().filter(|field| !field.read_only()) {
        for value in values(&field.kind) {
            let applied = dut.set(&field.name, &value).await.unwrap();
            assert!(applied.matched && applied.verified, "{applied:?}");
            told.push(format!("{} {}", field.name, dut.query(&field.name).await.unwrap()));
        }
    }
    let phases: Vec<(String, Value)> =
        (0..8).map(|n| (format!("rx.phase.{n}"), Value::Whole(31 - n))).collect();
    let batch: Vec<(&str, Value)> = phases.iter().map(|(n, v)| (n.as_str(), v.clone())).collect();
    assert!(dut.set_many(&batch).await.unwrap().iter().all(|one| one.matched));
    for name in ["tx.id", "tx.lock", "rx.supply_good"] {
        told.push(dut.read(name).await.unwrap().to_string());
    }
    assert!(dut.take_events().is_empty(), "the link stayed in step");
    let read = dut.dump_registers().await.unwrap().read;
    (told, read, bench)
}

#[tokio::test(start_paused = true)]
async fn both_ports_say_the_same() {
    let (text, text_registers, text_bench) = story(PORTS[0]).await;
    let (frames, frame_registers, frame_bench) = story(PORTS[1]).await;
    assert_eq!(text, frames);
    assert_eq!(text_registers.len(), 2 * (6 + 8));
    // The temperature follows the time that has passed.
    let still = |registers: BTreeMap<u32, u32>| -> BTreeMap<u32, u32> {
        registers.into_iter().filter(|(at, _)| at & 0xFFF != 0x011).collect()
    };
    assert_eq!(still(text_registers), still(frame_registers));
    // The back door: the chips stand where the port says.
    for bench in [text_bench, frame_bench] {
        let codes: Vec<u8> = bench.truth().rx.codes.iter().map(|code| code.phase).collect();
        assert_eq!(codes, [31, 30, 29, 28, 27, 26, 25, 24]);
    }
}

/// Runs the program while the simulated instruments go on living on this runtime.
async fn run_beside(arguments: &[&str]) -> Output {
    let mut command = program();
    command.args(arguments);
    tokio::task::spawn_blocking(move || command.output()).await.unwrap().unwrap()
}

/// The command line against served instruments, by the binary port: what was changed is listed.
#[tokio::test]
async fn dumps_are_taken_and_compared_at_the_command_line() {
    let served = Served::start().await;
    power(&served.bench).await;
    let folder = tempfile::tempdir().unwrap();
    let all = served.serving.addresses();
    let socket = all.iter().find_map(|(post, address)| match (post, address) {
        (Post::DutPort, Address::Tcp(address)) => Some(address.to_string()),
        _ => None,
    });
    let socket = socket.unwrap();
    let text = served.bench_file();
    let binary = text.replace("profile: register-port.yaml", "profile: register-port-binary.yaml");
    assert_ne!(text, binary);
    let dut = binary.find("\n  dut:").unwrap();
    let at = dut + binary[dut..].find("at: \"").unwrap() + 5;
    let end = at + binary[at..].find('"').unwrap();
    // Binary over the socket, text over the serial line: both are the same port.
    let binary = format!("{}tcp://{socket}{}", &binary[..at], &binary[end..]);
    let text = write(folder.path(), "text.yaml", &text);
    let binary = write(folder.path(), "binary.yaml", &binary);
    let file = folder.path().join("before.yaml").display().to_string();

    let shown =
        expect_status(&run_beside(&["bench", "--bench", &binary, "--dump-registers"]).await, 0);
    assert!(shown.contains("register dump: \"eight-element\"") && shown.contains("0x1107: 0x8000"));
    expect_status(&run_beside(&["bench", "--bench", &binary, "--dump-registers", &file]).await, 0);
    let compare = ["bench", "--bench", &text, "--compare-registers", &file, "--json"];
    let same = expect_status(&run_beside(&compare).await, 0);
    assert!(same.lines().all(|line| line.contains("\"read_only\":true")), "{same}");
    let write = ["say", "dut", "w 0003 0014", "--write", "--bench", &text];
    expect_status(&run_beside(&write).await, 0);
    for (bench, reference) in [(&text, file.as_str()), (&binary, &file), (&binary, "reset")] {
        let compare = ["bench", "--bench", bench, "--compare-registers", reference, "--json"];
        let differs = expect_status(&run_beside(&compare).await, 1);
        let settable: Vec<&str> =
            differs.lines().filter(|line| line.contains("\"read_only\":false")).collect();
        let expected =
            "{\"before\":\"16\",\"field\":\"tx.gain\",\"now\":\"20\",\"read_only\":false}";
        assert_eq!(settable, [expected]);
    }
    // A message by hand is refused before anything is opened.
    let output = run_beside(&["say", "dut", "r 0003", "--bench", &binary]).await;
    expect_status(&output, 2);
    assert!(String::from_utf8_lossy(&output.stderr).contains("speaks in binary frames"));
}

/// A dump of another map, an unknown instrument and a chip without power are told as such.
#[test]
fn what_cannot_be_dumped_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let other = write(folder.path(), "other.yaml", "register dump: sixteen\nread: {0x10: 5}\n");
    for (arguments, status, expected) in [
        (&["--dump-registers"][..], 3, "5 chip has no power"),
        (&["--compare-registers", &other], 2, "the dump is one of register map 'sixteen'"),
        (&["--dump-registers", "-", "--instrument", "scope"], 2, "--instrument, one of dut"),
    ] {
        let output = run(&[&["bench"], arguments].concat());
        expect_status(&output, status);
        let shown = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(shown.contains(expected), "{shown}");
    }
}
