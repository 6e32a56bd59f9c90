//! One run as the report sees it: the journal sorted by what a reader asks.
//!
//! The journal is read line by line, and what is kept of it is bounded, whatever its length: of many
//! measurements the first ones and an even selection. What was abandoned and begun anew is told in the
//! story and nowhere else. Pure but for [`Run::gather`], which reads the folder. Knows nothing of HTML.

use std::collections::VecDeque;

use jiff::Timestamp;

use super::even::Even;
use super::happened::Happenings;
use super::notes::Notes;
use super::settings::Histories;
use super::story::Story;
use super::totals::Totals;
use crate::record::{
    Analysis, AxisValue, CaptureNo, Entry, Event, Expectation, Figure, FiguresFound,
    InstrumentFound, JournalLine, LineFault, MeasurementDone, Numbers, PointSkipped, RecordError,
    Remedy, RunEnded, RunFolder, RunStarted, SafeState, SearchDone, Value, figure,
};

/// Most captures of one measurement whose symbols are drawn together.
const MERGED_MAX: usize = 8;
/// So many measurements are kept all, for the table of figures.
pub(super) const ROWS_MAX: usize = 2000;
/// So many are kept of all of them, evenly chosen, to be drawn.
const SELECTED_MAX: usize = 4000;
/// Most searches that are kept.
pub(super) const SEARCHES_MAX: usize = 60;
/// Most faults of the journal that are kept.
const FAULTS_MAX: usize = 500;
/// Most instruments that are kept.
const INSTRUMENTS_MAX: usize = 200;
/// Most captures that wait for their measurement.
const WAITING_MAX: usize = 4096;
/// Measurements whose names are known to the expectations after them.
const RECENT_MAX: usize = 32;

/// A measurement with its figures: one capture, or several taken together.
#[derive(Clone, Debug)]
pub(super) struct Shot {
    /// Its captures in order; at least one.
    pub(super) captures: Vec<CaptureNo>,
    /// How many of them were kept as recordings.
    pub(super) kept: usize,
    pub(super) label: Option<String>,
    pub(super) point: Option<u64>,
    pub(super) figures: Vec<Figure>,
    /// Standard deviation of figures over the captures.
    pub(super) spread: Vec<Figure>,
    /// Name of the frame that was sent.
    pub(super) frame: Option<String>,
    /// Value of each sweep axis.
    pub(super) position: Vec<AxisValue>,
    /// Largest share of clipped samples of its captures.
    pub(super) clipped_fraction: Option<f64>,
    /// What speaks against trusting it.
    pub(super) doubts: Vec<String>,
    /// Whether it was doubtful and another capture took its place.
    pub(super) tried_again: bool,
}

impl Shot {
    fn of_capture(capture: CaptureNo, label: Option<&String>, point: Option<u64>) -> Self {
        Self {
            captures: vec![capture],
            kept: 0,
            label: label.cloned(),
            point,
            figures: Vec::new(),
            spread: Vec::new(),
            frame: None,
            position: Vec::new(),
            clipped_fraction: None,
            doubts: Vec::new(),
            tried_again: false,
        }
    }

    /// Whether its figures are those of the run: nothing speaks against it.
    pub(super) fn is_sound(&self) -> bool {
        !self.tried_again && self.doubts.is_empty()
    }

    /// What is to be thought of it, in words; none when nothing speaks against it.
    pub(super) fn verdict(&self) -> Option<String> {
        let why = match self.doubts.as_slice() {
            [] => String::new(),
            [one] => format!(": {one}"),
            [first, more @ ..] => format!(": {first}; and {} more", more.len()),
        };
        match (self.tried_again, self.doubts.is_empty()) {
            (true, _) => Some(format!("tried again, does not count{why}")),
            (false, false) => Some(format!("doubtful{why}")),
            (false, true) => None,
        }
    }

    /// Label, or the captures' numbers when it has none.
    pub(super) fn name(&self) -> String {
        match (self.label.as_deref(), self.captures.as_slice()) {
            (Some(label), _) if !label.is_empty() => label.to_owned(),
            (_, [capture]) => format!("capture {}", capture.0),
            (_, [first, .., last]) => format!("captures {} to {}", first.0, last.0),
            (_, []) => "no capture".to_owned(),
        }
    }

    pub(super) fn figure(&self, name: &str) -> Option<f64> {
        figure(&self.figures, name)
    }

    /// Standard deviation of a figure over the captures, where there are several.
    pub(super) fn spread(&self, name: &str) -> Option<f64> {
        figure(&self.spread, name)
    }

