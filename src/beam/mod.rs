//! Arrays, beams and how to find the best pair of them.
//!
//! Pure: geometry and figures in, weights and next probes out. Knows nothing of instruments,
//! files, clocks or of how a figure was measured.

mod codebook;
mod geometry;
pub mod search;

pub use codebook::{Beam, Codebook};
pub use geometry::{ArrayGeometry, PhaseCodes, quantise_phase};
