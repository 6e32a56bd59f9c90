//! The journal: an append-only file of one JSON object a line, the truth of a run.
//!
//! A line is on disk once [`Journal::flush`] has returned, which is before the next action begins.
//! Each ends in a checksum of itself, so that a reader tells a damaged line from a sound one and an
//! unfinished last line from both:
//!
//! ```text
//! {"seq":1,"at":"2026-03-14T21:40:07.5Z","event":"point_started",…,"sum":"0123456789abcdef"}
//! ```
//!
//! `sum` is the first 16 hex digits of the SHA-256 of the line with `,"sum":"…"` taken out. It
//! guards against damage, not against forgery.
//!
//! A journal of a long run has millions of lines: [`JournalLines`] reads them one by one, and
//! [`Uncounted`] says which of them do not count. Knows nothing of what else the events mean, nor of
//! the wall clock.

mod line;
mod lines;
mod uncounted;
mod writing;

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

pub use line::{Entry, LineFault, LineProblem};
pub use lines::{JournalLine, JournalLines, JournalReading};
pub use uncounted::{Counted, Uncounted};
pub(super) use writing::is_being_written;
pub use writing::{Journal, LOCK_FILE, RESERVE_FILE, Reopened};

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
pub const JOURNAL_FORMAT: FormatVersion = FormatVersion { major: 1, minor: 1 };

#[cfg(test)]
mod tests;
