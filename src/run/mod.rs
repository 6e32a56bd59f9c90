//! Runs: executing a sequence on a bench and leaving a complete record.
//!
//! The [`Engine`] takes one action after the other from the sequence's walk, passes it through the
//! bench's door and writes what came of it. However a run ends, `finally` and the safe state
//! follow, and the record says how it ended.

mod combine;
mod engine;
mod error;
mod measure;
mod progress;
mod recorder;
mod search;
mod stop;
mod translate;

pub use combine::combine;
pub use engine::{Engine, RunSummary};
pub use error::RunError;
pub use measure::Measurement;
pub use progress::{Progress, ProgressEvent, Silent};
pub use recorder::{Recorder, Replayed, RunInputs};
pub use search::SearchFound;
pub use stop::Stop;
pub use translate::{figures_of, fill_curves};
