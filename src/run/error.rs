//! Why a run cannot go on, or an action has failed.

use std::time::Duration;

use beamwarden_drivers::Class;

use super::interlocks::Tripped;
use crate::bench::BenchError;
use crate::bench::policy::Then;
use crate::phy::analyse::AnalysisError;
use crate::record::RecordError;

/// Why a run cannot go on, or an action has failed.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The bench refused or failed.
    #[error("{place}: {source}")]
    Bench {
        /// File and line of the step, or the section.
        place: String,
        /// What happened.
        #[source]
        source: Box<BenchError>,
    },
    /// The record could not be written.
    #[error("failed to write the record: {0}")]
    Record(#[from] RecordError),
    /// A capture could not be analysed at all.
    #[error("{place}: failed to analyse the capture: {source}")]
    Analysis {
        /// File and line of the step.
        place: String,
        /// What happened.
        #[source]
        source: AnalysisError,
    },
    /// Something took longer than it may.
    #[error("{place}: {what} took longer than its deadline of {} s", after.as_secs_f64())]
    Deadline {
        /// File and line of the step.
        place: String,
        /// What: `an action`, `the point`, `the run`.
        what: &'static str,
        /// The deadline.
        after: Duration,
    },
    /// An instrument may have lost its settings while it was used.
    #[error("{place}: {instrument} may have lost its settings meanwhile")]
    SettingsLost {
        /// File and line of the step.
        place: String,
        /// The instrument.
        instrument: String,
    },
    /// A reading did not come to where it was waited for.
    #[error("{place}: {what}")]
    NotReached {
        /// File and line of the step.
        place: String,
        /// What was waited for, and what it was at the end.
        what: String,
        /// What follows.
        then: Then,
    },
    /// A capture cannot be trusted, and the policy wants better.
    #[error("{place}: {what}")]
    Doubtful {
        /// File and line of the step.
        place: String,
        /// What speaks against it.
        what: String,
    },
    /// A setting reads back as something else than was asked for.
    #[error("{place}: {what}")]
    NotTaken {
        /// File and line of the step.
        place: String,
        /// Its name, what was asked for and what it reads back.
        what: String,
    },
    /// An expression has no value.
    #[error("{place}: {what}")]
    NoValue {
        /// File and line of the step.
        place: String,
        /// What is missing.
        what: String,
    },
    /// A condition that is watched does not hold, and the run pauses for it. Ends no run by itself.
    #[error("{0}")]
    Tripped(Tripped),
    /// A condition that is watched does not hold, and the run ends.
    #[error("{told}")]
    Interlock {
        /// Which, what it must be and what it was.
        told: String,
    },
    /// The reference point has drifted beyond its band.
    #[error("{place}: {what}")]
    Drifted {
        /// File and line.
        place: String,
        /// Which figures, how far.
        what: String,
    },
    /// Too many points were given up.
    #[error("the run ends, {what}; the last for: {last}")]
    TooMuchFailed {
        /// How many.
        what: String,
        /// The last failure.
        last: Box<RunError>,
    },
    /// Something that must be so before the first step is not.
    #[error("not ready: {0}")]
    NotReady(String),
    /// The safe state was not reached before an interrupted run could go on.
    #[error("the safe state was not reached, so the run does not go on; go to the bench")]
    NotSafe,
    /// Another instrument answers than when the run began.
    #[error("the run does not go on: {0}")]
    OtherInstruments(String),
    /// The program itself failed.
    #[error("a fault of this program, please report it: {0}")]
    Panicked(String),
    /// The operator stopped the run.
    #[error("stopped by the operator")]
    Stopped,
}

impl RunError {
    /// A failure of the bench at a place of the sequence.
    pub fn bench(place: &str, source: BenchError) -> Self {
        RunError::Bench { place: place.to_string(), source: Box::new(source) }
    }

    /// What kind of failure this is.
    #[must_use]
    pub fn class(&self) -> Class {
        match self {
            RunError::Bench { source, .. } => source.class(),
            RunError::Deadline { what: "the run", .. } => Class::Limit,
            RunError::Deadline { .. } | RunError::Doubtful { .. } => Class::Transient,
            RunError::SettingsLost { .. }
            | RunError::NotTaken { .. }
            | RunError::NotReached { .. }
            | RunError::NoValue { .. }
            | RunError::NotSafe
            | RunError::NotReady(_)
            | RunError::OtherInstruments(_) => Class::Instrument,
            RunError::TooMuchFailed { last, .. } => last.class(),
            RunError::Interlock { .. } | RunError::Tripped(_) | RunError::Drifted { .. } => {
                Class::Limit
            }
            RunError::Record(_) | RunError::Analysis { .. } | RunError::Panicked(_) => {
                Class::Internal
            }
            RunError::Stopped => Class::Operator,
        }
    }

    /// The instrument that it concerns, where it is known.
    #[must_use]
    pub fn instrument(&self) -> Option<&str> {
        match self {
            RunError::Bench { source, .. } => source.instrument(),
            RunError::SettingsLost { instrument, .. } => Some(instrument),
            _ => None,
        }
    }
}
