//! Sequences: what to do, in what order, over which sweep axes.
//!
//! A sequence file becomes a checked [`Sequence`]; its plan is walked lazily, so that a million
//! points need no memory. Opens nothing but its own text and sends nothing.

mod estimate;
mod expect;
pub mod expression;
mod figure_names;
pub mod grammar;
mod read;
mod reference;
mod remarks;
mod schema;
mod settings;
pub use settings::settings_of;
mod step;
mod walk;

pub use estimate::{Costs, Estimate, estimate};
pub use expect::{Expectation, Verdict};
pub use figure_names::{FIGURE_NAMES, FigureName};
pub use read::{
    ReadWith, faults_on_any_bench, parameter_text, read_sequence, read_sequence_with,
    read_value_text,
};
pub use reference::language_reference;
pub use schema::sequence_schema;
pub use step::{
    Action, Ask, Assignment, Axis, AxisValues, Beyond, Call, Condition, Deadlines, DriftBand,
    FRUITLESS_CAPTURES_MAX, Given, Measure, Parameter, ParameterValue, Piece, Reference, Repeat,
    Search, Sequence, Step, Sweep, Text, Until, Wait, WaitUntil, When,
};
/// Where a run folder keeps the sequences that its sequence calls.
pub const CALLED_FOLDER: &str = "sequences";

pub use walk::{Counts, Phase, Position, Walk, WalkItem, count};
