//! A wrapper that records every message with its time, for the run's record and for debugging.
//!
//! Knows bytes, directions and the clock. Long messages are abbreviated to their beginning, their
//! length and a hash, so that the trace of a night stays small; memory use does not depend on the
//! length of a message.

use std::time::Duration;

use async_trait::async_trait;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use tokio::sync::mpsc::UnboundedSender;
use tokio::time::Instant;

use super::{LinkError, LinkFault, Pace, Part, Received, Recovery, Transport};

/// Bytes of a message that a trace keeps; longer messages are abbreviated to this.
pub(super) const HEAD_BYTES_MAX: usize = 256;

/// Which way a traced message went, or what happened to the link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// To the instrument.
    Sent,
    /// From the instrument, a whole answer.
    Received,
    /// From the instrument, bytes that were not found to be a whole answer.
    Unasked,
    /// The link was opened.
    Opened,
    /// A device clear: what was under way before was dropped at both ends.
    Cleared,
    /// The status byte was read beside the data; the text is its value.
    Status,
    /// The instrument asked for service; the text is the status byte that came with it.
    ServiceRequest,
    /// The link failed; the text says how.
    Failed,
}

/// One line of a trace.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TraceEvent {
    /// Time since the start of the trace, when the first byte moved.
    #[serde(rename = "at_s", serialize_with = "seconds", deserialize_with = "of_seconds")]
    pub at: Duration,
    /// Time from the first byte to the last.
    #[serde(rename = "took_s", serialize_with = "seconds", deserialize_with = "of_seconds")]
    pub took: Duration,
    /// Which way.
    pub direction: Direction,
    /// Length of the whole message.
    pub bytes: u64,
    /// The message or its beginning, non-printing bytes escaped as `\n`, `\x00`.
    pub text: String,
    /// BLAKE3 hash of the whole message, in hex, when `text` holds only its beginning.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blake3: Option<String>,
}

fn seconds<S: Serializer>(time: &Duration, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(time.as_secs_f64())
}

fn of_seconds<'de, D: Deserializer<'de>>(from: D) -> Result<Duration, D::Error> {
    Duration::try_from_secs_f64(f64::deserialize(from)?).map_err(D::Error::custom)
}

/// The bytes of a text that was escaped as [`TraceEvent::text`] is; `None` when it was not.
pub(super) fn unescape(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut left = text.bytes();
    while let Some(byte) = left.next() {
        if byte != b'\\' {
            bytes.push(byte);
            continue;
        }
        bytes.push(match left.next()? {
            b'n' => b'\n',
            b'r' => b'\r',
            b't' => b'\t',
            quoted @ (b'\\' | b'\'' | b'"') => quoted,
            b'x' => {
                let mut digit = || char::from(left.next()?).to_digit(16);
                (digit()? << 4 | digit()?) as u8
            }
            _ => return None,
        });
    }
    Some(bytes)
}

/// Takes the lines of a trace. Must not block.
pub trait TraceSink: Send {
    /// Takes one line.
    fn record(&mut self, event: TraceEvent);
}

impl TraceSink for UnboundedSender<TraceEvent> {
    /// A trace that nobody reads any more is not worth failing a measurement.
    fn record(&mut self, event: TraceEvent) {
        let _ = self.send(event);
    }
}

impl<F: FnMut(TraceEvent) + Send> TraceSink for F {
    fn record(&mut self, event: TraceEvent) {
        self(event);
    }
}

/// Records what passes through a link.
pub struct Traced<T, S: TraceSink> {
    link: T,
    sink: S,
    start: Instant,
    /// The message that is being collected.
    open: Option<Collected>,
}

/// A message so far.
struct Collected {
    direction: Direction,
    first: Instant,
    last: Instant,
    bytes: u64,
    head: Vec<u8>,
    hash: blake3::Hasher,
}

impl Collected {
    fn new(direction: Direction, at: Instant) -> Self {
        let hash = blake3::Hasher::new();
        Collected { direction, first: at, last: at, bytes: 0, head: Vec::new(), hash }
    }

    fn take(&mut self, bytes: &[u8], at: Instant) {
        self.last = at;
        self.bytes += bytes.len() as u64;
        let room = HEAD_BYTES_MAX - self.head.len();
        // What fits the head needs no hash; the first byte beyond it starts the hash from there.
        if self.bytes <= HEAD_BYTES_MAX as u64 {
            self.head.extend_from_slice(bytes);
            return;
        }
        if self.hash.count() == 0 {
            self.hash.update(&self.head);
        }
        self.head.extend_from_slice(&bytes[..room.min(bytes.len())]);
        self.hash.update(bytes);
    }
}

impl<T: Transport, S: TraceSink> Traced<T, S> {
    /// Wraps a link; times are counted from `start`, which several links may share.
    pub fn new(link: T, start: Instant, sink: S) -> Self {
        Traced { link, sink, start, open: None }
    }
}

