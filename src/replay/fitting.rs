//! A model fitted to a run: the recorded sequence is rehearsed on the simulated bench, and what the
//! captures of both differ in tells what the model lacks.
//!
//! The rehearsals are runs in a temporary folder, with other seeds than the record's, so that their
//! noise is independent. Estimation itself is in [`super::fit`].

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use beamwarden_drivers::fault::Source;
use num_complex::Complex64;

use super::again::{Desk, run_again};
use super::error::ReplayError;
use super::fit::{
    ElementErrors, Estimate, Excitation, Impairments, NoisePoint, Observation, Refusal,
    fit_elements, noise_figure_offset, offset,
};
use super::recorded::Recorded;
use crate::beam::ArrayGeometry;
use crate::bench::file::ArrayEntry;
use crate::bench::policy::Policy;
use crate::bench::{BenchPlan, ModelFacts};
use crate::record::{BeamRecord, CaptureNo, RecordedValue, SigmfCapture, Value, figure};
use crate::run::{Control, Silent};

/// By how much the noise figure is raised to see the receiver's part of the noise, dB.
const RAISED_DB: f64 = 3.0;
/// Captures with a larger clipped fraction tell no power.
const CLIPPED_MAX: f64 = 1e-3;
/// Captures with a lower SNR tell too little.
const SNR_MIN_DB: f64 = 0.0;
/// Captures whose arrays are this far below all elements in phase tell more of nulls than of gains.
const DEPTH_MAX_DB: f64 = 20.0;

/// One parameter of the model and what the run tells of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Key in the model file: `path.extra_loss_db`.
    pub key: String,
    /// Its unit.
    pub unit: &'static str,
    /// What the model had.
    pub before: f64,
    /// What the run tells, or why it does not.
    pub found: Result<Estimate, Refusal>,
}

/// A model fitted to a run.
#[derive(Clone, Debug)]
pub struct Fitted {
    /// The parameters, in the order of the report.
    pub parameters: Vec<Parameter>,
    /// The model file, with what was found in place; nothing when nothing was.
    pub yaml: Option<String>,
    /// Captures of the run, and those of them that a rehearsal could be held against.
    pub captures: (usize, usize),
    /// Assumptions and remarks, in sentences.
    pub remarks: Vec<String>,
}

/// What one capture tells, as measured or as rehearsed.
#[derive(Clone, Debug)]
struct Told {
    /// Power of the signal without noise, dB.
    signal_db: f64,
    snr_db: f64,
    cfo_hz: Option<f64>,
    centre_hz: Option<f64>,
    clipped: f64,
    impairments: Impairments,
    beams: Vec<BeamRecord>,
    table_deg: f64,
    /// Settings that are switched off.
    off: Vec<String>,
}

/// A folder that is removed again.
struct Temporary(PathBuf);

