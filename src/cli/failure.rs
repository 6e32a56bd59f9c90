//! How a command ends: exit status and message.

use std::fmt;

use beamwarden_drivers::fault::Faults;

use super::terminal::plain;

/// The documented exit statuses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// Everything was done.
    Done = 0,
    /// Done, but an expectation failed.
    ExpectationFailed = 1,
    /// Wrong usage or a faulty file.
    Usage = 2,
    /// An instrument or a link failed.
    Instrument = 3,
    /// A limit or an interlock refused.
    Limit = 4,
    /// The operator stopped it.
    Stopped = 5,
    /// A fault of ours or of the machine.
    Internal = 70,
}

/// A command that did not do what it was asked for.
#[derive(Debug)]
pub struct Failure {
    /// The exit status.
    pub ended: Ended,
    /// What happened, where, what to do; underlined file faults instead when there are any.
    pub error: FailureKind,
}

/// What there is to show.
#[derive(Debug)]
pub enum FailureKind {
    /// An error with its causes.
    Error(anyhow::Error),
    /// Faults of user files.
    Faults(Vec<Faults>),
    /// Nothing: whoever read our output has gone away.
    ReaderGone,
}

impl Failure {
    /// Wrong usage, an unreadable or faulty file.
    pub fn usage(error: impl Into<anyhow::Error>) -> Self {
        Failure { ended: Ended::Usage, error: FailureKind::Error(error.into()) }
    }

    /// Faults in user files.
    #[must_use]
    pub fn faults(faults: Vec<Faults>) -> Self {
        Failure { ended: Ended::Usage, error: FailureKind::Faults(faults) }
    }

    /// A fault of ours or of the machine.
    pub fn internal(error: impl Into<anyhow::Error>) -> Self {
        Failure { ended: Ended::Internal, error: FailureKind::Error(error.into()) }
    }

    /// The reader of standard output has gone away.
    #[must_use]
    pub fn reader_gone() -> Self {
        Failure { ended: Ended::Done, error: FailureKind::ReaderGone }
    }

    /// The message, with underlined lines where a file is at fault.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        match &self.error {
            FailureKind::ReaderGone => String::new(),
            FailureKind::Error(error) => format!("error: {}", plain(&with_causes(error))),
            FailureKind::Faults(files) => {
                let shown: String = files.iter().map(|file| file.render(colour)).collect();
                let count: usize = files.iter().map(|file| file.faults.len()).sum();
                let noun = if count == 1 { "fault" } else { "faults" };
                format!("{shown}{count} {noun}; nothing was sent to any instrument")
            }
        }
    }
}

/// The message and those of its causes that it does not repeat already.
fn with_causes(error: &anyhow::Error) -> String {
    let mut shown = error.to_string();
    for cause in error.chain().skip(1) {
        let cause = cause.to_string();
        if !shown.contains(&cause) {
            shown = format!("{shown}: {cause}");
        }
    }
    shown
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl From<Faults> for Failure {
    fn from(faults: Faults) -> Self {
        Failure::faults(vec![faults])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_instrument_cannot_speak_to_the_terminal_in_an_error() {
        let failure = Failure::usage(anyhow::anyhow!("it reports -1,\"\u{1b}[2Jgone\""));
        assert_eq!(failure.render(true), "error: it reports -1,\"\u{fffd}[2Jgone\"");
    }
}
