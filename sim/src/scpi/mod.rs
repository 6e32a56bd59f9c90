//! The device side of IEEE 488.2 and SCPI-99, for any instrument that brings a command table.
//!
//! Knows no instrument and does no I/O: bytes are fed in, replies come out, time is what the host
//! says it is. Rules follow IEEE 488.2 (syntax, status, synchronisation) and SCPI-99 (headers, path,
//! values, errors, STATus and SYSTem).

pub mod command;
pub mod error;
pub mod framing;
pub mod front;
pub mod pattern;
pub mod quantity;
pub mod session;
pub mod shared;
pub mod unit;

#[cfg(test)]
mod session_tests;
