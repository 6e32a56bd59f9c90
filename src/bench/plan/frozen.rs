//! A bench as a run folder keeps it: the bench file, and beside it in folders of their own the files
//! that it names.

use std::collections::BTreeMap;
use std::path::Path;

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::profile::{Role, shipped_profiles};
use beamwarden_drivers::registers::{self, RegisterMap};

use super::super::file::{BenchFile, InstrumentEntry, Placed};
use super::super::simulated::{check_model, elements_of};
use super::BenchPlan;

/// Finds the frozen copies of the files that a bench file names.
struct Frozen<'a> {
    folder: &'a Path,
    /// By folder and last part of the name: the names met so far.
    met: BTreeMap<String, Vec<String>>,
    faults: Vec<Fault>,
}

impl Frozen<'_> {
    /// Turns a name of the bench file into that of its frozen copy.
    fn rename(&mut self, folder: &str, place: &mut Placed) {
        let base = base_of(&place.text);
        let key = format!("{folder}/{base}");
        let met = self.met.entry(key.clone()).or_default();
        if !met.contains(&place.text) {
            met.push(place.text.clone());
        }
        // Two files of one name: which copy is whose is known only while all copies are there.
        if met.len() > 1 || self.folder.join(format!("{folder}/2-{base}")).exists() {
            let message = format!(
                "the run keeps several files called {base}, and does not tell which of them this was"
            );
            self.faults.push(Fault::new(place.span.clone(), message));
        }
        place.text = key;
    }
}

/// The last part of a name.
fn base_of(name: &str) -> String {
    Path::new(name).file_name().map_or(name.into(), |base| base.to_string_lossy().into_owned())
}

/// The shipped register map of the simulated chips, which have one layout whatever they count.
const CHIP_MAP: &str = "eight-element.yaml";
/// Most elements that the layout has room for: those of the largest model.
const ELEMENTS_MOST: usize = 256;

/// Profile that a simulated instrument understands: the shipped one of the run's name, else that of
/// the role.
fn counterpart(entry: &InstrumentEntry) -> Option<String> {
    let profile = match Role::parse(&entry.role)? {
        Role::WaveformSource => "scpi-source.yaml",
        Role::Scope => "scpi-scope.yaml",
        Role::DutControlPort => "register-port.yaml",
        Role::Turntable => "scpi-turntable.yaml",
        Role::Supply => "scpi-supply.yaml",
    };
    let own = base_of(&entry.profile.text);
    Some(if shipped_profiles().contains(&own.as_str()) { own } else { profile.to_owned() })
}

/// The register map of simulated chips of so many elements.
fn chip_map(elements: usize) -> Option<Source> {
    let shipped = registers::load(CHIP_MAP, None).ok()?.text;
    if elements == 8 {
        return Some(Source::new(CHIP_MAP, shipped));
    }
    let last = elements.checked_sub(1)?;
    let text = shipped
        .replace("[0..7]", &format!("[0..{last}]"))
        .replace("0x100..0x107", &format!("0x100..{:#05x}", 0x100 + last))
        .replace("eight-element", &format!("{elements}-element"))
        .replace("of eight elements", &format!("of {elements} elements"))
        .replace("with eight elements", &format!("with {elements} elements"));
    Some(Source::new(format!("{elements}-element.yaml"), text))
}

/// Whether the simulated chips have the layout of a map: fields of one name mean the same there, and
/// all others lie in registers that there are.
fn is_understood(map: &RegisterMap, chip: &RegisterMap) -> bool {
    map.register_bits == chip.register_bits
        && map.fields.iter().all(|field| match chip.field(&field.name) {
            Some(same) => {
                (&same.parts, &same.meaning, same.access)
                    == (&field.parts, &field.meaning, field.access)
            }
            None => field
                .parts
                .iter()
                .all(|part| chip.fields.iter().any(|known| known.covers(part.address))),
        })
}

