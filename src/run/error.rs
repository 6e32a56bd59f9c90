//! Why a run cannot go on.

use beamwarden_drivers::Class;

use crate::bench::BenchError;
use crate::phy::analyse::AnalysisError;
use crate::record::RecordError;

/// Why a run cannot go on.
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
            RunError::Record(_) | RunError::Analysis { .. } | RunError::Panicked(_) => {
                Class::Internal
            }
            RunError::Stopped => Class::Operator,
        }
    }
}
