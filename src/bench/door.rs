//! The one door through which settings reach instruments.
//!
//! Every value passes the knob's limits before a byte is sent, is read back after it, and what was
//! asked for is remembered beside what was read back. Knows nothing of sequences and records.

use std::collections::{BTreeMap, BTreeSet};

use beamwarden_drivers::instrument::{Applied, Inputs, Instrument};
use beamwarden_drivers::profile::Role;
use beamwarden_drivers::transport::{Traced, Transport, link_for};
use beamwarden_drivers::value::{Kind, Value};
use tokio::time::Instant;

use super::capture::LoadedFrame;
use super::error::BenchError;
use super::knob::{BEAM_RX, BEAM_TX, FRAME, KnobValue, from_driver, to_driver};
use super::lock::Locks;
use super::plan::{BenchPlan, InstrumentPlan};
use super::recorded::RecordedLinks;
use super::simulated::Simulated;
use super::steering::Steering;
use super::trace::{TraceKeeper, told};
use crate::record::InstrumentRecord;

/// A setting that was made.
#[derive(Clone, Debug, PartialEq)]
pub struct Settled {
    /// Its full name.
    pub setting: String,
    /// What was asked for.
    pub asked: KnobValue,
    /// What was read back.
    pub read_back: KnobValue,
    /// Whether the two agree within the setting's tolerance.
    pub matched: bool,
    /// Whether nothing was sent because it stood there already.
    pub skipped: bool,
    /// When it was read back.
    pub at: Instant,
}

/// A setting as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// Its full name.
    pub setting: String,
    /// What was last asked for; `None` when nobody did.
    pub asked: Option<KnobValue>,
    /// What was read back.
    pub read_back: KnobValue,
    /// Whether the two agree.
    pub matched: bool,
    /// What it was read back as after a capture, where that differs from before.
    pub after: Option<KnobValue>,
    /// When it was read back.
    pub at: Instant,
}

impl Standing {
    /// A setting that was read just now, `last` being what was known of it, and whether both agree
    /// within the setting's tolerance. One that was read back within tolerance when it was set and has
    /// changed since then no longer matches.
    pub(super) fn read_now(
        setting: String,
        read_back: KnobValue,
        last: Option<&Self>,
        agrees: bool,
    ) -> Self {
        Standing {
            asked: last.and_then(|last| last.asked.clone()),
            matched: last.is_none_or(|last| agrees && last.matched),
            after: None,
            read_back,
            at: Instant::now(),
            setting,
        }
    }
}

/// A quantity that can only be read.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Its full name.
    pub name: String,
    /// Its value.
    pub value: KnobValue,
    /// When it was read.
    pub at: Instant,
}

/// An open bench.
pub struct Bench {
    pub(super) plan: BenchPlan,
    pub(super) instruments: BTreeMap<String, Instrument>,
    pub(super) standing: BTreeMap<String, Standing>,
    pub(super) frame: Option<LoadedFrame>,
    pub(super) steering: Steering,
    /// Settings whose instrument may have lost them since they were read back.
    pub(super) unsure: BTreeSet<String>,
    /// Instruments that may have lost what was set, and that nobody has looked after since.
    pub(super) lost: BTreeSet<String>,
    /// How often each instrument may have lost its settings, as far as that was seen to.
    losses: BTreeMap<String, u64>,
    /// Lives as long as its instruments.
    pub(super) simulated: Option<Simulated>,
    /// Instead of instruments, when a recorded run is replayed.
    recorded: Option<RecordedLinks>,
    /// Held as long as the bench is open.
    _locks: Locks,
    trace: Option<TraceKeeper>,
    began: Instant,
    /// Marks the codes of the last record, to know them again.
    pub(super) last_record: Option<u64>,
}

impl Bench {
    /// Opens every instrument: silence, identity, empty error queue. Sets nothing.
    ///
    /// # Errors
    /// The first instrument that cannot be reached or is not the one expected.
    pub async fn open(plan: BenchPlan) -> Result<Self, BenchError> {
        let (bench, failures) = Self::open_what_answers(plan, None).await?;
        match failures.into_iter().next() {
            Some((_, error)) => Err(error),
            None => Ok(bench),
        }
    }

