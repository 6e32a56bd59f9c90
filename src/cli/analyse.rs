//! `analyse`: figures from any SigMF recording.

use std::path::{Path, PathBuf};

use beamwarden_drivers::quantity::{Dimension, Quantity};
use serde_json::{Map, Value as Json, json};

use super::baseband::{Baseband, RealChannels, Source};
use super::benches_at_hand::read_source;
use super::{Ended, Failure, Terminal};
use crate::bench::frame_file::{FrameFile, NamedFrame};
use crate::phy::analyse::{Analysis, AnalysisConfig, Expected, analyse_with};
use crate::phy::figures::FigureValue;
use crate::phy::frame::{Frame, build};
use crate::record::sha256_hex;
use crate::run::figures_of;
use crate::threads::Cores;

/// Largest file of expected octets; the longest PSDU has 262143.
const EXPECT_BYTES_MAX: u64 = 16 << 20;

/// Print the figures of SigMF recordings, also of ones that were not made here.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// Recordings: meta file, data file or their common base name. One complex channel, two real ones
    /// (I, then Q), or one real one with --intermediate-frequency.
    #[arg(required_unless_present = "i")]
    recordings: Vec<PathBuf>,
    /// Recording of the I channel alone, where each channel has a recording of its own.
    #[arg(long, value_name = "RECORDING", requires = "q", conflicts_with = "recordings")]
    i: Option<PathBuf>,
    /// Recording of the Q channel alone, of the same instants as --i.
    #[arg(long, value_name = "RECORDING", requires = "i")]
    q: Option<PathBuf>,
    /// Where the carrier lies in recordings of one real channel.
    #[arg(long, value_name = "FREQUENCY", conflicts_with = "i")]
    intermediate_frequency: Option<String>,
    /// The oscillator was above the signal: the spectrum at the intermediate frequency is inverted.
    #[arg(long, requires = "intermediate_frequency")]
    high_side: bool,
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
    /// Resolution of the converter, for recordings of integers that do not declare it: 12 for 12-bit
    /// codes in the lower bits of 16-bit words. Without it codes are taken to fill their words, which
    /// makes full scale too high and clipping invisible where they do not.
    #[arg(long, value_name = "BITS", value_parser = clap::value_parser!(u32).range(2..=32))]
    bits: Option<u32>,
    /// One JSON object a recording, one line each, for programs.
    #[arg(long)]
    json: bool,
}

/// What is expected in every recording.
struct Wanted {
    frame: Option<Frame>,
    octets: Option<Vec<u8>>,
    config: AnalysisConfig,
    channels: RealChannels,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let wanted = wanted(arguments)?;
    let mut ended = Ended::Done;
    for source in sources(arguments) {
        match analyse_one(&source, &wanted) {
            Ok(found) if arguments.json => {
                terminal.line(as_json(&source, &found).to_string())?;
            }
            Ok(found) => print(&source, &found, terminal)?,
            // One bad file of many is told and the others are still analysed.
            Err(failure) => {
                terminal.tell_failure(&failure);
                ended = failure.ended;
            }
        }
    }
    Ok(ended)
}

fn sources(arguments: &Arguments) -> Vec<Source> {
    match (&arguments.i, &arguments.q) {
        (Some(i), Some(q)) => vec![Source::Two { i: i.clone(), q: q.clone() }],
        _ => arguments.recordings.iter().cloned().map(Source::One).collect(),
    }
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
    let intermediate = arguments.intermediate_frequency.as_deref().map(frequency).transpose()?;
    let channels = RealChannels {
        sample_rate_hz,
        bits: arguments.bits,
        intermediate_hz: intermediate,
        inverted: arguments.high_side,
        symbol_rate_hz: config.chip_rate_hz,
        rolloff: config.rolloff,
    };
    Ok(Wanted { frame, octets, config, channels })
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

/// The analysis of a recording, and what the user should know of how it was read.
struct Found {
    analysis: Analysis,
    note: Option<String>,
}

fn analyse_one(source: &Source, wanted: &Wanted) -> Result<Found, Failure> {
    let analyse = || -> anyhow::Result<Found> {
        let baseband = Baseband::read(source, &wanted.channels)?;
        let mut expected = wanted.frame.as_ref().map_or_else(Expected::dmg, Expected::frame);
        if let Some(octets) = &wanted.octets {
            expected = expected.with_psdu(octets);
        }
        let mut analysis = analyse_with(&Cores, &baseband.phy(), &expected, &wanted.config)?;
        // Filtered samples do not tell any more which codes stood at an end.
        if let Some(clipped) = baseband.clipped_before_filter {
            analysis.figures.clipped_fraction = Some(clipped);
        }
        // None at the end of a range that may be another one says nothing.
        if !baseband.knows_clipping() {
            analysis.figures.clipped_fraction = None;
        }
        Ok(Found { analysis, note: baseband.note() })
    };
    analyse().map_err(|error| Failure::usage(error.context(format!("failed to analyse {source}"))))
}

/// The documented object: every figure by name, what cannot be had as null.
fn as_json(source: &Source, Found { analysis, note }: &Found) -> Json {
    let mut object = Map::new();
    object.insert("recording".into(), json!(source.to_string()));
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
    object.insert("note".into(), json!(note));
    Json::Object(object)
}

fn print(source: &Source, found: &Found, terminal: &mut Terminal) -> Result<(), Failure> {
    let Found { analysis, note } = found;
    terminal.line(format!("{source}: {}", analysis.outcome))?;
    if let Some(note) = note {
        terminal.line(format!("note: {note}"))?;
    }
    if analysis.figures.detected {
        let figures = figures_of(analysis);
        terminal.line(super::figures_table::of_figures(&figures).to_string())?;
    }
    Ok(())
}
