//! The engine: one action after the other, and the safe state at every end.

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::rc::Rc;
use std::task::Poll;
use std::time::Duration;

use beamwarden_drivers::Class;
use tokio::sync::Mutex;
use tokio::time::{Instant, timeout};

use super::control::Control;
use super::desk::{Desk, NoWay, NobodyThere, Notifier};
use super::error::RunError;
use super::interlocks::Pauses;
use super::ledger::Ledger;
use super::measure::{LastMeasured, Measurement};
use super::points::LostTurn;
use super::progress::{Progress, ProgressEvent};
use super::recorder::Recorder;
use super::reference::Followed;
use super::resume::{DoneBefore, FINALLY};
use super::search::SearchFound;
use super::tally::Tally;
use super::watch::Watch;
use crate::bench::policy::Policy;
use crate::bench::{Bench, BenchError};
use crate::record::{
    Abandoned, Event, FaultClass, Level, Outcome, Reestablished, Remedy, SafeState, SafeStateFault,
};
use crate::sequence::{
    Action, Phase, Position, Sequence, Step, Walk, WalkItem, count, settings_of,
};

/// Most measurements and most searches that a summary holds; the record has all of them.
pub const SUMMARY_MAX: usize = 1000;

/// Longest time for `finally` after a failure.
const FINALLY_MAX: Duration = Duration::from_secs(300);

/// How a run ended.
#[derive(Debug)]
pub struct RunSummary {
    /// How.
    pub outcome: Outcome,
    /// The failure that ended it.
    pub error: Option<RunError>,
    /// Its counts.
    pub tally: Tally,
    /// The first [`SUMMARY_MAX`] measurements in order.
    pub measurements: Vec<Measurement>,
    /// The first [`SUMMARY_MAX`] beam searches in order.
    pub searches: Vec<SearchFound>,
    /// Whether every setting of the safe state was reached.
    pub safe: bool,
}

/// Executes one sequence on one bench.
pub struct Engine<'a> {
    pub(super) sequence: &'a Sequence,
    pub(super) bench: &'a mut Bench,
    pub(super) recorder: &'a mut Recorder,
    pub(super) progress: &'a mut dyn Progress,
    pub(super) control: Control,
    pub(super) policy: Policy,
    /// What an interrupted run had done already.
    pub(super) done_before: DoneBefore,
    /// Items of `prepare`; the numbers of steps go on from there.
    pub(super) prepared: u64,
    pub(super) ledger: Ledger,
    pub(super) tally: Tally,
    pub(super) point: Option<u64>,
    pub(super) position: Position,
    /// Sweeps that are open.
    pub(super) depth: usize,
    pub(super) lost_turn: Option<LostTurn>,
    /// Whether the axes may not stand where the walk thinks.
    pub(super) unsettled: bool,
    /// Whether the turntable was told to move and may not have arrived.
    pub(super) moving: bool,
    /// Which try of the last action failed, 1 when it did not.
    pub(super) tries: u32,
    /// The conditions that are watched.
    pub(super) watch: Watch,
    /// When the run must end at the latest.
    pub(super) run_ends: Option<Instant>,
    /// The reference point.
    pub(super) followed: Followed,
    /// Shared with whatever is asked or told at the moment: that may be cut off by a deadline.
    pub(super) desk: Rc<Mutex<dyn Desk + 'a>>,
    pub(super) notifier: Rc<Mutex<dyn Notifier + 'a>>,
    /// The last measurement.
    pub(super) last: LastMeasured,
    /// Answers to questions by name.
    pub(super) answers: BTreeMap<String, String>,
    /// Pauses for a condition since a step or point was last done.
    pub(super) pauses: Pauses,
    /// The turn of each repetition that is open, the innermost last.
    pub(super) turns: Vec<u64>,
    pub(super) measurements: Vec<Measurement>,
    pub(super) searches: Vec<SearchFound>,
    leave: bool,
    /// Whether bench, limits and disk are looked at before the first step.
    pub(super) looks_first: bool,
}

