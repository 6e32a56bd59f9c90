//! From a recording to figures: finds the frames, receives them, counts and measures.
//!
//! What was sent is an argument. Knows no file, clock or instrument.

mod expected;
mod frame;
mod missed;
mod quality;

use std::ops::Range;
use std::sync::Arc;

use num_complex::Complex32;

pub use expected::{Expected, Format};
pub use missed::Missed;

use super::constellation::Constellation;
use super::equaliser::{EqualiserKind, Transforms};
use super::figures::{ErrorVectors, Figures};
use super::frontend::{FrontEnd, Impairments};
use super::header::Header;
use super::imbalance::IqImbalance;
use super::interpolator::Interpolator;
use super::mcs::CHIP_RATE_HZ;
use super::pulse::{RolloffError, RootRaisedCosine};
use super::receiver::{Corrections, FrameState, Receiver};
use super::recording::{Levels, Recording, RecordingError};
use super::spectrum::Spectrum;
use super::survey::{Survey, survey};
use super::sync::{self, Candidate};
use super::workers::{Alone, Workers, on_chunks};
use frame::{Errand, Received, Verdict};

/// How a recording is read, and which of its flaws are corrected.
#[derive(Clone, Debug, PartialEq)]
pub struct AnalysisConfig {
    /// Chips (symbols) a second.
    pub chip_rate_hz: f64,
    /// Roll-off of the root-raised-cosine filter, 0.05 to 0.5. The standard measures with 0.25.
    pub rolloff: f64,
    /// Take off the DC offset.
    pub remove_dc: bool,
    /// Correct the gain and phase imbalance of the two channels.
    pub correct_iq: bool,
    /// Correct the delay between the two channels.
    pub correct_skew: bool,
    /// Correct the carrier offset. Without it frames are found and their headers read all the same, and
    /// what the preamble tells (SNR, power, channel, the offset itself) does without the offset; but
    /// channel estimate, equaliser and data get the signal as it is. At the standard's rate an offset
    /// of 100 kHz then costs an EVM of some -20 dB in spite of phase tracking, and one of MHz leaves
    /// the equaliser no channel: an EVM of 0 dB and half of the bits wrong.
    pub correct_carrier: bool,
    /// Correct the offset of the sender's chip clock.
    pub correct_clock: bool,
    /// Follow the phase from block to block.
    pub track_phase: bool,
    /// How the channel is undone.
    pub equaliser: EqualiserKind,
    /// Frames that are used at most, the first ones; all of them when absent.
    pub frames_max: Option<usize>,
}

impl Default for AnalysisConfig {
    fn default() -> Self {
        Self {
            chip_rate_hz: CHIP_RATE_HZ,
            rolloff: 0.25,
            remove_dc: true,
            correct_iq: true,
            correct_skew: true,
            correct_carrier: true,
            correct_clock: true,
            track_phase: true,
            equaliser: EqualiserKind::Mmse,
            frames_max: None,
        }
    }
}

/// Why there is no analysis. That no frame is in the recording is not an error: see
/// [`Analysis::outcome`].
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AnalysisError {
    /// The recording cannot be read this way.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// The filter cannot be built.
    #[error(transparent)]
    Rolloff(#[from] RolloffError),
}

/// How far the analysis came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// At least one frame was received to its end.
    Received,
    /// There is no frame in the recording.
    NoFrame,
    /// There are frames, but none lies whole within the recording: an edge cuts each, or the frame that
    /// is looked for is longer than what was sent. See [`Analysis::missed`].
    OnlyCutFrames,
    /// There are frames, but no header could be read.
    HeaderUnreadable,
}

impl std::fmt::Display for Outcome {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(match self {
            Self::Received => "received",
            Self::NoFrame => "no frame found",
            Self::OnlyCutFrames => "no whole frame found",
            Self::HeaderUnreadable => "frame found, but its header could not be read",
        })
    }
}

