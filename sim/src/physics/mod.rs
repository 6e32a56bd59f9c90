//! The physics between the instruments: state in, numbers and samples out.
//!
//! Pure functions and plain data. Knows nothing of commands, connections or clocks, and nothing of
//! what the waveform means: no frame, no modulation, no chip.

pub mod array;
pub mod capture;
pub mod converters;
pub mod filter;
pub mod gaussian;
pub mod link;
pub mod nonlinear;
pub mod oscillator;
pub mod receive;
pub mod transmit;

#[cfg(test)]
mod capture_tests;
