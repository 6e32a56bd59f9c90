//! Why a run cannot be replayed.

use beamwarden_drivers::fault::Faults;

use crate::bench::BenchError;
use crate::phy::analyse::AnalysisError;
use crate::record::{CaptureNo, RecordError};

/// Why a run cannot be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The record cannot be read, or what is new cannot be written.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The frozen files do not fit this version, or one another.
    #[error("the files that the run keeps cannot be used")]
    Faults(Vec<Faults>),
    /// The journal does not say what ran.
    #[error("the journal of {0} does not say what ran: its first lines are missing or damaged")]
    NoStart(String),
    /// Frozen files are not those that the run ran with.
    #[error(
        "run {run} cannot be replayed from other files than it ran with: {what}; put them back as they \
         were, or run the sequence anew"
    )]
    Inputs {
        /// The run.
        run: String,
        /// Every file, with what is wrong with it.
        what: String,
    },
    /// There is nothing to look at.
    #[error("{0} keeps no captures")]
    NoCaptures(String),
    /// A capture is not what was recorded.
    #[error("capture {0} was changed or damaged since it was recorded; 'verify' tells more")]
    Damaged(CaptureNo),
    /// A capture lacks what its analysis needs.
    #[error("capture {capture} cannot be analysed: {why}")]
    Capture {
        /// The capture.
        capture: CaptureNo,
        /// What is missing.
        why: String,
    },
    /// The analysis failed altogether.
    #[error("failed to analyse capture {capture}: {source}")]
    Analysis {
        /// The capture.
        capture: CaptureNo,
        /// Why.
        #[source]
        source: AnalysisError,
    },
    /// The bench in place of the recorded one cannot be set up.
    #[error(transparent)]
    Bench(#[from] BenchError),
    /// The operator stopped it.
    #[error("stopped by the operator; nothing was written")]
    Stopped,
}
