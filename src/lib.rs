//! beamwarden.

pub mod phy;
