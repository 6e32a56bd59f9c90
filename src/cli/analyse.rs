//! `analyse`: figures from any SigMF recording.

use std::path::{Path, PathBuf};

use beamwarden_drivers::quantity::{Dimension, Quantity};
use serde_json::{Map, Value as Json, json};

use super::benches_at_hand::read_source;
use super::{Ended, Failure, Terminal};
use crate::bench::frame_file::{FrameFile, NamedFrame};
use crate::phy::analyse::{Analysis, AnalysisConfig, Expected, analyse_with};
use crate::phy::figures::FigureValue;
use crate::phy::frame::{Frame, build};
use crate::phy::recording::Recording as PhyRecording;
use crate::record::{Recording, read_recording, sha256_hex};
use crate::run::figures_of;
use crate::threads::Cores;

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
    /// Symbols a second; when absent those of the frame file, or 1.76 GHz.
    #[arg(long, value_name = "FREQUENCY")]
    symbol_rate: Option<String>,
    /// Roll-off of the root-raised-cosine; when absent that of the frame file, or 0.25.
    #[arg(long)]
    roll_off: Option<f64>,
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
    let named = match arguments.frame.as_str() {
        "dmg" => None,
        name => Some(named_frame(name)?),
    };
    let frame = named.as_ref().map(|named| build(&named.spec)).transpose();
    let frame = frame.map_err(Failure::usage)?;
    let standard = AnalysisConfig::default();
    let symbol_rate_hz = arguments.symbol_rate.as_deref().map(frequency).transpose()?;
    let of_frame = |value: fn(&NamedFrame) -> Option<f64>| named.as_ref().and_then(value);
    let config = AnalysisConfig {
        chip_rate_hz: symbol_rate_hz
            .or(of_frame(|named| named.symbol_rate_hz))
            .unwrap_or(standard.chip_rate_hz),
        rolloff: arguments
            .roll_off
            .or(of_frame(|named| named.roll_off))
            .unwrap_or(standard.rolloff),
        ..standard
    };
    let octets = arguments.expect.as_deref().map(read_octets).transpose()?;
    let sample_rate_hz = arguments.sample_rate.as_deref().map(frequency).transpose()?;
    Ok(Wanted { frame, octets, config, sample_rate_hz })
}

pub(super) fn frequency(text: &str) -> Result<f64, Failure> {
    Quantity::parse(text, Dimension::Frequency).map(|q| q.value).map_err(Failure::usage)
}

/// A frame by its name, or from a frame file.
pub(super) fn named_frame(name: &str) -> Result<NamedFrame, Failure> {
    if is_frame_file(name) {
        return Ok(read_frame_file(name)?.frame);
    }
    NamedFrame::parse(name).map_err(Failure::usage)
}

/// Whether a text is to be taken for the path of a frame file.
pub(super) fn is_frame_file(name: &str) -> bool {
    let path = Path::new(name);
    path.extension().is_some_and(|e| e == "yaml" || e == "yml") || path.is_file()
}

pub(super) fn read_frame_file(name: &str) -> Result<FrameFile, Failure> {
    let path = Path::new(name);
    let near = path.parent().unwrap_or(Path::new(""));
    Ok(FrameFile::read(&read_source(path, "frame file")?, near)?)
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
    analyse_with(&Cores, &samples, &expected, &wanted.config)
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
