//! The run folder: where the files of one run lie.
//!
//! Readable without this tool. Knows nothing of what the files say; no path leaves the folder.

use std::fs;
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

use jiff::Timestamp;

use super::analyses::ANALYSES_FOLDER;
use super::disk;
use super::error::{RecordError, RecordErrorKind};
use super::event::InputFile;
use super::hash;
use super::journal::{
    Counted, Journal, JournalLines, JournalReading, LOCK_FILE, RESERVE_FILE, Reopened,
    is_being_written,
};
use super::sigmf::{DATA_ENDING, META_ENDING};
use super::value::CaptureNo;

/// File name of the journal within a run folder.
pub const JOURNAL_FILE: &str = "journal.jsonl";
/// Folder of the captures within a run folder.
pub const CAPTURES_FOLDER: &str = "captures";
/// Folder of the message traces within a run folder.
pub const TRACE_FOLDER: &str = "trace";
/// File name of the report within a run folder.
pub const REPORT_FILE: &str = "report.html";

/// How many runs of one sequence may start in the same second.
const SAME_SECOND_MAX: u32 = 1000;
/// Longest part of a run's name that comes from the sequence's name.
const SEQUENCE_NAME_CHARS: usize = 80;

/// One run's folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunFolder {
    path: PathBuf,
    name: String,
}

impl RunFolder {
    /// Makes `root/2026-03-14T21-40-07_angle-map/` with its subfolders.
    ///
    /// The time in the name is UTC. A sequence name keeps its letters, digits, `-`, `_` and `.`;
    /// everything else becomes `-`. If the folder exists, `_2`, `_3`, … is appended.
    ///
    /// # Errors
    /// When the folder cannot be made.
    pub fn create(root: &Path, sequence_name: &str, now: Timestamp) -> Result<Self, RecordError> {
        fs::create_dir_all(root).map_err(RecordError::io(root, "create"))?;
        let start = now.strftime("%Y-%m-%dT%H-%M-%S").to_string();
        let stem = format!("{start}_{}", safe_name(sequence_name));
        for attempt in 1..=SAME_SECOND_MAX {
            let name = if attempt == 1 { stem.clone() } else { format!("{stem}_{attempt}") };
            let path = root.join(&name);
            match fs::create_dir(&path) {
                Ok(()) => {
                    let folder = Self { path, name };
                    folder.make_subfolder(CAPTURES_FOLDER)?;
                    return Ok(folder);
                }
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(RecordError::io(&path, "create")(error)),
            }
        }
        let message = format!("{SAME_SECOND_MAX} runs named {stem} exist; wait a second");
        Err(RecordError::content(root, message))
    }

