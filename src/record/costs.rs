//! What actions took in a run, from the times of its journal: for estimates of later runs.
//!
//! Medians, so that a lost link or a pause does not count. Reads line by line; knows nothing of what an
//! estimate needs them for.

use jiff::Timestamp;

use super::error::RecordError;
use super::event::Event;
use super::folder::RunFolder;
use super::journal::JournalLine;
use super::value::{CaptureNo, figure_names};

/// Most samples of one kind that are kept; of more, an even selection.
const SAMPLES_MAX: usize = 4096;
/// Captures whose files are looked at for their size.
const SIZES_MAX: usize = 32;

/// Medians of what actions took; none of what did not occur.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LearnedCosts {
    /// Seconds of one setting that was sent, with its read-back.
    pub setting_s: Option<f64>,
    /// Seconds of one capture with its analysis.
    pub capture_s: Option<f64>,
    /// Bits compared in one capture.
    pub capture_bits: Option<f64>,
    /// Bytes of one kept capture on disk, with its meta file and its analysis.
    pub capture_bytes: Option<f64>,
    /// Seconds of one beam search.
    pub search_s: Option<f64>,
    /// Seconds of one probe of a beam search.
    pub probe_s: Option<f64>,
    /// Seconds of one point.
    pub point_s: Option<f64>,
}

/// Samples of one kind, an even selection when there are many.
#[derive(Default)]
struct Samples {
    kept: Vec<f64>,
    every: usize,
    seen: usize,
}

impl Samples {
    fn take(&mut self, sample: f64) {
        self.every = self.every.max(1);
        if self.seen.is_multiple_of(self.every) {
            if self.kept.len() == SAMPLES_MAX {
                let mut place = 0;
                self.kept.retain(|_| {
                    place += 1;
                    place % 2 == 1
                });
                self.every *= 2;
            }
            if self.seen.is_multiple_of(self.every) {
                self.kept.push(sample);
            }
        }
        self.seen += 1;
    }

    fn median(mut self) -> Option<f64> {
        let middle = self.kept.len() / 2;
        let at = self.kept.len().checked_sub(1).map(|_| middle)?;
        Some(*self.kept.select_nth_unstable_by(at, f64::total_cmp).1)
    }
}

/// What the actions of a run took; what was abandoned is left out.
///
/// # Errors
/// When the journal cannot be read.
pub fn costs(folder: &RunFolder) -> Result<LearnedCosts, RecordError> {
    let mut watch = Watch::default();
    for line in folder.counted_journal()? {
        if let (JournalLine::Entry(entry), true) = line? {
            watch.take(entry.at, &entry.event);
        }
    }
    let mut bytes = Samples::default();
    let sizes = watch.kept.iter().filter_map(|capture| size(folder, *capture));
    sizes.for_each(|size| bytes.take(size));
    Ok(LearnedCosts {
        setting_s: watch.settings.median(),
        capture_s: watch.captures.median(),
        capture_bits: watch.bits.median(),
        capture_bytes: bytes.median(),
        search_s: watch.searches.median(),
        probe_s: watch.probes.median(),
        point_s: watch.points.median(),
    })
}

/// Bytes of all files of a capture.
fn size(folder: &RunFolder, capture: CaptureNo) -> Option<f64> {
    let endings = [super::DATA_ENDING, super::META_ENDING, super::ANALYSIS_ENDING];
    let sizes = endings.map(|ending| std::fs::metadata(folder.capture_path(capture, ending)));
    let whole = sizes[0].is_ok();
    whole.then(|| sizes.into_iter().flatten().map(|data| data.len() as f64).sum())
}

/// When what began, and what it took.
#[derive(Default)]
struct Watch {
    settings: Samples,
    captures: Samples,
    bits: Samples,
    searches: Samples,
    probes: Samples,
    points: Samples,
    /// The first captures that were kept.
    kept: Vec<CaptureNo>,
    /// When the line before was written; none after what is no action.
    before: Option<Timestamp>,
    /// When the last line was written that belongs to no capture that is not analysed yet.
    capture_from: Option<Timestamp>,
    /// The same of a search, which sets beams before its line.
    search_from: Option<Timestamp>,
    point_from: Option<(u64, Timestamp)>,
}

