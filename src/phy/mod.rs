//! The physical layer: frames, their coding, and what is measured on them.
//!
//! Slices in, structs out. Knows no instrument, file, clock, thread or log.

pub mod bits;
pub mod constellation;
pub mod frame;
pub mod golay;
pub mod header;
pub mod interval;
pub mod ldpc;
pub mod mcs;
pub mod payload;
pub mod prbs;
pub mod scrambler;
pub mod theory;

#[cfg(test)]
mod testing;
