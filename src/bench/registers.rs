//! Registers behind the one door: written with all their fields, read as a whole, forgotten with their
//! supply. Knows nothing of commands and dumps' files.

use std::collections::BTreeMap;

use beamwarden_drivers::instrument::Instrument;
use beamwarden_drivers::profile::Role;
use beamwarden_drivers::registers::Dump;

use super::door::{Bench, Settled};
use super::error::BenchError;
use super::knob::{KnobValue, from_driver};
use super::plan::InstrumentPlan;

impl Bench {
    /// Writes one register at once; each of its fields passes its limits and is verified.
    ///
    /// # Errors
    /// As [`Bench::set`]; also when no writable field lies in that register, or the value has bits
    /// that belong to none: nothing is sent then, for nobody can say what they would do.
    pub async fn set_register(
        &mut self,
        instrument: &str,
        address: u32,
        register: u32,
    ) -> Result<Vec<Settled>, BenchError> {
        let driver = self.instrument(instrument)?.driver().clone();
        let fields = driver.registers.iter().flat_map(|map| &map.fields);
        let mut wanted = Vec::new();
        let mut foreign = register;
        let alone = BTreeMap::from([(address, register)]);
        for field in fields.filter(|field| field.covers(address) && !field.read_only()) {
            foreign &= !field.mask_at(address);
            let nonsense =
                |message| BenchError::Nonsense { instrument: instrument.to_string(), message };
            let value = match field.decode(&alone) {
                Some(Ok(value)) => value,
                Some(Err(code)) => {
                    let message = format!("code {code} stands for no word of {}", field.name);
                    return Err(nonsense(message));
                }
                None => {
                    let message =
                        format!("{} lies in several registers; set it by name", field.name);
                    return Err(nonsense(message));
                }
            };
            let setting = format!("{instrument}.{}", field.name);
            let value = from_driver(&field.kind, &value);
            self.plan.knobs().get(&setting)?.check(&value)?;
            wanted.push((setting, value));
        }
        if wanted.is_empty() {
            return Err(BenchError::NoInstrument(format!(
                "setting in register {address:#06x} of {instrument}"
            )));
        }
        if foreign != 0 {
            return Err(BenchError::ForeignBits {
                instrument: instrument.into(),
                address,
                foreign,
            });
        }
        for (setting, value) in &wanted {
            if *value == KnobValue::Switch(true) {
                self.check_before_switching_on(setting).await?;
            }
        }
        self.set_together(&wanted).await
    }

    /// A chip whose supply was changed may have lost what was written to it.
    pub(super) fn forget_registers_fed_by(&mut self, name: &str) {
        let feeds =
            |planned: &&InstrumentPlan| planned.name == name && planned.role == Role::Supply;
        if !self.plan.instruments.iter().any(|planned| feeds(&planned)) {
            return;
        }
        self.instruments.values_mut().for_each(Instrument::forget_registers);
        let mut with_registers = Vec::new();
        for (name, instrument) in &self.instruments {
            if instrument.driver().registers.is_some() {
                with_registers.push(name.clone());
            }
        }
        with_registers.iter().for_each(|name| self.doubt(name));
    }

    /// Reads all readable registers of an instrument.
    ///
    /// # Errors
    /// What the instrument or its link failed at.
    pub async fn dump_registers(&mut self, instrument: &str) -> Result<Dump, BenchError> {
        Ok(self.instrument(instrument)?.dump_registers().await?)
    }
}
