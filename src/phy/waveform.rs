//! Pulse shaping: from chips to the samples that a looping source plays.
//!
//! The waveform is cyclic: the pulses' tails run over its end into its beginning, so a source that
//! repeats it has no seam. Frame and least idle time are rounded up to a whole number of samples (and
//! to the source's granularity); the idle time takes up the difference, so any ratio of sample rate to
//! chip rate will do and no chip is moved. Knows nothing of the source but its rate.

mod correction;
mod synthesis;

use num_complex::Complex32;

pub use correction::{
    BOOST_DB_MAX, Correction, FrequencyResponse, RESPONSE_POINTS_MAX, ResponseError, ResponsePoint,
};

use super::hertz;
use super::lanes::widest;
use super::mcs::CHIP_RATE_HZ;
use super::pulse::{RolloffError, RootRaisedCosine};
use super::recording::SAMPLES_PER_CHIP_MIN;

/// Samples that are summed side by side.
const LANES: usize = 16;
/// Most samples of a waveform: 1 GiB of codes.
const SAMPLES_MAX: f64 = (1 << 28) as f64;

/// How chips become a waveform.
#[derive(Clone, Debug, PartialEq)]
pub struct ShapeConfig {
    /// Chips a second.
    pub chip_rate_hz: f64,
    /// The source's samples a second, at least 1.2 a chip.
    pub sample_rate_hz: f64,
    /// Roll-off of the root-raised-cosine pulse, 0.05 to 0.5.
    pub rolloff: f64,
    /// Least idle time between the last chip and the first of the next pass, in chips.
    pub idle_chips: f64,
    /// The number of samples is a multiple of this.
    pub granularity: usize,
    /// Peak of the waveform relative to full scale in dB. Above 0 the peaks are clipped.
    pub peak_dbfs: f64,
    /// Response of what follows the waveform's memory (converter, cables), to be undone.
    pub correction: Option<FrequencyResponse>,
}

impl Default for ShapeConfig {
    fn default() -> Self {
        Self {
            chip_rate_hz: CHIP_RATE_HZ,
            sample_rate_hz: 4.0 * CHIP_RATE_HZ,
            rolloff: 0.25,
            idle_chips: 256.0,
            granularity: 1,
            peak_dbfs: 0.0,
            correction: None,
        }
    }
}

/// Why chips cannot be shaped.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ShapeError {
    /// The filter cannot be built.
    #[error(transparent)]
    Rolloff(#[from] RolloffError),
    /// A rate is not positive and finite, or too few samples fall on a chip.
    #[error(
        "a sample rate of {} cannot carry a chip rate of {}: at least 1.2 samples a chip are needed",
        hertz::nearest(*.sample_rate_hz), hertz::nearest(*.chip_rate_hz)
    )]
    Rate {
        /// Samples a second.
        sample_rate_hz: f64,
        /// Chips a second.
        chip_rate_hz: f64,
    },
    /// The idle time or the peak is not a number in its range.
    #[error("{what} is {value}; {range}")]
    Setting {
        /// Which setting.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What would do.
        range: &'static str,
    },
    /// There is nothing to send.
    #[error("the frame has no chips, or only zeros")]
    Empty,
    /// A chip is infinite or not a number.
    #[error("chip {0} is not a finite number")]
    NotFinite(usize),
    /// The waveform would be too long.
    #[error("the waveform would have {0:.0} samples; at most 268435456 are made")]
    TooLong(f64),
}

/// A waveform for a looping source.
#[derive(Clone, Debug, PartialEq)]
pub struct Waveform {
    /// Samples, 1 on an axis being full scale.
    pub samples: Vec<Complex32>,
    /// Samples a second.
    pub sample_rate_hz: f64,
    /// Peak magnitude over rms of the frame (idle time left out) in dB, before clipping.
    pub crest_factor_db: f64,
    /// Share of samples with a clipped axis.
    pub clipped_fraction: f64,
    /// Sample at which the first chip's pulse has its centre.
    pub frame_start_sample: usize,
    /// Idle time that resulted, in chips.
    pub idle_chips: f64,
    /// Share of the pulses' power beyond half of the sample rate, which folds back into the band: 0
    /// from `1 + rolloff` samples a chip on.
    pub folded_fraction: f64,
    /// What the correction did, where there is one.
    pub correction: Option<Correction>,
}

