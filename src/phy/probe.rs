//! A quick look at a short capture: is there a preamble, how strong, how far off.
//!
//! For beam searches: needs the short training field only (2176 chips), no channel estimate. Knows
//! nothing of beams.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};
use rustfft::FftPlanner;

use super::correlator::SEQUENCE_CHIPS;
use super::frame::STF_CHIPS;
use super::frontend::{FrontEnd, Impairments};
use super::mcs::CHIP_RATE_HZ;
use super::pulse::RootRaisedCosine;
use super::recording::{Recording, narrow, widen};
use super::survey::survey;
use super::sync::{self, PER_CHIP};
use super::tracking::Line;
use super::workers::Alone;

/// One period of the training field in half chips.
const PERIOD: usize = SEQUENCE_CHIPS * PER_CHIP;
/// Periods that are evaluated: the first one may hold the channel's transient, the sixteenth is
/// followed by one of the other sign.
const PERIODS: usize = 14;
/// Share of the filter's pass band below which a frequency is left out.
const BAND_EDGE: f64 = 0.02;
/// Reach of the filter in chips: what it leaves out is far below the noise in question.
const HALF_SPAN_CHIPS: usize = 6;

/// How often the carrier offset is refined against the mean period.
const REFINEMENTS: usize = 2;

/// What a capture is probed for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProbeConfig {
    /// Chips a second.
    pub chip_rate_hz: f64,
    /// Roll-off of the root-raised-cosine filter, 0.05 to 0.5.
    pub rolloff: f64,
    /// Largest magnitude of an axis of a sample; powers are relative to a tone of this amplitude.
    pub full_scale: f32,
}

impl Default for ProbeConfig {
    fn default() -> Self {
        Self { chip_rate_hz: CHIP_RATE_HZ, rolloff: 0.25, full_scale: 1.0 }
    }
}

/// What the preamble of a capture shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// Es/N0 in dB, unbiased. Its standard deviation is near `4.34 sqrt(2/(1792 g) + 1/1792)` dB at
    /// `g = Es/N0`, plus that of the noise estimate: 0.3 dB at -5 dB, 0.15 dB from 5 dB.
    pub snr_db: f64,
    /// Power of the signal without noise, relative to a tone at full scale, in dB.
    pub power_dbfs: f64,
    /// Carrier offset in Hz.
    pub cfo_hz: f64,
    /// Where the frame begins, in seconds from the first sample.
    pub start_s: f64,
}

/// Looks for the strongest preamble in a capture. `None` when there is none, or when the capture
/// cannot be read (rates that do not fit, samples that are not finite).
pub fn probe(samples: &[Complex32], sample_rate_hz: f64, config: &ProbeConfig) -> Option<Probe> {
    let pulse = RootRaisedCosine::new(config.rolloff).ok()?;
    let recording = Recording { samples, sample_rate_hz, full_scale: None, step: None };
    let samples_per_chip = recording.samples_per_chip(config.chip_rate_hz).ok()?;
    let levels = survey(&recording, samples_per_chip, &Alone).ok()?.levels;
    let chips = samples.len() as f64 / samples_per_chip;
    if levels.rms <= f64::MIN_POSITIVE || chips < STF_CHIPS as f64 {
        return None;
    }
    let interpolator = FrontEnd::interpolator_for(samples_per_chip, pulse);
    let span = HALF_SPAN_CHIPS;
    let front_end = FrontEnd::new(samples, samples_per_chip, &levels, pulse, span, interpolator);
    let wrong = Impairments { dc: levels.mean, ..Impairments::default() };
    let whole = 0..chips as usize + 1;
    let best = sync::pieces(whole)
        .flat_map(|piece| sync::find(&front_end, &wrong, piece))
        .filter(|found| found.start >= -0.5 && found.start + STF_CHIPS as f64 <= chips + 1.0)
        .max_by(|a, b| a.metric.total_cmp(&b.metric))?;
    let mut values = vec![Complex32::default(); (PERIODS + 1) * PERIOD];
    let coarse = Impairments { cfo: best.cfo, ..wrong };
    front_end.sample(&coarse, best.start, 1.0 / PER_CHIP as f64, &mut values);
    let field = &mut values[PERIOD..];
    let mut residual = residual_cfo(field);
    turn_back(field, residual);
    for _ in 0..REFINEMENTS {
        let finer = slope_cfo(field);
        turn_back(field, finer);
        residual += finer;
    }
    let (energy, noise) = energy_and_noise(field, pulse);
    if !(energy > 0.0 && noise > 0.0) {
        return None;
    }
    let scale = front_end.scale() * f64::from(config.full_scale);
    let power_dbfs = 10.0 * (energy / (scale * scale)).log10();
    Some(Probe {
        snr_db: 10.0 * (energy / noise).log10(),
        power_dbfs: if power_dbfs.is_finite() { power_dbfs } else { return None },
        cfo_hz: (best.cfo + residual) * config.chip_rate_hz,
        start_s: best.start / config.chip_rate_hz,
    })
}

