//! `analyse`: figures from any SigMF recording.

use std::path::{Path, PathBuf};

use beamwarden_drivers::quantity::{Dimension, Quantity};
use serde_json::{Map, Value as Json, json};

use super::benches_at_hand::read_source;
use super::{Ended, Failure, Terminal};
use crate::bench::frame_file::read_frame_file;
use crate::phy::analyse::{Analysis, AnalysisConfig, Expected, analyse};
use crate::phy::figures::FigureValue;
use crate::phy::frame::{Frame, FrameSpec, build};
use crate::phy::recording::Recording as PhyRecording;
use crate::record::{Recording, read_recording, sha256_hex};
use crate::run::figures_of;

/// Largest file of expected octets; the longest PSDU has 262143.
const EXPECT_BYTES_MAX: u64 = 16 << 20;

/// Print the figures of SigMF recordings, also of ones that were not made here.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// Recordings: meta file, data file or their common base name.
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// What was sent: dmg (modulation, code and length from the frame's own header), a name such
    /// as "qpsk uncoded" or "mcs 9", or a frame file.
    #[arg(long, default_value = "dmg")]
    frame: String,
    /// File with the octets that were sent, to count bit errors against.
    #[arg(long, value_name = "FILE")]
    expect: Option<PathBuf>,
    /// Symbols a second.
    #[arg(long, value_name = "FREQUENCY", default_value = "1.76 GHz")]
    symbol_rate: String,
    /// Roll-off of the root-raised-cosine.
    #[arg(long, default_value_t = 0.25)]
    roll_off: f64,
    /// Sample rate, for recordings that do not say.
    #[arg(long, value_name = "FREQUENCY")]
    sample_rate: Option<String>,
    /// One JSON object a recording, one line each, for programs.
    #[arg(long)]
    json: bool,
}

/// What is expected in every recording.
struct Wanted {
    frame: Option<Frame>,
    octets: Option<Vec<u8>>,
    config: AnalysisConfig,
    sample_rate_hz: Option<f64>,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let wanted = wanted(arguments)?;
    let mut ended = Ended::Done;
    for path in &arguments.recordings {
        match analyse_one(path, &wanted) {
            Ok(analysis) if arguments.json => {
                terminal.line(as_json(path, &analysis).to_string())?;
            }
            Ok(analysis) => print(path, &analysis, terminal)?,
            // One bad file of many is told and the others are still analysed.
            Err(failure) => {
                terminal.tell_failure(&failure);
                ended = failure.ended;
            }
        }
    }
    Ok(ended)
}

fn wanted(arguments: &Arguments) -> Result<Wanted, Failure> {
    let frequency = |text: &str| {
        Quantity::parse(text, Dimension::Frequency).map(|q| q.value).map_err(Failure::usage)
    };
    let config = AnalysisConfig {
        chip_rate_hz: frequency(&arguments.symbol_rate)?,
        rolloff: arguments.roll_off,
        ..AnalysisConfig::default()
    };
    let frame = match arguments.frame.as_str() {
        "dmg" => None,
        name => Some(build(&frame_spec(name)?).map_err(Failure::usage)?),
    };
    let octets = arguments.expect.as_deref().map(read_octets).transpose()?;
    let sample_rate_hz = arguments.sample_rate.as_deref().map(frequency).transpose()?;
    Ok(Wanted { frame, octets, config, sample_rate_hz })
}

/// A frame by its name, or from a frame file.
pub(super) fn frame_spec(name: &str) -> Result<FrameSpec, Failure> {
    let path = Path::new(name);
    if path.extension().is_some_and(|e| e == "yaml" || e == "yml") || path.is_file() {
        return Ok(read_frame_file(&read_source(path, "frame file")?)?);
    }
    FrameSpec::parse(name).map_err(Failure::usage)
}

fn read_octets(path: &Path) -> Result<Vec<u8>, Failure> {
    let context = format!("failed to read the expected octets in {}", path.display());
    let read = || -> anyhow::Result<Vec<u8>> {
        let length = std::fs::metadata(path)?.len();
        anyhow::ensure!(length > 0, "the file is empty");
        anyhow::ensure!(
            length <= EXPECT_BYTES_MAX,
            "{length} octets are more than any frame holds"
        );
        Ok(std::fs::read(path)?)
    };
    read().map_err(|error| Failure::usage(error.context(context)))
}

fn analyse_one(path: &Path, wanted: &Wanted) -> Result<Analysis, Failure> {
    let place = || format!("failed to analyse {}", path.display());
    let recording = read_recording(path)
        .map_err(|error| Failure::usage(anyhow::Error::new(error).context(place())))?;
    let sample_rate_hz = recording.sample_rate_hz.or(wanted.sample_rate_hz).ok_or_else(|| {
        let message = "the recording does not say its sample rate; give --sample-rate";
        Failure::usage(anyhow::anyhow!(message).context(place()))
    })?;
    let samples = phy_recording(&recording, sample_rate_hz);
    let mut expected = wanted.frame.as_ref().map_or_else(Expected::dmg, Expected::frame);
    if let Some(octets) = &wanted.octets {
        expected = expected.with_psdu(octets);
    }
    analyse(&samples, &expected, &wanted.config)
        .map_err(|error| Failure::usage(anyhow::Error::new(error).context(place())))
}

fn phy_recording(recording: &Recording, sample_rate_hz: f64) -> PhyRecording<'_> {
    PhyRecording {
        samples: &recording.samples,
        sample_rate_hz,
        full_scale: recording.full_scale.map(|full| full as f32),
        step: recording.step.map(|step| step as f32),
    }
}

/// The documented object: every figure by name, what cannot be had as null.
fn as_json(path: &Path, analysis: &Analysis) -> Json {
    let mut object = Map::new();
    object.insert("recording".into(), json!(path.display().to_string()));
    for figure in analysis.figures.list() {
        let value = match figure.value {
            // A scheme such as 12 is a whole number to whoever compares it; 12.1 is none.
            FigureValue::Number(number) if number.fract() == 0.0 && figure.name == "mcs" => {
                json!(number as u64)
            }
            FigureValue::Number(number) => json!(number),
            FigureValue::Count(count) => json!(count),
            FigureValue::Flag(flag) => json!(flag),
            FigureValue::Absent => Json::Null,
        };
        object.insert(figure.name.into(), value);
    }
    let psdu = analysis.psdus.first().filter(|_| analysis.header.is_some());
    object.insert("psdu_sha256".into(), psdu.map_or(Json::Null, |psdu| json!(sha256_hex(psdu))));
    Json::Object(object)
}

fn print(path: &Path, analysis: &Analysis, terminal: &mut Terminal) -> Result<(), Failure> {
    terminal.line(format!("{}: {}", path.display(), analysis.outcome))?;
    if analysis.figures.detected {
        let figures = figures_of(analysis);
        terminal.line(super::figures_table::of_figures(&figures).to_string())?;
    }
    Ok(())
}
