//! Transports, IEEE 488.2 messages, instrument profiles and register maps.

pub mod fault;
pub mod marked;
pub mod quantity;
pub mod shape;
