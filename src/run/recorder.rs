//! Writes what happens in a run: journal, captures, analyses.
//!
//! Translates the bench's and the sequence's values into the record's plain ones; decides nothing.

use std::path::Path;

use beamwarden_drivers::quantity::Quantity;
use tokio::time::Instant;

use super::error::RunError;
use crate::bench::knob::KnobValue;
use crate::bench::{Bench, BenchPlan, Happening, Reading, Settled, Standing};
use crate::clock::Clock;
use crate::record::{
    self, Against, Analysis, AxisValue, CaptureNo, CaptureRecord, CaptureSamples, CaptureTaken,
    Event, FaultClass, InputFile, InstrumentFound, Journal, Level, Note, Outcome, PointFinished,
    PointStarted, ReadingRecord, RecordError, RecordedValue, ReplayOf, RunEnded, RunFolder,
    RunProvenance, RunResumed, RunStarted, SettingDone, SettingRecord, StepMark, UNKEPT_BYTES_MAX,
    UNKEPT_FILE, Unkept, Value,
};
use crate::sequence::{CALLED_FOLDER, ParameterValue, Position, Sequence, count};

/// What a record begins with.
#[derive(Clone, Copy, Debug)]
pub struct RunInputs<'a> {
    /// The sequence.
    pub sequence: &'a Sequence,
    /// The bench.
    pub plan: &'a BenchPlan,
    /// Seed of everything random, where there is such.
    pub seed: Option<u64>,
    /// Of which run this is a replay, when it is one.
    pub replay: Option<&'a Replayed>,
}

/// What a replay is of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Replayed {
    /// Name of the recorded run.
    pub run: String,
    /// What answers in place of its instruments.
    pub against: Against,
    /// Whether what answers comes from simulated instruments.
    pub simulated: bool,
}

/// The record of one run while it is written.
pub struct Recorder {
    folder: RunFolder,
    journal: Journal,
    clock: Clock,
    captures: u32,
    kept: u64,
    provenance: RunProvenance,
    /// Codes that no capture keeps, when the run keeps its traces.
    unkept: Option<Unkept>,
    /// For what settings are made that the sequence does not ask for by themselves.
    set_for: Option<&'static str>,
}

