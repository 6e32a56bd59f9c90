//! The bench: which instruments there are, and the one door to them.

pub mod file;
pub mod grammar;
pub mod knob;
