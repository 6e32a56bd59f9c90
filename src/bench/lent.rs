//! Instruments that can be read while another one is busy: lent out of the bench for that time, and given
//! back whatever happens. Knows nothing of sequences and records.

use std::collections::BTreeMap;

use beamwarden_drivers::instrument::Instrument;

use super::door::Bench;
use super::error::BenchError;
use super::knob::{KnobValue, from_driver};

/// Instruments that can only be read.
#[derive(Default)]
pub struct Lent {
    instruments: BTreeMap<String, Instrument>,
}

/// A bench without the instruments that are lent out of it. Dropped, as by a failure in between, it gives
/// them back: the safe state needs them.
pub struct Lending<'b> {
    bench: &'b mut Bench,
    lent: Lent,
}

impl Bench {
    /// Lends out those of the instruments named that are open and that the setting is not made at.
    pub fn lend(&mut self, names: &[String], setting: &str) -> Lending<'_> {
        let mut lent = Lent::default();
        for name in names {
            if !self.concerns(setting, name) {
                lent.instruments.extend(self.instruments.remove_entry(name));
            }
        }
        Lending { bench: self, lent }
    }
}

impl Lending<'_> {
    /// The bench without them, and them.
    pub fn split(&mut self) -> (&mut Bench, &mut Lent) {
        (self.bench, &mut self.lent)
    }
}

impl Drop for Lending<'_> {
    fn drop(&mut self) {
        self.bench.instruments.append(&mut self.lent.instruments);
    }
}

impl Lent {
    /// A reading, or a setting as it stands, by its full name.
    ///
    /// # Errors
    /// When its instrument is not among them; what it or its link failed at.
    pub async fn value_now(&mut self, name: &str) -> Result<KnobValue, BenchError> {
        let unknown = || BenchError::NotOpen(name.to_string());
        let (owner, inner) = name.split_once('.').ok_or_else(unknown)?;
        let instrument = self.instruments.get_mut(owner).ok_or_else(unknown)?;
        let value = instrument.read(inner).await?;
        let knob = instrument.driver().knob(inner).ok_or_else(unknown)?;
        Ok(from_driver(knob.kind, &value))
    }
}
