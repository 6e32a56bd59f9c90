//! Transports, IEEE 488.2 messages, instrument profiles and register maps.

mod class;
pub mod message;
pub mod transport;

pub use class::Class;