impl Recorder {
    /// Makes the run folder, freezes the inputs and starts the journal.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn begin(root: &Path, inputs: RunInputs<'_>, clock: Clock) -> Result<Self, RecordError> {
        let RunInputs { sequence, plan, seed, replay } = inputs;
        let folder = RunFolder::create(root, &sequence.name, clock.now())?;
        let frozen = freeze(&folder, sequence, plan)?;
        let journal = folder.start_journal(clock.now())?;
        let provenance = RunProvenance {
            run: folder.name().to_string(),
            sequence: sequence.name.clone(),
            bench: plan.name().to_string(),
            version: env!("CARGO_PKG_VERSION").to_string(),
            seed,
            simulated: replay.map_or_else(|| plan.is_simulated(), |replay| replay.simulated),
            instruments: Vec::new(),
        };
        let replay = replay.map(|replay| ReplayOf {
            run: replay.run.clone(),
            against: replay.against,
            model: plan.model.as_ref().and_then(|_| {
                let models = |input: &&InputFile| input.file.starts_with("models/");
                frozen.iter().find(models).map(|input| input.file.clone())
            }),
        });
        let (captures, kept, unkept) = (0, 0, None);
        let mut recorder =
            Recorder { folder, journal, clock, captures, kept, provenance, unkept, set_for: None };
        recorder.write(Event::RunStarted(RunStarted {
            run: recorder.provenance.run.clone(),
            sequence: recorder.provenance.sequence.clone(),
            bench: recorder.provenance.bench.clone(),
            version: recorder.provenance.version.clone(),
            seed,
            simulated: recorder.provenance.simulated,
            inputs: frozen,
            parameters: parameters(sequence),
            points_planned: points_planned(sequence),
            replay,
        }))?;
        Ok(recorder)
    }

    /// Goes on with the record of a run that was cut off or stopped. Its journal tells `start`,
    /// and of so many captures `kept`.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn go_on(
        folder: RunFolder,
        start: &RunStarted,
        kept: u64,
        clock: Clock,
    ) -> Result<Self, RecordError> {
        let (journal, reopened) = folder.resume_journal()?;
        let leftovers = folder.remove_leftovers()?;
        // The number after the highest that any file bears, so that nothing is written over.
        let captures = folder.next_capture()?.0.saturating_sub(1);
        let provenance = RunProvenance {
            run: folder.name().to_string(),
            sequence: start.sequence.clone(),
            bench: start.bench.clone(),
            version: env!("CARGO_PKG_VERSION").to_string(),
            seed: start.seed,
            simulated: start.simulated,
            instruments: Vec::new(),
        };
        let (unkept, set_for) = (None, None);
        let mut recorder =
            Recorder { folder, journal, clock, captures, kept, provenance, unkept, set_for };
        let version = recorder.provenance.version.clone();
        let torn_bytes = reopened.torn_bytes;
        recorder.write(Event::RunResumed(RunResumed { version, torn_bytes }))?;
        if !leftovers.is_empty() {
            let message = format!(
                "removed what was written and not told of when the run was cut off: {}",
                leftovers.join(", ")
            );
            recorder.note(Level::Info, None, message)?;
        }
        Ok(recorder)
    }

    /// The run's folder.
    #[must_use]
    pub fn folder(&self) -> &RunFolder {
        &self.folder
    }

    /// Captures kept so far.
    #[must_use]
    pub fn captures_kept(&self) -> u64 {
        self.kept
    }

    /// Keeps also the codes that become no capture, so that the run's traces can be replayed.
    pub fn keep_for_replay(&mut self) {
        let opened = self.folder.trace_path(UNKEPT_FILE).map_err(|error| error.to_string());
        let opened =
            opened.and_then(|path| Unkept::append(&path).map_err(|error| error.to_string()));
        match opened {
            Ok(unkept) => self.unkept = Some(unkept),
            Err(error) => {
                tracing::warn!(error, "probes are not kept; the trace cannot be replayed")
            }
        }
    }

    /// Takes codes that become no capture. Like a trace, what is kept of them only stops when the
    /// disk refuses.
    ///
    /// # Errors
    /// When the journal cannot be written.
    pub fn unkept(&mut self, samples: CaptureSamples<'_>) -> Result<(), RecordError> {
        let Some(unkept) = &mut self.unkept else { return Ok(()) };
        let why = match unkept.write(samples) {
            Ok(true) => return Ok(()),
            Ok(false) => format!("{} MiB are kept already", UNKEPT_BYTES_MAX >> 20),
            Err(error) => error.to_string(),
        };
        self.unkept = None;
        let message = format!(
            "codes of probes are no longer kept ({why}): a replay of the trace can go up to here"
        );
        self.note(Level::Info, None, message)
    }

    /// Appends one event.
    ///
    /// # Errors
    /// When the journal cannot be written.
    pub fn write(&mut self, event: Event) -> Result<(), RecordError> {
        self.journal.append(self.clock.now(), event).map(|_| ())
    }

    /// Returns once all that was written is on disk: before each action that reaches an instrument,
    /// waits or asks.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn flush(&mut self) -> Result<(), RecordError> {
        self.journal.flush()
    }

    /// Writes down who answers.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn instruments(&mut self, bench: &Bench) -> Result<(), RecordError> {
        for instrument in bench.instruments() {
            self.write(Event::Instrument(InstrumentFound {
                name: instrument.name.clone(),
                role: instrument.role.clone(),
                identity: instrument.identity.clone(),
                profile: instrument.profile.clone(),
            }))?;
            if let Some(model) = bench.model(&instrument.name) {
                let message = format!("{} is driven as model '{model}'", instrument.name);
                self.note(Level::Info, None, message)?;
            }
            self.provenance.instruments.push(instrument);
        }
        Ok(())
    }

    /// What follows is set for something else than itself: the safe state.
    pub fn set_for(&mut self, what: &'static str) {
        self.set_for = Some(what);
    }

    /// What follows is set because the sequence says so.
    pub fn set_for_itself(&mut self) {
        self.set_for = None;
    }

    /// Writes a setting that was made because `wanted` was asked for, or for something else.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn setting(
        &mut self,
        settled: &Settled,
        wanted: &str,
        part_of: Option<&'static str>,
    ) -> Result<(), RecordError> {
        let derived = (settled.setting != wanted).then_some(wanted);
        let part_of = self.set_for.or(part_of).or(derived).map(ToString::to_string);
        let setting = SettingRecord {
            name: settled.setting.clone(),
            asked: Some(recorded(&settled.asked)),
            read_back: recorded(&settled.read_back),
            at: self.clock.at(settled.at),
            age_s: None,
            after: None,
            matched: settled.matched,
        };
        self.write(Event::Setting(SettingDone { setting, skipped: settled.skipped, part_of }))
    }

    /// Writes that a point begins.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn point_started(&mut self, point: u64, position: &Position) -> Result<(), RecordError> {
        self.write(Event::PointStarted(PointStarted { point, position: axis_values(position) }))
    }

    /// Writes that a step outside the points begins.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn step_started(&mut self, step: u64, place: &str) -> Result<(), RunError> {
        Ok(self.write(Event::StepStarted(StepMark { step, place: place.to_string() }))?)
    }

    /// Writes that a step outside the points is done.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn step_finished(&mut self, step: u64, place: &str) -> Result<(), RunError> {
        Ok(self.write(Event::StepFinished(StepMark { step, place: place.to_string() }))?)
    }

    /// Writes that a point ended.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn point_finished(&mut self, point: u64) -> Result<(), RecordError> {
        self.write(Event::PointFinished(PointFinished { point }))
    }

    /// Writes a note.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn note(
        &mut self,
        level: Level,
        class: Option<FaultClass>,
        message: impl Into<String>,
    ) -> Result<(), RecordError> {
        let message = message.into();
        self.write(Event::Note(Note { level, class, instrument: None, message }))
    }

    /// Notes what happened at an instrument besides what was asked of it.
    ///
    /// # Errors
    /// When the journal cannot be written.
    pub fn happening(&mut self, happening: &Happening) -> Result<(), RecordError> {
        let level = if happening.is_serious() { Level::Warning } else { Level::Info };
        self.write(Event::Note(Note {
            level,
            class: None,
            instrument: Some(happening.instrument.clone()),
            message: happening.event.to_string(),
        }))
    }

    /// The number of the next capture.
    pub fn next_capture(&mut self) -> CaptureNo {
        self.captures += 1;
        CaptureNo(self.captures)
    }

    /// Puts the samples of a capture on disk as they came; [`Recorder::capture`] then tells the journal.
    ///
    /// # Errors
    /// When the files cannot be written.
    pub fn keep(
        &self,
        record: &CaptureRecord,
        samples: CaptureSamples<'_>,
    ) -> Result<CaptureTaken, RecordError> {
        self.folder.write_capture(record, samples)
    }

    /// Writes that a capture is on disk.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn capture(&mut self, taken: CaptureTaken) -> Result<(), RecordError> {
        self.kept += 1;
        self.write(Event::Capture(taken))
    }

    /// Keeps an analysis and its figures.
    ///
    /// # Errors
    /// When the files cannot be written.
    pub fn analysis(&mut self, analysis: &Analysis) -> Result<(), RecordError> {
        self.folder.write_analysis(analysis)?;
        self.write(Event::Figures(analysis.event()))
    }

    /// Writes the last line.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn end(&mut self, ended: RunEnded) -> Result<(), RecordError> {
        self.write(Event::RunEnded(ended))
    }

    /// Writes the last line of a run whose bench could not be set up at all.
    ///
    /// # Errors
    /// As [`Recorder::write`].
    pub fn end_unopened(&mut self, message: &str) -> Result<(), RecordError> {
        self.end(RunEnded {
            outcome: Outcome::Failed,
            message: Some(message.to_string()),
            points: 0,
            points_skipped: 0,
            retries: 0,
            captures: 0,
            expectations_failed: 0,
        })
    }

    /// Which run a capture belongs to.
    #[must_use]
    pub fn provenance(&self) -> &RunProvenance {
        &self.provenance
    }

    /// The wall-clock time of a moment.
    #[must_use]
    pub fn time(&self, moment: Instant) -> jiff::Timestamp {
        self.clock.at(moment)
    }

    /// The settings of a snapshot for a capture taken at `taken`.
    #[must_use]
    pub fn settings(&self, snapshot: &[Standing], taken: Instant) -> Vec<SettingRecord> {
        snapshot
            .iter()
            .map(|standing| SettingRecord {
                name: standing.setting.clone(),
                asked: standing.asked.as_ref().map(recorded),
                read_back: recorded(&standing.read_back),
                at: self.clock.at(standing.at),
                age_s: Some(taken.saturating_duration_since(standing.at).as_secs_f64()),
                after: standing.after.as_ref().map(recorded),
                matched: standing.matched,
            })
            .collect()
    }

    /// Readings for a capture.
    #[must_use]
    pub fn readings(&self, readings: &[Reading]) -> Vec<ReadingRecord> {
        readings
            .iter()
            .map(|reading| ReadingRecord {
                name: reading.name.clone(),
                value: recorded(&reading.value),
                at: self.clock.at(reading.at),
            })
            .collect()
    }
}

