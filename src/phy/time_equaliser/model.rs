//! The channel's response followed by decisions: normalised least mean squares over blocks.
//!
//! Chips are white, so every tap converges alike, and 128 taps are far fewer than those of the
//! filter that undoes them: following the response and making the filter anew is quicker and adds
//! less noise than following the filter's own taps. Step: that of recursive least squares until the
//! memory is long enough (S. Haykin, Adaptive Filter Theory, 4th ed., 2002, chapters 6, 7 and 9, from
//! memory). Knows nothing of filters or of where segments lie.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};
use rustfft::FftPlanner;

use super::SEGMENT_CHIPS;
use super::design::{Pair, frequency, response};
use crate::phy::channel::ChannelEstimate;
use crate::phy::recording::{narrow, widen};
use crate::phy::sync::{PER_CHIP, PRECURSOR_CHIPS, RESPONSE_CHIPS};

/// Smallest step. The taps' error in its steady state has the variance `step/(2 - step)` of that of
/// an estimate from one segment: all taps together 0.5 % of the noise (0.02 dB).
const STEP_MIN: f64 = 1.0 / 16.0;
/// Values of a segment.
const VALUES: usize = PER_CHIP * SEGMENT_CHIPS;
/// Values at the segment's start that also depend on chips before it.
const UNSURE_BEFORE: usize = PER_CHIP * (RESPONSE_CHIPS - PRECURSOR_CHIPS);
/// Values at its end that also depend on chips after it.
const UNSURE_AFTER: usize = PER_CHIP * PRECURSOR_CHIPS;
/// Values at which a segment's model holds.
pub(super) const HOLDS: std::ops::Range<usize> = UNSURE_BEFORE..VALUES - UNSURE_AFTER;

/// The followed response.
pub(super) struct Model {
    pub channel: ChannelEstimate,
    values: Pair,
    chips: Pair,
}

impl Model {
    pub fn new(channel: &ChannelEstimate) -> Self {
        let mut planner = FftPlanner::new();
        Self {
            channel: channel.clone(),
            values: Pair::new(&mut planner, VALUES),
            chips: Pair::new(&mut planner, SEGMENT_CHIPS),
        }
    }

    /// The values that a full segment of chips makes when sampled `late` chips late; they hold
    /// within [`HOLDS`]. `chips` becomes the chips' spectrum.
    pub fn expected(&self, chips: &mut [Complex32], late: f64) -> Vec<Complex32> {
        self.chips.forward.process(chips);
        let mut values = response(&self.channel.taps, &self.values);
        for (k, value) in values.iter_mut().enumerate() {
            let angle = TAU * frequency(k, VALUES) * late;
            *value *= narrow(Complex64::from_polar(1.0 / VALUES as f64, angle));
            *value *= chips[k % SEGMENT_CHIPS];
        }
        self.values.inverse.process(&mut values);
        values
    }

    /// Takes in a segment: its values and the chips that made them, with their phases.
    pub fn learn(&mut self, values: &[Complex32], mut chips: Vec<Complex32>, late: f64) {
        if values.len() < VALUES || chips.len() != SEGMENT_CHIPS {
            return;
        }
        let expected = self.expected(&mut chips, late);
        let mut error = vec![Complex32::default(); VALUES];
        for n in HOLDS {
            error[n] = values[n] - expected[n];
        }
        self.values.forward.process(&mut error);
        for (k, e) in error.iter_mut().enumerate() {
            *e *= chips[k % SEGMENT_CHIPS].conj();
        }
        self.values.inverse.process(&mut error);
        if !error.iter().all(|z| z.is_finite()) {
            return;
        }
        let chips_used = (HOLDS.len() / PER_CHIP) as f64;
        for tap in 0..RESPONSE_CHIPS {
            // Error of this tap before, and of an estimate from this segment, over the noise.
            let (old, new) = (self.channel.tap_variance[tap], 1.0 / chips_used);
            let step = (old / (old + new)).max(STEP_MIN);
            self.channel.tap_variance[tap] = (1.0 - step).powi(2) * old + step * step * new;
            for phase in 0..PER_CHIP {
                let n = PER_CHIP * tap + phase;
                let at = (n + VALUES - PER_CHIP * PRECURSOR_CHIPS) % VALUES;
                let found = widen(error[at]) / (VALUES as f64 * chips_used);
                self.channel.taps[n] += found * step;
            }
        }
    }
}
