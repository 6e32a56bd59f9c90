//! Checks one run folder against itself: files present, checksums right, journal whole, every planned
//! point accounted for.
//!
//! Changes nothing, needs nothing but the folder, and reads the journal line by line. Knows nothing of
//! what the figures mean.

use std::fmt;
use std::fs::{self, File};
use std::io::Read;
use std::path::Path;

use sha2::{Digest, Sha256, Sha512};

use super::analyses::ANALYSES_FOLDER;
use super::analysis::ANALYSIS_ENDING;
use super::error::RecordError;
use super::event::{CaptureTaken, Event, Outcome, RunEnded, RunStarted};
use super::folder::{CAPTURES_FOLDER, JOURNAL_FILE, RunFolder};
use super::hash;
use super::journal::{Entry, JournalLine};
use super::numbers::Numbers;
use super::sigmf::{DATA_ENDING, META_ENDING};
use super::value::CaptureNo;

/// Most findings of one kind that are told; of more, how many there are.
const ALIKE_MAX: usize = 200;

/// Something that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// File within the run folder.
    pub file: String,
    /// What about it.
    pub problem: Problem,
}

/// What is wrong with a file of a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Problem {
    /// The journal tells of it, and it is not there.
    Missing,
    /// It is there, and does not fit its checksum.
    Changed,
    /// It is there, and the journal does not tell of it.
    Extra,
    /// A line of the journal is damaged, missing or doubled.
    JournalLine(String),
    /// The journal has no end: the run is open. A process writes it now, or it was cut off.
    NoEnd {
        /// Whether a process writes it now.
        live: bool,
    },
    /// What the journal counts at its end is not what it tells before.
    Count(String),
    /// It cannot be read or does not hold what it should.
    Unreadable(String),
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let file = &self.file;
        match &self.problem {
            Problem::Missing => write!(f, "{file} is missing"),
            Problem::Changed => write!(f, "{file} was changed or damaged since it was written"),
            Problem::Extra => write!(f, "{file} is there, and the journal does not tell of it"),
            Problem::JournalLine(what) => write!(f, "{file}: {what}"),
            Problem::NoEnd { live: true } => {
                write!(f, "{file} has no end: the run is open, and a process writes it now")
            }
            Problem::NoEnd { live: false } => {
                write!(f, "{file} has no end: the run is open, it was cut off")
            }
            Problem::Count(what) => write!(f, "{file}: {what}"),
            Problem::Unreadable(what) => write!(f, "{file} cannot be used: {what}"),
        }
    }
}

/// What became of the points of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Account {
    /// Planned, as far as that was known when the run began.
    pub planned: Option<u64>,
    /// Finished.
    pub finished: u64,
    /// Given up.
    pub skipped: u64,
    /// Begun, and neither finished nor given up.
    pub unfinished: u64,
    /// Planned and never begun.
    pub not_reached: Option<u64>,
    /// How often a point or a step outside all points was abandoned, and began anew or not.
    pub abandoned: u64,
    /// Whether the journal has no end.
    pub open: bool,
}

/// What [`verify_whole`] found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// What is not as it should be; empty when everything is as it was written.
    pub findings: Vec<Finding>,
    /// What became of the points.
    pub account: Account,
}

/// Checks a run folder; an empty list means that everything is as it was written.
///
/// # Errors
/// When the journal cannot be read at all or has a format this version does not know.
pub fn verify(folder: &RunFolder) -> Result<Vec<Finding>, RecordError> {
    Ok(verify_whole(folder)?.findings)
}

/// As [`verify`], with what became of every point.
///
/// # Errors
/// As for [`verify`].
pub fn verify_whole(folder: &RunFolder) -> Result<Verified, RecordError> {
    let mut check = Check::new(folder);
    for line in folder.journal_lines()? {
        match line? {
            JournalLine::Fault(fault) => {
                check.faults += 1;
                if check.faults <= ALIKE_MAX {
                    check.find(JOURNAL_FILE, Problem::JournalLine(fault.to_string()));
                }
            }
            JournalLine::Entry(entry) => check.take(&entry),
        }
    }
    if check.faults > ALIKE_MAX {
        let what = format!("{} more damaged, missing or doubled lines", check.faults - ALIKE_MAX);
        check.find(JOURNAL_FILE, Problem::JournalLine(what));
    }
    check.end();
    check.files.sort_by_key(|(capture, _)| *capture);
    let files = std::mem::take(&mut check.files);
    check.findings.extend(files.into_iter().map(|(_, finding)| finding));
    check.extras()?;
    check.later_analyses()?;
    Ok(Verified { account: check.account(), findings: check.findings })
}

