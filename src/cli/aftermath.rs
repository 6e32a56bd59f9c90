//! What a run's record tells besides its figures: points given up, expectations that did not hold,
//! captures that are not trusted. In bounded memory, however long the journal.

use std::collections::BTreeMap;

use crate::record::{
    CaptureNo, Event, Expectation, JournalLine, RecordError, Remedy, RunFolder, RunStarted,
};
use crate::report::{recorded, shortened};

/// Most points and expectations that are listed.
const LISTED_MAX: usize = 10;
/// Most captures that are known as not trusted.
const CAPTURES_MAX: usize = 100_000;

/// What there is to tell.
#[derive(Debug, Default)]
pub(super) struct Aftermath {
    /// The first points that were given up, with the reason.
    pub(super) given_up: Vec<(u64, String)>,
    pub(super) given_up_count: u64,
    /// The first expectations that did not hold, in words.
    pub(super) failed: Vec<String>,
    pub(super) failed_count: u64,
    planned: Option<u64>,
    finished: u64,
    /// What is to be thought of captures that are not sound.
    verdicts: BTreeMap<u32, &'static str>,
}

impl Aftermath {
    /// Reads a record for it.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub(super) fn of(folder: &RunFolder) -> Result<Self, RecordError> {
        let mut aftermath = Self::default();
        for line in folder.counted_journal()? {
            let (JournalLine::Entry(entry), counts) = line? else { continue };
            match &entry.event {
                Event::RunStarted(RunStarted { points_planned, .. }) => {
                    aftermath.planned = *points_planned;
                }
                event if counts => aftermath.take(event),
                _ => {}
            }
        }
        Ok(aftermath)
    }

    fn take(&mut self, event: &Event) {
        match event {
            Event::PointFinished(_) => self.finished += 1,
            Event::PointSkipped(skipped) => {
                self.given_up_count += 1;
                if self.given_up.len() < LISTED_MAX {
                    self.given_up.push((skipped.point, shortened(&skipped.why)));
                }
            }
            Event::Capture(taken) if !taken.doubts.is_empty() => {
                self.judge(taken.capture, "doubtful");
            }
            Event::Measurement(done) if !done.doubts.is_empty() => {
                done.captures.iter().for_each(|capture| self.judge(*capture, "doubtful"));
            }
            Event::Failure(failure) if failure.remedy == Remedy::Retried => {
                let capture = failure.message.split_once(" is doubtful: ");
                let number =
                    capture.and_then(|(before, _)| before.rsplit(' ').next()?.parse().ok());
                if let Some(number) = number {
                    self.judge(CaptureNo(number), "tried again, does not count");
                }
            }
            Event::Expectation(expectation) if !expectation.passed => {
                self.failed_count += 1;
                if self.failed.len() < LISTED_MAX {
                    let words = self.in_words(expectation);
                    self.failed.push(words);
                }
            }
            _ => {}
        }
    }

    fn judge(&mut self, capture: CaptureNo, verdict: &'static str) {
        if self.verdicts.len() < CAPTURES_MAX {
            self.verdicts.insert(capture.0, verdict);
        }
    }

    fn in_words(&self, expectation: &Expectation) -> String {
        let was = expectation.measured.as_ref().map_or("not available".to_owned(), recorded);
        let point = expectation.point.map(|point| format!(" at point {point}")).unwrap_or_default();
        let doubt = match expectation.capture.and_then(|capture| self.verdicts.get(&capture.0)) {
            Some(_) => "; the measurement is doubtful",
            None => "",
        };
        format!("{} {}: was {was}{point}{doubt}", expectation.figure, expectation.wanted)
    }

    /// What is to be thought of a capture; empty when nothing speaks against it.
    pub(super) fn verdict(&self, capture: CaptureNo) -> &'static str {
        self.verdicts.get(&capture.0).copied().unwrap_or_default()
    }

    /// Why a run is not complete: `13 of 27 points were given up; the first, point 8: no answer`.
    pub(super) fn incomplete(&self) -> Option<String> {
        let (point, why) = self.given_up.first()?;
        let all = self.planned.unwrap_or(self.finished + self.given_up_count);
        let were = if self.given_up_count == 1 { "was" } else { "were" };
        let count = self.given_up_count;
        Some(format!("{count} of {all} points {were} given up; the first, point {point}: {why}"))
    }

    /// A line for each expectation that did not hold, and how many more.
    pub(super) fn failed_lines(&self) -> Vec<String> {
        let each = self.failed.iter().map(|failed| format!("FAILED: {failed}"));
        let more = self.failed_count - self.failed.len() as u64;
        let more =
            (more > 0).then(|| format!("and {more} failed expectations more; the report has them"));
        each.chain(more).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture::{self, STORY, Writer};
    use crate::record::{Failure, FaultClass, Outcome, RecordedValue};

    #[test]
    fn given_up_points_failed_expectations_and_doubts_are_gathered() {
        let root = tempfile::tempdir().unwrap();
        let night = Aftermath::of(&fixture::night(root.path())).unwrap();
        let told = "1 of 24 points was given up; the first, point 12: no answer";
        assert_eq!(night.incomplete().as_deref(), Some(told));

        let mut writer = Writer::begin(root.path(), "doubts");
        let capture = writer.shoot(&STORY[0], None);
        let sound = writer.shoot(&STORY[0], None);
        writer.log(Event::Failure(Failure {
            class: FaultClass::Transient,
            instrument: None,
            message: format!("s.yaml:4: capture {capture} is doubtful: it moved"),
            point: None,
            attempt: 1,
            remedy: Remedy::Retried,
            wait_s: None,
        }));
        let expectation = |capture, figure: &str| {
            Event::Expectation(Expectation {
                capture,
                point: Some(3),
                figure: figure.to_owned(),
                wanted: "at most 0.1 A".to_owned(),
                measured: Some(RecordedValue::number(0.35, "A")),
                passed: false,
            })
        };
        writer.log(expectation(None, "supply.current"));
        writer.log(expectation(Some(capture), "evm_db"));
        (0..12).for_each(|_| writer.log(expectation(Some(sound), "evm_db")));
        let folder = writer.end(Outcome::ExpectationFailed, 0, 14);
        let found = Aftermath::of(&folder).unwrap();
        assert_eq!(found.verdict(capture), "tried again, does not count");
        assert_eq!((found.verdict(sound), found.incomplete()), ("", None));
        let lines = found.failed_lines();
        assert_eq!(lines[0], "FAILED: supply.current at most 0.1 A: was 350 mA at point 3");
        assert!(lines[1].ends_with("; the measurement is doubtful"), "{}", lines[1]);
        assert_eq!(lines[10], "and 4 failed expectations more; the report has them");
    }
}