/// How many points there are, where that is known without going through all of them.
fn points_planned(sequence: &Sequence) -> Option<u64> {
    let counts = count(&sequence.steps);
    counts.exact.then_some(counts.points)
}

/// The parameters of a sequence in the record's words.
fn parameters(sequence: &Sequence) -> Vec<record::ParameterValue> {
    let value = |value: &ParameterValue| match value {
        ParameterValue::Number(quantity) => number(quantity),
        ParameterValue::Switch(on) => RecordedValue::plain(*on),
        ParameterValue::Word(word) => RecordedValue::plain(word.as_str()),
    };
    let each = sequence.parameters.iter().map(|parameter| record::ParameterValue {
        name: parameter.name.clone(),
        value: value(&parameter.value),
        given: parameter.given,
    });
    each.collect()
}

fn number(quantity: &Quantity) -> RecordedValue {
    match quantity.dimension.base_unit() {
        "" => RecordedValue::plain(quantity.value),
        unit => RecordedValue::number(quantity.value, unit),
    }
}

/// A position in the record's words.
#[must_use]
pub fn axis_values(position: &Position) -> Vec<AxisValue> {
    position
        .iter()
        .map(|(axis, value)| AxisValue { axis: axis.clone(), value: recorded(value) })
        .collect()
}