/// Everything that was found out.
#[derive(Clone, Debug)]
pub struct Analysis {
    /// How far it came.
    pub outcome: Outcome,
    /// The figures, over all frames used.
    pub figures: Figures,
    /// Equalised data symbols of all frames used, without pi/2 rotation, unit mean power.
    pub points: Vec<Complex32>,
    /// Constellation of the data symbols.
    pub constellation: Option<Constellation>,
    /// Hard decisions: the data symbols' bits, one per octet.
    pub bits: Vec<u8>,
    /// Header of the first frame that has a readable one.
    pub header: Option<Header>,
    /// What each frame carried: the decoded PSDU, or the octets of an uncoded frame.
    pub psdus: Vec<Vec<u8>>,
    /// EVM of each data block in dB along the first frame, with the reference of `evm_db`.
    pub evm_per_block_db: Vec<f64>,
    /// Magnitude of the channel over frequency (Hz, dB around its mean), from the first frame.
    pub channel_response_db: Vec<(f64, f64)>,
    /// Impulse response of the channel with both pulse filters, two taps a chip, strongest path 16
    /// chips from the beginning unless paths before it count; from the first frame, relative to
    /// the recording's unit.
    pub impulse_response: Vec<Complex32>,
    /// Spectrum of the frames as received, against the carrier.
    pub spectrum: Option<Spectrum>,
    /// Where each frame used begins, in seconds from the first sample.
    pub frame_starts_s: Vec<f64>,
    /// What is known of frames that were not received whole.
    pub missed: Missed,
}

/// Finds the frames in a recording, receives them and measures.
///
/// # Errors
/// When rates or roll-off are impossible or a sample is not finite.
pub fn analyse(
    recording: &Recording<'_>,
    expected: &Expected<'_>,
    config: &AnalysisConfig,
) -> Result<Analysis, AnalysisError> {
    analyse_with(&Alone, recording, expected, config)
}

/// [`analyse`], with the parts of the work that do not depend on each other handed to `workers`. The
/// result is the same whoever they are.
///
/// # Errors
/// As [`analyse`].
pub fn analyse_with(
    workers: &dyn Workers,
    recording: &Recording<'_>,
    expected: &Expected<'_>,
    config: &AnalysisConfig,
) -> Result<Analysis, AnalysisError> {
    let pulse = RootRaisedCosine::new(config.rolloff)?;
    let samples_per_chip = recording.samples_per_chip(config.chip_rate_hz)?;
    let Survey { levels, stretches } = survey(recording, samples_per_chip, workers)?;
    let mut analysis = Analysis::empty(&levels);
    analysis.missed.recorded_s = recording.samples.len() as f64 / recording.sample_rate_hz;
    let chips = recording.samples.len() as f64 / samples_per_chip;
    // Less than a short training field: the filter would be longer than the recording.
    if levels.rms <= f64::MIN_POSITIVE || chips < super::frame::STF_CHIPS as f64 {
        return Ok(analysis);
    }
    let interpolator = FrontEnd::interpolator_for(samples_per_chip, pulse);
    let bench = Bench { recording, samples_per_chip, pulse, levels, config, workers, interpolator };
    let wrong = Impairments {
        dc: if config.remove_dc { levels.mean } else { Default::default() },
        ..Impairments::default()
    };
    let candidates = bench.candidates(&wrong, stretches);
    let front_end = bench.front_end(pulse.half_span_symbols());
    let receiver = Receiver {
        front_end: &front_end,
        pulse,
        transforms: Transforms::new(),
        corrections: Corrections::of(config),
    };
    let mut frames = analysis.receive(&receiver, &wrong, &candidates, expected, &bench);
    if missed::is_open(&frames) && missed::is_mirrored(&bench, &receiver, &wrong, &candidates)? {
        // What was taken for frames is what a mirrored preamble leaves.
        frames.clear();
        analysis.figures.frames_cut = 0;
        analysis.missed.cut_frame_s = None;
        analysis.missed.mirrored = true;
    }
    analysis.summarise(&bench, frames, expected);
    Ok(analysis)
}

/// What every step of the analysis needs.
pub(crate) struct Bench<'a> {
    recording: &'a Recording<'a>,
    samples_per_chip: f64,
    pulse: RootRaisedCosine,
    levels: Levels,
    config: &'a AnalysisConfig,
    workers: &'a dyn Workers,
    interpolator: Arc<Interpolator>,
}

impl Bench<'_> {
    /// Places where frames may begin, from the stretches that the survey has shown.
    fn candidates(&self, wrong: &Impairments, stretches: Vec<Range<usize>>) -> Vec<Candidate> {
        // Finding needs no exact filter.
        let coarse = self.front_end(6);
        let mut found: Vec<(Range<usize>, Vec<Candidate>)> =
            stretches.into_iter().flat_map(sync::pieces).map(|piece| (piece, Vec::new())).collect();
        on_chunks(self.workers, &mut found, 1, |_, found| {
            for (stretch, found) in found {
                *found = sync::find(&coarse, wrong, stretch.clone());
            }
        });
        sync::best_of(found.into_iter().flat_map(|(_, found)| found).collect())
    }

    fn front_end(&self, half_span_chips: usize) -> FrontEnd<'_> {
        FrontEnd::new(
            self.recording.samples,
            self.samples_per_chip,
            &self.levels,
            self.pulse,
            half_span_chips,
            Arc::clone(&self.interpolator),
        )
    }
}

