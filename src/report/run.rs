//! One run as the report sees it: the journal sorted by what a reader asks.
//!
//! Pure but for [`Run::gather`], which reads the folder. Knows nothing of HTML.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::record::{
    Analysis, AxisValue, CaptureNo, Entry, Event, Expectation, Figure, FiguresFound,
    InstrumentFound, LineFault, MeasurementDone, Note, RecordError, RunEnded, RunFolder,
    RunStarted, SafeState, SearchDone, Value, figure,
};

/// Most captures of one measurement whose symbols are drawn together.
const MERGED_MAX: usize = 8;

/// A measurement with its figures: one capture, or several taken together.
pub(super) struct Shot {
    /// Its captures in order; at least one.
    pub(super) captures: Vec<CaptureNo>,
    /// How many of them were kept as recordings.
    pub(super) kept: usize,
    /// Whether the journal tells of it as a measurement; otherwise it is a capture left alone.
    pub(super) measured: bool,
    pub(super) label: Option<String>,
    pub(super) point: Option<u64>,
    pub(super) figures: Vec<Figure>,
    /// Name of the frame that was sent.
    pub(super) frame: Option<String>,
    /// Value of each sweep axis.
    pub(super) position: Vec<AxisValue>,
    /// Largest share of clipped samples of its captures.
    pub(super) clipped_fraction: Option<f64>,
}

impl Shot {
    fn of_capture(capture: CaptureNo, label: Option<&String>, point: Option<u64>) -> Self {
        Self {
            captures: vec![capture],
            kept: 0,
            measured: false,
            label: label.cloned(),
            point,
            figures: Vec::new(),
            frame: None,
            position: Vec::new(),
            clipped_fraction: None,
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

    /// False when the analysis says that it found no frame.
    pub(super) fn detected(&self) -> bool {
        let found = self.figures.iter().find(|figure| figure.name == "detected");
        found.and_then(|figure| figure.value.as_ref()) != Some(&Value::Switch(false))
    }
}

/// One run, gathered.
pub(super) struct Run<'a> {
    pub(super) folder: &'a RunFolder,
    pub(super) entries: Vec<Entry>,
    pub(super) faults: Vec<LineFault>,
    pub(super) start: Option<RunStarted>,
    pub(super) started_at: Option<Timestamp>,
    pub(super) ended_at: Option<Timestamp>,
    pub(super) end: Option<RunEnded>,
    pub(super) resumed: usize,
    pub(super) instruments: Vec<InstrumentFound>,
    pub(super) shots: Vec<Shot>,
    pub(super) searches: Vec<SearchDone>,
    pub(super) expectations: Vec<Expectation>,
    pub(super) notes: Vec<(Timestamp, Note)>,
    pub(super) safe_states: Vec<SafeState>,
}

impl<'a> Run<'a> {
    /// Reads the journal, and of each capture the frame from its meta file.
    pub(super) fn gather(folder: &'a RunFolder) -> Result<Self, RecordError> {
        let reading = folder.read_journal()?;
        let mut run = Self {
            folder,
            faults: reading.faults,
            entries: Vec::new(),
            start: None,
            started_at: None,
            ended_at: reading.entries.last().map(|entry| entry.at),
            end: None,
            resumed: 0,
            instruments: Vec::new(),
            shots: Vec::new(),
            searches: Vec::new(),
            expectations: Vec::new(),
            notes: Vec::new(),
            safe_states: Vec::new(),
        };
        let mut positions = BTreeMap::new();
        for entry in &reading.entries {
            run.take(entry, &mut positions);
        }
        run.entries = reading.entries;
        for shot in &mut run.shots {
            shot.describe(folder, &positions);
        }
        Ok(run)
    }

