//! The bench that needs no hardware: pipes to the simulated instruments.
//!
//! The one place of this crate that knows the simulator. Nothing but bytes passes to and from its
//! instruments; of its model only the numbers that a run can be fitted for are read and written.

use beamwarden_drivers::fault::{Faults, Source};
use beamwarden_drivers::profile::Role;
use beamwarden_drivers::transport::{Address, PipeLink, Transport};
#[cfg(test)]
pub use beamwarden_sim::{Acquired, Truth};
use beamwarden_sim::{ArrayModel, FaultPlan, FaultPlanError, Model, ModelError, Post, SimBench};
use serde_json::Value as Json;

use super::door::Bench;
use super::error::BenchError;
use super::plan::BenchPlan;
use super::simulated_file::{self, Refused};

/// The JSON Schema of a model file.
#[must_use]
pub fn model_schema() -> Json {
    Model::json_schema()
}

/// The JSON Schema of a fault plan.
#[must_use]
pub fn faults_schema() -> Json {
    FaultPlan::json_schema()
}

/// Reads a model file.
///
/// # Errors
/// All that is wrong with it, underlined.
pub fn read_model(source: &Source) -> Result<Model, Faults> {
    simulated_file::read(source, &model_schema(), &key_of_model, || {
        Model::from_yaml(&source.text).map_err(|error| match error {
            ModelError::Values(wrong) => Refused::Values(wrong),
            other => Refused::Syntax(other.to_string()),
        })
    })
}

/// Reads a fault plan.
///
/// # Errors
/// All that is wrong with it, underlined.
pub fn read_faults(source: &Source) -> Result<FaultPlan, Faults> {
    simulated_file::read(source, &faults_schema(), &key_of_plan, || {
        FaultPlan::from_yaml(&source.text).map_err(|error| match error {
            FaultPlanError::Values(wrong) => Refused::Values(wrong),
            other => match FaultPlan::wrong_values(&source.text) {
                wrong if wrong.is_empty() => Refused::Syntax(other.to_string()),
                wrong => Refused::Values(wrong),
            },
        })
    })
}

/// The path to the key that a message about a model is of: it begins with it.
fn key_of_model(message: &str) -> Vec<String> {
    let key = message.split(' ').next().unwrap_or("");
    key.split(['.', '[', ']']).filter(|part| !part.is_empty()).map(str::to_owned).collect()
}

/// The same of a message about a plan: `fault 2 (stuck at the scope): short_deg is missing`.
fn key_of_plan(message: &str) -> Vec<String> {
    let number = message.strip_prefix("fault ").and_then(|rest| rest.split(' ').next());
    let place = number.and_then(|number| number.parse::<usize>().ok()?.checked_sub(1));
    let Some(place) = place else { return Vec::new() };
    let said = message.split_once("): ").map_or("", |(_, said)| said);
    let key = said.split(' ').next().unwrap_or("");
    vec!["faults".to_owned(), place.to_string(), key.to_owned()]
}

/// Checks a model file, so that a faulty one is told with the other files before anything is done.
pub(super) fn check_model(source: &Source) -> Result<(), Faults> {
    read_model(source).map(|_| ())
}

/// Elements of the larger array of a model; those of the standard one without, or when it is faulty,
/// which [`check_model`] tells.
pub(super) fn elements_of(model: Option<&Source>) -> usize {
    let model = model.and_then(|source| Model::from_yaml(&source.text).ok()).unwrap_or_default();
    model.tx.array.count().max(model.rx.array.count())
}

/// Checks a fault plan in the same way.
pub(super) fn check_faults(source: &Source) -> Result<(), Faults> {
    read_faults(source).map(|_| ())
}

impl BenchPlan {
    /// Where the simulated bench is another one than the bench file says, so that its figures surprise.
    #[must_use]
    pub fn model_remarks(&self) -> Vec<String> {
        let any_simulated = self.instruments.iter().any(|i| i.address == Address::Simulated);
        let (Some((tx, rx)), true, Ok(model)) = (&self.arrays, any_simulated, self.sim_model())
        else {
            return Vec::new();
        };
        let name = self.model.as_ref().map_or("the default model", |source| &source.name);
        let sides = [("tx", tx, &model.tx.array), ("rx", rx, &model.rx.array)];
        let differs = sides.into_iter().filter_map(|(side, planned, simulated)| {
            let (planned, simulated) = (planned.geometry.elements(), simulated.count());
            (planned != simulated).then(|| {
                format!(
                    "the {side} array has {planned} elements in the bench file and {simulated} in {name}"
                )
            })
        });
        differs.collect()
    }

