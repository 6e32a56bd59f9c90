//! Known periodic waveforms, a bench without errors, and this side's analysis of captures: a
//! least-squares complex gain, the power of what is left, the line of one tone.

#![allow(dead_code, reason = "each test binary uses its own part")]
#![allow(clippy::print_stdout, reason = "the deviations are read with --nocapture")]

use std::f64::consts::TAU;

use beamwarden_sim::Model;
use num_complex::Complex64;

use crate::common::Lab;

/// Sample rate of the source, and of the scope where nothing else is said, Hz.
pub const SOURCE_HZ: f64 = 7.04e9;
/// Points of one pass: a grid of 1 MHz.
pub const PASS: usize = 7040;

/// Tones of equal amplitude with fixed phases: (frequency in Hz, complex amplitude at full scale 1).
pub struct Tones(pub Vec<(f64, Complex64)>);

impl Tones {
    /// One tone at `hz`.
    pub fn one(hz: f64, amplitude: f64) -> Self {
        Self(vec![(hz, Complex64::new(amplitude, 0.0))])
    }

    /// Tones at 1, 5, 9… MHz to either side, within `most_mhz`: no tone is another's image, and the
    /// mean of x^2 is 0. The largest magnitude is about `peak`.
    pub fn comb(most_mhz: i32, peak: f64) -> Self {
        let places = (-most_mhz..=most_mhz).filter(|k| k.rem_euclid(4) == 1);
        let turn = |k: i32| f64::from((k * k * 7 + 13 * k).rem_euclid(101)) / 101.0;
        let mut tones =
            Self(places.map(|k| (f64::from(k) * 1e6, Complex64::cis(TAU * turn(k)))).collect());
        let largest = (0..PASS).map(|n| tones.at(n as f64 / SOURCE_HZ).norm()).fold(0.0, f64::max);
        tones.0.iter_mut().for_each(|(_, a)| *a *= peak / largest);
        tones
    }

    pub fn at(&self, time_s: f64) -> Complex64 {
        self.0.iter().map(|(hz, a)| a * Complex64::cis(TAU * (hz * time_s).fract())).sum()
    }

    /// Codes of one pass at `rate_hz`.
    pub fn codes(&self, rate_hz: f64) -> Vec<[i16; 2]> {
        (0..PASS)
            .map(|n| {
                let x = self.at(n as f64 / rate_hz) * 32_767.0;
                [x.re.round() as i16, x.im.round() as i16]
            })
            .collect()
    }

    /// What the scope's samples should be but for a complex gain, sampled at `rate_hz`.
    pub fn expected(&self, points: usize, rate_hz: f64) -> Vec<Complex64> {
        // One pass of the waveform repeats; the delay is the model's.
        let pass = (0..PASS.min(points)).map(|n| self.at(n as f64 / rate_hz - delay_s()));
        pass.collect::<Vec<_>>().into_iter().cycle().take(points).collect()
    }
}

/// From the source to the scope: cables and 4 m of air.
pub fn delay_s() -> f64 {
    8e-9 + 4.0 / 299_792_458.0
}

/// A bench without noise to speak of (the path is 80 dB shorter and the receiver's gain lower by as
/// much: thermal noise is 90 dB down), on one carrier, with 16 bits.
pub fn clean() -> Model {
    let mut model = Model::default();
    (model.path.extra_loss_db, model.rx.gain_db) = (-80.0, -25.0);
    (model.tx.reference_ppm, model.rx.reference_ppm) = (0.0, 0.0);
    model.rx.noise_figure_db = 0.0;
    (model.scope.noise_of_range, model.scope.trigger_jitter_s) = (0.0, 0.0);
    model.scope.bits = 16;
    model
}

/// A bench that plays these tones, source and scope at one rate.
pub async fn lab_at(model: Model, tones: &Tones, points: usize, rate_hz: f64) -> Lab {
    let mut lab = Lab::new(model);
    lab.play(&tones.codes(rate_hz)).await;
    lab.source.set(&format!("CLOC {rate_hz}")).await;
    lab.wake().await;
    lab.aim(points).await;
    lab.scope.set(&format!("SWE:TINT {:e}", 1.0 / rate_hz)).await;
    lab
}

/// One acquisition of a bench.
pub async fn samples_at(lab: &mut Lab) -> Vec<Complex64> {
    lab.acquire().await.iter().map(|[i, q]| Complex64::new(*i, *q)).collect()
}

/// One acquisition of a model.
pub async fn capture(model: Model, tones: &Tones, points: usize) -> Vec<Complex64> {
    samples_at(&mut lab_at(model, tones, points, SOURCE_HZ).await).await
}

/// Mean square.
pub fn power(samples: &[Complex64]) -> f64 {
    samples.iter().map(Complex64::norm_sqr).sum::<f64>() / samples.len() as f64
}

/// Ten times the logarithm.
pub fn db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Least-squares complex gain from `expected` to `samples`, and the power of the rest over the power
/// of the fitted part.
pub fn fit(samples: &[Complex64], expected: &[Complex64]) -> (Complex64, f64) {
    let dot: Complex64 = samples.iter().zip(expected).map(|(s, e)| s * e.conj()).sum();
    let gain = dot / (power(expected) * expected.len() as f64);
    let rest: Vec<Complex64> = samples.iter().zip(expected).map(|(s, e)| s - gain * e).collect();
    (gain, power(&rest) / (gain.norm_sqr() * power(expected)))
}

/// EVM of one capture in dB.
pub async fn evm_db(model: Model, tones: &Tones, points: usize) -> f64 {
    let samples = capture(model, tones, points).await;
    db(fit(&samples, &tones.expected(points, SOURCE_HZ)).1)
}

/// Prints and checks.
pub fn check_db(what: &str, got_db: f64, expected_db: f64, tolerance_db: f64) {
    println!(
        "{what}: {got_db:.3} dB, expected {expected_db:.3}, off by {:+.3}",
        got_db - expected_db
    );
    assert!((got_db - expected_db).abs() < tolerance_db, "{what}: {got_db} {expected_db}");
}

/// Power of the tone at `hz` in a record of whole passes.
pub fn line(samples: &[Complex64], hz: f64) -> Complex64 {
    let turn = |n: usize| Complex64::cis(-TAU * (hz * n as f64 / SOURCE_HZ).fract());
    samples.iter().enumerate().map(|(n, s)| s * turn(n)).sum::<Complex64>() / samples.len() as f64
}