/// Peaks and power of samples.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Levels {
    /// Largest value of an axis.
    axis_peak: f32,
    /// Largest squared magnitude.
    peak: f32,
    /// Sum of the squared magnitudes.
    energy: f64,
}

impl Waveform {
    /// Scales the waveform to an rms level relative to full scale (of one axis), so that different
    /// frames radiate the same power; lower where a peak would pass full scale. Yields the level
    /// reached in dB.
    pub fn level_to(&mut self, rms_dbfs: f64) -> f64 {
        let Levels { axis_peak, energy, .. } = levels(&self.samples);
        let power = energy / self.samples.len().max(1) as f64;
        if power <= 0.0 || axis_peak <= 0.0 {
            return f64::NEG_INFINITY;
        }
        let wanted = 10f64.powf(rms_dbfs / 20.0) / power.sqrt();
        let factor = wanted.min(1.0 / f64::from(axis_peak));
        let single = factor as f32;
        widest(
            #[inline(always)]
            || self.samples.iter_mut().for_each(|z| *z *= single),
        );
        10.0 * power.log10() + 20.0 * factor.log10()
    }

    /// Scales the waveform to an rms level relative to full scale (of one axis), whatever becomes of
    /// its peaks: what passes full scale is clipped and counted. Yields the level reached in dB,
    /// below the wanted one by what clipping took.
    pub fn drive_to(&mut self, rms_dbfs: f64) -> f64 {
        let present = self.rms_dbfs();
        if present.is_finite() {
            let factor = 10f64.powf((rms_dbfs - present) / 20.0) as f32;
            let samples = &mut self.samples;
            let clipped = widest(
                #[inline(always)]
                || scale_and_clip(samples, factor),
            );
            self.clipped_fraction = clipped as f64 / self.samples.len() as f64;
        }
        self.rms_dbfs()
    }

    /// Rms level relative to full scale of one axis in dB.
    pub fn rms_dbfs(&self) -> f64 {
        10.0 * (levels(&self.samples).energy / self.samples.len().max(1) as f64).log10()
    }

    /// 16-bit codes for the source, I and Q taking turns. Full scale is 32767.
    pub fn to_codes(&self) -> Vec<i16> {
        let full = f32::from(i16::MAX);
        let mut codes = vec![0; 2 * self.samples.len()];
        widest(
            #[inline(always)]
            || {
                for (pair, z) in codes.as_chunks_mut::<2>().0.iter_mut().zip(&self.samples) {
                    *pair = [z.re, z.im].map(|value| (value * full).round_ties_even() as i16);
                }
            },
        );
        codes
    }

    /// Duration of one pass in seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / self.sample_rate_hz
    }
}

/// Shapes chips with root-raised-cosine pulses into one pass of a cyclic waveform.
///
/// # Errors
/// When rates, roll-off, idle time or peak are impossible, or the chips are empty or not finite.
pub fn shape(chips: &[Complex32], config: &ShapeConfig) -> Result<Waveform, ShapeError> {
    let pulse = RootRaisedCosine::new(config.rolloff)?;
    let samples_per_chip = check(chips, config)?;
    let granularity = config.granularity.max(1) as f64;
    let least = (chips.len() as f64 + config.idle_chips) * samples_per_chip;
    let count = (least / granularity - 1e-9).ceil() * granularity;
    if count.is_nan() || count > SAMPLES_MAX {
        return Err(ShapeError::TooLong(count));
    }
    let mut samples = synthesis::cyclic_sum(chips, pulse, samples_per_chip, count as usize);
    let half_band_hz = (1.0 + config.rolloff) / 2.0 * config.chip_rate_hz;
    let correction = config.correction.as_ref().map(|response| {
        correction::correct(&mut samples, response, config.sample_rate_hz, half_band_hz)
    });
    let frame_samples = (chips.len() as f64 * samples_per_chip).min(count);
    let (crest_factor_db, clipped) = scale(&mut samples, frame_samples, config.peak_dbfs)?;
    Ok(Waveform {
        clipped_fraction: clipped as f64 / count,
        samples,
        sample_rate_hz: config.sample_rate_hz,
        crest_factor_db,
        frame_start_sample: 0,
        idle_chips: count / samples_per_chip - chips.len() as f64,
        folded_fraction: folded_fraction(config.rolloff, samples_per_chip),
        correction,
    })
}

