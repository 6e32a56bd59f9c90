//! Writes a journal: one line an event, on disk before the next action, also when the disk is full.

use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::{Entry, JOURNAL_FORMAT, JournalLine, JournalLines, LineProblem};
use crate::record::error::{RecordError, RecordErrorKind};
use crate::record::event::{Event, JournalStarted, Level, Note};
use crate::record::value::FaultClass;

/// File beside a journal that is locked by the process that writes it. It is empty, and stays.
pub const LOCK_FILE: &str = "journal.lock";
/// File beside a journal that keeps room on the disk for the last lines; removed when it is needed
/// and at the end of the run.
pub const RESERVE_FILE: &str = "journal.reserve";

/// Size of the reserve.
const RESERVE_BYTES: usize = 256 << 10;
/// How often a lock is tried: whoever only looks whether it is held, holds it for a moment.
const LOCK_TRIES: u32 = 100;

/// What a journal is written to.
pub(super) trait Disk: fmt::Debug + Send + Sync {
    /// Writes all of `bytes` at the end.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Returns once everything written is on disk.
    fn sync(&mut self) -> io::Result<()>;
    /// Cuts the file off after `length` bytes.
    fn cut(&mut self, length: u64) -> io::Result<()>;
    /// Gives the reserve up; false when there was none.
    fn make_room(&mut self) -> bool;
    /// Whether what is written is found at its place: a file that somebody deletes is written on
    /// without an error, and gone at the end.
    ///
    /// # Errors
    /// When it was deleted, moved or replaced.
    fn look_for_it(&self) -> io::Result<()> {
        Ok(())
    }
}

/// A journal's file and its reserve.
#[derive(Debug)]
struct Files {
    journal: File,
    path: PathBuf,
    reserve: PathBuf,
}

impl Files {
    /// Makes the reserve, as far as there is room for it.
    fn new(journal: File, path: &Path) -> Self {
        let reserve = path.with_file_name(RESERVE_FILE);
        // No zeros: a disk that compresses would keep no room for them.
        let mut state = 0x9e37_79b9_u32;
        let noise = || {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            state as u8
        };
        let bytes: Vec<u8> = std::iter::repeat_with(noise).take(RESERVE_BYTES).collect();
        // A link there must not lead the writer elsewhere.
        let _ = fs::remove_file(&reserve);
        let made = File::create_new(&reserve).and_then(|mut file| file.write_all(&bytes));
        if made.is_err() {
            // A disk that is full already: the run finds out by itself.
            let _ = fs::remove_file(&reserve);
        }
        Self { journal, path: path.to_owned(), reserve }
    }
}

impl Disk for Files {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.journal.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.journal.sync_data()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.journal.set_len(length)
    }

    fn make_room(&mut self) -> bool {
        fs::remove_file(&self.reserve).is_ok()
    }

    #[cfg(unix)]
    fn look_for_it(&self) -> io::Result<()> {
        use std::os::unix::fs::MetadataExt;
        let place = |file: fs::Metadata| (file.dev(), file.ino());
        let own = self.journal.metadata().map(place)?;
        match fs::metadata(&self.path).map(place) {
            Ok(found) if found == own => Ok(()),
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => {
                let told = "the file was deleted, moved or replaced while it was written";
                Err(io::Error::new(io::ErrorKind::NotFound, told))
            }
        }
    }
}

/// What [`Journal::reopen`] found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reopened {
    /// Bytes at the end that were never written whole, and were cut off.
    pub torn_bytes: u64,
    /// Damaged, missing or doubled lines before that; they stay.
    pub faults: u64,
    /// Sound entries.
    pub entries: u64,
    /// Captures among them.
    pub captures: u64,
}

/// The journal of a run being written.
#[derive(Debug)]
pub struct Journal {
    disk: Box<dyn Disk>,
    path: PathBuf,
    next_seq: u64,
    length: u64,
    line: Vec<u8>,
    unflushed: bool,
    /// Held as long as the journal is written.
    _lock: Option<File>,
}