struct Check<'a> {
    folder: &'a RunFolder,
    findings: Vec<Finding>,
    /// Those of captures' files, by capture.
    files: Vec<(u32, Finding)>,
    /// Faulty lines of the journal.
    faults: usize,
    /// Points begun, also those that were abandoned after that.
    started: Numbers,
    finished: Numbers,
    skipped: Numbers,
    abandoned: u64,
    /// Captures with recordings, and those with figures.
    captures: Numbers,
    analysed: Numbers,
    planned: Option<u64>,
    end: Option<RunEnded>,
}

impl<'a> Check<'a> {
    fn new(folder: &'a RunFolder) -> Self {
        Self {
            folder,
            findings: Vec::new(),
            files: Vec::new(),
            faults: 0,
            started: Numbers::default(),
            finished: Numbers::default(),
            skipped: Numbers::default(),
            abandoned: 0,
            captures: Numbers::default(),
            analysed: Numbers::default(),
            planned: None,
            end: None,
        }
    }

    fn find(&mut self, file: &str, problem: Problem) {
        self.findings.push(Finding { file: file.to_owned(), problem });
    }

    fn count(&mut self, what: String) {
        self.find(JOURNAL_FILE, Problem::Count(what));
    }

    fn take(&mut self, entry: &Entry) {
        match &entry.event {
            Event::RunStarted(start) => self.inputs(start),
            Event::RunResumed(_) => self.end = None,
            Event::RunEnded(end) => self.end = Some(end.clone()),
            Event::PointStarted(point) => {
                self.started.insert(point.point);
            }
            Event::PointFinished(point) => self.done(point.point, true),
            Event::PointSkipped(point) => self.done(point.point, false),
            Event::Abandoned(abandoned) => {
                self.abandoned += 1;
                if let Some(point) = abandoned.point {
                    self.finished.remove(point);
                    self.skipped.remove(point);
                }
            }
            Event::Capture(capture) => self.capture(capture),
            Event::Figures(found) => self.analysis(found.capture),
            _ => {}
        }
    }

    /// A point ended: it was finished, or given up.
    fn done(&mut self, point: u64, finished: bool) {
        let ended = if finished { "finished" } else { "given up" };
        if self.finished.contains(point) || self.skipped.contains(point) {
            self.count(format!(
                "point {point} is {ended} though it had ended before, and was not abandoned between"
            ));
        } else if !self.started.contains(point) && self.faults == 0 {
            self.count(format!("point {point} is {ended} and was never begun"));
        }
        if finished {
            self.finished.insert(point);
        } else {
            self.skipped.insert(point);
        }
    }

    fn account(&self) -> Account {
        let ended = self.finished.len() + self.skipped.len();
        Account {
            planned: self.planned,
            finished: self.finished.len(),
            skipped: self.skipped.len(),
            unfinished: self.started.len().saturating_sub(ended),
            not_reached: self
                .planned
                .map(|planned| planned.saturating_sub(self.started.len().max(ended))),
            abandoned: self.abandoned,
            open: self.end.is_none(),
        }
    }

    /// What is only known when all lines were read.
    fn end(&mut self) {
        let Some(end) = self.end.take() else {
            let live = self.folder.is_being_written();
            return self.find(JOURNAL_FILE, Problem::NoEnd { live });
        };
        self.counts(&end);
        if let Some(gap) = self.started.first_gap() {
            let (first, last) = self.started.ends().unwrap_or_default();
            self.count(format!("tells of points {first} to {last}, and not of {gap}"));
        }
        // Only an end that was not reached by its own way leaves points out.
        let whole = matches!(
            end.outcome,
            Outcome::Completed | Outcome::ExpectationFailed | Outcome::Incomplete
        );
        let account = self.account();
        if let (true, Some(planned)) = (whole, account.planned) {
            let told = account.finished + account.skipped;
            if told != planned {
                self.count(format!(
                    "plans {planned} points and ran to its end, and tells of {} that were finished \
                     and {} that were given up",
                    account.finished, account.skipped
                ));
            }
        }
        self.end = Some(end);
    }

    /// What the last line counts against what the journal tells.
    fn counts(&mut self, end: &RunEnded) {
        let captures = self.captures.len();
        if captures != end.captures {
            self.count(format!("counts {} captures and tells of {captures}", end.captures));
        }
        // Journals of before points were planned counted those begun.
        let points = if self.planned.is_some() { &self.finished } else { &self.started };
        let (points, exact) = (points.len(), self.planned.is_some());
        if end.points > points || (exact && end.points < points) {
            self.count(format!("counts {} points and tells of {points}", end.points));
        }
        let skipped = self.skipped.len();
        if end.points_skipped != skipped {
            self.count(format!(
                "counts {} points given up and tells of {skipped}",
                end.points_skipped
            ));
        }
    }

