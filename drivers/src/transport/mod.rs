//! Links that carry bytes to and from one instrument: TCP, serial line, in-process pipe.
//!
//! Every byte to an instrument passes the [`Transport`] trait, so that tracing, fault injection
//! and replay are wrappers of any transport. Nothing here knows what the bytes mean; where an
//! answer ends is decided by [`crate::message::AnswerReader`].

mod address;
mod error;
mod faulty;
mod pipe;
mod replay;
mod serial;
mod stream;
mod tcp;
mod trace;

use std::time::Duration;

use async_trait::async_trait;
use tokio::time::Instant;

pub use address::{Address, AddressError, FlowControl, Parity, SerialAddress};
pub(crate) use error::shown_time;
pub use error::{LinkError, LinkFault, LinkPhase};
pub use faulty::{Disturbance, FaultPlan, Faulty, Injected};
pub use pipe::{PipeLink, PipeOpener};
pub use replay::{Replay, ReplayFault};
pub use serial::{SerialLink, SerialOpener};
pub use stream::{Opener, StreamLink};
pub use tcp::{TcpLink, TcpOpener};
pub use trace::{Direction, TraceEvent, TraceSink, Traced};

/// How long a transfer may take: in all, and without a single byte moving.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// The transfer ends by then, however far it is.
    pub by: Instant,
    /// The longest time without progress.
    pub idle: Duration,
}

impl Pace {
    /// The instant until which the next byte may take.
    #[must_use]
    pub fn next(&self) -> Instant {
        self.by.min(Instant::now() + self.idle)
    }
}

/// What one call of [`Transport::receive`] brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Received {
    /// Bytes appended, at least one unless `end` is set.
    pub bytes: usize,
    /// Whether the transport marked the last of them as the end of the message. Never set by
    /// links without such a mark (TCP, serial, pipe).
    pub end: bool,
}

/// Whether more parts of the same message follow. Links that mark the end of a message need it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// More bytes of this message follow.
    Middle,
    /// The last or only part of a message.
    Last,
}

/// How a link gets back into step after a late, lost or damaged answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recovery {
    /// Close and open again: what was under way on the old connection cannot arrive on the new.
    Reopen,
    /// Discard input until the line is quiet; the connection itself stays.
    Drain,
}

/// A link to one instrument. One owner, one exchange at a time.
///
/// Dropping a future of [`send`](Transport::send) or [`receive`](Transport::receive) before it
/// ends may lose bytes, never invents any: whoever drops one regards the link as out of step.
#[async_trait]
pub trait Transport: Send {
    /// The address in the notation of bench files, for messages.
    fn describe(&self) -> &str;

    /// Whether the link was opened and has not failed since.
    fn is_open(&self) -> bool;

    /// How the link gets back into step.
    fn recovery(&self) -> Recovery;

    /// Bytes per second that the line can carry, where the line itself sets that limit.
    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        None
    }

    /// Opens the link; closes it first when it is open.
    ///
    /// # Errors
    /// [`LinkError`] of the phase connect.
    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError>;

    /// Sends all the bytes.
    ///
    /// # Errors
    /// [`LinkError`] of the phase write, with the number of bytes that the system took. A success
    /// does not prove that they arrived.
    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError>;

    /// Appends what has arrived, at most `at_most` bytes; waits for the first of them.
    ///
    /// # Errors
    /// [`LinkError`] of the phase read: nothing came in time, or the peer closed. With `until` in
    /// the past, only bytes that are already here are returned.
    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError>;

    /// Tells wrappers that what was received so far forms a whole answer.
    fn answer_complete(&mut self) {}
}

#[async_trait]
impl<T: Transport + ?Sized> Transport for Box<T> {
    fn describe(&self) -> &str {
        (**self).describe()
    }

    fn is_open(&self) -> bool {
        (**self).is_open()
    }

    fn recovery(&self) -> Recovery {
        (**self).recovery()
    }

    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        (**self).line_rate_bytes_per_s()
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        (**self).reopen(until).await
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        (**self).send(bytes, part, pace).await
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        (**self).receive(into, at_most, until).await
    }

    fn answer_complete(&mut self) {
        (**self).answer_complete();
    }
}

/// The link for an address, not yet opened; `None` for `simulated`, which whoever owns the
/// simulated bench turns into a [`PipeLink`].
#[must_use]
pub fn link_for(address: &Address) -> Option<Box<dyn Transport>> {
    match address {
        Address::Tcp { host, port } => Some(Box::new(TcpLink::new(host, *port))),
        Address::Serial(line) => Some(Box::new(SerialLink::new(line.clone()))),
        Address::Simulated => None,
    }
}
