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
mod step;
mod walk;

pub use estimate::{Estimate, estimate};
pub use expect::{Expectation, Verdict};
pub use figure_names::{FIGURE_NAMES, FigureName};
pub use read::{read_sequence, read_value_text};
pub use step::{
    Action, Ask, Assignment, Axis, AxisValues, Beyond, Call, Condition, Deadlines, DriftBand,
    FRUITLESS_CAPTURES_MAX, Given, Measure, Parameter, ParameterValue, Piece, Reference, Repeat,
    Search, Sequence, Step, Sweep, Text, Until, Wait, WaitUntil, When,
};
pub use walk::{Counts, Phase, Position, Walk, WalkItem, count};