    fn take(&mut self, entry: &Entry, positions: &mut BTreeMap<u64, Vec<AxisValue>>) {
        match &entry.event {
            Event::RunStarted(start) => {
                self.start = Some(start.clone());
                self.started_at = Some(entry.at);
            }
            Event::RunResumed(_) => {
                self.resumed += 1;
                self.end = None;
            }
            Event::Instrument(found) => self.instruments.push(found.clone()),
            Event::PointStarted(point) => {
                positions.insert(point.point, point.position.clone());
            }
            Event::Search(search) => self.searches.push(search.clone()),
            Event::Capture(taken) => {
                let mut shot = Shot::of_capture(taken.capture, taken.label.as_ref(), taken.point);
                shot.kept = 1;
                shot.clipped_fraction = taken.clipped_fraction;
                self.shots.push(shot);
            }
            Event::Figures(found) => self.take_figures(found),
            Event::Measurement(done) => self.take_measurement(done),
            Event::Expectation(expectation) => self.expectations.push(expectation.clone()),
            Event::Note(note) => self.notes.push((entry.at, note.clone())),
            Event::SafeState(state) => self.safe_states.push(state.clone()),
            Event::RunEnded(end) => self.end = Some(end.clone()),
            Event::JournalStarted(_)
            | Event::PointFinished(_)
            | Event::Setting(_)
            | Event::PointSkipped(_)
            | Event::StepStarted(_)
            | Event::StepFinished(_)
            | Event::Abandoned(_)
            | Event::Failure(_)
            | Event::Reestablished(_)
            | Event::Preflight(_)
            | Event::Interlock(_)
            | Event::Paused(_)
            | Event::WentOn(_)
            | Event::Answered(_)
            | Event::Reference(_)
            | Event::Notified(_) => {}
        }
    }

    /// Figures belong to their capture, which need not have been kept.
    fn take_figures(&mut self, found: &FiguresFound) {
        let of_it = |shot: &&mut Shot| shot.captures.contains(&found.capture);
        // The one sought is the last, or nearly.
        if self.shots.iter_mut().rfind(of_it).is_none() {
            let shot = Shot::of_capture(found.capture, found.label.as_ref(), found.point);
            self.shots.push(shot);
        }
        if let Some(shot) = self.shots.iter_mut().rfind(of_it).filter(|shot| !shot.measured) {
            shot.figures.clone_from(&found.figures);
        }
    }

    /// A measurement takes the place of its captures, which are the last.
    fn take_measurement(&mut self, done: &MeasurementDone) {
        let own = |shot: &Shot| shot.captures.iter().all(|capture| done.captures.contains(capture));
        let first = self.shots.iter().rposition(|shot| !own(shot)).map_or(0, |last| last + 1);
        let single = self.shots.split_off(first);
        self.shots.push(Shot {
            captures: done.captures.clone(),
            kept: single.iter().map(|shot| shot.kept).sum(),
            measured: true,
            label: done.label.clone(),
            point: done.point,
            figures: done.figures.clone(),
            frame: done.frame.clone(),
            position: Vec::new(),
            clipped_fraction: single
                .iter()
                .filter_map(|shot| shot.clipped_fraction)
                .fold(None, |most, share| Some(most.map_or(share, |most: f64| most.max(share)))),
        });
    }

    /// Name of the sequence, or of the folder when the journal does not tell.
    pub(super) fn title(&self) -> &str {
        self.start.as_ref().map_or(self.folder.name(), |start| &start.sequence)
    }

    pub(super) fn expectations_failed(&self) -> usize {
        self.expectations.iter().filter(|expectation| !expectation.passed).count()
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

    /// Captures analysed, kept or not.
    pub(super) fn captures(&self) -> usize {
        self.shots.iter().map(|shot| shot.captures.len()).sum()
    }
}

impl Shot {
    fn describe(&mut self, folder: &RunFolder, positions: &BTreeMap<u64, Vec<AxisValue>>) {
        let of_point = self.point.and_then(|point| positions.get(&point)).cloned();
        if let (Some(position), Some(_)) = (&of_point, &self.frame) {
            self.position.clone_from(position);
            return;
        }
        let first = self.captures.first();
        let meta = first.and_then(|capture| folder.read_meta(*capture).ok());
        let segment = meta.as_ref().and_then(|meta| meta.captures.first());
        let frame = segment.and_then(|segment| segment.frame.as_ref());
        let of_meta = segment.map(|segment| segment.position.clone());
        self.frame = self.frame.take().or(frame.map(|frame| frame.name.clone()));
        self.position = of_point.or(of_meta).unwrap_or_default();
    }
}
