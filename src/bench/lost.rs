//! Settings that instruments may have lost, and whether they still stand. Knows nothing of sequences
//! and records.

use beamwarden_drivers::profile::Role;

use super::door::Bench;
use super::error::BenchError;
use super::knob::{BEAM_RX, BEAM_TX, FRAME, KnobValue};

impl Bench {
    /// The instruments that may have lost what was set since that was last trusted: they restarted,
    /// or their link was opened anew; and the chips behind a supply of which that is so.
    pub fn lost_settings(&mut self) -> Vec<String> {
        self.forget_what_was_lost();
        self.lost.iter().cloned().collect()
    }

    /// Notes that an instrument may have lost its settings, and with a supply the chips that it feeds.
    pub(super) fn note_lost(&mut self, name: &str) {
        self.lost.insert(name.to_string());
        let planned = self.plan.instruments.iter();
        let is_supply =
            planned.clone().any(|planned| planned.name == name && planned.role == Role::Supply);
        if is_supply {
            let fed = planned.filter(|planned| planned.role == Role::DutControlPort);
            self.lost.extend(fed.map(|planned| planned.name.clone()));
        }
    }

    /// Trusts instruments again, all of whose settings were looked after.
    pub fn trust(&mut self, instruments: &[String]) {
        for name in instruments {
            self.lost.remove(name);
        }
    }

    /// Whether a setting is made at an instrument: one of its own, the frame that a source plays, the
    /// beam whose weights a chip holds.
    #[must_use]
    pub fn concerns(&self, setting: &str, instrument: &str) -> bool {
        let owner = match (setting, &self.plan.arrays) {
            (FRAME, _) => {
                return self
                    .plan
                    .of_role(Role::WaveformSource)
                    .is_some_and(|source| source.name == instrument);
            }
            (BEAM_TX, Some((tx, _))) => tx.weights.text.as_str(),
            (BEAM_RX, Some((_, rx))) => rx.weights.text.as_str(),
            (setting, _) => setting,
        };
        owner.split_once('.').is_some_and(|(name, _)| name == instrument)
    }

    /// Whether the instrument still holds a value that it was given. A frame and a beam are no single
    /// values to be read back: of these the answer is no.
    ///
    /// # Errors
    /// What the instrument or its link failed at.
    pub async fn still_stands(
        &mut self,
        setting: &str,
        value: &KnobValue,
    ) -> Result<bool, BenchError> {
        if matches!(setting, FRAME | BEAM_TX | BEAM_RX) {
            return Ok(false);
        }
        let found = match self.ask_setting(setting).await {
            Ok(found) => found,
            Err(error) if error.is_never_written() => return Ok(false),
            Err(error) => return Err(error),
        };
        Ok(self.agree(setting, value, &found))
    }
}