impl Watch {
    fn take(&mut self, at: Timestamp, event: &Event) {
        let since =
            |from: Option<Timestamp>| from.map(|from| at.duration_since(from).as_secs_f64());
        match event {
            Event::Setting(done) => {
                if let Some(took_s) = since(self.before).filter(|_| !done.skipped) {
                    self.settings.take(took_s);
                }
            }
            Event::Figures(found) => {
                since(self.capture_from).into_iter().for_each(|took_s| self.captures.take(took_s));
                let bits = super::figure(&found.figures, figure_names::BITS);
                bits.into_iter().for_each(|bits| self.bits.take(bits));
            }
            Event::Capture(taken) if self.kept.len() < SIZES_MAX => self.kept.push(taken.capture),
            Event::Search(search) => {
                if let Some(took_s) = since(self.search_from) {
                    self.searches.take(took_s);
                    if !search.probes.is_empty() {
                        self.probes.take(took_s / search.probes.len() as f64);
                    }
                }
            }
            Event::PointStarted(point) => self.point_from = Some((point.point, at)),
            Event::PointFinished(point) => {
                let own = self.point_from.filter(|(number, _)| *number == point.point);
                let took_s = since(own.map(|(_, from)| from));
                took_s.into_iter().for_each(|took_s| self.points.take(took_s));
            }
            _ => {}
        }
        // Nobody knows for how long something else was waited for before these.
        let idle = matches!(
            event,
            Event::RunResumed(_)
                | Event::Paused(_)
                | Event::WentOn(_)
                | Event::Answered(_)
                | Event::Failure(_)
        );
        let then = (!idle).then_some(at);
        self.before = then;
        if !matches!(event, Event::Capture(_)) {
            self.capture_from = then;
        }
        let of_search = match event {
            Event::Setting(done) => is_of_a_beam(&done.setting.name),
            event => matches!(event, Event::Note(_)),
        };
        if !of_search {
            self.search_from = then;
        }
    }
}

/// Whether a setting is a beam or one element's weight, as a search sets them at its end.
fn is_of_a_beam(name: &str) -> bool {
    let last = name.rsplit('.').next().unwrap_or_default();
    name.starts_with("beam.") || (!last.is_empty() && last.bytes().all(|c| c.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture;

    /// The fixtures write a line every 0.73 s.
    const LINE_S: f64 = 0.73;

    #[test]
    fn costs_are_the_medians_of_what_the_journal_tells() {
        let root = tempfile::tempdir().unwrap();
        let near = |found: Option<f64>, lines: f64| {
            let found = found.expect("it occurred");
            assert!((found - lines * LINE_S).abs() < 1e-9, "{found} for {lines} lines");
        };
        let folder = fixture::sweep(root.path(), 16);
        let learned = costs(&folder).unwrap();
        near(learned.setting_s, 1.0);
        // A capture's line and that of its figures.
        near(learned.capture_s, 2.0);
        near(learned.point_s, 5.0);
        near(learned.search_s, 1.0);
        assert_eq!(learned.capture_bits, Some(114_688.0));
        assert!(learned.capture_bytes.is_some_and(|bytes| bytes > 100.0), "{learned:?}");

        let empty = fixture::Writer::begin(root.path(), "empty");
        assert_eq!(costs(&empty.folder).unwrap(), LearnedCosts::default());
    }

    #[test]
    fn a_pause_does_not_count_and_many_samples_are_thinned_evenly() {
        let root = tempfile::tempdir().unwrap();
        let learned = costs(&fixture::night(root.path())).unwrap();
        assert!(learned.setting_s.is_some_and(|s| s < 1.0), "{learned:?}");
        let mut samples = Samples::default();
        (0..100_001).for_each(|n| samples.take(f64::from(n)));
        assert!(samples.kept.len() <= SAMPLES_MAX);
        let median = samples.median().unwrap();
        assert!((median - 50_000.0).abs() < 100.0, "{median}");
    }
}
