//! What can go wrong with an instrument: which one, at which command, in which phase, and what it
//! means for whoever has to go on.

use std::fmt;

use super::stream::Progress;
use crate::class::Class;
use crate::frame::FrameFault;
use crate::message::{ErrorEntry, Identity, MessageError, MessageFault};
use crate::pattern::PatternError;
use crate::profile::QUEUE_OVERFLOW;
use crate::transport::LinkError;
use crate::value::Unfit;

/// What was being done. Reads after "failed to".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Opening the link and beginning the session.
    Open,
    /// Bringing a disturbed link back into step.
    Resynchronise,
    /// Checking a request before anything is sent.
    Check,
    /// Sending a command.
    Send,
    /// Asking a query.
    Ask,
    /// Waiting until an operation is complete.
    Complete,
    /// Reading the error queue after a command.
    ErrorCheck,
    /// Reading a setting back.
    ReadBack,
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Phase::Open => "open",
            Phase::Resynchronise => "get back into step before",
            Phase::Check => "accept",
            Phase::Send => "send",
            Phase::Ask => "ask",
            Phase::Complete => "complete",
            Phase::ErrorCheck => "check for errors after",
            Phase::ReadBack => "read back",
        })
    }
}

/// Why.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum InstrumentFault {
    /// The link failed, or no answer came in time.
    #[error("{}", cut_short(error, so_far))]
    Link {
        /// The link's error, its byte count and time those of the whole exchange. What it was
        /// doing and where is said by [`InstrumentError`].
        error: LinkError,
        /// What had arrived of the answer, escaped.
        so_far: String,
    },
    /// No answer came, and the instrument's error queue says why.
    #[error("it does not answer, and reports {0}")]
    NoAnswer(ErrorReport),
    /// The answer cannot be parsed.
    #[error(transparent)]
    Message(#[from] MessageError),
    /// What every session begins with is answered by something else: perhaps another instrument.
    #[error(
        "'{query}' is answered otherwise than the profile says: {error}; is it this instrument?"
    )]
    OtherAnswer {
        /// What was asked.
        query: String,
        /// What is wrong with the answer.
        error: MessageError,
    },
    /// Bytes came that nobody asked for, so that the next answer cannot be trusted.
    #[error("bytes came that nobody asked for: '{0}'")]
    Stray(String),
    /// The line does not become silent.
    #[error("the line does not become silent")]
    NeverQuiet,
    /// The error queue has entries.
    #[error("it reports {0}")]
    Reported(ErrorReport),
    /// The error queue goes on and on.
    #[error("its error queue does not end after {bound} entries, the last is {last}")]
    ErrorsEndless {
        /// The most entries that are read.
        bound: usize,
        /// The last one read.
        last: ErrorEntry,
    },
    /// A register port refuses.
    #[error("it refuses: {code} {text}")]
    Refused {
        /// Its code.
        code: String,
        /// Its text.
        text: String,
    },
    /// The value is of another kind or beyond the range; nothing was sent.
    #[error(transparent)]
    Unfit(#[from] Unfit),
    /// Nothing has this name.
    #[error("there is no {what} '{name}'{}", shown("; did you mean ", near))]
    Unknown {
        /// Setting, reading or action.
        what: &'static str,
        /// The name.
        name: String,
        /// A name like it, empty when there is none.
        near: String,
    },
    /// The model with which the session is has none of this name.
    #[error("model '{model}' has no {what} '{name}'")]
    NotOfModel {
        /// Setting, reading or action.
        what: &'static str,
        /// The name.
        name: String,
        /// The model.
        model: String,
    },
    /// It can only be read.
    #[error("it can only be read")]
    ReadOnly,
    /// An action's input is missing, unknown or of another kind.
    #[error("input '{name}' {problem}")]
    Input {
        /// The input.
        name: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A message cannot be made.
    #[error(transparent)]
    Pattern(#[from] PatternError),
    /// A message that is none.
    #[error("a message is one line with at most one query")]
    NotOneMessage,
    /// Another instrument answers at the address.
    #[error("another instrument answers: '{found}' where '{expected}' is expected")]
    WrongIdentity {
        /// Who is expected.
        expected: String,
        /// Who answers.
        found: Identity,
    },
    /// The instrument has restarted: its settings are gone.
    #[error("the instrument has restarted, its settings are gone; set them again")]
    Restarted,
    /// The completion query answers something else than 1.
    #[error("the completion query answers '{0}' instead of 1")]
    NotComplete(String),
    /// A status register does not become clear.
    #[error("its status stays at {status} after {seconds:.1} s")]
    StaysBusy {
        /// The last status.
        status: i64,
        /// Time waited.
        seconds: f64,
    },
    /// A register shows a code that stands for no word.
    #[error("code {0} stands for no word of the register map")]
    UnknownCode(u64),
    /// A frame is damaged, or none that is due.
    #[error("{fault}{}", shown(", in ", so_far))]
    Frame {
        /// What is wrong.
        fault: FrameFault,
        /// What had arrived, in hexadecimal.
        so_far: String,
    },
    /// The answer is about another register than was asked for.
    #[error("the answer is about register {answered:#06x} where {asked:#06x} was asked for")]
    OtherRegister {
        /// The register asked for.
        asked: u32,
        /// The register of the answer.
        answered: u32,
    },
    /// A register that cannot be read, and whose other fields nobody knows.
    #[error(
        "register {address:#06x} cannot be read, and nobody knows what its other fields hold; set {} \
         with it", fields.join(", ")
    )]
    Unseen {
        /// Its address.
        address: u32,
        /// Its other fields.
        fields: Vec<String>,
    },
    /// A field that can only be written, and was not.
    #[error("it can only be written, and was not in this session")]
    NeverWritten,
    /// Text to a port that speaks in frames.
    #[error("this port speaks in frames, not in text; set and read its fields by name")]
    FramesOnly,
    /// A transfer or action was stopped on request.
    #[error("it was stopped after {0}")]
    Stopped(Progress),
    /// The data of a block cannot be had, or not be put where they belong.
    #[error("the data of the block failed on this side: {0}")]
    Data(String),
    /// The link opened, and nothing at all came over it.
    #[error(
        "{}; it lets us connect and says nothing: another client may hold the only connection that \
         it serves, or line settings differ",
        .0.why()
    )]
    Mute(LinkError),
    /// The driver has no way to do this.
    #[error("the profile has no register port")]
    NoPort,
}