/// Carrier offset left in cycles a chip, from products half the field apart.
fn residual_cfo(field: &[Complex32]) -> f64 {
    const APART: usize = PERIODS / 2;
    let late = &field[APART * PERIOD..];
    let sum: Complex64 = field.iter().zip(late).map(|(a, b)| widen(b * a.conj())).sum();
    sum.arg() / (TAU * (APART * SEQUENCE_CHIPS) as f64)
}

/// Turns the field back by a carrier offset in cycles a chip.
fn turn_back(field: &mut [Complex32], cfo: f64) {
    for (n, value) in field.iter_mut().enumerate() {
        let turn = Complex64::from_polar(1.0, -TAU * cfo * n as f64 / PER_CHIP as f64);
        *value = narrow(widen(*value) * turn);
    }
}

/// Carrier offset left in cycles a chip when it is small: slope of the periods' phases against
/// their mean.
fn slope_cfo(field: &[Complex32]) -> f64 {
    let mean = mean_period(field);
    let phases = field.chunks_exact(PERIOD).map(|period| {
        // A period's own share of the mean would pull its phase towards zero; it is taken off.
        let others = |z: &Complex32, m: &Complex32| m * PERIODS as f32 - z;
        let products = period.iter().zip(&mean).map(|(z, m)| widen(z * others(z, m).conj()));
        products.sum::<Complex64>().arg()
    });
    let points: Vec<(f64, f64)> =
        phases.enumerate().map(|(n, phase)| ((n * SEQUENCE_CHIPS) as f64, phase)).collect();
    Line::through(&points).map_or(0.0, |line| line.slope / TAU)
}

fn mean_period(field: &[Complex32]) -> Vec<Complex32> {
    let mut mean = vec![Complex32::default(); PERIOD];
    for period in field.chunks_exact(PERIOD) {
        for (sum, value) in mean.iter_mut().zip(period) {
            *sum += value / PERIODS as f32;
        }
    }
    mean
}

