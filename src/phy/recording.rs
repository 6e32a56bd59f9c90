//! A recording as it comes from a digitiser, and what can be said of it without knowing what was
//! sent: level, DC offset, clipping. Does not know where it came from.

use num_complex::{Complex32, Complex64};

use super::hertz;

/// Distance of two codes relative to full scale where nothing is said: 10 bits are the coarsest that
/// are assumed then.
const STEP_ASSUMED: f32 = 1.0 / 512.0;

/// Complex samples with their rate.
#[derive(Clone, Copy, Debug)]
pub struct Recording<'a> {
    /// Samples in volts or in codes.
    pub samples: &'a [Complex32],
    /// Sample rate in Hz.
    pub sample_rate_hz: f64,
    /// Largest magnitude that an axis of a sample can have, in the unit of the samples.
    pub full_scale: Option<f32>,
    /// Distance of two codes of the digitiser in the unit of the samples; that of 10 bits is assumed
    /// where it is absent. Tells which samples are clipped.
    pub step: Option<f32>,
}

/// What is wrong with a recording or with the way it is to be read.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RecordingError {
    /// The rates do not fit the signal.
    #[error(
        "a sample rate of {} cannot carry a chip rate of {}; 1.2 to 512 samples a chip are needed",
        hertz::nearest(*.sample_rate_hz), hertz::nearest(*.chip_rate_hz)
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
/// Most samples a chip: filters grow with them.
pub const SAMPLES_PER_CHIP_MAX: f64 = 512.0;

impl Recording<'_> {
    /// Samples a chip.
    ///
    /// # Errors
    /// When a rate is not a positive finite number or there are fewer than 1.2 or more than 512
    /// samples a chip.
    pub(crate) fn samples_per_chip(&self, chip_rate_hz: f64) -> Result<f64, RecordingError> {
        let ratio = self.sample_rate_hz / chip_rate_hz;
        let sound = self.sample_rate_hz > 0.0 && chip_rate_hz > 0.0 && ratio.is_finite();
        if sound && (SAMPLES_PER_CHIP_MIN..=SAMPLES_PER_CHIP_MAX).contains(&ratio) {
            Ok(ratio)
        } else {
            Err(RecordingError::Rate { sample_rate_hz: self.sample_rate_hz, chip_rate_hz })
        }
    }

    /// Values from which a sample counts as clipped, at the lower and at the upper end: codes reach
    /// `-full_scale`, and one step less at the upper end.
    pub(crate) fn clipping_edges(&self) -> Option<(f32, f32)> {
        let full = self.full_scale.filter(|full| *full > 0.0)?;
        let step = self.step.filter(|step| *step > 0.0 && *step < full);
        let step = step.unwrap_or(full * STEP_ASSUMED);
        Some((-full + 0.5 * step, full - 1.5 * step))
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
        Recording { samples, sample_rate_hz: 8e9, full_scale, step: None }
    }

    #[test]
    fn both_ends_of_twos_complement_codes_are_clipped() {
        for bits in [8, 10, 12, 16] {
            let full = (1_i32 << (bits - 1)) as f32;
            let recording = Recording {
                samples: &[],
                sample_rate_hz: 8e9,
                full_scale: Some(full),
                step: Some(1.0),
            };
            let (low, high) = recording.clipping_edges().expect("there is a full scale");
            let clipped = |code: f32| code <= low || code >= high;
            assert!(clipped(-full) && clipped(full - 1.0), "{bits} bits");
            assert!(!clipped(1.0 - full) && !clipped(full - 2.0), "{bits} bits");
        }
        assert_eq!(recording(&[], None).clipping_edges(), None);
        assert_eq!(recording(&[], Some(0.0)).clipping_edges(), None);
    }

    #[test]
    fn impossible_recordings_are_refused() {
        for rate in [0.0, -1.0, f64::NAN, f64::INFINITY, 2.1e9] {
            let recording =
                Recording { samples: &[], sample_rate_hz: rate, full_scale: None, step: None };
            assert!(recording.samples_per_chip(1.76e9).is_err(), "{rate}");
        }
        assert!(recording(&[], None).samples_per_chip(f64::NAN).is_err());
    }
}
