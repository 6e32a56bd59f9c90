//! Checks one run folder against itself: files present, checksums right, journal whole.
//!
//! Changes nothing, and needs nothing but the folder. Knows nothing of what the figures mean.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::fs::{self, File};
use std::io::Read;
use std::path::Path;

use sha2::{Digest, Sha256, Sha512};

use super::analyses::ANALYSES_FOLDER;
use super::analysis::ANALYSIS_ENDING;
use super::error::RecordError;
use super::event::{CaptureTaken, Event, RunEnded};
use super::folder::{CAPTURES_FOLDER, JOURNAL_FILE, RunFolder};
use super::hash;
use super::journal::JournalReading;
use super::sigmf::META_ENDING;

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
    /// The journal has no end: the run goes on, or was cut off.
    NoEnd,
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
            Problem::NoEnd => write!(f, "{file} has no end: the run goes on, or was cut off"),
            Problem::Count(what) => write!(f, "{file}: {what}"),
            Problem::Unreadable(what) => write!(f, "{file} cannot be used: {what}"),
        }
    }
}

/// Checks a run folder; an empty list means that everything is as it was written.
///
/// # Errors
/// When the journal cannot be read at all or has a format this version does not know.
pub fn verify(folder: &RunFolder) -> Result<Vec<Finding>, RecordError> {
    let reading = folder.read_journal()?;
    let mut check = Check { folder, findings: Vec::new() };
    check.journal(&reading);
    check.inputs(&reading);
    check.captures(&reading)?;
    check.later_analyses()?;
    Ok(check.findings)
}

struct Check<'a> {
    folder: &'a RunFolder,
    findings: Vec<Finding>,
}

impl Check<'_> {
    fn find(&mut self, file: &str, problem: Problem) {
        self.findings.push(Finding { file: file.to_owned(), problem });
    }

    fn journal(&mut self, reading: &JournalReading) {
        for fault in &reading.faults {
            self.find(JOURNAL_FILE, Problem::JournalLine(fault.to_string()));
        }
        let ends = reading.entries.iter().rev().find_map(|entry| match &entry.event {
            Event::RunEnded(end) => Some(Some(end)),
            Event::RunResumed(_) => Some(None),
            _ => None,
        });
        match ends.flatten() {
            Some(end) => self.counts(reading, end),
            None => self.find(JOURNAL_FILE, Problem::NoEnd),
        }
    }

    fn counts(&mut self, reading: &JournalReading, end: &RunEnded) {
        let captures = captures_of(reading).len() as u64;
        let started: BTreeSet<u64> = reading
            .entries
            .iter()
            .filter_map(|entry| match &entry.event {
                Event::PointStarted(point) => Some(point.point),
                _ => None,
            })
            .collect();
        if captures != end.captures {
            let what = format!("counts {} captures and tells of {captures}", end.captures);
            self.find(JOURNAL_FILE, Problem::Count(what));
        }
        if end.points > started.len() as u64 {
            let what = format!("counts {} points and tells of {}", end.points, started.len());
            self.find(JOURNAL_FILE, Problem::Count(what));
        }
        let (Some(first), Some(last)) = (started.first(), started.last()) else { return };
        if last - first + 1 != started.len() as u64 {
            let gap = (*first..*last).find(|point| !started.contains(point)).unwrap_or(*first);
            let what = format!("tells of points {first} to {last}, and not of {gap}");
            self.find(JOURNAL_FILE, Problem::Count(what));
        }
    }

    fn inputs(&mut self, reading: &JournalReading) {
        for entry in &reading.entries {
            let Event::RunStarted(start) = &entry.event else { continue };
            for input in &start.inputs {
                self.checksum::<Sha256>(&input.file, &input.sha256);
            }
        }
    }

    fn captures(&mut self, reading: &JournalReading) -> Result<(), RecordError> {
        let captures = captures_of(reading);
        let mut told = BTreeSet::new();
        for capture in captures.values() {
            told.insert(capture.file.clone());
            self.checksum::<Sha512>(&capture.file, &capture.sha512);
            let meta = format!("{CAPTURES_FOLDER}/{}.{META_ENDING}", capture.capture);
            told.insert(meta.clone());
            self.checksum::<Sha256>(&meta, &capture.meta_sha256);
        }
        for entry in &reading.entries {
            let Event::Figures(found) = &entry.event else { continue };
            let file = format!("{CAPTURES_FOLDER}/{}.{ANALYSIS_ENDING}", found.capture);
            told.insert(file.clone());
            match self.folder.read_analysis(found.capture) {
                Ok(_) => {}
                Err(_) if !self.folder.path().join(&file).exists() => {
                    self.find(&file, Problem::Missing);
                }
                Err(error) => self.find(&file, Problem::Unreadable(error.kind.to_string())),
            }
        }
        self.extras(&told)
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

    fn extras(&mut self, told: &BTreeSet<String>) -> Result<(), RecordError> {
        let folder = self.folder.path().join(CAPTURES_FOLDER);
        let mut extras = Vec::new();
        for entry in fs::read_dir(&folder).map_err(RecordError::io(&folder, "list"))? {
            let name = entry.map_err(RecordError::io(&folder, "list"))?.file_name();
            let file = format!("{CAPTURES_FOLDER}/{}", name.to_string_lossy());
            if !told.contains(&file) {
                extras.push(file);
            }
        }
        extras.sort();
        extras.iter().for_each(|file| self.find(file, Problem::Extra));
        Ok(())
    }

    fn checksum<D: Digest>(&mut self, file: &str, wanted: &str) {
        let Ok(path) = self.folder.inside(file) else {
            let what = "its name leads out of the run folder".to_owned();
            self.find(file, Problem::Unreadable(what));
            return;
        };
        if !path.exists() {
            self.find(file, Problem::Missing);
            return;
        }
        match file_sum::<D>(&path) {
            Ok(found) if found == wanted => {}
            Ok(_) => self.find(file, Problem::Changed),
            Err(error) => self.find(file, Problem::Unreadable(error.to_string())),
        }
    }
}

/// The captures the journal tells of, by number.
fn captures_of(reading: &JournalReading) -> BTreeMap<u32, &CaptureTaken> {
    let captures = reading.entries.iter().filter_map(|entry| match &entry.event {
        Event::Capture(capture) => Some((capture.capture.0, capture)),
        _ => None,
    });
    captures.collect()
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