    /// Opens every instrument that answers, and says of each other one why it does not; with
    /// `trace`, keeps every message. What answers can still be brought to its safe state.
    ///
    /// # Errors
    /// When another process drives an instrument, or the simulated bench cannot be set up; then
    /// nothing is sent at all.
    pub async fn open_what_answers(
        plan: BenchPlan,
        trace: Option<&TraceKeeper>,
    ) -> Result<(Self, Vec<(String, BenchError)>), BenchError> {
        let simulated = Simulated::for_plan(&plan)?;
        Self::open_over(plan, simulated, None, trace).await
    }

    pub(super) async fn open_over(
        plan: BenchPlan,
        simulated: Option<Simulated>,
        recorded: Option<RecordedLinks>,
        trace: Option<&TraceKeeper>,
    ) -> Result<(Self, Vec<(String, BenchError)>), BenchError> {
        let mut bench = Bench {
            _locks: Locks::take(&plan)?,
            simulated,
            recorded,
            instruments: BTreeMap::new(),
            standing: BTreeMap::new(),
            frame: None,
            steering: Steering::default(),
            unsure: BTreeSet::new(),
            lost: BTreeSet::new(),
            losses: BTreeMap::new(),
            trace: trace.cloned(),
            began: Instant::now(),
            last_record: None,
            plan,
        };
        let mut failures = Vec::new();
        for planned in bench.plan.instruments.clone() {
            if let Err(error) = bench.open_one(&planned).await {
                failures.push((planned.name, error));
            }
        }
        Ok((bench, failures))
    }

    async fn open_one(&mut self, planned: &InstrumentPlan) -> Result<(), BenchError> {
        let link = match (&self.recorded, link_for(&planned.address)) {
            (Some(recorded), _) => recorded.link(&planned.name)?,
            (None, Some(link)) => link,
            (None, None) => self.simulated_link(planned)?,
        };
        let link: Box<dyn Transport> = if tracing::enabled!(tracing::Level::TRACE) {
            Box::new(Traced::new(link, self.began, told(&planned.name)))
        } else {
            link
        };
        let link: Box<dyn Transport> = match &self.trace {
            Some(trace) => Box::new(Traced::new(link, self.began, trace.sink(&planned.name))),
            None => link,
        };
        let instrument = Instrument::open(&planned.name, link, planned.driver.clone()).await?;
        self.instruments.insert(planned.name.clone(), instrument);
        Ok(())
    }

    fn simulated_link(&self, planned: &InstrumentPlan) -> Result<Box<dyn Transport>, BenchError> {
        match &self.simulated {
            Some(simulated) => Ok(simulated.link(planned.role)),
            None => Err(BenchError::Simulated(format!("{} has no bench", planned.name))),
        }
    }

    /// The plan that the bench was opened from.
    #[must_use]
    pub fn plan(&self) -> &BenchPlan {
        &self.plan
    }

    /// Who answered, in the order of the bench file.
    #[must_use]
    pub fn instruments(&self) -> Vec<InstrumentRecord> {
        self.plan
            .instruments
            .iter()
            .map(|planned| InstrumentRecord {
                name: planned.name.clone(),
                role: planned.role.to_string(),
                identity: self
                    .instruments
                    .get(&planned.name)
                    .and_then(Instrument::identity)
                    .map(ToString::to_string)
                    .unwrap_or_default(),
                profile: planned.profile_name.clone(),
                profile_sha256: None,
            })
            .collect()
    }

    /// The model that an instrument's profile knows it as, where its profile tells models apart.
    #[must_use]
    pub fn model(&self, instrument: &str) -> Option<&str> {
        self.instruments.get(instrument).and_then(Instrument::model)
    }

    /// One instrument by name. Stays within this module: whoever had it could pass the limits by.
    ///
    /// # Errors
    /// When there is none of that name.
    pub(super) fn instrument(&mut self, name: &str) -> Result<&mut Instrument, BenchError> {
        self.instruments
            .get_mut(name)
            .ok_or_else(|| BenchError::NoInstrument(format!("instrument '{name}'")))
    }

