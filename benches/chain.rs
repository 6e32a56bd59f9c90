//! The receiver's time on one capture, as a ratio to a plain Fourier transform of the same samples
//! measured in the same run, and the parts of a point that are paid for every time.
//!
//! `cargo bench` prints seconds through criterion and then one line of ratios; machines differ,
//! ratios hardly do.

#![allow(missing_docs, reason = "criterion's macros make undocumented items")]
#![allow(clippy::print_stdout, reason = "a benchmark prints its result")]

use std::hint::black_box;

use beamwarden::beam::search::{BeamPair, Probe, SearchSpace, Sides, StrategyKind};
use beamwarden::phy::analyse::{AnalysisConfig, Expected, analyse, analyse_with};
use beamwarden::phy::frame::{Frame, FrameKind, FrameSpec, build};
use beamwarden::phy::probe::{ProbeConfig, probe};
use beamwarden::phy::recording::Recording;
use beamwarden::phy::stages::Stages;
use beamwarden::phy::waveform::{ShapeConfig, shape};
use beamwarden::phy::workers::{Alone, Workers};
use beamwarden::threads::Cores;
use criterion::{Criterion, criterion_group, criterion_main};
use num_complex::Complex32;
use rustfft::FftPlanner;

/// Four samples a chip.
const SAMPLE_RATE_HZ: f64 = 7.04e9;
/// Length of the transforms in the floor.
const FFT_POINTS: usize = 512;
/// Data blocks of the long frame: a million chips in all.
const LONG_BLOCKS: usize = 1946;

fn frame(name: &str) -> Frame {
    build(&FrameSpec::parse(name).expect("a known name")).expect("a frame with a name can be built")
}

/// A million chips of QPSK without code.
fn long_frame() -> Frame {
    let mut spec = FrameSpec::parse("qpsk uncoded").expect("a known name");
    if let FrameKind::Uncoded { blocks, .. } = &mut spec.kind {
        *blocks = LONG_BLOCKS;
    }
    build(&spec).expect("a sound frame")
}

/// One pass of the waveform with white noise 20 dB below the signal from a fixed seed.
fn capture(frame: &Frame) -> Vec<Complex32> {
    let config = ShapeConfig { sample_rate_hz: SAMPLE_RATE_HZ, ..ShapeConfig::default() };
    let mut samples = shape(&frame.chips, &config).expect("four samples a chip").samples;
    let power: f32 = samples.iter().map(Complex32::norm_sqr).sum::<f32>() / samples.len() as f32;
    // Twelve uniform numbers add up to a nearly normal one; Knuth's MMIX generator makes them.
    let mut state = 1u64;
    let mut normal = || {
        let sum: f32 = (0..12)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (state >> 40) as f32 / (1u64 << 24) as f32
            })
            .sum();
        sum - 6.0
    };
    let sigma = (power / 100.0 / 2.0).sqrt();
    for sample in &mut samples {
        *sample += Complex32::new(normal(), normal()) * sigma;
    }
    samples
}

/// Forward and inverse transforms over all samples, block by block.
fn fft_floor(samples: &[Complex32]) -> impl FnMut() {
    let mut planner = FftPlanner::new();
    let (forward, inverse) =
        (planner.plan_fft_forward(FFT_POINTS), planner.plan_fft_inverse(FFT_POINTS));
    let mut block = samples[..samples.len() / FFT_POINTS * FFT_POINTS].to_vec();
    let mut scratch = vec![Complex32::default(); FFT_POINTS];
    move || {
        forward.process_with_scratch(black_box(&mut block), &mut scratch);
        inverse.process_with_scratch(black_box(&mut block), &mut scratch);
        // Keeps the values in range over many passes.
        block.iter_mut().for_each(|z| *z /= FFT_POINTS as f32);
    }
}

