//! Transports, IEEE 488.2 messages, instrument profiles and register maps.

mod class;
mod decode;
pub mod fault;
pub mod instrument;
pub mod marked;
pub mod message;
pub mod pattern;
pub mod profile;
pub mod quantity;
pub mod registers;
pub mod shape;
pub mod transport;
pub mod value;

pub use class::Class;
