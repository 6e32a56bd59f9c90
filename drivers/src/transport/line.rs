//! What devices do on a line besides talking: they echo, they end messages in their own way, they
//! need a moment after the line was opened.
//!
//! A wrapper of a link without a mark for the end of a message. To its user every message ends with
//! NL and nothing echoes. Blocks of definite length pass as they are, both ways.

use std::collections::VecDeque;
use std::time::Duration;

use async_trait::async_trait;
use tokio::time::{Instant, sleep};

use super::{LineEnd, LinkError, LinkFault, LinkPhase, Pace, Part, Received, Recovery, Transport};

/// Bytes written before the echo is looked at: well below what a serial driver holds back.
const PIECE_BYTES: usize = 256;
/// Bytes of an echo shown in an error.
const SHOWN_BYTES: usize = 40;

/// A link whose device echoes, or ends messages with something else than NL.
pub struct Line<T> {
    link: T,
    end: LineEnd,
    echo: Option<Echo>,
    settle: Duration,
    /// Where the answer that comes stands.
    place: Place,
}

/// What was sent and has not come back.
#[derive(Default)]
struct Echo {
    owed: VecDeque<u8>,
    /// After that an end of line is due, in whatever form the device shows it.
    end_owed: bool,
    /// Parts of a message were sent, its last was not.
    in_message: bool,
    /// The end of line that came back last; it may be the first of two bytes.
    ended_by: Option<u8>,
}

/// Where in an answer the next byte stands. A block is looked for at the beginning only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    Start,
    /// After `#`.
    BlockStart,
    /// In the length of a block: digits left, value so far.
    Length(u8, u64),
    /// In a block: bytes left.
    Block(u64),
    Text,
}

impl<T: Transport> Line<T> {
    /// Wraps a link. `echo` says whether the device sends back what it is sent, `settle` how long
    /// it needs after opening.
    pub fn over(link: T, end: LineEnd, echo: bool, settle: Duration) -> Self {
        Line { link, end, echo: echo.then(Echo::default), settle, place: Place::Start }
    }

    fn error(&self, phase: LinkPhase, bytes: usize, since: Instant, fault: LinkFault) -> LinkError {
        let address = self.link.describe().to_owned();
        LinkError { address, phase, bytes, took: since.elapsed(), fault }
    }

    /// The message as the device wants it: another end of line where it is not NL.
    fn ended<'a>(&self, bytes: &'a [u8], part: Part) -> std::borrow::Cow<'a, [u8]> {
        let end: &[u8] = match self.end {
            LineEnd::Newline => return bytes.into(),
            LineEnd::ReturnNewline => b"\r\n",
            LineEnd::Return => b"\r",
        };
        match bytes.strip_suffix(b"\n") {
            Some(text) if part == Part::Last => [text, end].concat().into(),
            _ => bytes.into(),
        }
    }

    /// Makes NL of the CR that ends an answer; a block stays as it is.
    fn translate(&mut self, bytes: &mut [u8]) {
        if self.end != LineEnd::Return {
            return;
        }
        let mut at = 0;
        while at < bytes.len() {
            if let Place::Block(left @ 1..) = self.place {
                let run = usize::try_from(left).unwrap_or(usize::MAX).min(bytes.len() - at);
                self.place = Place::Block(left - run as u64);
                at += run;
                continue;
            }
            if bytes[at] == b'\r' {
                bytes[at] = b'\n';
            }
            self.place = self.place.after(bytes[at]);
            at += 1;
        }
    }

    /// Reads the echo of what was sent, as far as it is there by `until`.
    async fn read_echo(&mut self, until: Instant) -> Result<(), LinkError> {
        let since = Instant::now();
        while let Some(echo) = &mut self.echo
            && echo.due() > 0
        {
            let mut came = Vec::with_capacity(echo.due());
            // Not a byte beyond the echo: what follows is for whoever receives.
            match self.link.receive(&mut came, echo.due(), until).await {
                Ok(_) => {}
                Err(error) if error.fault == LinkFault::TimedOut => return Ok(()),
                Err(error) => return Err(error),
            }
            if let Err(fault) = echo.take_off(&mut came) {
                return Err(self.error(LinkPhase::Write, 0, since, fault));
            }
        }
        Ok(())
    }

    fn forget(&mut self) {
        self.place = Place::Start;
        if let Some(echo) = &mut self.echo {
            *echo = Echo::default();
        }
    }
}

