//! The synchronous connection: messages out in parts that the server accepts, answers in, each tied
//! to its question by the MessageID.

use tokio::task::yield_now;

use super::channel::Channel;
use super::wire::{DELIVERED, FIRST_ID, HEADER_BYTES, Header, ID_STEP, Kind, UNKNOWN_ID};
use super::{as_error, as_fatal};
use crate::transport::{LinkFault, Pace, Part, Received};

/// Messages that are dropped before others get their turn: a peer that floods us keeps nobody from a
/// deadline.
const DROPPED_AT_ONCE: u32 = 64;

/// The synchronous connection.
pub(super) struct Data {
    pub channel: Channel,
    /// The longest payload that the server accepts.
    payload_bytes_max: usize,
    next_id: u32,
    /// An answer was handed over whole, and the server does not know it yet.
    delivered: bool,
    /// The message under way began before the last question: not its answer, whatever its ID.
    stale: bool,
    /// Parts of the present answer were handed over.
    begun: bool,
}

impl Data {
    /// `message_bytes_max` is what the server named. Whether that counts the header differs
    /// between servers, so that it is counted.
    ///
    /// # Errors
    /// Nothing fits into so few bytes.
    pub fn new(channel: Channel, message_bytes_max: u64) -> Result<Self, LinkFault> {
        let most = usize::try_from(message_bytes_max).unwrap_or(usize::MAX);
        let payload_bytes_max = most.saturating_sub(HEADER_BYTES);
        if payload_bytes_max == 0 {
            return Err(LinkFault::Protocol(format!(
                "it accepts messages of {message_bytes_max} bytes at most, less than a header"
            )));
        }
        let begun = false;
        Ok(Data {
            channel,
            payload_bytes_max,
            next_id: FIRST_ID,
            delivered: false,
            stale: false,
            begun,
        })
    }

    /// The MessageID of the last message sent.
    pub fn last_id(&self) -> u32 {
        self.next_id.wrapping_sub(ID_STEP)
    }

    /// The control code of the next message to the server: whether an answer was handed over since
    /// the last one. Said once.
    pub fn take_delivered(&mut self) -> u8 {
        if std::mem::take(&mut self.delivered) { DELIVERED } else { 0 }
    }

    /// As after the start: for the end of a device clear.
    pub fn reset(&mut self) {
        self.next_id = FIRST_ID;
        (self.delivered, self.stale, self.begun) = (false, false, false);
    }

    /// Sends a message or a part of one.
    ///
    /// # Errors
    /// It was not taken in time, or the connection ended.
    pub async fn send(
        &mut self,
        bytes: &[u8],
        part: Part,
        pace: Pace,
        done: &mut usize,
    ) -> Result<(), LinkFault> {
        let data = |header: Header| matches!(header.kind, Kind::Data | Kind::DataEnd);
        self.stale = self.channel.under_way().is_some_and(data);
        self.begun = false;
        let mut rest = bytes;
        loop {
            let (now, later) = rest.split_at(rest.len().min(self.payload_bytes_max));
            rest = later;
            let last = rest.is_empty() && part == Part::Last;
            let kind = if last { Kind::DataEnd } else { Kind::Data };
            let header = Header::new(kind, self.take_delivered(), self.next_id);
            self.next_id = self.next_id.wrapping_add(ID_STEP);
            self.channel.send(header, now, pace, done).await?;
            if rest.is_empty() {
                return Ok(());
            }
        }
    }

    /// Appends what has come of the answer to the last question; waits for it. Everything that
    /// answers an earlier question is dropped. May be cut off and called again.
    ///
    /// # Errors
    /// The connection ended, the server reports an error, or it dropped the answer.
    pub async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
    ) -> Result<Received, LinkFault> {
        let mut looks: u32 = 0;
        loop {
            looks += 1;
            if looks.is_multiple_of(DROPPED_AT_ONCE) {
                yield_now().await;
            }
            let header = self.channel.message().await?;
            match header.kind {
                Kind::Data | Kind::DataEnd if !self.is_ours(header) => {
                    tracing::debug!(id = header.parameter, "late answer dropped");
                    self.channel.drop_message().await?;
                    // The parts of one answer without an ID cannot be told from the next one's.
                    self.stale = header.parameter == UNKNOWN_ID && header.kind == Kind::Data;
                }
                Kind::Data | Kind::DataEnd => {
                    let bytes = match self.channel.left() {
                        0 => 0,
                        _ => self.channel.payload(into, at_most).await?,
                    };
                    if let Some(received) = self.note_part(header, bytes) {
                        return Ok(received);
                    }
                }
                Kind::Interrupted => {
                    self.channel.drop_message().await?;
                    if std::mem::take(&mut self.begun) {
                        return Err(LinkFault::Interrupted);
                    }
                }
                Kind::Error => return Err(as_error(&mut self.channel, header).await?),
                Kind::FatalError => return Err(as_fatal(&mut self.channel, header).await?),
                _ => {
                    tracing::debug!(?header, "message dropped");
                    self.channel.refuse_message().await?;
                }
            }
        }
    }

    fn is_ours(&self, header: Header) -> bool {
        !self.stale && (header.parameter == self.last_id() || header.parameter == UNKNOWN_ID)
    }

    /// What a piece of payload is for the caller; nothing when it was empty and more follows.
    fn note_part(&mut self, header: Header, bytes: usize) -> Option<Received> {
        self.begun = true;
        if self.channel.left() > 0 {
            return Some(Received { bytes, end: false });
        }
        self.channel.done();
        let end = header.kind == Kind::DataEnd;
        if end {
            self.delivered = true;
            self.begun = false;
        }
        (end || bytes > 0).then_some(Received { bytes, end })
    }

    /// Drops every message; ends with the one that ends a device clear, and its features.
    ///
    /// # Errors
    /// The connection ended, or the server gave up.
    pub async fn discard_until_cleared(&mut self) -> Result<u8, LinkFault> {
        loop {
            let header = self.channel.message().await?;
            if header.kind == Kind::FatalError {
                return Err(as_fatal(&mut self.channel, header).await?);
            }
            self.channel.drop_message().await?;
            if header.kind == Kind::DeviceClearAcknowledge {
                return Ok(header.control);
            }
        }
    }
}