    /// False when the analysis says that it found no frame.
    pub(super) fn detected(&self) -> bool {
        let found = self.figures.iter().find(|figure| figure.name == "detected");
        found.and_then(|figure| figure.value.as_ref()) != Some(&Value::Switch(false))
    }
}

/// A point that was given up.
#[derive(Clone, Debug)]
pub(super) struct GivenUp {
    pub(super) point: u64,
    pub(super) why: String,
    /// Value of each sweep axis; empty when it had not begun.
    pub(super) position: Vec<AxisValue>,
}

/// One run, gathered.
pub(super) struct Run<'a> {
    pub(super) folder: &'a RunFolder,
    /// The first faults of the journal, and how many there are.
    pub(super) faults: Vec<LineFault>,
    pub(super) fault_count: usize,
    pub(super) start: Option<RunStarted>,
    pub(super) started_at: Option<Timestamp>,
    pub(super) ended_at: Option<Timestamp>,
    pub(super) end: Option<RunEnded>,
    pub(super) instruments: Vec<InstrumentFound>,
    pub(super) shots: Even<Shot>,
    /// Those of them that were tried again and do not count.
    pub(super) tried_again: usize,
    /// Points given up: the first ones, and how many there are.
    pub(super) given_up: Vec<GivenUp>,
    pub(super) given_up_count: usize,
    /// Captures analysed, kept or not.
    pub(super) captures: usize,
    /// The first searches, and how many there are.
    pub(super) searches: Vec<SearchDone>,
    pub(super) search_count: usize,
    pub(super) totals: Totals,
    pub(super) notes: Notes,
    /// The last one of the run.
    pub(super) safe_state: Option<SafeState>,
    pub(super) story: Story,
    pub(super) happenings: Happenings,
    pub(super) histories: Histories,
}

/// What is only needed while the journal goes by.
#[derive(Default)]
struct Passing {
    /// The point that began last, and where it lies.
    position: Option<(u64, Vec<AxisValue>)>,
    /// Captures that no measurement has taken yet, with the time of their figures.
    waiting: Vec<(Timestamp, Shot)>,
    /// Captures that are in a measurement, or stand alone for good.
    settled: Numbers,
    /// The measurements before.
    recent: VecDeque<Known>,
}

/// What expectations know of the measurement that they are about.
struct Known {
    captures: Vec<CaptureNo>,
    name: String,
    doubtful: bool,
}

impl Passing {
    /// A failure after which an action is tried again: when it says that the last capture is doubtful,
    /// that one counts no more.
    fn try_again(&mut self, message: &str) {
        let Some((_, shot)) = self.waiting.last_mut() else { return };
        let Some(number) = shot.captures.last() else { return };
        let Some((_, why)) = message.split_once(&format!("capture {number} is doubtful: ")) else {
            return;
        };
        shot.tried_again = true;
        // Of a capture that is not kept only the failure tells.
        if shot.doubts.is_empty() {
            shot.doubts.push(why.to_owned());
        }
    }
}

impl<'a> Run<'a> {
    /// Reads the journal, and of some captures the frame and the settings from their meta files.
    pub(super) fn gather(folder: &'a RunFolder) -> Result<Self, RecordError> {
        let mut run = Self {
            folder,
            faults: Vec::new(),
            fault_count: 0,
            start: None,
            started_at: None,
            ended_at: None,
            end: None,
            instruments: Vec::new(),
            shots: Even::new(ROWS_MAX, SELECTED_MAX),
            tried_again: 0,
            given_up: Vec::new(),
            given_up_count: 0,
            captures: 0,
            searches: Vec::new(),
            search_count: 0,
            totals: Totals::default(),
            notes: Notes::default(),
            safe_state: None,
            story: Story::default(),
            happenings: Happenings::default(),
            histories: Histories::default(),
        };
        let mut passing = Passing::default();
        for line in folder.counted_journal()? {
            match line? {
                (JournalLine::Fault(fault), _) => {
                    run.fault_count += 1;
                    if run.fault_count <= FAULTS_MAX {
                        run.faults.push(fault);
                    }
                }
                (JournalLine::Entry(entry), counts) => run.take(&entry, counts, &mut passing),
            }
        }
        run.settle(&mut passing);
        run.story.end();
        run.happenings.end();
        for shot in run.shots.kept_mut() {
            shot.describe(folder);
        }
        run.histories.take_snapshots(folder);
        Ok(run)
    }

