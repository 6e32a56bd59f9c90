//! beamwarden.
