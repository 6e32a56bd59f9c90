//! The longest frames with the largest offsets of clock and carrier: 80 ppm, and 80 ppm of 69 GHz.

use super::super::super::payload::PSDU_OCTETS_MAX;
use super::payloads::{Way, capture, check_comes_back, content, receive};
use super::*;

/// 80 ppm of 69 GHz.
const CFO_HZ: f64 = 5.52e6;

fn way(clock_ppm: f64, cfo_hz: f64) -> Way {
    Way { samples_per_chip: 1.5, lead_chips: 333, skipped: 5, clock_ppm, cfo_hz, seed: 31 }
}

/// MCS 1 with the longest PSDU: 9.6 million chips, over which 80 ppm add up to 767 chips.
fn check_longest(clock_ppm: f64, cfo_hz: f64) {
    let mcs = "1".parse().expect("a scheme");
    check_comes_back(mcs, &content(9, PSDU_OCTETS_MAX, 5), &way(clock_ppm, cfo_hz));
}

#[test]
fn longest_frame_with_a_fast_clock() {
    check_longest(80.0, -CFO_HZ);
}

#[test]
fn longest_frame_with_a_slow_clock() {
    check_longest(-80.0, CFO_HZ);
}

/// 4096 blocks of the densest constellation: 2.1 million chips, 168 chips of drift. No bit is wrong,
/// and the error vector is that of the noise at the frame's end as at its beginning.
fn check_uncoded(clock_ppm: f64, cfo_hz: f64, guards: bool) {
    let payload = Payload::Prbs { order: PrbsOrder::Order31, seed: 99, octets: 0 };
    let kind = FrameKind::Uncoded { constellation: Constellation::Qam64, blocks: 4096, guards };
    let frame = build(&FrameSpec { kind, payload }).expect("sound");
    let way = way(clock_ppm, cfo_hz);
    let samples = capture(&frame.chips, &way);
    let analysis = receive(&samples, &way, &Expected::frame(&frame));
    let figures = &analysis.figures;
    let blocks = &analysis.evm_per_block_db;
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let quarter = blocks.len() / 4;
    let (first, last) = (mean(&blocks[..quarter]), mean(&blocks[blocks.len() - quarter..]));
    let clock = have(figures.clock_offset_ppm);
    let cfo = have(figures.cfo_hz);
    println!(
        "guards {guards}, {clock_ppm} ppm: EVM {:.3} dB, first quarter {first:.3} dB, last \
         {last:.3} dB, clock {clock:.4} ppm, carrier off by {:.2} Hz",
        have(figures.evm_db),
        cfo - cfo_hz
    );
    assert_eq!(figures.bit_errors, Some(0));
    assert!((have(figures.evm_db) + 35.0).abs() < 0.5, "{:?}", figures.evm_db);
    assert!((last - first).abs() < 0.2, "{first} {last}");
    // Period taken for rate would be off by 0.0064.
    assert!((clock - clock_ppm).abs() < 0.003, "{clock}");
    assert!((cfo - cfo_hz).abs() < 50.0, "{cfo}");
}

#[test]
fn long_uncoded_frame_with_a_fast_clock() {
    check_uncoded(80.0, CFO_HZ, true);
}

#[test]
fn long_uncoded_frame_with_a_slow_clock() {
    check_uncoded(-80.0, -CFO_HZ, true);
}

#[test]
fn long_frame_without_guards_with_a_fast_clock() {
    check_uncoded(80.0, -CFO_HZ, false);
}

#[test]
fn long_frame_without_guards_with_a_slow_clock() {
    check_uncoded(-80.0, CFO_HZ, false);
}
