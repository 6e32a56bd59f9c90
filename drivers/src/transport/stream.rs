//! The link over any byte stream: deadlines, counting, closing. TCP, serial and pipe differ only
//! in how their stream is opened.
//!
//! Knows streams and tokio's clock; nothing of messages.

use std::future::poll_fn;
use std::io;
use std::task::Poll;
use std::time::Duration;

use async_trait::async_trait;
use bytes::BufMut;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::task::coop::unconstrained;
use tokio::time::{Instant, timeout_at};

use super::{LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery, Transport};

/// Opens the stream of one kind of link.
#[async_trait]
pub trait Opener: Send {
    /// The stream.
    type Stream: AsyncRead + AsyncWrite + Unpin + Send + Sync;

    /// Opens a new stream.
    ///
    /// # Errors
    /// Why it cannot be opened.
    async fn open(&mut self) -> Result<Self::Stream, LinkFault>;

    /// How links of this kind get back into step.
    fn recovery(&self) -> Recovery;

    /// As [`Transport::line_rate_bytes_per_s`].
    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        None
    }
}

/// A link over a byte stream without marks for the end of a message.
pub struct StreamLink<O: Opener> {
    address: String,
    opener: O,
    stream: Option<O::Stream>,
}

impl<O: Opener> StreamLink<O> {
    /// A link that is not open yet.
    pub(super) fn closed(address: String, opener: O) -> Self {
        StreamLink { address, opener, stream: None }
    }

    fn error(&self, phase: LinkPhase, bytes: usize, since: Instant, fault: LinkFault) -> LinkError {
        LinkError { address: self.address.clone(), phase, bytes, took: since.elapsed(), fault }
    }
}

#[async_trait]
impl<O: Opener> Transport for StreamLink<O> {
    fn describe(&self) -> &str {
        &self.address
    }

    fn is_open(&self) -> bool {
        self.stream.is_some()
    }

    fn recovery(&self) -> Recovery {
        self.opener.recovery()
    }

    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        self.opener.line_rate_bytes_per_s()
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        if let Some(mut old) = self.stream.take() {
            // A close that hangs must not keep the new connection from being made.
            let bound = until.min(since + Duration::from_millis(200));
            let _ = timeout_at(bound, old.shutdown()).await;
        }
        let opened = match timeout_at(until, self.opener.open()).await {
            Ok(opened) => opened,
            Err(_) => Err(LinkFault::TimedOut),
        };
        match opened {
            Ok(stream) => {
                self.stream = Some(stream);
                Ok(())
            }
            Err(fault) => Err(self.error(LinkPhase::Connect, 0, since, fault)),
        }
    }

    async fn send(&mut self, bytes: &[u8], _part: Part, pace: Pace) -> Result<(), LinkError> {
        let since = Instant::now();
        let mut done = 0;
        let outcome = match &mut self.stream {
            Some(stream) => write_all(stream, bytes, pace, &mut done).await,
            None => Err(LinkFault::Closed),
        };
        outcome.map_err(|fault| {
            if fault != LinkFault::TimedOut {
                self.stream = None;
            }
            self.error(LinkPhase::Write, done, since, fault)
        })
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let since = Instant::now();
        let outcome = match &mut self.stream {
            Some(stream) => {
                let mut room = into.limit(at_most.max(1));
                match by(until, stream.read_buf(&mut room)).await {
                    None => Err(LinkFault::TimedOut),
                    Some(Ok(0)) => Err(LinkFault::Closed),
                    Some(Ok(bytes)) => Ok(Received { bytes, end: false }),
                    Some(Err(error)) => Err(LinkFault::from(&error)),
                }
            }
            None => Err(LinkFault::Closed),
        };
        outcome.map_err(|fault| {
            if fault != LinkFault::TimedOut {
                self.stream = None;
            }
            self.error(LinkPhase::Read, 0, since, fault)
        })
    }
}

/// The outcome of a future if it comes in time. With `until` in the past the future is polled once:
/// a timer of its own would round up to its next tick, a millisecond for every look. Such a look sees
/// what is there: the runtime, which makes a task wait after so many reads, is not asked.
pub(super) async fn by<F: Future>(until: Instant, future: F) -> Option<F::Output> {
    if until > Instant::now() {
        return timeout_at(until, future).await.ok();
    }
    let mut future = std::pin::pin!(unconstrained(future));
    poll_fn(|context| match future.as_mut().poll(context) {
        Poll::Ready(outcome) => Poll::Ready(Some(outcome)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
}

/// Writes everything, each piece within the idle time.
async fn write_all<S: AsyncWrite + Unpin>(
    stream: &mut S,
    bytes: &[u8],
    pace: Pace,
    done: &mut usize,
) -> Result<(), LinkFault> {
    while *done < bytes.len() {
        match timeout_at(pace.next(), stream.write(&bytes[*done..])).await {
            Err(_) => return Err(LinkFault::TimedOut),
            Ok(Ok(0)) => return Err(LinkFault::Closed),
            Ok(Ok(count)) => *done += count,
            Ok(Err(error)) if error.kind() == io::ErrorKind::Interrupted => {}
            Ok(Err(error)) => return Err(LinkFault::from(&error)),
        }
    }
    match timeout_at(pace.next(), stream.flush()).await {
        Err(_) => Err(LinkFault::TimedOut),
        Ok(flushed) => flushed.map_err(|error| LinkFault::from(&error)),
    }
}
