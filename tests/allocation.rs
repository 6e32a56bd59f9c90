//! Memory of the analysis, counted by the allocator: a small multiple of the recording, whatever the
//! recording holds. One test only, because the count is that of the whole process.
#![allow(clippy::print_stdout, reason = "a test that measures says what it found")]

use beamwarden::phy::analyse::{AnalysisConfig, Expected, Outcome, analyse_with};
use beamwarden::phy::constellation::Constellation;
use beamwarden::phy::frame::{FrameKind, FrameSpec, Payload, build};
use beamwarden::phy::fuzzing;
use beamwarden::phy::prbs::PrbsOrder;
use beamwarden::phy::recording::Recording;
use beamwarden::phy::waveform::{ShapeConfig, shape};
use beamwarden::phy::workers::{Alone, Workers};
use beamwarden::threads::Cores;
use num_complex::Complex32;
use peak_alloc::PeakAlloc;

#[global_allocator]
static ALLOCATOR: PeakAlloc = PeakAlloc;

/// Filters, tables and plans, which do not grow with the recording.
const FIXED_BYTES: usize = 8 << 20;

/// Most bytes that `work` held at a time beyond those held before.
fn peak_of(work: impl FnOnce()) -> usize {
    let before = ALLOCATOR.current_usage();
    ALLOCATOR.reset_peak_usage();
    work();
    ALLOCATOR.peak_usage().saturating_sub(before)
}

/// A million symbols at four samples each: at its highest the recording itself (its samples as they
/// are in memory, 32 MB) and everything beside it stay below six times the recording.
fn check_capture(constellation: Constellation, guards: bool, workers: &dyn Workers) {
    let blocks = if guards { 1946 } else { 2224 };
    let spec = FrameSpec {
        kind: FrameKind::Uncoded { constellation, blocks, guards },
        payload: Payload::Prbs { order: PrbsOrder::Order23, seed: 1, octets: 0 },
    };
    let frame = build(&spec).expect("sound");
    assert!((990_000..1_010_000).contains(&frame.chips.len()), "{}", frame.chips.len());
    let config = ShapeConfig { idle_chips: 1000.0, ..ShapeConfig::default() };
    let mut samples = vec![Complex32::default(); 777];
    samples.extend(shape(&frame.chips, &config).expect("four samples a chip").samples);
    let recording = Recording {
        samples: &samples,
        sample_rate_hz: config.sample_rate_hz,
        full_scale: None,
        step: None,
    };
    for expected in [Expected::uncoded(frame.layout), Expected::frame(&frame)] {
        let peak = peak_of(|| {
            let analysis = analyse_with(workers, &recording, &expected, &AnalysisConfig::default());
            assert_eq!(analysis.expect("sound input").outcome, Outcome::Received);
        });
        let size = size_of_val(samples.as_slice());
        let ratio = (size + peak) as f64 / size as f64;
        let known = expected.psdu.is_some();
        println!(
            "{constellation}, guards {guards}, known {known}: {ratio:.2} times the recording, \
             itself included"
        );
        assert!(ratio < 6.0, "{constellation}, guards {guards}, known {known}: {ratio}");
    }
}

/// Arbitrary bytes, all of them at once and little by little: six times the samples that were made of
/// them (8 bytes each) and the fixed amount.
fn check_bytes() {
    // Knuth's MMIX generator; the seed is the start.
    let mut state = 20_261_125_u64;
    let mut byte = || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    let mut highest = 0;
    for case in 0..120 {
        let length = [100, 5_000, 60_000, 1_000_000][case % 4];
        let bytes: Vec<u8> = (0..length).map(|_| byte()).collect();
        let mut count = 0;
        let peak = peak_of(|| count = fuzzing::recording(&bytes));
        let most = 6 * count * size_of::<Complex32>() + FIXED_BYTES;
        highest = highest.max(peak.saturating_sub(6 * count * size_of::<Complex32>()));
        assert!(peak < most, "case {case}: {peak} bytes for {count} samples, {:?}", &bytes[..12]);
        let peak = peak_of(|| fuzzing::header(&bytes));
        assert!(peak < 1 << 20, "case {case}: {peak} bytes for a header");
    }
    println!("arbitrary bytes: at most {highest} bytes beyond six times the samples");
}

#[test]
fn memory_is_a_small_multiple_of_the_recording() {
    for constellation in [Constellation::Qpsk, Constellation::Qam64] {
        check_capture(constellation, true, &Alone);
        check_capture(constellation, true, &Cores);
        check_capture(constellation, false, &Alone);
    }
    check_bytes();
}
