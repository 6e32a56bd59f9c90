//! Fields of registers: several of them together as few writes, read back, and what only the
//! shadow copy knows.

use std::collections::BTreeMap;
use std::sync::Arc;

use tokio::time::Instant;

use super::error::{InstrumentError, InstrumentFault, Phase};
use super::together::Wish;
use super::{Applied, BatchError, Event, Instrument};
use crate::registers::{Commit, Dump, RegisterField, RegisterMap, Registers};
use crate::value::{Tolerance, Value};

/// A field and what is to be made of it.
struct Want<'m> {
    field: &'m RegisterField,
    index: usize,
    wish: Wish,
    code: u64,
}

impl Instrument {
    /// Writes several different fields and verifies them: every register once, whatever number of
    /// its fields is set, read before only where other bits of it have to be kept, and read back
    /// once. Registers are written in the order of the map, then what it says brings them into
    /// force. Nothing is written before all that has to be read was read.
    pub(super) async fn apply_fields(
        &mut self,
        wishes: Vec<(&str, Wish)>,
    ) -> Result<Vec<Applied>, BatchError> {
        let since = Instant::now();
        let nothing = |error| BatchError { applied: Vec::new(), error };
        let map = self.map(wishes.first().map_or("", |(name, _)| name)).map_err(nothing)?;
        let mut wants = Vec::with_capacity(wishes.len());
        for (name, wish) in wishes {
            wants.push(self.want(&map, name, wish).map_err(nothing)?);
        }
        let order = write_order(&wants);
        let mut registers = Registers::new();
        for address in &order {
            let bits = self.before(&map, &wants, *address).await.map_err(nothing)?;
            registers.insert(*address, bits);
        }
        let commits = commits(&map, &wants);
        let mut commit_bits = Vec::with_capacity(commits.len());
        for commit in &commits {
            commit_bits.push(self.before_commit(&map, commit, &registers).await.map_err(nothing)?);
        }
        for want in &wants {
            want.field.scatter(want.code, &mut registers);
        }
        let mut written = Vec::new();
        let mut outcome = Ok(());
        for address in &order {
            let bits = registers.get(address).copied().unwrap_or_default();
            let shown = shown_at(&wants, *address);
            outcome = self.write_register(*address, bits, &shown).await;
            if outcome.is_err() {
                break;
            }
            written.push(*address);
            if map.is_write_only(*address) {
                self.shadow.put(*address, bits);
            }
        }
        if outcome.is_ok() {
            for (commit, others) in commits.iter().zip(commit_bits) {
                outcome = self.commit(&map, commit, others, &registers).await;
                if outcome.is_err() {
                    break;
                }
            }
        }
        // After a refusal the link is in step, and what was written before can be told.
        let applied = match &outcome {
            Err(error) if !matches!(*error.fault, InstrumentFault::Refused { .. }) => Vec::new(),
            _ => match self.verify(&map, wants, &order, &written, &registers, since).await {
                Ok(applied) => applied,
                Err(failed) if outcome.is_ok() => return Err(failed),
                Err(failed) => failed.applied,
            },
        };
        match outcome {
            Ok(()) => Ok(applied),
            Err(error) => Err(BatchError { applied, error }),
        }
    }

