//! The journal: an append-only file of one JSON object a line, the truth of a run.
//!
//! A line is on disk before [`Journal::append`] returns. Each ends in a checksum of itself, so that
//! a reader tells a damaged line from a sound one and an unfinished last line from both:
//!
//! ```text
//! {"seq":1,"at":"2026-03-14T21:40:07.5Z","event":"point_started",…,"sum":"0123456789abcdef"}
//! ```
//!
//! `sum` is the first 16 hex digits of the SHA-256 of the line with `,"sum":"…"` taken out. It
//! guards against damage, not against forgery.
//!
//! Knows nothing of what the events mean, nor of the wall clock.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::error::{RecordError, RecordErrorKind};
use super::event::{Event, JournalStarted};
use super::hash;

/// Version of a format: readers refuse another major, and skip what a newer minor added.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FormatVersion {
    /// Changes when old readers would misread.
    pub major: u16,
    /// Changes when something is added that old readers may skip.
    pub minor: u16,
}

impl fmt::Display for FormatVersion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.major, self.minor)
    }
}

impl Serialize for FormatVersion {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for FormatVersion {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let parsed = text.split_once('.').and_then(|(major, minor)| {
            Some(Self { major: major.parse().ok()?, minor: minor.parse().ok()? })
        });
        parsed.ok_or_else(|| serde::de::Error::custom("a format version is written MAJOR.MINOR"))
    }
}

/// The format this version of the software writes.
pub const JOURNAL_FORMAT: FormatVersion = FormatVersion { major: 1, minor: 0 };

/// One line of the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Number of the line's entry, from 0, without gaps.
    pub seq: u64,
    /// When the action finished.
    pub at: Timestamp,
    /// What happened.
    #[serde(flatten)]
    pub event: Event,
}

const SUM_KEY: &str = ",\"sum\":\"";
const SUM_DIGITS: usize = 16;

impl Entry {
    /// The entry as a journal line, with its checksum and the closing newline.
    ///
    /// # Errors
    /// When a value has no JSON form, which none of the closed set of events has.
    pub fn emit(&self) -> Result<String, serde_json::Error> {
        let mut line = serde_json::to_string(self)?;
        let sum = line_sum(line.as_bytes());
        line.truncate(line.len() - 1);
        line.push_str(SUM_KEY);
        line.push_str(&sum);
        line.push_str("\"}\n");
        Ok(line)
    }

    /// Reads one line without its newline.
    ///
    /// # Errors
    /// What is wrong with the line; no input panics.
    pub fn parse(line: &[u8]) -> Result<Self, LineProblem> {
        let text = std::str::from_utf8(line).map_err(|_| LineProblem::NotText)?;
        let (body, sum) = split_sum(text).ok_or(LineProblem::NoChecksum)?;
        if line_sum(body.as_bytes()) != sum {
            return Err(LineProblem::Checksum);
        }
        serde_json::from_str(&body).map_err(|e| LineProblem::Unreadable(e.to_string()))
    }
}

fn line_sum(body: &[u8]) -> String {
    let mut sum = hash::sha256_hex(body);
    sum.truncate(SUM_DIGITS);
    sum
}

