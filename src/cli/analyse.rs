//! `analyse`: figures from any SigMF recording.

use std::path::{Path, PathBuf};

use beamwarden_drivers::quantity::{Dimension, Quantity};
use serde_json::{Map, Value as Json, json};

use super::baseband::{Baseband, RealChannels, Recorded, Source};
use super::benches_at_hand::read_source;
use super::{Ended, Failure, Terminal, remarks};
use crate::bench::frame_file::{FrameFile, NamedFrame};
use crate::phy::analyse::{Analysis, AnalysisConfig, Expected, analyse_with};
use crate::phy::figures::FigureValue;
use crate::phy::frame::{Frame, FrameError, build};
use crate::record::{FrameRecord, sha256_hex};
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
    /// as "qpsk uncoded" or "mcs 9", or a frame file. When absent the frame that the recording names,
    /// as those made here do, or dmg.
    #[arg(long)]
    frame: Option<String>,
    /// File with the octets that were sent, to count bit errors against.
    #[arg(long, value_name = "FILE")]
    expect: Option<PathBuf>,
    /// Symbols a second; when absent those of the frame file or of the frame that the recording names,
    /// or 1.76 GHz.
    #[arg(long, value_name = "FREQUENCY")]
    symbol_rate: Option<String>,
    /// Roll-off of the root-raised-cosine; when absent that of the frame file or of the frame that the
    /// recording names, or 0.25.
    #[arg(long)]
    roll_off: Option<f64>,
    /// Sample rate, for recordings that do not say; refused where they say another one.
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
    /// As named by the user; none to go by what the recording says.
    sent: Option<Sent>,
    octets: Option<Vec<u8>>,
    symbol_rate_hz: Option<f64>,
    roll_off: Option<f64>,
    sample_rate_hz: Option<f64>,
    bits: Option<u32>,
    intermediate_hz: Option<f64>,
    high_side: bool,
}

/// What was sent, as far as it is told.
struct Sent {
    /// Name of the frame, or `dmg`.
    name: String,
    /// Who says so.
    told_by: ToldBy,
    frame: Option<Frame>,
    symbol_rate_hz: Option<f64>,
    roll_off: Option<f64>,
    /// What is wrong with it.
    note: Option<String>,
}

/// Who says what was sent.
#[derive(Clone, Copy, PartialEq, Eq)]
enum ToldBy {
    User,
    Recording,
    Nobody,
}

impl Sent {
    /// Whatever the header says.
    fn dmg(told_by: ToldBy) -> Self {
        let name = "dmg".to_owned();
        Self { name, told_by, frame: None, symbol_rate_hz: None, roll_off: None, note: None }
    }

    fn of(named: &NamedFrame, told_by: ToldBy) -> Result<Self, FrameError> {
        Ok(Self {
            name: named.name.clone(),
            frame: Some(build(&named.spec)?),
            symbol_rate_hz: named.symbol_rate_hz,
            roll_off: named.roll_off,
            ..Self::dmg(told_by)
        })
    }

    /// The frame that a recording names. One that is not known here, or whose payload is another one,
    /// leaves the header, and its rates.
    fn recorded(record: &FrameRecord) -> Self {
        let usable = |value: &f64| value.is_finite() && *value > 0.0;
        let sha256 = |sent: &Sent| sent.frame.as_ref().map(|frame| sha256_hex(&frame.psdu));
        let built = NamedFrame::parse(&record.name)
            .and_then(|named| Self::of(&named, ToldBy::Recording))
            .ok()
            .filter(|sent| {
                record.payload_sha256.is_none() || sha256(sent) == record.payload_sha256
            });
        Self {
            symbol_rate_hz: Some(record.symbol_rate_hz).filter(usable),
            roll_off: record.roll_off.filter(usable),
            ..built.unwrap_or_else(|| Self {
                note: Some(format!(
                    "the recording says that frame '{}' was sent, which cannot be built here: taken \
                     as dmg; give its frame file with --frame",
                    record.name
                )),
                ..Self::dmg(ToldBy::Nobody)
            })
        }
    }
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
    let sent = match arguments.frame.as_deref() {
        None => None,
        Some("dmg") => Some(Sent::dmg(ToldBy::User)),
        Some(name) => Some(Sent::of(&named_frame(name)?, ToldBy::User).map_err(Failure::usage)?),
    };
    let hertz = |text: &Option<String>| text.as_deref().map(frequency).transpose();
    Ok(Wanted {
        sent,
        octets: arguments.expect.as_deref().map(read_octets).transpose()?,
        symbol_rate_hz: hertz(&arguments.symbol_rate)?,
        roll_off: arguments.roll_off,
        sample_rate_hz: hertz(&arguments.sample_rate)?,
        bits: arguments.bits,
        intermediate_hz: hertz(&arguments.intermediate_frequency)?,
        high_side: arguments.high_side,
    })
}

