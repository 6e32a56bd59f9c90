//! Why the bench did not do what was asked.

use beamwarden_drivers::Class;
use beamwarden_drivers::instrument::{InstrumentError, InstrumentFault};
use beamwarden_drivers::transport::LinkFault;

use super::knob::KnobError;
use crate::phy::frame::FrameError;
use crate::phy::waveform::ShapeError;

/// Why the bench did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The name, the value or a limit.
    #[error(transparent)]
    Knob(#[from] KnobError),
    /// An instrument or its link.
    #[error(transparent)]
    Instrument(#[from] Box<InstrumentError>),
    /// The simulated bench cannot be set up.
    #[error("failed to set up the simulated bench: {0}")]
    Simulated(String),
    /// The bench has no instrument of a role.
    #[error("the bench has no {0}; add one to the bench file")]
    NoInstrument(String),
    /// Something must not be switched on, because of a value that stands there already.
    #[error(
        "{setting} is not switched on, for a value stands beyond its limit: {limit}; set it first"
    )]
    StandsBeyond {
        /// What was to be switched on.
        setting: String,
        /// The value and the limit.
        limit: Box<KnobError>,
    },
    /// A value that nobody asked for stands beyond its limit.
    #[error(
        "found beyond its limit, though nobody asked for that: {limit}; look at the instrument, \
         something moved it"
    )]
    FoundBeyond {
        /// The value and the limit.
        limit: Box<KnobError>,
    },
    /// The instrument was not reached when the bench was opened.
    #[error("{0} is not open: it did not answer; go there and look at it")]
    NotOpen(String),
    /// The run that is replayed has no trace of an instrument.
    #[error("the run keeps no trace of {0}: nothing answers in its place")]
    NoTrace(String),
    /// A trace cannot be played.
    #[error("failed to read the trace {path}: {why}")]
    Trace {
        /// The file.
        path: String,
        /// What is wrong with it.
        why: String,
    },
    /// A register's value has bits that no setting accounts for.
    #[error(
        "{instrument}: the bits {foreign:#06x} of register {address:#06x} belong to no setting, so \
         no limit is known for them; nothing was sent. Leave them 0: they keep what they hold"
    )]
    ForeignBits {
        /// The instrument.
        instrument: String,
        /// The register.
        address: u32,
        /// The bits.
        foreign: u32,
    },
    /// Another process drives an instrument.
    #[error(
        "{0} is in use by another beamwarden on this machine; nothing was sent to any instrument"
    )]
    InUse(String),
    /// The lock that keeps two processes apart cannot be had.
    #[error("failed to lock {address}: {why}")]
    Lock {
        /// The address.
        address: String,
        /// What the system says.
        why: String,
    },
    /// The bench file describes no arrays.
    #[error("the bench has no beams; describe both arrays in the bench file")]
    NoArrays,
    /// Nothing is on the air.
    #[error("no frame is loaded; set frame before a capture, and again after source.sample_rate")]
    NoFrame,
    /// The frame cannot be built.
    #[error("failed to build the frame: {0}")]
    Frame(#[from] FrameError),
    /// The frame cannot be brought to the source's sample rate.
    #[error("failed to shape the waveform: {0}")]
    Shape(#[from] ShapeError),
    /// An instrument gave an answer of the right form and the wrong meaning.
    #[error("{instrument}: {message}")]
    Nonsense {
        /// The instrument.
        instrument: String,
        /// What it said.
        message: String,
    },
}

impl BenchError {
    /// What the instrument says, where it refuses.
    #[must_use]
    pub fn refusal(&self) -> Option<&str> {
        let BenchError::Instrument(error) = self else { return None };
        match error.fault.as_ref() {
            InstrumentFault::Refused { text, .. } => Some(text),
            _ => None,
        }
    }

    /// Whether a register that can only be written was never written, so that nobody knows what it
    /// holds.
    #[must_use]
    pub fn is_never_written(&self) -> bool {
        let BenchError::Instrument(error) = self else { return false };
        matches!(error.fault.as_ref(), InstrumentFault::NeverWritten)
    }

    /// Whether something was waited for that did not come.
    #[must_use]
    pub fn is_overdue(&self) -> bool {
        let BenchError::Instrument(error) = self else { return false };
        match error.fault.as_ref() {
            InstrumentFault::Link { error, .. } => error.fault == LinkFault::TimedOut,
            InstrumentFault::NoAnswer(_)
            | InstrumentFault::NotComplete(_)
            | InstrumentFault::StaysBusy { .. } => true,
            _ => false,
        }
    }

    /// The instrument that it concerns, where it is known.
    #[must_use]
    pub fn instrument(&self) -> Option<&str> {
        match self {
            BenchError::Instrument(error) => Some(&error.instrument),
            BenchError::NotOpen(name) | BenchError::NoTrace(name) => Some(name),
            BenchError::ForeignBits { instrument, .. } => Some(instrument),
            _ => None,
        }
    }

    /// What kind of failure this is.
    #[must_use]
    pub fn class(&self) -> Class {
        match self {
            BenchError::Knob(KnobError::BeyondLimit { .. } | KnobError::BetweenSteps { .. })
            | BenchError::StandsBeyond { .. }
            | BenchError::FoundBeyond { .. } => Class::Limit,
            BenchError::Instrument(error) => error.class(),
            BenchError::Nonsense { .. }
            | BenchError::NotOpen(_)
            | BenchError::InUse(_)
            | BenchError::Lock { .. } => Class::Instrument,
            BenchError::Simulated(_) => Class::Internal,
            BenchError::Knob(_)
            | BenchError::NoTrace(_)
            | BenchError::Trace { .. }
            | BenchError::NoInstrument(_)
            | BenchError::ForeignBits { .. }
            | BenchError::NoArrays
            | BenchError::NoFrame
            | BenchError::Frame(_)
            | BenchError::Shape(_) => Class::Operator,
        }
    }
}

impl From<InstrumentError> for BenchError {
    fn from(error: InstrumentError) -> Self {
        BenchError::Instrument(Box::new(error))
    }
}
