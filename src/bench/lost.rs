//! Settings that instruments may have lost, whether they still stand, and what at other instruments may
//! be the cause of a failure. Knows nothing of sequences and records.

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

    /// Exchanges a word with each of these instruments, so that whatever happened to it shows before
    /// anything is set there. What does not answer is met again by whoever sets it.
    pub async fn greet(&mut self, names: &[String]) {
        for name in names {
            let Some(instrument) = self.instruments.get_mut(name) else { continue };
            let driver = instrument.driver().clone();
            if let Some(knob) = driver.knobs().next() {
                let _ = instrument.read(knob.name).await;
            }
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

    /// What a setting should be and what it is now, where these differ by more than its tolerance: what
    /// it was when it was last read back, or what was asked for where that was not taken. A frame and a beam are no single values to be read back.
    ///
    /// # Errors
    /// What the instrument or its link failed at.
    pub async fn moved(
        &mut self,
        setting: &str,
    ) -> Result<Option<(KnobValue, KnobValue)>, BenchError> {
        let standing = self.standing.get(setting);
        let standing = standing.filter(|_| !matches!(setting, FRAME | BEAM_TX | BEAM_RX));
        let Some(standing) = standing else { return Ok(None) };
        let wanted = match &standing.asked {
            Some(asked) if !standing.matched => asked.clone(),
            _ => standing.read_back.clone(),
        };
        let found = match self.ask_setting(setting).await {
            Ok(found) => found,
            Err(error) if error.is_never_written() => return Ok(None),
            Err(error) => return Err(error),
        };
        Ok((!self.agree(setting, &wanted, &found)).then_some((wanted, found)))
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

    /// Whether a reading, or a setting that is read back, may follow from what the safe state switches
    /// off: it is of an instrument that the safe state sets, or of a chip that such a supply feeds.
    #[must_use]
    pub fn follows_from_safe_state(&self, reading: &str) -> bool {
        let owner = reading.split_once('.').map_or(reading, |(name, _)| name);
        let set: Vec<&str> = self
            .plan
            .safe_state
            .iter()
            .filter_map(|(setting, _)| setting.split_once('.'))
            .map(|(name, _)| name)
            .collect();
        let has_role = |name: &str, role| {
            self.plan.instruments.iter().any(|one| one.name == name && one.role == role)
        };
        let fed = has_role(owner, Role::DutControlPort);
        set.contains(&owner) || (fed && set.iter().any(|name| has_role(name, Role::Supply)))
    }

    /// What at other instruments may be why one of them fails: of a chip, a supply that is off or in its
    /// current limit; of a scope, that no trigger comes. `None` where nothing of the kind shows.
    pub async fn likely_cause(&mut self, error: &BenchError) -> Option<String> {
        let instrument = error.instrument()?;
        let planned = self.plan.instruments.iter().find(|planned| planned.name == instrument)?;
        match planned.role {
            Role::DutControlPort => {
                let supply = self.plan.of_role(Role::Supply)?.name.clone();
                self.supply_trouble(&supply).await
            }
            Role::Scope if error.is_overdue() => {
                let source = self.plan.of_role(Role::WaveformSource)?.name.clone();
                let trigger = self.ask_setting(&format!("{instrument}.trigger_source")).await;
                if trigger.ok()? != KnobValue::Word("external".into()) {
                    return None;
                }
                let output = self.ask_setting(&format!("{source}.output")).await.ok()?;
                Some(match output {
                    KnobValue::Switch(false) => format!(
                        "{instrument} waits for its external trigger, and {source}.output is off: no \
                         trigger comes"
                    ),
                    _ => format!(
                        "{instrument} waits for its external trigger; if {source} does not play, or \
                         its marker is not wired, none comes"
                    ),
                })
            }
            _ => None,
        }
    }

    /// What is wrong with a supply, where its output shows it.
    async fn supply_trouble(&mut self, supply: &str) -> Option<String> {
        let full = |inner: &str| format!("{supply}.{inner}");
        if self.ask_setting(&full("output")).await.ok()? == KnobValue::Switch(false) {
            return Some(format!("{supply}.output is off: the chips have no supply"));
        }
        let mut numbers = Vec::new();
        for inner in ["current", "current_limit", "voltage_measured", "voltage"] {
            numbers.push(self.ask_setting(&full(inner)).await.ok()?.as_number()?);
        }
        let &[current, limit, measured, voltage] = numbers.as_slice() else { return None };
        // Regulation leaves far less than a twentieth.
        let sags = measured < 0.95 * voltage;
        (sags || current > 0.99 * limit).then(|| {
            format!(
                "{supply} is in its current limit: {current:.3} A of {limit:.3} A, and {measured:.3} V \
                 where {voltage:.3} V are set"
            )
        })
    }
}
