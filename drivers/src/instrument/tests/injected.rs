//! Thousands of disturbances from a seed on the link itself: no answer is ever taken for another
//! query's, and afterwards the instrument is as usable as before.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, Mutex};

use super::fake::{Fake, Reply, line};
use super::hislip_fake::{self, Mischief};
use super::*;
use crate::message::emit_block_header;
use crate::transport::{FaultPlan, Faulty, Injected, PipeLink};

/// Disturbances of one run.
const DISTURBANCES: u64 = 10_000;

/// The data of the block with a serial number: the number over and over, of a length of its own.
fn block(serial: u32) -> Vec<u8> {
    let words = 1 + serial as usize * 37 % 400;
    std::iter::repeat_n(serial.to_be_bytes(), words).flatten().collect()
}

/// A fake whose every answer carries the serial number of its query.
fn numbering() -> Fake {
    let mut voltage = String::from("0");
    let mut tokens = 0;
    Fake::new(move |message| {
        let (header, rest) = message.split_once(' ').unwrap_or((message, ""));
        match header {
            "SERIAL?" => line(format!("\"{rest}\"")),
            "DATA?" => {
                let data = block(rest.parse().unwrap_or(0));
                let header = emit_block_header(data.len()).unwrap().into_bytes();
                Reply::Bytes([header, data, b"\n".to_vec()].concat())
            }
            "TOKEN?" => {
                tokens += 1;
                line(tokens)
            }
            "VOLT" => {
                voltage = rest.into();
                Reply::Silence
            }
            "VOLT?" => line(&voltage),
            _ => Reply::Usual,
        }
    })
}

fn tokens_asked(fake: &Fake) -> i64 {
    let asked = fake.state().arrived.iter().filter(|text| *text == b"TOKEN?").count();
    asked as i64
}

/// One exchange; whatever it yields belongs to its own serial number. Whether it yielded anything.
async fn exchange(supply: &mut Instrument, fake: &Fake, serial: u32) -> bool {
    let error = match serial % 4 {
        0 => match supply.read("token").await {
            Ok(value) => {
                assert_eq!(value, Value::Whole(tokens_asked(fake)));
                return true;
            }
            Err(error) => error,
        },
        1 => match supply.query_raw(&format!("SERIAL? {serial}")).await {
            Ok(RawAnswer::Line(text)) => {
                // Noise without end of line becomes part of the line; a number of another query
                // never does.
                let digits: String = text.chars().filter(char::is_ascii_digit).collect();
                assert!(digits.is_empty() || digits == serial.to_string(), "{serial}: {text:?}");
                return true;
            }
            Ok(RawAnswer::Block(data)) => panic!("{serial}: a block {data:?}"),
            Err(error) => error,
        },
        2 => {
            let mut data = Vec::new();
            let message = format!("DATA? {serial}");
            match supply.query_block(&message, &mut data, &mut Transfer::default()).await {
                Ok(bytes) => {
                    assert_eq!((bytes, data == block(serial)), (data.len(), true), "{serial}");
                    return true;
                }
                Err(error) => error,
            }
        }
        _ => {
            let value = Value::Number(f64::from(serial) * 1e-5);
            match supply.set("voltage", &value).await {
                Ok(applied) => {
                    assert!(applied.matched, "{serial}: {applied:?}");
                    return true;
                }
                Err(error) => error,
            }
        }
    };
    // Noise is no reason to ask a person, and no other instrument.
    assert_eq!(error.class(), Class::Transient, "{serial}: {error}");
    false
}

async fn check_disturbances<T: Transport + 'static>(
    seed: u64,
    link: impl FnOnce(&Fake) -> T,
) -> (Fake, Injected) {
    println!("seed {seed:#x}");
    let fake = numbering();
    let link = Faulty::new(link(&fake), FaultPlan::seeded(seed));
    let injected = link.injected();
    injected.enable(false);
    let mut supply = Instrument::open("supply", Box::new(link), driver()).await.unwrap();
    injected.enable(true);
    let (mut serial, mut yielded) = (0, 0);
    while injected.total() < DISTURBANCES {
        serial += 1;
        yielded += u32::from(exchange(&mut supply, &fake, serial).await);
        if serial % 1000 == 0 {
            // The fake keeps what arrived; the tokens among it are counted.
            fake.state().arrived.retain(|text| text == b"TOKEN?");
        }
    }
    println!("{yielded} of {serial} exchanges yielded something");
    assert!(yielded > serial / 4, "{yielded} of {serial}");
    for kind in crate::transport::Disturbance::ALL {
        assert!(injected.of(kind) > DISTURBANCES / 16, "{kind:?}: {}", injected.of(kind));
    }
    // The disturbances end: the next exchange may still find the link out of step, no later one.
    injected.enable(false);
    for serial in 290_000..290_020 {
        assert!(exchange(&mut supply, &fake, serial).await, "{serial}");
    }
    (fake, injected)
}