/// Share of the raised-cosine spectrum's area beyond half of `samples_per_chip`, in closed form.
fn folded_fraction(rolloff: f64, samples_per_chip: f64) -> f64 {
    let beyond = (samples_per_chip - (1.0 - rolloff)) / 2.0;
    if beyond >= rolloff {
        return 0.0;
    }
    let turn = std::f64::consts::PI / rolloff;
    (rolloff - beyond) - (turn * beyond).sin() / turn
}

fn check(chips: &[Complex32], config: &ShapeConfig) -> Result<f64, ShapeError> {
    let ShapeConfig { chip_rate_hz, sample_rate_hz, idle_chips, peak_dbfs, .. } = *config;
    let ratio = sample_rate_hz / chip_rate_hz;
    let sound = chip_rate_hz > 0.0 && sample_rate_hz > 0.0 && ratio.is_finite();
    if !sound || ratio < SAMPLES_PER_CHIP_MIN {
        return Err(ShapeError::Rate { sample_rate_hz, chip_rate_hz });
    }
    let setting = |what, value, range| Err(ShapeError::Setting { what, value, range });
    if !(idle_chips >= 0.0 && idle_chips.is_finite()) {
        return setting("the idle time", idle_chips, "it is 0 chips or more");
    }
    if !(-80.0..=20.0).contains(&peak_dbfs) {
        return setting("the peak", peak_dbfs, "it lies between -80 and 20 dBFS");
    }
    if let Some(at) = chips.iter().position(|chip| !chip.is_finite()) {
        return Err(ShapeError::NotFinite(at));
    }
    if chips.is_empty() { Err(ShapeError::Empty) } else { Ok(ratio) }
}

/// Peaks and power in one look.
fn levels(samples: &[Complex32]) -> Levels {
    widest(
        #[inline(always)]
        || levels_in_lanes(samples),
    )
}

#[inline(always)]
fn levels_in_lanes(samples: &[Complex32]) -> Levels {
    let mut axis_peak = [0.0_f32; LANES];
    let mut peak = [0.0_f32; LANES];
    let mut energy = [0.0_f64; LANES];
    for chunk in samples.chunks(LANES) {
        for (lane, z) in chunk.iter().enumerate() {
            let power = z.re * z.re + z.im * z.im;
            let axis = z.re.abs().max(z.im.abs());
            axis_peak[lane] = axis_peak[lane].max(axis);
            peak[lane] = peak[lane].max(power);
            energy[lane] += f64::from(power);
        }
    }
    Levels {
        axis_peak: axis_peak.into_iter().fold(0.0, f32::max),
        peak: peak.into_iter().fold(0.0, f32::max),
        energy: energy.into_iter().sum(),
    }
}

/// Scales the largest axis value to the wanted peak and clips what is above full scale. Returns the
/// crest factor in dB and the number of clipped samples.
fn scale(
    samples: &mut [Complex32],
    frame_samples: f64,
    peak_dbfs: f64,
) -> Result<(f64, usize), ShapeError> {
    let Levels { axis_peak, peak, energy } = levels(samples);
    let factor = (10_f64.powf(peak_dbfs / 20.0) / f64::from(axis_peak)) as f32;
    if !(factor.is_finite() && energy > 0.0 && energy.is_finite()) {
        return Err(ShapeError::Empty);
    }
    let clipped = widest(
        #[inline(always)]
        || scale_and_clip(samples, factor),
    );
    Ok((10.0 * (f64::from(peak) * frame_samples / energy).log10(), clipped))
}

/// Multiplies, clips each axis at full scale, and counts the samples that were clipped.
#[inline(always)]
fn scale_and_clip(samples: &mut [Complex32], factor: f32) -> usize {
    let mut clipped = 0;
    for chunk in samples.chunks_mut(1 << 16) {
        let mut here = 0_u32;
        for z in chunk {
            let (re, im) = (z.re * factor, z.im * factor);
            // The largest value itself is full scale, not clipped.
            here += u32::from(re.abs().max(im.abs()) > 1.0 + 1e-6);
            *z = Complex32::new(re.clamp(-1.0, 1.0), im.clamp(-1.0, 1.0));
        }
        clipped += here as usize;
    }
    clipped
}

#[cfg(test)]
mod tests;
