//! sim.
