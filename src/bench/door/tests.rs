//! The door on the simulated bench: what it refuses, and how it reaches the safe state.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::quantity::{Dimension, Quantity};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;

use super::*;
use crate::bench::knob::KnobError;
use crate::bench::plan::weight_setting;

const BENCH: &str = include_str!("../../../sequences/packing-arm.bench.yaml");

async fn open(text: &str) -> Bench {
    let plan = BenchPlan::load(&Source::new("bench.yaml", text), None);
    Bench::open(plan.map_err(|files| files[0].render(false)).unwrap()).await.unwrap()
}

async fn powered() -> Bench {
    let mut bench = open(BENCH).await;
    let volts = KnobValue::Number(Quantity { value: 1.2, dimension: Dimension::Voltage });
    bench.set("supply.voltage", &volts).await.unwrap();
    let amperes = KnobValue::Number(Quantity { value: 0.6, dimension: Dimension::Current });
    bench.set("supply.current_limit", &amperes).await.unwrap();
    bench.set("supply.output", &KnobValue::Switch(true)).await.unwrap();
    bench
}

#[tokio::test(start_paused = true)]
async fn a_search_cannot_steer_beyond_a_limit_of_the_beam() {
    let text = BENCH
        .replace("limits:", "limits:\n  beam.rx: {at most: 30 deg}")
        .replace("{from: -60 deg, to: 60 deg, count: 17}", "{from: -30 deg, to: 30 deg, count: 9}");
    let error = open(&text).await.steer(BEAM_RX, 45.0).await.unwrap_err();
    assert!(matches!(error, BenchError::Knob(KnobError::BeyondLimit { .. })), "{error}");
}

#[tokio::test(start_paused = true)]
async fn register_bits_of_no_setting_are_refused() {
    let mut bench = powered().await;
    bench.set_register("dut", 0x1003, 0x0007).await.unwrap();
    let error = bench.set_register("dut", 0x1003, 0x8009).await.unwrap_err();
    let expected = "dut: the bits 0x8000 of register 0x1003 belong to no setting";
    assert!(error.to_string().starts_with(expected), "{error}");
    let gain = bench.instrument("dut").unwrap().query("rx.gain").await.unwrap();
    assert_eq!(gain, Value::Whole(7), "nothing was written");
}

#[tokio::test(start_paused = true)]
async fn nothing_is_switched_on_while_a_value_stands_beyond_its_limit() {
    let mut bench = open(BENCH).await;
    let supply = bench.instrument("supply").unwrap();
    supply.send_raw("VOLT 3").await.unwrap();
    let error = bench.set("supply.output", &KnobValue::Switch(true)).await.unwrap_err();
    assert_eq!(error.class(), beamwarden_drivers::Class::Limit);
    let expected = "supply.output is not switched on, for a value stands beyond its limit: \
                    supply.voltage: 3 V is above the limit of 1.25 V";
    assert!(error.to_string().starts_with(expected), "{error}");
    let output = bench.instrument("supply").unwrap().query("output").await.unwrap();
    assert_eq!(output, Value::Switch(false));
    // Switching off is never refused.
    bench.set("supply.output", &KnobValue::Switch(false)).await.unwrap();
}

/// The chip answers only when it is fed, which the entry after it brings about.
#[tokio::test(start_paused = true)]
async fn what_fails_in_the_safe_state_is_tried_again() {
    let text = BENCH.replace(
        "  - {source.output: off}\n  - {supply.output: off}",
        "  - {dut.tx.gain: 0}\n  - {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}",
    );
    let outcomes = open(&text).await.safe_state().await;
    let failed: Vec<_> = outcomes.iter().filter(|(_, outcome)| outcome.is_err()).collect();
    assert!(outcomes.len() == 4 && failed.is_empty(), "{failed:?}");
}

