//! A bench as planned: bench file, profiles and register maps together, checked offline.
//!
//! Reads files, reaches no instrument. What it yields is enough to check a sequence and to open
//! the bench.

use std::collections::BTreeMap;
use std::path::Path;

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::instrument::{Driver, Knob as DriverKnob};
use beamwarden_drivers::profile::{self, LoadError, Profile, Role};
use beamwarden_drivers::quantity::{Dimension, Quantity};
use beamwarden_drivers::registers;
use beamwarden_drivers::transport::Address;
use beamwarden_drivers::value::Kind;

use super::file::{ArrayEntry, BenchFile, InstrumentEntry, Placed, SignalEntry, SimulatedEntry};
use super::frame_file::FrameFile;
use super::interlock::{self, Interlock};
use super::knob::{
    BEAM_RX, BEAM_TX, Bound, FRAME, Knob, KnobError, KnobKind, KnobSteps, KnobTable, KnobValue,
};
use super::notify::Notify;
use super::policy::Policy;
use super::simulated::{check_faults, check_model};
use crate::phy::waveform::FrequencyResponse;

/// One instrument, ready to be opened.
#[derive(Clone, Debug)]
pub struct InstrumentPlan {
    /// Its name.
    pub name: String,
    /// Its role.
    pub role: Role,
    /// Profile and register map, deadline and expected identity.
    pub driver: Driver,
    /// The profile by the name that the bench file gives it.
    pub profile_name: String,
    /// The register map by the name that the bench file gives it.
    pub registers_name: Option<String>,
    /// Where it is.
    pub address: Address,
}

/// A checked bench.
#[derive(Clone, Debug)]
pub struct BenchPlan {
    source: Source,
    name: String,
    /// The instruments in the order of the file.
    pub instruments: Vec<InstrumentPlan>,
    /// Transmitter's and receiver's array.
    pub arrays: Option<(ArrayEntry, ArrayEntry)>,
    /// What the link carries.
    pub signal: SignalEntry,
    /// The frames that the bench file adds.
    pub frames: Vec<FrameFile>,
    /// The response that waveforms are corrected for, with its text.
    pub correction: Option<(Source, FrequencyResponse)>,
    /// The simulated bench.
    pub simulated: SimulatedEntry,
    /// Text of the model file, where there is one.
    pub model: Option<Source>,
    /// Text of the fault plan of the simulated bench, where there is one.
    pub faults: Option<Source>,
    /// The safe state, in order.
    pub safe_state: Vec<(String, KnobValue)>,
    /// The settings that the bench file limits.
    pub limited: Vec<String>,
    /// What is done about failures, where the bench file says so.
    pub policy: Option<Policy>,
    /// Conditions watched during every run.
    pub interlocks: Vec<Interlock>,
    /// Who is told, and how.
    pub notify: Option<Notify>,
    knobs: KnobTable,
}

impl BenchPlan {
    /// Reads and checks a bench; profiles and register maps are looked for beside the bench file,
    /// then among the shipped ones.
    ///
    /// # Errors
    /// Every fault of every file, one element a file.
    pub fn load(source: &Source, near: Option<&Path>) -> Result<Self, Vec<Faults>> {
        let (file, faults) = BenchFile::read(source).map_err(|faults| vec![faults])?;
        Self::of_file(file, faults, source, near, BTreeMap::new())
    }

