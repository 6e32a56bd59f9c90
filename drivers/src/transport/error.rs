//! What can go wrong on a link, as values: which link, in which phase, after how much.
//!
//! Knows I/O errors of the system; nothing of messages and instruments.

use std::fmt;
use std::io;
use std::time::Duration;

use crate::class::Class;

/// What a link was doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LinkPhase {
    /// Opening the connection or device.
    Connect,
    /// Sending.
    Write,
    /// Waiting for or receiving bytes.
    Read,
}

impl fmt::Display for LinkPhase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            LinkPhase::Connect => "connect to",
            LinkPhase::Write => "write to",
            LinkPhase::Read => "read from",
        })
    }
}

/// Why a link failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LinkFault {
    /// Nothing happened within the time allowed.
    #[error("nothing came in time")]
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
    #[error("no host of this name is known")]
    UnknownHost,
    /// No way leads to the host.
    #[error("there is no route to the host")]
    Unreachable,
    /// The serial device does not exist, or another program holds it.
    #[error("the serial device is not available: {0}")]
    Device(String),
    /// The link cannot be opened a second time.
    #[error("this link cannot be opened again")]
    OnlyOnce,
    /// Any other error of the system.
    #[error("{0}")]
    System(String),
}

/// A failure of a link. Reads as "failed to …".
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("failed to {phase} {address}: {fault} ({bytes} bytes done, {} ms)", took.as_millis())]
pub struct LinkError {
    /// The address of the link.
    pub address: String,
    /// What the link was doing.
    pub phase: LinkPhase,
    /// Bytes moved by the failing call before it failed.
    pub bytes: usize,
    /// Time spent in the failing call.
    pub took: Duration,
    /// Why.
    #[source]
    pub fault: LinkFault,
}

impl LinkError {
    /// The class: a disturbed link is transient, an address that cannot be right is for a person.
    #[must_use]
    pub fn class(&self) -> Class {
        match self.fault {
            LinkFault::UnknownHost | LinkFault::Device(_) => Class::Operator,
            LinkFault::OnlyOnce => Class::Internal,
            _ => Class::Transient,
        }
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
