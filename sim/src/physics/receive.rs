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
        let scale = (0.5 * self.noise_v2_per_hz).sqrt() as f32;
        let taps: Vec<f32> = self.shaper.taps.iter().map(|tap| tap * scale).collect();
        let mut white = vec![0f32; lines[0].len() + taps.len() - 1];
        for line in lines {
            random.fill_normal(&mut white);
            add_shaped(&white, &taps, line);
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

/// Adds the direct convolution, four taps at a time: each inner loop is multiply-adds over a block
/// that stays in the cache.
fn add_shaped(white: &[f32], taps: &[f32], out: &mut [f32]) {
    const BLOCK: usize = 1024;
    for (block, out) in out.chunks_mut(BLOCK).enumerate() {
        let input = &white[block * BLOCK..];
        let points = out.len();
        let (quads, rest) = taps.as_chunks::<4>();
        for (quad, [a, b, c, d]) in quads.iter().enumerate() {
            let at = |m: usize| &input[4 * quad + m..4 * quad + m + points];
            let inputs = at(0).iter().zip(at(1)).zip(at(2).iter().zip(at(3)));
            for (y, ((p, q), (r, s))) in out.iter_mut().zip(inputs) {
                *y += (a * p + b * q) + (c * r + d * s);
            }
        }
        for (tap, shift) in rest.iter().zip(4 * quads.len()..) {
            for (y, x) in out.iter_mut().zip(&input[shift..]) {
                *y += tap * x;
            }
        }
    }
}
