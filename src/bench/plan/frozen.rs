//! A bench as a run folder keeps it: the bench file, and beside it in folders of their own the files
//! that it names.

use std::collections::BTreeMap;
use std::path::Path;

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::profile::{Role, shipped_profiles};

use super::super::file::{BenchFile, InstrumentEntry, Placed};
use super::super::simulated::check_model;
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

/// Profile and register map that a simulated instrument understands: the shipped ones of the run's
/// names, else those of the role.
fn counterpart(entry: &InstrumentEntry) -> Option<(String, Option<String>)> {
    let (profile, registers) = match Role::parse(&entry.role)? {
        Role::WaveformSource => ("scpi-source.yaml", None),
        Role::Scope => ("scpi-scope.yaml", None),
        Role::DutControlPort => ("register-port.yaml", Some("eight-element.yaml")),
        Role::Turntable => ("scpi-turntable.yaml", None),
        Role::Supply => ("scpi-supply.yaml", None),
    };
    let own = base_of(&entry.profile.text);
    let profile = if shipped_profiles().contains(&own.as_str()) { own } else { profile.to_owned() };
    Some((profile, registers.map(str::to_owned)))
}

impl BenchPlan {
    /// Reads the bench of a run from the run's folder, where everything that the bench file names
    /// was frozen. `model` is the file of the folder that stood in place of the bench's own model.
    ///
    /// # Errors
    /// As [`BenchPlan::load`]; or when two of the files have one name, so that nobody knows which
    /// copy is whose.
    pub fn load_frozen(folder: &Path, model: Option<&str>) -> Result<Self, Vec<Faults>> {
        Self::load_copies(folder, model, |_| None)
    }

    /// As [`BenchPlan::load_frozen`], with simulated instruments in place of all: each is driven by
    /// the shipped profile and register map that its counterpart understands, and which identity
    /// the bench file expects does not count. Yields in words where that is another profile than the
    /// run's.
    ///
    /// # Errors
    /// As [`BenchPlan::load_frozen`].
    pub fn load_simulated(
        folder: &Path,
        model: Option<&str>,
    ) -> Result<(Self, Vec<String>), Vec<Faults>> {
        let mut plan = Self::load_copies(folder, model, counterpart)?.at_the_desk();
        let mut told = Vec::new();
        for instrument in &mut plan.instruments {
            instrument.driver.expect = None;
            let base = base_of(&instrument.profile_name);
            let own = std::fs::read_to_string(folder.join("profiles").join(&base));
            if own.is_ok_and(|own| own != *instrument.driver.profile.text) {
                told.push(format!(
                    "{}: the simulated instrument is driven by the shipped profile {}, not by the \
                     run's {base}",
                    instrument.name, instrument.driver.profile.name
                ));
            }
        }
        Ok((plan, told))
    }

    fn load_copies(
        folder: &Path,
        model: Option<&str>,
        instead: impl Fn(&InstrumentEntry) -> Option<(String, Option<String>)>,
    ) -> Result<Self, Vec<Faults>> {
        let path = folder.join("bench.yaml");
        let unread = |error: std::io::Error| {
            let nothing = Source::new(path.display().to_string(), "");
            vec![Faults::new(nothing, vec![Fault::new(0..0, format!("cannot be read: {error}"))])]
        };
        let source = Source::read(&path).map_err(unread)?;
        let (mut file, own) = BenchFile::read(&source).map_err(|faults| vec![faults])?;
        let mut frozen = Frozen { folder, met: BTreeMap::new(), faults: own };
        let mut names = BTreeMap::new();
        for instrument in &mut file.instruments {
            let registers = instrument.registers.as_ref().map(|place| place.text.clone());
            names
                .insert(instrument.name.text.clone(), (instrument.profile.text.clone(), registers));
            if let Some((profile, registers)) = instead(instrument) {
                instrument.profile.text = profile;
                let place = instrument.profile.span.clone();
                instrument.registers = registers.map(|text| Placed { text, span: place });
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
        match (model, &mut file.simulated.model) {
            (Some(_), own) => *own = None,
            (None, Some(own)) => frozen.rename("models", own),
            (None, None) => {}
        }
        let mut plan = Self::of_file(file, frozen.faults, &source, Some(folder))?;
        for instrument in &mut plan.instruments {
            if let Some((profile, registers)) = names.remove(&instrument.name) {
                (instrument.profile_name, instrument.registers_name) = (profile, registers);
            }
        }
        match model {
            Some(model) => plan.with_model(Source::read(&folder.join(model)).map_err(unread)?),
            None => Ok(plan),
        }
    }

    /// The same bench with another model.
    ///
    /// # Errors
    /// When it is not a model that can be simulated.
    pub fn with_model(mut self, model: Source) -> Result<Self, Vec<Faults>> {
        check_model(&model).map_err(|faults| vec![faults])?;
        self.model = Some(model);
        Ok(self)
    }
}