    /// The first instrument of a role, and its name.
    pub(super) fn of_role(&mut self, role: Role) -> Result<(String, &mut Instrument), BenchError> {
        let planned = self.plan.of_role(role);
        let name = planned.map(|planned| planned.name.clone());
        let name = name.ok_or_else(|| BenchError::NoInstrument(role.to_string()))?;
        Ok((name.clone(), self.instrument(&name)?))
    }

    /// Sets one knob. Yields what was set: one entry, or for a beam its weights too.
    ///
    /// # Errors
    /// A limit, before anything is sent; or what the instrument or its link failed at.
    pub async fn set(
        &mut self,
        setting: &str,
        value: &KnobValue,
    ) -> Result<Vec<Settled>, BenchError> {
        self.plan.knobs().get(setting)?.check(value)?;
        if *value == KnobValue::Switch(true) {
            self.check_before_switching_on(setting).await?;
        }
        match value {
            KnobValue::Frame(frame) => self.load_frame(frame).await.map(|one| vec![one]),
            KnobValue::Number(angle) if setting == BEAM_TX || setting == BEAM_RX => {
                self.steer(setting, angle.value).await
            }
            value => self.set_one(setting, value).await.map(|one| vec![one]),
        }
    }

    /// A value that somebody else left beyond a limit must not come into force by switching on: what
    /// the bench file limits at the same instrument is read back first.
    pub(super) async fn check_before_switching_on(
        &mut self,
        setting: &str,
    ) -> Result<(), BenchError> {
        let Some((name, _)) = setting.split_once('.') else { return Ok(()) };
        let limited = self.plan.limited.iter().filter_map(|limited| limited.split_once('.'));
        for (_, inner) in limited.filter(|(instrument, _)| *instrument == name) {
            let closed = || BenchError::NotOpen(name.to_string());
            let instrument = self.instruments.get_mut(name).ok_or_else(closed)?;
            let value = instrument.query(inner).await?;
            let Some(known) = instrument.driver().knob(inner) else { continue };
            let value = from_driver(known.kind, &value);
            let knob = self.plan.knobs().get(&format!("{name}.{inner}"))?;
            knob.check_bounds(&value).map_err(|limit| BenchError::StandsBeyond {
                setting: setting.to_string(),
                limit: Box::new(limit),
            })?;
        }
        Ok(())
    }

    pub(super) async fn set_one(
        &mut self,
        setting: &str,
        value: &KnobValue,
    ) -> Result<Settled, BenchError> {
        let one = self.set_together(&[(setting.to_string(), value.clone())]).await?;
        let unknown = || BenchError::NoInstrument(format!("setting '{setting}'"));
        one.into_iter().next().ok_or_else(unknown)
    }

    /// Sets several settings of one instrument together: all pass their limits before a byte is sent,
    /// and fields that share registers are written at once. What was set before a failure is
    /// remembered.
    pub(super) async fn set_together(
        &mut self,
        wanted: &[(String, KnobValue)],
    ) -> Result<Vec<Settled>, BenchError> {
        let mut batch = Vec::with_capacity(wanted.len());
        let mut name = "";
        for (setting, value) in wanted {
            let unknown = || BenchError::NoInstrument(format!("setting '{setting}'"));
            let (own, inner) = setting.split_once('.').ok_or_else(unknown)?;
            if !batch.is_empty() && own != name {
                return Err(unknown());
            }
            name = own;
            let given = to_driver(value).ok_or_else(unknown)?;
            self.check_limits(setting, value, &given)?;
            batch.push((inner, given));
        }
        if batch.is_empty() {
            return Ok(Vec::new());
        }
        let closed = || BenchError::NotOpen(name.to_string());
        let instrument = self.instruments.get_mut(name).ok_or_else(closed)?;
        for (setting, _) in wanted {
            // Until the read-back is in, nobody knows where the setting stands.
            self.standing.remove(setting);
        }
        let outcome = instrument.set_many(&batch).await;
        let (applied, error) = match outcome {
            Ok(applied) => (applied, None),
            Err(batch) => (batch.applied, Some(batch.error)),
        };
        if error.is_some() || applied.iter().any(|one| !one.skipped) {
            self.forget_registers_fed_by(name);
        }
        let settled = applied.into_iter().map(|one| self.settle(name, one)).collect();
        match error {
            Some(error) => Err(error.into()),
            None => Ok(settled),
        }
    }

