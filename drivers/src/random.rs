//! A small generator for what need be neither secret nor of high quality: disturbances, jitter.
//!
//! xorshift64* (Marsaglia 2003, Vigna 2016), so that a seed alone reproduces a run on every machine.

/// The generator.
#[derive(Clone, Debug)]
pub(crate) struct Random(u64);

impl Random {
    pub fn seeded(seed: u64) -> Self {
        // A generator of this kind stays at zero for ever.
        Random(seed | 1 << 63)
    }

    /// From a seed and some text, which may differ in one letter only (FNV-1a).
    pub fn seeded_with(seed: u64, texts: &[&str]) -> Self {
        // Byte by byte as the text: mixed in at once, a seed and a letter could cancel each other.
        let texts = texts.iter().flat_map(|text| text.bytes().chain([0]));
        let bytes = seed.to_be_bytes().into_iter().chain(texts);
        let mix = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
        let mut random = Self::seeded(bytes.fold(0xCBF2_9CE4_8422_2325, mix));
        random.below(1);
        random
    }

    /// From 0 to below `bound`, which is not 0.
    pub fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % bound.max(1)
    }
}
