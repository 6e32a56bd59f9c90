//! The bench that needs no hardware: pipes to the simulated instruments.
//!
//! The one place of this crate that knows the simulator; nothing but bytes passes.

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::profile::Role;
use beamwarden_drivers::transport::{Address, PipeLink, Transport};
use beamwarden_sim::{Model, Post, SimBench};

use super::error::BenchError;
use super::plan::BenchPlan;

/// Checks a model file, so that a faulty one is told with the other files before anything is done.
pub(super) fn check_model(source: &Source) -> Result<(), String> {
    let checked = Model::from_yaml(&source.text).map(|_| ());
    checked.map_err(|error| format!("{}: {error}", source.name))
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
        let bench = SimBench::new(model).map_err(failed)?;
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