    /// Refuses a value beyond a limit, and one for which the instrument would be given a step or a code
    /// beyond it.
    fn check_limits(
        &self,
        setting: &str,
        value: &KnobValue,
        given: &Value,
    ) -> Result<(), BenchError> {
        let knob = self.plan.knobs().get(setting)?;
        knob.check(value)?;
        let Some((name, inner)) = setting.split_once('.') else { return Ok(()) };
        let Some(instrument) = self.instruments.get(name) else { return Ok(()) };
        let driver = instrument.driver();
        // What this very model rounds to must keep the limits as well.
        if let (Some(known), Some(taken)) = (driver.knob(inner), driver.taken(inner, given)) {
            knob.check_bounds(&from_driver(known.kind, &taken))?;
        }
        Ok(())
    }

    /// Remembers a setting that was made.
    fn settle(&mut self, name: &str, applied: Applied) -> Settled {
        let setting = format!("{name}.{}", applied.setting);
        let driver = self.instruments.get(name).map(Instrument::driver);
        let kind = driver.and_then(|driver| driver.knob(&applied.setting)).map(|knob| knob.kind);
        let shown = |value: &Value| match kind {
            Some(kind) => from_driver(kind, value),
            None => from_driver(&Kind::Switch, value),
        };
        let settled = Settled {
            asked: shown(&applied.asked),
            read_back: shown(&applied.read_back),
            matched: applied.matched,
            skipped: applied.skipped,
            at: Instant::now(),
            setting,
        };
        self.remember_dependants(name, applied.dependants);
        if !applied.skipped {
            self.forget_dependent(&settled.setting);
            self.forget_beam_of(&settled.setting);
        }
        self.remember(&settled);
        settled
    }

    /// Trusts no longer what was set at an instrument that may have restarted since; whether there is
    /// one.
    pub(super) fn forget_what_was_lost(&mut self) -> bool {
        let mut lost = Vec::new();
        for (name, instrument) in &self.instruments {
            let losses = instrument.losses();
            if self.losses.insert(name.clone(), losses).unwrap_or(0) != losses {
                lost.push(name.clone());
            }
        }
        for name in &lost {
            self.doubt(name);
            self.note_lost(name);
        }
        !lost.is_empty()
    }

    /// Whether the settings of an instrument still stand is not known.
    pub(super) fn doubt(&mut self, name: &str) {
        let own = |setting: &&String| {
            setting.strip_prefix(name).is_some_and(|inner| inner.starts_with('.'))
        };
        let doubted: Vec<String> = self.standing.keys().filter(own).cloned().collect();
        self.unsure.extend(doubted);
    }

    /// Sets one setting to a value in the drivers' words.
    ///
    /// # Errors
    /// As [`Bench::set`].
    pub async fn set_driver_value(
        &mut self,
        setting: &str,
        value: &Value,
    ) -> Result<Vec<Settled>, BenchError> {
        let unknown = || BenchError::NoInstrument(format!("setting '{setting}'"));
        let (name, inner) = setting.split_once('.').ok_or_else(unknown)?;
        let driver = self.instrument(name)?.driver().clone();
        let knob = driver.knob(inner).ok_or_else(unknown)?;
        let value = from_driver(knob.kind, value);
        self.set(setting, &value).await
    }

    /// A waveform is made for one sample rate; with another it is another frame.
    fn forget_dependent(&mut self, setting: &str) {
        let source = self.plan.of_role(Role::WaveformSource);
        if source.is_some_and(|source| setting == format!("{}.sample_rate", source.name)) {
            self.frame = None;
            self.standing.remove(FRAME);
        }
    }

