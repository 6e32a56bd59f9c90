//! What each step does.

use std::time::Duration;

use super::engine::{Engine, SUMMARY_MAX};
use super::error::RunError;
use super::progress::ProgressEvent;
use super::watch::{Finding, Watch};
use tokio::time::Instant;

use crate::bench::knob::{FRAME, KnobValue};
use crate::bench::policy::Then;
use crate::bench::{BenchError, Lent, Settled};
use crate::record::{FaultClass, Level, Remedy};
use crate::sequence::{Action, Assignment, Given, Position, Step, Wait};

/// For what a setting is made that stands in the record already.
const MADE_AGAIN: &str = "made again";

impl Engine<'_> {
    pub(super) async fn act(&mut self, step: &Step) -> Result<(), RunError> {
        let place = step.place.as_ref();
        match &step.action {
            Action::Set(assignments) => {
                for assignment in self.bench.in_order(assignments, |one| &one.setting) {
                    self.assign(assignment, place).await?;
                }
            }
            Action::Wait(Wait::For(duration)) => {
                self.recorder.flush()?;
                self.pass_time(*duration).await?;
            }
            Action::Search(search) => {
                let found = Box::pin(self.search(search, place)).await?;
                self.keep_search(found);
            }
            Action::Measure(measure) => {
                let measurement = Box::pin(self.measure(measure, place)).await?;
                self.tally.measurements += 1;
                self.keep_measurement(measurement);
            }
            Action::Note(text) => {
                let text = self.text(text, place).await?;
                self.recorder.note(Level::Info, None, text)?;
            }
            Action::Wait(Wait::Until(wait)) => self.wait_until(wait, place).await?,
            // Boxed, so that steps within steps take no stack.
            _ => Box::pin(self.act_on_condition(step, place)).await?,
        }
        Ok(())
    }

    fn keep_search(&mut self, found: super::SearchFound) {
        if self.searches.len() < SUMMARY_MAX {
            self.searches.push(found);
        }
    }

    fn keep_measurement(&mut self, measurement: super::Measurement) {
        if self.measurements.len() < SUMMARY_MAX {
            self.measurements.push(measurement);
        }
    }

    /// Makes a setting of the sequence.
    pub(super) async fn assign(
        &mut self,
        assignment: &Assignment,
        place: &str,
    ) -> Result<(), RunError> {
        match &assignment.value {
            Given::Fixed(value) => self.set(&assignment.setting, value, place).await,
            Given::Computed(expression) => {
                let value = self.computed(&assignment.setting, expression, place).await?;
                self.set(&assignment.setting, &value, place).await
            }
        }
    }

    /// Makes the settings of a combination.
    pub(super) async fn set_all(&mut self, wanted: &Position, place: &str) -> Result<(), RunError> {
        for (setting, value) in wanted {
            self.set(setting, value, place).await?;
        }
        self.note_happenings()
    }

    /// Makes a setting, by the policy as often as it takes, and remembers that it was asked for. One that
    /// still reads back as something else goes on as a doubt does: it is one of whatever is captured.
    pub(super) async fn set(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<(), RunError> {
        let taken = self.persist(place, async |engine| {
            match engine.set_once(setting, value, place).await? {
                None => Ok(()),
                Some(what) => Err(RunError::NotTaken { place: place.to_string(), what }),
            }
        });
        match taken.await {
            Err(error @ RunError::NotTaken { .. }) if self.policy.doubt.then == Then::GoOn => {
                let tries = std::mem::replace(&mut self.tries, 1);
                // Of one that was not tried again all is said already.
                if tries > 1 {
                    self.tell_failure(&error, tries, Remedy::WentOn, None)?;
                }
            }
            taken => taken?,
        }
        self.ledger.note(setting, value);
        Ok(())
    }

    /// Makes a setting and writes what came of it; yields what does not read back as asked for.
    pub(super) async fn set_once(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<Option<String>, RunError> {
        self.set_as(setting, value, place, None).await
    }

    /// Makes a setting again that was made before: where it stands in the order of what the sequence
    /// asked for does not change by that.
    pub(super) async fn set_again(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<Option<String>, RunError> {
        self.set_as(setting, value, place, Some(MADE_AGAIN)).await
    }

    async fn set_as(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
        part_of: Option<&'static str>,
    ) -> Result<Option<String>, RunError> {
        let mut differs = None;
        let settled = if self.bench.moves(setting) {
            self.move_table(setting, value, place).await?
        } else {
            let settled = self.bench.set(setting, value).await;
            settled.map_err(|error| RunError::bench(place, error))?
        };
        for one in settled {
            self.recorder.setting(&one, setting, part_of)?;
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
                differs.get_or_insert_with(|| message.clone());
                self.recorder.note(Level::Warning, Some(FaultClass::Instrument), message)?;
            }
        }
        Ok(differs)
    }

    /// Sets a knob of the turntable; a stop ends the motion at once, for a hand may be in the way, and so
    /// does a condition that does not hold. What is read for conditions is lent out of the bench
    /// meanwhile.
    async fn move_table(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<Vec<Settled>, RunError> {
        let control = self.control.clone();
        self.moving = true;
        let ended = {
            let mut lending = self.bench.lend(&self.watch.instruments(), setting);
            let (bench, eyes) = lending.split();
            tokio::select! {
                biased;
                () = control.stop() => Motion::Stopped,
                ended = watched(bench.set(setting, value), &mut self.watch, eyes) => ended,
            }
        };
        self.tell_of_watch()?;
        let error = match ended {
            Motion::Done(settled) => {
                self.moving = false;
                return settled.map_err(|error| RunError::bench(place, error));
            }
            Motion::Stopped => RunError::Stopped,
            Motion::Tripped(finding) => self.trip(&finding),
        };
        self.halt_if_moving(place).await?;
        Err(error)
    }

    /// Lets time pass, with all conditions watched; a stop ends it.
    pub(super) async fn pass_time(&mut self, duration: Duration) -> Result<(), RunError> {
        let until = Instant::now() + duration;
        self.watching(Some(until), std::future::pending::<()>()).await.map(|_| ())
    }
}

/// How a motion ended.
enum Motion {
    Done(Result<Vec<Settled>, BenchError>),
    Stopped,
    Tripped(Finding),
}

/// Lets a motion go on while conditions are watched. A look that is under way when the motion ends is
/// brought to its end: cut short it would leave its instrument out of step.
async fn watched(
    motion: impl Future<Output = Result<Vec<Settled>, BenchError>>,
    watch: &mut Watch,
    eyes: &mut Lent,
) -> Motion {
    tokio::pin!(motion);
    loop {
        let next = watch.next();
        let due = async {
            match next {
                Some(next) => tokio::time::sleep_until(next).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            settled = &mut motion => return Motion::Done(settled),
            () = due => {}
        }
        let mut settled = None;
        let finding = {
            let look = watch.look(eyes);
            tokio::pin!(look);
            loop {
                tokio::select! {
                    biased;
                    finding = &mut look => break finding,
                    done = &mut motion, if settled.is_none() => settled = Some(done),
                }
            }
        };
        match (finding, settled) {
            (Some(finding), _) => return Motion::Tripped(finding),
            (None, Some(settled)) => return Motion::Done(settled),
            (None, None) => {}
        }
    }
}
