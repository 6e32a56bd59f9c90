//! The physics between the instruments: state in, numbers and samples out.
//!
//! Pure functions and plain data. Knows nothing of commands, connections or clocks, and nothing of
//! what the waveform means: no frame, no modulation, no chip.

pub mod array;
pub mod blockage;
pub mod capture;
pub mod converters;
pub mod correlation;
pub mod element;
pub mod filter;
pub mod gas;
mod gas_lines;
pub mod gaussian;
pub mod link;
pub mod multipath;
pub mod nonlinear;
pub mod oscillator;
pub mod receive;
pub mod shifter;
pub mod transmit;

#[cfg(test)]
mod capture_tests;