    pub(super) fn remember(&mut self, settled: &Settled) {
        self.unsure.remove(&settled.setting);
        let standing = Standing {
            setting: settled.setting.clone(),
            asked: Some(settled.asked.clone()),
            read_back: settled.read_back.clone(),
            matched: settled.matched,
            after: None,
            at: settled.at,
        };
        self.standing.insert(settled.setting.clone(), standing);
    }

    /// Every reading of the bench, now.
    ///
    /// # Errors
    /// The first that cannot be read.
    pub async fn readings(&mut self) -> Result<Vec<Reading>, BenchError> {
        let mut all = Vec::new();
        for (name, instrument) in &mut self.instruments {
            let driver = instrument.driver().clone();
            let knobs: Vec<_> = driver.knobs().filter(|knob| knob.read_only).collect();
            let names: Vec<String> = knobs.iter().map(|knob| knob.name.to_string()).collect();
            for (knob, value) in knobs.iter().zip(instrument.read_all(&names).await?) {
                let Some(value) = value else { continue };
                let value = from_driver(knob.kind, &value);
                let name = format!("{name}.{}", knob.name);
                all.push(Reading { name, value, at: Instant::now() });
            }
        }
        Ok(all)
    }

    /// One setting as it stands; asks the instrument when nobody has set it yet.
    pub(super) async fn value_of(&mut self, setting: &str) -> Result<KnobValue, BenchError> {
        self.forget_what_was_lost();
        if let Some(standing) =
            self.standing.get(setting).filter(|_| !self.unsure.contains(setting))
        {
            return Ok(standing.read_back.clone());
        }
        self.plan.knobs().get(setting)?;
        let read_back = self.ask_setting(setting).await?;
        let last = self.standing.get(setting);
        let agrees = last.is_none_or(|last| self.agree(setting, &last.read_back, &read_back));
        let standing = Standing::read_now(setting.to_string(), read_back.clone(), last, agrees);
        self.unsure.remove(setting);
        self.standing.insert(setting.to_string(), standing);
        Ok(read_back)
    }

    /// A setting or a reading as the instrument has it now.
    ///
    /// # Errors
    /// What the instrument or its link failed at.
    pub async fn ask_setting(&mut self, setting: &str) -> Result<KnobValue, BenchError> {
        let unknown = || BenchError::NoInstrument(format!("setting '{setting}'"));
        let (name, inner) = setting.split_once('.').ok_or_else(unknown)?;
        let instrument = self.instrument(name)?;
        let value = instrument.read(inner).await?;
        let knob = instrument.driver().knob(inner).ok_or_else(unknown)?;
        Ok(from_driver(knob.kind, &value))
    }

    /// A setting or a reading by its full name, now. What the bench derives itself is as it stands.
    ///
    /// # Errors
    /// What the instrument or its link failed at; or nothing of that name is known.
    pub async fn value_now(&mut self, name: &str) -> Result<KnobValue, BenchError> {
        match self.standing.get(name) {
            Some(standing) if matches!(name, FRAME | BEAM_TX | BEAM_RX) => {
                Ok(standing.read_back.clone())
            }
            _ => self.ask_setting(name).await,
        }
    }

    /// Whether a setting moves the turntable.
    #[must_use]
    pub fn moves(&self, setting: &str) -> bool {
        let table = self.plan.of_role(Role::Turntable);
        table.is_some_and(|table| {
            setting.strip_prefix(&table.name).is_some_and(|s| s.starts_with('.'))
        })
    }

    /// Stops the turntable where it is, when its profile can.
    ///
    /// # Errors
    /// What the instrument or its link failed at.
    pub async fn halt(&mut self) -> Result<(), BenchError> {
        let Ok((name, table)) = self.of_role(Role::Turntable) else { return Ok(()) };
        if table.driver().profile.action("stop").is_some() {
            table.perform("stop", &Inputs::none()).await?;
        }
        // Wherever it was going, it is not there.
        self.standing.retain(|setting, _| !setting.starts_with(&format!("{name}.")));
        Ok(())
    }
}

mod safe;

pub(crate) use safe::SHORT_TRY;

#[cfg(test)]
mod tests;
