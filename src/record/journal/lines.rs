//! Reads a journal line by line, in constant memory, or whole.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Take};
use std::path::{Path, PathBuf};

use super::{Entry, FormatVersion, JOURNAL_FORMAT, LineFault, LineProblem};
use crate::record::error::{RecordError, RecordErrorKind};
use crate::record::event::Event;

/// Longest line that is read; what is longer was not written by this software.
const LINE_BYTES_MAX: usize = 64 << 20;
/// Bytes read from disk at a time.
const BUFFER_BYTES: usize = 128 << 10;

/// What one line of a journal gave.
#[derive(Clone, Debug, PartialEq)]
#[allow(
    clippy::large_enum_variant,
    reason = "nearly every line is an entry; one is held at a time"
)]
pub enum JournalLine {
    /// A sound entry.
    Entry(Entry),
    /// What is wrong with a line; a sound entry out of sequence follows its fault.
    Fault(LineFault),
}

/// A journal read line by line: an iterator in constant memory.
///
/// It ends where the file ended when it was opened, so that two passes over the journal of a run that
/// goes on see the same lines.
#[derive(Debug)]
pub struct JournalLines<R = Take<BufReader<File>>> {
    input: R,
    path: PathBuf,
    line: Vec<u8>,
    number: usize,
    due: u64,
    format: Option<FormatVersion>,
    torn_bytes: u64,
    /// What the line read last gave besides, the next one last: a sound entry after its faults.
    held: Vec<JournalLine>,
    ended: bool,
}

impl JournalLines {
    /// Opens the journal at `path`.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        let file = File::open(path).map_err(RecordError::io(path, "read"))?;
        let length = file.metadata().map_err(RecordError::io(path, "read"))?.len();
        let input = BufReader::with_capacity(BUFFER_BYTES, file).take(length);
        Ok(JournalLines::over(input, path))
    }
}

impl<R: BufRead> JournalLines<R> {
    fn over(input: R, path: &Path) -> Self {
        Self {
            input,
            path: path.to_owned(),
            line: Vec::new(),
            number: 0,
            due: 0,
            format: None,
            torn_bytes: 0,
            held: Vec::new(),
            ended: false,
        }
    }

    /// Format stated in the first line; none before it was read, and when that line is damaged.
    pub fn format(&self) -> Option<FormatVersion> {
        self.format
    }

    /// Bytes of the unfinished last line, once it was read; 0 when the journal ends in a newline.
    pub fn torn_bytes(&self) -> u64 {
        self.torn_bytes
    }

    /// The text of the line read last, without its newline.
    pub fn text(&self) -> &[u8] {
        &self.line
    }

    /// The number that the next entry should bear.
    pub fn due(&self) -> u64 {
        self.due
    }

    /// The entries alone; faults are passed over.
    pub fn entries(self) -> impl Iterator<Item = Result<Entry, RecordError>> {
        self.filter_map(|line| match line {
            Ok(JournalLine::Entry(entry)) => Some(Ok(entry)),
            Ok(JournalLine::Fault(_)) => None,
            Err(error) => Some(Err(error)),
        })
    }

    fn fault(&self, problem: LineProblem) -> JournalLine {
        JournalLine::Fault(LineFault { line: self.number, problem })
    }

    /// Reads the next line into `self.line`; false at the end of the file.
    fn read_line(&mut self) -> io::Result<Option<Ending>> {
        self.line.clear();
        self.number += 1;
        let limit = LINE_BYTES_MAX as u64 + 1;
        let read = (&mut self.input).take(limit).read_until(b'\n', &mut self.line)?;
        if read == 0 {
            return Ok(None);
        }
        if self.line.last() == Some(&b'\n') {
            self.line.pop();
            return Ok(Some(Ending::Newline));
        }
        if read as u64 == limit {
            self.line = Vec::new();
            let rest = skip_line(&mut self.input)?;
            return Ok(Some(rest.map_or(Ending::TooLong, |rest| Ending::Torn(limit + rest))));
        }
        Ok(Some(Ending::Torn(read as u64)))
    }

