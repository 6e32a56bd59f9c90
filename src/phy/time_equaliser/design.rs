//! The feed-forward filter: minimum mean squared error (or zero forcing) from the channel's
//! response and the noise's, cut to a span that loses next to nothing.
//!
//! J. G. Proakis, M. Salehi, Digital Communications, 5th ed., 2008, chapter 9: fractionally spaced
//! linear equaliser. Knows nothing of symbols, segments or tracking.

use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::{Complex32, Complex64};
use rustfft::{Fft, FftPlanner};

use super::SEGMENT_CHIPS;
use crate::phy::channel::ChannelEstimate;
use crate::phy::equaliser::EqualiserKind;
use crate::phy::pulse::RootRaisedCosine;
use crate::phy::recording::{narrow, widen};
use crate::phy::sync::{PER_CHIP, PRECURSOR_CHIPS};

/// Spans of the filter in chips, of which the shortest good one is taken. With the values of one
/// segment they make transforms of 1536, 2048 and 4096.
const SPANS_CHIPS: [usize; 3] = [256, 512, 1536];
/// A span is good when it raises the noise at the output by less than this factor (0.09 dB).
const SPAN_LOSS_MAX: f64 = 1.02;
/// White noise that is assumed beside the one seen through the matched filter, relative to its
/// density in the pass band. It rounds the filter's edges in frequency, without which its taps would
/// fall as slowly as those of a brick wall; what it costs is of second order.
const ASSUMED_WHITE: f64 = 0.01;
/// Chips on each side of a symbol that tell how a late sampling instant shows.
pub(super) const SLOPE_REACH: usize = 8;

/// A pair of transforms of the same length.
#[derive(Clone)]
pub(super) struct Pair {
    pub forward: Arc<dyn Fft<f32>>,
    pub inverse: Arc<dyn Fft<f32>>,
}

impl Pair {
    pub fn new(planner: &mut FftPlanner<f32>, length: usize) -> Self {
        Self {
            forward: planner.plan_fft_forward(length),
            inverse: planner.plan_fft_inverse(length),
        }
    }
}

/// What a filter is made for.
#[derive(Clone, Copy)]
pub(super) struct Goal {
    pub pulse: RootRaisedCosine,
    pub kind: EqualiserKind,
}

/// A filter over values, ready for fast convolution (overlap and save).
pub(super) struct Design {
    /// Transforms of the values of a segment with the filter's reach.
    pub values: Pair,
    /// Transforms of half that length, for chips.
    pub chips: Pair,
    /// Spectrum of a pulse after its matched filter at each frequency.
    band: Vec<f64>,
    /// Spectrum of the filter, scaled for the transforms.
    pub spectrum: Vec<Complex32>,
    /// Values before the first chip that the filter needs; even.
    pub before: usize,
    /// Values after the last chip's that it needs.
    pub after: usize,
    /// Noise variance of a symbol expected at the output, relative to unit symbol power.
    pub noise_variance: f64,
    /// What a chip adds to those around it for each chip that the sampling instants are late, from
    /// [`SLOPE_REACH`] chips before it to as many after.
    pub slope: [Complex32; 2 * SLOPE_REACH + 1],
}

/// Frequency of a bin in cycles a chip, for a transform of `length` values.
pub(super) fn frequency(bin: usize, length: usize) -> f64 {
    let signed = if bin < length / 2 { bin as f64 } else { bin as f64 - length as f64 };
    signed * PER_CHIP as f64 / length as f64
}

/// Takes a delay in chips off a spectrum of values.
pub(super) fn delay(spectrum: &mut [Complex32], late: f64) {
    let length = spectrum.len();
    let step = Complex64::from_polar(1.0, -TAU * late * frequency(1, length));
    // The middle bin is beyond the pulse's band; up to there and from there on phases run straight.
    let (low, high) = spectrum.split_at_mut(length / 2);
    let edge = Complex64::from_polar(1.0, -TAU * late * frequency(length / 2, length));
    for (half, first) in [(low, Complex64::new(1.0, 0.0)), (high, edge)] {
        let mut turn = first;
        for value in half {
            *value = narrow(widen(*value) * turn);
            turn *= step;
        }
    }
}

/// Spectrum of the response, whose first tap stands [`PRECURSOR_CHIPS`] before its chip.
pub(super) fn response(taps: &[Complex64], transform: &Pair) -> Vec<Complex32> {
    let length = transform.forward.len();
    let mut values = vec![Complex32::default(); length];
    for (n, tap) in taps.iter().enumerate() {
        values[(n + length - PER_CHIP * PRECURSOR_CHIPS) % length] += narrow(*tap);
    }
    transform.forward.process(&mut values);
    values
}