/// A supply whose output is on, served at a socket; it hangs up on everybody until `answers`.
async fn serve_supply(listener: TcpListener, answers: Arc<AtomicBool>, output: Arc<AtomicBool>) {
    while let Ok((stream, _)) = listener.accept().await {
        if !answers.load(Ordering::SeqCst) {
            continue;
        }
        let (read, mut write) = stream.into_split();
        let mut lines = BufReader::new(read).lines();
        while let Ok(Some(line)) = lines.next_line().await {
            let answer = match line.as_str() {
                "*IDN?" => "maker,supply,1,1\n",
                "SYSTem:ERRor:NEXT?" => "0,\"No error\"\n",
                "*OPC?" => "1\n",
                "OUTPut:STATe?" if output.load(Ordering::SeqCst) => "1\n",
                query if query.ends_with('?') => "0\n",
                "OUTPut:STATe 0" => {
                    output.store(false, Ordering::SeqCst);
                    continue;
                }
                _ => continue,
            };
            if write.write_all(answer.as_bytes()).await.is_err() {
                break;
            }
        }
    }
}

/// On real time: a socket's answer takes its time, which a paused clock would jump over.
#[tokio::test]
async fn the_safe_state_reaches_an_instrument_that_did_not_answer_at_first() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = format!("\"tcp://{}\"", listener.local_addr().unwrap());
    let (answers, output) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(true)));
    tokio::spawn(serve_supply(listener, answers.clone(), output.clone()));
    let text = BENCH.replace(
        "profile: scpi-supply.yaml\n    at: simulated",
        &format!("profile: scpi-supply.yaml\n    at: {at}"),
    );
    let mut plan = BenchPlan::load(&Source::new("bench.yaml", text), None).unwrap();
    for planned in &mut plan.instruments {
        planned.driver.reconnect.tries = 1;
    }
    let (mut bench, failures) = Bench::open_what_answers(plan, None).await.unwrap();
    assert_eq!(failures.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>(), ["supply"]);
    let error = bench.set("supply.output", &KnobValue::Switch(false)).await.unwrap_err();
    assert!(error.to_string().starts_with("supply is not open"), "{error}");
    answers.store(true, Ordering::SeqCst);
    let outcomes = bench.safe_state().await;
    assert!(outcomes.iter().all(|(_, outcome)| outcome.is_ok()), "{outcomes:?}");
    assert!(!output.load(Ordering::SeqCst), "the output is off");
}

/// A register port at a socket that keeps what is written; how many messages came.
async fn serve_registers(listener: TcpListener, messages: Arc<AtomicUsize>) {
    let mut registers = BTreeMap::<String, String>::new();
    while let Ok((stream, _)) = listener.accept().await {
        let (read, mut write) = stream.into_split();
        let mut lines = BufReader::new(read).lines();
        while let Ok(Some(line)) = lines.next_line().await {
            let words: Vec<&str> = line.split(' ').collect();
            let answer = match words[..] {
                ["r", address] => {
                    messages.fetch_add(1, Ordering::SeqCst);
                    let value = registers.get(address).map_or("0000", String::as_str);
                    format!("= {value}\n")
                }
                ["w", address, value] => {
                    messages.fetch_add(1, Ordering::SeqCst);
                    registers.insert(address.into(), value.into());
                    "ok\n".into()
                }
                ["id"] => "id maker,chips,1,1\n".into(),
                _ => String::new(),
            };
            if write.write_all(answer.as_bytes()).await.is_err() {
                break;
            }
        }
    }
}

