//! A link that plays a recorded trace: what the instrument answered then is answered now, as long
//! as what is sent is what was sent then.
//!
//! Order is what counts; time is not played, so that a night passes in a moment. A message that
//! differs from the recorded one is an error with the number of its line. Of a long message the
//! trace holds the beginning, the length and a hash: what is sent is compared by all three; an
//! answer of which only the beginning is known is given again when [`LongAnswers`] has it, and is an
//! error otherwise.
//!
//! Knows traces; nothing of instruments.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use tokio::time::Instant;

use super::trace::unescape;
use super::{
    Direction, LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery, TraceEvent,
    Transport,
};

/// Longest piece of a message shown in an error, in characters.
const SHOWN_CHARS_MAX: usize = 80;

/// Why a trace cannot be played on. Reads as a fragment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReplayFault {
    /// A line of the trace is not one.
    #[error("line {line} of the trace cannot be read: {why}")]
    NoTrace {
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong.
        why: String,
    },
    /// Something else happens than was recorded.
    #[error("line {line} of the trace {wanted}, but this session {got}")]
    Differs {
        /// Number of the line, from 1.
        line: usize,
        /// What was recorded.
        wanted: String,
        /// What happens now.
        got: String,
    },
    /// The trace is over.
    #[error("the trace ends with line {line}, but this session {got}")]
    Ended {
        /// Number of the last line, from 1.
        line: usize,
        /// What happens now.
        got: String,
    },
    /// The answer is not in the trace as a whole.
    #[error(
        "line {line} of the trace keeps only the beginning of an answer of {bytes} bytes, which \
         therefore cannot be given again"
    )]
    Abbreviated {
        /// Number of the line, from 1.
        line: usize,
        /// Length of the whole answer.
        bytes: u64,
    },
    /// The trace of another instrument cannot be played on: nothing after that is compared.
    #[error("the replay has stopped at another instrument")]
    Elsewhere,
}

/// Answers of which a trace keeps only the beginning, from wherever else they are kept.
pub trait LongAnswers: Send + Sync {
    /// What an answer of this length might have been that begins like this; the replay takes the
    /// one whose hash is the recorded one.
    fn candidates(&self, head: &[u8], bytes: u64) -> Vec<Vec<u8>>;
}

/// One line of a trace, ready to be played.
struct Line {
    /// Its number in the trace, from 1.
    number: usize,
    /// When, since the start of the trace.
    at: Duration,
    direction: Direction,
    /// The message or its beginning; for happenings the text.
    bytes: Vec<u8>,
    /// Length of the whole message.
    length: u64,
    blake3: Option<String>,
}

/// The message that is being sent.
struct Sending {
    head: Vec<u8>,
    length: u64,
    hash: blake3::Hasher,
}

/// Plays a trace.
pub struct Replay {
    address: String,
    lines: Vec<Line>,
    /// The line that is played next.
    next: usize,
    /// Bytes of an answer that were given already.
    given: usize,
    sending: Sending,
    recovery: Recovery,
    open: bool,
    /// After a difference everything is one.
    failed: Option<ReplayFault>,
    answers: Option<Arc<dyn LongAnswers>>,
    /// Name of the instrument, and what the replays of its bench share.
    together: Option<(String, FirstDifference)>,
}

impl Replay {
    /// A link that plays a trace as the run's folder holds it: one JSON object a line. A trace of a
    /// serial line is played as one that cannot be opened anew.
    ///
    /// # Errors
    /// [`ReplayFault::NoTrace`].
    pub fn parse(text: &str) -> Result<Self, ReplayFault> {
        let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
        let events = lines.map(|(i, line)| {
            let wrong = |why: String| ReplayFault::NoTrace { line: i + 1, why };
            let event: TraceEvent =
                serde_json::from_str(line).map_err(|error| wrong(error.to_string()))?;
            Line::new(i + 1, event).ok_or_else(|| wrong("its text is not escaped properly".into()))
        });
        Ok(Self::of(events.collect::<Result<_, _>>()?))
    }

