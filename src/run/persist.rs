//! Actions that are tried again, by what kind of failure ended them.

use std::time::Duration;

use beamwarden_drivers::Class;
use beamwarden_drivers::profile::Role;
use tokio::time::Instant;

use super::engine::{Engine, fault_class};
use super::error::RunError;
use super::progress::ProgressEvent;
use crate::bench::knob::KnobValue;
use crate::bench::policy;
use crate::record::{Event, Failure, Level, Reestablished, Remedy};

/// Longest time that is spent on finding out why an action failed.
const CAUSE_LOOKED_FOR: Duration = Duration::from_secs(5);

/// Why an action was cut off.
enum CutOff {
    Action(Duration),
    Watch,
    Run(Duration),
}

impl<'a> Engine<'a> {
    /// Does an action of the bench; when it fails in a way that the policy knows, makes lost settings
    /// again, waits and tries once more. Each failure is in the record with what is done about it.
    pub(super) async fn persist<T>(
        &mut self,
        place: &str,
        mut action: impl AsyncFnMut(&mut Engine<'a>) -> Result<T, RunError>,
    ) -> Result<T, RunError> {
        let mut attempt = 1;
        let mut failed = [0; 3];
        let mut last = None;
        loop {
            let error = match self.attempt(place, last.as_ref(), &mut action).await {
                Ok(done) => {
                    self.tries = 1;
                    return Ok(done);
                }
                Err(error) => error,
            };
            self.tries = attempt;
            let Some(remedy) = self.remedy_for(&error) else { return Err(error) };
            self.remark_on_cause(&error).await?;
            // Each kind has its own retries: a doubt after an outage is not the end of them.
            let kind = match &error {
                RunError::Doubtful { .. } => 0,
                error if error.class() == Class::Transient => 1,
                _ => 2,
            };
            failed[kind] += 1;
            if failed[kind] > remedy.retries {
                return Err(error);
            }
            let wait = remedy.wait_before(failed[kind]);
            self.tell_failure(&error, attempt, Remedy::Retried, Some(wait))?;
            self.tally.retries += 1;
            self.rest(wait).await?;
            attempt += 1;
            last = Some(error);
        }
    }

    /// Before a further try: makes again what may be the cause. Of a doubtful capture that is whatever
    /// does not stand as it was asked for; else what instruments may have lost.
    async fn mend(&mut self, error: &RunError, place: &str) -> Result<(), RunError> {
        if let RunError::Doubtful { .. } = error {
            let planned = self.bench.plan().instruments.iter();
            let all: Vec<String> = planned.map(|planned| planned.name.clone()).collect();
            return self.make_again(&all, "a capture was doubtful", place).await;
        }
        self.make_again_what_was_lost(place).await
    }

    /// One try, within the deadline of an action; after a failure with what may be its cause mended
    /// first. Yields an error, too, when an instrument may have lost its settings meanwhile.
    async fn attempt<T>(
        &mut self,
        place: &str,
        last: Option<&RunError>,
        action: &mut impl AsyncFnMut(&mut Engine<'a>) -> Result<T, RunError>,
    ) -> Result<T, RunError> {
        // Whatever is on its way into the record is on disk before the bench is touched again.
        self.progress.take(ProgressEvent::Alive);
        self.recorder.flush()?;
        self.look_up().await?;
        let done = async {
            if let Some(last) = last {
                self.mend(last, place).await?;
            }
            self.bounded(place, action).await
        };
        let done = done.await;
        self.note_happenings()?;
        let done = done?;
        match self.bench.lost_settings().first() {
            // It answered, and what it did it did with other settings than the run thinks.
            Some(name) if self.policy.instrument.retries > 0 => {
                Err(RunError::SettingsLost { place: place.to_string(), instrument: name.clone() })
            }
            _ => Ok(done),
        }
    }

    /// Does something at the bench, within the deadlines of an action and of the run, and not so long
    /// that a condition could not be looked at in time.
    async fn bounded<T>(
        &mut self,
        place: &str,
        action: &mut impl AsyncFnMut(&mut Engine<'a>) -> Result<T, RunError>,
    ) -> Result<T, RunError> {
        let deadlines = self.sequence.deadlines;
        let (watch, run_ends) = (self.watch.cut_off(), self.run_ends);
        let began = Instant::now();
        let cut = async {
            let until = |at: Option<Instant>| async move {
                match at {
                    Some(at) => tokio::time::sleep_until(at).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                () = until(deadlines.action.map(|most| began + most)) => {
                    CutOff::Action(deadlines.action.unwrap_or_default())
                }
                () = until(run_ends) => CutOff::Run(deadlines.run.unwrap_or_default()),
                () = watch.come() => CutOff::Watch,
            }
        };
        let outcome = tokio::select! {
            biased;
            done = action(self) => Ok(done),
            cut = cut => Err(cut),
        };
        let cut = match outcome {
            Ok(done) => return done,
            Err(cut) => cut,
        };
        self.halt_if_moving(place).await?;
        let place = place.to_string();
        let (what, after) = match cut {
            CutOff::Action(after) => ("an action", after),
            CutOff::Run(after) => ("the run", after),
            CutOff::Watch => ("what keeps the interlocks from being looked at", began.elapsed()),
        };
        Err(RunError::Deadline { place, what, after })
    }

    /// Halts the turntable when a motion was cut off.
    pub(super) async fn halt_if_moving(&mut self, place: &str) -> Result<(), RunError> {
        if !std::mem::take(&mut self.moving) {
            return Ok(());
        }
        let halted = self.bench.halt().await.map_err(|error| RunError::bench(place, error));
        // A table that was not told to halt goes on moving: the safe state is no help there.
        self.moving = halted.is_err();
        halted
    }

    /// Notes what at other instruments may be why an action failed.
    async fn remark_on_cause(&mut self, error: &RunError) -> Result<(), RunError> {
        let RunError::Bench { source, .. } = error else { return Ok(()) };
        let looked = self.bench.likely_cause(source);
        let Ok(Some(cause)) = tokio::time::timeout(CAUSE_LOOKED_FOR, looked).await else {
            return Ok(());
        };
        self.progress.take(ProgressEvent::Warning(&cause));
        let class = Some(fault_class(Class::Instrument));
        Ok(self.recorder.note(Level::Warning, class, cause)?)
    }

    /// What the policy has for a failure; `None` where nothing helps.
    pub(super) fn remedy_for(&self, error: &RunError) -> Option<policy::Remedy> {
        match error {
            RunError::Deadline { what: "the run", .. } => None,
            RunError::NotReached { then, .. } => {
                Some(policy::Remedy { retries: 0, then: *then, ..self.policy.instrument })
            }
            RunError::Bench { .. }
            | RunError::Analysis { .. }
            | RunError::Deadline { .. }
            | RunError::SettingsLost { .. } => match error.class() {
                Class::Transient => Some(self.policy.transient),
                Class::Instrument => Some(self.policy.instrument),
                Class::Limit | Class::Operator | Class::Internal => None,
            },
            RunError::Doubtful { .. } => Some(self.policy.doubt),
            // Tried again as what an instrument refuses; what then stands elsewhere is a doubt.
            RunError::NotTaken { .. } => {
                Some(policy::Remedy { then: self.policy.doubt.then, ..self.policy.instrument })
            }
            _ => None,
        }
    }

    /// Writes a failure and what is done about it.
    pub(super) fn tell_failure(
        &mut self,
        error: &RunError,
        attempt: u32,
        remedy: Remedy,
        wait: Option<Duration>,
    ) -> Result<(), RunError> {
        let message = error.to_string();
        let told = match (remedy, wait) {
            (Remedy::Retried, Some(wait)) => {
                format!("{message}; tried again after {} s", wait.as_secs_f64())
            }
            (Remedy::Retried, None) => format!("{message}; tried again"),
            (Remedy::PointSkipped, _) => format!("{message}; the point is given up"),
            (Remedy::WentOn, _) => format!("{message}; the run goes on"),
            (Remedy::RunEnded, _) => message.clone(),
        };
        self.tell(ProgressEvent::Warning(&told));
        Ok(self.recorder.write(Event::Failure(Failure {
            class: fault_class(error.class()),
            instrument: error.instrument().map(ToString::to_string),
            message,
            point: self.point,
            attempt,
            remedy,
            wait_s: wait.map(|wait| wait.as_secs_f64()),
        }))?)
    }

    /// Makes the settings again that instruments may have lost since they were made, in the order in
    /// which they were made. One that still stands is not sent.
    async fn make_again_what_was_lost(&mut self, place: &str) -> Result<(), RunError> {
        let lost = self.bench.lost_settings();
        if lost.is_empty() {
            return Ok(());
        }
        // A restart that shows only while settings are made would count as one after them.
        self.bench.greet(&lost).await;
        self.note_happenings()?;
        let lost = self.bench.lost_settings();
        let why = format!("{} may have lost its settings", lost.join(", "));
        self.make_again(&lost, &why, place).await
    }

    /// Makes again what the ledger holds for some instruments, outputs last.
    pub(super) async fn make_again(
        &mut self,
        instruments: &[String],
        why: &str,
        place: &str,
    ) -> Result<(), RunError> {
        let mut made = Vec::new();
        for (setting, value) in self.in_safe_order() {
            if !instruments.iter().any(|name| self.bench.concerns(&setting, name)) {
                continue;
            }
            let mut set = async |engine: &mut Engine<'a>| {
                // What cannot be asked for, as of a chip whose supply is off, is made again.
                if engine.bench.still_stands(&setting, &value).await.unwrap_or(false) {
                    return Ok(false);
                }
                engine.set_again(&setting, &value, place).await?;
                Ok(true)
            };
            self.look_up().await?;
            if self.bounded(place, &mut set).await? {
                made.push(setting);
            }
        }
        self.bench.trust(instruments);
        if made.is_empty() {
            return Ok(());
        }
        let why = why.to_string();
        Ok(self.recorder.write(Event::Reestablished(Reestablished { why, settings: made }))?)
    }

    /// What was asked of the bench, in the order in which it is made again.
    pub(super) fn in_safe_order(&self) -> Vec<(String, KnobValue)> {
        let bench = &*self.bench;
        let owner = |setting: &str| {
            let names = bench.plan().instruments.iter().map(|planned| planned.name.clone());
            names.into_iter().find(|name| bench.concerns(setting, name))
        };
        let is_output = |setting: &str| {
            let off = KnobValue::Switch(false);
            bench.plan().safe_state.iter().any(|(one, value)| one == setting && *value == off)
        };
        let ordered = self.ledger.in_safe_order(is_output, |one, other| owner(one) == owner(other));
        // A chip without supply takes nothing.
        let supplies = bench.plan().instruments.iter().filter(|one| one.role == Role::Supply);
        let supplies: Vec<&str> = supplies.map(|one| one.name.as_str()).collect();
        let feeds =
            |one: &(String, KnobValue)| supplies.iter().any(|name| bench.concerns(&one.0, name));
        let (mut first, rest): (Vec<_>, Vec<_>) = ordered.into_iter().partition(feeds);
        first.extend(rest);
        first
    }

    /// Waits before a retry; a stop ends it.
    pub(super) async fn rest(&mut self, wait: Duration) -> Result<(), RunError> {
        self.recorder.flush()?;
        self.pass_time(wait).await?;
        if self.stopping() { Err(RunError::Stopped) } else { Ok(()) }
    }
}
