//! The first stage of the receiver: takes DC, skew, image and carrier offset off the samples and
//! yields values, two a chip, wherever the caller wants them: behind the matched filter, or without
//! it for the blocks, whose equaliser holds the filter.
//!
//! Knows nothing of frames. Positions are in chips from the first sample of the recording.

use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::{Complex32, Complex64};

use super::interpolator::Interpolator;
use super::lanes::widest;
use super::matched::MatchedPairs;
use super::pulse::RootRaisedCosine;
use super::recording::{Levels, narrow};

/// What is wrong with the samples, to be undone.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Impairments {
    /// Offset of both channels, in the unit of the recording.
    pub dc: Complex64,
    /// Image ratio `beta / conj(alpha)`, see [`super::imbalance`].
    pub image: Complex64,
    /// Delay of the Q channel against the I channel, in chips.
    pub skew: f64,
    /// Carrier offset in cycles a chip.
    pub cfo: f64,
}

/// Where the chips of a frame are: chip `c` stands at `start + c * (1 + drift)`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Timing {
    /// Position of chip 0 in chips of the receiver's clock.
    pub start: f64,
    /// Relative excess of the chip duration.
    pub drift: f64,
}

impl Timing {
    /// Position of chip `chip`.
    pub fn at(&self, chip: f64) -> f64 {
        self.start + chip * (1.0 + self.drift)
    }

    /// Relative excess of the sender's chip rate. The drift is one of the chip's duration, its
    /// inverse: the two differ by the square of the offset, 0.0064 ppm at 80 ppm.
    pub fn rate_offset(&self) -> f64 {
        -self.drift / (1.0 + self.drift)
    }
}

/// The samples with the filters that belong to their rate.
pub(crate) struct FrontEnd<'a> {
    samples: &'a [Complex32],
    samples_per_chip: f64,
    /// Takes the recording's unit to an rms of one.
    scale: f64,
    filter: MatchedPairs,
    interpolator: Arc<Interpolator>,
}

impl<'a> FrontEnd<'a> {
    /// The filter without matching for a rate: several front ends share it.
    pub fn interpolator_for(samples_per_chip: f64, pulse: RootRaisedCosine) -> Arc<Interpolator> {
        Arc::new(Interpolator::new(samples_per_chip, (1.0 + pulse.rolloff()) / 2.0))
    }

    /// The front end for samples whose level is `levels.rms`, which must not be zero, with the filter
    /// of [`FrontEnd::interpolator_for`] that rate.
    pub fn new(
        samples: &'a [Complex32],
        samples_per_chip: f64,
        levels: &Levels,
        pulse: RootRaisedCosine,
        half_span_chips: usize,
        interpolator: Arc<Interpolator>,
    ) -> Self {
        Self {
            samples,
            samples_per_chip,
            scale: 1.0 / levels.rms,
            filter: MatchedPairs::new(pulse, half_span_chips),
            interpolator,
        }
    }

    /// Chips that fit into the recording.
    pub fn chips(&self) -> f64 {
        self.samples.len() as f64 / self.samples_per_chip
    }

    /// The factor from the recording's unit to that of the values.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// Values behind the matched filter at `start`, `start + step`, ... chips. Outside of the
    /// recording samples count as 0. `step` is half a chip, give or take what a clock is off: the
    /// filter's taps stay where they are, which at 80 ppm moves the farthest by 0.003 chips.
    pub fn sample(&self, wrong: &Impairments, start: f64, step: f64, out: &mut [Complex32]) {
        let reach = self.filter.reach();
        let first = start - reach as f64 * step;
        let mut values = vec![Complex32::default(); out.len() + 2 * reach];
        self.values(wrong, &Carrier::new(wrong.cfo, step), first, &mut values);
        self.silence_outside(first, step, &mut values);
        self.filter.run(&values, out);
    }

    /// Sets to zero what lies outside of the recording.
    fn silence_outside(&self, first: f64, step: f64, values: &mut [Complex32]) {
        let inside = |n: &usize| {
            let position = first + step * *n as f64;
            position >= 0.0 && position <= self.chips()
        };
        let begin = (0..values.len()).find(inside).unwrap_or(values.len());
        let end = (begin..values.len()).rfind(inside).map_or(begin, |last| last + 1);
        values[..begin].fill(Complex32::default());
        values[end..].fill(Complex32::default());
    }

    /// Values without matched filter at `start`, `start + step`, ... chips, `step` being that of
    /// `carrier`. Outside of the recording they are 0 but for the offset taken off.
    pub fn values(
        &self,
        wrong: &Impairments,
        carrier: &Carrier,
        start: f64,
        out: &mut [Complex32],
    ) {
        let step = carrier.step * self.samples_per_chip;
        let first = start * self.samples_per_chip;
        self.interpolator.run(self.samples, first, step, out);
        if wrong.skew != 0.0 {
            let mut late = vec![Complex32::default(); out.len()];
            let shifted = first + wrong.skew * self.samples_per_chip;
            self.interpolator.run(self.samples, shifted, step, &mut late);
            for (i, q) in out.iter_mut().zip(&late) {
                i.im = q.im;
            }
        }
        let (dc, image, scale) = (narrow(wrong.dc), narrow(wrong.image), self.scale as f32);
        let rotations = carrier.leaps(start);
        widest(
            #[inline(always)]
            || {
                for (group, rotation) in out.chunks_mut(FINE).zip(rotations) {
                    for (z, fine) in group.iter_mut().zip(&carrier.fine) {
                        let centred = (*z - dc) * scale;
                        *z = (centred - image * centred.conj()) * (rotation * fine);
                    }
                }
            },
        );
    }

