//! Runs: executing a sequence on a bench and leaving a complete record.
//!
//! The [`Engine`] takes one action after the other from the sequence's walk, passes it through the
//! bench's door and writes what came of it. However a run ends, `finally` and the safe state
//! follow, and the record says how it ended.

mod act;
mod between;
mod combine;
mod conditions;
mod control;
mod desk;
mod ending;
mod engine;
mod error;
mod interlocks;
mod ledger;
mod looks;
mod measure;
mod persist;
mod points;
mod preflight;
mod progress;
mod recorder;
mod reference;
mod resume;
#[cfg(test)]
mod scene;
mod search;
mod sequential;
mod tally;
mod tidy;
mod translate;
mod values;
mod watch;

pub use combine::{combine, spread};
pub use control::Control;
pub use desk::{Desk, Later, NoWay, NobodyThere, Notifier, Question, Told};
pub use engine::{Engine, RunSummary, SUMMARY_MAX};
pub use error::RunError;
pub use interlocks::Tripped;
pub use looks::looks_at_files;
pub use measure::Measurement;
pub use progress::{Progress, ProgressEvent, Silent};
pub use recorder::{Recorder, Replayed, RunInputs};
pub use resume::DoneBefore;
pub use search::SearchFound;
pub use tally::Tally;
pub use translate::{figures_of, fill_curves};

#[cfg(test)]
mod tests;
