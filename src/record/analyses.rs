//! Later analyses of a run's captures: `analyses/NAME.jsonl`, one file an analysis.
//!
//! The figures of the run itself stand in the journal and are never changed. A file begins with a
//! line that says which software with which settings made it, has one line a capture, and ends with
//! the number of captures and the SHA-256 of all lines before: it is whole or it is not there.
//! Knows nothing of how figures are computed.

use std::fs;
use std::io::Write;
use std::path::PathBuf;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value as Json};

use super::disk;
use super::error::{RecordError, RecordErrorKind};
use super::folder::RunFolder;
use super::hash;
use super::journal::FormatVersion;
use super::value::{CaptureNo, Figure};

/// Folder of later analyses within a run folder.
pub const ANALYSES_FOLDER: &str = "analyses";
/// Format of their files.
const ANALYSES_FORMAT: FormatVersion = FormatVersion { major: 1, minor: 0 };
/// Longest file that is read.
const BYTES_MAX: u64 = 1 << 30;
/// Most analyses by one version that may begin in one second.
const SAME_SECOND_MAX: u32 = 1000;

/// What a later analysis was made with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LaterAnalysis {
    /// Format of the file.
    pub format: FormatVersion,
    /// Name of the run.
    pub run: String,
    /// When it was made.
    pub made_at: Timestamp,
    /// Version of the analysis.
    pub analysis_version: String,
    /// Settings of the analysis, by name.
    pub settings: Map<String, Json>,
}

impl LaterAnalysis {
    /// The first line of a new file.
    pub fn new(run: &str, made_at: Timestamp, version: &str, settings: Map<String, Json>) -> Self {
        let (run, analysis_version) = (run.to_owned(), version.to_owned());
        Self { format: ANALYSES_FORMAT, run, made_at, analysis_version, settings }
    }
}

/// The new figures of one capture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AnalysedCapture {
    /// The capture.
    pub capture: CaptureNo,
    /// SHA-512 of the data that were analysed, lower case hex.
    pub data_sha512: String,
    /// Name of the frame that errors were counted against; none when any frame with a header was
    /// looked for.
    pub frame: Option<String>,
    /// Symbols a second that were assumed.
    pub symbol_rate_hz: f64,
    /// Roll-off that was assumed.
    pub roll_off: f64,
    /// The figures.
    pub figures: Vec<Figure>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LastLine {
    captures: u64,
    sha256: String,
}

