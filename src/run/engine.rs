//! The engine: one action after the other, and the safe state at every end.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::task::Poll;

use beamwarden_drivers::Class;

use super::error::RunError;
use super::measure::Measurement;
use super::progress::{Progress, ProgressEvent};
use super::recorder::Recorder;
use super::search::SearchFound;
use super::stop::Stop;
use crate::bench::knob::{FRAME, KnobValue};
use crate::bench::{Bench, BenchError, Settled};
use crate::record::{Event, FaultClass, Level, Outcome, RunEnded, SafeState, SafeStateFault};
use crate::sequence::{
    Action, Given, Phase, Position, Sequence, Step, Wait, Walk, WalkItem, count,
};

/// How a run ended.
#[derive(Debug)]
pub struct RunSummary {
    /// How.
    pub outcome: Outcome,
    /// The failure that ended it.
    pub error: Option<RunError>,
    /// Points finished.
    pub points: u64,
    /// All measurements in order.
    pub measurements: Vec<Measurement>,
    /// All beam searches in order.
    pub searches: Vec<SearchFound>,
    /// Expectations that did not hold.
    pub expectations_failed: u64,
    /// Whether every setting of the safe state was reached.
    pub safe: bool,
}

/// Executes one sequence on one bench.
pub struct Engine<'a> {
    pub(super) sequence: &'a Sequence,
    pub(super) bench: &'a mut Bench,
    pub(super) recorder: &'a mut Recorder,
    pub(super) progress: &'a mut dyn Progress,
    stop: Stop,
    pub(super) point: Option<u64>,
    pub(super) position: Position,
    points: u64,
    measurements: Vec<Measurement>,
    searches: Vec<SearchFound>,
    expectations_failed: u64,
    leave: bool,
}

impl<'a> Engine<'a> {
    /// Sets a run up; nothing is sent yet.
    pub fn new(
        sequence: &'a Sequence,
        bench: &'a mut Bench,
        recorder: &'a mut Recorder,
        progress: &'a mut dyn Progress,
        stop: Stop,
    ) -> Self {
        Engine {
            sequence,
            bench,
            recorder,
            progress,
            stop,
            point: None,
            position: Position::new(),
            points: 0,
            measurements: Vec::new(),
            searches: Vec::new(),
            expectations_failed: 0,
            leave: false,
        }
    }

    /// For one action on a bench that somebody else has prepared and goes on using: no safe state
    /// at the end.
    pub fn leave_as_it_stands(&mut self) {
        self.leave = true;
    }

    /// Runs to the end, whatever it is: `prepare`, `steps`, then in any case `finally` and the
    /// safe state.
    pub async fn execute(mut self) -> RunSummary {
        let planned = count(&self.sequence.steps);
        let run = self.recorder.folder().name().to_string();
        let actions = planned.measurements.saturating_add(planned.searches);
        self.progress.take(ProgressEvent::Began { run: &run, actions });
        let worked = unless_it_panics(self.work()).await;
        if let Err(error) = &worked {
            self.report(error);
        }
        // What tidies up runs to its end also after a stop, unless that is asked for once more.
        self.stop = self.stop.for_tidying_up();
        let stopped = matches!(worked, Err(RunError::Stopped));
        let tidied = unless_it_panics(self.tidy_up(stopped)).await;
        let safe = self.safe_state().await;
        self.finish(worked.and(tidied), safe)
    }

    /// Ends before the first step, because an instrument does not answer: those that do are
    /// brought to their safe state, and the record says why.
    pub async fn give_up(mut self, failures: Vec<(String, BenchError)>) -> RunSummary {
        let mut first = RunError::Stopped;
        for (_, error) in failures.into_iter().rev() {
            first = RunError::bench("opening the bench", error);
            self.report(&first);
        }
        let error = first;
        let safe = self.safe_state().await;
        self.finish(Err(error), safe)
    }

    async fn work(&mut self) -> Result<(), RunError> {
        self.recorder.instruments(self.bench)?;
        self.phase(Phase::Prepare).await?;
        self.phase(Phase::Steps).await
    }

    /// Does all of `finally`: what fails is told and the rest is done all the same. Yields the
    /// first failure. After a stop the table does not move again: whoever stopped may be near it.
    async fn tidy_up(&mut self, stopped: bool) -> Result<(), RunError> {
        self.progress.take(ProgressEvent::Phase("finally"));
        let mut first = Ok(());
        for item in Walk::of(self.sequence, Phase::Finally) {
            // There is no sweep in `finally`, so that nothing but steps comes.
            let WalkItem::Do(step) = item else { continue };
            if self.stop.asked() {
                self.report(&RunError::Stopped);
                return first.and(Err(RunError::Stopped));
            }
            let mut outcomes = Vec::new();
            if let Action::Set(assignments) = &step.action {
                let place = self.place(step);
                for assignment in self.bench.in_order(assignments, |one| &one.setting) {
                    if stopped && self.bench.moves(&assignment.setting) {
                        let left = format!("{}: left as it is after the stop", assignment.setting);
                        outcomes.push(self.warn(left));
                        continue;
                    }
                    let Given::Fixed(value) = &assignment.value else { continue };
                    outcomes.push(self.set(&assignment.setting, value, &place).await);
                }
            } else {
                outcomes.push(self.step(step).await);
            }
            for outcome in outcomes {
                if let Err(error) = &outcome {
                    self.report(error);
                }
                first = first.and(outcome);
            }
        }
        first
    }

