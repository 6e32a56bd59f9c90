//! A recorded run as a replay needs it: what ran, in which order, and what came of it.

use std::collections::BTreeMap;
use std::fmt;

use beamwarden_drivers::fault::Source;

use super::error::ReplayError;
use crate::bench::BenchPlan;
use crate::record::{
    Against, CaptureNo, CaptureTaken, DATA_ENDING, Event, FiguresFound, FormatVersion,
    JOURNAL_FORMAT, Level, LineFault, LineProblem, MeasurementDone, Outcome, PointStarted,
    RawSamples, RecordError, RecordErrorKind, RecordedValue, RunFolder, RunStarted, SearchDone,
    Value,
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
    /// All of a journal, from its text.
    fn of(faults: Vec<LineFault>, journal: &[u8]) -> Vec<Self> {
        let lines: Vec<&[u8]> = journal.split(|byte| *byte == b'\n').collect();
        let event = |line: usize| {
            let text = String::from_utf8_lossy(lines.get(line.checked_sub(1)?)?);
            let (_, after) = text.split_once("\"event\":\"")?;
            let name = after.split('"').next()?;
            name.chars().all(|c| c.is_ascii_lowercase() || c == '_').then(|| name.to_owned())
        };
        let of = |fault: LineFault| Damage { event: event(fault.line), fault };
        faults.into_iter().map(of).collect()
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

/// The format that the first line of a journal tells, though it is damaged.
fn format_of(journal: &[u8]) -> Option<FormatVersion> {
    let line = journal.split(|byte| *byte == b'\n').next()?;
    let line: serde_json::Value = serde_json::from_slice(line).ok()?;
    serde_json::from_value(line.get("format")?.clone()).ok()
}

impl Recorded {
    /// Reads the journal of a run.
    ///
    /// # Errors
    /// When it cannot be read, or does not say what ran.
    pub fn read(folder: &RunFolder) -> Result<Self, ReplayError> {
        let path = folder.journal_path();
        let reading = folder.read_journal()?;
        let journal = std::fs::read(&path).map_err(RecordError::io(&path, "read"))?;
        if reading.format.is_none() {
            let other = format_of(&journal).filter(|told| told.major != JOURNAL_FORMAT.major);
            return Err(other.map_or_else(
                || ReplayError::NoFormat(folder.name().to_owned()),
                |found| {
                    let (found, known) = (found.to_string(), JOURNAL_FORMAT.to_string());
                    RecordError::new(&path, RecordErrorKind::Format { found, known }).into()
                },
            ));
        }
        let stop = RunError::Stopped.to_string();
        let (mut actions, mut stopped_after) = (0, None);
        let mut start = None;
        let (mut captures, mut figures) = (BTreeMap::new(), BTreeMap::new());
        let (mut measurements, mut searches, mut points) = (Vec::new(), Vec::new(), Vec::new());
        let (mut ended, mut outcome, mut looked_first) = (false, None, false);
        for entry in reading.entries {
            actions += usize::from(is_action(&entry.event));
            match entry.event {
                Event::RunStarted(started) => start = start.or(Some(started)),
                Event::Capture(capture) => {
                    captures.insert(capture.capture, capture);
                }
                Event::Figures(found) => {
                    figures.insert(found.capture, found);
                }
                Event::Measurement(done) => measurements.push(done),
                Event::Search(done) => searches.push(done),
                Event::PointStarted(point) => points.push(point),
                Event::RunEnded(end) => (ended, outcome) = (true, Some(end.outcome)),
                Event::RunResumed(_) => (ended, outcome, stopped_after) = (false, None, None),
                Event::Preflight(_) => looked_first = true,
                Event::Note(note) if note.level == Level::Error && note.message == stop => {
                    stopped_after = stopped_after.or(Some(actions));
                }
                _ => {}
            }
        }
        Ok(Recorded {
            start: start.ok_or_else(|| ReplayError::NoStart(folder.name().to_owned()))?,
            folder: folder.clone(),
            captures,
            figures,
            measurements,
            searches,
            points,
            damage: Damage::of(reading.faults, &journal),
            ended,
            looked_first,
            outcome,
            actions,
            cut_after: match outcome {
                None => Some(actions),
                Some(Outcome::Stopped) => stopped_after,
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