impl Temporary {
    fn new() -> std::io::Result<Self> {
        let names = (0..1000)
            .map(|n| format!("beamwarden-fit-{}-{n}", std::process::id()))
            .map(|name| std::env::temp_dir().join(name));
        for path in names {
            match std::fs::create_dir(&path) {
                Ok(()) => return Ok(Temporary(path)),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(error),
            }
        }
        Err(std::io::Error::from(std::io::ErrorKind::AlreadyExists))
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        // What cannot be removed is left to whoever cleans the temporary folder.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Fits the parameters of a model to a run. `told` hears what is going on.
///
/// # Errors
/// When the run keeps no captures, a rehearsal cannot be made, or the operator stops it.
pub async fn fit_model(
    recorded: &Recorded,
    model: Option<Source>,
    stop: &Control,
    told: &dyn Fn(&str),
) -> Result<Fitted, ReplayError> {
    if recorded.captures.is_empty() {
        return Err(ReplayError::NoCaptures(recorded.folder.name().to_owned()));
    }
    let temporary = Temporary::new().map_err(|error| {
        let folder = std::env::temp_dir();
        ReplayError::Record(crate::record::RecordError::io(&folder, "create a folder in")(error))
    })?;
    let mut fitting = Fitting {
        recorded,
        measured: all_told(recorded),
        folder: temporary.0.clone(),
        plan: Desk::simulated(recorded, model.clone())?.plan,
        facts: ModelFacts::default(),
        model,
        stop,
        told,
        parameters: Vec::new(),
        remarks: Vec::new(),
        compared: 0,
        common_gain_uncertainty_db: 0.0,
    };
    fitting.facts = fitting.plan.model_facts()?;
    fitting.all().await
}

struct Fitting<'a> {
    recorded: &'a Recorded,
    measured: BTreeMap<CaptureNo, Told>,
    folder: PathBuf,
    /// The simulated bench of the run.
    plan: BenchPlan,
    model: Option<Source>,
    /// The model as it stands.
    facts: ModelFacts,
    stop: &'a Control,
    told: &'a dyn Fn(&str),
    parameters: Vec<Parameter>,
    remarks: Vec<String>,
    compared: usize,
    /// One standard deviation of the gain that all receive elements may have in common, dB: that of
    /// the first element, which the others are relative to.
    common_gain_uncertainty_db: f64,
}

impl Fitting<'_> {
    async fn all(mut self) -> Result<Fitted, ReplayError> {
        (self.told)("rehearsal 1 of 3: the sequence on the model as it is");
        let first = self.rehearse(&self.facts.clone(), 1).await?;
        self.compared = self.pairs(&first).len();
        self.power(&first);
        self.carrier(&first);
        (self.told)("rehearsal 2 of 3: with what was found");
        let second = self.rehearse(&self.facts.clone(), 2).await?;
        (self.told)("rehearsal 3 of 3: with a higher noise figure");
        let mut raised = self.facts.clone();
        raised.noise_figure_db += RAISED_DB;
        let third = self.rehearse(&raised, 2).await?;
        self.noise(&first, &second, &third);
        let any = self.parameters.iter().any(|parameter| parameter.found.is_ok());
        let yaml = if any { Some(self.plan.model_with(&self.facts)?) } else { None };
        self.remarks.push(
            "the gains of source, transmitter and receiver are taken as the model has them: what they \
             are off shows as path loss and noise figure"
                .to_owned(),
        );
        Ok(Fitted {
            parameters: self.parameters,
            yaml,
            captures: (self.recorded.captures.len(), self.compared),
            remarks: self.remarks,
        })
    }

    /// Runs the sequence on a model, with a seed `apart` from the record's, and yields what its
    /// captures tell.
    async fn rehearse(
        &self,
        facts: &ModelFacts,
        apart: u64,
    ) -> Result<BTreeMap<CaptureNo, Told>, ReplayError> {
        let yaml = self.plan.model_with(facts)?;
        let name = self.model.as_ref().map_or("model.yaml", |model| &model.name);
        let base = Path::new(name).file_name().map(|name| name.to_string_lossy().into_owned());
        let source = Source::new(base.unwrap_or_else(|| "model.yaml".to_owned()), yaml);
        let mut desk = Desk::simulated(self.recorded, Some(source))?;
        desk.plan.faults = None;
        // A model that cannot do what the run did is told by its first failure; tries and points given up
        // would hide it, and captures would no longer bear the numbers of the run's.
        desk.sequence.policy = Some(Policy::STOP_AT_ONCE);
        desk.plan.simulated.seed = desk.plan.simulated.seed.wrapping_add(apart);
        let again = run_again(desk, &self.folder, &mut Silent, self.stop.clone()).await?;
        if self.stop.stopping() {
            return Err(ReplayError::Stopped);
        }
        let summary = again.ran?;
        let rehearsal = Recorded::read(&again.folder)?;
        let taken = |number: &&CaptureNo| rehearsal.captures.contains_key(number);
        let captures = self.recorded.captures.keys().filter(taken).count();
        let recorded = self.recorded.captures.len();
        // A run that failed itself may fail again, once all of its captures are there.
        if let Some(first) = summary.error.filter(|_| captures < recorded) {
            return Err(ReplayError::Rehearsal { captures, recorded, first });
        }
        let told = all_told(&rehearsal);
        // A night's captures need not all lie in the temporary folder.
        let _ = std::fs::remove_dir_all(again.folder.path());
        Ok(told)
    }

