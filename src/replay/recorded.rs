//! A recorded run as a replay needs it: what ran, in which order, and what came of it.

use std::collections::BTreeMap;

use beamwarden_drivers::fault::Source;

use super::error::ReplayError;
use crate::bench::BenchPlan;
use crate::record::{
    Against, CaptureNo, CaptureTaken, DATA_ENDING, Event, FiguresFound, MeasurementDone, Outcome,
    PointStarted, RawSamples, RunFolder, RunStarted, SearchDone,
};
use crate::sequence::{Sequence, read_sequence};

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
    pub faults: usize,
    /// Whether the journal has its last line.
    pub ended: bool,
    /// How the run ended, where the journal says so.
    pub outcome: Option<Outcome>,
}

impl Recorded {
    /// Reads the journal of a run.
    ///
    /// # Errors
    /// When it cannot be read, or does not say what ran.
    pub fn read(folder: &RunFolder) -> Result<Self, ReplayError> {
        let reading = folder.read_journal()?;
        let mut start = None;
        let (mut captures, mut figures) = (BTreeMap::new(), BTreeMap::new());
        let (mut measurements, mut searches, mut points) = (Vec::new(), Vec::new(), Vec::new());
        let (mut ended, mut outcome) = (false, None);
        for entry in reading.entries {
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
                Event::RunResumed(_) => (ended, outcome) = (false, None),
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
            faults: reading.faults.len(),
            ended,
            outcome,
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
            .map_err(crate::record::RecordError::io(&path, "read"))
            .map_err(ReplayError::Record)?;
        // The name it had in the record of the run; messages then name the same places.
        let source = Source::new("sequence.yaml", source.text);
        read_sequence(&source, plan.knobs()).map_err(|faults| ReplayError::Faults(vec![faults]))
    }
}