impl<'a> Engine<'a> {
    /// Sets a run up; nothing is sent yet.
    pub fn new(
        sequence: &'a Sequence,
        bench: &'a mut Bench,
        recorder: &'a mut Recorder,
        progress: &'a mut dyn Progress,
        control: Control,
    ) -> Self {
        let policy = sequence.policy.clone().or_else(|| bench.plan().policy.clone());
        Engine {
            sequence,
            bench,
            recorder,
            progress,
            control,
            policy: policy.unwrap_or_default(),
            done_before: DoneBefore::default(),
            prepared: Walk::of(sequence, Phase::Prepare).count() as u64,
            ledger: Ledger::default(),
            tally: Tally::default(),
            point: None,
            position: Position::new(),
            depth: 0,
            lost_turn: None,
            unsettled: false,
            moving: false,
            tries: 1,
            watch: Watch::default(),
            run_ends: None,
            followed: Followed::default(),
            desk: Rc::new(Mutex::new(NobodyThere)),
            notifier: Rc::new(Mutex::new(NoWay)),
            last: LastMeasured::default(),
            answers: BTreeMap::new(),
            pauses: Pauses::default(),
            turns: Vec::new(),
            measurements: Vec::new(),
            searches: Vec::new(),
            leave: false,
            looks_first: false,
        }
    }

    /// For one action on a bench that somebody else has prepared and goes on using: no safe state
    /// at the end.
    pub fn leave_as_it_stands(&mut self) {
        self.leave = true;
    }

    /// Where questions of the sequence are put; nobody answers otherwise.
    pub fn ask_at(&mut self, desk: impl Desk + 'a) {
        self.desk = Rc::new(Mutex::new(desk));
    }

    /// How somebody who is not there is told; there is no way otherwise.
    pub fn notify_by(&mut self, notifier: impl Notifier + 'a) {
        self.notifier = Rc::new(Mutex::new(notifier));
    }

    /// Looks at bench, limits and disk before the first step, and does not begin when something is
    /// missing.
    pub fn look_first(&mut self) {
        self.looks_first = true;
    }

    /// Goes on with an interrupted run where it was cut off.
    pub fn go_on_after(&mut self, done: DoneBefore) {
        self.tally = done.tally.clone();
        self.last = done.last_measured.clone();
        self.followed = done.followed.clone();
        self.answers = done.answers.clone();
        self.done_before = done;
    }

    /// Runs to the end, whatever it is: `prepare`, `steps`, then in any case `finally` and the
    /// safe state.
    pub async fn execute(mut self) -> RunSummary {
        let planned = count(&self.sequence.steps);
        let run = self.recorder.folder().name().to_string();
        let actions = planned.measurements.saturating_add(planned.searches);
        self.tell(ProgressEvent::Began { run: &run, actions });
        self.run_ends = self.sequence.deadlines.run.map(|most| Instant::now() + most);
        let interlocks = self.bench.plan().interlocks.iter().chain(&self.sequence.interlocks);
        self.watch = Watch::over(interlocks.cloned());
        let worked = unless_it_panics(self.work()).await;
        if let Err(error) = &worked {
            self.report_end(error);
        }
        if let Err(error) = self.halt_if_moving("the end of the run").await {
            self.report(&error);
        }
        // What tidies up has the time that it takes.
        self.run_ends = None;
        // What tidies up runs to its end also after a stop, unless that is asked for once more.
        self.control = self.control.for_tidying_up();
        let tidied = match &worked {
            // What must come at once is the safe state, also at a bench that somebody else prepared.
            Err(error) if ends_at_once(error) => {
                self.leave = false;
                Ok(())
            }
            worked => {
                let stopped = matches!(worked, Err(RunError::Stopped));
                let most = worked.is_err().then_some(FINALLY_MAX);
                // What does not answer must not keep the safe state waiting.
                self.policy = Policy::STOP_AT_ONCE;
                self.tidy_up_within(most, stopped).await
            }
        };
        let safe = self.safe_state().await;
        self.finish(worked.and(tidied), safe).await
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
        self.finish(Err(error), safe).await
    }

    /// Brings the bench to its safe state and does nothing else: the record stays open. What does not
    /// answer is told.
    pub async fn only_make_safe(mut self, failures: Vec<(String, BenchError)>) -> RunSummary {
        for (_, error) in failures {
            self.report(&RunError::bench("opening the bench", error));
        }
        let safe = self.safe_state().await;
        RunSummary {
            outcome: Outcome::Stopped,
            error: None,
            tally: self.tally,
            measurements: Vec::new(),
            searches: Vec::new(),
            safe,
        }
    }

    async fn work(&mut self) -> Result<(), RunError> {
        self.recorder.instruments(self.bench)?;
        if self.done_before.resumed {
            for abandoned in self.done_before.abandoned() {
                self.recorder.write(Event::Abandoned(abandoned))?;
            }
            // Nobody knows how the bench was left.
            if !self.safe_state().await {
                return Err(RunError::NotSafe);
            }
            let found = self.bench.instruments();
            self.done_before.check_identities(&found)?;
        }
        self.look_before_prepare().await?;
        let comes_back = self.done_before.items > self.prepared;
        if comes_back {
            // What the sequence has asked for stands in the record already.
            self.recorder.set_for("coming back");
        }
        self.prepare().await?;
        self.look_before_steps().await?;
        if comes_back {
            self.come_back().await?;
            self.recorder.set_for_itself();
            self.unsettled = true;
        }
        // From here on every condition must hold.
        self.watch.arm();
        self.progress.take(ProgressEvent::Phase("steps"));
        self.go_through_points().await
    }