impl Analysis {
    fn empty(levels: &Levels) -> Self {
        Self {
            outcome: Outcome::NoFrame,
            figures: Figures {
                clipped_fraction: levels.clipped_fraction,
                dc_i: Some(levels.mean.re),
                dc_q: Some(levels.mean.im),
                ..Figures::default()
            },
            points: Vec::new(),
            constellation: None,
            bits: Vec::new(),
            header: None,
            psdus: Vec::new(),
            evm_per_block_db: Vec::new(),
            channel_response_db: Vec::new(),
            impulse_response: Vec::new(),
            spectrum: None,
            frame_starts_s: Vec::new(),
            missed: Missed::default(),
        }
    }

    /// Receives the frames of the candidates, counting those that are cut.
    fn receive(
        &mut self,
        receiver: &Receiver<'_>,
        wrong: &Impairments,
        candidates: &[Candidate],
        expected: &Expected<'_>,
        bench: &Bench<'_>,
    ) -> Vec<Received> {
        let (config, workers) = (bench.config, bench.workers);
        let mut frames: Vec<Received> = Vec::new();
        for candidate in candidates {
            if config.frames_max.is_some_and(|most| frames.len() >= most) {
                break;
            }
            // What is wrong with the bench is much the same from frame to frame.
            let fresh = FrameState { wrong: *wrong, ..Default::default() };
            let settled =
                frames.iter().rev().find(|frame| frame.is_settled && frame.layout.is_some());
            let known = settled.map_or(fresh, |frame| frame.state);
            let errand = Errand { receiver, expected, workers, known };
            let verdict = match frame::receive(&errand, candidate) {
                Verdict::Nothing if settled.is_some() => {
                    frame::receive(&Errand { known: fresh, ..errand }, candidate)
                }
                verdict => verdict,
            };
            match verdict {
                Verdict::Received(received) => frames.push(*received),
                Verdict::Cut(chips) => {
                    self.figures.frames_cut += 1;
                    let duration_s = chips.map(|chips| chips as f64 / config.chip_rate_hz);
                    let longest = &mut self.missed.cut_frame_s;
                    *longest = (*longest).into_iter().chain(duration_s).reduce(f64::max);
                }
                Verdict::Nothing => {}
            }
        }
        frames
    }

    fn summarise(&mut self, bench: &Bench<'_>, frames: Vec<Received>, expected: &Expected<'_>) {
        self.figures.frames_found = frames.len() as u64;
        self.figures.detected = !frames.is_empty();
        let readable = frames.iter().any(|frame| frame.layout.is_some());
        self.outcome = match (frames.is_empty(), readable) {
            (true, _) if self.figures.frames_cut > 0 => Outcome::OnlyCutFrames,
            (true, _) => Outcome::NoFrame,
            (false, true) => Outcome::Received,
            (false, false) => Outcome::HeaderUnreadable,
        };
        if frames.is_empty() {
            return;
        }
        self.describe_link(bench, &frames);
        if expected.has_header() {
            self.figures.header_ok = Some(frames.iter().all(|frame| frame.header.is_some()));
        }
        self.describe_payload(&frames, expected);
        self.describe_quality(bench, &frames);
        let chips_to_s = 1.0 / bench.config.chip_rate_hz;
        self.frame_starts_s = frames.iter().map(|f| f.start_chips * chips_to_s).collect();
        for frame in frames {
            append(&mut self.points, frame.reception.symbols);
            append(&mut self.bits, frame.reception.bits);
            self.psdus.extend(frame.psdu);
        }
    }