    /// `maps` are register maps in place of those that the file names, by instrument.
    fn of_file(
        file: BenchFile,
        faults: Vec<Fault>,
        source: &Source,
        near: Option<&Path>,
        maps: BTreeMap<String, Source>,
    ) -> Result<Self, Vec<Faults>> {
        let mut loader = Loader { near, maps, faults, others: Vec::new() };
        let instruments: Vec<InstrumentPlan> =
            file.instruments.iter().filter_map(|entry| loader.instrument(entry)).collect();
        let complete = instruments.len() == file.instruments.len() && loader.faults.is_empty();
        let frames = loader.frames(&file.frames);
        let correction = loader.correction(&file.signal);
        let mut knobs = knobs_of(&instruments, &frames);
        if file.arrays.is_some() {
            add_beams(&mut knobs, &file);
        }
        // Without every instrument the names of settings cannot be judged.
        let (mut safe_state, mut interlocks) = (Vec::new(), Vec::new());
        if complete {
            interlocks =
                interlock::read(file.interlocks.as_ref(), Some(&knobs), &mut loader.faults);
            loader.limits(&file, &mut knobs);
            loader.beams_within_limits(&file, &knobs);
            loader.references(&file, &knobs);
            safe_state = loader.safe_state(&file, &knobs);
        }
        let SimulatedEntry { model, faults, .. } = &file.simulated;
        let model = loader.beside(model.as_ref(), check_model);
        let faults = loader.beside(faults.as_ref(), check_faults);
        if !loader.faults.is_empty() {
            loader.others.insert(0, Faults::new(source.clone(), loader.faults));
        }
        if !loader.others.is_empty() {
            return Err(loader.others);
        }
        Ok(BenchPlan {
            source: source.clone(),
            name: file.name,
            instruments,
            arrays: file.arrays,
            signal: file.signal,
            frames,
            correction,
            simulated: file.simulated,
            model,
            faults,
            safe_state,
            policy: file.policy,
            interlocks,
            notify: file.notify,
            limited: file.limits.into_iter().map(|limit| limit.setting.text).collect(),
            knobs,
        })
    }

    /// Name of the bench.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Every setting of the bench.
    #[must_use]
    pub fn knobs(&self) -> &KnobTable {
        &self.knobs
    }

    /// Whether every instrument is simulated, so that time may be too.
    #[must_use]
    pub fn is_simulated(&self) -> bool {
        self.instruments.iter().all(|instrument| instrument.address == Address::Simulated)
    }

    /// The first instrument of a role.
    #[must_use]
    pub fn of_role(&self, role: Role) -> Option<&InstrumentPlan> {
        self.instruments.iter().find(|instrument| instrument.role == role)
    }

    /// Adds a frame, as if the bench file named its file.
    pub fn add_frame(&mut self, file: FrameFile) {
        if let Some(Knob { kind: KnobKind::Frame(own), .. }) = self.knobs.get_mut(FRAME) {
            own.retain(|frame| frame.name != file.frame.name);
            own.push(file.frame.clone());
        }
        self.frames.push(file);
    }

    /// Every file that decides what this bench does, by its name within a run folder.
    #[must_use]
    pub fn files(&self) -> Vec<(String, Vec<u8>)> {
        let mut files = vec![("bench.yaml".to_string(), self.source.text.as_bytes().to_vec())];
        let mut add = |folder: &str, name: &str, content: &[u8]| {
            let base = Path::new(name).file_name().map_or(name.into(), |n| n.to_string_lossy());
            // Files of one name from two folders are both kept, the later ones with a number.
            let names = std::iter::once(format!("{folder}/{base}"))
                .chain((2..).map(|number| format!("{folder}/{number}-{base}")));
            for file in names {
                match files.iter().find(|(known, _)| *known == file) {
                    Some((_, kept)) if kept == content => return,
                    Some(_) => {}
                    None => {
                        files.push((file, content.to_vec()));
                        return;
                    }
                }
            }
        };
        for instrument in &self.instruments {
            let driver = &instrument.driver;
            add("profiles", &instrument.profile_name, driver.profile.text.as_bytes());
            for base in &driver.profile.based_on {
                add("profiles", &base.name, base.text.as_bytes());
            }
            if let (Some(name), Some(map)) = (&instrument.registers_name, &driver.registers) {
                add("registers", name, map.text.as_bytes());
            }
        }
        if let Some(model) = &self.model {
            add("models", &model.name, model.text.as_bytes());
        }
        if let Some(faults) = &self.faults {
            add("faults", &faults.name, faults.text.as_bytes());
        }
        for file in &self.frames {
            add("frames", &file.source.name, file.source.text.as_bytes());
            if let Some((name, octets)) = &file.payload {
                add("frames", name, octets);
            }
        }
        if let Some((source, _)) = &self.correction {
            add("corrections", &source.name, source.text.as_bytes());
        }
        files
    }
}