impl<T, S: TraceSink> Traced<T, S> {
    fn collect(&mut self, direction: Direction, bytes: &[u8], first: Instant) {
        if self.open.as_ref().is_some_and(|open| open.direction != direction) {
            self.flush();
        }
        let open = self.open.get_or_insert_with(|| Collected::new(direction, first));
        open.take(bytes, Instant::now());
    }

    fn flush(&mut self) {
        let Some(open) = self.open.take() else { return };
        let abbreviated = open.bytes > open.head.len() as u64;
        self.sink.record(TraceEvent {
            at: open.first.saturating_duration_since(self.start),
            took: open.last - open.first,
            direction: open.direction,
            bytes: open.bytes,
            text: open.head.escape_ascii().to_string(),
            blake3: abbreviated.then(|| open.hash.finalize().to_hex().to_string()),
        });
    }

    fn happened(&mut self, direction: Direction, since: Instant, text: String) {
        self.flush();
        self.sink.record(TraceEvent {
            at: since.saturating_duration_since(self.start),
            took: since.elapsed(),
            direction,
            bytes: 0,
            text,
            blake3: None,
        });
    }
}

impl<T, S: TraceSink> Drop for Traced<T, S> {
    fn drop(&mut self) {
        self.flush();
    }
}

#[async_trait]
impl<T: Transport, S: TraceSink> Transport for Traced<T, S> {
    fn describe(&self) -> &str {
        self.link.describe()
    }

    fn is_open(&self) -> bool {
        self.link.is_open()
    }

    fn recovery(&self) -> Recovery {
        self.link.recovery()
    }

    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        self.link.line_rate_bytes_per_s()
    }

    fn marks_end(&self) -> bool {
        self.link.marks_end()
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        let outcome = self.link.reopen(until).await;
        match &outcome {
            Ok(()) => {
                let text = self.link.describe().to_owned();
                self.happened(Direction::Opened, since, text);
            }
            Err(error) => self.happened(Direction::Failed, since, error.to_string()),
        }
        outcome
    }

    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        let outcome = self.link.clear(until).await;
        match &outcome {
            Ok(()) => self.happened(Direction::Cleared, since, self.link.describe().to_owned()),
            Err(error) => self.happened(Direction::Failed, since, error.to_string()),
        }
        outcome
    }

    async fn status_byte(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let since = Instant::now();
        let outcome = self.link.status_byte(until).await;
        match &outcome {
            Ok(Some(byte)) => self.happened(Direction::Status, since, byte.to_string()),
            Ok(None) => {}
            Err(error) => self.happened(Direction::Failed, since, error.to_string()),
        }
        outcome
    }

    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        let since = Instant::now();
        let outcome = self.link.service_request(until).await;
        match &outcome {
            Ok(Some(byte)) => self.happened(Direction::ServiceRequest, since, byte.to_string()),
            Ok(None) => {}
            // That none came is no event.
            Err(error) if error.fault == LinkFault::TimedOut => {}
            Err(error) => self.happened(Direction::Failed, since, error.to_string()),
        }
        outcome
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        let since = Instant::now();
        // Recorded before it is sent: what may have reached the instrument must be in the trace.
        self.collect(Direction::Sent, bytes, since);
        let outcome = self.link.send(bytes, part, pace).await;
        if let Err(error) = &outcome {
            self.happened(Direction::Failed, since, error.to_string());
        } else if part == Part::Last {
            self.flush();
        }
        outcome
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let since = Instant::now();
        let before = into.len();
        let outcome = self.link.receive(into, at_most, until).await;
        match &outcome {
            Ok(_) => self.collect(Direction::Unasked, &into[before..], Instant::now()),
            // A look for early bytes that finds none is no event.
            Err(error) if error.fault == LinkFault::TimedOut && until <= since => {}
            Err(error) => self.happened(Direction::Failed, since, error.to_string()),
        }
        outcome
    }

    fn answer_complete(&mut self) {
        if let Some(open) = &mut self.open
            && open.direction == Direction::Unasked
        {
            open.direction = Direction::Received;
        }
        self.flush();
        self.link.answer_complete();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_escaped_reads_back() {
        let all: Vec<u8> = (0..=255).collect();
        assert_eq!(unescape(&all.escape_ascii().to_string()).unwrap(), all);
        for wrong in ["\\", "\\q", "\\x1", "\\xG0"] {
            assert_eq!(unescape(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn a_line_reads_back() {
        let event = TraceEvent {
            at: Duration::from_millis(1250),
            took: Duration::ZERO,
            direction: Direction::Unasked,
            bytes: 3,
            text: "a\\n".into(),
            blake3: None,
        };
        let json = serde_json::to_string(&event).unwrap();
        assert_eq!(serde_json::from_str::<TraceEvent>(&json).unwrap(), event);
        let wrong = json.replace("1.25", "-1");
        assert!(serde_json::from_str::<TraceEvent>(&wrong).is_err());
    }
}