#[tokio::test(start_paused = true)]
async fn ten_thousand_faults_on_a_link_that_opens_anew() {
    check_disturbances(0xBEA3_0001, |fake| fake.link()).await;
}

#[tokio::test(start_paused = true)]
async fn ten_thousand_faults_on_a_line_that_is_drained() {
    let link = |fake: &Fake| {
        let fake = fake.clone();
        PipeLink::draining("fake line", move || fake.connect())
    };
    let (fake, injected) = check_disturbances(0xBEA3_0002, link).await;
    // Only a connection that broke was opened again.
    let broken = injected.of(crate::transport::Disturbance::Disconnect);
    assert!(fake.state().connections as u64 <= broken + 1);
}

/// Over HiSLIP the way back is a device clear: a new session only where the connection broke, or
/// the clear itself failed.
#[tokio::test(start_paused = true)]
async fn ten_thousand_faults_over_hislip_that_is_cleared() {
    let link = |fake: &Fake| hislip_fake::link(fake, || None);
    let (fake, injected) = check_disturbances(0xBEA3_0003, link).await;
    let broken = injected.of(crate::transport::Disturbance::Disconnect);
    let sessions = fake.state().connections as u64;
    println!("{sessions} sessions, {broken} broken connections");
    assert!(sessions <= broken + 1, "{sessions} sessions, {broken} broken connections");
}

/// Disturbances within the protocol: late answers under their own MessageID, messages cut in the
/// payload, withdrawn answers, one dead socket of the two, device clears that nobody acknowledges.
#[tokio::test(start_paused = true)]
async fn ten_thousand_faults_within_hislip() {
    const SEED: u64 = 0xBEA3_0004;
    println!("seed {SEED:#x}");
    let fake = numbering();
    let on = Arc::new(AtomicBool::new(false));
    let counts: Arc<[AtomicU64; Mischief::ALL.len()]> = Arc::default();
    let random = Arc::new(Mutex::new(SEED));
    let draw = {
        let (on, counts) = (on.clone(), counts.clone());
        move || {
            let mut state = random.lock().unwrap();
            // xorshift64, Marsaglia 2003.
            *state ^= *state << 13;
            *state ^= *state >> 7;
            *state ^= *state << 17;
            let drawn = (*state >> 20) as usize;
            if !on.load(Relaxed) || !drawn.is_multiple_of(4) {
                return None;
            }
            let kind = drawn / 4 % Mischief::ALL.len();
            counts[kind].fetch_add(1, Relaxed);
            Some(Mischief::ALL[kind])
        }
    };
    let total = || counts.iter().map(|count| count.load(Relaxed)).sum::<u64>();
    let link = Box::new(hislip_fake::link(&fake, draw));
    let mut supply = Instrument::open("supply", link, driver()).await.unwrap();
    on.store(true, Relaxed);
    let (mut serial, mut yielded) = (0, 0);
    while total() < DISTURBANCES {
        serial += 1;
        yielded += u32::from(exchange(&mut supply, &fake, serial).await);
        if serial % 1000 == 0 {
            fake.state().arrived.retain(|text| text == b"TOKEN?");
        }
    }
    println!("{yielded} of {serial} exchanges yielded something");
    assert!(yielded > serial / 4, "{yielded} of {serial}");
    for (kind, count) in Mischief::ALL.iter().zip(counts.iter()) {
        assert!(count.load(Relaxed) > DISTURBANCES / 12, "{kind:?}: {count:?}");
    }
    on.store(false, Relaxed);
    for serial in 290_000..290_020 {
        assert!(exchange(&mut supply, &fake, serial).await, "{serial}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_trace_of_a_disturbed_link_names_the_seed() {
    let fake = numbering();
    let events: Arc<Mutex<Vec<crate::transport::TraceEvent>>> = Arc::default();
    let sink = events.clone();
    let plan = FaultPlan { per_mille: 0, ..FaultPlan::seeded(77) };
    let link = crate::transport::Traced::new(
        Faulty::new(fake.link(), plan),
        tokio::time::Instant::now(),
        move |event| sink.lock().unwrap().push(event),
    );
    Instrument::open("supply", Box::new(link), driver()).await.unwrap();
    assert_eq!(events.lock().unwrap()[0].text, "fake (disturbed, seed 0x4d)");
}