impl Journal {
    /// Starts a new journal at `path`, which must not exist, and writes its first line.
    ///
    /// # Errors
    /// When the file exists, cannot be written, or another process writes it.
    pub fn create(path: &Path, at: Timestamp) -> Result<Self, RecordError> {
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(path)
            .map_err(RecordError::io(path, "create"))?;
        let lock = lock(path)?;
        let mut journal = Self::over(Box::new(Files::new(file, path)), path);
        journal._lock = Some(lock);
        journal.append(at, Event::JournalStarted(JournalStarted { format: JOURNAL_FORMAT }))?;
        journal.flush()?;
        Ok(journal)
    }

    fn over(disk: Box<dyn Disk>, path: &Path) -> Self {
        let line = Vec::with_capacity(4096);
        let path = path.to_owned();
        Self { disk, path, next_seq: 0, length: 0, line, unflushed: false, _lock: None }
    }

    /// A journal on a disk of the test's own.
    #[cfg(test)]
    pub(super) fn on(disk: Box<dyn Disk>) -> Self {
        Self::over(disk, Path::new("journal.jsonl"))
    }

    /// Opens the journal of an interrupted run to go on with it.
    ///
    /// What was never written whole is cut off: an unfinished last line, and lines at the end that hold
    /// bytes which a power cut left unwritten. No flush of them returned, so nobody relied on them.
    /// Record how much that was in [`crate::record::RunResumed::torn_bytes`].
    ///
    /// # Errors
    /// When the file cannot be read or written, has a format this version does not know, or another
    /// process writes it.
    pub fn reopen(path: &Path) -> Result<(Self, Reopened), RecordError> {
        let mut file = OpenOptions::new()
            .read(true)
            .append(true)
            .open(path)
            .map_err(RecordError::io(path, "open"))?;
        let lock = lock(path)?;
        let whole = file.seek(SeekFrom::End(0)).map_err(RecordError::io(path, "seek in"))?;
        let mut lines = JournalLines::open(path)?;
        let mut reopened = Reopened::default();
        // Damaged lines since the last one that must stay, and their bytes with the newlines.
        let (mut tail_faults, mut tail_bytes) = (0, 0);
        while let Some(line) = lines.next() {
            let fault = match line? {
                JournalLine::Entry(entry) => {
                    reopened.entries += 1;
                    reopened.captures += u64::from(matches!(entry.event, Event::Capture(_)));
                    reopened.faults += tail_faults;
                    (tail_faults, tail_bytes) = (0, 0);
                    continue;
                }
                JournalLine::Fault(fault) => fault,
            };
            match fault.problem {
                LineProblem::Torn => tail_bytes += lines.torn_bytes(),
                LineProblem::NotText | LineProblem::NoChecksum | LineProblem::Checksum
                    if lines.text().contains(&0) =>
                {
                    tail_faults += 1;
                    tail_bytes += lines.text().len() as u64 + 1;
                }
                _ => {
                    reopened.faults += tail_faults + 1;
                    (tail_faults, tail_bytes) = (0, 0);
                }
            }
        }
        reopened.torn_bytes = tail_bytes;
        let length = whole.saturating_sub(reopened.torn_bytes);
        file.set_len(length).map_err(RecordError::io(path, "cut the unfinished line of"))?;
        let next_seq = lines.due().saturating_sub(tail_faults);
        let mut journal = Self::over(Box::new(Files::new(file, path)), path);
        (journal.next_seq, journal.length, journal._lock) = (next_seq, length, Some(lock));
        Ok((journal, reopened))
    }

