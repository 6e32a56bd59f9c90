//! Runs without an end: those that go on, and those that were cut off.
//!
//! Looks at the first and the last lines of each journal only, so that thousands of runs cost little.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use super::error::RecordError;
use super::event::{Event, RunStarted};
use super::folder::RunFolder;
use super::journal::{Entry, JournalLine, JournalLines, LineProblem};

/// Name of the frozen bench file.
const BENCH_FILE: &str = "bench.yaml";
/// Among so many of the first lines the one that says what runs must stand.
const FIRST_LINES: usize = 16;
/// Bytes at the end of a journal in which the last line is sought, and then more of them.
const TAIL_BYTES: [u64; 2] = [8 << 10, 1 << 20];

/// A run without an end.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenRun {
    /// Its folder.
    pub folder: RunFolder,
    /// What its journal says first; none when those lines are damaged or were never written.
    pub start: Option<RunStarted>,
    /// Whether a process writes it now: then it goes on. Otherwise it was cut off.
    pub live: bool,
}

impl OpenRun {
    /// Name of its bench.
    pub fn bench(&self) -> Option<&str> {
        Some(&self.start.as_ref()?.bench)
    }

    /// SHA-256 of its frozen bench file, lower case hex.
    pub fn bench_sha256(&self) -> Option<&str> {
        let inputs = &self.start.as_ref()?.inputs;
        let bench = inputs.iter().find(|input| input.file == BENCH_FILE)?;
        Some(&bench.sha256)
    }

    /// Whether something may have been sent to instruments, as far as its first lines tell: before the
    /// line that says what runs is whole and on disk, nothing is.
    pub fn may_have_sent(&self) -> bool {
        let Ok(lines) = JournalLines::open(&self.folder.journal_path()) else { return true };
        lines.take(FIRST_LINES).any(|line| match line {
            Ok(JournalLine::Entry(entry)) => !matches!(entry.event, Event::JournalStarted(_)),
            Ok(JournalLine::Fault(fault)) => {
                // An empty file, or a line that was never whole.
                !matches!(fault.problem, LineProblem::Torn | LineProblem::NoFormat)
            }
            Err(_) => true,
        })
    }
}

impl RunFolder {
    /// The runs below `root` that have no end, oldest first; none when there is no such folder.
    ///
    /// A run whose journal cannot be read counts as open: nobody knows that it ended.
    ///
    /// # Errors
    /// When `root` cannot be listed.
    pub fn open_runs(root: &Path) -> Result<Vec<OpenRun>, RecordError> {
        if !root.exists() {
            return Ok(Vec::new());
        }
        let mut open = Vec::new();
        for folder in Self::list(root)? {
            let path = folder.journal_path();
            // Without a journal nothing can be resumed, nor is known of the bench.
            if !path.is_file() || has_end(&path).unwrap_or(false) {
                continue;
            }
            let start = start_of(&path);
            let live = folder.is_being_written();
            open.push(OpenRun { folder, start, live });
        }
        Ok(open)
    }

    /// What the first lines of the journal say of the run.
    pub fn run_started(&self) -> Option<RunStarted> {
        start_of(&self.journal_path())
    }

    /// Whether the journal's last line is its end.
    pub fn has_end(&self) -> bool {
        has_end(&self.journal_path()).unwrap_or(false)
    }
}

fn start_of(journal: &Path) -> Option<RunStarted> {
    let lines = JournalLines::open(journal).ok()?.take(FIRST_LINES);
    lines.into_iter().find_map(|line| match line.ok()? {
        JournalLine::Entry(Entry { event: Event::RunStarted(start), .. }) => Some(start),
        _ => None,
    })
}

fn has_end(journal: &Path) -> io::Result<bool> {
    let mut file = File::open(journal)?;
    let length = file.seek(SeekFrom::End(0))?;
    for tail in TAIL_BYTES {
        let from = length.saturating_sub(tail);
        file.seek(SeekFrom::Start(from))?;
        let mut bytes = Vec::new();
        (&mut file).take(tail).read_to_end(&mut bytes)?;
        // A last line that is torn is no end.
        let Some(bytes) = bytes.strip_suffix(b"\n") else { return Ok(false) };
        let line = bytes.iter().rposition(|byte| *byte == b'\n').map(|at| &bytes[at + 1..]);
        let line = if from == 0 { line.or(Some(bytes)) } else { line };
        if let Some(line) = line {
            return Ok(matches!(Entry::parse(line), Ok(Entry { event: Event::RunEnded(_), .. })));
        }
    }
    // The end of a run is no line of such length.
    Ok(false)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture::{self, Writer};

    #[test]
    fn runs_without_an_end_are_found_and_live_ones_told_from_those_cut_off() {
        let root = tempfile::tempdir().unwrap();
        assert_eq!(RunFolder::open_runs(&root.path().join("none")).unwrap(), []);
        fixture::story(root.path(), 16, 16);
        assert_eq!(RunFolder::open_runs(root.path()).unwrap(), []);
        let writer = Writer::begin(root.path(), "night");
        let open = RunFolder::open_runs(root.path()).unwrap();
        assert_eq!(open.len(), 1);
        assert_eq!(open[0].bench(), Some("packing-arm"));
        // The hash of what the fixture froze, computed apart from this code:
        // printf 'bench: packing-arm\n' | sha256sum
        let hash = "8545737b2ee8e840f223da5c9ac09327a657f925edf97f24e9ff253ff0c017f3";
        assert_eq!(open[0].bench_sha256(), Some(hash));
        assert!(open[0].live);
        let folder = writer.folder.clone();
        drop(writer);
        assert!(!RunFolder::open_runs(root.path()).unwrap()[0].live);

        // Cut within its last line, a run that had ended has no end.
        let (mut journal, _) = folder.resume_journal().unwrap();
        let end = Event::RunEnded(crate::record::RunEnded {
            outcome: crate::record::Outcome::Failed,
            message: Some("x".repeat(20_000)),
            points: 0,
            points_skipped: 0,
            retries: 0,
            captures: 0,
            expectations_failed: 0,
        });
        journal.append(fixture::start(), end).unwrap();
        drop(journal);
        assert!(folder.has_end(), "also in a long last line");
        let bytes = std::fs::read(folder.journal_path()).unwrap();
        std::fs::write(folder.journal_path(), &bytes[..bytes.len() - 1]).unwrap();
        assert!(!folder.has_end());
        assert_eq!(RunFolder::open_runs(root.path()).unwrap().len(), 1);
        std::fs::write(folder.journal_path(), "").unwrap();
        let open = RunFolder::open_runs(root.path()).unwrap();
        assert_eq!((open.len(), open[0].start.clone()), (1, None));
    }
}
