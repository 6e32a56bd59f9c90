//! Actions that are tried again, by what kind of failure ended them.

use std::time::Duration;

use beamwarden_drivers::Class;
use tokio::time::timeout;

use super::engine::{Engine, fault_class};
use super::error::RunError;
use crate::bench::policy;
use crate::record::{Event, Failure, Reestablished, Remedy};

impl<'a> Engine<'a> {
    /// Does an action of the bench; when it fails in a way that the policy knows, makes lost settings
    /// again, waits and tries once more. Each failure is in the record with what is done about it.
    pub(super) async fn persist<T>(
        &mut self,
        place: &str,
        mut action: impl AsyncFnMut(&mut Engine<'a>) -> Result<T, RunError>,
    ) -> Result<T, RunError> {
        let mut attempt = 1;
        loop {
            let error = match self.attempt(place, attempt, &mut action).await {
                Ok(done) => return Ok(done),
                Err(error) => error,
            };
            let remedy = self.remedy_for(&error);
            let Some(remedy) = remedy.filter(|remedy| attempt <= remedy.retries) else {
                return Err(error);
            };
            let wait = remedy.wait_before(attempt);
            self.tell_failure(&error, attempt, Remedy::Retried, Some(wait))?;
            self.tally.retries += 1;
            self.rest(wait).await?;
            attempt += 1;
        }
    }

    /// One try, within the deadline of an action. What an instrument lost is made again first.
    async fn attempt<T>(
        &mut self,
        place: &str,
        attempt: u32,
        action: &mut impl AsyncFnMut(&mut Engine<'a>) -> Result<T, RunError>,
    ) -> Result<T, RunError> {
        // Whatever is on its way into the record is on disk before the bench is touched again.
        self.recorder.flush()?;
        self.look_up().await?;
        let most = self.sequence.deadlines.action;
        let work = async {
            if attempt > 1 {
                self.make_again_what_was_lost(place).await?;
            }
            action(self).await
        };
        let done = match most {
            None => work.await,
            Some(most) => timeout(most, work).await.unwrap_or_else(|_| {
                let place = place.to_string();
                Err(RunError::Deadline { place, what: "an action", after: most })
            }),
        };
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

    /// What the policy has for a failure; `None` where nothing helps.
    pub(super) fn remedy_for(&self, error: &RunError) -> Option<policy::Remedy> {
        match error {
            RunError::Bench { .. }
            | RunError::Analysis { .. }
            | RunError::Deadline { .. }
            | RunError::SettingsLost { .. }
            | RunError::NotReached { .. } => match error.class() {
                Class::Transient => Some(self.policy.transient),
                Class::Instrument => Some(self.policy.instrument),
                Class::Limit | Class::Operator | Class::Internal => None,
            },
            RunError::Doubtful { .. } => Some(self.policy.doubt),
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
        self.progress.take(super::progress::ProgressEvent::Warning(&told));
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
        let why = format!("{} may have lost its settings", lost.join(", "));
        self.make_again(&lost, &why, place).await
    }

    /// Makes again what the ledger holds for some instruments.
    pub(super) async fn make_again(
        &mut self,
        instruments: &[String],
        why: &str,
        place: &str,
    ) -> Result<(), RunError> {
        let mut made = Vec::new();
        for (setting, value) in self.ledger.entries().to_vec() {
            if !instruments.iter().any(|name| self.bench.concerns(&setting, name)) {
                continue;
            }
            let stands = self.bench.still_stands(&setting, &value).await;
            if stands.map_err(|error| RunError::bench(place, error))? {
                continue;
            }
            self.set_once(&setting, &value, place).await?;
            made.push(setting);
        }
        self.bench.trust(instruments);
        if made.is_empty() {
            return Ok(());
        }
        let why = why.to_string();
        Ok(self.recorder.write(Event::Reestablished(Reestablished { why, settings: made }))?)
    }

    /// Waits before a retry; a stop ends it.
    async fn rest(&mut self, wait: Duration) -> Result<(), RunError> {
        self.recorder.flush()?;
        self.pass_time(wait).await?;
        if self.stopping() { Err(RunError::Stopped) } else { Ok(()) }
    }
}
