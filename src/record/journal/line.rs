//! One line of the journal: its text, its checksum, what can be wrong with it.

use std::io::Write as _;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::record::event::Event;

/// One line of the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Number of the line's entry, from 0, without gaps.
    pub seq: u64,
    /// When the action finished.
    pub at: Timestamp,
    /// What happened; in JSON its keys stand beside the two above.
    pub event: Event,
}

const SUM_KEY: &str = ",\"sum\":\"";
const SUM_DIGITS: usize = 16;
const SUM_END: &str = "\"}";

/// What every line begins with; the rest depends on the event.
#[derive(Deserialize)]
struct Head<'a> {
    seq: u64,
    at: Timestamp,
    #[serde(borrow)]
    event: std::borrow::Cow<'a, str>,
}

impl Entry {
    /// The entry as a journal line, with its checksum and the closing newline.
    ///
    /// # Errors
    /// When a value has no JSON form, which none of the closed set of events has.
    pub fn emit(&self) -> Result<String, serde_json::Error> {
        let mut line = Vec::new();
        self.emit_into(&mut line)?;
        String::from_utf8(line).map_err(serde::ser::Error::custom)
    }

    /// As [`Self::emit`], in place of what `line` held.
    pub(super) fn emit_into(&self, line: &mut Vec<u8>) -> Result<(), serde_json::Error> {
        line.clear();
        write!(line, "{{\"seq\":{},\"at\":\"{}\",", self.seq, self.at)
            .map_err(serde_json::Error::io)?;
        let event_at = line.len();
        self.event.serialize(&mut serde_json::Serializer::new(&mut *line))?;
        // The event's own brace: its keys stand beside the two before.
        line.remove(event_at);
        let sum = line_sum(&[line]);
        line.truncate(line.len() - 1);
        line.extend_from_slice(SUM_KEY.as_bytes());
        line.extend_from_slice(&sum);
        line.extend_from_slice(SUM_END.as_bytes());
        line.push(b'\n');
        Ok(())
    }

    /// Reads one line without its newline.
    ///
    /// # Errors
    /// What is wrong with the line; no input panics.
    pub fn parse(line: &[u8]) -> Result<Self, LineProblem> {
        let text = std::str::from_utf8(line).map_err(|_| LineProblem::NotText)?;
        let (body, sum) = split_sum(text).ok_or(LineProblem::NoChecksum)?;
        if line_sum(&[body.as_bytes(), b"}"]) != sum.as_bytes() {
            return Err(LineProblem::Checksum);
        }
        let unreadable = |error: serde_json::Error| LineProblem::Unreadable(error.to_string());
        // The checksum is a key that no event knows, and passed over.
        let head: Head<'_> = serde_json::from_str(text).map_err(unreadable)?;
        let event = Event::read(&head.event, text).map_err(unreadable)?;
        Ok(Self { seq: head.seq, at: head.at, event })
    }
}

/// The first digits of the SHA-256 of `parts` in a row.
fn line_sum(parts: &[&[u8]]) -> [u8; SUM_DIGITS] {
    let mut sum = Sha256::new();
    for part in parts {
        sum.update(part);
    }
    let mut digits = [0; SUM_DIGITS];
    for (pair, byte) in digits.chunks_exact_mut(2).zip(sum.finalize()) {
        pair[0] = hex_digit(byte >> 4);
        pair[1] = hex_digit(byte & 15);
    }
    digits
}

fn hex_digit(nibble: u8) -> u8 {
    if nibble < 10 { b'0' + nibble } else { b'a' + nibble - 10 }
}

/// Splits `{…,"sum":"…"}` into `{…` and the sum.
fn split_sum(text: &str) -> Option<(&str, &str)> {
    let head = text.strip_suffix(SUM_END)?;
    let at = head.len().checked_sub(SUM_DIGITS)?;
    let sum = head.get(at..)?;
    let body = head.get(..at)?.strip_suffix(SUM_KEY)?;
    Some((body, sum))
}

/// What is wrong with a line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LineProblem {
    /// The last line has no newline: the writer was interrupted.
    #[error("is unfinished: the writer was interrupted")]
    Torn,
    /// Not UTF-8.
    #[error("is not UTF-8 text")]
    NotText,
    /// No checksum where one must stand.
    #[error("carries no checksum")]
    NoChecksum,
    /// The checksum does not fit the line.
    #[error("does not fit its checksum: it was changed or damaged")]
    Checksum,
    /// Sound, but not an event this version knows.
    #[error("is not an event this version knows: {0}")]
    Unreadable(String),
    /// Sound, but out of sequence: lines are missing or doubled before it.
    #[error("has sequence number {found} where {expected} was due: lines are missing or doubled")]
    Sequence {
        /// The number due.
        expected: u64,
        /// The number found.
        found: u64,
    },
    /// Longer than any line this software writes.
    #[error("is longer than {0} bytes")]
    TooLong(usize),
    /// The first line does not state the format.
    #[error("does not state the journal's format, as the first line must")]
    NoFormat,
}

/// A fault of the journal, by line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line} {problem}")]
pub struct LineFault {
    /// Line number from 1, as an editor shows it.
    pub line: usize,
    /// What is wrong.
    pub problem: LineProblem,
}