/// How many messages each of two beams takes whose codes all differ, with the phases of a chip in
/// registers as `fields` say.
async fn messages_a_beam(fields: &str) -> [usize; 2] {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = format!("\"tcp://{}\"", listener.local_addr().unwrap());
    let messages = Arc::new(AtomicUsize::new(0));
    tokio::spawn(serve_registers(listener, messages.clone()));
    let folder = tempfile::tempdir().unwrap();
    let map = format!(
        "register map: own\nabout: Two chips\nregister bits: 16\npages: {{tx: 0x0000, rx: 0x1000}}\n{fields}"
    );
    std::fs::write(folder.path().join("own.yaml"), map).unwrap();
    let text = BENCH
        .replace(
            "registers: eight-element.yaml\n    at: simulated",
            &format!("registers: own.yaml\n    at: {at}"),
        )
        .replace("  channel: dut.rx.channel\n", "");
    let plan = BenchPlan::load(&Source::new("bench.yaml", text), Some(folder.path()));
    let mut bench =
        Bench::open(plan.map_err(|files| files[0].render(false)).unwrap()).await.unwrap();
    let mut taken = [0; 2];
    for (taken, angle_deg) in taken.iter_mut().zip([20.0, -20.0]) {
        // A code of its own at every element beforehand, so that all of them differ.
        let (tx, _) = bench.plan.arrays.as_ref().unwrap();
        let codes = tx.geometry.steer(angle_deg);
        let other: Vec<_> = codes
            .iter()
            .enumerate()
            .map(|(n, code)| {
                (weight_setting("dut.tx", n), KnobValue::Whole(i64::from((code + 1) % 32)))
            })
            .collect();
        bench.set_together(&other).await.unwrap();
        messages.store(0, Ordering::SeqCst);
        let settled = bench.steer(BEAM_TX, angle_deg).await.unwrap();
        *taken = messages.load(Ordering::SeqCst);
        // The beam and each weight, asked and read back.
        assert!(settled.len() == 9 && settled.iter().all(|one| one.matched), "{settled:?}");
        for (n, (one, code)) in settled[1..].iter().zip(codes).enumerate() {
            assert_eq!(one.setting, weight_setting("dut.tx", n));
            let code = KnobValue::Whole(i64::from(code));
            assert_eq!((&one.asked, &one.read_back), (&code, &code));
            assert_eq!(bench.ask_setting(&one.setting).await.unwrap(), code);
        }
    }
    taken
}

/// Eight elements, one after the other three messages each: 24. Together, a register is read, written
/// and read back once, whatever number of elements it holds, and where the chip keeps its registers it
/// is not read before.
#[tokio::test]
async fn a_beam_is_written_together() {
    let apart = "fields:\n  phase[0..7]: {at: 0x100, bits: 4..0, type: whole}\n";
    let pairs: String = (0..8)
        .map(|n| {
            let (at, low) = (0x100 + n / 2, 8 * (n % 2));
            format!("  phase.{n}: {{at: {at:#x}, bits: {}..{low}, type: whole}}\n", low + 4)
        })
        .collect();
    let kept = format!("shadow: session\n{apart}");
    let full: String = (0..8)
        .map(|n| {
            format!(
                "  phase.{n}: {{at: {:#x}, bits: {}..{}, type: whole}}\n",
                0x100 + n / 2,
                8 * (n % 2) + 7,
                8 * (n % 2)
            )
        })
        .collect();
    for (name, fields, expected) in [
        ("a register an element", apart.to_string(), [24, 24]),
        ("the same, kept by the chip", kept, [16, 16]),
        ("two elements a register", format!("fields:\n{pairs}"), [12, 12]),
        ("two that fill it", format!("fields:\n{full}"), [8, 8]),
    ] {
        let taken = messages_a_beam(&fields).await;
        println!("{name}: {taken:?} messages a beam");
        assert_eq!(taken, expected, "{name}");
    }
}

/// A chip that was without supply has lost its weights: the same beam is written once more.
#[tokio::test(start_paused = true)]
async fn a_beam_is_written_again_after_the_supply_was_off() {
    let mut bench = powered().await;
    let first = bench.steer(BEAM_TX, 25.0).await.unwrap();
    let codes: Vec<_> = first[1..].iter().map(|one| (&one.setting, &one.read_back)).collect();
    assert!(codes.len() > 4, "{first:?}");
    assert!(bench.steer(BEAM_TX, 25.0).await.unwrap()[0].skipped);
    for on in [false, true] {
        bench.set("supply.output", &KnobValue::Switch(on)).await.unwrap();
    }
    bench.steer(BEAM_TX, 25.0).await.unwrap();
    for (setting, code) in codes {
        assert_eq!(bench.ask_setting(setting).await.unwrap(), *code, "{setting}");
    }
}

