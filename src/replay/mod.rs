//! Recorded runs once more: today's analysis over yesterday's captures, the recorded sequence on the
//! simulated bench, or the recorded messages in place of instruments; and what the old figures and
//! the new ones differ in.
//!
//! A recorded run is read and never changed. What a replay does anew goes into a run folder of its
//! own, or, for an analysis, into a file of its own in the run's folder `analyses`.

mod again;
mod air;
mod answers;
mod captures;
pub mod compare;
mod differences;
mod error;
pub mod fit;
mod fitting;
mod hush;
mod inputs;
mod recorded;

pub use again::{Again, Desk, run_again};
pub use air::Air;
pub use captures::{Lost, Reanalysed, Reanalysis, reanalyse};
pub use differences::{
    Beyond, beyond_figures, compare_captures, compare_runs, comparison, without_figures,
};
pub use error::ReplayError;
pub use fitting::{Fitted, Parameter, fit_model};
pub use inputs::Use;
pub use recorded::Recorded;