/// The noise in the values: N0, with a floor far below anything that a digitiser leaves.
fn noise_floor(channel: &ChannelEstimate) -> f64 {
    let strongest = channel.taps.iter().map(Complex64::norm_sqr).fold(0.0, f64::max);
    let noise = if channel.noise.is_finite() { channel.noise } else { 1.0 };
    noise.max(1e-7 * strongest).max(f64::from(f32::MIN_POSITIVE))
}

impl Design {
    /// The filter of the shortest good span for a channel.
    pub fn new(channel: &ChannelEstimate, goal: Goal) -> Self {
        let mut planner = FftPlanner::new();
        let [short, middle, long] = SPANS_CHIPS;
        let ideal = Self::of_span(channel, goal, long, &mut planner);
        for span in [short, middle] {
            let cut = Self::of_span(channel, goal, span, &mut planner);
            if cut.noise_variance <= ideal.noise_variance * SPAN_LOSS_MAX {
                return cut;
            }
        }
        ideal
    }

    fn of_span(
        channel: &ChannelEstimate,
        goal: Goal,
        span_chips: usize,
        planner: &mut FftPlanner<f32>,
    ) -> Self {
        let length = PER_CHIP * (SEGMENT_CHIPS + span_chips);
        let mut design = Self {
            values: Pair::new(planner, length),
            chips: Pair::new(planner, length / PER_CHIP),
            band: (0..length)
                .map(|bin| goal.pulse.raised_cosine_spectrum(frequency(bin, length)))
                .collect(),
            spectrum: Vec::new(),
            before: 0,
            after: 0,
            noise_variance: 1.0,
            slope: [Complex32::default(); 2 * SLOPE_REACH + 1],
        };
        design.update(channel, goal, None);
        design
    }

    /// The same filter for a channel that has changed a little: reach and length stay.
    pub fn adapt(&mut self, channel: &ChannelEstimate, goal: Goal) {
        self.update(channel, goal, Some(self.before));
    }

    fn update(&mut self, channel: &ChannelEstimate, goal: Goal, before: Option<usize>) {
        let length = self.values.forward.len();
        let band = std::mem::take(&mut self.band);
        let noise = noise_floor(channel);
        let response = response(&channel.denoised(), &self.values);
        let mut taps = match goal.kind {
            EqualiserKind::Flat => {
                let flat = single_path(&response, &band, strongest_delay(channel));
                ideal_filter(&flat, &band, noise, goal.kind)
            }
            _ => ideal_filter(&response, &band, noise, goal.kind),
        };
        self.values.inverse.process(&mut taps);
        let span = length - PER_CHIP * SEGMENT_CHIPS;
        let before = before.unwrap_or_else(|| best_window(&taps, span));
        (self.before, self.after) = (before, span - 1 - before);
        // Tap i weighs the value i before the chip's: kept are -after to before.
        taps[before + 1..length - self.after].fill(Complex32::default());
        self.values.forward.process(&mut taps);
        let estimate_variance = channel.tap_variance.iter().sum();
        self.judge(&mut taps, &response, &band, noise, estimate_variance);
        (self.spectrum, self.band) = (taps, band);
    }

    /// Takes the bias off a filter's spectrum and finds what it leaves of noise and interference.
    /// `estimate_variance` is that of the response's estimate, all taps of a sampling phase together,
    /// for a noise of one.
    fn judge(
        &mut self,
        spectrum: &mut [Complex32],
        response: &[Complex32],
        band: &[f64],
        noise: f64,
        estimate_variance: f64,
    ) {
        let (length, half) = (spectrum.len(), spectrum.len() / PER_CHIP);
        let through = |k: usize| widen(spectrum[k] * response[k]);
        let folded: Vec<Complex64> = (0..half).map(|m| through(m) + through(m + half)).collect();
        let bias = folded.iter().sum::<Complex64>() / half as f64;
        let scale = if bias.norm() > 0.0 { bias.inv() } else { Complex64::default() };
        let interference =
            folded.iter().map(|p| (p * scale - 1.0).norm_sqr()).sum::<f64>() / half as f64;
        let passed: f64 =
            spectrum.iter().zip(band).map(|(w, share)| widen(*w).norm_sqr() * share).sum();
        // The values' noise has the density 2 N0 band, the chips' spectrum is the sum of two bins.
        let passed = passed * scale.norm_sqr() * noise * 8.0 / length as f64;
        // The noise of the estimate has the same spectrum.
        let left = interference + passed * (1.0 + estimate_variance);
        self.noise_variance = if left.is_finite() { left } else { 1.0 };
        let slope = |k: usize| through(k) * scale * Complex64::new(0.0, TAU * frequency(k, length));
        let mut slopes: Vec<Complex32> =
            (0..half).map(|m| narrow((slope(m) + slope(m + half)) / half as f64)).collect();
        self.chips.inverse.process(&mut slopes);
        for (n, value) in self.slope.iter_mut().enumerate() {
            // The middle one turns phases only, which are measured on their own.
            let apart = (n + half - SLOPE_REACH) % half;
            *value = if apart == 0 { Complex32::default() } else { slopes[apart] };
        }
        let scale = narrow(scale / half as f64);
        spectrum.iter_mut().for_each(|w| *w *= scale);
    }
}