    /// A link that plays the lines of a trace.
    ///
    /// # Errors
    /// [`ReplayFault::NoTrace`] when the text of one is not escaped properly.
    pub fn new(events: impl IntoIterator<Item = TraceEvent>) -> Result<Self, ReplayFault> {
        let lines = events.into_iter().enumerate().map(|(i, event)| {
            let why = "its text is not escaped properly".into();
            Line::new(i + 1, event).ok_or(ReplayFault::NoTrace { line: i + 1, why })
        });
        Ok(Self::of(lines.collect::<Result<_, _>>()?))
    }

    fn of(lines: Vec<Line>) -> Self {
        let opened = lines.iter().find(|line| line.direction == Direction::Opened);
        let address = opened.map(Line::text).unwrap_or_default();
        let cleared = lines.iter().any(|line| line.direction == Direction::Cleared);
        let recovery = match address.split(':').next() {
            Some("serial") => Recovery::Drain,
            Some("hislip" | "usbtmc") => Recovery::Clear,
            _ if cleared => Recovery::Clear,
            _ => Recovery::Reopen,
        };
        let address = format!("trace of {address}").trim_end_matches(" of ").to_owned();
        let (given, sending) = (0, Sending::new());
        Replay {
            address,
            lines,
            next: 0,
            given,
            sending,
            recovery,
            open: false,
            failed: None,
            answers: None,
            together: None,
        }
    }

    /// The same with a place to look for long answers in.
    #[must_use]
    pub fn with_answers(self, answers: Arc<dyn LongAnswers>) -> Self {
        Replay { answers: Some(answers), ..self }
    }

    /// The same as one of several instruments: the first difference of any is kept, and ends the
    /// replay of all.
    #[must_use]
    pub fn together(self, instrument: &str, first: FirstDifference) -> Self {
        Replay { together: Some((instrument.to_owned(), first)), ..self }
    }

    /// The same with the way back into step that the recorded link had.
    #[must_use]
    pub fn with_recovery(self, recovery: Recovery) -> Self {
        Replay { recovery, ..self }
    }

    /// Lines that were not played yet.
    #[must_use]
    pub fn lines_left(&self) -> usize {
        self.lines.len() - self.next
    }

    /// What happens now does not follow from the trace.
    fn differs(&self, got: String) -> ReplayFault {
        match (self.lines.get(self.next), self.lines.last()) {
            (Some(line), _) => {
                ReplayFault::Differs { line: line.number, wanted: line.shown(), got }
            }
            (None, last) => ReplayFault::Ended { line: last.map_or(0, |line| line.number), got },
        }
    }

    fn error(&self, phase: LinkPhase, fault: LinkFault) -> LinkError {
        let took = Duration::ZERO;
        LinkError { address: self.address.clone(), phase, bytes: 0, took, fault }
    }

    fn fail(&mut self, phase: LinkPhase, fault: ReplayFault) -> LinkError {
        self.open = false;
        self.failed = Some(fault.clone());
        if let Some((instrument, first)) = &self.together {
            let at = self.lines.get(self.next).or(self.lines.last()).map(|line| line.at);
            first.note(instrument, at.unwrap_or_default(), &fault);
        }
        self.error(phase, LinkFault::Replay(Box::new(fault)))
    }

    /// The fault that ended the replay, once more.
    fn over(&self, phase: LinkPhase) -> Result<(), LinkError> {
        match &self.failed {
            Some(fault) => Err(self.error(phase, LinkFault::Replay(Box::new(fault.clone())))),
            None if self.together.as_ref().is_some_and(|(_, first)| first.get().is_some()) => {
                Err(self.error(phase, LinkFault::Replay(Box::new(ReplayFault::Elsewhere))))
            }
            None => Ok(()),
        }
    }

    /// The recorded failure that comes next, if it is of this phase.
    fn recorded_failure(&mut self, phase: LinkPhase) -> Option<LinkError> {
        let line = self.lines.get(self.next)?;
        let text = line.text();
        let ours = text.starts_with(&format!("failed to {phase} "));
        if line.direction != Direction::Failed || !ours {
            return None;
        }
        self.next += 1;
        let fault = LinkFault::recorded(&text);
        self.open &= fault == LinkFault::TimedOut;
        Some(self.error(phase, fault))
    }