/// The register map that the run keeps for an instrument, when simulated chips have its layout.
fn own_map(folder: &Path, entry: &InstrumentEntry) -> Option<Source> {
    let base = base_of(&entry.registers.as_ref()?.text);
    let maps = folder.join("registers");
    if maps.join(format!("2-{base}")).exists() {
        return None;
    }
    let source = Source::read(&maps.join(base)).ok()?;
    let own = registers::parse(&source).ok()?;
    let chip = registers::parse(&chip_map(ELEMENTS_MOST)?).ok()?;
    is_understood(&own, &chip).then_some(source)
}

fn unread(path: &Path) -> impl Fn(std::io::Error) -> Vec<Faults> {
    let nothing = Source::new(path.display().to_string(), "");
    move |error| {
        let fault = Fault::new(0..0, format!("cannot be read: {error}"));
        vec![Faults::new(nothing.clone(), vec![fault])]
    }
}

impl BenchPlan {
    /// Reads the bench of a run from the run's folder, where everything that the bench file names
    /// was frozen. `model` is the file of the folder that stood in place of the bench's own model.
    ///
    /// # Errors
    /// As [`BenchPlan::load`]; or when two of the files have one name, so that nobody knows which
    /// copy is whose.
    pub fn load_frozen(folder: &Path, model: Option<&str>) -> Result<Self, Vec<Faults>> {
        Self::load_copies(folder, kept_model(folder, model)?, false)
    }

    /// As [`BenchPlan::load_frozen`], with simulated instruments in place of all: each is driven by
    /// the shipped profile that its counterpart understands, the chips by the run's own register map
    /// where they have its layout, else by one of theirs, and which identity the bench file expects
    /// does not count. `other` is a model in place of the run's. Yields in words where profile or map
    /// are not the run's.
    ///
    /// # Errors
    /// As [`BenchPlan::load_frozen`].
    pub fn load_simulated(
        folder: &Path,
        model: Option<&str>,
        other: Option<Source>,
    ) -> Result<(Self, Vec<String>), Vec<Faults>> {
        let model = match other {
            Some(other) => Some(other),
            None => kept_model(folder, model)?,
        };
        let mut plan = Self::load_copies(folder, model, true)?.at_the_desk();
        let mut told = Vec::new();
        for instrument in &mut plan.instruments {
            instrument.driver.expect = None;
            let kept = |place: &str, base: &str| {
                std::fs::read_to_string(folder.join(place).join(base)).ok()
            };
            let base = base_of(&instrument.profile_name);
            let profile = &instrument.driver.profile;
            if kept("profiles", &base).is_some_and(|own| own != *profile.text) {
                told.push(format!(
                    "{}: the simulated instrument is driven by the shipped profile {}, not by the \
                     run's {base}",
                    instrument.name, profile.name
                ));
            }
            let (Some(name), Some(map)) =
                (&instrument.registers_name, &instrument.driver.registers)
            else {
                continue;
            };
            let base = base_of(name);
            if kept("registers", &base).is_some_and(|own| own != *map.text) {
                told.push(format!(
                    "{}: the simulated chips are driven by the register map {} of their own, not by \
                     the run's {base}, which has another layout",
                    instrument.name, map.name
                ));
            }
        }
        Ok((plan, told))
    }

