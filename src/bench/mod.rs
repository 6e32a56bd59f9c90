//! The bench: which instruments there are, and the one door to them.

pub mod bounds;
mod capture;
mod door;
pub mod durations;
mod error;
mod exercise;
pub mod file;
pub mod frame_file;
pub mod grammar;
pub mod interlock;
pub mod knob;
mod lent;
mod lock;
mod lost;
pub mod notify;
mod on_air;
mod plan;
pub mod policy;
mod recorded;
mod registers;
pub mod response_file;
mod simulated;
mod simulated_file;
mod steering;
mod together;
mod trace;
mod trust;

pub use capture::{Captured, Scale, Span, Traces};
pub(crate) use door::SHORT_TRY;
pub use door::{Bench, Reading, Settled, Standing};
pub use error::BenchError;
pub use exercise::{Exercised, Outcome, WhyLeftOut};
pub use lent::{Lending, Lent};
pub use on_air::{FRAME_RMS_DBFS, OnAir};
pub use plan::{BenchPlan, InstrumentPlan};
pub use recorded::RecordedLinks;
#[cfg(test)]
pub use simulated::{Acquired, Truth};
pub use simulated::{ModelFacts, faults_schema, model_schema, read_faults, read_model};
pub use together::Happening;
pub use trace::TraceKeeper;