    /// Captures of the run with those of a rehearsal, where both were taken with the same beams in
    /// the same place and tell something.
    fn pairs<'b>(&'b self, rehearsed: &'b BTreeMap<CaptureNo, Told>) -> Vec<(&'b Told, &'b Told)> {
        let usable = |told: &Told| told.clipped <= CLIPPED_MAX && told.snr_db >= SNR_MIN_DB;
        let codes = |told: &Told| -> Vec<(Vec<u32>, Vec<u32>)> {
            let both =
                |beam: &BeamRecord| (beam.phase_codes.clone(), beam.attenuation_codes.clone());
            told.beams.iter().map(both).collect()
        };
        self.measured
            .iter()
            .filter_map(|(capture, measured)| Some((measured, rehearsed.get(capture)?)))
            .filter(|(measured, simulated)| usable(measured) && usable(simulated))
            .filter(|(measured, simulated)| {
                codes(measured) == codes(simulated)
                    && (measured.table_deg - simulated.table_deg).abs() < 0.05
            })
            .collect()
    }

    /// Path loss and the errors of the elements, from the powers.
    fn power(&mut self, rehearsed: &BTreeMap<CaptureNo, Told>) {
        let pairs = self.pairs(rehearsed);
        let over: Vec<f64> = pairs.iter().map(|(m, s)| m.signal_db - s.signal_db).collect();
        let mut loss = offset(&over).map(|found| Estimate { value: -found.value, ..found });
        let (tx, rx) = match self.observations(&pairs) {
            Err(why) => {
                self.remarks.push(why);
                (None, None)
            }
            Ok(observations) => match fit_elements(&observations) {
                Err(refusal) => (Some(Err(refusal.clone())), Some(Err(refusal))),
                Ok(fit) => {
                    if fit.tx.is_ok() || fit.rx.is_ok() {
                        loss = Ok(Estimate {
                            value: -fit.offset_db.0,
                            uncertainty: fit.offset_db.1,
                            residual_rms: fit.residual_rms_db,
                            points: fit.points,
                        });
                    }
                    if fit.rx.is_ok() {
                        self.common_gain_uncertainty_db = fit.offset_db.1;
                    }
                    let with = |errors: Result<ElementErrors, Refusal>| {
                        Some(errors.map(|errors| (errors, fit.residual_rms_db, fit.points)))
                    };
                    (with(fit.tx), with(fit.rx))
                }
            },
        };
        let before = self.facts.extra_loss_db;
        let loss = loss.map(|found| Estimate { value: before + found.value, ..found });
        if let Ok(found) = &loss {
            self.facts.extra_loss_db = found.value;
        }
        self.note("path.extra_loss_db", "dB", before, loss);
        self.elements("tx", tx);
        self.elements("rx", rx);
    }

    fn note(
        &mut self,
        key: &str,
        unit: &'static str,
        before: f64,
        found: Result<Estimate, Refusal>,
    ) {
        self.parameters.push(Parameter { key: key.to_owned(), unit, before, found });
    }

    fn elements(
        &mut self,
        side: &str,
        found: Option<Result<(ElementErrors, f64, usize), Refusal>>,
    ) {
        let (gain, phase) =
            (format!("{side}.array.gain_errors_db"), format!("{side}.array.phase_errors_deg"));
        let (errors, residual_rms, points) = match found {
            None => return,
            Some(Err(refusal)) => {
                self.note(&gain, "dB", 0.0, Err(refusal.clone()));
                self.note(&phase, "deg", 0.0, Err(refusal));
                return;
            }
            Some(Ok(found)) => found,
        };
        for (key, unit, list) in [(gain, "dB", &errors.gain_db), (phase, "deg", &errors.phase_deg)]
        {
            for (n, (value, uncertainty)) in list.iter().enumerate().skip(1) {
                let (value, uncertainty) = (*value, *uncertainty);
                let found = Estimate { value, uncertainty, residual_rms, points };
                self.note(&format!("{key}[{n}]"), unit, 0.0, Ok(found));
            }
        }
        let values = |list: &[(f64, f64)]| list.iter().map(|(value, _)| *value).collect();
        let errors = (values(&errors.gain_db), values(&errors.phase_deg));
        match side {
            "tx" => self.facts.tx_errors = errors,
            _ => self.facts.rx_errors = errors,
        }
    }

    /// What the arrays stood at in each pair; why not, when the model cannot be compared so.
    fn observations(&self, pairs: &[(&Told, &Told)]) -> Result<Vec<Observation>, String> {
        if let Some(why) = &self.facts.elements_unknown {
            return Err(format!("errors of the elements are not estimated: {why}"));
        }
        let arrays = self.plan.arrays.as_ref();
        let (tx, rx) = arrays.ok_or("errors of the elements need the arrays in the bench file")?;
        let mut observations = Vec::new();
        for (measured, simulated) in pairs {
            let find = |array: &str| measured.beams.iter().find(|beam| beam.array == array);
            let (Some(tx_beam), Some(rx_beam)) = (find("tx"), find("rx")) else { continue };
            let rx_deg = self.facts.table_zero_deg - measured.table_deg;
            let step_db = self.facts.attenuation_step_db;
            let stand = |array: &ArrayEntry, beam, angle_deg, step_db| {
                let mut weights = excitation(&array.geometry, beam, angle_deg, step_db)?;
                for (n, weight) in weights.iter_mut().enumerate() {
                    if measured.off.contains(&format!("{}.element_on.{n}", array.weights.text)) {
                        *weight = Complex64::ZERO;
                    }
                }
                Some(weights)
            };
            let tx = stand(tx, tx_beam, self.facts.tx_bearing_deg, step_db[0]);
            let rx = stand(rx, rx_beam, rx_deg, step_db[1]);
            let (Some(tx), Some(rx)) = (tx, rx) else { continue };
            if depth_db(&tx) + depth_db(&rx) < DEPTH_MAX_DB {
                let over_model_db = measured.signal_db - simulated.signal_db;
                observations.push(Observation { tx, rx, over_model_db });
            }
        }
        Ok(observations)
    }

    /// The offset of the carriers; which of the two references is off does not show.
    fn carrier(&mut self, rehearsed: &BTreeMap<CaptureNo, Told>) {
        let pairs = self.pairs(rehearsed);
        let ppm: Vec<f64> = pairs
            .iter()
            .filter_map(|(m, s)| Some(1e6 * (m.cfo_hz? - s.cfo_hz?) / m.centre_hz.or(s.centre_hz)?))
            .collect();
        let before = self.facts.tx_reference_ppm;
        let found = offset(&ppm).map(|found| Estimate { value: before + found.value, ..found });
        if let Ok(found) = &found {
            self.facts.tx_reference_ppm = found.value;
        }
        self.note("tx.reference_ppm", "ppm", before, found);
        self.remarks.push(
            "only the difference of the two carriers shows: it is written to the transmitter's \
             reference"
                .to_owned(),
        );
    }

    /// `first` has another seed than the two others, which have the same.
    fn noise(
        &mut self,
        first: &BTreeMap<CaptureNo, Told>,
        rehearsed: &BTreeMap<CaptureNo, Told>,
        raised: &BTreeMap<CaptureNo, Told>,
    ) {
        let ratio = |db: f64| 10f64.powf(db / 10.0);
        let noise = |told: &Told| ratio(told.signal_db - told.snr_db);
        let (with_first, with_raised) = (self.pairs(first), self.pairs(raised));
        let points: Vec<NoisePoint> = self
            .pairs(rehearsed)
            .into_iter()
            .filter_map(|(measured, simulated)| {
                let of = |pairs: &[(&Told, &'_ Told)]| {
                    let pair = pairs.iter().find(|(same, _)| std::ptr::eq(*same, measured));
                    pair.map(|(_, simulated)| (noise(simulated), ratio(simulated.snr_db)))
                };
                Some(NoisePoint {
                    measured: noise(measured),
                    simulated: noise(simulated),
                    raised: of(&with_raised)?.0,
                    signal: ratio(measured.signal_db),
                    snr_foretold: of(&with_first)?.1,
                    impairments: [measured.impairments, simulated.impairments],
                })
            })
            .collect();
        let before = self.facts.noise_figure_db;
        // The elements' own gains let in noise, too: what is uncertain of all of them together is
        // uncertain of the noise figure.
        let common = self.common_gain_uncertainty_db;
        let found = noise_figure_offset(&points, RAISED_DB).map(|found| Estimate {
            value: before + found.value,
            uncertainty: found.uncertainty.hypot(common),
            ..found
        });
        if let Ok(found) = &found {
            self.facts.noise_figure_db = found.value;
        }
        self.note("rx.noise_figure_db", "dB", before, found);
    }
}

