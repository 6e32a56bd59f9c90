//! What each step does.

use std::time::Duration;

use super::engine::{Engine, SUMMARY_MAX};
use super::error::RunError;
use super::progress::ProgressEvent;
use crate::bench::Settled;
use crate::bench::knob::{FRAME, KnobValue};
use crate::record::{FaultClass, Level};
use crate::sequence::{Action, Assignment, Given, Position, Step, Wait};

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
                let found = self.search(search, place).await?;
                self.keep_search(found);
            }
            Action::Measure(measure) => {
                let measurement = self.measure(measure, place).await?;
                let failed = measurement.verdicts.iter().filter(|v| !v.passed).count();
                self.tally.measurements += 1;
                self.tally.expectations_failed += failed as u64;
                self.figures = measurement.figures.clone();
                self.keep_measurement(measurement);
            }
            Action::Note(text) => {
                let text = self.text(text, place).await?;
                self.recorder.note(Level::Info, None, text)?;
            }
            // The walk goes into sweeps and calls by itself.
            Action::Sweep(_) | Action::Call(_) => {}
            _ => self.act_on_condition(step, place).await?,
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

    /// Makes a setting, by the policy as often as it takes, and remembers that it was asked for.
    pub(super) async fn set(
        &mut self,
        setting: &str,
        value: &KnobValue,
        place: &str,
    ) -> Result<(), RunError> {
        self.persist(place, async |engine| engine.set_once(setting, value, place).await).await?;
        self.ledger.note(setting, value);
        Ok(())
    }

    /// Makes a setting and writes what came of it.
    pub(super) async fn set_once(
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
            self.recorder.setting(&one, setting)?;
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
        let control = self.control.clone();
        let settled = tokio::select! {
            settled = self.bench.set(setting, value) => Some(settled),
            () = control.stop() => None,
        };
        match settled {
            Some(settled) => settled.map_err(|error| RunError::bench(place, error)),
            None => {
                self.bench.halt().await.map_err(|error| RunError::bench(place, error))?;
                Err(RunError::Stopped)
            }
        }
    }

    /// Lets time pass; a stop ends it.
    pub(super) async fn pass_time(&mut self, duration: Duration) -> Result<(), RunError> {
        self.control.sleep(duration).await;
        Ok(())
    }
}
