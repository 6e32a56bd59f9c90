//! Whole runs on the simulated bench: failures, interlocks, pauses, and steps that depend on what is found.

mod between;
mod interlocks;
mod policies;
mod steps;
