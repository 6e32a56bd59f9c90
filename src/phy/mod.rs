//! The physical layer: frames, their coding, and what is measured on them.
//!
//! Slices in, structs out. Knows no instrument, file, clock, thread or log.

pub mod analyse;
pub mod bits;
mod channel;
pub mod constellation;
mod correlator;
pub mod equaliser;
pub mod evm_theory;
pub mod figures;
pub mod frame;
mod frontend;
#[doc(hidden)]
pub mod fuzzing;
pub mod golay;
pub mod header;
mod hertz;
pub mod imbalance;
pub mod input;
mod interpolator;
pub mod interval;
mod kaiser;
mod lanes;
pub mod ldpc;
mod matched;
pub mod mcs;
pub mod payload;
pub mod phase_noise;
pub mod prbs;
pub mod probe;
pub mod pulse;
mod receiver;
mod reception;
pub mod recording;
#[cfg(test)]
mod resample;
pub mod scrambler;
pub mod spectrum;
pub mod stages;
mod survey;
mod sync;
pub mod theory;
mod time_equaliser;
mod tracking;
mod unexplained;
mod unguarded;
pub mod waveform;
pub mod workers;

#[cfg(test)]
mod link_testing;
#[cfg(test)]
mod testing;
