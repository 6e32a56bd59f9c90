//! Faults: what goes wrong at which instrument and when, by a plan or at a test's word.
//!
//! The plan is data ([`FaultPlan`]); the engine counts commands, captures and time and says what is due;
//! `apply` does it to the world and writes it into the log. Knows nothing of clients. The same seed,
//! plan and commands at the same times give the same faults.

mod apply;
mod engine;
mod plan;
mod settings;
mod yaml;

pub(crate) use engine::{Disturbed, Faults};
pub use engine::{FAULTS_KEPT, FaultDone};
pub use plan::{FaultKind, FaultPlan, FaultPlanError, PlannedFault, When};
pub use settings::settings_of;
pub(crate) use settings::{each, name_of};