    /// Appends one event and returns its sequence number. It is on disk after the next
    /// [`Self::flush`]; [`Event::RunEnded`] at once.
    ///
    /// # Errors
    /// When the line cannot be written. What was half written is cut off again, so that a later
    /// append, when there is room again, finds a sound journal. When the disk is full for the first
    /// time, the line is written all the same, into the room of the reserve and after a note that
    /// says so; the error then tells that the run must come to its end.
    pub fn append(&mut self, at: Timestamp, event: Event) -> Result<u64, RecordError> {
        let last = matches!(event, Event::RunEnded(_));
        let mut entry = Entry { seq: self.next_seq, at, event };
        if let Err(error) = self.put(&entry) {
            if !(error.is_full() && self.disk.make_room()) {
                return Err(error);
            }
            self.put(&Entry { seq: self.next_seq, at, event: reserve_used() })?;
            entry.seq = self.next_seq;
            self.put(&entry)?;
            self.flush()?;
            if !last {
                return Err(error);
            }
        }
        if last {
            self.flush()?;
            self.disk.make_room();
        }
        Ok(entry.seq)
    }

    fn put(&mut self, entry: &Entry) -> Result<(), RecordError> {
        entry.emit_into(&mut self.line).map_err(RecordError::json(&self.path, "journal line"))?;
        if let Err(error) = self.disk.write(&self.line) {
            // Best effort: if the cut fails too, the reader reports the line as torn.
            let _ = self.disk.cut(self.length);
            return Err(RecordError::io(&self.path, "append to")(error));
        }
        self.length += self.line.len() as u64;
        self.next_seq += 1;
        self.unflushed = true;
        Ok(())
    }

    /// Returns once every line appended so far is on disk; does nothing when they are.
    ///
    /// # Errors
    /// When the disk refuses, or the file is no longer where it was. What was appended since the last
    /// flush may be lost then.
    pub fn flush(&mut self) -> Result<(), RecordError> {
        if !self.unflushed {
            return Ok(());
        }
        let mut done = self.disk.sync();
        if done.as_ref().is_err_and(is_full) && self.disk.make_room() {
            done = self.disk.sync();
        }
        done.map_err(RecordError::io(&self.path, "flush"))?;
        self.disk.look_for_it().map_err(RecordError::io(&self.path, "find"))?;
        self.unflushed = false;
        Ok(())
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

impl Drop for Journal {
    fn drop(&mut self) {
        // Best effort: who needs to know calls `flush` itself.
        let _ = self.flush();
    }
}

fn is_full(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge
    )
}

impl RecordError {
    /// Whether there was no room on the disk, or the file may not grow.
    pub fn is_full(&self) -> bool {
        matches!(&self.kind, RecordErrorKind::Io { source, .. } if is_full(source))
    }
}

/// The note that precedes the first line without room.
fn reserve_used() -> Event {
    Event::Note(Note {
        level: Level::Error,
        class: Some(FaultClass::Operator),
        instrument: None,
        message: format!(
            "the disk with the run folder is full; the reserve of {} KiB was given up, so that the end \
             of this record fits: make room before the run is resumed",
            RESERVE_BYTES >> 10
        ),
    })
}

/// Locks the journal at `path` for writing.
fn lock(path: &Path) -> Result<File, RecordError> {
    let path = path.with_file_name(LOCK_FILE);
    let file = OpenOptions::new()
        .create(true)
        .append(true)
        .open(&path)
        .map_err(RecordError::io(&path, "open"))?;
    for _ in 0..LOCK_TRIES {
        match file.try_lock() {
            Ok(()) => return Ok(file),
            Err(fs::TryLockError::WouldBlock) => std::thread::yield_now(),
            Err(fs::TryLockError::Error(error)) => {
                return Err(RecordError::io(&path, "lock")(error));
            }
        }
    }
    Err(RecordError::new(&path, RecordErrorKind::BeingWritten))
}

/// Whether a process writes the journal at `path` now.
pub(in crate::record) fn is_being_written(path: &Path) -> bool {
    let Ok(file) = File::open(path.with_file_name(LOCK_FILE)) else { return false };
    // Released when the file is closed, a moment later.
    matches!(file.try_lock_shared(), Err(fs::TryLockError::WouldBlock))
}
