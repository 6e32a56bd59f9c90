//! The safe state: what answers is brought there first, and nobody waits for one that is mute.

use std::collections::BTreeSet;
use std::time::Duration;

use super::{Bench, Settled};
use crate::bench::error::BenchError;
use crate::bench::knob::KnobValue;

/// Longest time that an entry of the safe state takes at first. One that needs more, as at an
/// instrument that does not answer, is done with full patience when all others are done.
pub(crate) const SHORT_TRY: Duration = Duration::from_secs(3);

/// The instrument that a setting belongs to.
fn owner(setting: &str) -> &str {
    setting.split_once('.').map_or(setting, |(owner, _)| owner)
}

impl Bench {
    /// Brings the bench to its safe state, every entry whatever became of the ones before. At first
    /// each has a short time: an instrument that does not answer must not keep the others waiting.
    /// What fails is done once more when all others are done, with full patience: a lost answer or a
    /// restarted instrument must not leave an output on.
    pub async fn safe_state(&mut self) -> Vec<(String, Result<Vec<Settled>, BenchError>)> {
        let wanted = self.plan.safe_state.clone();
        let mut outcomes = self.safe_state_of_what_answers(&wanted).await;
        let closed: BTreeSet<String> = self
            .plan
            .instruments
            .iter()
            .map(|planned| planned.name.clone())
            .filter(|name| !self.instruments.contains_key(name))
            .collect();
        for waits_to_be_opened in [false, true] {
            if waits_to_be_opened {
                self.open_what_did_not_answer().await;
            }
            for (outcome, (setting, value)) in outcomes.iter_mut().zip(&wanted) {
                if !matches!(outcome, Some(Ok(_)))
                    && closed.contains(owner(setting)) == waits_to_be_opened
                {
                    *outcome = Some(self.set_safe(setting, value).await);
                }
            }
        }
        let named = wanted.iter().map(|(setting, value)| format!("{setting}: {value}"));
        // Each entry was done in one of the turns at the latest.
        named.zip(outcomes).filter_map(|(name, outcome)| Some((name, outcome?))).collect()
    }

    /// The first turn; `None` where there was no time for an end.
    async fn safe_state_of_what_answers(
        &mut self,
        wanted: &[(String, KnobValue)],
    ) -> Vec<Option<Result<Vec<Settled>, BenchError>>> {
        let mut mute: BTreeSet<&str> = BTreeSet::new();
        let mut outcomes = Vec::with_capacity(wanted.len());
        for (setting, value) in wanted {
            if mute.contains(owner(setting)) {
                outcomes.push(None);
                continue;
            }
            let outcome = if self.moves(setting) {
                // A motion takes its time, once the table has answered.
                match tokio::time::timeout(SHORT_TRY, self.ask_setting(setting)).await {
                    Ok(Ok(_)) => Some(self.set_safe(setting, value).await),
                    Ok(Err(error)) => Some(Err(error)),
                    Err(_) => None,
                }
            } else {
                tokio::time::timeout(SHORT_TRY, self.set_safe(setting, value)).await.ok()
            };
            if outcome.is_none() {
                mute.insert(owner(setting));
            }
            outcomes.push(outcome);
        }
        outcomes
    }

    /// Tries once more to reach the instruments that could not be opened: an output may be on there.
    async fn open_what_did_not_answer(&mut self) {
        for planned in self.plan.instruments.clone() {
            if !self.instruments.contains_key(&planned.name)
                && let Err(error) = self.open_one(&planned).await
            {
                tracing::warn!(instrument = planned.name, %error, "it still does not answer");
            }
        }
    }

    /// One entry of the safe state; a read-back that differs is an error here.
    async fn set_safe(
        &mut self,
        setting: &str,
        value: &KnobValue,
    ) -> Result<Vec<Settled>, BenchError> {
        let settled = self.set(setting, value).await?;
        match settled.iter().find(|one| !one.matched) {
            Some(one) => Err(BenchError::Nonsense {
                instrument: one.setting.clone(),
                message: format!("reads back {}", one.read_back),
            }),
            None => Ok(settled),
        }
    }

    /// Whether the instrument of a setting did not answer when it was last spoken to, or was never
    /// reached.
    #[must_use]
    pub(crate) fn owner_is_mute(&self, setting: &str) -> bool {
        let name = owner(setting);
        match self.instruments.get(name) {
            Some(instrument) => !instrument.in_step(),
            None => self.plan.instruments.iter().any(|planned| planned.name == name),
        }
    }
}