/// Spectrum of the filter of unlimited span, bias included: both halves of the band that fold onto
/// one frequency are weighed by their signal over their noise.
fn ideal_filter(
    response: &[Complex32],
    band: &[f64],
    noise: f64,
    kind: EqualiserKind,
) -> Vec<Complex32> {
    let half = response.len() / PER_CHIP;
    // Signal over noise is |H|^2 / (4 N0 band): symbols of unit power, noise of density 2 N0 band
    // over values of which there are two a chip.
    let matched = |k: usize| widen(response[k]).conj() / (4.0 * noise * (band[k] + ASSUMED_WHITE));
    let gamma: Vec<f64> = (0..half)
        .map(|m| [m, m + half].iter().map(|k| (matched(*k) * widen(response[*k])).re).sum())
        .collect();
    let strongest = gamma.iter().copied().fold(0.0, f64::max);
    let added = match kind {
        EqualiserKind::ZeroForcing => 1e-6 * strongest,
        _ => 1.0,
    };
    (0..response.len())
        .map(|k| {
            let weight = 1.0 / (gamma[k % half] + added).max(f64::MIN_POSITIVE);
            // Below the smallest normal number an f32 keeps nothing of a response anyway.
            if weight.is_finite() { narrow(matched(k) * weight) } else { Complex32::default() }
        })
        .collect()
}

/// Delay of the strongest tap in chips.
fn strongest_delay(channel: &ChannelEstimate) -> f64 {
    let power = |n: &usize| channel.taps[*n].norm_sqr();
    let strongest = (0..channel.taps.len()).max_by(|a, b| power(a).total_cmp(&power(b)));
    strongest.unwrap_or(0) as f64 / PER_CHIP as f64 - PRECURSOR_CHIPS as f64
}

/// The response of a channel with gain, phase and delay only that explains most of the given one;
/// the delay is looked for near `start` chips.
fn single_path(response: &[Complex32], band: &[f64], start: f64) -> Vec<Complex32> {
    let length = response.len();
    let turn =
        |k: usize, delay: f64| Complex64::from_polar(band[k], TAU * frequency(k, length) * delay);
    let path = |delay: f64| -> Complex64 {
        (0..length).filter(|k| band[*k] > 0.0).map(|k| widen(response[k]) * turn(k, delay)).sum()
    };
    let height = |delay: f64| path(delay).norm_sqr();
    let mut best = start;
    for step in [0.25, 0.0625, 0.015_625] {
        let (before, here, after) = (height(best - step), height(best), height(best + step));
        let curvature = before - 2.0 * here + after;
        if curvature < 0.0 {
            best += (0.5 * step * (before - after) / curvature).clamp(-2.0 * step, 2.0 * step);
        }
    }
    let norm: f64 = band.iter().map(|share| 2.0 * share * share).sum();
    let gain = path(best) / norm;
    (0..length).map(|k| narrow(gain * 2.0 * turn(k, best).conj())).collect()
}

/// The even number of values before a chip at which a window of `span` taps holds most energy.
fn best_window(taps: &[Complex32], span: usize) -> usize {
    let length = taps.len();
    let power = |i: usize| f64::from(taps[i % length].norm_sqr());
    // The window from tap -after to tap before, after = span - 1 - before.
    let mut held: f64 = (0..span).map(|n| power(n + length + 1 - span)).sum();
    let (mut best, mut most) = (0, held);
    for before in 1..span {
        held += power(before) - power(before + length - span);
        if before.is_multiple_of(2) && held > most {
            (best, most) = (before, held);
        }
    }
    best
}
