//! What integer samples tell of the converter behind them: how many bits its codes have, and where in
//! the words they stand. Words are often wider than codes.
//!
//! Knows nothing of files or scales.

/// Fewest codes from which bits that are always zero are no chance.
const CODES_MIN: u64 = 64;
/// Fewest bits of a converter: with fewer left the samples are no signal.
const BITS_MIN: u32 = 4;

/// Who says how many bits the codes have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WidthSource {
    /// The recording itself.
    Declared,
    /// Who asked for it to be read.
    Told,
    /// Nobody: the codes are taken to fill their words.
    DataType,
}

/// How many bits the codes of a recording have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CodeWidth {
    /// Bits that the codes are taken to have.
    pub bits: u32,
    /// Who says so.
    pub source: WidthSource,
    /// Fewest bits that hold every code that occurs.
    pub bits_used: u32,
    /// Lowest bits of the words that belong to no code: zero all over, where nobody says how many bits
    /// there are.
    pub bits_below: u32,
}

impl CodeWidth {
    /// Whether codes may be narrower than they are taken to be: nobody says how many bits they have,
    /// and they leave a good part of their words' range unused.
    pub fn is_doubtful(&self) -> bool {
        // Within 6 dB of full scale a signal shows what the range is.
        self.source == WidthSource::DataType && self.bits > 8 && self.bits_used + 2 <= self.bits
    }
}

/// Collects codes.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Codes {
    count: u64,
    lowest: i64,
    highest: i64,
    ever_set: i64,
}

impl Codes {
    pub(super) fn add(&mut self, code: i64) {
        self.count += 1;
        self.lowest = self.lowest.min(code);
        self.highest = self.highest.max(code);
        self.ever_set |= code;
    }

    /// What they tell when they are taken to have `bits`.
    pub(super) fn width(&self, bits: u32, source: WidthSource) -> CodeWidth {
        let magnitude = self.highest.max(-(self.lowest + 1)).max(0);
        let bits_used = 65 - magnitude.leading_zeros();
        let zero = if self.ever_set == 0 { 0 } else { self.ever_set.trailing_zeros() };
        let told = source == WidthSource::DataType
            && self.count >= CODES_MIN
            && zero + BITS_MIN <= bits_used;
        CodeWidth { bits, source, bits_used, bits_below: if told { zero } else { 0 } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn width(codes: impl Iterator<Item = i64>) -> CodeWidth {
        let mut all = Codes::default();
        codes.for_each(|code| all.add(code));
        all.width(16, WidthSource::DataType)
    }

    #[test]
    fn codes_show_their_width_and_place() {
        for (codes, used, below, doubtful) in [
            (-2048..2048, 12, 0, true),
            (-2047..2048, 12, 0, true),
            (-2049..100, 13, 0, true),
            (-8192..8192, 14, 0, true),
            (-8193..8192, 15, 0, false),
            (-32768..32768, 16, 0, false),
            (0..1, 1, 0, true),
        ] {
            let found = width(codes.clone());
            assert_eq!((found.bits_used, found.bits_below), (used, below), "{codes:?}");
            assert_eq!(found.is_doubtful(), doubtful, "{codes:?}");
        }
        let upper = width((-2048..2048).map(|code| 16 * code));
        assert_eq!((upper.bits_used, upper.bits_below, upper.is_doubtful()), (16, 4, false));
        // A few codes, or hardly any bits, tell nothing.
        assert_eq!(width((-3..3).map(|code| 16 * code)).bits_below, 0);
        assert_eq!(width((0..100).map(|code| 0x4000 * (code % 2))).bits_below, 0);
    }

    #[test]
    fn who_knows_the_width_is_believed() {
        let mut codes = Codes::default();
        (-50..50).for_each(|code| codes.add(4 * code));
        for source in [WidthSource::Declared, WidthSource::Told] {
            let found = codes.width(12, source);
            assert_eq!((found.bits_below, found.is_doubtful()), (0, false));
        }
    }
}
