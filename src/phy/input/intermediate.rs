//! One real channel at an intermediate frequency to complex baseband: a complex band-pass filter of
//! linear phase by fast convolution, then the mixer.
//!
//! Filter: windowed ideal response (J. F. Kaiser's window; A. V. Oppenheim, R. W. Schafer,
//! Discrete-Time Signal Processing, 3rd ed., section 7.5, from memory). Knows nothing of codes.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use num_complex::{Complex32, Complex64};
use rustfft::{Fft, FftPlanner};

use crate::phy::recording::{narrow, widen};
use crate::phy::{hertz, kaiser};

/// Rejection that the filter is designed for, in dB: 70 must hold, single precision takes some.
const REJECTION_DB: f64 = 80.0;
/// Narrowest transition of the filter as a share of the sample rate: about 500 taps.
const TRANSITION_MIN: f64 = 0.01;
/// The pass band is this much wider than the signal's, for a carrier that is off by 80 ppm of 69 GHz.
const PASS_MARGIN: f64 = 1.01;

/// Where a signal lies within a real channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IntermediateFrequency {
    /// Sample rate in Hz.
    pub sample_rate_hz: f64,
    /// Centre of the signal in Hz, between 0 and half of the sample rate.
    pub centre_hz: f64,
    /// Symbol rate in Hz.
    pub symbol_rate_hz: f64,
    /// Roll-off of its pulses, 0 to 1.
    pub rolloff: f64,
    /// Whether the spectrum is inverted, as a mixer with its oscillator above the signal leaves it.
    pub inverted: bool,
}

/// Why samples cannot be converted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum InputError {
    /// A sample is infinite or not a number.
    #[error("sample {0} is not a finite number")]
    NotFinite(usize),
    /// I and Q in turns, but one is missing.
    #[error("{0} values are not pairs of I and Q; record an even number")]
    Odd(usize),
    /// Channels of different lengths.
    #[error("channel I has {i} samples and channel Q {q}; record both with the same settings")]
    Lengths {
        /// Samples of I.
        i: usize,
        /// Samples of Q.
        q: usize,
    },
    /// A rate or frequency that is not a positive number, or a roll-off outside of 0 to 1.
    #[error("{what} of {value} makes no sense; give {wanted}")]
    Nonsense {
        /// Which of them.
        what: &'static str,
        /// What it is.
        value: f64,
        /// What it may be.
        wanted: &'static str,
    },
    /// The signal does not fit into the rate at any intermediate frequency.
    #[error(
        "a signal {} wide at an intermediate frequency does not fit into a sample rate of {}; record \
         at {} or more",
        hertz::nearest(*.bandwidth_hz), hertz::nearest(*.sample_rate_hz),
        hertz::at_least(*.sample_rate_min_hz)
    )]
    Rate {
        /// Sample rate in Hz.
        sample_rate_hz: f64,
        /// Width of the signal in Hz.
        bandwidth_hz: f64,
        /// Lowest sample rate in Hz that would do.
        sample_rate_min_hz: f64,
    },
    /// The signal would overlap its image or 0 Hz.
    #[error(
        "at an intermediate frequency of {} a signal {} wide runs into 0 Hz or its own image; at this \
         sample rate {} to {} fit",
        hertz::nearest(*.centre_hz), hertz::nearest(*.bandwidth_hz),
        hertz::at_least(*.lowest_hz), hertz::at_most(*.highest_hz)
    )]
    Centre {
        /// The intermediate frequency in Hz.
        centre_hz: f64,
        /// Width of the signal in Hz.
        bandwidth_hz: f64,
        /// Lowest that would do.
        lowest_hz: f64,
        /// Highest that would do.
        highest_hz: f64,
    },
}

impl IntermediateFrequency {
    /// Width of the pass band in Hz: the signal's with room for its carrier offset.
    pub fn pass_band_hz(&self) -> f64 {
        PASS_MARGIN * (1.0 + self.rolloff) * self.symbol_rate_hz
    }

    /// Width of the filter's transition in Hz: up to 0 Hz on one side (the image begins beyond), up
    /// to the image that sampling folds on the other.
    ///
    /// # Errors
    /// When the numbers do not fit; the message says what would.
    fn transition_hz(&self) -> Result<f64, InputError> {
        for (what, value) in [
            ("a sample rate", self.sample_rate_hz),
            ("an intermediate frequency", self.centre_hz),
            ("a symbol rate", self.symbol_rate_hz),
        ] {
            if !(value > 0.0 && value.is_finite()) {
                return Err(InputError::Nonsense {
                    what,
                    value,
                    wanted: "a positive number of Hz",
                });
            }
        }
        if !(0.0..=1.0).contains(&self.rolloff) {
            let (what, wanted) = ("a roll-off", "0 to 1");
            return Err(InputError::Nonsense { what, value: self.rolloff, wanted });
        }
        let (rate, width) = (self.sample_rate_hz, self.pass_band_hz());
        let least = TRANSITION_MIN * rate;
        let (lowest_hz, highest_hz) = (width / 2.0 + least, (rate - width - least) / 2.0);
        if lowest_hz > highest_hz {
            return Err(InputError::Rate {
                sample_rate_hz: rate,
                bandwidth_hz: width,
                sample_rate_min_hz: 2.0 * width / (1.0 - 3.0 * TRANSITION_MIN),
            });
        }
        let centre_hz = self.centre_hz;
        if !hertz::is_between(centre_hz, lowest_hz, highest_hz) {
            let bandwidth_hz = width;
            return Err(InputError::Centre { centre_hz, bandwidth_hz, lowest_hz, highest_hz });
        }
        Ok((centre_hz - width / 2.0).min(rate - 2.0 * centre_hz - width))
    }
}