    async fn phase(&mut self, phase: Phase) -> Result<(), RunError> {
        let sequence = self.sequence;
        self.progress.take(ProgressEvent::Phase(match phase {
            Phase::Prepare => "prepare",
            Phase::Steps => "steps",
            Phase::Finally => "finally",
        }));
        for item in Walk::of(sequence, phase) {
            if self.stop.asked() {
                return Err(RunError::Stopped);
            }
            match item {
                WalkItem::Enter { point, position, changes } => {
                    self.enter(point, position, &changes).await?;
                }
                WalkItem::Do(step) => self.step(step).await?,
                WalkItem::Leave { point, position } => {
                    if let Some(point) = point {
                        self.recorder.point_finished(point)?;
                        self.points += 1;
                    }
                    self.point = None;
                    self.position = position;
                }
            }
        }
        // A last wait that a stop cut short is no end of the plan.
        if self.stop.asked() { Err(RunError::Stopped) } else { Ok(()) }
    }

    /// Makes the settings of a new combination; a failure is told with the combination.
    async fn enter(
        &mut self,
        point: Option<u64>,
        position: Position,
        changes: &Position,
    ) -> Result<(), RunError> {
        let shown: Vec<_> =
            position.iter().map(|(axis, value)| format!("{axis} {value}")).collect();
        let shown = shown.join(", ");
        if let Some(point) = point {
            self.recorder.point_started(point, &position)?;
        }
        self.progress.take(ProgressEvent::Point { point, position: shown.clone() });
        self.point = point;
        self.position = position;
        for (setting, value) in changes {
            self.set(setting, value, &format!("at {shown}")).await?;
        }
        self.note_happenings()
    }

    /// Does a step; what happened at the instruments besides goes into the record either way.
    async fn step(&mut self, step: &Step) -> Result<(), RunError> {
        let done = self.act(step).await;
        let noted = self.note_happenings();
        done.and(noted)
    }

    fn note_happenings(&mut self) -> Result<(), RunError> {
        for happening in self.bench.take_happenings() {
            if happening.is_serious() {
                let told = format!("{}: {}", happening.instrument, happening.event);
                self.progress.take(ProgressEvent::Warning(&told));
            }
            self.recorder.happening(&happening)?;
        }
        Ok(())
    }

    async fn act(&mut self, step: &Step) -> Result<(), RunError> {
        let place = self.place(step);
        match &step.action {
            Action::Set(assignments) => {
                for assignment in self.bench.in_order(assignments, |one| &one.setting) {
                    let Given::Fixed(value) = &assignment.value else { continue };
                    self.set(&assignment.setting, value, &place).await?;
                }
            }
            Action::Wait(Wait::For(duration)) => self.stop.sleep(*duration).await,
            Action::Search(search) => {
                let found = self.search(search, &place).await?;
                self.searches.push(found);
            }
            Action::Measure(measure) => {
                let measurement = self.measure(measure, &place).await?;
                let failed = measurement.verdicts.iter().filter(|v| !v.passed).count();
                self.expectations_failed += failed as u64;
                self.measurements.push(measurement);
            }
            Action::Note(text) => {
                let text = text.pieces.iter().map(|piece| match piece {
                    crate::sequence::Piece::Plain(text) => text.as_str(),
                    crate::sequence::Piece::Value(_) => "",
                });
                self.recorder.note(Level::Info, None, text.collect::<String>())?;
            }
            // The walk opens sweeps itself.
            _ => {}
        }
        Ok(())
    }