    /// The byte that was recorded here beside the messages, if one was.
    fn recorded_byte(&mut self, direction: Direction) -> Option<u8> {
        let line = self.lines.get(self.next).filter(|line| line.direction == direction)?;
        let byte = line.text().parse().ok();
        self.next += 1;
        byte
    }

    /// The whole answer that comes next, looked up when the trace holds only its beginning.
    fn complete_answer(&mut self) -> Result<(), ReplayFault> {
        let Some(line) = self.lines.get_mut(self.next) else { return Ok(()) };
        let Some(blake3) = line.blake3.as_ref().filter(|_| line.bytes.len() as u64 != line.length)
        else {
            return Ok(());
        };
        let candidates = self.answers.iter().flat_map(|a| a.candidates(&line.bytes, line.length));
        let found = candidates.into_iter().find(|bytes| {
            bytes.len() as u64 == line.length && *blake3::hash(bytes).to_hex() == **blake3
        });
        let missing = ReplayFault::Abbreviated { line: line.number, bytes: line.length };
        line.bytes = found.ok_or(missing)?;
        Ok(())
    }

    /// Compares a whole message with the recorded one.
    fn compare(&mut self) -> Result<(), ReplayFault> {
        let sending = std::mem::replace(&mut self.sending, Sending::new());
        let same = self.lines.get(self.next).is_some_and(|line| {
            line.direction == Direction::Sent
                && line.length == sending.length
                && match &line.blake3 {
                    Some(hash) => *hash == *sending.hash.finalize().to_hex(),
                    None => line.bytes == sending.head,
                }
        });
        if !same {
            return Err(self.differs(sending.shown()));
        }
        self.next += 1;
        Ok(())
    }
}

impl Sending {
    fn new() -> Self {
        Sending { head: Vec::new(), length: 0, hash: blake3::Hasher::new() }
    }

    fn take(&mut self, bytes: &[u8]) {
        let room = super::trace::HEAD_BYTES_MAX - self.head.len();
        self.head.extend_from_slice(&bytes[..room.min(bytes.len())]);
        self.length += bytes.len() as u64;
        self.hash.update(bytes);
    }

    fn shown(&self) -> String {
        let abbreviated = self.length > self.head.len() as u64;
        let hash = abbreviated.then(|| self.hash.finalize().to_hex().to_string());
        shown("sends", &self.head, self.length, hash.as_deref())
    }
}

impl Line {
    fn new(number: usize, event: TraceEvent) -> Option<Self> {
        use Direction::{Received, Sent, Unasked};
        let at = event.at;
        let message = matches!(event.direction, Sent | Received | Unasked);
        let bytes = if message { unescape(&event.text)? } else { event.text.into_bytes() };
        if message && event.blake3.is_none() && event.bytes != bytes.len() as u64 {
            return None;
        }
        let (direction, length, blake3) = (event.direction, event.bytes, event.blake3);
        Some(Line { number, at, direction, bytes, length, blake3 })
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    fn shown(&self) -> String {
        match self.direction {
            Direction::Sent => shown("sends", &self.bytes, self.length, self.blake3.as_deref()),
            Direction::Received | Direction::Unasked => {
                shown("receives", &self.bytes, self.length, self.blake3.as_deref())
            }
            Direction::Opened => format!("opens {}", self.text()),
            Direction::Cleared => format!("clears {}", self.text()),
            Direction::Status => format!("reads the status byte {}", self.text()),
            Direction::ServiceRequest => format!("has a request for service {}", self.text()),
            Direction::Failed => format!("notes '{}'", self.text()),
        }
    }
}

/// A message for an error; of a long one the length and the hash, in which two may differ alone.
fn shown(verb: &str, head: &[u8], length: u64, blake3: Option<&str>) -> String {
    let text = head.escape_ascii().to_string();
    let mut short: String = text.chars().take(SHOWN_CHARS_MAX).collect();
    if short.len() < text.len() || blake3.is_some() {
        short.push('…');
    }
    match blake3 {
        Some(hash) => format!("{verb} '{short}' ({length} bytes, BLAKE3 {hash})"),
        None => format!("{verb} '{short}'"),
    }
}

#[async_trait]
impl Transport for Replay {
    fn describe(&self) -> &str {
        &self.address
    }

