//! What the tests of `phy` share: reference data with published sources, and seeded noise.

use num_complex::Complex32;
use serde::Deserialize;

/// Text of a file under `tests/reference/phy`.
macro_rules! reference_file {
    ($name:literal) => {
        include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/phy/", $name))
    };
}
pub(crate) use reference_file;

/// Reads a reference file.
pub(crate) fn read<T: for<'de> Deserialize<'de>>(text: &str) -> T {
    serde_yaml::from_str(text).expect("reference files are well formed")
}

/// Bits of the published worked example.
#[derive(Deserialize)]
pub(crate) struct ReferenceBits {
    count: usize,
    bits: String,
}

impl ReferenceBits {
    /// One bit per octet, in time order.
    pub(crate) fn bits(&self) -> Vec<u8> {
        let mut bits: Vec<u8> =
            digits(&self.bits).flat_map(|d| [3, 2, 1, 0].map(|k| d >> k & 1)).collect();
        assert!(bits.len() - self.count < 4, "the number of bits fits the digits");
        bits.truncate(self.count);
        bits
    }
}

/// Chips of the published worked example, rotated.
#[derive(Deserialize)]
pub(crate) struct ReferenceChips {
    count: usize,
    chips: String,
}

impl ReferenceChips {
    pub(crate) fn chips(&self) -> Vec<Complex32> {
        let turns = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)];
        let chips: Vec<Complex32> = digits(&self.chips)
            .flat_map(|digit| [digit >> 2, digit & 3])
            .map(|quarter| turns[usize::from(quarter)])
            .map(|(re, im)| Complex32::new(re, im))
            .collect();
        assert_eq!(chips.len(), self.count);
        chips
    }
}

/// Rotated 16-QAM symbols of the published worked example.
#[derive(Deserialize)]
pub(crate) struct ReferenceSymbols {
    count: usize,
    symbols: String,
}

impl ReferenceSymbols {
    pub(crate) fn symbols(&self) -> Vec<Complex32> {
        let level = |index: u8| (2.0 * f64::from(index) - 3.0) / 10_f64.sqrt();
        let symbols: Vec<Complex32> = digits(&self.symbols)
            .map(|d| Complex32::new(level(d >> 2) as f32, level(d & 3) as f32))
            .collect();
        assert_eq!(symbols.len(), self.count);
        symbols
    }
}

fn digits(text: &str) -> impl Iterator<Item = u8> + '_ {
    text.chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_digit(16).expect("a hexadecimal digit") as u8)
}

/// Seeded white Gaussian noise: SplitMix64 (G. L. Steele and others, OOPSLA 2014, from memory) and
/// the Box-Muller transform.
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    /// Random bits, one per octet.
    pub(crate) fn bits(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| (self.next_u64() >> 63) as u8).collect()
    }

    /// A complex value of mean squared magnitude 1.
    pub(crate) fn complex(&mut self) -> Complex32 {
        // The half step keeps the logarithm finite.
        let mut uniform = || ((self.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
        let magnitude = (-uniform().ln()).sqrt();
        let (sine, cosine) = (std::f64::consts::TAU * uniform()).sin_cos();
        Complex32::new((magnitude * cosine) as f32, (magnitude * sine) as f32)
    }
}

/// Noise variance (both axes) at `es_n0_db` for symbols of unit mean power.
pub(crate) fn noise_variance(es_n0_db: f64) -> f32 {
    10_f64.powf(-es_n0_db / 10.0) as f32
}