    /// How many faults are planned for the simulated bench, and in which file; `None` without a plan.
    #[must_use]
    pub fn planned_faults(&self) -> Option<(usize, &str)> {
        let source = self.faults.as_ref()?;
        let plan = FaultPlan::from_yaml(&source.text).ok()?;
        Some((plan.faults.len(), &source.name))
    }
}

impl Bench {
    /// The simulated bench behind this one, for tests: its true state, what went wrong on it, and faults
    /// put in by hand. Nothing that runs a sequence may look there. `None` when no instrument is
    /// simulated.
    #[must_use]
    pub fn simulated_back_door(&self) -> Option<&SimBench> {
        self.simulated.as_ref().map(|simulated| &simulated.bench)
    }
}

/// The simulated instruments of one bench.
#[derive(Clone)]
pub(super) struct Simulated {
    bench: SimBench,
}

impl Simulated {
    /// Sets the simulated bench up when any instrument of a plan is simulated.
    pub(super) fn for_plan(plan: &BenchPlan) -> Result<Option<Self>, BenchError> {
        let any = plan.instruments.iter().any(|i| i.address == Address::Simulated);
        if !any {
            return Ok(None);
        }
        let mut model = plan.sim_model()?;
        model.seed = plan.simulated.seed;
        let faults = match &plan.faults {
            Some(source) => FaultPlan::from_yaml(&source.text)
                .map_err(|error| BenchError::Simulated(error.to_string()))?,
            None => FaultPlan::default(),
        };
        let bench = SimBench::with_faults(model, &faults)
            .map_err(|error| BenchError::Simulated(error.to_string()))?;
        Ok(Some(Simulated { bench }))
    }

    /// A link to the instrument of a role.
    pub(super) fn link(&self, role: Role) -> Box<dyn Transport> {
        let post = match role {
            Role::WaveformSource => Post::Source,
            Role::Scope => Post::Scope,
            Role::DutControlPort => Post::DutPort,
            Role::Turntable => Post::Turntable,
            Role::Supply => Post::Supply,
        };
        let bench = self.bench.clone();
        Box::new(PipeLink::new(&format!("simulated {role}"), move || Some(bench.pipe(post))))
    }
}

/// The numbers of a model that a run can tell something of.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ModelFacts {
    /// Loss beyond free space, dB.
    pub extra_loss_db: f64,
    /// Direction of the receiver as the transmitter's array sees it, degrees.
    pub tx_bearing_deg: f64,
    /// Table angle at which the receiver's broadside points at the transmitter, degrees.
    pub table_zero_deg: f64,
    /// Error of the transmitter's reference, ppm.
    pub tx_reference_ppm: f64,
    /// Noise figure of the receive elements, dB.
    pub noise_figure_db: f64,
    /// One step of the attenuators of the transmitter and of the receiver, dB.
    pub attenuation_step_db: [f64; 2],
    /// Gain errors, dB, and phase errors, degrees, of the transmitter's elements.
    pub tx_errors: (Vec<f64>, Vec<f64>),
    /// The same of the receiver's.
    pub rx_errors: (Vec<f64>, Vec<f64>),
    /// Why errors of elements cannot be told apart from what the model has besides.
    pub elements_unknown: Option<String>,
}

impl BenchPlan {
    fn sim_model(&self) -> Result<Model, BenchError> {
        let failed = |error: ModelError| BenchError::Simulated(error.to_string());
        match &self.model {
            Some(source) => Model::from_yaml(&source.text).map_err(failed),
            None => Ok(Model::default()),
        }
    }

    /// What the model of this bench says.
    ///
    /// # Errors
    /// When it cannot be simulated.
    pub fn model_facts(&self) -> Result<ModelFacts, BenchError> {
        let model = self.sim_model()?;
        let arrays = [("tx", &model.tx.array), ("rx", &model.rx.array)];
        let of_an_array = arrays.into_iter().find_map(|(side, array)| {
            Some(format!("{side}.array of the model {}", elements_unknown(array)?))
        });
        let of_the_path = || {
            let why = if !model.path.reflections.is_empty() {
                "has reflections, so that powers do not tell of one path"
            } else if model.path.random_blockage.is_some() {
                "draws blockages, which come at other times in a rehearsal"
            } else {
                return None;
            };
            Some(format!("path of the model {why}"))
        };
        let elements_unknown = of_an_array.or_else(of_the_path);
        Ok(ModelFacts {
            extra_loss_db: model.path.extra_loss_db,
            tx_bearing_deg: model.path.tx_bearing_deg,
            table_zero_deg: model.path.table_zero_deg,
            tx_reference_ppm: model.tx.reference_ppm,
            noise_figure_db: model.rx.noise_figure_db,
            attenuation_step_db: arrays.map(|(_, array)| array.attenuation_step_db),
            tx_errors: (model.tx.array.gain_errors_db, model.tx.array.phase_errors_deg),
            rx_errors: (model.rx.array.gain_errors_db, model.rx.array.phase_errors_deg),
            elements_unknown,
        })
    }

