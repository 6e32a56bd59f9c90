//! One message out, one answer in, each with a deadline; and the knowledge whether link and
//! instrument are in step.
//!
//! From the first byte of an exchange to the last the link counts as out of step. An exchange that
//! fails, or whose future is dropped, leaves it so, and nothing more is sent until
//! [`super::session`] has brought it back: a late answer is never taken for the next one.

mod blocks;

use std::time::Duration;

use tokio::time::Instant;

use super::error::InstrumentFault;
use super::stream::Outlet;
use crate::message::{AnswerReader, Expect, MessageError, MessageFault, Step, trim};
use crate::transport::{LinkError, LinkFault, Pace, Part, Recovery, Transport};

/// Longest line accepted as an answer.
pub(super) use crate::message::LINE_BYTES_MAX;

/// How long the end of line after a block may be late. A device that sends one sends it at once.
const END_OF_BLOCK: Duration = Duration::from_millis(20);
/// The slowest link that blocks are expected to travel on, where the line itself sets no rate.
const SLOWEST_BYTES_PER_S: f64 = 1e5;
/// A block may take so many times the time that its bytes need at the expected rate.
const BLOCK_TIME_MARGIN: f64 = 2.0;
/// And so many times the time for a line: what moves slowly but moves is not cut off at once, and
/// what dribbles for ever ends all the same.
const BLOCK_PATIENCE: u32 = 10;
/// Bytes looked at when nothing should be there.
const STRAY_BYTES_MAX: usize = 4096;
/// Most bytes discarded while waiting for silence.
const JUNK_BYTES_MAX: usize = 64 << 20;

/// The link of one instrument.
pub(super) struct Exchange {
    link: Box<dyn Transport>,
    /// False from the start of an exchange to its proper end.
    in_step: bool,
    /// A block was accepted without the end of line that may still come.
    newline_owed: bool,
    /// The port speaks in frames, where every byte that nobody asked for is a stray one.
    binary: bool,
    /// Bytes of a block that the instrument still waits for, at most: what is sent before they are
    /// paid goes into the block.
    owed_bytes: usize,
    /// Bytes of a block that the instrument has still to send.
    due_bytes: usize,
}

/// An answer.
#[derive(Debug)]
pub(super) struct Answer {
    pub data: Vec<u8>,
    pub is_block: bool,
}

impl Exchange {
    pub fn new(link: Box<dyn Transport>) -> Self {
        Exchange {
            link,
            in_step: false,
            newline_owed: false,
            binary: false,
            owed_bytes: 0,
            due_bytes: 0,
        }
    }

    pub fn set_binary(&mut self, binary: bool) {
        self.binary = binary;
    }

    pub fn in_step(&self) -> bool {
        self.in_step && self.link.is_open()
    }

    pub fn set_in_step(&mut self) {
        self.in_step = true;
    }

    pub fn set_out_of_step(&mut self) {
        self.in_step = false;
    }

    pub fn address(&self) -> &str {
        self.link.describe()
    }

    pub fn recovery(&self) -> Recovery {
        self.link.recovery()
    }

    pub fn is_open(&self) -> bool {
        self.link.is_open()
    }

    pub async fn reopen(&mut self, timeout: Duration) -> Result<(), InstrumentFault> {
        self.in_step = false;
        self.newline_owed = false;
        self.forget_blocks();
        self.link.reopen(Instant::now() + timeout).await.map_err(bare)
    }

    /// As [`Transport::clear`].
    pub async fn clear(&mut self, timeout: Duration) -> Result<(), InstrumentFault> {
        self.in_step = false;
        self.newline_owed = false;
        self.forget_blocks();
        self.link.clear(Instant::now() + timeout).await.map_err(bare)
    }

    /// Sends a whole message; NL is added.
    pub async fn send(&mut self, message: &[u8], timeout: Duration) -> Result<(), InstrumentFault> {
        self.look_for_strays().await?;
        self.in_step = false;
        self.send_unchecked(message, timeout).await?;
        self.in_step = true;
        Ok(())
    }

    /// Sends a query and reads its answer.
    pub async fn ask(
        &mut self,
        message: &[u8],
        expect: Expect,
        timeout: Duration,
    ) -> Result<Answer, InstrumentFault> {
        self.look_for_strays().await?;
        self.in_step = false;
        let answer = self.ask_unchecked(message, expect, timeout).await?;
        self.in_step = true;
        Ok(answer)
    }

