//! Links that carry bytes to and from one instrument: TCP, HiSLIP, serial line, USBTMC device node,
//! in-process pipe.
//!
//! Every byte to an instrument passes the [`Transport`] trait, so that tracing, fault injection
//! and replay are wrappers of any transport. Nothing here knows what the bytes mean; where an
//! answer ends is decided by [`crate::message::AnswerReader`].

mod address;
mod error;
mod faulty;
mod hislip;
mod line;
mod pipe;
mod replay;
mod serial;
mod stream;
mod tcp;
#[cfg(test)]
mod testing;
mod trace;
mod usbtmc;

use std::time::Duration;

use async_trait::async_trait;
use tokio::time::Instant;

pub use address::{Address, AddressError, FlowControl, LineEnd, Parity, SerialAddress};
pub(crate) use error::shown_time;
pub use error::{LinkError, LinkFault, LinkPhase};
pub use faulty::{Disturbance, FaultPlan, Faulty, Injected};
pub use hislip::HislipLink;
pub use line::Line;
pub use pipe::{PipeLink, PipeOpener};
pub use replay::{Difference, FirstDifference, LongAnswers, Replay, ReplayFault, SharedReplay};
pub use serial::{SerialLink, SerialOpener};
pub use stream::{Opener, StreamLink};
pub use tcp::{TcpLink, TcpOpener};
pub use trace::{Direction, TraceEvent, TraceSink, Traced};
pub use usbtmc::UsbtmcLink;

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
    /// links without such a mark ([`Transport::marks_end`]).
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
    /// A device clear ([`Transport::clear`]): both sides drop what was under way. The connection
    /// stays, unless the clear itself fails.
    Clear,
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

    /// Whether the link marks the end of a message ([`Received::end`]). Blocks of indefinite length
    /// can be told from what follows on such links only.
    fn marks_end(&self) -> bool {
        false
    }

    /// Opens the link; closes it first when it is open.
    ///
    /// # Errors
    /// [`LinkError`] of the phase connect.
    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError>;

    /// Brings both ends of an open link back into step: what was under way before is never
    /// received after. A device clear where the link has one, else [`Transport::reopen`].
    ///
    /// # Errors
    /// [`LinkError`] of the phase clear; the link is then closed.
    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        self.reopen(until).await
    }

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

    /// The instrument's status byte, read beside the data; `None` where the link has no such way
    /// and a query has to ask for it.
    ///
    /// # Errors
    /// [`LinkError`] of the phase read.
    async fn status_byte(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let _ = until;
        Ok(None)
    }

    /// Waits for the instrument to ask for service, or takes a request that came earlier: the
    /// status byte that came with it. `None` at once where the link carries no such requests.
    ///
    /// # Errors
    /// [`LinkError`] of the phase read; none came in time.
    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let _ = until;
        Ok(None)
    }

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

    fn marks_end(&self) -> bool {
        (**self).marks_end()
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        (**self).reopen(until).await
    }

    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        (**self).clear(until).await
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

    async fn status_byte(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        (**self).status_byte(until).await
    }

    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        (**self).service_request(until).await
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
        Address::Hislip { host, port, device } => {
            Some(Box::new(HislipLink::new(host, *port, device)))
        }
        Address::Usbtmc(path) => Some(Box::new(UsbtmcLink::new(path))),
        Address::Serial(line) => Some(Box::new(SerialLink::new(line.clone()))),
        Address::Simulated => None,
    }
}
