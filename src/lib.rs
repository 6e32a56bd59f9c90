//! beamwarden sequences a laboratory bench for millimetre-wave phased-array transceivers.

pub mod beam;
pub mod bench;
//pub mod cli;
pub mod clock;
pub mod phy;
pub mod record;
pub mod run;
pub mod sequence;
pub mod report;