/// Collects faults while the parts of a bench come together.
struct Loader<'a> {
    near: Option<&'a Path>,
    /// Register maps in place of those that the file names, by instrument.
    maps: BTreeMap<String, Source>,
    /// Faults of the bench file itself.
    faults: Vec<Fault>,
    /// Faults of the files that it names.
    others: Vec<Faults>,
}

impl Loader<'_> {
    fn instrument(&mut self, entry: &InstrumentEntry) -> Option<InstrumentPlan> {
        let role = Role::parse(&entry.role)?;
        let loaded = profile::load(&entry.profile.text, self.near);
        let profile = self.loaded(&entry.profile, loaded);
        let instead =
            self.maps.get(&entry.name.text).map(|map| (&entry.name, registers::parse(map)));
        let registers = match (instead, &entry.registers) {
            (Some((name, parsed)), _) => Some(self.loaded(name, parsed.map_err(LoadError::from))),
            (None, Some(name)) => Some(self.loaded(name, registers::load(&name.text, self.near))),
            (None, None) => None,
        };
        let address = match entry.at.text.parse::<Address>() {
            Ok(address) => Some(address),
            Err(error) => {
                self.faults.push(Fault::new(entry.at.span.clone(), error.to_string()));
                None
            }
        };
        let profile = profile?;
        self.check_role(entry, role, &profile);
        let registers = match registers {
            Some(map) => Some(map?),
            None => None,
        };
        let mut driver = match Driver::new(profile, registers) {
            Ok(driver) => driver.with_reconnect(entry.reconnect),
            Err(error) => {
                self.faults.push(Fault::new(entry.profile.span.clone(), error.to_string()));
                return None;
            }
        };
        driver.timeout = entry.timeout;
        driver.expect = entry.identity.clone();
        Some(InstrumentPlan {
            name: entry.name.text.clone(),
            role,
            driver,
            profile_name: entry.profile.text.clone(),
            registers_name: entry.registers.as_ref().map(|name| name.text.clone()),
            address: address?,
        })
    }

    fn loaded<T>(&mut self, name: &Placed, loaded: Result<T, LoadError>) -> Option<T> {
        match loaded {
            Ok(value) => Some(value),
            Err(LoadError::Faults(faults)) => {
                if !self.others.contains(&faults) {
                    self.others.push(faults);
                }
                None
            }
            Err(error) => {
                self.faults.push(Fault::new(name.span.clone(), error.to_string()));
                None
            }
        }
    }

    /// A role stands for what the rest of the program asks of the instrument.
    fn check_role(&mut self, entry: &InstrumentEntry, role: Role, profile: &Profile) {
        let mut missing = |what: String| {
            let message = format!("profile {} cannot be a {role}: it lacks {what}", profile.name);
            self.faults.push(Fault::new(entry.profile.span.clone(), message));
        };
        if profile.role != role {
            missing(format!("the role, it is for a {}", profile.role));
        }
        let (settings, actions): (&[&str], &[&str]) = match role {
            Role::WaveformSource => (&["sample_rate"], &["load waveform"]),
            Role::Scope => (
                &["sample_interval", "points", "trigger_offset", "trigger_source"],
                &["acquire", "fetch trace"],
            ),
            _ => (&[], &[]),
        };
        for name in settings.iter().filter(|name| profile.setting(name).is_none()) {
            missing(format!("the setting {name}"));
        }
        for name in actions.iter().filter(|name| profile.action(name).is_none()) {
            missing(format!("the action {name}"));
        }
        let fetch = profile.action("fetch trace").filter(|_| role == Role::Scope);
        for number in ["volts_per_code", "offset_volts"] {
            if fetch.is_some_and(|fetch| fetch.brings_codes() && !fetch.yields(number)) {
                missing(format!(
                    "the number {number} in 'fetch trace', as a slot of an answer or under numbers"
                ));
            }
        }
    }

    fn refuse(&mut self, place: &Placed, error: &KnobError) {
        let mut fault = Fault::new(place.span.clone(), error.to_string());
        fault.help = error.help();
        self.faults.push(fault);
    }

    /// Adds the bench's own limits to the knobs.
    fn limits(&mut self, file: &BenchFile, knobs: &mut KnobTable) {
        for limit in &file.limits {
            let knob = match knobs.get(&limit.setting.text) {
                Ok(knob) => knob.clone(),
                Err(error) => {
                    self.refuse(&limit.setting, &error);
                    continue;
                }
            };
            let mut bound = |place: &Option<Placed>| -> Option<Bound> {
                let place = place.as_ref()?;
                let value = match knob.read(&place.text) {
                    Ok(value) => value,
                    Err(error) => {
                        self.refuse(place, &error);
                        return None;
                    }
                };
                let Some(value) = value.as_number() else {
                    let message = format!("{} has no order to limit", knob.name);
                    self.faults.push(Fault::new(place.span.clone(), message));
                    return None;
                };
                let origin = format!("limits of bench {}", file.name);
                Some(Bound { value, origin, protects: true })
            };
            let (low, high) = (bound(&limit.at_least), bound(&limit.at_most));
            if limit.at_least.is_none() && limit.at_most.is_none() {
                let message = "a limit says at least, at most, or both";
                self.faults.push(Fault::new(limit.setting.span.clone(), message));
            }
            if let Some(knob) = knobs.get_mut(&limit.setting.text) {
                knob.at_least.extend(low);
                knob.at_most.extend(high);
            }
        }
    }

    /// A search may choose any beam of the codebook, so none may lie beyond a limit.
    fn beams_within_limits(&mut self, file: &BenchFile, knobs: &KnobTable) {
        let Some((tx, rx)) = &file.arrays else { return };
        for (name, array) in [(BEAM_TX, tx), (BEAM_RX, rx)] {
            let Ok(knob) = knobs.get(name) else { continue };
            let refused = array.codebook.beams.iter().find_map(|beam| {
                let dimension = Dimension::Angle;
                let angle = Quantity { value: beam.angle_deg, dimension };
                knob.check(&KnobValue::Number(angle)).err()
            });
            let limit = file.limits.iter().find(|limit| limit.setting.text == name);
            if let (Some(error), Some(limit)) = (refused, limit) {
                let message = format!("the beams of this array pass it: {error}");
                let help = "narrow 'beams' under 'arrays', so that a search stays within the limit";
                let fault = Fault::new(limit.setting.span.clone(), message).with_help(help);
                self.faults.push(fault);
            }
        }
    }

    /// Settings that the file names elsewhere must exist.
    fn references(&mut self, file: &BenchFile, knobs: &KnobTable) {
        if let Some(channel) = &file.signal.channel
            && let Err(error) = knobs.get(&channel.text)
        {
            self.refuse(channel, &error);
        }
        let Some((tx, rx)) = &file.arrays else { return };
        for array in [tx, rx] {
            let last = array.geometry.elements().saturating_sub(1);
            for n in [0, last] {
                let name = weight_setting(&array.weights.text, n);
                if let Err(error) = knobs.get(&name) {
                    self.refuse(&array.weights, &error);
                    break;
                }
            }
        }
    }

    fn safe_state(&mut self, file: &BenchFile, knobs: &KnobTable) -> Vec<(String, KnobValue)> {
        let mut state = Vec::new();
        for entry in &file.safe_state {
            let knob = match knobs.get(&entry.setting.text) {
                Ok(knob) => knob,
                Err(error) => {
                    self.refuse(&entry.setting, &error);
                    continue;
                }
            };
            match knob.read(&entry.value.text).and_then(|value| {
                knob.check(&value)?;
                Ok(value)
            }) {
                Ok(value) => state.push((knob.name.clone(), value)),
                Err(error) => self.refuse(&entry.value, &error),
            }
        }
        state
    }

    /// A file of the simulated bench, read and checked.
    fn beside(
        &mut self,
        place: Option<&Placed>,
        check: fn(&Source) -> Result<(), Faults>,
    ) -> Option<Source> {
        let place = place?;
        let path = self.near.unwrap_or(Path::new("")).join(&place.text);
        let source = match Source::read(&path) {
            Ok(source) => source,
            Err(error) => {
                let message = format!("failed to read {}: {error}", path.display());
                self.faults.push(Fault::new(place.span.clone(), message));
                return None;
            }
        };
        match check(&source) {
            Ok(()) => Some(source),
            Err(faults) => {
                self.others.push(faults);
                None
            }
        }
    }
}