/// Converts a real channel chunk by chunk.
pub struct Converter {
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    scratch: Vec<Complex32>,
    /// Spectrum of the filter, scaled for the transforms.
    filter: Vec<Complex32>,
    /// Half of the filter's length: its delay in samples.
    delay: usize,
    /// Samples that the next block needs: those of the filter's length before, and new ones.
    waiting: Vec<f32>,
    block: Vec<Complex32>,
    /// Turns a sample of the mixer.
    turn: f64,
    /// Samples given out so far.
    given: u64,
    /// Samples taken in so far.
    taken: u64,
    inverted: bool,
}

impl Converter {
    /// The converter for a signal.
    ///
    /// # Errors
    /// When intermediate frequency, bandwidth and rate do not fit.
    pub fn new(shape: &IntermediateFrequency) -> Result<Self, InputError> {
        let transition = shape.transition_hz()? / shape.sample_rate_hz;
        let cutoff = (shape.pass_band_hz() / shape.sample_rate_hz + transition) / 2.0;
        let turn = shape.centre_hz / shape.sample_rate_hz;
        // Kaiser's rules for length and shape.
        let half = ((REJECTION_DB - 7.95) / (2.285 * TAU * transition) / 2.0).ceil() as usize + 1;
        let length = (8 * half).next_power_of_two().max(1024);
        let mut planner = FftPlanner::new();
        let forward = planner.plan_fft_forward(length);
        let mut filter = vec![Complex32::default(); length];
        let window_shape = 0.1102 * (REJECTION_DB - 8.7);
        for (n, tap) in filter.iter_mut().take(2 * half + 1).enumerate() {
            let t = n as f64 - half as f64;
            let ideal = if t == 0.0 { 2.0 * cutoff } else { (TAU * cutoff * t).sin() / (PI * t) };
            let window = kaiser::window(t / (half as f64 + 1.0), window_shape);
            // Twice: half of a real signal's amplitude is on either side of 0 Hz.
            let gain = 2.0 * ideal * window / length as f64;
            *tap = narrow(Complex64::from_polar(gain, TAU * (turn * t).fract()));
        }
        forward.process(&mut filter);
        let inverse = planner.plan_fft_inverse(length);
        let scratch = forward.get_inplace_scratch_len().max(inverse.get_inplace_scratch_len());
        Ok(Self {
            forward,
            inverse,
            scratch: vec![Complex32::default(); scratch],
            filter,
            delay: half,
            // As if silence had come before: the first value out then belongs to the first sample.
            waiting: vec![0.0; half],
            block: vec![Complex32::default(); length],
            turn,
            given: 0,
            taken: 0,
            inverted: shape.inverted,
        })
    }

    /// Takes in the next samples and appends what they complete to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<Complex32>) {
        self.taken += samples.len() as u64;
        let mut left = samples;
        while !left.is_empty() {
            let room = self.block.len() - self.waiting.len();
            let (now, later) = left.split_at(room.min(left.len()));
            self.waiting.extend_from_slice(now);
            left = later;
            if self.waiting.len() == self.block.len() {
                self.convert(out);
            }
        }
    }

    /// Appends what is left, as if silence followed. As many samples as were taken in have then been
    /// given out.
    pub fn finish(mut self, out: &mut Vec<Complex32>) {
        let missing = (self.taken - self.given) as usize;
        let end = out.len() + missing;
        let silence = vec![0.0; self.block.len()];
        // A block holds at most its own length of samples that are not out yet.
        while out.len() < end {
            self.push(&silence, out);
        }
        out.truncate(end);
    }

    /// Filters and mixes a full block; its last samples wait for the next one.
    fn convert(&mut self, out: &mut Vec<Complex32>) {
        for (z, sample) in self.block.iter_mut().zip(&self.waiting) {
            *z = Complex32::new(*sample, 0.0);
        }
        self.forward.process_with_scratch(&mut self.block, &mut self.scratch);
        for (z, weight) in self.block.iter_mut().zip(&self.filter) {
            *z *= weight;
        }
        self.inverse.process_with_scratch(&mut self.block, &mut self.scratch);
        let reach = 2 * self.delay;
        // Value `reach + n` of the block belongs to the sample `delay` before it.
        mix(&self.block[reach..], self.turn, self.given, self.inverted, out);
        self.given += (self.block.len() - reach) as u64;
        let done = self.waiting.len() - reach;
        self.waiting.drain(..done);
    }
}

/// Turns values back to 0 Hz; `first` is the place of the first one.
fn mix(values: &[Complex32], turn: f64, first: u64, inverted: bool, out: &mut Vec<Complex32>) {
    /// Values between which the phasor is set anew, which keeps it exact.
    const ANEW: usize = 256;
    let step = Complex64::from_polar(1.0, -TAU * turn);
    for (n, values) in values.chunks(ANEW).enumerate() {
        let place = (first + (n * ANEW) as u64) as f64;
        let mut phasor = Complex64::from_polar(1.0, -TAU * (turn * place).fract());
        out.extend(values.iter().map(|z| {
            let mixed = narrow(widen(*z) * phasor);
            phasor *= step;
            if inverted { mixed.conj() } else { mixed }
        }));
    }
}
