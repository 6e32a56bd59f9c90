//! What can go wrong on a link, as values: which link, in which phase, after how much.
//!
//! Knows I/O errors of the system; nothing of messages and instruments.

use std::fmt;
use std::io;
use std::time::Duration;

use super::ReplayFault;
use crate::class::Class;
use crate::quantity::{Dimension, Quantity};

/// What a link was doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LinkPhase {
    /// Opening the connection or device.
    Connect,
    /// Sending.
    Write,
    /// Waiting for or receiving bytes.
    Read,
    /// Bringing both ends back into step.
    Clear,
}

impl fmt::Display for LinkPhase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            LinkPhase::Connect => "connect to",
            LinkPhase::Write => "write to",
            LinkPhase::Read => "read from",
            LinkPhase::Clear => "clear",
        })
    }
}

/// Why a link failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LinkFault {
    /// Nothing happened within the time allowed.
    #[error("it took too long")]
    TimedOut,
    /// The peer closed the connection, or the link was never opened.
    #[error("the connection is closed")]
    Closed,
    /// The peer cut the connection.
    #[error("the peer cut the connection")]
    Reset,
    /// Nobody listens at the address, or only one client is allowed and another is connected.
    #[error("nobody listens there, or another client holds the only connection")]
    Refused,
    /// The host name cannot be resolved.
    #[error("no host of this name is known; check the address in the bench file")]
    UnknownHost,
    /// No way leads to the host.
    #[error("there is no route to the host")]
    Unreachable,
    /// The device does not exist, another program holds it, or it is not ours to open.
    #[error("the device is missing, in use by another program or not open to this user: {0}")]
    Device(String),
    /// The instrument reports an error of the link, which goes on.
    #[error("the instrument objects: {0}")]
    Peer(String),
    /// The instrument reports an error after which the link is closed.
    #[error("the instrument gave the connection up: {0}")]
    PeerGaveUp(String),
    /// What came is not what the link's protocol allows.
    #[error("the peer does not keep to the protocol: {0}")]
    Protocol(String),
    /// The instrument insists on what this program does not do.
    #[error("{0}")]
    Unsupported(String),
    /// The instrument dropped an answer while it was read.
    #[error("the instrument dropped its answer because another message came before it was read")]
    Interrupted,
    /// What came back on a line that echoes is not what was sent.
    #[error("the line does not echo what was sent: {0}")]
    Echo(String),
    /// A message longer than the link can hold back until its end.
    #[error("a message of more than {limit} bytes cannot be sent in one piece on this link")]
    MessageTooLong {
        /// The most that it holds.
        limit: usize,
    },
    /// The link cannot be opened a second time.
    #[error("this link cannot be opened again")]
    OnlyOnce,
    /// A recorded trace cannot be played on.
    #[error(transparent)]
    Replay(#[from] Box<ReplayFault>),
    /// Any other error of the system.
    #[error("{0}")]
    System(String),
}

/// A failure of a link. Reads as "failed to …".
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("failed to {phase} {address}: {}", self.why())]
pub struct LinkError {
    /// The address of the link.
    pub address: String,
    /// What the link was doing.
    pub phase: LinkPhase,
    /// Bytes moved by the failing call before it failed.
    pub bytes: usize,
    /// Time spent in the failing call.
    pub took: Duration,
    /// Why. Part of the message, therefore no source that would be shown once more.
    pub fault: LinkFault,
}

impl LinkError {
    /// Why, after how much and how long, for whoever has said already what failed and where.
    #[must_use]
    pub fn why(&self) -> String {
        let why = match (&self.fault, self.phase) {
            (LinkFault::TimedOut, LinkPhase::Connect) if self.address.starts_with("hislip:") => {
                "no HiSLIP session came about in time; a raw socket is reached by tcp://".into()
            }
            (LinkFault::TimedOut, LinkPhase::Connect) => "no connection came about in time".into(),
            (LinkFault::TimedOut, LinkPhase::Write) => "it was not taken in time".into(),
            (LinkFault::TimedOut, LinkPhase::Read) => "nothing came in time".into(),
            (LinkFault::TimedOut, LinkPhase::Clear) => "it was not acknowledged in time".into(),
            (fault, _) => fault.to_string(),
        };
        let bytes = (self.bytes > 0).then(|| format!("{} bytes", self.bytes));
        // What failed at once needs no time beside it.
        let took = (self.took.as_millis() > 0).then(|| shown_time(self.took));
        let after: Vec<String> = bytes.into_iter().chain(took).collect();
        if after.is_empty() { why } else { format!("{why} (after {})", after.join(" and ")) }
    }

