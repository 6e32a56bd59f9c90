//! beamwarden.
pub mod record;
