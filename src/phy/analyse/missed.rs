//! What can be said where no whole frame was received: how long the frame is against the recording, and
//! whether the spectrum is mirrored. Knows no way to put it right.

use std::sync::Arc;

use num_complex::Complex32;

use super::super::equaliser::Transforms;
use super::super::frame::PREAMBLE_CHIPS;
use super::super::frontend::{FrontEnd, Impairments, Timing};
use super::super::receiver::{Corrections, FrameState, Receiver, Tuned};
use super::super::recording::Recording;
use super::super::survey::survey;
use super::super::sync::{self, Candidate};
use super::frame::{Received, fits};
use super::{AnalysisError, Bench};

/// Least Es/N0 of a preamble, a ratio, that is believed when the spectrum is turned over. In noise it is
/// around zero with a spread of some -25 dB.
const MIRRORED_ES_N0_MIN: f64 = 1.0;
/// So many times what the spectrum shows as it was recorded. A real signal shows as much either way.
const MIRRORED_RATIO_MIN: f64 = 10.0;
/// Candidates that are looked at, the best ones.
const CANDIDATES_MAX: usize = 8;

/// What is known of frames that were not received whole.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Missed {
    /// Duration in seconds of the longest frame that an edge of the recording cuts, as its header or the
    /// layout given says; absent where there is none or its preamble is cut already.
    pub cut_frame_s: Option<f64>,
    /// Duration of the recording in seconds.
    pub recorded_s: f64,
    /// Whether a preamble stands out only when the spectrum is turned over, as with I and Q swapped or
    /// the other sideband: at 0 dB or more and ten times as strong. Looked for only where no frame of
    /// such strength was received.
    pub mirrored: bool,
}

/// Whether what was received leaves it open that the spectrum is mirrored.
pub(super) fn is_open(frames: &[Received]) -> bool {
    frames.iter().all(|frame| frame.layout.is_none() || frame.es_n0 < MIRRORED_ES_N0_MIN)
}

/// Whether the spectrum is mirrored: see [`Missed::mirrored`].
pub(super) fn is_mirrored(
    bench: &Bench<'_>,
    receiver: &Receiver<'_>,
    wrong: &Impairments,
    candidates: &[Candidate],
) -> Result<bool, AnalysisError> {
    let samples: Vec<Complex32> = bench.recording.samples.iter().map(Complex32::conj).collect();
    let recording = Recording { samples: &samples, ..*bench.recording };
    let found = survey(&recording, bench.samples_per_chip, bench.workers)?;
    let turned = Bench {
        recording: &recording,
        samples_per_chip: bench.samples_per_chip,
        pulse: bench.pulse,
        levels: found.levels,
        config: bench.config,
        workers: bench.workers,
        interpolator: Arc::clone(&bench.interpolator),
    };
    let wrong_turned = Impairments { dc: wrong.dc.conj(), ..*wrong };
    let turned_candidates = turned.candidates(&wrong_turned, found.stretches);
    if turned_candidates.is_empty() {
        return Ok(false);
    }
    let front_end: FrontEnd<'_> = turned.front_end(bench.pulse.half_span_symbols());
    let turned_receiver = Receiver {
        front_end: &front_end,
        pulse: bench.pulse,
        transforms: Transforms::new(),
        corrections: Corrections::of(bench.config),
    };
    let mirrored = strongest_preamble(&turned_receiver, &wrong_turned, turned_candidates);
    if mirrored < MIRRORED_ES_N0_MIN {
        return Ok(false);
    }
    let straight = strongest_preamble(receiver, wrong, candidates.to_vec());
    Ok(mirrored > MIRRORED_RATIO_MIN * straight)
}

/// Es/N0 (a ratio) of the strongest whole preamble among the candidates; 0 where there is none.
fn strongest_preamble(
    receiver: &Receiver<'_>,
    wrong: &Impairments,
    mut candidates: Vec<Candidate>,
) -> f64 {
    candidates.sort_by(|a, b| b.metric.total_cmp(&a.metric));
    let es_n0 = |candidate: &Candidate| -> Option<f64> {
        let aligned = sync::align(receiver.front_end, wrong, candidate);
        if !fits(receiver.front_end, aligned.main, PREAMBLE_CHIPS as f64) {
            return None;
        }
        let state = FrameState {
            wrong: Impairments { cfo: aligned.cfo, ..*wrong },
            timing: Timing { start: aligned.start, drift: 0.0 },
        };
        Some(Tuned::new(receiver, state)?.equaliser.es_n0)
    };
    candidates.iter().take(CANDIDATES_MAX).filter_map(es_n0).fold(0.0, f64::max)
}
