//! Today's analysis over yesterday's captures: all cores, several captures at once.
//!
//! Reads captures, writes nothing; whoever calls keeps the outcome.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::PoisonError;

use serde_json::{Map, Value as Json, json};
use tokio::time::Instant;

use super::air::Air;
use super::error::ReplayError;
use super::recorded::Recorded;
use crate::bench::{Captured, Scale, Traces};
use crate::phy::analyse::{AnalysisConfig, Expected, analyse_with};
use crate::phy::frame::{Frame, build};
use crate::phy::workers::{Alone, Task, Workers};
use crate::record::{
    AnalysedCapture, CaptureNo, ChannelScale, FrameRecord, RawChannel, SigmfMeta, sha256_hex,
};
use crate::run::figures_of;
use crate::threads::Cores;

/// The figures of all captures of a run, anew.
#[derive(Clone, Debug, PartialEq)]
pub struct Reanalysis {
    /// One a capture, by number.
    pub captures: Vec<AnalysedCapture>,
    /// The captures that could not be analysed, by number.
    pub lost: Vec<Lost>,
    /// Settings of the analysis, by name.
    pub settings: Map<String, Json>,
}

/// A capture that could not be analysed.
#[derive(Clone, Debug, PartialEq)]
pub struct Lost {
    /// The capture.
    pub capture: CaptureNo,
    /// Why, with the file where one is missing or damaged.
    pub why: String,
}

/// A capture is done: so many of so many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reanalysed {
    /// Done so far.
    pub done: usize,
    /// All of them.
    pub of: usize,
}

/// Analyses every capture of a run anew, as the run did: each against the frame that was on the
/// air, at the rates of that frame. `told` hears of each capture that is done, from any thread;
/// `stopping` is asked before each begins.
///
/// A capture that is missing, damaged or cannot be analysed is told, and the others are analysed.
///
/// # Errors
/// When there is no capture that can be analysed, or a stop came.
pub fn reanalyse(
    recorded: &Recorded,
    air: &Air,
    told: &(dyn Fn(Reanalysed) + Sync),
    stopping: &(dyn Fn() -> bool + Sync),
) -> Result<Reanalysis, ReplayError> {
    if recorded.captures.is_empty() {
        return Err(ReplayError::NoCaptures(recorded.folder.name().to_owned()));
    }
    let of = recorded.captures.len();
    let frames = Frames { air, known: Mutex::default() };
    let outcomes: Mutex<BTreeMap<CaptureNo, Result<AnalysedCapture, ReplayError>>> =
        Mutex::default();
    let one = |number: CaptureNo| {
        if stopping() {
            return;
        }
        let outcome = analyse_one(recorded, number, &frames);
        let mut all = outcomes.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert(number, outcome);
        told(Reanalysed { done: all.len(), of });
    };
    let one = &one;
    let tasks = recorded.captures.keys().map(|number| -> Task<'_> { Box::new(|| one(*number)) });
    Cores.run(tasks.collect());
    let outcomes = outcomes.into_inner().unwrap_or_else(PoisonError::into_inner);
    if outcomes.len() < of {
        return Err(ReplayError::Stopped);
    }
    let (mut captures, mut lost) = (Vec::new(), Vec::new());
    for (capture, outcome) in outcomes {
        match outcome {
            Ok(analysed) => captures.push(analysed),
            Err(error) => lost.push(Lost { capture, why: error.to_string() }),
        }
    }
    match lost.first() {
        Some(first) if captures.is_empty() => {
            Err(ReplayError::NoneAnalysed { first: first.why.clone(), captures: of })
        }
        _ => Ok(Reanalysis { captures, lost, settings: settings() }),
    }
}

/// What the analysis is set to beside the rates of each capture.
fn settings() -> Map<String, Json> {
    let config = AnalysisConfig::default();
    let equaliser = format!("{:?}", config.equaliser).to_lowercase();
    let all = [
        ("remove_dc", json!(config.remove_dc)),
        ("correct_iq", json!(config.correct_iq)),
        ("correct_skew", json!(config.correct_skew)),
        ("correct_carrier", json!(config.correct_carrier)),
        ("correct_clock", json!(config.correct_clock)),
        ("track_phase", json!(config.track_phase)),
        ("equaliser", json!(equaliser)),
        ("frames_max", json!(config.frames_max)),
    ];
    all.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

/// The frames of a run's captures, each built once.
struct Frames<'a> {
    air: &'a Air,
    known: Mutex<BTreeMap<String, std::sync::Arc<Frame>>>,
}

impl Frames<'_> {
    /// The frame that a capture names, if it carries what was sent then.
    fn of(&self, record: &FrameRecord) -> Result<std::sync::Arc<Frame>, String> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(frame) = known.get(&record.name) {
            return Ok(frame.clone());
        }
        let named = self.air.frame(&record.name)?;
        let frame = build(&named.spec).map_err(|error| error.to_string())?;
        let sha256 = sha256_hex(&frame.psdu);
        if record.payload_sha256.as_ref().is_some_and(|sent| *sent != sha256) {
            let name = &record.name;
            return Err(format!("frame '{name}' carries another payload now than it did then"));
        }
        let frame = std::sync::Arc::new(frame);
        known.insert(record.name.clone(), frame.clone());
        Ok(frame)
    }
}