    /// As [`Exchange::send`], also while out of step.
    pub async fn send_unchecked(
        &mut self,
        message: &[u8],
        timeout: Duration,
    ) -> Result<(), InstrumentFault> {
        // One call for the whole message: a second small packet would wait for the first one's
        // acknowledgement on links that collect small packets.
        let mut line = Vec::with_capacity(message.len() + 1);
        line.extend_from_slice(message);
        line.push(b'\n');
        self.send_bytes(&line, timeout).await
    }

    /// Sends bytes as they are.
    pub async fn send_bytes(
        &mut self,
        bytes: &[u8],
        timeout: Duration,
    ) -> Result<(), InstrumentFault> {
        let by = Instant::now() + timeout + self.travel_time(bytes.len());
        self.link.send(bytes, Part::Last, Pace { by, idle: timeout }).await.map_err(bare)
    }

    /// Appends some more bytes of an answer, at least one; an error says what there is of it.
    pub async fn receive_more(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<(), InstrumentFault> {
        let start = Instant::now();
        match self.link.receive(into, at_most, until).await {
            Ok(_) => Ok(()),
            Err(error) => {
                let error = LinkError { bytes: into.len(), took: start.elapsed(), ..error };
                let shown: Vec<String> = into.iter().map(|byte| format!("{byte:02X}")).collect();
                Err(InstrumentFault::Link { error, so_far: shown.join(" ") })
            }
        }
    }

    /// Tells the link that what was received so far forms a whole answer.
    pub fn answer_complete(&mut self) {
        self.link.answer_complete();
    }

    /// As [`Exchange::ask`], also while out of step.
    pub async fn ask_unchecked(
        &mut self,
        message: &[u8],
        expect: Expect,
        timeout: Duration,
    ) -> Result<Answer, InstrumentFault> {
        self.ask_through(message, expect, timeout, None).await
    }

    /// Asks; the data of a block leave through the outlet as they come, where there is one.
    async fn ask_through(
        &mut self,
        message: &[u8],
        expect: Expect,
        timeout: Duration,
        mut outlet: Option<&mut Outlet<'_, '_>>,
    ) -> Result<Answer, InstrumentFault> {
        self.send_unchecked(message, timeout).await?;
        let mut start = Instant::now();
        let mut reader = self.reader(expect, outlet.is_some());
        let mut until = start + timeout;
        let mut step = Step::More;
        let mut bytes = 0;
        loop {
            let (room, at_most) = reader.room();
            let received = match self.link.receive(room, at_most, until).await {
                Ok(received) => received,
                Err(error) if step == Step::AllButEnd && error.fault == LinkFault::TimedOut => {
                    self.newline_owed = true;
                    break;
                }
                Err(error) => return Err(cut(error, bytes, start, &reader)),
            };
            bytes += received.bytes;
            step = reader.advance(received.end)?;
            if let Some(outlet) = &mut outlet {
                // What the taker needs is not the instrument's time.
                let since = Instant::now();
                self.due_bytes = still_due(&reader);
                outlet.pass_on(&mut reader).await?;
                start += since.elapsed();
            }
            match step {
                Step::Done => break,
                Step::AllButEnd => until = Instant::now() + END_OF_BLOCK,
                Step::More if reader.is_block() => {
                    // Every piece of a block may take as long as a whole line. What has come earns
                    // time, not what was announced.
                    let earned = self.travel_time(reader.progress().0);
                    let whole = start + timeout * BLOCK_PATIENCE + earned;
                    until = whole.min(Instant::now() + timeout);
                }
                Step::More => {}
            }
        }
        self.link.answer_complete();
        self.due_bytes = 0;
        let is_block = reader.is_block();
        let (data, rest) = reader.finish();
        if !trim(&rest).is_empty() {
            // Which of the two is the answer cannot be known.
            return Err(MessageError::new(MessageFault::Leftover, &rest).into());
        }
        if !is_block && !message.is_empty() && trim(&data) == trim(message) {
            // The answer itself is still on its way.
            return Err(MessageError::new(MessageFault::Echo, &data).into());
        }
        Ok(Answer { data, is_block })
    }

    fn reader(&mut self, expect: Expect, in_pieces: bool) -> AnswerReader {
        let mut reader = if std::mem::take(&mut self.newline_owed) {
            AnswerReader::after_bare_block(expect)
        } else {
            AnswerReader::new(expect)
        };
        if self.link.marks_end() {
            reader.accept_indefinite();
        }
        if in_pieces { reader.in_pieces() } else { reader }
    }

    /// The status byte, where the link reads it beside the messages. The link stays in step.
    pub async fn status_byte(&mut self, timeout: Duration) -> Result<Option<u8>, InstrumentFault> {
        let outcome = self.link.status_byte(Instant::now() + timeout).await;
        outcome.map_err(|error| {
            self.in_step = false;
            bare(error)
        })
    }

    /// Waits for a service request, or that long where none comes or the link has none.
    pub async fn wait_for_request(&mut self, time: Duration) -> Result<(), InstrumentFault> {
        let until = Instant::now() + time;
        match self.link.service_request(until).await {
            Ok(Some(_)) => Ok(()),
            Ok(None) => {
                tokio::time::sleep_until(until).await;
                Ok(())
            }
            Err(error) if error.fault == LinkFault::TimedOut => Ok(()),
            Err(error) => {
                self.in_step = false;
                Err(bare(error))
            }
        }
    }

    /// Time that so many bytes may take on the way beyond the time for a short message.
    fn travel_time(&self, bytes: usize) -> Duration {
        let rate = self.link.line_rate_bytes_per_s().unwrap_or(SLOWEST_BYTES_PER_S).max(1.0);
        Duration::from_secs_f64(BLOCK_TIME_MARGIN * bytes as f64 / rate)
    }

    /// Finds what came although nothing is outstanding. Blanks and ends of line are dropped.
    pub async fn look_for_strays(&mut self) -> Result<(), InstrumentFault> {
        let mut strays = Vec::new();
        loop {
            // Behind a blank there may be more.
            match self.link.receive(&mut strays, STRAY_BYTES_MAX, Instant::now()).await {
                Ok(_)
                    if !self.binary
                        && trim(&strays).is_empty()
                        && strays.len() < STRAY_BYTES_MAX => {}
                Ok(_) => {
                    self.in_step = false;
                    return Err(InstrumentFault::Stray(strays.escape_ascii().to_string()));
                }
                Err(error) if error.fault == LinkFault::TimedOut => {
                    self.newline_owed &= !strays.contains(&b'\n');
                    return Ok(());
                }
                Err(error) => {
                    self.in_step = false;
                    return Err(bare(error));
                }
            }
        }
    }

    /// Discards input until nothing comes for the time `quiet`; the bytes discarded.
    pub async fn drain(
        &mut self,
        quiet: Duration,
        timeout: Duration,
    ) -> Result<usize, InstrumentFault> {
        // The rest of a block that was given up is known to come; it earns its time by coming.
        let due = std::mem::take(&mut self.due_bytes);
        let end = Instant::now() + timeout.max(quiet);
        let mut bytes = 0;
        let mut junk = Vec::new();
        loop {
            junk.clear();
            let until = Instant::now() + quiet;
            match self.link.receive(&mut junk, STRAY_BYTES_MAX, until).await {
                Ok(received) => bytes += received.bytes,
                Err(error) if error.fault == LinkFault::TimedOut => return Ok(bytes),
                Err(error) => return Err(bare(error)),
            }
            let end = end + self.travel_time(bytes.min(due));
            if Instant::now() >= end || bytes > JUNK_BYTES_MAX + due {
                return Err(InstrumentFault::NeverQuiet);
            }
        }
    }
}

/// Bytes of a block that have not come yet.
fn still_due(reader: &AnswerReader) -> usize {
    let (got, length) = reader.progress();
    length.map_or(0, |length| length.saturating_sub(got))
}

fn bare(error: LinkError) -> InstrumentFault {
    InstrumentFault::Link { error, so_far: String::new() }
}

/// The link's error with the byte count and time of the whole answer, and what there was of it.
fn cut(error: LinkError, bytes: usize, start: Instant, reader: &AnswerReader) -> InstrumentFault {
    let mut error = LinkError { bytes, took: start.elapsed(), ..error };
    let so_far = match reader.progress() {
        (got, Some(length)) => {
            error.bytes = got;
            format!("{got} of {length} bytes of a block")
        }
        _ => {
            let head = &reader.so_far()[..reader.so_far().len().min(120)];
            head.escape_ascii().to_string()
        }
    };
    InstrumentFault::Link { error, so_far }
}