/// What an error queue held, and what the profile says that it means.
#[derive(Clone, Debug, PartialEq)]
pub struct ErrorReport {
    /// The entries, in the order of the queue.
    pub entries: Vec<ErrorEntry>,
    /// What they mean together.
    pub class: Class,
}

impl std::ops::Deref for ErrorReport {
    type Target = [ErrorEntry];

    fn deref(&self) -> &[ErrorEntry] {
        &self.entries
    }
}

impl fmt::Display for ErrorReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.entries.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))?;
        if self.entries.iter().any(|entry| entry.number == QUEUE_OVERFLOW) {
            f.write_str("; its queue was full, errors were lost")?;
        }
        Ok(())
    }
}

/// Why a link failed, and what had arrived, which says itself how much that was.
fn cut_short(error: &LinkError, so_far: &str) -> String {
    let bytes = if so_far.is_empty() { error.bytes } else { 0 };
    let why = LinkError { bytes, ..error.clone() }.why();
    // The header of a HiSLIP message begins so (IVI-6.1, 2.4 of revision 1.1 and later).
    let meant = if so_far.starts_with("HS\\x") && error.address.starts_with("tcp:") {
        "; this is HiSLIP, so write hislip:// in the address"
    } else {
        ""
    };
    format!("{why}{}{meant}", shown("; received so far: ", so_far))
}

fn shown(before: &str, text: &str) -> String {
    if text.is_empty() { String::new() } else { format!("{before}'{text}'") }
}

impl InstrumentFault {
    /// The class.
    #[must_use]
    pub fn class(&self) -> Class {
        use InstrumentFault as F;
        match self {
            F::Link { error, .. } | F::Mute(error) => error.class(),
            F::Stopped(_) => Class::Operator,
            F::Data(_) => Class::Internal,
            F::Message(error) | F::OtherAnswer { error, .. } => match error.fault {
                MessageFault::Flag | MessageFault::UnknownWord => Class::Instrument,
                _ => Class::Transient,
            },
            F::Frame { fault: FrameFault::TooLarge { .. } | FrameFault::Incomplete, .. } => {
                Class::Internal
            }
            F::Frame { .. } | F::OtherRegister { .. } => Class::Transient,
            F::Stray(_) | F::NeverQuiet | F::NotComplete(_) => Class::Transient,
            F::Reported(report) | F::NoAnswer(report) => report.class,
            F::Unfit(Unfit::OutOfRange { .. } | Unfit::BetweenSteps { .. }) => Class::Limit,
            F::ErrorsEndless { .. }
            | F::Refused { .. }
            | F::WrongIdentity { .. }
            | F::Restarted
            | F::NotOfModel { .. }
            | F::StaysBusy { .. }
            | F::Unseen { .. }
            | F::NeverWritten
            | F::UnknownCode(_) => Class::Instrument,
            F::Unfit(Unfit::WrongKind { .. })
            | F::Unknown { .. }
            | F::ReadOnly
            | F::Input { .. }
            | F::Pattern(_)
            | F::NotOneMessage
            | F::FramesOnly
            | F::NoPort => Class::Internal,
        }
    }
}

/// A failure at an instrument: which one, what failed, where, and why, each once.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{instrument}: failed to {phase} {}: {fault}", self.object())]
pub struct InstrumentError {
    /// The instrument's name in the bench file.
    pub instrument: String,
    /// The message, setting or action, abbreviated.
    pub command: String,
    /// What was being done.
    pub phase: Phase,
    /// Why it failed.
    #[source]
    pub fault: Box<InstrumentFault>,
}

impl InstrumentError {
    /// What could not be done, with the address where the link is the matter.
    fn object(&self) -> String {
        match (&*self.fault, self.phase) {
            // What is opened is the address.
            (_, Phase::Open) => self.command.clone(),
            (InstrumentFault::Link { error, .. }, _) => {
                format!("'{}' at {}", self.command, error.address)
            }
            _ => format!("'{}'", self.command),
        }
    }

    /// The class.
    #[must_use]
    pub fn class(&self) -> Class {
        self.fault.class()
    }
}
