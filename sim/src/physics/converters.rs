//! The converters at both ends: the source's steps and the scope's codes.
//!
//! Knows nothing of what the samples mean.

use super::gaussian::Stream;

/// Volts of one code step: `2 range / 2^bits`.
pub fn volts_per_code(range_v: f64, bits: u32) -> f64 {
    2.0 * range_v / f64::from(1u32 << bits.clamp(1, 16))
}

/// A 16-bit code as a converter of `bits` makes it: rounded to its steps, half away from 0.
pub fn coarse_code(code: i16, bits: u32) -> f64 {
    let step = f64::from(1u32 << (16 - bits.clamp(1, 16)));
    let most = 32_768.0 - step;
    ((f64::from(code) / step).round() * step).clamp(-32_768.0, most)
}

/// One scope: both channels, their errors and their converters.
#[derive(Debug, Clone, PartialEq)]
pub struct Digitiser {
    /// Full scale, plus and minus, V.
    pub range_v: f64,
    /// Bits of the converters.
    pub bits: u32,
    /// Own noise on each channel, V rms, white over its Nyquist band.
    pub noise_v: f64,
    /// What each channel multiplies its volts by.
    pub gain: [f64; 2],
    /// What each channel adds, V.
    pub offset_v: [f64; 2],
    /// How much later channel 2 samples than channel 1, s.
    pub skew_s: f64,
    /// Spread of the sampling instants, s rms; both channels share them.
    pub aperture_jitter_s: f64,
}

/// Adding this to a single-precision number of magnitude below 2^22 leaves its nearest whole number
/// in the last bits, ties to even (IEEE Std 754): rounding without a call, the same everywhere.
const ROUNDER: f32 = 12_582_912.0;

impl Digitiser {
    /// Codes of one channel: gain, offset, noise, clipping, rounding.
    pub fn codes(&self, channel: usize, random: &mut Stream, line: &[f32]) -> Vec<i16> {
        let step_v = volts_per_code(self.range_v, self.bits);
        let scale = (self.gain[channel] / step_v) as f32;
        let offset = (self.offset_v[channel] / step_v) as f32;
        let noise = (self.noise_v / step_v) as f32;
        let top = ((1i32 << (self.bits.clamp(1, 16) - 1)) - 1) as f32;
        let bottom = -top - 1.0;
        let code = |x: f32| ((x.clamp(bottom, top) + ROUNDER) - ROUNDER) as i16;
        if noise == 0.0 {
            return line.iter().map(|v| code(v * scale + offset)).collect();
        }
        const BLOCK: usize = 1024;
        let mut drawn = [0f32; BLOCK];
        let mut codes = Vec::with_capacity(line.len());
        for volts in line.chunks(BLOCK) {
            let drawn = &mut drawn[..volts.len()];
            random.fill_normal(drawn);
            codes.extend(
                volts.iter().zip(&*drawn).map(|(v, n)| code(v * scale + offset + noise * n)),
            );
        }
        codes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fewer_bits_are_coarser_steps() {
        assert_eq!(coarse_code(12_345, 16), 12_345.0);
        assert_eq!(coarse_code(12_345, 8), 12_288.0);
        assert_eq!(coarse_code(32_767, 8), 32_512.0);
        assert_eq!(coarse_code(-32_768, 8), -32_768.0);
        assert_eq!(coarse_code(-200, 8), -256.0);
    }

    #[test]
    fn rounding_by_addition_is_rounding() {
        let mut random = Stream::new(1, super::super::gaussian::Purpose::Reading, 0);
        let digitiser = Digitiser {
            range_v: 1.0,
            bits: 16,
            noise_v: 0.0,
            gain: [1.0; 2],
            offset_v: [0.0; 2],
            skew_s: 0.0,
            aperture_jitter_s: 0.0,
        };
        let line: Vec<f32> = (-4_000..4_000).map(|k| k as f32 * 0.000_263 + 1e-6).collect();
        let expected: Vec<i16> = line
            .iter()
            .map(|v| (f64::from(*v) * 32_768.0).round_ties_even().clamp(-32_768.0, 32_767.0) as i16)
            .collect();
        let got = digitiser.codes(0, &mut random, &line);
        let off = got.iter().zip(&expected).filter(|(a, b)| a != b).count();
        assert_eq!(off, 0, "of {}", line.len());
    }
}