impl Place {
    fn after(self, byte: u8) -> Place {
        match (self, byte) {
            (_, b'\n') => Place::Start,
            (Place::Start, b'#') => Place::BlockStart,
            (Place::BlockStart, b'1'..=b'9') => Place::Length(byte - b'0', 0),
            (Place::Length(left, value), b'0'..=b'9') => {
                let value = value * 10 + u64::from(byte - b'0');
                if left > 1 { Place::Length(left - 1, value) } else { Place::Block(value) }
            }
            _ => Place::Text,
        }
    }
}

#[async_trait]
impl<T: Transport> Transport for Line<T> {
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

    /// The time that the device needs after opening comes on top of the deadline.
    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        self.forget();
        self.link.reopen(until).await?;
        if !self.settle.is_zero() {
            sleep(self.settle).await;
        }
        Ok(())
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        let since = Instant::now();
        self.place = Place::Start;
        let wire = self.ended(bytes, part);
        let Some(echo) = &mut self.echo else {
            return self.link.send(&wire, part, pace).await;
        };
        echo.owe(bytes, part);
        let pieces = wire.len().div_ceil(PIECE_BYTES);
        for (index, piece) in wire.chunks(PIECE_BYTES).enumerate() {
            let piece_part = if index + 1 == pieces { part } else { Part::Middle };
            self.link.send(piece, piece_part, pace).await?;
            // What is there already makes room in the driver's buffer.
            self.read_echo(Instant::now()).await?;
        }
        if part == Part::Last {
            self.read_echo(pace.next()).await?;
            if self.echo.as_ref().is_some_and(|echo| echo.due() > 0) {
                self.forget();
                let fault = other_echo(&wire, b"");
                return Err(self.error(LinkPhase::Write, wire.len(), since, fault));
            }
        }
        Ok(())
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        let since = Instant::now();
        loop {
            let before = into.len();
            let received = self.link.receive(into, at_most, until).await?;
            if let Some(echo) = &mut self.echo {
                let mut came = into.split_off(before);
                if let Err(fault) = echo.take_off(&mut came) {
                    return Err(self.error(LinkPhase::Read, 0, since, fault));
                }
                into.append(&mut came);
            }
            let bytes = into.len() - before;
            if bytes > 0 || received.end {
                self.translate(&mut into[before..]);
                return Ok(Received { bytes, ..received });
            }
        }
    }

    fn answer_complete(&mut self) {
        self.link.answer_complete();
    }
}

impl Echo {
    /// Bytes still to come back, an end of line counted as one.
    fn due(&self) -> usize {
        self.owed.len() + usize::from(self.end_owed)
    }

    /// Notes what is about to be sent, as the user gave it. An end of line alone is how a session
    /// gets back into step: what comes then may be anything, and is drained by whoever sent it.
    fn owe(&mut self, bytes: &[u8], part: Part) {
        if part == Part::Last && bytes == b"\n" && !self.in_message {
            *self = Echo::default();
            return;
        }
        let text = bytes.strip_suffix(b"\n").filter(|_| part == Part::Last);
        self.owed.extend(text.unwrap_or(bytes));
        self.end_owed = text.is_some();
        self.ended_by = None;
        self.in_message = part == Part::Middle;
    }

    /// Takes what has come back off the front of `came`.
    fn take_off(&mut self, came: &mut Vec<u8>) -> Result<(), LinkFault> {
        let mut taken = 0;
        while let Some(&byte) = came.get(taken) {
            let line_end = byte == b'\r' || byte == b'\n';
            if self.owed.front() == Some(&byte) {
                self.owed.pop_front();
            } else if !self.owed.is_empty() || (self.end_owed && !line_end) {
                let sent: Vec<u8> = self.owed.iter().copied().take(SHOWN_BYTES).collect();
                let fault = other_echo(&sent, &came[taken..]);
                *self = Echo::default();
                return Err(fault);
            } else if self.end_owed {
                (self.end_owed, self.ended_by) = (false, Some(byte));
            } else {
                let first = self.ended_by.take();
                if !line_end || first.is_none_or(|first| first == byte) {
                    break;
                }
            }
            taken += 1;
        }
        came.drain(..taken);
        Ok(())
    }
}

/// That `sent` came back as `got`, both from the first difference on.
fn other_echo(sent: &[u8], got: &[u8]) -> LinkFault {
    LinkFault::Echo(format!("'{}' came back as '{}'", shown(sent), shown(got)))
}

/// The beginning of some bytes, for messages.
fn shown(bytes: &[u8]) -> String {
    bytes[..bytes.len().min(SHOWN_BYTES)].escape_ascii().to_string()
}

#[cfg(test)]
mod tests;
