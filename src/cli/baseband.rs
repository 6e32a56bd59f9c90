//! Complex samples from recordings of any shape: what `analyse` reads.
//!
//! Knows recordings and where a signal lies in them, not what it carries.

use std::ffi::OsString;
use std::fmt;
use std::path::{Path, PathBuf};

use beamwarden_drivers::quantity::{Dimension, Quantity};
use num_complex::Complex32;

use crate::phy::input::{Converter, InputError, IntermediateFrequency};
use crate::phy::recording::Recording as PhyRecording;
use crate::record::{
    CodeWidth, DATA_ENDING, FrameRecord, META_ENDING, Recording, SampleUnit, Samples, WidthSource,
    read_recording_of,
};

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
    /// How wide the codes are; none for floating point.
    codes: Option<CodeWidth>,
    /// Share of samples at an end of the converter's range, where a filter hides it since.
    pub clipped_before_filter: Option<f64>,
}

/// Recordings in memory, as they are.
pub(super) struct Recorded {
    first: Recording,
    /// That of Q, where it has one of its own.
    second: Option<Recording>,
}

impl Recorded {
    /// Reads; `bits` are those of the converter's codes in recordings of integers that do not declare
    /// them.
    ///
    /// # Errors
    /// When a recording is missing or cannot be read.
    pub(super) fn read(source: &Source, bits: Option<u32>) -> anyhow::Result<Self> {
        let read = |path: &Path| -> anyhow::Result<Recording> {
            complete(path)?;
            Ok(read_recording_of(path, bits)?)
        };
        Ok(match source {
            Source::One(path) => Self { first: read(path)?, second: None },
            Source::Two { i, q } => Self { first: read(i)?, second: Some(read(q)?) },
        })
    }

    /// The frame that was sent, where the recording says it.
    pub(super) fn frame(&self) -> Option<&FrameRecord> {
        self.first.meta.captures.iter().find_map(|segment| segment.frame.as_ref())
    }
}

/// That both files of a recording are there, with something in the meta file.
fn complete(path: &Path) -> anyhow::Result<()> {
    let ending = path.extension().and_then(|ending| ending.to_str());
    let base = match ending {
        Some(DATA_ENDING | META_ENDING) => path.with_extension(""),
        _ => path.to_owned(),
    };
    for ending in [META_ENDING, DATA_ENDING] {
        let mut file = OsString::from(&base);
        file.push(".");
        file.push(ending);
        let file = PathBuf::from(file);
        anyhow::ensure!(
            file.exists(),
            "{} is no SigMF recording: NAME.{META_ENDING} and NAME.{DATA_ENDING} are needed, and {} \
             does not exist",
            path.display(),
            file.display()
        );
        let empty = file.metadata().is_ok_and(|data| data.is_file() && data.len() == 0);
        anyhow::ensure!(
            !empty || ending == DATA_ENDING,
            "{} is empty; it must describe the samples: data type, sample rate",
            file.display()
        );
    }
    Ok(())
}

impl Baseband {
    /// Converts.
    ///
    /// # Errors
    /// When the recordings' shape does not fit what was said of it.
    pub(super) fn of(
        source: &Source,
        Recorded { first, second }: Recorded,
        channels: &RealChannels,
    ) -> anyhow::Result<Self> {
        match (source, second) {
            (Source::Two { i, q }, Some(second)) => Self::of_two([i, q], [first, second], channels),
            _ => Self::of_one(first, channels),
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
            codes: recording.codes,
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
        let rate = |hz: f64| Quantity { value: hz, dimension: Dimension::Frequency };
        anyhow::ensure!(
            i_rate == q_rate,
            "I has a sample rate of {} and Q one of {}; record both with the same settings",
            rate(i_rate),
            rate(q_rate)
        );
        anyhow::ensure!(
            i.unit == q.unit && i.full_scale == q.full_scale && bits(&i) == bits(&q),
            "I has {} and Q {}; record both with the same range, resolution and unit",
            range(&i),
            range(&q)
        );
        let full_scale = i.full_scale;
        // A channel that happens to use few of its codes hides how fine they are.
        let step = i.step.zip(q.step).map(|(i, q)| i.min(q));
        // Both must look narrow to be in doubt, or to stand in the upper bits.
        let codes = i.codes.zip(q.codes).map(|(i, q)| CodeWidth {
            bits_used: i.bits_used.max(q.bits_used),
            bits_below: i.bits_below.min(q.bits_below),
            ..i
        });
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
            codes,
            clipped_before_filter: None,
        })
    }

    /// Whether a clipped sample can be told from others.
    pub(super) fn knows_clipping(&self) -> bool {
        self.codes.is_none_or(|codes| !codes.is_doubtful())
    }

    /// What the user should know of the way the samples were taken.
    pub(super) fn note(&self) -> Option<String> {
        let codes = self.codes.filter(|codes| codes.source == WidthSource::DataType)?;
        let CodeWidth { bits, bits_used, bits_below, .. } = codes;
        if codes.is_doubtful() {
            return Some(format!(
                "the recording does not declare the converter's resolution: its codes are taken as \
                 {bits} bits, but use {bits_used} at most, so what is clipped is not known, and \
                 power_dbfs is too low if there are fewer; say it with --bits"
            ));
        }
        (bits_below > 0).then(|| {
            format!(
                "the lowest {bits_below} bits of every code are zero: taken as codes of {} bits in \
                 the upper bits of {bits}",
                bits - bits_below
            )
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

fn bits(recording: &Recording) -> Option<u32> {
    recording.codes.map(|codes| codes.bits)
}

/// Range, resolution and unit of a recording, in words.
fn range(recording: &Recording) -> String {
    let (Some(full), Some(bits)) = (recording.full_scale, bits(recording)) else {
        return "floating-point numbers".to_owned();
    };
    match recording.unit {
        SampleUnit::Volts => {
            let full = Quantity { value: full, dimension: Dimension::Voltage };
            format!("{bits}-bit codes over +-{full}")
        }
        _ => format!("{bits}-bit codes without a range in volts"),
    }
}

fn sample_rate(recording: &Recording, channels: &RealChannels) -> anyhow::Result<f64> {
    let rate = |hz: f64| Quantity { value: hz, dimension: Dimension::Frequency };
    match (recording.sample_rate_hz, channels.sample_rate_hz) {
        // What a decimal text and its nearest number may differ by.
        (Some(own), Some(told)) if (told / own - 1.0).abs() > 1e-9 => anyhow::bail!(
            "the recording states a sample rate of {} and --sample-rate {}; leave --sample-rate out, \
             or correct the recording's meta file",
            rate(own),
            rate(told)
        ),
        (own, told) => own.or(told).ok_or_else(|| {
            anyhow::anyhow!("the recording does not say its sample rate; give --sample-rate")
        }),
    }
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
