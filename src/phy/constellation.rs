//! The constellations of the DMG single-carrier PHY: mapping, hard and soft decisions, and the
//! pi/2 rotation.
//!
//! Mappings are those of IEEE 802.11ad-2012 clause 21.6.3.2.4 (20.6.3.2.4 in IEEE 802.11-2016),
//! before the pi/2 rotation. Knows nothing of blocks, guards or codes.

mod slicer;

use std::fmt;
use std::str::FromStr;

use num_complex::Complex32;

/// A constellation of unit mean power.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Constellation {
    /// One bit per symbol, points -1 and +1.
    Bpsk,
    /// Two bits per symbol, points -1, +j, -j, +1 for the bits 00, 01, 10, 11: the standard turns
    /// QPSK by -45 degrees.
    Qpsk,
    /// Four bits per symbol, levels -3, -1, +1, +3 over sqrt(10).
    Qam16,
    /// Six bits per symbol, levels -7 to +7 over sqrt(42).
    Qam64,
}

/// A text that names no constellation.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no constellation is called '{0}'; there are bpsk, qpsk, 16-qam and 64-qam")]
pub struct UnknownConstellation(pub String);

/// Amplitude of the inner level of 16-QAM, 1/sqrt(10).
const UNIT_16: f32 = 0.316_227_77;
/// Amplitude of the inner level of 64-QAM, 1/sqrt(42).
const UNIT_64: f32 = 0.154_303_35;

/// Levels of one axis of 16-QAM; the index is the two bits, first bit most significant.
const LEVELS_16: [f32; 4] = [-3.0 * UNIT_16, -UNIT_16, 3.0 * UNIT_16, UNIT_16];
/// Levels of one axis of 64-QAM; the index is the three bits, first bit most significant.
const LEVELS_64: [f32; 8] = [
    -7.0 * UNIT_64,
    -5.0 * UNIT_64,
    -UNIT_64,
    -3.0 * UNIT_64,
    7.0 * UNIT_64,
    5.0 * UNIT_64,
    UNIT_64,
    3.0 * UNIT_64,
];
/// Bits of the four levels of 16-QAM in rising order of the level.
const RISING_16: [usize; 4] = [0b00, 0b01, 0b11, 0b10];
/// Bits of the eight levels of 64-QAM in rising order of the level.
const RISING_64: [usize; 8] = [0b000, 0b001, 0b011, 0b010, 0b110, 0b111, 0b101, 0b100];

static POINTS_BPSK: [Complex32; 2] = [Complex32::new(-1.0, 0.0), Complex32::new(1.0, 0.0)];
static POINTS_QPSK: [Complex32; 4] = [
    Complex32::new(-1.0, 0.0),
    Complex32::new(0.0, 1.0),
    Complex32::new(0.0, -1.0),
    Complex32::new(1.0, 0.0),
];
static POINTS_16: [Complex32; 16] = square(&LEVELS_16);
static POINTS_64: [Complex32; 64] = square(&LEVELS_64);

/// Smallest noise variance used for soft decisions, so that a noiseless signal gives finite values.
const NOISE_VARIANCE_MIN: f32 = 1e-6;

impl Constellation {
    /// All constellations, from the fewest bits per symbol to the most.
    pub const ALL: [Self; 4] = [Self::Bpsk, Self::Qpsk, Self::Qam16, Self::Qam64];

    /// Bits that one symbol carries: 1, 2, 4 or 6.
    pub const fn bits_per_symbol(self) -> usize {
        match self {
            Self::Bpsk => 1,
            Self::Qpsk => 2,
            Self::Qam16 => 4,
            Self::Qam64 => 6,
        }
    }

