//! The door on the simulated bench: what it refuses, and how it reaches the safe state.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use beamwarden_drivers::fault::Source;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;

use super::*;
use crate::bench::knob::KnobError;

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