/// A weight that is set by hand leaves the beam where nobody knows.
#[tokio::test(start_paused = true)]
async fn a_weight_set_by_hand_moves_the_beam() {
    let mut bench = powered().await;
    bench.steer(BEAM_RX, 25.0).await.unwrap();
    assert!(bench.standing.contains_key(BEAM_RX));
    bench.set("dut.rx.phase.3", &KnobValue::Whole(9)).await.unwrap();
    assert!(!bench.standing.contains_key(BEAM_RX));
    bench.steer(BEAM_TX, 25.0).await.unwrap();
    bench.set("dut.rx.gain", &KnobValue::Whole(9)).await.unwrap();
}

/// What a profile rounds to a step must not be rounded beyond a limit.
#[tokio::test(start_paused = true)]
async fn no_step_lies_beyond_a_limit() {
    let folder = tempfile::tempdir().unwrap();
    let own = "profile: own\nbased on: scpi-supply\nsettings:\n  voltage: {steps: 0.2 V, between \
               steps: nearest}\n";
    std::fs::write(folder.path().join("own.yaml"), own).unwrap();
    let text = BENCH
        .replace("profile: scpi-supply.yaml", "profile: own.yaml")
        .replace("{at most: 1.25 V}", "{at most: 1.15 V}");
    let plan = BenchPlan::load(&Source::new("bench.yaml", text), Some(folder.path())).unwrap();
    let mut bench = Bench::open(plan).await.unwrap();
    let volts = |value| KnobValue::Number(Quantity { value, dimension: Dimension::Voltage });
    let settled = bench.set("supply.voltage", &volts(1.05)).await.unwrap();
    assert_eq!(settled[0].read_back, volts(1.0));
    let error = bench.set("supply.voltage", &volts(1.15)).await.unwrap_err();
    let expected = "supply.voltage: 1.15 V, of which 1.2 V is the nearest step, is above the limit of \
                    1.15 V (limits of bench packing-arm)";
    assert_eq!(error.to_string(), expected);
    assert_eq!(bench.ask_setting("supply.voltage").await.unwrap(), volts(1.0));
    let error = bench.set("supply.voltage", &volts(f64::NAN)).await.unwrap_err();
    assert!(matches!(error, BenchError::Knob(KnobError::Unreadable { .. })), "{error}");
}

/// Whoever does not answer keeps nobody waiting: the supply, which comes last, is off within seconds,
/// and the source as soon as it answers.
#[tokio::test(start_paused = true)]
async fn one_mute_instrument_keeps_no_other_from_its_safe_state() {
    let folder = tempfile::tempdir().unwrap();
    let faults = "faults:\n  - {instrument: source, fault: no answer, at_s: 1, for_s: 12}\n";
    std::fs::write(folder.path().join("f.faults.yaml"), faults).unwrap();
    let text = BENCH.replace("{seed: 1}", "{seed: 1, faults: f.faults.yaml}").replace(
        "  - {source.output: off}",
        "  - {source.amplitude: 0.1 V}\n  - {source.output: off}",
    );
    let plan = BenchPlan::load(&Source::new("bench.yaml", text), Some(folder.path()));
    let plan = plan.map_err(|files| files[0].render(false)).unwrap();
    let mut bench = Bench::open(plan).await.unwrap();
    let amperes = KnobValue::Number(Quantity { value: 0.6, dimension: Dimension::Current });
    bench.set("supply.current_limit", &amperes).await.unwrap();
    for setting in ["source.output", "supply.output"] {
        bench.set(setting, &KnobValue::Switch(true)).await.unwrap();
    }
    tokio::time::sleep(std::time::Duration::from_secs(1)).await;
    let began = Instant::now();
    let cut = tokio::time::timeout(std::time::Duration::from_secs(5), bench.safe_state()).await;
    assert!(cut.is_err(), "the source answers already: {cut:?}");
    let truth = bench.simulated_back_door().unwrap().truth();
    assert!(!truth.supply.output, "the supply waits for the source");
    let outcomes = bench.safe_state().await;
    assert!(outcomes.len() == 3 && outcomes.iter().all(|(_, one)| one.is_ok()), "{outcomes:?}");
    println!("safe after {:?}", began.elapsed());
    assert!(!bench.simulated_back_door().unwrap().truth().source.output);
}
