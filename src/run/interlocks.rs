//! Conditions on readings that are watched during the whole run, and what follows when one does not hold.
//!
//! A condition counts from the first time that it was found to hold, and from the end of `prepare` in any
//! case, up to the safe state at the end; `finally` is watched too. It is looked at every `every`: between
//! actions, within captures, during every wait and pause, and while the turntable moves. Any other
//! action that would keep it from being looked at for longer than `within` is cut off in time and counts
//! as failed in passing. So a condition that does not hold is acted on within `every` where nothing but
//! waits and motions goes on, and within `within` in any case.
//!
//! In a pause the bench is in its safe state. What then cannot hold, because the safe state switched
//! off what it depends on (a supply current that must be at least X, the lock bit of a chip), is not
//! waited for: it must hold once the settings were made again. A reading above an upper bound is
//! always waited for. So a pause switches on again what may be the cause: a condition that comes back more
//! often than `comes back` says ends the run.

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use tokio::time::Instant;

use super::control::Control;
use super::engine::Engine;
use super::error::RunError;
use super::progress::ProgressEvent;
use super::recorder::recorded;
use super::watch::Finding;
use crate::bench::interlock::{Interlock, Trip};
use crate::record::{Event, InterlockTripped, Paused, Reestablished, Remedy, WentOn};

/// How often a wait shows that the run lives.
const BEAT_EVERY: Duration = Duration::from_secs(60);
/// Pauses in a row for whatever conditions, without a step or point done in between, after which nobody
/// believes in the next one.
const PAUSES_IN_A_ROW_MAX: u32 = 10;
/// Where settings are made again after a pause, for messages.
const AFTER_PAUSE: &str = "after a pause";

/// A condition that does not hold, for which the run pauses.
#[derive(Clone, Debug, PartialEq)]
pub struct Tripped {
    /// Which of the run's interlocks.
    pub(super) index: usize,
    /// Which, what it must be and what it was.
    pub(super) told: String,
}

/// Pauses for conditions since a step or point was last done.
#[derive(Clone, Debug, Default)]
pub(super) struct Pauses {
    /// Of all conditions.
    in_a_row: u32,
    /// How often each of the run's interlocks did not hold.
    of: BTreeMap<usize, u32>,
}

/// What became of the settings after a pause.
enum BroughtUp {
    /// They stand, and all conditions hold.
    Stands,
    /// They were made, and a condition does not hold with them.
    HoldsNot,
    /// They could not be made.
    Failed,
}

impl fmt::Display for Tripped {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.told)
    }
}

