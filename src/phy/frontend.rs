//! The first stage of the receiver: takes DC, image and carrier offset off the samples and puts
//! them through the matched filter, two values a chip, wherever the caller wants them.
//!
//! Knows nothing of frames. Positions are in chips from the first sample of the recording.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};

use super::pulse::RootRaisedCosine;
use super::recording::{Levels, narrow, widen};
use super::resample::{MatchedFilter, SplitSamples};

/// What is wrong with the samples, to be undone.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Impairments {
    /// Offset of both channels, in the unit of the recording.
    pub dc: Complex64,
    /// Image ratio `beta / conj(alpha)`, see [`super::imbalance`].
    pub image: Complex64,
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
}

/// The samples with the filter that belongs to their rate.
pub(crate) struct FrontEnd<'a> {
    samples: &'a [Complex32],
    samples_per_chip: f64,
    /// Takes the recording's unit to an rms of one.
    scale: f64,
    filter: MatchedFilter,
}

impl<'a> FrontEnd<'a> {
    /// The front end for samples whose level is `levels.rms`, which must not be zero.
    pub fn new(
        samples: &'a [Complex32],
        samples_per_chip: f64,
        levels: &Levels,
        pulse: RootRaisedCosine,
        half_span_chips: usize,
    ) -> Self {
        Self {
            samples,
            samples_per_chip,
            scale: 1.0 / levels.rms,
            filter: MatchedFilter::new(pulse, samples_per_chip, half_span_chips),
        }
    }

    /// Chips that fit into the recording.
    pub fn chips(&self) -> f64 {
        self.samples.len() as f64 / self.samples_per_chip
    }

    /// The factor from the recording's unit to that of the filtered values.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// Filtered values at `start`, `start + step`, ... chips. Outside of the recording they are 0.
    pub fn sample(&self, wrong: &Impairments, start: f64, step: f64, out: &mut [Complex32]) {
        let margin = self.filter.margin();
        let first = start * self.samples_per_chip;
        let last = (start + step * out.len() as f64) * self.samples_per_chip;
        let clamp = |position: f64| position.clamp(0.0, self.samples.len() as f64) as usize;
        let from = clamp(first.floor() - margin as f64);
        let to = clamp(last.ceil() + margin as f64);
        let corrected = self.corrected(wrong, from, to.max(from));
        let split = SplitSamples::collect(corrected, from as i64, margin);
        self.filter.run(&split, first, step * self.samples_per_chip, out);
    }

    /// Samples `from..to` without their impairments, at an rms of about one.
    fn corrected(
        &self,
        wrong: &Impairments,
        from: usize,
        to: usize,
    ) -> impl Iterator<Item = Complex32> {
        let Impairments { dc, image, cfo } = *wrong;
        let scale = self.scale;
        let turn = cfo / self.samples_per_chip;
        let step = Complex64::from_polar(1.0, -TAU * turn);
        // The whole turns are taken off before the sine, which keeps late samples exact.
        let mut rotation = Complex64::from_polar(1.0, -TAU * (turn * from as f64).fract());
        self.samples[from..to].iter().map(move |z| {
            let centred = (widen(*z) - dc) * scale;
            let out = (centred - image * centred.conj()) * rotation;
            rotation *= step;
            narrow(out)
        })
    }

    /// Phase in radians that the removed carrier offset had at `position` chips.
    pub fn carrier_phase(wrong: &Impairments, position: f64) -> f64 {
        TAU * (wrong.cfo * position).fract()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::recording::Recording;

    /// A tone with an offset and an image becomes a constant.
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
        let recording = Recording { samples: &samples, sample_rate_hz: 4.0, full_scale: None };
        let levels = recording.levels().expect("finite");
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        let front_end = FrontEnd::new(&samples, sps, &levels, pulse, 16);
        let mut out = vec![Complex32::default(); 500];
        front_end.sample(&Impairments { dc, image, cfo }, 200.3, 0.5, &mut out);
        let expected = out[0];
        assert!((expected.norm() - 1.0).abs() < 0.01);
        assert!(out.iter().all(|z| (z - expected).norm() < 1e-3));
        let phase = FrontEnd::carrier_phase(&Impairments { cfo, ..Default::default() }, 1000.25);
        assert!((phase - TAU * 0.00075).abs() < 1e-9);
    }
}
