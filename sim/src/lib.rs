//! sim.
pub mod physics;
