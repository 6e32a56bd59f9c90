//! beamwarden.
pub mod record;
pub mod report;