    /// What is done once before the steps. After an interruption it brings the bench up again; what
    /// it left in the record is not taken twice.
    async fn prepare(&mut self) -> Result<(), RunError> {
        self.progress.take(ProgressEvent::Phase("prepare"));
        for (number, item) in (1..).zip(Walk::of(self.sequence, Phase::Prepare)) {
            if self.stopping() {
                return Err(RunError::Stopped);
            }
            // There is no sweep in `prepare`, so that nothing but steps comes.
            let WalkItem::Do(step) = item else { continue };
            if number <= self.done_before.items && leaves_a_mark(step) {
                self.set_what_was_set_in(step).await?;
                continue;
            }
            self.marked_step(number, step).await?;
        }
        Ok(())
    }

    /// Of a step that is not done twice: the settings that it made.
    async fn set_what_was_set_in(&mut self, step: &Step) -> Result<(), RunError> {
        for setting in settings_of(step) {
            if let Some(value) = self.done_before.ledger.value(setting).cloned() {
                self.set(setting, &value, &step.place).await?;
            }
        }
        Ok(())
    }

    /// Brings the bench to where it stood when the run was cut off.
    async fn come_back(&mut self) -> Result<(), RunError> {
        self.ledger = std::mem::take(&mut self.done_before.ledger);
        let settings = loop {
            match self.make_everything_again("going on where the run was cut off").await {
                Err(RunError::Tripped(trip)) => {
                    self.ride_out(trip).await?;
                }
                made => break made?,
            }
        };
        let why = "the run goes on where it was cut off".to_string();
        Ok(self.recorder.write(Event::Reestablished(Reestablished { why, settings }))?)
    }

    /// Does `finally`; after a failure within some minutes, for the bench is not safe yet.
    async fn tidy_up_within(
        &mut self,
        most: Option<Duration>,
        stopped: bool,
    ) -> Result<(), RunError> {
        if self.sequence.finally.is_empty() {
            return Ok(());
        }
        self.recorder.step_started(FINALLY, "finally")?;
        let tidied = match most {
            None => unless_it_panics(self.tidy_up(stopped)).await,
            Some(most) => {
                let tidied = timeout(most, unless_it_panics(self.tidy_up(stopped))).await;
                tidied.unwrap_or_else(|_| {
                    let place = "finally".to_string();
                    Err(RunError::Deadline { place, what: "tidying up", after: most })
                })
            }
        };
        self.recorder.step_finished(FINALLY, "finally")?;
        tidied
    }

    /// Does all of `finally`: what fails is told and the rest is done all the same. Yields the
    /// first failure. After a stop the table does not move again: whoever stopped may be near it.
    async fn tidy_up(&mut self, stopped: bool) -> Result<(), RunError> {
        self.progress.take(ProgressEvent::Phase("finally"));
        self.recorder.set_for("finally");
        let mut first = Ok(());
        let mut mute = BTreeSet::new();
        for item in Walk::of(self.sequence, Phase::Finally) {
            // There is no sweep in `finally`, so that nothing but steps comes.
            let WalkItem::Do(step) = item else { continue };
            if self.control.stopping() {
                self.report(&RunError::Stopped);
                return first.and(Err(RunError::Stopped));
            }
            let mut outcomes = Vec::new();
            if let Action::Set(assignments) = &step.action {
                for assignment in self.bench.in_order(assignments, |one| &one.setting) {
                    if stopped && self.bench.moves(&assignment.setting) {
                        let left = format!("{}: left as it is after the stop", assignment.setting);
                        outcomes.push(self.warn(left));
                        continue;
                    }
                    outcomes.push(self.assign_soon(assignment, &step.place, &mut mute).await);
                }
            } else {
                outcomes.push(self.step(step).await);
            }
            for outcome in outcomes {
                if let Err(error) = &outcome {
                    self.report(error);
                }
                let trips =
                    matches!(outcome, Err(RunError::Interlock { .. } | RunError::Tripped(_)));
                first = first.and(outcome);
                if trips {
                    return first;
                }
            }
        }
        first
    }

