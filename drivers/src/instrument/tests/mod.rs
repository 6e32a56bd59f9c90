//! Tests of instruments against a fake on an in-process pipe, under a paused clock.

mod actions;
mod completion;
mod deadlines;
mod fake;
mod faults;
mod field;
mod fields;
mod frames;
mod hislip_fake;
mod injected;
mod links;
mod registers;
mod replay;
mod session;
mod settings;
mod streams;
mod together;

use std::time::Duration;

use super::*;
use crate::class::Class;
use crate::fault::Source;
use crate::profile;
use fake::Fake;

/// A small profile with one setting of each kind.
const PROFILE: &str = "
profile: bench supply
role: supply
timeout: 1 s
identity: {query: \"*IDN?\"}
session: {clear: \"*CLS\", restart: {query: \"*ESR?\", bit: 7}}
errors: {query: \"SYSTem:ERRor:NEXT?\", bound: 20}
completion: \"*OPC?\"
settings:
  voltage: {type: number, unit: V, range: [0 V, 3 V], set: \"VOLT {value}\", query: \"VOLT?\"}
  steps: {type: whole, range: [1, 9], set: \"STEP {value}\", query: \"STEP?\"}
  output: {type: switch, set: \"OUTP {value}\", query: \"OUTP?\"}
  trigger: {type: word, words: {now: IMMediate, edge: EXTernal}, set: \"TRIG {value}\", query: \"TRIG?\"}
  angle:
    type: number
    unit: deg
    set: \"POS {value}\"
    query: \"POS?\"
    tolerance: {absolute: 0.1 deg}
    overlapped: on
    poll: {query: \"COND?\", bits clear: [1, 8]}
    timeout: 60 s
readings:
  current: {type: number, unit: mA, query: \"MEAS?\", answer: \"I={value}\"}
  token: {type: whole, query: \"TOKEN?\"}
";

fn driver() -> Driver {
    let profile = profile::parse(&Source::new("supply.yaml", PROFILE));
    Driver::new(profile.unwrap_or_else(|faults| panic!("{faults}")), None).unwrap()
}

/// Opens an instrument on the fake and forgets the messages of the session's beginning.
async fn open(fake: &Fake) -> Instrument {
    let instrument = Instrument::open("supply", fake.link(), driver()).await;
    let instrument = instrument.unwrap_or_else(|error| panic!("{error}"));
    settle(fake).await;
    instrument
}

/// Lets the fake take the last message, which nothing answers, and forgets what arrived.
async fn settle(fake: &Fake) {
    tokio::time::sleep(ms(1)).await;
    fake.take_arrived();
}

fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}