    pub(super) async fn set(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<(), RunError> {
        let settled = if self.bench.moves(setting) {
            self.move_table(setting, value, place).await?
        } else {
            let settled = self.bench.set(setting, value).await;
            settled.map_err(|error| RunError::bench(place, error))?
        };
        for one in settled {
            self.recorder.setting(&one)?;
            let value = one.read_back.to_string();
            self.progress.take(ProgressEvent::Set { setting: &one.setting, value: &value });
            if one.setting == FRAME {
                for message in self.bench.frame_warnings().to_vec() {
                    self.warn(message)?;
                }
            }
            if !one.matched {
                let message = format!(
                    "{}: asked for {}, reads back {}",
                    one.setting, one.asked, one.read_back
                );
                self.progress.take(ProgressEvent::Warning(&message));
                self.recorder.note(Level::Warning, Some(FaultClass::Instrument), message)?;
            }
        }
        Ok(())
    }

    /// Sets a knob of the turntable; a stop ends the motion at once, for a hand may be in the way.
    async fn move_table(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<Vec<Settled>, RunError> {
        let stop = self.stop.clone();
        let settled = tokio::select! {
            settled = self.bench.set(setting, value) => Some(settled),
            () = stop.wait() => None,
        };
        match settled {
            Some(settled) => settled.map_err(|error| RunError::bench(place, error)),
            None => {
                self.bench.halt().await.map_err(|error| RunError::bench(place, error))?;
                Err(RunError::Stopped)
            }
        }
    }

    /// File and line of a step, for messages.
    fn place(&self, step: &Step) -> String {
        step.place.to_string()
    }

    /// Whether a stop was asked for.
    pub(super) fn stopping(&self) -> bool {
        self.stop.asked()
    }

    /// Tells and records something odd that ends nothing.
    pub(super) fn warn(&mut self, message: String) -> Result<(), RunError> {
        self.progress.take(ProgressEvent::Warning(&message));
        Ok(self.recorder.note(Level::Warning, None, message)?)
    }

    fn report(&mut self, error: &RunError) {
        let message = error.to_string();
        self.progress.take(ProgressEvent::Warning(&message));
        let class = fault_class(error.class());
        // A record that cannot be written cannot take this note either; the caller still gets
        // the error itself.
        let _ = self.recorder.note(Level::Error, Some(class), message);
    }

    /// Brings the bench to its safe state and writes what came of it; true when all was reached.
    async fn safe_state(&mut self) -> bool {
        if self.leave {
            return true;
        }
        self.progress.take(ProgressEvent::Phase("safe state"));
        let mut state = SafeState { done: Vec::new(), failed: Vec::new() };
        for (action, outcome) in self.bench.safe_state().await {
            match outcome {
                Ok(settled) => {
                    state.done.push(action);
                    for one in &settled {
                        if let Err(error) = self.recorder.setting(one) {
                            self.progress.take(ProgressEvent::Warning(&error.to_string()));
                        }
                    }
                }
                Err(error) => {
                    let message = error.to_string();
                    let told = format!("safe state: {action}: {message}");
                    self.progress.take(ProgressEvent::Warning(&told));
                    state.failed.push(SafeStateFault { action, message });
                }
            }
        }
        let safe = state.failed.is_empty();
        if let Err(error) = self.recorder.write(Event::SafeState(state)) {
            self.progress.take(ProgressEvent::Warning(&error.to_string()));
        }
        safe
    }

    fn finish(self, worked: Result<(), RunError>, safe: bool) -> RunSummary {
        let outcome = match &worked {
            Err(RunError::Stopped) => Outcome::Stopped,
            Err(_) => Outcome::Failed,
            Ok(()) if !safe => Outcome::Failed,
            Ok(()) if self.expectations_failed > 0 => Outcome::ExpectationFailed,
            Ok(()) => Outcome::Completed,
        };
        let mut error = worked.err();
        let ended = self.recorder.end(RunEnded {
            outcome,
            message: error.as_ref().map(ToString::to_string),
            points: self.points,
            points_skipped: 0,
            retries: 0,
            captures: self.recorder.captures_kept(),
            expectations_failed: self.expectations_failed,
        });
        if let Err(unwritten) = ended {
            self.progress.take(ProgressEvent::Warning(&unwritten.to_string()));
            error.get_or_insert(RunError::Record(unwritten));
        }
        RunSummary {
            outcome: if error.is_some() && outcome == Outcome::Completed {
                Outcome::Failed
            } else {
                outcome
            },
            error,
            points: self.points,
            measurements: self.measurements,
            searches: self.searches,
            expectations_failed: self.expectations_failed,
            safe,
        }
    }
}

/// Yields what a future yields, or that it panicked: a fault of ours must not keep the bench from
/// its safe state.
async fn unless_it_panics<T>(
    work: impl Future<Output = Result<T, RunError>>,
) -> Result<T, RunError> {
    let mut work = std::pin::pin!(work);
    std::future::poll_fn(|context| {
        let poll = AssertUnwindSafe(|| work.as_mut().poll(context));
        catch_unwind(poll).unwrap_or_else(|panic| {
            let text = panic.downcast_ref::<&str>().map(ToString::to_string);
            let text = text.or_else(|| panic.downcast_ref::<String>().cloned());
            Poll::Ready(Err(RunError::Panicked(text.unwrap_or_default())))
        })
    })
    .await
}

/// A driver's class in the record's words.
fn fault_class(class: Class) -> FaultClass {
    match class {
        Class::Transient => FaultClass::Transient,
        Class::Instrument => FaultClass::Instrument,
        Class::Limit => FaultClass::Limit,
        Class::Operator => FaultClass::Operator,
        Class::Internal => FaultClass::Internal,
    }
}

#[cfg(test)]
mod tests;
