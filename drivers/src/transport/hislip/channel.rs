//! One of the two connections of a HiSLIP session: whole headers in, payloads in pieces.
//!
//! Every wait may be cut off and taken up again: what has arrived of a message stays known, so that
//! a timeout in the middle of a payload loses nothing. Knows no order of messages.

use std::io::{self, IoSlice};
use std::pin::Pin;
use std::task::{Context, Poll, Waker};

use bytes::BufMut;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::time::timeout_at;

use super::dial::Wire;
use super::wire::{BAD_HEADER, HEADER_BYTES, Header, Kind, UNKNOWN_TYPE};
use crate::transport::{LinkFault, Pace};

/// The longest payload that we accept, told to the server at the start. Longer answers come in
/// several messages.
pub(super) const PAYLOAD_BYTES_MAX: u64 = 1 << 20;
/// Bytes of an error's text that are kept.
const TEXT_BYTES_MAX: usize = 512;
/// Headers and short payloads are read together; longer ones bypass this buffer.
const BUFFER_BYTES: usize = 8 << 10;

/// A connection.
pub(super) struct Channel {
    stream: BufReader<Wire>,
    head: [u8; HEADER_BYTES],
    /// Bytes of `head` that are there.
    have: usize,
    /// The message whose payload is being read.
    open: Option<Header>,
    /// Bytes of its payload that have not been read.
    left: u64,
    /// The beginning of its payload, for [`Channel::short_payload`].
    kept: Vec<u8>,
    /// A message was begun to be sent and not ended: nothing can follow it.
    torn: bool,
}

impl Channel {
    pub fn new(stream: Wire) -> Self {
        Channel {
            stream: BufReader::with_capacity(BUFFER_BYTES, stream),
            head: [0; HEADER_BYTES],
            have: 0,
            open: None,
            left: 0,
            kept: Vec::new(),
            torn: false,
        }
    }

    /// Whether a message was sent in part only.
    pub fn is_torn(&self) -> bool {
        self.torn
    }

    /// The message whose payload is being read, if there is one.
    pub fn under_way(&self) -> Option<Header> {
        self.open
    }

    /// Bytes of the payload still to come.
    pub fn left(&self) -> u64 {
        self.left
    }

    /// The header of the next message, the same one until [`Channel::done`].
    ///
    /// # Errors
    /// The connection ended, or what came is no header, or one that announces too much.
    pub async fn message(&mut self) -> Result<Header, LinkFault> {
        if let Some(open) = self.open {
            return Ok(open);
        }
        while self.have < HEADER_BYTES {
            let read = self.stream.read(&mut self.head[self.have..]).await;
            self.have += some(read)?;
        }
        let shown = || self.head[..8].escape_ascii().to_string();
        let header = Header::parse(&self.head).ok_or_else(|| {
            LinkFault::Protocol(format!("'{}' begins no HiSLIP message", shown()))
        })?;
        if header.payload_bytes > PAYLOAD_BYTES_MAX {
            return Err(LinkFault::Protocol(format!(
                "it announces a message of {} bytes, the most agreed on is {PAYLOAD_BYTES_MAX}",
                header.payload_bytes
            )));
        }
        self.have = 0;
        self.left = header.payload_bytes;
        self.open = Some(header);
        Ok(header)
    }

    /// Appends payload of the present message, at most `at_most` bytes; waits for the first.
    ///
    /// # Errors
    /// The connection ended.
    pub async fn payload(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
    ) -> Result<usize, LinkFault> {
        let limit = usize::try_from(self.left).unwrap_or(usize::MAX).min(at_most.max(1));
        let mut room = into.limit(limit);
        let count = some(self.stream.read_buf(&mut room).await)?;
        self.left -= count as u64;
        Ok(count)
    }

    /// Reads the rest of the payload and returns its beginning, for short ones.
    ///
    /// # Errors
    /// The connection ended.
    pub async fn short_payload(&mut self) -> Result<Vec<u8>, LinkFault> {
        while self.left > 0 {
            let here = self.stream.fill_buf().await.map_err(|error| LinkFault::from(&error))?;
            if here.is_empty() {
                return Err(LinkFault::Closed);
            }
            let count = usize::try_from(self.left).unwrap_or(usize::MAX).min(here.len());
            let room = TEXT_BYTES_MAX - self.kept.len();
            self.kept.extend_from_slice(&here[..count.min(room)]);
            self.stream.consume(count);
            self.left -= count as u64;
        }
        Ok(std::mem::take(&mut self.kept))
    }

    /// Ends the present message, whose payload was read.
    pub fn done(&mut self) {
        self.open = None;
        self.left = 0;
        self.kept.clear();
    }

    /// Reads the present message to its end and drops it.
    ///
    /// # Errors
    /// The connection ended.
    pub async fn drop_message(&mut self) -> Result<(), LinkFault> {
        self.short_payload().await?;
        self.done();
        Ok(())
    }

    /// Drops the present message and tells the peer that its type is unknown.
    ///
    /// # Errors
    /// The connection ended.
    pub async fn refuse_message(&mut self) -> Result<(), LinkFault> {
        self.drop_message().await?;
        self.send_at_once(Header::new(Kind::Error, UNKNOWN_TYPE, 0));
        Ok(())
    }

    /// Tells the peer that its header was wrong, before the connection is given up.
    pub fn send_fatal(&mut self) {
        self.send_at_once(Header::new(Kind::FatalError, BAD_HEADER, 0));
    }

    /// Sends a header if the system takes it without waiting. A peer that does not read need not
    /// be told what it did wrong.
    fn send_at_once(&mut self, header: Header) {
        if self.torn {
            return;
        }
        let mut context = Context::from_waker(Waker::noop());
        let written = Pin::new(self.stream.get_mut()).poll_write(&mut context, &header.emit());
        if let Poll::Ready(Ok(count)) = written {
            self.torn = count < HEADER_BYTES;
        }
    }

    /// Sends a message; `done` counts the bytes of payload that the system took.
    ///
    /// # Errors
    /// It was not taken in time, or the connection ended.
    pub async fn send(
        &mut self,
        header: Header,
        payload: &[u8],
        pace: Pace,
        done: &mut usize,
    ) -> Result<(), LinkFault> {
        let head = Header { payload_bytes: payload.len() as u64, ..header }.emit();
        let before = *done;
        let mut sent = 0;
        self.torn = true;
        while sent < HEADER_BYTES + payload.len() {
            let parts = match sent.checked_sub(HEADER_BYTES) {
                None => [IoSlice::new(&head[sent..]), IoSlice::new(payload)],
                Some(sent) => [IoSlice::new(&payload[sent..]), IoSlice::new(&[])],
            };
            let write = self.stream.get_mut().write_vectored(&parts);
            match timeout_at(pace.next(), write).await {
                Err(_) => return Err(LinkFault::TimedOut),
                Ok(written) => sent += some(written)?,
            }
            *done = before + sent.saturating_sub(HEADER_BYTES);
        }
        self.torn = false;
        Ok(())
    }
}

/// A count of bytes; none at all means that the connection is closed.
fn some(count: io::Result<usize>) -> Result<usize, LinkFault> {
    match count {
        Ok(0) => Err(LinkFault::Closed),
        Ok(count) => Ok(count),
        Err(error) => Err(LinkFault::from(&error)),
    }
}