impl Wanted {
    fn config(&self, sent: &Sent) -> AnalysisConfig {
        let standard = AnalysisConfig::default();
        AnalysisConfig {
            chip_rate_hz: self
                .symbol_rate_hz
                .or(sent.symbol_rate_hz)
                .unwrap_or(standard.chip_rate_hz),
            rolloff: self.roll_off.or(sent.roll_off).unwrap_or(standard.rolloff),
            ..standard
        }
    }

    fn channels(&self, config: &AnalysisConfig) -> RealChannels {
        RealChannels {
            sample_rate_hz: self.sample_rate_hz,
            intermediate_hz: self.intermediate_hz,
            inverted: self.high_side,
            symbol_rate_hz: config.chip_rate_hz,
            rolloff: config.rolloff,
        }
    }
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
    /// Name of the frame that was looked for.
    frame: String,
    told_by: ToldBy,
    notes: Vec<String>,
}

fn analyse_one(source: &Source, wanted: &Wanted) -> Result<Found, Failure> {
    let analyse = || -> anyhow::Result<Found> {
        let recorded = Recorded::read(source, wanted.bits)?;
        let by_recording;
        let sent = match &wanted.sent {
            Some(sent) => sent,
            None => {
                let recorded = recorded.frame().map(Sent::recorded);
                by_recording = recorded.unwrap_or_else(|| Sent::dmg(ToldBy::Nobody));
                &by_recording
            }
        };
        let config = wanted.config(sent);
        let baseband = Baseband::of(source, recorded, &wanted.channels(&config))?;
        let mut expected = sent.frame.as_ref().map_or_else(Expected::dmg, Expected::frame);
        if let Some(octets) = &wanted.octets {
            expected = expected.with_psdu(octets);
        }
        let mut analysis = analyse_with(&Cores, &baseband.phy(), &expected, &config)?;
        // Filtered samples do not tell any more which codes stood at an end.
        if let Some(clipped) = baseband.clipped_before_filter {
            analysis.figures.clipped_fraction = Some(clipped);
        }
        // None at the end of a range that may be another one says nothing.
        if !baseband.knows_clipping() {
            analysis.figures.clipped_fraction = None;
        }
        let high_side = wanted.intermediate_hz.map(|_| wanted.high_side);
        let mut notes: Vec<String> = baseband.note().into_iter().collect();
        notes.extend(sent.note.clone());
        notes.extend(remarks::of_missed(&analysis, &expected, high_side));
        notes.extend(remarks::of_reference(&analysis, &expected, sent.frame.as_ref()));
        Ok(Found { analysis, frame: sent.name.clone(), told_by: sent.told_by, notes })
    };
    analyse().map_err(|error| Failure::usage(error.context(format!("failed to analyse {source}"))))
}

/// The documented object: every figure by name, what cannot be had as null.
fn as_json(source: &Source, Found { analysis, frame, told_by, notes }: &Found) -> Json {
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
    object.insert("frame".into(), json!(frame));
    let by_recording = *told_by == ToldBy::Recording;
    object.insert("frame_named_by_recording".into(), json!(by_recording));
    let note = (!notes.is_empty()).then(|| notes.join(". "));
    object.insert("note".into(), json!(note));
    Json::Object(object)
}

fn print(source: &Source, found: &Found, terminal: &mut Terminal) -> Result<(), Failure> {
    let Found { analysis, frame, told_by, notes } = found;
    terminal.line(format!("{source}: {}", analysis.outcome))?;
    if *told_by == ToldBy::Recording {
        terminal.line(format!("frame: {frame}, as the recording says"))?;
    }
    for note in notes {
        terminal.line(format!("note: {note}"))?;
    }
    if analysis.figures.detected {
        let figures = figures_of(analysis);
        terminal.line(super::figures_table::of_figures(&figures).to_string())?;
    }
    Ok(())
}
