//! A recorded run as a replay needs it: what ran, in which order, and what came of it.

use std::collections::BTreeMap;
use std::fmt;

use beamwarden_drivers::fault::Source;

use super::error::ReplayError;
use crate::bench::BenchPlan;
use crate::record::{
    Against, CaptureNo, CaptureTaken, DATA_ENDING, Event, FiguresFound, FormatVersion,
    JOURNAL_FORMAT, JournalLine, Level, LineFault, LineProblem, MeasurementDone, Outcome,
    PointStarted, RawSamples, RecordError, RecordErrorKind, RecordedValue, RunFolder, RunStarted,
    SearchDone, Value,
};
use crate::run::RunError;
use crate::sequence::{CALLED_FOLDER, ReadWith, Sequence, read_sequence_with};

/// What the journal of a run tells.
#[derive(Clone, Debug)]
pub struct Recorded {
    /// The run's folder.
    pub folder: RunFolder,
    /// What ran.
    pub start: RunStarted,
    /// Captures by number.
    pub captures: BTreeMap<CaptureNo, CaptureTaken>,
    /// The figures of each capture by its number.
    pub figures: BTreeMap<CaptureNo, FiguresFound>,
    /// Measurements in order.
    pub measurements: Vec<MeasurementDone>,
    /// Beam searches in order.
    pub searches: Vec<SearchDone>,
    /// Points in the order in which they began.
    pub points: Vec<PointStarted>,
    /// Lines of the journal that are damaged, missing or doubled.
    pub damage: Vec<Damage>,
    /// Whether the journal has its last line.
    pub ended: bool,
    /// Whether bench, limits and disk were looked at before the first step.
    pub looked_first: bool,
    /// How the run ended, where the journal says so.
    pub outcome: Option<Outcome>,
    /// Actions in the journal: settings, points, searches, captures, measurements.
    pub actions: usize,
    /// So many of them came before the operator stopped the run, or before it was cut off.
    pub cut_after: Option<usize>,
}

/// A line of a journal that is damaged, or before which lines are missing or doubled.
#[derive(Clone, Debug, PartialEq)]
pub struct Damage {
    /// The line and what is wrong with it.
    pub fault: LineFault,
    /// What it seems to tell of, where the line was skipped and that can be made out: `figures`.
    pub event: Option<String>,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.fault)?;
        match (&self.fault.problem, &self.event) {
            (LineProblem::Sequence { .. }, _) => Ok(()),
            (_, None) => f.write_str("; it was skipped"),
            (_, Some(event)) => write!(f, "; it was skipped, and seems to tell of: {event}"),
        }
    }
}

impl Damage {
    /// A fault, with what the text of its line seems to tell of.
    fn of(fault: LineFault, text: &[u8]) -> Self {
        let text = String::from_utf8_lossy(text);
        let after = text.split_once("\"event\":\"").map(|(_, after)| after);
        let name = after.and_then(|after| after.split('"').next());
        let plain = |name: &&str| name.chars().all(|c| c.is_ascii_lowercase() || c == '_');
        Damage { fault, event: name.filter(plain).map(str::to_owned) }
    }

    /// Whether this is the unfinished last line of a run that was cut off, which tells nothing.
    #[must_use]
    pub fn is_the_end(&self) -> bool {
        self.fault.problem == LineProblem::Torn
    }
}

/// Whether an event is an action that a replay does again.
fn is_action(event: &Event) -> bool {
    matches!(
        event,
        Event::Setting(_)
            | Event::PointStarted(_)
            | Event::PointFinished(_)
            | Event::Search(_)
            | Event::Capture(_)
            | Event::Figures(_)
            | Event::Measurement(_)
            | Event::Expectation(_)
    )
}

/// Whether an event tells of the run as a whole, whatever became of the point it stands in.
fn is_of_the_run(event: &Event) -> bool {
    let ends = matches!(event, Event::RunResumed(_) | Event::RunEnded(_));
    ends || matches!(event, Event::RunStarted(_) | Event::Note(_))
}

/// The format that the first line of a journal tells, though it is damaged.
fn format_of(line: &[u8]) -> Option<FormatVersion> {
    let line: serde_json::Value = serde_json::from_slice(line).ok()?;
    serde_json::from_value(line.get("format")?.clone()).ok()
}

/// What is gathered from the lines of a journal.
#[derive(Default)]
struct Gathered {
    start: Option<RunStarted>,
    captures: BTreeMap<CaptureNo, CaptureTaken>,
    figures: BTreeMap<CaptureNo, FiguresFound>,
    measurements: Vec<MeasurementDone>,
    searches: Vec<SearchDone>,
    points: Vec<PointStarted>,
    damage: Vec<Damage>,
    ended: bool,
    outcome: Option<Outcome>,
    actions: usize,
    stopped_after: Option<usize>,
    looked_first: bool,
}

impl Gathered {
    /// Takes an entry that counts.
    fn take(&mut self, event: Event) {
        self.actions += usize::from(is_action(&event));
        match event {
            Event::RunStarted(started) => self.start = self.start.take().or(Some(started)),
            Event::Capture(capture) => {
                self.captures.insert(capture.capture, capture);
            }
            Event::Figures(found) => {
                self.figures.insert(found.capture, found);
            }
            Event::Measurement(done) => self.measurements.push(done),
            Event::Search(done) => self.searches.push(done),
            Event::PointStarted(point) => self.points.push(point),
            Event::RunEnded(end) => (self.ended, self.outcome) = (true, Some(end.outcome)),
            Event::RunResumed(_) => {
                (self.ended, self.outcome, self.stopped_after) = (false, None, None);
            }
            Event::Preflight(_) => self.looked_first = true,
            Event::Note(note)
                if note.level == Level::Error && note.message == RunError::Stopped.to_string() =>
            {
                self.stopped_after = self.stopped_after.or(Some(self.actions));
            }
            _ => {}
        }
    }
}

