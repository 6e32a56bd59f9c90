//! The bench that needs no hardware: pipes to the simulated instruments.
//!
//! The one place of this crate that knows the simulator; nothing but bytes passes.

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::profile::Role;
use beamwarden_drivers::transport::{Address, PipeLink, Transport};
use beamwarden_sim::{FaultPlan, Model, Post, SimBench};

use super::door::Bench;
use super::error::BenchError;
use super::plan::BenchPlan;

/// Checks a model file, so that a faulty one is told with the other files before anything is done.
pub(super) fn check_model(source: &Source) -> Result<(), String> {
    let checked = Model::from_yaml(&source.text).map(|_| ());
    checked.map_err(|error| format!("{}: {error}", source.name))
}

/// Checks a fault plan in the same way.
pub(super) fn check_faults(source: &Source) -> Result<(), String> {
    let checked = FaultPlan::from_yaml(&source.text).map(|_| ());
    checked.map_err(|error| format!("{}: {error}", source.name))
}

impl BenchPlan {
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
        let failed = |error: beamwarden_sim::ModelError| BenchError::Simulated(error.to_string());
        let mut model = match &plan.model {
            Some(source) => Model::from_yaml(&source.text).map_err(failed)?,
            None => Model::default(),
        };
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