    /// The class. A device that is missing or in use may be back at the next try; a host without a
    /// name is not, so it is not tried again.
    #[must_use]
    pub fn class(&self) -> Class {
        match self.fault {
            LinkFault::UnknownHost
            | LinkFault::Unsupported(_)
            | LinkFault::MessageTooLong { .. } => Class::Instrument,
            LinkFault::OnlyOnce | LinkFault::Replay(_) => Class::Internal,
            _ => Class::Transient,
        }
    }
}

/// A time for messages, to the millisecond.
pub(crate) fn shown_time(time: Duration) -> String {
    let value = time.as_millis() as f64 / 1000.0;
    Quantity { value, dimension: Dimension::Time }.to_string()
}

impl LinkFault {
    /// The fault of a link error that was recorded as text, for a replay.
    pub(super) fn recorded(text: &str) -> Self {
        let plain = [
            LinkFault::Closed,
            LinkFault::Reset,
            LinkFault::Refused,
            LinkFault::UnknownHost,
            LinkFault::Unreachable,
            LinkFault::Interrupted,
            LinkFault::OnlyOnce,
        ];
        let in_time =
            ["came about in time", "not taken in time", "came in time", "not acknowledged in time"];
        if in_time.iter().any(|known| text.contains(known)) {
            return LinkFault::TimedOut;
        }
        let known = plain.into_iter().find(|fault| text.contains(&fault.to_string()));
        known.unwrap_or_else(|| LinkFault::System(format!("recorded: {text}")))
    }
}

impl From<&io::Error> for LinkFault {
    fn from(error: &io::Error) -> Self {
        use io::ErrorKind as Kind;
        match error.kind() {
            Kind::TimedOut => LinkFault::TimedOut,
            Kind::UnexpectedEof | Kind::NotConnected => LinkFault::Closed,
            Kind::ConnectionReset | Kind::BrokenPipe | Kind::ConnectionAborted => LinkFault::Reset,
            Kind::ConnectionRefused => LinkFault::Refused,
            Kind::HostUnreachable | Kind::NetworkUnreachable | Kind::NetworkDown => {
                LinkFault::Unreachable
            }
            _ => LinkFault::System(error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use LinkFault as F;

    #[track_caller]
    fn check(phase: LinkPhase, fault: LinkFault, bytes: usize, took_ms: u64, message: &str) {
        let took = Duration::from_millis(took_ms);
        let error = LinkError { address: "tcp://a:1".into(), phase, bytes, took, fault };
        assert_eq!(error.to_string(), message);
        // A person is asked only where a person stopped something or has to decide.
        assert_ne!(error.class(), Class::Operator);
        assert!(std::error::Error::source(&error).is_none(), "nothing is said twice");
        // A trace keeps the text alone.
        match (LinkFault::recorded(&error.to_string()), error.fault) {
            (F::System(text), fault) => assert!(text.contains(&fault.to_string()), "{text}"),
            (recorded, fault) => assert_eq!(recorded, fault),
        }
    }

    #[test]
    fn a_failure_reads_once_and_says_after_how_much() {
        let (connect, write, read) = (LinkPhase::Connect, LinkPhase::Write, LinkPhase::Read);
        let message = "failed to connect to tcp://a:1: nobody listens there, or another client \
                       holds the only connection";
        check(connect, F::Refused, 0, 0, message);
        let message =
            "failed to connect to tcp://a:1: no connection came about in time (after 5 s)";
        check(connect, F::TimedOut, 0, 5000, message);
        let message =
            "failed to write to tcp://a:1: it was not taken in time (after 12 bytes and 250 ms)";
        check(write, F::TimedOut, 12, 250, message);
        let message = "failed to read from tcp://a:1: the connection is closed (after 3 bytes)";
        check(read, F::Closed, 3, 0, message);
        let message = "failed to connect to tcp://a:1: the device is missing, in use by another \
                       program or not open to this user: busy";
        check(connect, F::Device("busy".into()), 0, 0, message);
        let message = "failed to connect to tcp://a:1: no host of this name is known; check the \
                       address in the bench file (after 1.234 s)";
        check(connect, F::UnknownHost, 0, 1234, message);
    }
}