    fn want<'m>(
        &self,
        map: &'m RegisterMap,
        name: &str,
        wish: Wish,
    ) -> Result<Want<'m>, InstrumentError> {
        let found = map.fields.iter().enumerate().find(|(_, field)| field.name == name);
        let (index, field) =
            found.ok_or_else(|| self.error(Phase::Check, name, InstrumentFault::NoPort))?;
        let code = field
            .code_of(&wish.sent)
            .map_err(|unfit| self.error(Phase::Check, name, unfit.into()))?;
        Ok(Want { field, index, wish, code })
    }

    /// What a register holds before some of its fields are changed.
    async fn before(
        &mut self,
        map: &RegisterMap,
        wants: &[Want<'_>],
        address: u32,
    ) -> Result<u32, InstrumentError> {
        let changed = wants.iter().fold(0, |mask, want| mask | want.field.mask_at(address));
        if changed == map.register_mask() {
            return Ok(0);
        }
        let shown = shown_at(wants, address);
        self.kept_bits(map, address, changed, &shown).await
    }

    /// What a register holds besides the bits that are about to change.
    async fn kept_bits(
        &mut self,
        map: &RegisterMap,
        address: u32,
        changed: u32,
        shown: &str,
    ) -> Result<u32, InstrumentError> {
        if let Some(bits) = self.shadow.trusted(address, map) {
            return Ok(bits);
        }
        if !map.is_write_only(address) {
            let bits = self.read_register(address, shown, Phase::Send).await?;
            return Ok(bits & map.register_mask());
        }
        let others = map.fields.iter().filter(|field| field.mask_at(address) & !changed != 0);
        let owned = others.clone().fold(0, |mask, field| mask | field.mask_at(address)) & !changed;
        if let Some(bits) = map.reset_of(address, owned) {
            if owned != 0 {
                self.note(Event::TakenAsReset { address, bits });
            }
            return Ok(bits);
        }
        if owned == 0 {
            return Ok(0);
        }
        let fields = others.map(|field| field.name.clone()).collect();
        Err(self.error(Phase::Check, shown, InstrumentFault::Unseen { address, fields }))
    }

    /// The other bits of a commit's register, where the batch itself does not write it.
    async fn before_commit(
        &mut self,
        map: &RegisterMap,
        commit: &Commit,
        registers: &Registers,
    ) -> Result<Registers, InstrumentError> {
        let field = &map.fields[commit.field];
        let mut others = Registers::new();
        for address in field.write_order() {
            let changed = field.mask_at(address);
            if !registers.contains_key(&address) && changed != map.register_mask() {
                let bits = self.kept_bits(map, address, changed, &field.name).await?;
                others.insert(address, bits);
            }
        }
        Ok(others)
    }

    /// Writes what brings other fields into force. It is not read back: such bits clear themselves.
    async fn commit(
        &mut self,
        map: &RegisterMap,
        commit: &Commit,
        others: Registers,
        registers: &Registers,
    ) -> Result<(), InstrumentError> {
        let field = &map.fields[commit.field];
        let before: Registers = field
            .write_order()
            .into_iter()
            .filter_map(|at| Some((at, *others.get(&at).or_else(|| registers.get(&at))?)))
            .collect();
        let mut bits = before.clone();
        field.scatter(commit.code, &mut bits);
        for address in field.write_order() {
            let value = bits.get(&address).copied().unwrap_or_default();
            self.write_register(address, value, &field.name).await?;
            if let (true, Some(kept)) = (map.is_write_only(address), before.get(&address)) {
                // Written again with a neighbour, it must not come into force by accident.
                self.shadow.put(address, kept & !field.mask_at(address));
            }
        }
        Ok(())
    }

    /// Reads back what was written, every register once.
    async fn verify(
        &mut self,
        map: &RegisterMap,
        wants: Vec<Want<'_>>,
        order: &[u32],
        written: &[u32],
        sent: &Registers,
        since: Instant,
    ) -> Result<Vec<Applied>, BatchError> {
        let mut seen = Registers::new();
        let mut failed = None;
        for address in order.iter().filter(|address| written.contains(address)) {
            if map.is_write_only(*address) {
                seen.extend(sent.get(address).map(|bits| (*address, *bits)));
                continue;
            }
            let shown = shown_at(&wants, *address);
            match self.read_register(*address, &shown, Phase::ReadBack).await {
                Ok(bits) => seen.insert(*address, bits),
                Err(error) => {
                    failed = Some(error);
                    break;
                }
            };
        }
        let mut applied = Vec::with_capacity(wants.len());
        for want in wants {
            match want.field.decode(&seen) {
                None => {}
                Some(Ok(read_back)) => applied.push(want.applied(map, read_back, since)),
                Some(Err(code)) => {
                    let fault = InstrumentFault::UnknownCode(code);
                    let error = self.error(Phase::ReadBack, &want.field.name, fault);
                    failed = failed.or(Some(error));
                }
            }
        }
        match failed {
            Some(error) => Err(BatchError { applied, error }),
            None => Ok(applied),
        }
    }

    /// Reads a field; one that can only be written, as the shadow copy has it.
    pub(super) async fn read_field(&mut self, name: &str) -> Result<Value, InstrumentError> {
        self.read_field_once(name, &mut Registers::new()).await
    }

    /// The values of settings and readings now, in one pass: a register that holds several of them is
    /// read once. `None` for what can only be written and was not.
    ///
    /// # Errors
    /// [`InstrumentError`] of the first that cannot be read.
    pub async fn read_all(
        &mut self,
        names: &[String],
    ) -> Result<Vec<Option<Value>>, InstrumentError> {
        let mut seen = Registers::new();
        let mut values = Vec::with_capacity(names.len());
        for name in names {
            let profile = &self.driver.profile;
            let of_profile = profile.setting(name).is_some() || profile.reading(name).is_some();
            let value = if of_profile || self.driver.knob(name).is_none() {
                self.read(name).await
            } else {
                self.ready(name).await?;
                self.read_field_once(name, &mut seen).await
            };
            values.push(match value {
                Ok(value) => Some(value),
                // Nobody knows where it stands, so that there is nothing to be told.
                Err(error) if *error.fault == InstrumentFault::NeverWritten => None,
                Err(error) => return Err(error),
            });
        }
        Ok(values)
    }

    /// Reads a field from those registers that were read already, and the others now.
    async fn read_field_once(
        &mut self,
        name: &str,
        seen: &mut Registers,
    ) -> Result<Value, InstrumentError> {
        let map = self.map(name)?;
        let no_field = || self.error(Phase::Check, name, InstrumentFault::NoPort);
        let field = map.field(name).ok_or_else(no_field)?;
        for address in field.write_order() {
            if seen.contains_key(&address) {
                continue;
            }
            let bits = if map.is_write_only(address) {
                self.shadow
                    .last(address)
                    .ok_or_else(|| self.error(Phase::Ask, name, InstrumentFault::NeverWritten))?
            } else {
                self.read_register(address, name, Phase::Ask).await?
            };
            seen.insert(address, bits);
        }
        match field.decode(seen) {
            Some(Ok(value)) => Ok(value),
            Some(Err(code)) => {
                Err(self.error(Phase::Ask, name, InstrumentFault::UnknownCode(code)))
            }
            None => Err(self.error(Phase::Ask, name, InstrumentFault::NeverWritten)),
        }
    }

    /// Reads every register that can be read. A register that the port refuses is part of the dump.
    ///
    /// # Errors
    /// [`InstrumentError`], also when the port refuses every register.
    pub async fn dump_registers(&mut self) -> Result<Dump, InstrumentError> {
        let map = self.map("registers")?;
        self.shadow.begin_call();
        self.ready("registers").await?;
        let mut dump = self.shadow_registers();
        dump.read.clear();
        let mut last = None;
        for address in map.readable() {
            match self.read_register(address, "dump", Phase::Ask).await {
                Ok(bits) => {
                    dump.read.insert(address, bits);
                }
                Err(error) => {
                    let InstrumentFault::Refused { code, text } = &*error.fault else {
                        return Err(error);
                    };
                    dump.refused.insert(address, format!("{code} {text}").trim().to_owned());
                    last = Some(error);
                }
            }
        }
        match last {
            Some(error) if dump.read.is_empty() => Err(error),
            _ => Ok(dump),
        }
    }

    /// What this session has seen and written, without asking the instrument.
    #[must_use]
    pub fn shadow_registers(&self) -> Dump {
        let Some(map) = &self.driver.registers else { return Dump::default() };
        let (written, read) = self
            .shadow
            .known()
            .iter()
            .partition::<BTreeMap<_, _>, _>(|(at, _)| map.is_write_only(**at));
        let own = |part: BTreeMap<&u32, &u32>| part.into_iter().map(|(a, b)| (*a, *b)).collect();
        Dump {
            map: map.name.clone(),
            instrument: self.name.clone(),
            read: own(read),
            written: own(written),
            refused: BTreeMap::new(),
        }
    }

    /// Forgets what registers hold: for whoever knows that the chip was reset or lost its supply.
    pub fn forget_registers(&mut self) {
        self.shadow.clear();
    }

    fn map(&self, name: &str) -> Result<Arc<RegisterMap>, InstrumentError> {
        match (&self.driver.registers, &self.driver.profile.port) {
            (Some(map), Some(_)) => Ok(map.clone()),
            _ => Err(self.error(Phase::Check, name, InstrumentFault::NoPort)),
        }
    }
}