    /// Level, noise, offsets and imbalance, averaged over the frames.
    fn describe_link(&mut self, bench: &Bench<'_>, frames: &[Received]) {
        let mean = |value: fn(&Received) -> f64| -> f64 {
            frames.iter().map(value).sum::<f64>() / frames.len() as f64
        };
        let db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
        let rate = bench.config.chip_rate_hz;
        let figures = &mut self.figures;
        figures.snr_db = db(mean(|f| f.es_n0));
        let power = mean(|f| f.power);
        figures.power_db = db(power);
        figures.power_dbfs = bench
            .recording
            .full_scale
            .filter(|full| *full > 0.0)
            .and_then(|full| db(power / f64::from(full).powi(2)));
        figures.cfo_hz = Some(mean(|f| f.cfo) * rate);
        // What no block has shown is no figure.
        let looked = frames.iter().any(|frame| frame.chips_looked_at > 0);
        if bench.config.correct_clock && looked {
            figures.clock_offset_ppm = Some(mean(|f| f.state.timing.rate_offset()) * 1e6);
        }
        figures.delay_spread_s = Some(mean(|f| f.delay_spread_chips) / rate);
        if bench.config.correct_iq && looked {
            let images = frames.iter().map(|f| f.state.wrong.image);
            let image = images.sum::<num_complex::Complex64>();
            let imbalance = IqImbalance::from_image_ratio(image / frames.len() as f64);
            figures.iq_gain_db = Some(imbalance.gain_db);
            figures.iq_phase_deg = Some(imbalance.phase_deg);
            figures.image_rejection_db =
                Some(imbalance.image_rejection_db()).filter(|db| db.is_finite());
        }
        if bench.config.correct_skew && looked {
            figures.iq_skew_s = Some(mean(|f| f.state.wrong.skew) / rate);
        }
        if bench.config.remove_dc {
            figures.dc_i = Some(mean(|f| f.state.wrong.dc.re));
            figures.dc_q = Some(mean(|f| f.state.wrong.dc.im));
        }
        if let Some(first) = frames.first() {
            self.channel_response_db =
                first.response_db.iter().map(|(f, db)| (f * rate, *db)).collect();
            self.impulse_response.clone_from(&first.impulse_response);
        }
    }

    /// Errors, decoded bits and codewords, summed over the frames.
    fn describe_payload(&mut self, frames: &[Received], expected: &Expected<'_>) {
        let sum = |value: fn(&Received) -> Option<u64>| -> Option<u64> {
            frames.iter().filter_map(value).reduce(|a, b| a + b)
        };
        let evm = |value: fn(&Received) -> ErrorVectors| -> Option<f64> {
            let mut total = ErrorVectors::default();
            frames.iter().for_each(|frame| total.add(value(frame)));
            total.evm_db()
        };
        // A frame that could not be decoded must not be left out of the mean.
        let read = || frames.iter().filter(|frame| frame.layout.is_some());
        let all_known = read().all(|frame| frame.errors_data_aided.mean_square().is_some());
        let figures = &mut self.figures;
        figures.evm_data_aided_db = evm(|f| f.errors_data_aided).filter(|_| all_known);
        figures.evm_by_decision_db = evm(|f| f.errors_by_decision);
        figures.evm_db = figures.evm_data_aided_db.or(figures.evm_by_decision_db);
        // Frames whose raw errors are unknown are the bad ones: without them the rest flatters.
        let all_counted = read().all(|frame| frame.raw.is_some());
        figures.raw_bits = sum(|f| f.raw.map(|raw| raw.1)).filter(|_| all_counted);
        figures.raw_bit_errors = sum(|f| f.raw.map(|raw| raw.0)).filter(|_| all_counted);
        figures.codewords = sum(|f| f.codewords.map(|words| words.1));
        figures.codewords_failed = sum(|f| f.codewords.map(|words| words.0));
        let errors = sum(|f| f.payload.map(|payload| payload.0));
        if let (Some(errors), Some(bits)) = (errors, sum(|f| f.payload.map(|payload| payload.1))) {
            figures.count_bits(errors, bits);
        }
        let first = frames.iter().find(|frame| frame.layout.is_some());
        self.header = frames.iter().find_map(|frame| frame.header);
        let mcs = self.header.and_then(|header| header.mcs());
        figures.mcs = mcs.and_then(|mcs| mcs.name().parse().ok());
        figures.psdu_octets = match &self.header {
            Some(header) => header.psdu_octets().map(|octets| octets as u64),
            None if expected.has_header() => None,
            None => first.and_then(|f| f.layout).map(|layout| layout.coded_bits() as u64 / 8),
        };
        self.constellation = first.and_then(|f| f.layout).map(|layout| layout.constellation);
        self.evm_per_block_db = first.map_or(Vec::new(), |frame| frame.evm_per_block_db.clone());
    }
}

/// Appends without copying where there is nothing yet.
fn append<T>(all: &mut Vec<T>, mut more: Vec<T>) {
    if all.is_empty() {
        *all = more;
    } else {
        all.append(&mut more);
    }
}

#[cfg(test)]
mod tests;
