//! A recording as it comes from a digitiser, and what can be said of it without knowing what was
//! sent: level, DC offset, clipping. Does not know where it came from.

use num_complex::{Complex32, Complex64};

/// Fraction of full scale from which a sample counts as clipped. Codes reach `full_scale` at the
/// negative end and one code less at the positive one; 10-bit codes are the coarsest expected to
/// matter, and their last code but one is at 1 - 2/512.
const CLIPPED_FROM: f32 = 1.0 - 1.5 / 512.0;

/// Complex samples with their rate.
#[derive(Clone, Copy, Debug)]
pub struct Recording<'a> {
    /// Samples in volts or in codes.
    pub samples: &'a [Complex32],
    /// Sample rate in Hz.
    pub sample_rate_hz: f64,
    /// Largest magnitude that an axis of a sample can have, in the unit of the samples.
    pub full_scale: Option<f32>,
}

/// What is wrong with a recording or with the way it is to be read.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RecordingError {
    /// The rates do not fit the signal.
    #[error(
        "a sample rate of {sample_rate_hz} Hz cannot carry {chip_rate_hz} chips a second; \
         at least 1.2 samples a chip are needed"
    )]
    Rate {
        /// Sample rate in Hz.
        sample_rate_hz: f64,
        /// Chip rate in Hz.
        chip_rate_hz: f64,
    },
    /// A sample is infinite or not a number.
    #[error("sample {0} is not a finite number")]
    NotFinite(usize),
}

/// Level and offsets of a recording.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Levels {
    /// Mean of all samples.
    pub mean: Complex64,
    /// Root mean square without the mean.
    pub rms: f64,
    /// Share of samples with an axis at full scale.
    pub clipped_fraction: Option<f64>,
}

/// Fewest samples a chip.
pub const SAMPLES_PER_CHIP_MIN: f64 = 1.2;

impl Recording<'_> {
    /// Samples a chip.
    ///
    /// # Errors
    /// When a rate is not a positive finite number or there are fewer than 1.2 samples a chip.
    pub(crate) fn samples_per_chip(&self, chip_rate_hz: f64) -> Result<f64, RecordingError> {
        let ratio = self.sample_rate_hz / chip_rate_hz;
        let sound = self.sample_rate_hz > 0.0 && chip_rate_hz > 0.0 && ratio.is_finite();
        if sound && ratio >= SAMPLES_PER_CHIP_MIN {
            Ok(ratio)
        } else {
            Err(RecordingError::Rate { sample_rate_hz: self.sample_rate_hz, chip_rate_hz })
        }
    }

    /// Mean, level and clipping.
    ///
    /// # Errors
    /// When a sample is infinite or not a number.
    pub(crate) fn levels(&self) -> Result<Levels, RecordingError> {
        if let Some(at) = self.samples.iter().position(|z| !z.is_finite()) {
            return Err(RecordingError::NotFinite(at));
        }
        if self.samples.is_empty() {
            return Ok(Levels::default());
        }
        let count = self.samples.len() as f64;
        let sum: Complex64 = self.samples.iter().map(|z| widen(*z)).sum();
        let mean = sum / count;
        let power: f64 = self.samples.iter().map(|z| (widen(*z) - mean).norm_sqr()).sum();
        let clipped_fraction = self.full_scale.filter(|full| *full > 0.0).map(|full| {
            let edge = full * CLIPPED_FROM;
            let clipped = self.samples.iter().filter(|z| z.re.abs().max(z.im.abs()) >= edge);
            clipped.count() as f64 / count
        });
        Ok(Levels { mean, rms: (power / count).sqrt(), clipped_fraction })
    }
}

/// A sample in double precision.
pub(crate) fn widen(z: Complex32) -> Complex64 {
    Complex64::new(f64::from(z.re), f64::from(z.im))
}

/// A value in single precision.
pub(crate) fn narrow(z: Complex64) -> Complex32 {
    Complex32::new(z.re as f32, z.im as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recording(samples: &[Complex32], full_scale: Option<f32>) -> Recording<'_> {
        Recording { samples, sample_rate_hz: 8e9, full_scale }
    }

    #[test]
    fn levels_are_those_of_the_definition() {
        let samples = [Complex32::new(1.0, 2.0), Complex32::new(3.0, -2.0)];
        let levels = recording(&samples, Some(3.0)).levels().expect("finite");
        assert_eq!(levels.mean, Complex64::new(2.0, 0.0));
        assert!((levels.rms - 5.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(levels.clipped_fraction, Some(0.5));
        assert_eq!(recording(&samples, None).levels().expect("finite").clipped_fraction, None);
        assert_eq!(recording(&[], Some(1.0)).levels(), Ok(Levels::default()));
    }

    #[test]
    fn positive_end_of_two_complement_codes_is_clipped_too() {
        let samples = [Complex32::new(511.0, 0.0), Complex32::new(510.0, 0.0)];
        let levels = recording(&samples, Some(512.0)).levels().expect("finite");
        assert_eq!(levels.clipped_fraction, Some(0.5));
    }

    #[test]
    fn impossible_recordings_are_refused() {
        let samples = [Complex32::new(1.0, 0.0), Complex32::new(f32::NAN, 0.0)];
        assert_eq!(recording(&samples, None).levels(), Err(RecordingError::NotFinite(1)));
        for rate in [0.0, -1.0, f64::NAN, f64::INFINITY, 2.1e9] {
            let recording = Recording { samples: &[], sample_rate_hz: rate, full_scale: None };
            assert!(recording.samples_per_chip(1.76e9).is_err(), "{rate}");
        }
        assert!(recording(&[], None).samples_per_chip(f64::NAN).is_err());
    }
}