impl Want<'_> {
    fn applied(self, map: &RegisterMap, read_back: Value, since: Instant) -> Applied {
        let rounding = Tolerance { absolute: self.field.rounding(), relative: 0.0 };
        let matched = rounding.matches(&self.wish.sent, &read_back);
        let unread = self.field.parts.iter().any(|part| map.is_write_only(part.address));
        Applied {
            setting: self.field.name.clone(),
            asked: self.wish.asked,
            sent: self.wish.sent,
            read_back,
            matched,
            verified: !unread,
            skipped: false,
            dependants: Vec::new(),
            took: since.elapsed(),
        }
    }
}

/// The registers in the order in which they are written: by the ranks of the fields in them, the
/// highest counts, then as the fields name them.
fn write_order(wants: &[Want<'_>]) -> Vec<u32> {
    let mut ranks: BTreeMap<u32, usize> = BTreeMap::new();
    let mut order = Vec::new();
    for want in wants {
        for address in want.field.write_order() {
            let rank = ranks.entry(address).or_insert_with(|| {
                order.push(address);
                0
            });
            *rank = (*rank).max(want.field.rank);
        }
    }
    order.sort_by_key(|address| ranks.get(address).copied());
    order
}

/// The commits that a batch needs and does not make itself.
fn commits<'m>(map: &'m RegisterMap, wants: &[Want<'_>]) -> Vec<&'m Commit> {
    let wanted = |index: usize| wants.iter().any(|want| want.index == index);
    let needed =
        |commit: &&Commit| !wanted(commit.field) && commit.after.iter().any(|index| wanted(*index));
    map.commits.iter().filter(needed).collect()
}

/// The fields of a register that are being set, for messages.
fn shown_at(wants: &[Want<'_>], address: u32) -> String {
    let names = wants.iter().filter(|want| want.field.covers(address));
    names.map(|want| want.field.name.as_str()).collect::<Vec<_>>().join(", ")
}
