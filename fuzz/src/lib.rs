//! The physical layer from its own sources, without the rest of the program.

#[path = "../../src/phy/mod.rs"]
pub mod phy;