    fn take(&mut self, entry: &Entry, counts: bool, passing: &mut Passing) {
        self.ended_at = Some(entry.at);
        self.happenings.take(entry, counts);
        self.histories.take(entry);
        if ends_waiting(&entry.event) {
            self.settle(passing);
        }
        if counts {
            self.take_counted(entry, passing);
        }
        match &entry.event {
            Event::RunStarted(start) => {
                self.start = Some(start.clone());
                self.started_at = Some(entry.at);
            }
            Event::RunResumed(_) => self.end = None,
            Event::Instrument(found) => self.take_instrument(found),
            Event::PointStarted(point) => {
                passing.position = Some((point.point, point.position.clone()));
            }
            Event::Note(note) => self.notes.take(entry.at, note),
            Event::SafeState(state) => self.safe_state = Some(state.clone()),
            Event::RunEnded(end) => self.end = Some(end.clone()),
            _ => {}
        }
        // What measurements found is told where they are taken.
        if !matches!(entry.event, Event::Figures(_) | Event::Measurement(_)) {
            self.story.take(entry, counts);
        } else if !counts && let Event::Measurement(done) = &entry.event {
            self.story.measured(entry.at, &Shot::of_measurement(done), false);
        }
    }

    /// What an abandoned stretch has no part in.
    fn take_counted(&mut self, entry: &Entry, passing: &mut Passing) {
        match &entry.event {
            Event::Search(search) => {
                self.search_count += 1;
                if self.search_count <= SEARCHES_MAX {
                    self.searches.push(search.clone());
                }
            }
            Event::Capture(taken) => {
                let mut shot = Shot::of_capture(taken.capture, taken.label.as_ref(), taken.point);
                shot.kept = 1;
                shot.clipped_fraction = taken.clipped_fraction;
                shot.doubts.clone_from(&taken.doubts);
                passing.waiting.push((entry.at, shot));
                self.histories.kept(taken.capture);
            }
            Event::Figures(found) => self.take_figures(entry.at, found, passing),
            Event::Measurement(done) => self.take_measurement(entry.at, done, passing),
            Event::Expectation(expectation) => {
                let known = known_of(expectation, passing);
                let name = known.map(|known| known.name.clone());
                let doubtful = known.is_some_and(|known| known.doubtful);
                self.totals.expectation(name, doubtful, expectation);
            }
            Event::Failure(failure) if failure.remedy == Remedy::Retried => {
                passing.try_again(&failure.message);
            }
            Event::PointSkipped(skipped) => self.take_given_up(skipped, passing),
            _ => {}
        }
    }

    fn take_given_up(&mut self, skipped: &PointSkipped, passing: &Passing) {
        self.given_up_count += 1;
        if self.given_up.len() >= ROWS_MAX {
            return;
        }
        let here = passing.position.as_ref().filter(|(point, _)| *point == skipped.point);
        let position = here.map(|(_, position)| position.clone()).unwrap_or_default();
        self.given_up.push(GivenUp { point: skipped.point, why: skipped.why.clone(), position });
    }

    fn take_instrument(&mut self, found: &InstrumentFound) {
        // A run that was resumed reached its instruments again.
        let known = self.instruments.iter().position(|known| known.name == found.name);
        match known {
            Some(place) => self.instruments[place].clone_from(found),
            None if self.instruments.len() < INSTRUMENTS_MAX => {
                self.instruments.push(found.clone());
            }
            None => {}
        }
    }

    /// Figures belong to their capture, which need not have been kept.
    fn take_figures(&mut self, at: Timestamp, found: &FiguresFound, passing: &mut Passing) {
        if passing.settled.contains(u64::from(found.capture.0)) {
            return;
        }
        if passing.waiting.len() >= WAITING_MAX {
            self.settle(passing);
        }
        let of_it = |(_, shot): &(Timestamp, Shot)| shot.captures.contains(&found.capture);
        let place = passing.waiting.iter().rposition(of_it).unwrap_or_else(|| {
            let shot = Shot::of_capture(found.capture, found.label.as_ref(), found.point);
            passing.waiting.push((at, shot));
            passing.waiting.len() - 1
        });
        let (told_at, shot) = &mut passing.waiting[place];
        *told_at = at;
        shot.figures.clone_from(&found.figures);
    }