impl RunFolder {
    /// Writes a later analysis, whole or not at all, and returns its path. An older one is never
    /// overwritten: the name is the time and the version, with a number when it is taken.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write_later_analysis(
        &self,
        head: &LaterAnalysis,
        captures: &[AnalysedCapture],
    ) -> Result<PathBuf, RecordError> {
        let folder = self.path().join(ANALYSES_FOLDER);
        fs::create_dir_all(&folder).map_err(RecordError::io(&folder, "create"))?;
        let at = head.made_at.strftime("%Y-%m-%dT%H-%M-%S");
        let stem = format!("{at}_{}", head.analysis_version);
        let names = std::iter::once(format!("{stem}.jsonl"))
            .chain((2..=SAME_SECOND_MAX).map(|n| format!("{stem}_{n}.jsonl")));
        let path = names.map(|name| folder.join(name)).find(|path| !path.exists());
        let path = path.ok_or_else(|| RecordError::content(&folder, "is full of this second"))?;
        let mut text = line(head, &path)?;
        for capture in captures {
            text += &line(capture, &path)?;
        }
        let sha256 = hash::sha256_hex(text.as_bytes());
        text += &line(&LastLine { captures: captures.len() as u64, sha256 }, &path)?;
        disk::with_part(&path, |file, part| {
            file.write_all(text.as_bytes()).map_err(RecordError::io(part, "write"))
        })?;
        disk::sync_folder(&folder)?;
        Ok(path)
    }

    /// Reads a later analysis by the name of its file.
    ///
    /// # Errors
    /// When there is none, its format is not known, or it is not whole.
    pub fn read_later_analysis(
        &self,
        name: &str,
    ) -> Result<(LaterAnalysis, Vec<AnalysedCapture>), RecordError> {
        let path = self.inside(&format!("{ANALYSES_FOLDER}/{name}"))?;
        let bytes = disk::read_bounded(&path, BYTES_MAX)?;
        let text =
            String::from_utf8(bytes).map_err(|_| RecordError::content(&path, "is no text"))?;
        let cut = text.trim_end().rfind('\n').map_or(0, |at| at + 1);
        let (before, last) = text.split_at(cut);
        let json = |error| RecordError::json(&path, "analysis")(error);
        let last: LastLine = serde_json::from_str(last)
            .map_err(|_| RecordError::content(&path, "has no last line: it is not whole"))?;
        if last.sha256 != hash::sha256_hex(before.as_bytes()) {
            return Err(RecordError::content(&path, "was changed or damaged since it was written"));
        }
        let mut lines = before.lines();
        let head: LaterAnalysis =
            serde_json::from_str(lines.next().unwrap_or_default()).map_err(json)?;
        if head.format.major != ANALYSES_FORMAT.major {
            let (found, known) = (head.format.to_string(), ANALYSES_FORMAT.to_string());
            return Err(RecordError::new(&path, RecordErrorKind::Format { found, known }));
        }
        let captures = lines.map(serde_json::from_str).collect::<Result<Vec<_>, _>>();
        let captures: Vec<AnalysedCapture> = captures.map_err(json)?;
        if captures.len() as u64 != last.captures {
            return Err(RecordError::content(&path, "lacks captures that it counts"));
        }
        Ok((head, captures))
    }

    /// The names of the files in the folder of later analyses, oldest first; empty without one.
    ///
    /// # Errors
    /// When the folder cannot be listed.
    pub fn later_analyses(&self) -> Result<Vec<String>, RecordError> {
        let folder = self.path().join(ANALYSES_FOLDER);
        if !folder.exists() {
            return Ok(Vec::new());
        }
        let mut names = Vec::new();
        for entry in fs::read_dir(&folder).map_err(RecordError::io(&folder, "list"))? {
            let name = entry.map_err(RecordError::io(&folder, "list"))?.file_name();
            names.push(name.to_string_lossy().into_owned());
        }
        names.sort();
        Ok(names)
    }

    /// Writes a page of the run beside its report, whole or not at all, and returns its path.
    ///
    /// # Errors
    /// When `file` is a name of the record or cannot be written.
    pub fn write_page(&self, file: &str, html: &str) -> Result<PathBuf, RecordError> {
        let path = self.inside(file)?;
        if path.extension().is_none_or(|ending| ending != "html") {
            return Err(RecordError::new(&path, RecordErrorKind::Name));
        }
        disk::write_whole(&path, html.as_bytes())?;
        Ok(path)
    }
}

fn line(value: &impl Serialize, path: &std::path::Path) -> Result<String, RecordError> {
    let text = serde_json::to_string(value).map_err(RecordError::json(path, "analysis"))?;
    Ok(text + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Problem, fixture, verify};

    #[test]
    fn a_later_analysis_is_kept_beside_the_record_and_verified() {
        let root = tempfile::tempdir().unwrap();
        let folder = fixture::story(root.path(), 16, 16);
        let journal = fs::read(folder.journal_path()).unwrap();
        let head = LaterAnalysis::new(folder.name(), fixture::start(), "9.9.9", Map::new());
        let captures = [AnalysedCapture {
            capture: CaptureNo(1),
            data_sha512: "00".into(),
            frame: Some("qpsk uncoded".into()),
            symbol_rate_hz: 1.76e9,
            roll_off: 0.25,
            figures: vec![Figure::number("evm_db", Some(-17.25), Some("dB"))],
        }];
        let path = folder.write_later_analysis(&head, &captures).unwrap();
        assert!(path.ends_with("analyses/2026-03-14T21-40-07_9.9.9.jsonl"), "{path:?}");
        let again = folder.write_later_analysis(&head, &captures).unwrap();
        assert!(again.ends_with("analyses/2026-03-14T21-40-07_9.9.9_2.jsonl"), "{again:?}");
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        assert_eq!(folder.read_later_analysis(&name).unwrap(), (head, captures.to_vec()));
        assert_eq!(fs::read(folder.journal_path()).unwrap(), journal);
        assert_eq!(verify(&folder).unwrap(), []);

        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, text.replace("-17.25", "-19.25")).unwrap();
        fs::write(folder.path().join("analyses/notes.txt"), "mine").unwrap();
        let findings = verify(&folder).unwrap();
        assert_eq!(findings.len(), 2, "{findings:?}");
        assert!(
            matches!(&findings[0].problem, Problem::Unreadable(why) if why.contains("changed"))
        );
        assert_eq!(findings[1].problem, Problem::Extra);
    }
}