/// Nominal weights times the wave's phases.
fn excitation(
    array: &ArrayGeometry,
    beam: &BeamRecord,
    angle_deg: f64,
    attenuation_step_db: f64,
) -> Option<Excitation> {
    let waves = array.waves(angle_deg);
    let codes = &beam.phase_codes;
    if codes.len() != waves.len() {
        return None;
    }
    let weight = |(n, wave): (usize, Complex64)| {
        let attenuation = beam.attenuation_codes.get(n).copied().unwrap_or(0);
        let gain = 10f64.powf(-attenuation_step_db * f64::from(attenuation) / 20.0);
        wave * Complex64::from_polar(gain, array.phase_rad(codes[n]))
    };
    Some(waves.into_iter().enumerate().map(weight).collect())
}

/// How far below all elements in phase a sum is, dB.
fn depth_db(weights: &Excitation) -> f64 {
    let sum: Complex64 = weights.iter().sum();
    let most: f64 = weights.iter().map(|weight| weight.norm()).sum();
    20.0 * (most / sum.norm().max(1e-12 * most)).log10()
}

/// What the captures of a run tell, by number; those in which no frame was found are left out.
fn all_told(recorded: &Recorded) -> BTreeMap<CaptureNo, Told> {
    let captures = recorded.figures.iter().filter_map(|(number, found)| {
        // What speaks against a capture speaks against what it tells.
        recorded.captures.get(number).filter(|taken| taken.doubts.is_empty())?;
        let meta = recorded.folder.read_meta(*number).ok()?;
        let capture = meta.captures.first()?;
        let number_of = |name: &str| figure(&found.figures, name);
        let (power_db, snr_db) = (number_of("power_db")?, number_of("snr_db")?);
        let told = Told {
            // From the channel's response, so that there is no noise in it.
            signal_db: power_db,
            snr_db,
            cfo_hz: number_of("cfo_hz"),
            centre_hz: capture.centre_hz,
            clipped: number_of("clipped_fraction").unwrap_or(0.0),
            impairments: Impairments {
                phase_noise_deg: number_of("phase_noise_deg"),
                iq_gain_db: number_of("iq_gain_db"),
                iq_phase_deg: number_of("iq_phase_deg"),
            },
            beams: capture.beams.clone(),
            table_deg: table_deg(capture),
            off: capture
                .settings
                .iter()
                .filter(|setting| setting.read_back.value == Value::Switch(false))
                .map(|setting| setting.name.clone())
                .collect(),
        };
        Some((*number, told))
    });
    captures.collect()
}

/// Where the table stood: the one setting of an angle that ends in `.angle`; 0 without one.
fn table_deg(capture: &SigmfCapture) -> f64 {
    let angle = |value: &RecordedValue| match (&value.value, value.unit.as_deref()) {
        (Value::Number(number), Some("deg")) => Some(*number),
        _ => None,
    };
    let tables = capture.settings.iter().filter(|setting| setting.name.ends_with(".angle"));
    tables.into_iter().find_map(|setting| angle(&setting.read_back)).unwrap_or(0.0)
}