    /// A measurement takes the place of its captures; what waits besides stands alone.
    fn take_measurement(&mut self, at: Timestamp, done: &MeasurementDone, passing: &mut Passing) {
        let own = |(_, shot): &(Timestamp, Shot)| {
            shot.captures.iter().all(|capture| done.captures.contains(capture))
        };
        let (single, others) = std::mem::take(&mut passing.waiting).into_iter().partition(own);
        let single: Vec<(Timestamp, Shot)> = single;
        passing.waiting = others;
        self.settle(passing);
        let mut shot = Shot::of_measurement(done);
        shot.kept = single.iter().map(|(_, shot)| shot.kept).sum();
        let clipped = single.iter().filter_map(|(_, shot)| shot.clipped_fraction);
        shot.clipped_fraction = clipped.reduce(f64::max);
        self.story.measured(at, &shot, true);
        self.keep(shot, passing);
    }

    /// Captures that wait stand alone: no measurement took them.
    fn settle(&mut self, passing: &mut Passing) {
        for (at, shot) in std::mem::take(&mut passing.waiting) {
            self.story.measured(at, &shot, true);
            self.keep(shot, passing);
        }
    }

    fn keep(&mut self, mut shot: Shot, passing: &mut Passing) {
        for capture in &shot.captures {
            passing.settled.insert(u64::from(capture.0));
        }
        let here = passing.position.as_ref().filter(|(point, _)| shot.point == Some(*point));
        if let Some((_, position)) = here {
            shot.position.clone_from(position);
        }
        passing.recent.truncate(RECENT_MAX - 1);
        passing.recent.push_front(Known {
            captures: shot.captures.clone(),
            name: shot.name(),
            doubtful: !shot.is_sound(),
        });
        self.captures += shot.captures.len();
        self.tried_again += usize::from(shot.tried_again);
        self.totals.measurement(&shot);
        self.shots.push(shot);
    }

    /// Measurements that count: not those that were tried again.
    pub(super) fn measurements(&self) -> usize {
        self.shots.count() - self.tried_again
    }

    /// Name of the sequence, or of the folder when the journal does not tell.
    pub(super) fn title(&self) -> &str {
        self.start.as_ref().map_or(self.folder.name(), |start| &start.sequence)
    }

    /// Seconds from the first to the last line of the journal.
    pub(super) fn seconds(&self) -> Option<f64> {
        Some(self.ended_at?.duration_since(self.started_at?).as_secs_f64())
    }

    /// The analysis of a measurement when a file of it can be read: the curves of the first
    /// capture, and the symbols and blocks of the first few together.
    pub(super) fn analysis(&self, shot: &Shot) -> Option<Analysis> {
        let captures = shot.captures.iter().take(MERGED_MAX);
        let mut analyses = captures.filter_map(|capture| self.folder.read_analysis(*capture).ok());
        let mut merged = analyses.next()?;
        for other in analyses {
            merged.constellation.points.extend(other.constellation.points);
            merged.constellation.symbols += other.constellation.symbols;
            merged.evm_per_block_db.extend(other.evm_per_block_db);
        }
        Some(merged)
    }
}

/// Whether captures before an event belong to no measurement after it.
fn ends_waiting(event: &Event) -> bool {
    matches!(
        event,
        Event::PointStarted(_)
            | Event::PointFinished(_)
            | Event::PointSkipped(_)
            | Event::StepFinished(_)
            | Event::Search(_)
            | Event::Expectation(_)
            | Event::SafeState(_)
            | Event::RunEnded(_)
    )
}

/// What is known of the measurement that an expectation is about.
fn known_of<'a>(expectation: &Expectation, passing: &'a Passing) -> Option<&'a Known> {
    let capture = expectation.capture?;
    passing.recent.iter().find(|known| known.captures.contains(&capture))
}

impl Shot {
    fn of_measurement(done: &MeasurementDone) -> Self {
        Self {
            captures: done.captures.clone(),
            kept: 0,
            label: done.label.clone(),
            point: done.point,
            figures: done.figures.clone(),
            spread: done.spread.clone(),
            frame: done.frame.clone(),
            position: Vec::new(),
            clipped_fraction: None,
            doubts: done.doubts.clone(),
            tried_again: false,
        }
    }

    /// Fills in frame and place from the meta file of the first capture where the journal does not tell.
    fn describe(&mut self, folder: &RunFolder) {
        if self.frame.is_some() && !self.position.is_empty() {
            return;
        }
        let first = self.captures.first();
        let meta = first.and_then(|capture| folder.read_meta(*capture).ok());
        let Some(segment) = meta.as_ref().and_then(|meta| meta.captures.first()) else { return };
        let frame = segment.frame.as_ref().map(|frame| frame.name.clone());
        self.frame = self.frame.take().or(frame);
        if self.position.is_empty() {
            self.position.clone_from(&segment.position);
        }
    }
}
