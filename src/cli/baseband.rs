//! Complex samples from recordings of any shape: what `analyse` reads.
//!
//! Knows recordings and where a signal lies in them, not what it carries.

use std::fmt;
use std::path::{Path, PathBuf};

use num_complex::Complex32;

use crate::phy::input::{Converter, InputError, IntermediateFrequency};
use crate::phy::recording::Recording as PhyRecording;
use crate::record::{Recording, Samples, read_recording};

/// Where samples come from.
pub(super) enum Source {
    /// One recording.
    One(PathBuf),
    /// A recording of each channel.
    Two {
        /// That of I.
        i: PathBuf,
        /// That of Q.
        q: PathBuf,
    },
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::One(path) => path.display().fmt(f),
            Self::Two { i, q } => write!(f, "{} and {}", i.display(), q.display()),
        }
    }
}

/// What the user says of recordings that they do not say themselves.
pub(super) struct RealChannels {
    /// Sample rate of recordings without one, in Hz.
    pub sample_rate_hz: Option<f64>,
    /// Centre of the signal in one real channel, in Hz.
    pub intermediate_hz: Option<f64>,
    /// Whether the spectrum there is inverted.
    pub inverted: bool,
    /// Symbol rate of the signal in Hz.
    pub symbol_rate_hz: f64,
    /// Roll-off of its pulses.
    pub rolloff: f64,
}

/// Complex samples around 0 Hz.
pub(super) struct Baseband {
    samples: Vec<Complex32>,
    sample_rate_hz: f64,
    full_scale: Option<f64>,
    step: Option<f64>,
    /// Share of samples at an end of the converter's range, where a filter hides it since.
    pub clipped_before_filter: Option<f64>,
}

impl Baseband {
    /// Reads and converts.
    ///
    /// # Errors
    /// When a recording cannot be read, or its shape does not fit what was said of it.
    pub(super) fn read(source: &Source, channels: &RealChannels) -> anyhow::Result<Self> {
        match source {
            Source::One(path) => Self::of_one(read_recording(path)?, channels),
            Source::Two { i, q } => {
                Self::of_two([i, q], [read_recording(i)?, read_recording(q)?], channels)
            }
        }
    }

    fn of_one(recording: Recording, channels: &RealChannels) -> anyhow::Result<Self> {
        let sample_rate_hz = sample_rate(&recording, channels)?;
        let mut clipped_before_filter = None;
        let samples = match (recording.samples, channels.intermediate_hz) {
            (Samples::Complex(samples), None) => samples,
            (Samples::Real(samples), Some(centre_hz)) => {
                let shape = IntermediateFrequency {
                    sample_rate_hz,
                    centre_hz,
                    symbol_rate_hz: channels.symbol_rate_hz,
                    rolloff: channels.rolloff,
                    inverted: channels.inverted,
                };
                clipped_before_filter = recording.clipped_fraction;
                converted(&samples, &shape)?
            }
            (Samples::Complex(_), Some(_)) => anyhow::bail!(
                "the recording has I and Q; --intermediate-frequency is for one real channel, so \
                 leave it out"
            ),
            (Samples::Real(_), None) => anyhow::bail!(
                "the recording has one real channel; give --intermediate-frequency to say where the \
                 carrier lies in it, or with another recording of Q both as --i and --q"
            ),
        };
        Ok(Self {
            samples,
            sample_rate_hz,
            full_scale: recording.full_scale,
            step: recording.step,
            clipped_before_filter,
        })
    }

    fn of_two(
        paths: [&PathBuf; 2],
        recordings: [Recording; 2],
        channels: &RealChannels,
    ) -> anyhow::Result<Self> {
        let [i, q] = recordings;
        let [i_rate, q_rate] = [sample_rate(&i, channels)?, sample_rate(&q, channels)?];
        anyhow::ensure!(
            i_rate == q_rate,
            "I has {i_rate} samples a second and Q {q_rate}; record both with the same settings"
        );
        let same_unit = i.unit == q.unit && i.full_scale == q.full_scale && i.step == q.step;
        anyhow::ensure!(
            same_unit,
            "I and Q differ in range, resolution or unit; record both with the same settings"
        );
        let (full_scale, step) = (i.full_scale, i.step);
        let [i_samples, q_samples] = [real(paths[0], i.samples)?, real(paths[1], q.samples)?];
        if i_samples.len() != q_samples.len() {
            let (i, q) = (i_samples.len(), q_samples.len());
            return Err(InputError::Lengths { i, q }.into());
        }
        let pairs = i_samples.iter().zip(&q_samples);
        Ok(Self {
            samples: pairs.map(|(i, q)| Complex32::new(*i, *q)).collect(),
            sample_rate_hz: i_rate,
            full_scale,
            step,
            clipped_before_filter: None,
        })
    }

    /// As the analysis takes it.
    pub(super) fn phy(&self) -> PhyRecording<'_> {
        PhyRecording {
            samples: &self.samples,
            sample_rate_hz: self.sample_rate_hz,
            full_scale: self.full_scale.map(|full| full as f32),
            step: self.step.map(|step| step as f32),
        }
    }
}

fn sample_rate(recording: &Recording, channels: &RealChannels) -> anyhow::Result<f64> {
    recording.sample_rate_hz.or(channels.sample_rate_hz).ok_or_else(|| {
        anyhow::anyhow!("the recording does not say its sample rate; give --sample-rate")
    })
}

fn real(path: &Path, samples: Samples) -> anyhow::Result<Vec<f32>> {
    match samples {
        Samples::Real(samples) => Ok(samples),
        Samples::Complex(_) => anyhow::bail!(
            "{} has I and Q; --i and --q each take a recording of one real channel",
            path.display()
        ),
    }
}

fn converted(samples: &[f32], shape: &IntermediateFrequency) -> Result<Vec<Complex32>, InputError> {
    let mut converter = Converter::new(shape)?;
    let mut out = Vec::with_capacity(samples.len());
    converter.push(samples, &mut out);
    converter.finish(&mut out);
    Ok(out)
}