/// The setting that holds the phase code of one element.
pub(super) fn weight_setting(weights: &str, element: usize) -> String {
    format!("{weights}.phase.{element}")
}

/// The knobs of all instruments, and the bench's own.
fn knobs_of(instruments: &[InstrumentPlan], frames: &[FrameFile]) -> KnobTable {
    let mut table = KnobTable::default();
    for instrument in instruments {
        let profile = &instrument.driver.profile;
        for setting in instrument.driver.knobs() {
            if setting.read_only {
                let name = format!("{}.{}", instrument.name, setting.name);
                table.add_reading(name, kind_of(setting.kind));
                continue;
            }
            let origin = match &instrument.driver.registers {
                Some(map) if profile.setting(setting.name).is_none() => {
                    format!("register map {}", map.name)
                }
                _ => format!("profile {}", profile.name),
            };
            table.add(knob(format!("{}.{}", instrument.name, setting.name), &setting, origin));
        }
    }
    if instruments.iter().any(|instrument| instrument.role == Role::WaveformSource) {
        table.add(Knob {
            name: FRAME.into(),
            kind: KnobKind::Frame(frames.iter().map(|file| file.frame.clone()).collect()),
            at_least: Vec::new(),
            at_most: Vec::new(),
            steps: None,
        });
    }
    table
}

