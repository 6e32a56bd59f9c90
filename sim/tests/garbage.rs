//! Whatever a client sends, the bench goes on: seeded scraps of messages at every instrument.

mod common;

use beamwarden_sim::{Model, Post, SimBench};
use common::Client;
use tokio::io::AsyncWriteExt;

/// Scraps that parsers stumble over, and headers that exist.
const SCRAPS: &[&str] = &[
    "VOLT",
    "OUTP ON",
    "OUTP9",
    "FUNC:USER",
    "TRAC:DEF A,",
    "TRAC A,#18",
    "TRAC? CH1",
    "TRAC?",
    "INIT",
    "ABOR",
    "*OPC?",
    "*WAI",
    "*RST",
    "*CLS",
    "*IDN?",
    "SYST:ERR?",
    "SWE:POIN 20",
    "TRIG:SOUR",
    "EXT",
    "AXIS:POS",
    "AXIS:HOME",
    "AXIS OFF",
    "MEAS:CURR?",
    "STAT:OPER:ENAB",
    "w 0001 0001",
    "r 0010",
    "id",
    "w 1105 8FFF",
    ":",
    ";",
    ",",
    "?",
    "*",
    "#",
    "#0",
    "#14",
    "#H",
    "#91",
    "'",
    "\"",
    "(",
    ")",
    "(@1)",
    " ",
    "\t",
    "\r",
    "\n",
    "\n",
    "\n",
    "\0",
    "\u{7f}",
    "1",
    "-",
    "1E9",
    "1e40000",
    "1E+308",
    "-0.0",
    ".",
    "5.",
    "MIN",
    "MAX",
    "MHZ",
    "MV",
    "DEG",
    "INF",
    "NAN",
    "1e-320",
    "999999999999999999999",
];

/// A message of `length` scraps, decided by `seed` (xorshift of G. Marsaglia, 2003).
fn message(seed: u64, length: usize) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut bytes = Vec::new();
    for _ in 0..length {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        bytes.extend(SCRAPS[(state >> 20) as usize % SCRAPS.len()].bytes());
    }
    bytes
}

#[tokio::test(start_paused = true)]
async fn garbage_never_stops_an_instrument() {
    let bench = SimBench::new(Model::default()).expect("the default model holds");
    for seed in 0..400 {
        for post in Post::ALL {
            let mut rude = bench.pipe(post);
            rude.write_all(&message(seed, 120)).await.expect("the instrument listens");
            // Long enough for what was set in motion to run into each other.
            tokio::time::sleep(std::time::Duration::from_millis(seed % 700)).await;
            drop(rude);
            let mut client = Client::pipe(&bench, post);
            let identity = client.ask("*IDN?").await;
            assert_eq!(identity.split(',').count(), 4, "{post}, seed {seed}: {identity}");
        }
        assert!(bench.truth().supply.terminal_v <= 3.0, "seed {seed}");
    }
}
