//! The LDPC decoder's throughput at each code rate: with ten fixed iterations, as decoders are
//! compared, and with early stop at the SNR where one word in a thousand fails, as a receiver uses it;
//! with each set of vector instructions that the machine has; on one thread and on two; and as a ratio to a plain Fourier transform of as many samples as there
//! are code bits, measured in the same run.
//!
//! `cargo bench --bench ldpc` prints seconds through criterion and then the table.

#![allow(missing_docs, reason = "criterion's macros make undocumented items")]
#![allow(clippy::print_stdout, reason = "a benchmark prints its result")]

use std::hint::black_box;
use std::time::Duration;

use beamwarden::phy::ldpc::{BatchDecoder, CodeRate, Decision, Stopping, Vectors, encode};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use num_complex::Complex32;
use rustfft::FftPlanner;

/// Codewords of a run: at least sixteen batches.
const WORDS: usize = 1024;
/// Length of the transforms in the floor.
const FFT_POINTS: usize = 512;
/// Es/N0 in dB with BPSK at which one word in a thousand fails, for the rates in rising order.
/// Interpolated from 100,000 words for each of three values around it.
const ES_N0_DB: [f64; 5] = [-0.57, 0.88, 2.26, 3.36, 4.37];
/// What is measured for each rate.
const STOPPINGS: [(&str, Stopping); 2] =
    [("10 iterations", Stopping::Fixed(10)), ("early stop", Stopping::AtCodeword(40))];

/// Uniform numbers in (0, 1): Knuth's MMIX generator.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Normal, by the Box-Muller transform.
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Log-likelihood ratios of random words over white noise.
fn received(rate: CodeRate, es_n0_db: f64) -> Vec<f32> {
    let mut random = Random(1);
    // Of one axis, for symbols of unit power.
    let variance = 10_f64.powf(-es_n0_db / 10.0) / 2.0;
    let mut llrs = Vec::with_capacity(WORDS * rate.codeword_bits());
    let mut word = Vec::new();
    for _ in 0..WORDS {
        let information: Vec<u8> =
            (0..rate.information_bits()).map(|_| u8::from(random.uniform() < 0.5)).collect();
        word.clear();
        encode(rate, &information, &mut word);
        llrs.extend(word.iter().map(|bit| {
            let symbol = 1.0 - 2.0 * f64::from(*bit);
            (2.0 * (symbol + variance.sqrt() * random.normal()) / variance) as f32
        }));
    }
    llrs
}

/// Decodes all words again and again.
fn decoding(
    rate: CodeRate,
    stopping: Stopping,
    vectors: Vectors,
    llrs: &[f32],
) -> impl FnMut() + '_ {
    let mut decoder = BatchDecoder::with_vectors(rate, stopping, vectors);
    let mut decisions = vec![Decision::default(); WORDS];
    move || decoder.decode(black_box(llrs), black_box(&mut decisions))
}

/// Forward and inverse transforms over at least `samples` complex samples, block by block.
fn fft_floor(samples: usize) -> impl FnMut() {
    let mut planner = FftPlanner::new();
    let (forward, inverse) =
        (planner.plan_fft_forward(FFT_POINTS), planner.plan_fft_inverse(FFT_POINTS));
    let mut block = vec![Complex32::new(1.0, -1.0); samples.next_multiple_of(FFT_POINTS)];
    let mut scratch = vec![Complex32::default(); FFT_POINTS];
    move || {
        forward.process_with_scratch(black_box(&mut block), &mut scratch);
        inverse.process_with_scratch(black_box(&mut block), &mut scratch);
        // Keeps the values in range over many passes.
        block.iter_mut().for_each(|z| *z /= FFT_POINTS as f32);
    }
}

/// The shortest of many times: what else the machine does only ever adds.
#[expect(clippy::disallowed_methods, reason = "a benchmark measures real time")]
fn best_of(mut work: impl FnMut()) -> f64 {
    let times = (0..60).map(|_| {
        let began = std::time::Instant::now();
        work();
        began.elapsed().as_secs_f64()
    });
    times.fold(f64::INFINITY, f64::min)
}

/// Seconds for all words on each of two threads at the same time.
fn on_two_threads(rate: CodeRate, stopping: Stopping, vectors: Vectors, llrs: &[f32]) -> f64 {
    // Long enough that starting the threads does not count.
    const REPEATS: usize = 6;
    let both = best_of(|| {
        std::thread::scope(|scope| {
            for _ in 0..2 {
                scope.spawn(|| {
                    let mut decode = decoding(rate, stopping, vectors, llrs);
                    (0..REPEATS).for_each(|_| decode());
                });
            }
        });
    });
    both / REPEATS as f64
}

fn ldpc(criterion: &mut Criterion) {
    let mut lines = Vec::new();
    let mut group = criterion.benchmark_group("ldpc");
    group.sample_size(20);
    group.warm_up_time(Duration::from_millis(300));
    group.measurement_time(Duration::from_secs(1));
    for (rate, es_n0_db) in CodeRate::ALL.into_iter().zip(ES_N0_DB) {
        let llrs = received(rate, es_n0_db);
        let information = (WORDS * rate.information_bits()) as f64;
        group.throughput(Throughput::Elements(information as u64));
        let floor_s = best_of(fft_floor(llrs.len()));
        let vectors = Vectors::all().into_iter();
        let cases = vectors.flat_map(|vectors| STOPPINGS.map(|stopping| (vectors, stopping)));
        for (vectors, (name, stopping)) in cases {
            let mut decode = decoding(rate, stopping, vectors, &llrs);
            let id = format!("{rate} {name} {}", vectors.name());
            group.bench_function(id, |bencher| bencher.iter(&mut decode));
            let seconds = best_of(decode);
            let two = 2.0 * information / on_two_threads(rate, stopping, vectors, &llrs);
            let one = information / seconds;
            lines.push(format!(
                "{:5}  {name:13}  {:8}  {:8.0}  {:8.0}  {:+5.0} %  {:8.1}",
                rate.name(),
                vectors.name(),
                one / 1e6,
                two / 1e6,
                100.0 * (two / one - 1.0),
                seconds / floor_s
            ));
        }
    }
    group.finish();
    println!("rate   stopping       vectors    Mb/s, 1   Mb/s, 2   second  times the");
    println!("                                  thread   threads     core  FFT floor");
    lines.iter().for_each(|line| println!("{line}"));
}

criterion_group!(benches, ldpc);
criterion_main!(benches);
