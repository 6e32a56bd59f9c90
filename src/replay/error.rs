//! Why a run cannot be replayed.

use beamwarden_drivers::fault::Faults;

use crate::bench::BenchError;
use crate::phy::analyse::AnalysisError;
use crate::record::{CaptureNo, RecordError};
use crate::run::RunError;

/// Most captures that are named in one message.
const LOST_MAX: usize = 5;

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
    /// Nobody knows what the lines of the journal mean.
    #[error(
        "the first line of the journal of {0}, which tells its format, is missing or damaged: how to \
         read the others is not known; 'verify' tells more"
    )]
    NoFormat(String),
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
    #[error("{file}: capture {capture} was changed or damaged since it was recorded")]
    Damaged {
        /// The capture.
        capture: CaptureNo,
        /// The file.
        file: String,
    },
    /// None of the captures could be analysed.
    #[error("none of the {captures} captures can be analysed; of the first: {first}")]
    NoneAnalysed {
        /// Why the first could not.
        first: String,
        /// How many there are.
        captures: usize,
    },
    /// The recorded messages cannot be followed, as captures are missing whose codes were answers.
    #[error(
        "the messages of {run} cannot be given again: {}{}; 'replay --against captures' analyses \
         the captures that are left",
        lost.iter().take(LOST_MAX).cloned().collect::<Vec<_>>().join("; "),
        if lost.len() > LOST_MAX { format!("; and {} more", lost.len() - LOST_MAX) } else { String::new() }
    )]
    Lost {
        /// The run.
        run: String,
        /// Every missing or damaged capture, in a sentence with its file.
        lost: Vec<String>,
    },
    /// The run keeps no messages.
    #[error(
        "run {0} keeps no messages in its folder trace/: there is nothing to follow; --against model or \
         captures needs none"
    )]
    NoTraces(String),
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
    /// The simulated bench did not get through the sequence.
    #[error(
        "the sequence does not run on the simulated bench, so that nothing can be fitted: the rehearsal \
         took {captures} of the run's {recorded} captures and ended with: {first}"
    )]
    Rehearsal {
        /// Captures of the run that the rehearsal took as well.
        captures: usize,
        /// Captures of the run.
        recorded: usize,
        /// What failed first.
        #[source]
        first: RunError,
    },
    /// The operator stopped it.
    #[error("stopped by the operator; nothing was written")]
    Stopped,
}
