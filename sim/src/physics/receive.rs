//! The receiver between its combiner and the scope: noise, mixer, offset, end of the range.
//!
//! The order on the line: carrier offset and phase noise turn the signal; the receiver's noise,
//! limited to its band, is added; the mixer's branches differ; the output has an offset and ends
//! somewhere. Knows nothing of how the signal came about.

use std::sync::Arc;

use super::filter::Shaper;
use super::gaussian::Stream;
use super::nonlinear::{Imbalance, Saturation};
use super::oscillator::PhaseNoise;

/// The receiver of one acquisition. What is `None` or 0 costs nothing.
#[derive(Debug, Clone)]
pub struct Receiver {
    /// Receiver band for the scope's sample interval.
    pub shaper: Arc<Shaper>,
    /// Receiver noise, V^2/Hz of complex envelope inside the band.
    pub noise_v2_per_hz: f64,
    /// Phase noise: the transmitter's synthesiser's, the receiver's own.
    pub phase_noise: [Option<PhaseNoise>; 2],
    /// Unequal branches.
    pub imbalance: Option<Imbalance>,
    /// Offset of the two output lines, V.
    pub offset_v: [f64; 2],
    /// Where the output lines end.
    pub saturation: Option<Saturation>,
}

impl Receiver {
    /// Adds the noise to both lines.
    pub fn add_noise(&self, random: &mut Stream, lines: [&mut [f32]; 2]) {
        if self.noise_v2_per_hz <= 0.0 {
            return;
        }
        // Half of the complex envelope's power on each line.
        for line in lines {
            self.shaper.add_noise(random, 0.5 * self.noise_v2_per_hz, line);
        }
    }

    /// What the mixer's branches and the output lines do.
    pub fn finish(&self, i: &mut [f32], q: &mut [f32]) {
        if let Some(imbalance) = &self.imbalance {
            imbalance.apply_lines(i, q);
        }
        for (line, offset_v) in [i, q].into_iter().zip(self.offset_v) {
            if offset_v != 0.0 {
                line.iter_mut().for_each(|v| *v += offset_v as f32);
            }
            if let Some(saturation) = &self.saturation {
                saturation.apply_line(line);
            }
        }
    }
}