    /// A step outside the points; one that leaves something in the record is marked there, so that
    /// it is done once. After a pause it begins anew.
    pub(super) async fn marked_step(&mut self, number: u64, step: &Step) -> Result<(), RunError> {
        let marked = leaves_a_mark(step);
        let counted = self.counted();
        self.turns.clear();
        loop {
            if marked {
                self.recorder.step_started(number, &step.place)?;
            }
            match self.step(step).await {
                Err(RunError::Tripped(trip)) => {
                    let why = self.ride_out(trip).await?;
                    self.count_again_from(&counted);
                    if marked {
                        let (point, step) = (None, Some(number));
                        self.recorder.write(Event::Abandoned(Abandoned { point, step, why }))?;
                    }
                }
                done => {
                    done?;
                    break;
                }
            }
        }
        self.pauses = Pauses::default();
        if marked { self.recorder.step_finished(number, &step.place) } else { Ok(()) }
    }

    /// Does a step; what happened at the instruments besides goes into the record either way.
    pub(super) async fn step(&mut self, step: &Step) -> Result<(), RunError> {
        let done = self.act(step).await;
        let noted = self.note_happenings();
        done.and(noted)
    }

    pub(super) fn note_happenings(&mut self) -> Result<(), RunError> {
        for happening in self.bench.take_happenings() {
            if happening.is_serious() {
                let told = format!("{}: {}", happening.instrument, happening.event);
                self.progress.take(ProgressEvent::Warning(&told));
            }
            self.recorder.happening(&happening)?;
        }
        Ok(())
    }

    /// Whether a stop was asked for.
    pub(super) fn stopping(&self) -> bool {
        self.control.stopping()
    }

    /// Tells and records something odd that ends nothing.
    pub(super) fn warn(&mut self, message: String) -> Result<(), RunError> {
        self.progress.take(ProgressEvent::Warning(&message));
        Ok(self.recorder.note(Level::Warning, None, message)?)
    }

    /// Tells what ended the work; a failure that was told already is not told again.
    fn report_end(&mut self, error: &RunError) {
        if let RunError::Stopped = error {
            return self.report(error);
        }
        if self.tell_failure(error, self.tries, Remedy::RunEnded, None).is_err() {
            self.report(error);
        }
    }

    fn report(&mut self, error: &RunError) {
        let message = error.to_string();
        self.tell(ProgressEvent::Warning(&message));
        let class = fault_class(error.class());
        // A record that cannot be written cannot take this note either; the caller still gets
        // the error itself.
        let _ = self.recorder.note(Level::Error, Some(class), message);
    }

    /// Tells whoever watches; that a watcher fails keeps nothing from being done. For the ends of a run,
    /// where nobody else catches it.
    pub(super) fn tell(&mut self, event: ProgressEvent<'_>) {
        let _ = catch_unwind(AssertUnwindSafe(|| self.progress.take(event)));
    }

    /// Brings the bench to its safe state and writes what came of it; true when all was reached.
    pub(super) async fn safe_state(&mut self) -> bool {
        if self.leave {
            return true;
        }
        self.tell(ProgressEvent::Phase("safe state"));
        self.recorder.set_for("safe state");
        let mut state = SafeState { done: Vec::new(), failed: Vec::new() };
        for (action, outcome) in self.bench.safe_state().await {
            match outcome {
                Ok(settled) => {
                    state.done.push(action);
                    for one in &settled {
                        if let Err(error) = self.recorder.setting(one, &one.setting, None) {
                            self.tell(ProgressEvent::Warning(&error.to_string()));
                        }
                    }
                }
                Err(error) => {
                    let message = error.to_string();
                    let told = format!("safe state: {action}: {message}");
                    self.tell(ProgressEvent::Warning(&told));
                    state.failed.push(SafeStateFault { action, message });
                }
            }
        }
        let safe = state.failed.is_empty();
        self.recorder.set_for_itself();
        let written =
            self.recorder.write(Event::SafeState(state)).and_then(|()| self.recorder.flush());
        if let Err(error) = written {
            self.tell(ProgressEvent::Warning(&error.to_string()));
        }
        safe
    }
}

/// Whether nothing may come between a failure and the safe state: a limit, an interlock, a fault of this
/// program, a bench of which nobody knows how it stands.
fn ends_at_once(error: &RunError) -> bool {
    match error {
        RunError::Deadline { .. } => false,
        RunError::Panicked(_) | RunError::NotSafe => true,
        error => error.class() == Class::Limit,
    }
}

/// Whether a step leaves something in the record that must not be there twice.
fn leaves_a_mark(step: &Step) -> bool {
    !matches!(step.action, Action::Set(_) | Action::Wait(_) | Action::Search(_))
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
pub(super) fn fault_class(class: Class) -> FaultClass {
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