    fn is_open(&self) -> bool {
        self.open
    }

    fn recovery(&self) -> Recovery {
        self.recovery
    }

    async fn reopen(&mut self, _until: Instant) -> Result<(), LinkError> {
        self.over(LinkPhase::Connect)?;
        self.given = 0;
        self.sending = Sending::new();
        if let Some(error) = self.recorded_failure(LinkPhase::Connect) {
            return Err(error);
        }
        if self.lines.get(self.next).is_none_or(|line| line.direction != Direction::Opened) {
            let fault = self.differs("opens the link".into());
            return Err(self.fail(LinkPhase::Connect, fault));
        }
        self.next += 1;
        self.open = true;
        Ok(())
    }

    fn marks_end(&self) -> bool {
        self.recovery == Recovery::Clear
    }

    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        if self.recovery != Recovery::Clear {
            return self.reopen(until).await;
        }
        self.over(LinkPhase::Clear)?;
        self.given = 0;
        self.sending = Sending::new();
        if let Some(error) = self.recorded_failure(LinkPhase::Clear) {
            self.open = false;
            return Err(error);
        }
        if self.lines.get(self.next).is_none_or(|line| line.direction != Direction::Cleared) {
            let fault = self.differs("clears the link".into());
            return Err(self.fail(LinkPhase::Clear, fault));
        }
        self.next += 1;
        Ok(())
    }

    async fn status_byte(&mut self, _until: Instant) -> Result<Option<u8>, LinkError> {
        self.over(LinkPhase::Read)?;
        let byte = self.recorded_byte(Direction::Status);
        if byte.is_none()
            && let Some(error) = self.recorded_failure(LinkPhase::Read)
        {
            return Err(error);
        }
        Ok(byte)
    }

    /// That no request came is not in a trace.
    async fn service_request(&mut self, _until: Instant) -> Result<Option<u8>, LinkError> {
        self.over(LinkPhase::Read)?;
        match self.recorded_byte(Direction::ServiceRequest) {
            None if self.recovery == Recovery::Clear => {
                Err(self.error(LinkPhase::Read, LinkFault::TimedOut))
            }
            byte => Ok(byte),
        }
    }

    async fn send(&mut self, bytes: &[u8], part: Part, _pace: Pace) -> Result<(), LinkError> {
        self.over(LinkPhase::Write)?;
        if !self.open {
            return Err(self.error(LinkPhase::Write, LinkFault::Closed));
        }
        self.sending.take(bytes);
        if part == Part::Last {
            self.compare().map_err(|fault| self.fail(LinkPhase::Write, fault))?;
        }
        match self.recorded_failure(LinkPhase::Write) {
            Some(error) => Err(error),
            None => Ok(()),
        }
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        self.over(LinkPhase::Read)?;
        let only_a_look = until <= Instant::now();
        let is_answer = |line: &Line| {
            matches!(line.direction, Direction::Received | Direction::Unasked) && self.open
        };
        if self.lines.get(self.next).is_some_and(is_answer) {
            self.complete_answer().map_err(|fault| self.fail(LinkPhase::Read, fault))?;
            let line = &mut self.lines[self.next];
            let bytes = (line.bytes.len() - self.given).min(at_most.max(1));
            into.extend_from_slice(&line.bytes[self.given..self.given + bytes]);
            self.given += bytes;
            let all = self.given == line.bytes.len();
            // The end of a whole answer is known, whether the link marked it or not.
            let end = all && line.direction == Direction::Received;
            if all {
                // A night's blocks need not stay in memory.
                line.bytes = Vec::new();
                self.given = 0;
                self.next += 1;
            }
            return Ok(Received { bytes, end });
        }
        if let Some(error) = self.recorded_failure(LinkPhase::Read) {
            return Err(error);
        }
        if !self.open {
            return Err(self.error(LinkPhase::Read, LinkFault::Closed));
        }
        if only_a_look {
            return Err(self.error(LinkPhase::Read, LinkFault::TimedOut));
        }
        let fault = self.differs("waits for an answer".into());
        Err(self.fail(LinkPhase::Read, fault))
    }
}

mod together;
pub use together::{Difference, FirstDifference, SharedReplay};

#[cfg(test)]
mod tests;