    /// The points of unit mean power before the pi/2 rotation. The index is the symbol's bits,
    /// the first bit in time most significant.
    pub fn points(self) -> &'static [Complex32] {
        match self {
            Self::Bpsk => &POINTS_BPSK,
            Self::Qpsk => &POINTS_QPSK,
            Self::Qam16 => &POINTS_16,
            Self::Qam64 => &POINTS_64,
        }
    }

    /// Name as written in files and on the command line: `bpsk`, `qpsk`, `16-qam`, `64-qam`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Bpsk => "bpsk",
            Self::Qpsk => "qpsk",
            Self::Qam16 => "16-qam",
            Self::Qam64 => "64-qam",
        }
    }

    /// Maps bits (one per octet, 0 or 1, in time order) to symbols. Bits beyond the last full
    /// symbol are left out.
    pub fn map(self, bits: &[u8]) -> Vec<Complex32> {
        let points = self.points();
        bits.chunks_exact(self.bits_per_symbol())
            .map(|group| {
                points[group.iter().fold(0, |index, bit| index << 1 | usize::from(bit & 1))]
            })
            .collect()
    }

    /// The nearest point to `z`: its index in [`Self::points`] and the point itself. A value that
    /// is not a number is taken to some point.
    pub fn nearest(self, z: Complex32) -> (usize, Complex32) {
        let index = match self {
            Self::Bpsk => usize::from(z.re > 0.0),
            Self::Qpsk => {
                let (u, v) = qpsk_axes(z);
                usize::from(u > 0.0) << 1 | usize::from(v > 0.0)
            }
            Self::Qam16 => slice(z.re, UNIT_16, &RISING_16) << 2 | slice(z.im, UNIT_16, &RISING_16),
            Self::Qam64 => slice(z.re, UNIT_64, &RISING_64) << 3 | slice(z.im, UNIT_64, &RISING_64),
        };
        (index, self.points()[index])
    }

    /// Appends the bits of the nearest point to `out`, first bit first, one bit per octet.
    pub fn demap_hard(self, z: Complex32, out: &mut Vec<u8>) {
        let (index, _) = self.nearest(z);
        out.extend((0..self.bits_per_symbol()).rev().map(|bit| (index >> bit & 1) as u8));
    }

    /// Appends one log-likelihood ratio per bit to `out`, first bit first; positive means 0.
    ///
    /// `noise_variance` is the mean squared noise of both axes together, relative to the unit mean
    /// power of the constellation; values below 1e-6 are taken as 1e-6. BPSK and QPSK are exact, QAM
    /// uses the max-log approximation (the nearest point with 0 against the nearest with 1).
    pub fn demap_soft(self, z: Complex32, noise_variance: f32, out: &mut Vec<f32>) {
        let scale = 1.0 / noise_variance.max(NOISE_VARIANCE_MIN);
        match self {
            Self::Bpsk => out.push(-4.0 * z.re * scale),
            Self::Qpsk => {
                // Points at +-1/sqrt(2) on each of the turned axes: LLR = -4 u / (sqrt(2) N0), and
                // the turned axes are scaled by sqrt(2).
                let (u, v) = qpsk_axes(z);
                out.extend([-2.0 * u * scale, -2.0 * v * scale]);
            }
            Self::Qam16 => {
                out.extend(axis_llrs::<4, 2>(z.re, &LEVELS_16, scale));
                out.extend(axis_llrs::<4, 2>(z.im, &LEVELS_16, scale));
            }
            Self::Qam64 => {
                out.extend(axis_llrs::<8, 3>(z.re, &LEVELS_64, scale));
                out.extend(axis_llrs::<8, 3>(z.im, &LEVELS_64, scale));
            }
        }
    }
}

impl fmt::Display for Constellation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Constellation {
    type Err = UnknownConstellation;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::ALL
            .into_iter()
            .find(|constellation| constellation.name() == text)
            .ok_or_else(|| UnknownConstellation(text.to_owned()))
    }
}

/// Multiplies chip `k` of the slice by `exp(+j pi (first_index + k) / 2)` (the standard's pi/2
/// rotation). `first_index` is the position of the first chip in its field.
pub fn rotate_half_pi(chips: &mut [Complex32], first_index: usize) {
    for (k, chip) in chips.iter_mut().enumerate() {
        *chip = quarter_turns(*chip, first_index.wrapping_add(k) % 4);
    }
}

/// Undoes [`rotate_half_pi`]: multiplies by `exp(-j pi (first_index + k) / 2)`.
pub fn derotate_half_pi(chips: &mut [Complex32], first_index: usize) {
    for (k, chip) in chips.iter_mut().enumerate() {
        *chip = quarter_turns(*chip, first_index.wrapping_add(k).wrapping_neg() % 4);
    }
}

/// `z` turned counter-clockwise by `turns` (0 to 3) quarter turns, without rounding.
fn quarter_turns(z: Complex32, turns: usize) -> Complex32 {
    match turns {
        0 => z,
        1 => Complex32::new(-z.im, z.re),
        2 => -z,
        _ => Complex32::new(z.im, -z.re),
    }
}

/// All points of a square QAM whose index is the bits of I followed by the bits of Q.
const fn square<const LEVELS: usize, const POINTS: usize>(
    levels: &[f32; LEVELS],
) -> [Complex32; POINTS] {
    let mut points = [Complex32::new(0.0, 0.0); POINTS];
    let mut index = 0;
    while index < POINTS {
        points[index] = Complex32::new(levels[index / LEVELS], levels[index % LEVELS]);
        index += 1;
    }
    points
}

/// The two axes that decide the bits of QPSK, turned by +45 degrees and scaled by sqrt(2).
fn qpsk_axes(z: Complex32) -> (f32, f32) {
    (z.re - z.im, z.re + z.im)
}

/// Bits of the nearest level on one axis. The cast saturates and takes NaN to 0.
fn slice(value: f32, unit: f32, rising: &[usize]) -> usize {
    let top = rising.len() - 1;
    let position = (value / unit + top as f32) * 0.5 + 0.5;
    rising[(position as usize).min(top)]
}

/// Max-log LLRs of the bits of one axis: (nearest squared distance with bit 1 less nearest with
/// bit 0) times `scale`.
fn axis_llrs<const LEVELS: usize, const BITS: usize>(
    value: f32,
    levels: &[f32; LEVELS],
    scale: f32,
) -> [f32; BITS] {
    let mut nearest = [[f32::INFINITY; 2]; BITS];
    for (index, level) in levels.iter().enumerate() {
        let distance = (value - level) * (value - level);
        for (bit, pair) in nearest.iter_mut().enumerate() {
            let side = &mut pair[index >> (BITS - 1 - bit) & 1];
            *side = side.min(distance);
        }
    }
    nearest.map(|[zero, one]| (one - zero) * scale)
}

#[cfg(test)]
mod tests;