    fn inputs(&mut self, start: &RunStarted) {
        self.planned = start.points_planned;
        for input in &start.inputs {
            if let Some(problem) = self.checksum::<Sha256>(&input.file, &input.sha256) {
                self.find(&input.file, problem);
            }
        }
    }

    fn capture(&mut self, taken: &CaptureTaken) {
        let capture = taken.capture;
        self.captures.insert(u64::from(capture.0));
        let data = capture_file(capture, DATA_ENDING);
        if taken.file != data {
            let what = format!("the journal calls it {}", taken.file);
            self.files
                .push((capture.0, Finding { file: data, problem: Problem::Unreadable(what) }));
        }
        let meta = capture_file(capture, META_ENDING);
        let data =
            self.checksum::<Sha512>(&taken.file, &taken.sha512).map(|p| (taken.file.clone(), p));
        let meta = self.checksum::<Sha256>(&meta, &taken.meta_sha256).map(|p| (meta, p));
        let found = data.into_iter().chain(meta);
        self.files.extend(found.map(|(file, problem)| (capture.0, Finding { file, problem })));
    }

    fn analysis(&mut self, capture: CaptureNo) {
        if !self.analysed.insert(u64::from(capture.0)) {
            return;
        }
        let file = capture_file(capture, ANALYSIS_ENDING);
        let problem = match self.folder.read_analysis(capture) {
            Ok(_) => return,
            Err(_) if !self.folder.path().join(&file).exists() => Problem::Missing,
            Err(error) => Problem::Unreadable(error.kind.to_string()),
        };
        self.files.push((capture.0, Finding { file, problem }));
    }

    /// Later analyses have their checksum in themselves; a page of the comparison may stand beside.
    fn later_analyses(&mut self) -> Result<(), RecordError> {
        for name in self.folder.later_analyses()? {
            let file = format!("{ANALYSES_FOLDER}/{name}");
            if name.ends_with(".jsonl") {
                if let Err(error) = self.folder.read_later_analysis(&name) {
                    self.find(&file, Problem::Unreadable(error.kind.to_string()));
                }
            } else if !name.ends_with(".html") {
                self.find(&file, Problem::Extra);
            }
        }
        Ok(())
    }

    /// Files in the folder of captures that the journal does not tell of.
    fn extras(&mut self) -> Result<(), RecordError> {
        let folder = self.folder.path().join(CAPTURES_FOLDER);
        let mut extras = Vec::new();
        for entry in fs::read_dir(&folder).map_err(RecordError::io(&folder, "list"))? {
            let name = entry.map_err(RecordError::io(&folder, "list"))?.file_name();
            let name = name.to_string_lossy();
            if !self.tells_of(&name) {
                extras.push(format!("{CAPTURES_FOLDER}/{name}"));
            }
        }
        extras.sort();
        extras.iter().for_each(|file| self.find(file, Problem::Extra));
        Ok(())
    }

    /// Whether the journal tells of a file in the folder of captures.
    fn tells_of(&self, name: &str) -> bool {
        let Some((number, ending)) = name.split_once('.') else { return false };
        let told = match ending {
            DATA_ENDING | META_ENDING => &self.captures,
            ANALYSIS_ENDING => &self.analysed,
            _ => return false,
        };
        let number = number.parse().ok().filter(|n| CaptureNo(*n).to_string() == number);
        number.is_some_and(|n| told.contains(u64::from(n)))
    }

    fn checksum<D: Digest>(&self, file: &str, wanted: &str) -> Option<Problem> {
        let Ok(path) = self.folder.inside(file) else {
            let what = "its name leads out of the run folder".to_owned();
            return Some(Problem::Unreadable(what));
        };
        if !path.exists() {
            return Some(Problem::Missing);
        }
        match file_sum::<D>(&path) {
            Ok(found) if found == wanted => None,
            Ok(_) => Some(Problem::Changed),
            Err(error) => Some(Problem::Unreadable(error.to_string())),
        }
    }
}

fn capture_file(capture: CaptureNo, ending: &str) -> String {
    format!("{CAPTURES_FOLDER}/{capture}.{ending}")
}

/// Lower-case hex of a file's hash.
fn file_sum<D: Digest>(path: &Path) -> std::io::Result<String> {
    let mut file = File::open(path)?;
    let mut buffer = vec![0; 64 * 1024];
    let mut hasher = D::new();
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(hash::hex(&hasher.finalize())),
            n => hasher.update(&buffer[..n]),
        }
    }
}

#[cfg(test)]
mod tests;