/// Splits `{…,"sum":"…"}` into `{…}` and the sum.
fn split_sum(text: &str) -> Option<(String, &str)> {
    let head = text.strip_suffix("\"}")?;
    let at = head.len().checked_sub(SUM_DIGITS)?;
    let sum = head.get(at..)?;
    let body = head.get(..at)?.strip_suffix(SUM_KEY)?;
    Some((format!("{body}}}"), sum))
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

/// A journal read back: every sound entry, and every fault by line.
#[derive(Clone, Debug, PartialEq)]
pub struct JournalReading {
    /// Format stated in the first line; none when that line is damaged.
    pub format: Option<FormatVersion>,
    /// Sound entries in file order.
    pub entries: Vec<Entry>,
    /// What is wrong, in file order.
    pub faults: Vec<LineFault>,
    /// Bytes of the unfinished last line, 0 when the journal ends in a newline.
    pub torn_bytes: u64,
}

impl JournalReading {
    /// Reads a whole journal; damaged lines are reported, the sound ones kept.
    ///
    /// # Errors
    /// The format's version when this version cannot read it.
    pub fn parse(bytes: &[u8]) -> Result<Self, FormatVersion> {
        let mut reading =
            Self { format: None, entries: Vec::new(), faults: Vec::new(), torn_bytes: 0 };
        let mut due = 0;
        for (index, line) in bytes.split_inclusive(|&b| b == b'\n').enumerate() {
            match line.strip_suffix(b"\n") {
                Some(line) => reading.take_line(index + 1, line, &mut due)?,
                None => {
                    reading.torn_bytes = line.len() as u64;
                    reading.fault(index + 1, LineProblem::Torn);
                }
            }
        }
        if bytes.is_empty() {
            reading.fault(1, LineProblem::NoFormat);
        }
        Ok(reading)
    }

    /// Reads the journal at `path`.
    ///
    /// # Errors
    /// When the file cannot be read or has a format this version does not know.
    pub fn read(path: &Path) -> Result<Self, RecordError> {
        let bytes = std::fs::read(path).map_err(RecordError::io(path, "read"))?;
        Self::parse(&bytes).map_err(|found| {
            let (found, known) = (found.to_string(), JOURNAL_FORMAT.to_string());
            RecordError::new(path, RecordErrorKind::Format { found, known })
        })
    }

    fn fault(&mut self, line: usize, problem: LineProblem) {
        self.faults.push(LineFault { line, problem });
    }

    fn take_line(
        &mut self,
        number: usize,
        line: &[u8],
        due: &mut u64,
    ) -> Result<(), FormatVersion> {
        let entry = match Entry::parse(line) {
            Ok(entry) => entry,
            Err(problem) => {
                self.fault(number, problem);
                *due = due.saturating_add(1);
                return Ok(());
            }
        };
        if number == 1 {
            match &entry.event {
                Event::JournalStarted(start) if start.format.major != JOURNAL_FORMAT.major => {
                    return Err(start.format);
                }
                Event::JournalStarted(start) => self.format = Some(start.format),
                _ => self.fault(number, LineProblem::NoFormat),
            }
        }
        if entry.seq != *due {
            self.fault(number, LineProblem::Sequence { expected: *due, found: entry.seq });
        }
        *due = entry.seq.saturating_add(1);
        self.entries.push(entry);
        Ok(())
    }
}

/// The journal of a run being written.
#[derive(Debug)]
pub struct Journal {
    file: File,
    path: PathBuf,
    next_seq: u64,
    length: u64,
}

impl Journal {
    /// Starts a new journal at `path`, which must not exist, and writes its first line.
    ///
    /// # Errors
    /// When the file exists or cannot be written.
    pub fn create(path: &Path, at: Timestamp) -> Result<Self, RecordError> {
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(path)
            .map_err(RecordError::io(path, "create"))?;
        let mut journal = Self { file, path: path.to_owned(), next_seq: 0, length: 0 };
        journal.append(at, Event::JournalStarted(JournalStarted { format: JOURNAL_FORMAT }))?;
        Ok(journal)
    }

    /// Opens the journal of an interrupted run to go on with it.
    ///
    /// An unfinished last line is cut off: its `append` never returned, so nobody relied on it. How
    /// much was cut stands in [`JournalReading::torn_bytes`]; record it in
    /// [`super::RunResumed::torn_bytes`].
    ///
    /// # Errors
    /// When the file cannot be read or written or has a format this version does not know.
    pub fn reopen(path: &Path) -> Result<(Self, JournalReading), RecordError> {
        let reading = JournalReading::read(path)?;
        let mut file = OpenOptions::new()
            .read(true)
            .append(true)
            .open(path)
            .map_err(RecordError::io(path, "open"))?;
        let whole = file.seek(SeekFrom::End(0)).map_err(RecordError::io(path, "seek in"))?;
        let length = whole.saturating_sub(reading.torn_bytes);
        file.set_len(length).map_err(RecordError::io(path, "cut the unfinished line of"))?;
        let next_seq = reading.entries.last().map_or(0, |entry| entry.seq.saturating_add(1));
        Ok((Self { file, path: path.to_owned(), next_seq, length }, reading))
    }

    /// Appends one event and returns its sequence number once it is on disk.
    ///
    /// # Errors
    /// When the line cannot be written or flushed. What was half written is cut off again, so that
    /// a later append, when there is room again, finds a sound journal.
    pub fn append(&mut self, at: Timestamp, event: Event) -> Result<u64, RecordError> {
        let entry = Entry { seq: self.next_seq, at, event };
        let line = entry.emit().map_err(RecordError::json(&self.path, "journal line"))?;
        let written = self.file.write_all(line.as_bytes()).and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // Best effort: if the cut fails too, the reader reports the line as torn.
            let _ = self.file.set_len(self.length);
            return Err(RecordError::io(&self.path, "append to")(error));
        }
        self.length += line.len() as u64;
        self.next_seq += 1;
        Ok(entry.seq)
    }

    /// Where the journal is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes written so far.
    pub fn length(&self) -> u64 {
        self.length
    }
}

#[cfg(test)]
mod tests;