fn analyse_one(
    recorded: &Recorded,
    number: CaptureNo,
    frames: &Frames<'_>,
) -> Result<AnalysedCapture, ReplayError> {
    let raw = recorded.raw(number)?;
    let lacks = |why: &str| ReplayError::Capture { capture: number, why: why.to_owned() };
    let meta = recorded.folder.read_meta(number)?;
    let captured = captured(&meta, raw.channels).map_err(|why| lacks(&why))?;
    let record = meta.captures.first().and_then(|capture| capture.frame.clone());
    let frame = record.as_ref().map(|record| frames.of(record)).transpose();
    let frame = frame.map_err(|why| lacks(&why))?;
    let signal = &frames.air.signal;
    let (symbol_rate_hz, roll_off) =
        record.as_ref().map_or((signal.symbol_rate_hz, signal.roll_off), |record| {
            (record.symbol_rate_hz, record.roll_off.unwrap_or(signal.roll_off))
        });
    let config = AnalysisConfig {
        chip_rate_hz: symbol_rate_hz,
        rolloff: roll_off,
        ..AnalysisConfig::default()
    };
    let samples = captured.samples();
    let recording = captured.recording(&samples);
    let expected = frame.as_ref().map_or_else(Expected::dmg, |frame| Expected::frame(frame));
    let analysis = analyse_with(&Alone, &recording, &expected, &config)
        .map_err(|source| ReplayError::Analysis { capture: number, source })?;
    Ok(AnalysedCapture {
        capture: number,
        data_sha512: raw.sha512,
        frame: record.map(|record| record.name),
        symbol_rate_hz,
        roll_off,
        figures: figures_of(&analysis),
    })
}

/// A capture as it was when the scope had given it.
fn captured(meta: &SigmfMeta, raw: [RawChannel; 2]) -> Result<Captured, String> {
    let sample_rate_hz = meta.global.sample_rate_hz.filter(|rate| *rate > 0.0);
    let sample_rate_hz = sample_rate_hz.ok_or("its meta file tells no sample rate")?;
    let channels = meta.global.channels.as_deref();
    let Some([i, q]) = channels else {
        return Err("its meta file does not tell the scale of both channels".to_owned());
    };
    let scale = |channel: &ChannelScale| Scale {
        volts_per_code: channel.volts_per_code,
        offset_v: channel.offset_v,
        bits: channel.bits,
    };
    let traces = match raw {
        [RawChannel::Codes(i_codes), RawChannel::Codes(q_codes)] => {
            Traces::Codes([i_codes, q_codes], [scale(i), scale(q)])
        }
        [RawChannel::Volts(i), RawChannel::Volts(q)] => Traces::Volts([i, q]),
        _ => return Err("its channels are of two kinds".to_owned()),
    };
    Ok(Captured {
        traces,
        doubts: Vec::new(),
        sample_rate_hz,
        centre_hz: meta.captures.first().and_then(|capture| capture.centre_hz),
        taken: Instant::now(),
    })
}