impl Engine<'_> {
    /// Before each action: whether the operator stops the run, whether it has time left, and whether all
    /// conditions hold.
    pub(super) async fn look_up(&mut self) -> Result<(), RunError> {
        if self.stopping() {
            return Err(RunError::Stopped);
        }
        self.look_around().await
    }

    /// Within an action that a stop does not end: whether the run has time left and all conditions hold.
    pub(super) async fn look_around(&mut self) -> Result<(), RunError> {
        self.check_time_left()?;
        let finding = self.watch.look(&mut *self.bench).await;
        self.tell_of_watch()?;
        match finding {
            Some(finding) => Err(self.trip(&finding)),
            None => Ok(()),
        }
    }

    /// Whether the run has time left.
    pub(super) fn check_time_left(&self) -> Result<(), RunError> {
        match (self.run_ends, self.sequence.deadlines.run) {
            (Some(ends), Some(after)) if ends <= Instant::now() => {
                let place = self.sequence.name.clone();
                Err(RunError::Deadline { place, what: "the run", after })
            }
            _ => Ok(()),
        }
    }

    pub(super) fn tell_of_watch(&mut self) -> Result<(), RunError> {
        for remark in self.watch.take_remarks() {
            self.warn(remark)?;
        }
        Ok(())
    }

    /// Writes that a condition does not hold; yields what follows from it.
    pub(super) fn trip(&mut self, finding: &Finding) -> RunError {
        let Interlock { name, reading, wanted, within, then, .. } =
            self.watch.interlock(finding.index).clone();
        let told = match (&finding.value, &finding.why) {
            (Some(value), _) => {
                format!("interlock {name}: {reading} is {value}, and must be {wanted}")
            }
            (None, why) => format!(
                "interlock {name}: {reading} could not be had for {} s, and must be {wanted}: {}",
                within.as_secs_f64(),
                why.as_deref().unwrap_or("no answer")
            ),
        };
        let pauses = matches!(then, Trip::Pause { .. });
        let event = Event::Interlock(InterlockTripped {
            name,
            reading,
            wanted: wanted.to_string(),
            value: finding.value.as_ref().map(recorded),
            why: finding.why.clone(),
            pauses,
        });
        self.progress.take(ProgressEvent::Warning(&told));
        if let Err(error) = self.recorder.write(event) {
            return error.into();
        }
        if pauses {
            RunError::Tripped(Tripped { index: finding.index, told })
        } else {
            RunError::Interlock { told }
        }
    }

    /// Rides out a condition that does not hold: safe state, wait, settings again. Yields why the point
    /// begins anew.
    pub(super) async fn ride_out(&mut self, tripped: Tripped) -> Result<String, RunError> {
        let Trip::Pause { settle, at_most, .. } = self.watch.interlock(tripped.index).then else {
            return Err(RunError::Interlock { told: tripped.told });
        };
        self.count_return(&tripped)?;
        let began = Instant::now();
        let why = tripped.told.clone();
        self.recorder.write(Event::Paused(Paused { why: why.clone() }))?;
        self.progress.take(ProgressEvent::Phase("pause"));
        loop {
            if !self.safe_state().await {
                return Err(RunError::NotSafe);
            }
            self.watch.disarm();
            self.wait_until_settled(tripped.index, settle, began + at_most).await?;
            if began.elapsed() >= at_most {
                let told = format!("{why}; the pause of {} s was too short", at_most.as_secs_f64());
                return Err(RunError::Interlock { told });
            }
            match self.bring_up_again().await? {
                BroughtUp::Stands => break,
                // Switched on again, and again for nothing.
                BroughtUp::HoldsNot => self.count_return(&tripped)?,
                BroughtUp::Failed => {}
            }
            // Whatever keeps it from coming up is not tried again without a rest.
            self.pause_until(Instant::now() + self.watch.interlock(tripped.index).every).await?;
        }
        self.watch.arm();
        let after_s = began.elapsed().as_secs_f64();
        let went_on = "the condition holds again, and the settings are made again".to_string();
        self.recorder.write(Event::WentOn(WentOn { after_s, why: went_on }))?;
        Ok(why)
    }

    /// Counts how often a condition did not hold since a step or point was last done; too often, and the
    /// run ends. What the run does next itself may be what makes it trip.
    fn count_return(&mut self, tripped: &Tripped) -> Result<(), RunError> {
        let most = match self.watch.interlock(tripped.index).then {
            Trip::Pause { comes_back, .. } => comes_back,
            Trip::Stop => 0,
        };
        let times = self.pauses.of.entry(tripped.index).or_default();
        *times += 1;
        self.pauses.in_a_row += 1;
        if *times <= most.saturating_add(1) && self.pauses.in_a_row <= PAUSES_IN_A_ROW_MAX {
            return Ok(());
        }
        let told = match *times - 1 {
            1 => "it came back once".to_string(),
            back => format!("it came back {back} times"),
        };
        let told = format!("{}; {told} at the same place after a pause", tripped.told);
        Err(RunError::Interlock { told })
    }

    /// In the safe state: waits until a condition has held for `settle`, or the pause is too long.
    async fn wait_until_settled(
        &mut self,
        index: usize,
        settle: Duration,
        until: Instant,
    ) -> Result<(), RunError> {
        let Interlock { reading, wanted, every, .. } = self.watch.interlock(index).clone();
        // Settled includes what cannot hold now, and will be looked at when the settings stand again.
        let depends = self.bench.follows_from_safe_state(&reading);
        let mut since = Instant::now();
        loop {
            let value = tokio::time::timeout_at(until, self.bench.value_now(&reading)).await;
            let settled = match value {
                Ok(Ok(value)) => wanted.holds(&value) || depends && !wanted.is_exceeded_by(&value),
                Ok(Err(_)) => depends,
                Err(_) => return Ok(()),
            };
            self.note_happenings()?;
            let now = Instant::now();
            if !settled {
                since = now;
            }
            if now >= until || settled && now - since >= settle {
                return Ok(());
            }
            self.pause_until((now + every).min(until)).await?;
        }
    }

    /// Waits in the safe state, where no condition counts; a stop and the run's deadline do.
    async fn pause_until(&mut self, at: Instant) -> Result<(), RunError> {
        let stops = |control: &Control| control.stopping() || control.stopping_after_point();
        let at = self.run_ends.map_or(at, |ends| ends.min(at));
        tokio::select! {
            () = tokio::time::sleep_until(at) => {}
            () = self.control.until(stops) => return Err(RunError::Stopped),
        }
        self.check_time_left()
    }

    /// Makes all settings again after a pause and sees that all conditions hold with them.
    /// Otherwise the bench goes back to its safe state.
    async fn bring_up_again(&mut self) -> Result<BroughtUp, RunError> {
        let made = match self.make_everything_again(AFTER_PAUSE).await {
            Ok(made) => made,
            Err(RunError::Tripped(_)) => return Ok(BroughtUp::HoldsNot),
            Err(error) if self.remedy_for(&error).is_some() => {
                self.tell_failure(&error, self.tries, Remedy::Retried, None)?;
                self.tries = 1;
                return Ok(BroughtUp::Failed);
            }
            Err(error) => return Err(error),
        };
        let why = "the run goes on after a pause".to_string();
        self.recorder.write(Event::Reestablished(Reestablished { why, settings: made }))?;
        // A lock takes its time once everything stands again.
        let until = Instant::now() + self.watch.longest_within();
        loop {
            match self.look_up().await {
                Ok(()) => {}
                Err(RunError::Tripped(_)) => return Ok(BroughtUp::HoldsNot),
                Err(error) => return Err(error),
            }
            if self.watch.all_hold() {
                return Ok(BroughtUp::Stands);
            }
            if Instant::now() >= until {
                self.warn("not all conditions hold yet; the pause goes on".to_string())?;
                return Ok(BroughtUp::HoldsNot);
            }
            match self.pass_time(Duration::from_millis(100)).await {
                Ok(()) => {}
                Err(RunError::Tripped(_)) => return Ok(BroughtUp::HoldsNot),
                Err(error) => return Err(error),
            }
        }
    }

    /// Makes everything again that was asked for so far, in order. Yields what had to be sent.
    pub(super) async fn make_everything_again(
        &mut self,
        place: &str,
    ) -> Result<Vec<String>, RunError> {
        let mut made = Vec::new();
        for (setting, value) in self.in_safe_order() {
            let sent = self.persist(place, async |engine| {
                // What cannot be asked for, as of a chip whose supply is off, is made again.
                if engine.bench.still_stands(&setting, &value).await.unwrap_or(false) {
                    return Ok(false);
                }
                engine.set_again(&setting, &value, place).await?;
                Ok(true)
            });
            if sent.await? {
                made.push(setting.clone());
            }
        }
        let all: Vec<String> = self.bench.lost_settings();
        self.bench.trust(&all);
        Ok(made)
    }

    /// Lets work go on that needs no instrument, until it is done or a moment has come; conditions are
    /// watched meanwhile. `None` when the moment came first, or a stop was asked for.
    pub(super) async fn watching<T>(
        &mut self,
        until: Option<Instant>,
        work: impl Future<Output = T>,
    ) -> Result<Option<T>, RunError> {
        tokio::pin!(work);
        let control = self.control.clone();
        loop {
            self.progress.take(ProgressEvent::Alive);
            let beat = Some(Instant::now() + BEAT_EVERY);
            let next = [until, self.watch.next(), self.run_ends, beat].into_iter().flatten().min();
            tokio::select! {
                biased;
                done = &mut work => return Ok(Some(done)),
                () = control.stop() => return Ok(None),
                () = moment(next) => {}
            }
            // What ends with this wait is looked at by whatever comes next.
            if until.is_some_and(|until| until <= Instant::now()) {
                return Ok(None);
            }
            self.look_around().await?;
        }
    }
}

/// Ends when a moment has come; never without one.
async fn moment(at: Option<Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at).await,
        None => std::future::pending().await,
    }
}