    /// The model of this bench with other facts, as a model file.
    ///
    /// # Errors
    /// When the outcome cannot be simulated.
    pub fn model_with(&self, facts: &ModelFacts) -> Result<String, BenchError> {
        let mut model = self.sim_model()?;
        model.path.extra_loss_db = facts.extra_loss_db;
        model.tx.reference_ppm = facts.tx_reference_ppm;
        model.rx.noise_figure_db = facts.noise_figure_db;
        (model.tx.array.gain_errors_db, model.tx.array.phase_errors_deg) = facts.tx_errors.clone();
        (model.rx.array.gain_errors_db, model.rx.array.phase_errors_deg) = facts.rx_errors.clone();
        model.to_yaml().map_err(|error| BenchError::Simulated(error.to_string()))
    }
}

/// Why errors of an array's elements cannot be told apart from what its model has.
fn elements_unknown(array: &ArrayModel) -> Option<&'static str> {
    let own = !array.gain_errors_db.is_empty() || !array.phase_errors_deg.is_empty();
    let drawn = array.gain_error_rms_db > 0.0 || array.phase_error_rms_deg > 0.0;
    let (codes, drift) = (&array.code_errors, &array.drift);
    let of_codes = [codes.phase_rms_deg, codes.gain_rms_db, codes.attenuation_rms_db];
    let phases_drift =
        drift.phase_rms_deg_per_k > 0.0 || drift.phase_deg_per_k.iter().any(|phase| *phase != 0.0);
    if own || drawn {
        Some("has errors of its elements already; fit on a model without")
    } else if !array.dead_elements.is_empty() {
        Some("has dead elements")
    } else if array.rows > 1 || array.positions_wavelengths.is_some() {
        Some("is no uniform line, and the bench file describes no other")
    } else if array.power_up.codes > 0 || array.power_up.phase_rms_deg > 0.0 {
        Some("draws phases at power-up (power_up), which are others in every rehearsal")
    } else if of_codes.iter().any(|rms| *rms > 0.0) {
        Some("draws errors of its codes (code_errors), which are others in every rehearsal")
    } else if phases_drift || drift.gain_db_per_k != 0.0 {
        Some("drifts with the temperature (drift)")
    } else {
        None
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]
mod tests {
    use super::*;

    #[test]
    fn what_hides_the_errors_of_elements_is_named() {
        for (array, named) in [
            ("{}", None),
            ("{element: {cosine_exponent: 1.3}, attenuation_step_db: 0.4}", None),
            ("{drift: {reference_c: 30}}", None),
            ("{phase_errors_deg: [0, 3]}", Some("errors of its elements already")),
            ("{gain_error_rms_db: 0.3}", Some("errors of its elements already")),
            ("{dead_elements: [2]}", Some("dead")),
            ("{rows: 2}", Some("no uniform line")),
            ("{power_up: {codes: 1}}", Some("power_up")),
            ("{power_up: {phase_rms_deg: 2}}", Some("power_up")),
            ("{code_errors: {phase_rms_deg: 2}}", Some("code_errors")),
            ("{code_errors: {gain_rms_db: 0.2}}", Some("code_errors")),
            ("{code_errors: {attenuation_rms_db: 0.2}}", Some("code_errors")),
            ("{drift: {phase_rms_deg_per_k: 0.1}}", Some("drift")),
            ("{drift: {phase_deg_per_k: [0, 0.1]}}", Some("drift")),
            ("{drift: {gain_db_per_k: -0.02}}", Some("drift")),
        ] {
            let model = Model::from_yaml(&format!("rx: {{array: {array}}}")).unwrap();
            let why = elements_unknown(&model.rx.array);
            assert_eq!(why.is_some(), named.is_some(), "{array}: {why:?}");
            assert!(why.unwrap_or("").contains(named.unwrap_or("")), "{array}: {why:?}");
        }
    }
}
