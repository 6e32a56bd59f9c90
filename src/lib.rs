//! beamwarden sequences a laboratory bench for millimetre-wave phased-array transceivers.
//!
//! See DEVELOPERS.md for the house: what each room is for and which edges there are.

pub mod beam;
pub mod bench;
pub mod cli;
pub mod clock;
pub mod phy;
pub mod record;
pub mod replay;
pub mod report;
pub mod run;
pub mod sequence;
pub mod threads;