fn chain(criterion: &mut Criterion) {
    let uncoded = long_frame();
    let samples = capture(&uncoded);
    let recording = Recording {
        samples: &samples,
        sample_rate_hz: SAMPLE_RATE_HZ,
        full_scale: None,
        step: None,
    };
    let config = AnalysisConfig::default();
    let mut group = criterion.benchmark_group("chain");
    group.sample_size(20);
    let mut floor = fft_floor(&samples);
    group.bench_function("fft floor", |bencher| bencher.iter(&mut floor));
    group.bench_function("analyse qpsk uncoded", |bencher| {
        bencher.iter(|| analyse(black_box(&recording), &Expected::frame(&uncoded), &config));
    });
    let coded = frame("mcs 12");
    let coded_samples = capture(&coded);
    let coded_recording = Recording { samples: &coded_samples, ..recording };
    group.bench_function("analyse mcs 12", |bencher| {
        bencher.iter(|| analyse(black_box(&coded_recording), &Expected::frame(&coded), &config));
    });
    let short = &samples[..16_000];
    group.bench_function("probe", |bencher| {
        bencher.iter(|| probe(black_box(short), SAMPLE_RATE_HZ, &ProbeConfig::default()));
    });
    group.bench_function("shape qpsk uncoded", |bencher| {
        let config = ShapeConfig { sample_rate_hz: SAMPLE_RATE_HZ, ..ShapeConfig::default() };
        bencher.iter(|| shape(black_box(&uncoded.chips), &config));
    });
    group.finish();
    report(&uncoded, recording, &mut floor);
}

/// Every stage and the whole, on one thread and on all cores, as ratios to the floor of the same run.
fn report(frame: &Frame, recording: Recording<'_>, floor: &mut impl FnMut()) {
    let symbols = frame.chips.len() as f64;
    let floor_s = best_of(&mut *floor);
    println!("FFT floor over {} samples: {:.2} ms", recording.samples.len(), floor_s * 1e3);
    let line = |name: &str, seconds: f64| {
        let (rate, ratio) = (symbols / seconds / 1e6, seconds / floor_s);
        println!("{name:>24}: {rate:8.1} Msymbol/s, {ratio:5.2} times the floor");
    };
    let config = AnalysisConfig::default();
    let expected = Expected::frame(frame);
    let everybody: [(&str, &dyn Workers); 2] = [("one thread", &Alone), ("all cores", &Cores)];
    let whole = everybody.map(|(name, workers)| {
        let stages = Stages::new(recording, frame, workers).expect("sound input");
        println!("{name}:");
        let found = stages.each(workers, |stage, work| line(stage, best_of(work)));
        found.expect("the frame is in its capture");
        let seconds = best_of(|| {
            let _ = black_box(analyse_with(workers, &recording, &expected, &config));
        });
        line("whole analysis", seconds);
        seconds
    });
    println!("all cores do {:.2} times the work of one thread", whole[0] / whole[1]);
    // Above, the floor finds its samples in the cache, where its last pass has left them: the
    // analysis, which takes longer and fills memory of its own, does not. A capture that has just
    // come in is in no cache either.
    println!("taking turns, so that neither finds its samples in the cache:");
    for (name, workers) in everybody {
        let analyse = || drop(black_box(analyse_with(workers, &recording, &expected, &config)));
        let (floor_s, whole_s) = best_in_turn(&mut *floor, analyse);
        let ratio = whole_s / floor_s;
        println!("{name:>24}: floor {:.2} ms, {ratio:5.2} times the floor", floor_s * 1e3);
    }
}

/// The shortest of ten times: what else the machine does only ever adds.
fn best_of(mut work: impl FnMut()) -> f64 {
    (0..10).map(|_| time_of(&mut work)).fold(f64::INFINITY, f64::min)
}

/// The shortest of twenty times of each of two that take turns.
fn best_in_turn(mut one: impl FnMut(), mut other: impl FnMut()) -> (f64, f64) {
    let pairs = (0..20).map(|_| (time_of(&mut one), time_of(&mut other)));
    pairs
        .fold((f64::INFINITY, f64::INFINITY), |best, time| (best.0.min(time.0), best.1.min(time.1)))
}

#[expect(clippy::disallowed_methods, reason = "a benchmark measures real time")]
fn time_of(work: &mut impl FnMut()) -> f64 {
    let began = std::time::Instant::now();
    work();
    began.elapsed().as_secs_f64()
}

/// A whole search over 64 x 64 beams, without the bench: the strategy's own time.
fn search(criterion: &mut Criterion) {
    criterion.bench_function("exhaustive search, 4096 probes", |bencher| {
        bencher.iter(|| {
            let mut strategy = StrategyKind::Exhaustive.start(SearchSpace {
                tx_beams: 64,
                rx_beams: 64,
                sides: Sides::Both,
                present: BeamPair { tx: 32, rx: 32 },
            });
            let mut probes: Vec<Probe> = Vec::new();
            while let Some(pair) = strategy.next(&probes) {
                let snr_db = Some(-((pair.tx as f64 - 9.0).abs() + (pair.rx as f64 - 50.0).abs()));
                probes.push(Probe { pair, snr_db });
            }
            probes.len()
        });
    });
}

criterion_group!(benches, chain, search);
criterion_main!(benches);