/// A value in the record's words.
pub(super) fn recorded(value: &KnobValue) -> RecordedValue {
    match value {
        KnobValue::Number(quantity) => number(quantity),
        KnobValue::Whole(whole) => match u64::try_from(*whole) {
            Ok(count) => RecordedValue::plain(count),
            // Negative codes are small; a double holds them exactly.
            Err(_) => RecordedValue::plain(Value::Number(*whole as f64)),
        },
        KnobValue::Switch(on) => RecordedValue::plain(*on),
        KnobValue::Word(word) => RecordedValue::plain(word.as_str()),
        KnobValue::Frame(frame) => RecordedValue::plain(frame.name.as_str()),
    }
}

/// Keeps exactly what ran: sequence, bench, profiles, register maps, model.
fn freeze(
    folder: &RunFolder,
    sequence: &Sequence,
    plan: &BenchPlan,
) -> Result<Vec<InputFile>, RecordError> {
    let mut frozen = vec![folder.freeze("sequence.yaml", sequence.source.text.as_bytes())?];
    for called in &sequence.called {
        let name = format!("{CALLED_FOLDER}/{}", called.name);
        frozen.push(folder.freeze(&name, called.text.as_bytes())?);
    }
    for (name, text) in plan.files() {
        frozen.push(folder.freeze(&name, text)?);
    }
    Ok(frozen)
}