    fn next_line(&mut self) -> Result<Option<JournalLine>, RecordError> {
        let read = self.read_line();
        let ending = read.map_err(|error| RecordError::io(&self.path, "read")(error))?;
        let problem = match ending {
            None => {
                self.ended = true;
                let empty = self.number == 1;
                return Ok(empty.then(|| self.fault(LineProblem::NoFormat)));
            }
            Some(Ending::Torn(bytes)) => {
                self.torn_bytes = bytes;
                return Ok(Some(self.fault(LineProblem::Torn)));
            }
            Some(Ending::TooLong) => Err(LineProblem::TooLong(LINE_BYTES_MAX)),
            Some(Ending::Newline) => Entry::parse(&self.line),
        };
        let entry = match problem {
            Ok(entry) => entry,
            Err(problem) => {
                self.due = self.due.saturating_add(1);
                return Ok(Some(self.fault(problem)));
            }
        };
        let no_format = self.number == 1 && !self.take_format(&entry)?;
        let expected = std::mem::replace(&mut self.due, entry.seq.saturating_add(1));
        let found = entry.seq;
        self.held.push(JournalLine::Entry(entry));
        if found != expected {
            self.held.push(self.fault(LineProblem::Sequence { expected, found }));
        }
        if no_format {
            self.held.push(self.fault(LineProblem::NoFormat));
        }
        Ok(self.held.pop())
    }

    /// Takes the format from the first line, and says whether it is there.
    fn take_format(&mut self, entry: &Entry) -> Result<bool, RecordError> {
        let Event::JournalStarted(start) = &entry.event else { return Ok(false) };
        if start.format.major != JOURNAL_FORMAT.major {
            let (found, known) = (start.format.to_string(), JOURNAL_FORMAT.to_string());
            return Err(RecordError::new(&self.path, RecordErrorKind::Format { found, known }));
        }
        self.format = Some(start.format);
        Ok(true)
    }
}

/// How a line ends.
enum Ending {
    Newline,
    /// Not at all, after so many bytes.
    Torn(u64),
    TooLong,
}

/// Passes over the rest of a line in constant memory; how many bytes it had when no newline ends it.
fn skip_line(input: &mut impl BufRead) -> io::Result<Option<u64>> {
    let mut skipped = 0;
    loop {
        let bytes = input.fill_buf()?;
        if bytes.is_empty() {
            return Ok(Some(skipped));
        }
        if let Some(at) = bytes.iter().position(|byte| *byte == b'\n') {
            input.consume(at + 1);
            return Ok(None);
        }
        let length = bytes.len();
        skipped += length as u64;
        input.consume(length);
    }
}

impl<R: BufRead> Iterator for JournalLines<R> {
    type Item = Result<JournalLine, RecordError>;

    fn next(&mut self) -> Option<Self::Item> {
        if let Some(line) = self.held.pop() {
            return Some(Ok(line));
        }
        if self.ended {
            return None;
        }
        let line = self.next_line();
        // What could not be read once is not tried again and again.
        self.ended |= line.is_err() || self.torn_bytes > 0;
        line.transpose()
    }
}

/// A journal read back: every sound entry, and every fault by line.
///
/// All of it at once: for short journals and tests. [`JournalLines`] reads journals of any length.
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
    /// When this version cannot read its format.
    pub fn parse(bytes: &[u8]) -> Result<Self, RecordError> {
        Self::gather(JournalLines::over(bytes, Path::new("journal")))
    }

    /// Reads the journal at `path`.
    ///
    /// # Errors
    /// When the file cannot be read or has a format this version does not know.
    pub fn read(path: &Path) -> Result<Self, RecordError> {
        Self::gather(JournalLines::open(path)?)
    }

    fn gather(mut lines: JournalLines<impl BufRead>) -> Result<Self, RecordError> {
        let (mut entries, mut faults) = (Vec::new(), Vec::new());
        for line in &mut lines {
            match line? {
                JournalLine::Entry(entry) => entries.push(entry),
                JournalLine::Fault(fault) => faults.push(fault),
            }
        }
        Ok(Self { format: lines.format, entries, faults, torn_bytes: lines.torn_bytes })
    }
}