    /// `model` stands in place of the bench's own one.
    fn load_copies(
        folder: &Path,
        model: Option<Source>,
        simulated: bool,
    ) -> Result<Self, Vec<Faults>> {
        let path = folder.join("bench.yaml");
        let source = Source::read(&path).map_err(unread(&path))?;
        let (mut file, own) = BenchFile::read(&source).map_err(|faults| vec![faults])?;
        let mut frozen = Frozen { folder, met: BTreeMap::new(), faults: own };
        match (&model, &mut file.simulated.model) {
            (Some(_), own) => *own = None,
            (None, Some(own)) => frozen.rename("models", own),
            (None, None) => {}
        }
        let (mut names, mut maps) = (BTreeMap::new(), BTreeMap::new());
        for instrument in &mut file.instruments {
            let registers = instrument.registers.as_ref().map(|place| place.text.clone());
            names
                .insert(instrument.name.text.clone(), (instrument.profile.text.clone(), registers));
            if let Some(profile) = counterpart(instrument).filter(|_| simulated) {
                if Role::parse(&instrument.role) == Some(Role::DutControlPort) {
                    let kept = file.simulated.model.as_ref();
                    let kept = kept.and_then(|own| Source::read(&folder.join(&own.text)).ok());
                    let elements = elements_of(model.as_ref().or(kept.as_ref()));
                    let map = own_map(folder, instrument).or_else(|| chip_map(elements));
                    maps.extend(map.map(|map| (instrument.name.text.clone(), map)));
                }
                instrument.profile.text = profile;
                instrument.registers = None;
                continue;
            }
            frozen.rename("profiles", &mut instrument.profile);
            if let Some(registers) = &mut instrument.registers {
                frozen.rename("registers", registers);
            }
        }
        file.frames.iter_mut().for_each(|frame| frozen.rename("frames", frame));
        if let Some(correction) = &mut file.signal.correction {
            frozen.rename("corrections", correction);
        }
        if let Some(faults) = &mut file.simulated.faults {
            frozen.rename("faults", faults);
        }
        let mut plan = Self::of_file(file, frozen.faults, &source, Some(folder), maps)?;
        for instrument in &mut plan.instruments {
            if let Some((profile, registers)) = names.remove(&instrument.name) {
                (instrument.profile_name, instrument.registers_name) = (profile, registers);
            }
        }
        match model {
            Some(model) => plan.with_model(model),
            None => Ok(plan),
        }
    }

    /// The same bench with another model.
    ///
    /// # Errors
    /// When it is not a model that can be simulated.
    fn with_model(mut self, model: Source) -> Result<Self, Vec<Faults>> {
        check_model(&model).map_err(|faults| vec![faults])?;
        self.model = Some(model);
        Ok(self)
    }
}

/// A model that the folder of a run keeps under this name.
fn kept_model(folder: &Path, name: Option<&str>) -> Result<Option<Source>, Vec<Faults>> {
    let path = name.map(|name| folder.join(name));
    path.map(|path| Source::read(&path).map_err(unread(&path))).transpose()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]
mod tests {
    use super::*;

    fn map_of(elements: usize) -> RegisterMap {
        registers::parse(&chip_map(elements).unwrap()).unwrap()
    }

    /// Addresses: each page's elements follow 0x100, as the shipped map of eight has them.
    #[test]
    fn the_chips_map_has_the_fields_of_as_many_elements_as_there_are() {
        let shipped = map_of(8);
        for elements in [1, 4, 8, 16, ELEMENTS_MOST] {
            let map = map_of(elements);
            let last = map.field(&format!("rx.element_on.{}", elements - 1)).unwrap();
            assert_eq!(last.parts[0].address, 0x1100 + elements as u32 - 1, "{elements}");
            assert!(map.field(&format!("tx.phase.{elements}")).is_none(), "{elements}");
            assert!(map.reset_of(0x0100 + elements as u32 - 1, 0xffff).is_some(), "{elements}");
            assert!(is_understood(&map, &map_of(ELEMENTS_MOST)), "{elements}");
            let others = |map: &RegisterMap| map.fields.len() - 6 * elements;
            assert_eq!(others(&map), shipped.fields.len() - 48, "{elements}");
        }
    }

    #[test]
    fn a_map_of_another_layout_is_not_taken_for_the_chips() {
        let chip = map_of(ELEMENTS_MOST);
        let text = &chip_map(8).unwrap().text;
        for (from, to, understood) in [
            ("eight-element", "of our own", true),
            ("  lock:", "  carrier_locked:", true),
            ("0x003\n    bits: 4..0", "0x003\n    bits: 5..1", false),
            ("at: 0x011", "at: 0x012", false),
            ("scale: 0.0625", "scale: 0.125", false),
            ("{tx: 0x0000, rx: 0x1000}", "{tx: 0x1000, rx: 0x0000}", false),
            ("{tx: 0x0000, rx: 0x1000}", "{tx: 0x0000, rx: 0x1000, aux: 0x2000}", false),
        ] {
            assert!(text.contains(from), "{from}");
            let own = registers::parse(&Source::new("own.yaml", text.replace(from, to))).unwrap();
            assert_eq!(is_understood(&own, &chip), understood, "{from} -> {to}");
        }
    }
}