impl Recorded {
    /// Reads the journal of a run; what was abandoned and begun anew is left out.
    ///
    /// # Errors
    /// When it cannot be read, or does not say what ran.
    pub fn read(folder: &RunFolder) -> Result<Self, ReplayError> {
        let path = folder.journal_path();
        let mut journal = folder.counted_journal()?;
        let mut gathered = Gathered::default();
        let mut first_format = None;
        while let Some(line) = journal.next() {
            match line? {
                (JournalLine::Entry(entry), counts) => {
                    if counts || is_of_the_run(&entry.event) {
                        gathered.take(entry.event);
                    }
                }
                (JournalLine::Fault(fault), _) => {
                    let text = journal.lines().text();
                    if fault.line == 1 {
                        first_format = format_of(text);
                    }
                    gathered.damage.push(Damage::of(fault, text));
                }
            }
        }
        if journal.lines().format().is_none() {
            let other = first_format.filter(|told| told.major != JOURNAL_FORMAT.major);
            return Err(other.map_or_else(
                || ReplayError::NoFormat(folder.name().to_owned()),
                |found| {
                    let (found, known) = (found.to_string(), JOURNAL_FORMAT.to_string());
                    RecordError::new(&path, RecordErrorKind::Format { found, known }).into()
                },
            ));
        }
        let name = || ReplayError::NoStart(folder.name().to_owned());
        Ok(Recorded {
            start: gathered.start.ok_or_else(name)?,
            folder: folder.clone(),
            captures: gathered.captures,
            figures: gathered.figures,
            measurements: gathered.measurements,
            searches: gathered.searches,
            points: gathered.points,
            damage: gathered.damage,
            ended: gathered.ended,
            looked_first: gathered.looked_first,
            outcome: gathered.outcome,
            actions: gathered.actions,
            cut_after: match gathered.outcome {
                None => Some(gathered.actions),
                Some(Outcome::Stopped) => gathered.stopped_after,
                Some(_) => None,
            },
        })
    }

    /// The samples of a capture, as they were recorded.
    ///
    /// # Errors
    /// When a file of it is missing, or not what was recorded; with the file.
    pub(super) fn raw(&self, number: CaptureNo) -> Result<RawSamples, ReplayError> {
        let raw = self.folder.read_raw(number)?;
        if self.captures.get(&number).is_none_or(|taken| taken.sha512 != raw.sha512) {
            let file = self.folder.capture_path(number, DATA_ENDING);
            return Err(ReplayError::Damaged { capture: number, file: file.display().to_string() });
        }
        Ok(raw)
    }

    /// The captures that are not there as they were recorded, each in a sentence.
    ///
    /// Reads every one of them.
    #[must_use]
    pub fn lost_captures(&self) -> Vec<String> {
        let lost = |number: &CaptureNo| self.raw(*number).err();
        self.captures.keys().filter_map(lost).map(|error| error.to_string()).collect()
    }

    /// The bench of the run, from its frozen files.
    ///
    /// # Errors
    /// [`ReplayError::Faults`] when they do not fit this version.
    pub fn bench(&self) -> Result<BenchPlan, ReplayError> {
        let replay = self.start.replay.as_ref();
        let model = replay.and_then(|replay| replay.model.as_deref());
        let plan =
            BenchPlan::load_frozen(self.folder.path(), model).map_err(ReplayError::Faults)?;
        Ok(match replay.map(|replay| replay.against) {
            Some(Against::Model) => plan.at_the_desk(),
            Some(Against::Trace) | None => plan,
        })
    }

    /// The sequence of the run, from its frozen file, checked against a bench.
    ///
    /// # Errors
    /// [`ReplayError::Faults`] when it does not fit the bench or this version.
    pub fn sequence(&self, plan: &BenchPlan) -> Result<Sequence, ReplayError> {
        let path = self.folder.path().join("sequence.yaml");
        let source = Source::read(&path)
            .map_err(RecordError::io(&path, "read"))
            .map_err(ReplayError::Record)?;
        // The name it had in the record of the run; messages then name the same places.
        let source = Source::new("sequence.yaml", source.text);
        let given: Vec<(String, String)> = self
            .start
            .parameters
            .iter()
            // The others have the defaults of the same file.
            .filter(|parameter| parameter.given)
            .map(|parameter| (parameter.name.clone(), given_text(&parameter.value)))
            .collect();
        let folder = self.folder.path().join(CALLED_FOLDER);
        let texts =
            |name: &str| Source::read(&folder.join(name)).map_err(|error| error.to_string());
        let with = ReadWith { knobs: Some(plan.knobs()), given: &given, texts: &texts };
        read_sequence_with(&source, &with).map_err(ReplayError::Faults)
    }
}

/// A parameter's value as it is given on the command line.
fn given_text(value: &RecordedValue) -> String {
    let bare = match &value.value {
        Value::Switch(on) => (if *on { "on" } else { "off" }).to_string(),
        Value::Count(count) => count.to_string(),
        Value::Number(number) => number.to_string(),
        Value::Word(word) => word.clone(),
    };
    match &value.unit {
        Some(unit) => format!("{bare} {unit}"),
        None => bare,
    }
}
