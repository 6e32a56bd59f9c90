//! What can go wrong with a record, with the file it concerns.
//!
//! Knows nothing of instruments. Messages are fragments that fit "failed to …".

use std::io;
use std::path::{Path, PathBuf};

/// An error of the record: which file, and what about it.
#[derive(Debug, thiserror::Error)]
#[error("{}: {kind}", path.display())]
pub struct RecordError {
    /// The file or folder concerned.
    pub path: PathBuf,
    /// What is wrong.
    pub kind: RecordErrorKind,
}

/// What is wrong with a file of the record.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordErrorKind {
    /// The operating system refused.
    #[error("{doing}: {source}{}", advice(doing, source))]
    Io {
        /// What was attempted, as a fragment: `write`.
        doing: &'static str,
        /// The system's answer.
        source: io::Error,
    },
    /// A name that would leave the run folder, or that is reserved.
    #[error("not a usable name within a run folder; use a relative path without '..'")]
    Name,
    /// The folder is not a run folder.
    #[error("not a run folder: it holds neither journal.jsonl nor captures")]
    NotARun,
    /// The folder holds captures, and the journal that told of them is gone.
    #[error(
        "the run is damaged: its journal.jsonl is missing, and with it what was done; the \
         captures are left, each with its settings in its own meta file"
    )]
    NoJournal,
    /// Another process has the journal open to write it.
    #[error("another process writes this run; wait for its end, or stop it")]
    BeingWritten,
    /// A value that cannot be written as JSON or a text that is not the JSON expected.
    #[error("{what}: {source}")]
    Json {
        /// What was to be written or read.
        what: &'static str,
        /// The library's answer, with line and column.
        source: serde_json::Error,
    },
    /// A format this version does not know.
    #[error(
        "has format {found}; this version reads {known}: use the version that wrote it or a newer one"
    )]
    Format {
        /// The version found.
        found: String,
        /// The version known.
        known: String,
    },
    /// The content breaks a rule of its format.
    #[error("{0}")]
    Content(String),
    /// The catalogue's database refused.
    #[error("catalogue: {0}")]
    Catalogue(#[from] rusqlite::Error),
}

/// What a person can do about a refusal of the operating system; empty when the refusal says it.
fn advice(doing: &str, source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::PermissionDenied => "; ask for the right to it, or name another folder",
        io::ErrorKind::ReadOnlyFilesystem => "; name a folder that can be written to",
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "; make room, or name a folder on another disk"
        }
        io::ErrorKind::FileTooLarge => {
            "; the system lets no file of this process grow further: raise that limit (ulimit -f)"
        }
        io::ErrorKind::NotADirectory => "; a part of the path is a file: name a folder",
        io::ErrorKind::IsADirectory => "; that is a folder: name a file in it",
        io::ErrorKind::NotFound if doing == "create" => "; make its folder first",
        _ => "",
    }
}

impl RecordError {
    /// An error about `path`.
    pub fn new(path: &Path, kind: RecordErrorKind) -> Self {
        Self { path: path.to_owned(), kind }
    }

    pub(crate) fn io(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self { path, kind: RecordErrorKind::Io { doing, source } }
    }

    pub(crate) fn json(path: &Path, what: &'static str) -> impl FnOnce(serde_json::Error) -> Self {
        let path = path.to_owned();
        move |source| Self { path, kind: RecordErrorKind::Json { what, source } }
    }

    pub(crate) fn content(path: &Path, message: impl Into<String>) -> Self {
        Self::new(path, RecordErrorKind::Content(message.into()))
    }
}