/// Received energy of a chip and noise density, from a field of equal periods.
///
/// The mean period is the signal, what the periods differ from it is noise. Both are taken as
/// spectra, divided by the filter's pass band, so that echoes and the sampling phase do not matter.
fn energy_and_noise(field: &[Complex32], pulse: RootRaisedCosine) -> (f64, f64) {
    let mut mean = mean_period(field);
    // The filtered noise has the variance N0 at each value; the mean takes one degree of freedom.
    let differences: f64 = field
        .chunks_exact(PERIOD)
        .flat_map(|period| period.iter().zip(&mean))
        .map(|(value, mean)| f64::from((value - mean).norm_sqr()))
        .sum();
    let noise = differences / ((PERIODS - 1) * PERIOD) as f64;
    FftPlanner::new().plan_fft_forward(PERIOD).process(&mut mean);
    let mut energy = 0.0;
    for (bin, value) in mean.iter().enumerate() {
        let signed = if bin < PERIOD / 2 { bin as f64 } else { bin as f64 - PERIOD as f64 };
        let share = pulse.raised_cosine_spectrum(signed / SEQUENCE_CHIPS as f64);
        if share >= BAND_EDGE {
            // A line of the spectrum has 256 times the mean noise density 2 N0 share / PERIODS.
            let added = 2.0 * PERIOD as f64 * noise * share / PERIODS as f64;
            energy += (f64::from(value.norm_sqr()) - added) / share;
        }
    }
    // Two values a chip: a chip's energy is a quarter of the sum over both folds.
    (energy / (4.0 * (SEQUENCE_CHIPS * SEQUENCE_CHIPS) as f64), noise)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::frame::preamble_chips;
    use crate::phy::link_testing::{Link, Noise};

    /// A capture of 15 000 samples at 8 GS/s that begins a little before the preamble.
    fn capture(es_n0_db: f64, cfo_hz: f64, seed: u64) -> Vec<Complex32> {
        let link = Link {
            es_n0_db: Some(es_n0_db),
            delay_chips: 60.0 + seed as f64 * 0.37,
            capture_chips: 3300.0,
            cfo_hz,
            gain: 0.1,
            seed,
            ..Link::default()
        };
        link.receive(preamble_chips())
    }

    fn check_spread(es_n0_db: f64, spread_max_db: f64) {
        // Bound on a frequency from N symbols: sqrt(6/(g N^3)) rad per symbol (D. C. Rife, R. R.
        // Boorstyn, IEEE Trans. Inf. Theory 20(5), 1974, from memory).
        let g = 10_f64.powf(es_n0_db / 10.0);
        let bound_hz = (6.0 / (g * 1792_f64.powi(3))).sqrt() / TAU * 1.76e9;
        let (mut sum, mut squares) = (0.0, 0.0);
        let count = 60;
        for seed in 0..count {
            let samples = capture(es_n0_db, 5.5e6 - 2e5 * seed as f64, seed);
            let probe = probe(&samples, 8e9, &ProbeConfig::default()).expect("there is a frame");
            let error = probe.snr_db - es_n0_db;
            sum += error;
            squares += error * error;
            assert!((probe.power_dbfs + 20.0).abs() < 1.5, "{}", probe.power_dbfs);
            let cfo_error = (probe.cfo_hz - (5.5e6 - 2e5 * seed as f64)).abs();
            assert!(cfo_error < 5.0 * bound_hz, "{cfo_error} Hz at {es_n0_db} dB");
            let start = (60.0 + seed as f64 * 0.37) / 1.76e9;
            assert!((probe.start_s - start).abs() < 1.0 / 1.76e9);
        }
        let mean = sum / count as f64;
        let spread = (squares / count as f64 - mean * mean).sqrt();
        println!("probe at {es_n0_db} dB: mean error {mean:.3} dB, spread {spread:.3} dB");
        assert!(mean.abs() < 0.12, "at {es_n0_db} dB: mean error {mean}");
        assert!(spread < spread_max_db, "at {es_n0_db} dB: spread {spread}");
    }

    /// The spread stays within twice the bound for 1792 data-aided symbols (Pauluzzi, Beaulieu,
    /// IEEE Trans. Commun. 48(10), 2000; facts: std = 4.34 sqrt(2/(g K) + 1/K) dB).
    #[test]
    fn ratio_is_right_down_to_minus_five_db() {
        for es_n0_db in [-5.0, 0.0, 10.0, 20.0] {
            let g = 10_f64.powf(es_n0_db / 10.0);
            let bound = 4.343 * (2.0 / (1792.0 * g) + 1.0 / 1792.0_f64).sqrt();
            check_spread(es_n0_db, 2.0 * bound);
        }
    }

    #[test]
    fn noise_tone_and_silence_show_nothing() {
        let config = ProbeConfig::default();
        for seed in 0..50 {
            let mut noise = Noise::new(seed);
            let samples: Vec<Complex32> = (0..15_000).map(|_| noise.complex(1.0)).collect();
            assert_eq!(probe(&samples, 8e9, &config), None, "seed {seed}");
        }
        let tone: Vec<Complex32> =
            (0..15_000).map(|n| Complex32::from_polar(1.0, n as f32 * 0.3)).collect();
        assert_eq!(probe(&tone, 8e9, &config), None);
        assert_eq!(probe(&[Complex32::default(); 15_000], 8e9, &config), None);
        assert_eq!(probe(&[], 8e9, &config), None);
        assert_eq!(probe(&[Complex32::new(f32::NAN, 0.0); 15_000], 8e9, &config), None);
        assert_eq!(probe(&tone, f64::NAN, &config), None);
    }
}
