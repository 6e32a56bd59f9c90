//! One run as the report sees it: the journal sorted by what a reader asks.
//!
//! Pure but for [`Run::gather`], which reads the folder. Knows nothing of HTML.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::record::{
    Analysis, AxisValue, CaptureNo, CaptureTaken, Entry, Event, Expectation, Figure, FrameRecord,
    InstrumentFound, LineFault, Note, RecordError, RunEnded, RunFolder, RunStarted, SafeState,
    SearchDone, SettingDone, SigmfMeta, Value, figure,
};

/// A capture with the figures of its latest analysis.
pub(super) struct Shot {
    pub(super) taken: CaptureTaken,
    pub(super) figures: Vec<Figure>,
    /// Frame that was sent, from the capture's meta file.
    pub(super) frame: Option<FrameRecord>,
    /// Value of each sweep axis.
    pub(super) position: Vec<AxisValue>,
}

impl Shot {
    pub(super) fn number(&self) -> CaptureNo {
        self.taken.capture
    }

    /// Label, or the capture's number when it has none.
    pub(super) fn name(&self) -> String {
        match self.taken.label.as_deref() {
            Some(label) if !label.is_empty() => label.to_owned(),
            _ => format!("capture {}", self.number().0),
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
    pub(super) settings: Vec<SettingDone>,
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
            settings: Vec::new(),
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
            let meta = folder.read_meta(shot.taken.capture).ok();
            shot.describe(meta.as_ref(), &positions);
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
            Event::Setting(done) => self.settings.push(done.clone()),
            Event::PointStarted(point) => {
                positions.insert(point.point, point.position.clone());
            }
            Event::Search(search) => self.searches.push(search.clone()),
            Event::Capture(taken) => self.shots.push(Shot {
                taken: taken.clone(),
                figures: Vec::new(),
                frame: None,
                position: Vec::new(),
            }),
            Event::Figures(found) => {
                let shot = self.shots.iter_mut().rfind(|shot| shot.number() == found.capture);
                if let Some(shot) = shot {
                    shot.figures.clone_from(&found.figures);
                }
            }
            Event::Expectation(expectation) => self.expectations.push(expectation.clone()),
            Event::Note(note) => self.notes.push((entry.at, note.clone())),
            Event::SafeState(state) => self.safe_states.push(state.clone()),
            Event::RunEnded(end) => self.end = Some(end.clone()),
            Event::JournalStarted(_) | Event::PointFinished(_) | Event::Measurement(_) => {}
        }
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

    /// The analysis of one capture, when its file can be read.
    pub(super) fn analysis(&self, shot: &Shot) -> Option<Analysis> {
        self.folder.read_analysis(shot.number()).ok()
    }
}

impl Shot {
    fn describe(&mut self, meta: Option<&SigmfMeta>, positions: &BTreeMap<u64, Vec<AxisValue>>) {
        let segment = meta.and_then(|meta| meta.captures.first());
        self.frame = segment.and_then(|segment| segment.frame.clone());
        let of_point = self.taken.point.and_then(|point| positions.get(&point)).cloned();
        let of_meta = segment.map(|segment| segment.position.clone());
        self.position = of_point.or(of_meta).unwrap_or_default();
    }
}
