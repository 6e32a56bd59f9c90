//! Pulse shaping: from chips to the samples that a looping source plays.
//!
//! The waveform is cyclic: the pulses' tails run over its end into its beginning, so a source that
//! repeats it has no seam. Frame and least idle time are rounded up to a whole number of samples (and
//! to the source's granularity); the idle time takes up the difference, so any ratio of sample rate to
//! chip rate will do and no chip is moved. Knows nothing of the source but its rate.

use num_complex::{Complex32, Complex64};

use super::mcs::CHIP_RATE_HZ;
use super::pulse::{RolloffError, RootRaisedCosine};
use super::recording::{SAMPLES_PER_CHIP_MIN, narrow, widen};

/// Values a chip at which the pulse is tabulated; between them it is interpolated linearly, with an
/// error near 1e-6 of its peak.
const TABLE_STEPS: usize = 1024;
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
        "{sample_rate_hz} samples for {chip_rate_hz} chips a second: at least 1.2 samples a chip \
         are needed"
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
}

impl Waveform {
    /// Scales the waveform to an rms level relative to full scale (of one axis), so that different
    /// frames radiate the same power; lower where a peak would pass full scale. Yields the level
    /// reached in dB.
    pub fn level_to(&mut self, rms_dbfs: f64) -> f64 {
        let count = self.samples.len().max(1) as f64;
        let power: f64 = self.samples.iter().map(|z| f64::from(z.norm_sqr())).sum::<f64>() / count;
        let peak = self.samples.iter().map(|z| z.re.abs().max(z.im.abs())).fold(0.0, f32::max);
        if power <= 0.0 || peak <= 0.0 {
            return f64::NEG_INFINITY;
        }
        let wanted = 10f64.powf(rms_dbfs / 20.0) / power.sqrt();
        let factor = wanted.min(1.0 / f64::from(peak));
        self.samples.iter_mut().for_each(|z| *z *= factor as f32);
        10.0 * power.log10() + 20.0 * factor.log10()
    }

    /// 16-bit codes for the source, I and Q taking turns. Full scale is 32767.
    pub fn to_codes(&self) -> Vec<i16> {
        let code = |value: f32| (value * f32::from(i16::MAX)).round() as i16;
        self.samples.iter().flat_map(|z| [code(z.re), code(z.im)]).collect()
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
    let mut samples = synthesise(chips, pulse, samples_per_chip, count as usize);
    let frame_samples = (chips.len() as f64 * samples_per_chip).min(count);
    let (crest_factor_db, clipped) = scale(&mut samples, frame_samples, config.peak_dbfs)?;
    Ok(Waveform {
        clipped_fraction: clipped as f64 / count,
        samples,
        sample_rate_hz: config.sample_rate_hz,
        crest_factor_db,
        frame_start_sample: 0,
        idle_chips: count / samples_per_chip - chips.len() as f64,
    })
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

/// The cyclic sum of the chips' pulses at `count` samples.
fn synthesise(
    chips: &[Complex32],
    pulse: RootRaisedCosine,
    samples_per_chip: f64,
    count: usize,
) -> Vec<Complex32> {
    let span = 2 * pulse.half_span_symbols();
    let table: Vec<f32> = (0..=span * TABLE_STEPS + 1)
        .map(|n| pulse.at(n as f64 / TABLE_STEPS as f64) as f32)
        .collect();
    let mut samples = vec![Complex32::default(); count];
    for (k, chip) in chips.iter().enumerate() {
        let centre = k as f64 * samples_per_chip;
        let reach = span as f64 * samples_per_chip;
        let first = (centre - reach).ceil() as i64;
        let last = (centre + reach).floor() as i64;
        let step = TABLE_STEPS as f64 / samples_per_chip;
        let mut at = first.rem_euclid(count as i64) as usize;
        for n in first..=last {
            let position = ((n as f64 - centre) * step).abs();
            let whole = position as usize;
            let fraction = (position - whole as f64) as f32;
            samples[at] += chip * (table[whole] + fraction * (table[whole + 1] - table[whole]));
            at += 1;
            if at == count {
                at = 0;
            }
        }
    }
    samples
}

/// Scales the largest axis value to the wanted peak and clips what is above full scale. Returns the
/// crest factor in dB and the number of clipped samples.
fn scale(
    samples: &mut [Complex32],
    frame_samples: f64,
    peak_dbfs: f64,
) -> Result<(f64, usize), ShapeError> {
    let axis_peak = samples.iter().map(|z| z.re.abs().max(z.im.abs())).fold(0.0, f32::max);
    let energy: f64 = samples.iter().map(|z| widen(*z).norm_sqr()).sum();
    let peak = samples.iter().map(|z| widen(*z).norm_sqr()).fold(0.0, f64::max);
    let factor = 10_f64.powf(peak_dbfs / 20.0) / f64::from(axis_peak);
    if !(factor.is_finite() && energy > 0.0) {
        return Err(ShapeError::Empty);
    }
    let mut clipped = 0;
    for z in samples {
        let Complex64 { re, im } = widen(*z) * factor;
        // The largest value itself is full scale, not clipped.
        clipped += usize::from(re.abs().max(im.abs()) > 1.0 + 1e-6);
        *z = narrow(Complex64::new(re.clamp(-1.0, 1.0), im.clamp(-1.0, 1.0)));
    }
    Ok((10.0 * (peak * frame_samples / energy).log10(), clipped))
}

#[cfg(test)]
mod tests;