    /// Phase in radians that the removed carrier offset had at `position` chips.
    pub fn carrier_phase(wrong: &Impairments, position: f64) -> f64 {
        TAU * (wrong.cfo * position).fract()
    }
}

/// Values that share a coarse rotation.
const FINE: usize = 32;

/// A carrier offset to be taken off values at a fixed distance.
#[derive(Clone, Debug)]
pub(crate) struct Carrier {
    /// Cycles a chip.
    cfo: f64,
    /// Distance of two values in chips.
    step: f64,
    fine: [Complex32; FINE],
    leap: Complex64,
}

impl Carrier {
    /// For an offset of `cfo` cycles a chip and values that are `step` chips apart.
    pub fn new(cfo: f64, step: f64) -> Self {
        let turn = |n: usize| Complex64::from_polar(1.0, -TAU * (cfo * step * n as f64).fract());
        Self { cfo, step, fine: std::array::from_fn(|n| narrow(turn(n))), leap: turn(FINE) }
    }

    /// Rotation of every 32nd value from the one at `start` chips on.
    fn leaps(&self, start: f64) -> impl Iterator<Item = Complex32> {
        let first = Complex64::from_polar(1.0, -TAU * (self.cfo * start).fract());
        let leap = self.leap;
        std::iter::successors(Some(first), move |rotation| Some(rotation * leap)).map(narrow)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::recording::widen;

    /// By the definition: a clock fast by 80 ppm makes chips of 1/(1 + 80e-6) of their duration.
    #[test]
    fn the_rate_is_the_inverse_of_the_duration() {
        for offset in [80e-6, -80e-6, 1e-6, 0.0] {
            let drift = 1.0 / (1.0 + offset) - 1.0;
            let found = Timing { start: 5.0, drift }.rate_offset();
            // The difference from 1 is known to 1e-16, which is 1e-10 of 1e-6.
            assert!((found - offset).abs() <= 1e-9 * f64::abs(offset), "{offset}: {found}");
        }
    }
    use crate::phy::link_testing::Noise;
    use crate::phy::recording::Recording;
    use crate::phy::survey::survey;
    use crate::phy::workers::Alone;

    fn levels(samples: &[Complex32]) -> Levels {
        let recording = Recording { samples, sample_rate_hz: 4.0, full_scale: None, step: None };
        survey(&recording, 4.0, &Alone).expect("finite").levels
    }

    fn front_end_of(samples: &[Complex32], sps: f64) -> FrontEnd<'_> {
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        let interpolator = FrontEnd::interpolator_for(sps, pulse);
        FrontEnd::new(samples, sps, &levels(samples), pulse, 16, interpolator)
    }

    /// A tone with an offset and an image becomes a constant, behind the filter and without it.
    #[test]
    fn impairments_are_taken_off() {
        let (cfo, dc, image) = (0.003, Complex64::new(0.2, -0.1), Complex64::new(0.03, 0.05));
        let sps = 4.0;
        let samples: Vec<Complex32> = (0..4000)
            .map(|n| {
                let x = Complex64::from_polar(2.0, TAU * cfo / sps * f64::from(n));
                narrow(x + image * x.conj() + dc)
            })
            .collect();
        let front_end = front_end_of(&samples, sps);
        let wrong = Impairments { dc, image, cfo, skew: 0.0 };
        let mut filtered = vec![Complex32::default(); 500];
        front_end.sample(&wrong, 200.3, 0.5, &mut filtered);
        let mut plain = vec![Complex32::default(); 500];
        front_end.values(&wrong, &Carrier::new(cfo, 0.5), 200.3, &mut plain);
        for out in [filtered, plain] {
            let expected = out[0];
            assert!((expected.norm() - 1.0).abs() < 0.01);
            assert!(out.iter().all(|z| (z - expected).norm() < 1e-3));
        }
        let phase = FrontEnd::carrier_phase(&Impairments { cfo, ..Default::default() }, 1000.25);
        assert!((phase - TAU * 0.00075).abs() < 1e-9);
    }

    /// A Q channel that is late is put back, whatever the signal.
    #[test]
    fn skew_is_taken_off() {
        let mut noise = Noise::new(4);
        let tones: Vec<(f64, Complex64)> =
            (0..9).map(|n| (f64::from(n) * 0.12 - 0.5, widen(noise.complex(1.0)))).collect();
        let at = |t: f64| -> Complex64 {
            tones.iter().map(|(f, a)| a * Complex64::from_polar(1.0, TAU * f * t)).sum()
        };
        let (sps, skew) = (4.0, 0.07);
        let samples: Vec<Complex32> = (0..4000)
            .map(|n| f64::from(n) / sps)
            .map(|t| Complex32::new(at(t).re as f32, at(t - skew).im as f32))
            .collect();
        let front_end = front_end_of(&samples, sps);
        let wrong = Impairments { skew, ..Default::default() };
        let mut out = vec![Complex32::default(); 400];
        front_end.values(&wrong, &Carrier::new(0.0, 0.5), 300.2, &mut out);
        for (n, z) in out.iter().enumerate() {
            let expected = at(300.2 + 0.5 * n as f64) * front_end.scale();
            assert!((widen(*z) - expected).norm() < 2e-3, "value {n}: {z} {expected}");
        }
        let (mut skewed, mut straight) = (out.clone(), out.clone());
        front_end.sample(&wrong, 300.2, 0.5, &mut skewed);
        let fair: Vec<Complex32> = (0..4000).map(|n| narrow(at(f64::from(n) / sps))).collect();
        let fair_end = FrontEnd { samples: &fair, ..front_end };
        fair_end.sample(&Impairments::default(), 300.2, 0.5, &mut straight);
        assert!(skewed.iter().zip(&straight).all(|(a, b)| (a - b).norm() < 2e-3));
    }
}