fn add_beams(table: &mut KnobTable, file: &BenchFile) {
    for name in [BEAM_TX, BEAM_RX] {
        let origin = format!("arrays of bench {}", file.name);
        let bound = |value| vec![Bound { value, origin: origin.clone(), protects: false }];
        table.add(Knob {
            name: name.into(),
            kind: KnobKind::Number(Dimension::Angle),
            at_least: bound(-90.0),
            at_most: bound(90.0),
            steps: None,
        });
    }
}

fn kind_of(kind: &Kind) -> KnobKind {
    match kind {
        Kind::Number { dimension, .. } => KnobKind::Number(*dimension),
        Kind::Whole { .. } => KnobKind::Whole,
        Kind::Switch => KnobKind::Switch,
        Kind::Word(words) => KnobKind::Word(words.clone()),
    }
}

fn knob(name: String, setting: &DriverKnob<'_>, origin: String) -> Knob {
    let bound = |value: f64, open: bool| {
        let bound = Bound { value, origin: origin.clone(), protects: false };
        if open { Vec::new() } else { vec![bound] }
    };
    let (at_least, at_most) = match setting.kind {
        Kind::Number { at_least, at_most, .. } => {
            (bound(*at_least, *at_least <= -f64::MAX), bound(*at_most, *at_most >= f64::MAX))
        }
        Kind::Whole { at_least, at_most } => (
            bound(*at_least as f64, *at_least == i64::MIN),
            bound(*at_most as f64, *at_most == i64::MAX),
        ),
        Kind::Switch | Kind::Word(_) => (Vec::new(), Vec::new()),
    };
    let kind = kind_of(setting.kind);
    let of_steps = |steps| KnobSteps { steps, kind: setting.kind.clone(), origin };
    let steps = setting.steps.clone().map(of_steps);
    Knob { name, kind, at_least, at_most, steps }
}

mod frozen;
mod signal;
#[cfg(test)]
mod tests;