    /// Opens an existing run folder: one with a journal, or with captures whose journal is gone.
    ///
    /// # Errors
    /// When there is no such folder or it has neither.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        let path = path.canonicalize().map_err(RecordError::io(path, "open"))?;
        if !is_run(&path) {
            return Err(RecordError::new(&path, RecordErrorKind::NotARun));
        }
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
        let name = name.ok_or_else(|| RecordError::new(&path, RecordErrorKind::NotARun))?;
        Ok(Self { path, name })
    }

    /// The run folders below `root`, oldest first; other folders and files are passed over.
    ///
    /// # Errors
    /// When `root` cannot be listed.
    pub fn list(root: &Path) -> Result<Vec<Self>, RecordError> {
        let mut runs = Vec::new();
        for entry in fs::read_dir(root).map_err(RecordError::io(root, "list"))? {
            let path = entry.map_err(RecordError::io(root, "list"))?.path();
            if is_run(&path) {
                runs.push(Self::open(&path)?);
            }
        }
        runs.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(runs)
    }

    /// Where the folder is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Name of the run: the folder's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Keeps a text or other octets as an input of the run and returns its name and checksum for the journal.
    ///
    /// # Errors
    /// When `file` is not a relative path within the folder, names one of the run's own files, or
    /// exists already: a frozen input is never overwritten.
    pub fn freeze(&self, file: &str, content: impl AsRef<[u8]>) -> Result<InputFile, RecordError> {
        let content = content.as_ref();
        let path = self.inside(file)?;
        let first = file.split('/').next().unwrap_or(file);
        let own = [
            JOURNAL_FILE,
            LOCK_FILE,
            RESERVE_FILE,
            CAPTURES_FOLDER,
            TRACE_FOLDER,
            REPORT_FILE,
            ANALYSES_FOLDER,
        ];
        if own.contains(&first) {
            return Err(RecordError::new(&path, RecordErrorKind::Name));
        }
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(RecordError::io(parent, "create"))?;
        }
        let mut out = fs::File::create_new(&path).map_err(RecordError::io(&path, "create"))?;
        out.write_all(content)
            .and_then(|()| out.sync_all())
            .map_err(RecordError::io(&path, "write"))?;
        Ok(InputFile { file: file.to_owned(), sha256: hash::sha256_hex(content) })
    }

    /// Starts the journal of this run.
    ///
    /// # Errors
    /// When there is one already or it cannot be written.
    pub fn start_journal(&self, at: Timestamp) -> Result<Journal, RecordError> {
        let journal = Journal::create(&self.journal_path(), at)?;
        disk::sync_folder(&self.path)?;
        Ok(journal)
    }

    /// Opens the journal of an interrupted run to go on with it; see [`Journal::reopen`].
    ///
    /// # Errors
    /// When it cannot be read or written, or another process writes it.
    pub fn resume_journal(&self) -> Result<(Journal, Reopened), RecordError> {
        Journal::reopen(&self.present_journal()?)
    }

    /// Whether a process writes the journal now; otherwise a run without an end was cut off.
    pub fn is_being_written(&self) -> bool {
        is_being_written(&self.journal_path())
    }

    /// Reads the whole journal at once; for long ones see [`Self::journal_lines`].
    ///
    /// # Errors
    /// When it is missing, cannot be read or has a format this version does not know.
    pub fn read_journal(&self) -> Result<JournalReading, RecordError> {
        JournalReading::read(&self.present_journal()?)
    }

    /// Reads the journal line by line, in constant memory.
    ///
    /// # Errors
    /// When it is missing or cannot be opened.
    pub fn journal_lines(&self) -> Result<JournalLines, RecordError> {
        JournalLines::open(&self.present_journal()?)
    }

    /// Reads the journal line by line, in constant memory, and says of each entry whether it counts.
    ///
    /// # Errors
    /// When it is missing, cannot be read or has a format this version does not know.
    pub fn counted_journal(&self) -> Result<Counted, RecordError> {
        Counted::open(&self.present_journal()?)
    }

    fn present_journal(&self) -> Result<PathBuf, RecordError> {
        let path = self.journal_path();
        if !path.try_exists().map_err(RecordError::io(&path, "look for"))? {
            return Err(RecordError::new(&self.path, RecordErrorKind::NoJournal));
        }
        Ok(path)
    }

    /// Path of the journal.
    pub fn journal_path(&self) -> PathBuf {
        self.path.join(JOURNAL_FILE)
    }

    /// Path of the report page.
    pub fn report_path(&self) -> PathBuf {
        self.path.join(REPORT_FILE)
    }

    /// Writes the report page, whole or not at all, and returns its path.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write_report(&self, html: &str) -> Result<PathBuf, RecordError> {
        let path = self.report_path();
        self.write_report_to(html, &path)?;
        Ok(path)
    }

    /// Writes the report page to a file of the caller's choice, whole or not at all.
    ///
    /// # Errors
    /// When it cannot be written, or `path` is a file of the record: the journal, a capture.
    pub fn write_report_to(&self, html: &str, path: &Path) -> Result<(), RecordError> {
        if path.is_dir() {
            let error = io::Error::from(io::ErrorKind::IsADirectory);
            return Err(RecordError::io(path, "write")(error));
        }
        if let Some(own) = self.own_part(path) {
            let why = format!("is part of the run's record ({own}); write the report elsewhere");
            return Err(RecordError::content(path, why));
        }
        disk::write_whole(path, html.as_bytes())
    }

    /// The name within this folder of an existing `path`, unless it is the report.
    fn own_part(&self, path: &Path) -> Option<String> {
        let whole = path.canonicalize().ok()?;
        let within = whole.strip_prefix(self.path.canonicalize().ok()?).ok()?;
        (within != Path::new(REPORT_FILE)).then(|| within.display().to_string())
    }

    /// The captures whose files lie in the folder, in order, whatever the journal tells.
    ///
    /// # Errors
    /// When the folder cannot be listed.
    pub fn captures_on_disk(&self) -> Result<Vec<CaptureNo>, RecordError> {
        let folder = self.path.join(CAPTURES_FOLDER);
        let mut captures = Vec::new();
        for entry in fs::read_dir(&folder).map_err(RecordError::io(&folder, "list"))? {
            let name = entry.map_err(RecordError::io(&folder, "list"))?.file_name();
            captures.extend(recording_number(&name.to_string_lossy()));
        }
        captures.sort_unstable();
        captures.dedup();
        Ok(captures)
    }

    /// Path of a message trace, with its folder made: `trace/scope.txt`.
    ///
    /// # Errors
    /// When `file` would leave the folder or the folder cannot be made.
    pub fn trace_path(&self, file: &str) -> Result<PathBuf, RecordError> {
        let path = self.inside(&format!("{TRACE_FOLDER}/{file}"))?;
        self.make_subfolder(TRACE_FOLDER)?;
        Ok(path)
    }

    /// Path of a file of capture `capture`, by its ending: `sigmf-data`.
    pub fn capture_path(&self, capture: CaptureNo, ending: &str) -> PathBuf {
        self.path.join(CAPTURES_FOLDER).join(format!("{capture}.{ending}"))
    }

    /// The number after the highest that any file in the captures folder bears, finished or not.
    ///
    /// # Errors
    /// When the folder cannot be listed.
    pub fn next_capture(&self) -> Result<CaptureNo, RecordError> {
        let folder = self.path.join(CAPTURES_FOLDER);
        let mut highest = 0_u32;
        for entry in fs::read_dir(&folder).map_err(RecordError::io(&folder, "list"))? {
            let name = entry.map_err(RecordError::io(&folder, "list"))?.file_name();
            let name = name.to_string_lossy();
            let number = name.trim_start_matches('.').split('.').next().unwrap_or_default();
            highest = highest.max(number.parse().unwrap_or(0));
        }
        Ok(CaptureNo(highest.saturating_add(1)))
    }

    /// `file` as a path within this folder.
    ///
    /// # Errors
    /// When it is absolute, empty, holds `..`, `.` or a character no system keeps in a file name.
    pub fn inside(&self, file: &str) -> Result<PathBuf, RecordError> {
        let relative = Path::new(file);
        let plain = relative.components().all(|part| matches!(part, Component::Normal(_)));
        let odd = |c: char| c.is_control() || matches!(c, '\\' | ':');
        if file.is_empty() || !plain || file.chars().any(odd) {
            return Err(RecordError::new(relative, RecordErrorKind::Name));
        }
        Ok(self.path.join(relative))
    }

    fn make_subfolder(&self, name: &str) -> Result<(), RecordError> {
        let path = self.path.join(name);
        fs::create_dir_all(&path).map_err(RecordError::io(&path, "create"))
    }
}

/// Whether a folder is that of a run: it holds a journal, or recordings of one that is lost.
fn is_run(path: &Path) -> bool {
    if path.join(JOURNAL_FILE).is_file() {
        return true;
    }
    let Ok(entries) = fs::read_dir(path.join(CAPTURES_FOLDER)) else { return false };
    let names = entries.filter_map(|entry| Some(entry.ok()?.file_name()));
    names.into_iter().any(|name| recording_number(&name.to_string_lossy()).is_some())
}

/// Number of the capture that a file of a recording belongs to: `000123.sigmf-meta`.
fn recording_number(file: &str) -> Option<CaptureNo> {
    let (number, ending) = file.split_once('.')?;
    let own = matches!(ending, DATA_ENDING | META_ENDING);
    number.parse().ok().filter(|_| own).map(CaptureNo)
}

/// A sequence's name as part of a folder's name.
fn safe_name(name: &str) -> String {
    let keep = |c: char| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '-' };
    let safe: String = name.chars().take(SEQUENCE_NAME_CHARS).map(keep).collect();
    let safe = safe.trim_matches(['-', '.']);
    if safe.is_empty() { "run".to_owned() } else { safe.to_owned() }
}

#[cfg(test)]
mod tests;
