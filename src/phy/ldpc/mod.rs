//! The LDPC codes of the DMG PHY: code rates, encoder and decoder for codewords of 672 bits.
//!
//! IEEE 802.11ad-2012 clause 21.3.8 (20.3.8 in IEEE 802.11-2016; both numbers from memory). Knows
//! nothing of padding, repetition, scrambling or headers.

mod batch;
mod decode;
mod encode;
mod quantise;
mod rule;
mod schedule;
mod tables;
mod transpose;
mod vectors;
mod word;

pub use decode::{BatchDecoder, Decision, Decoder, ITERATIONS_MAX, Outcome, Stopping};
pub use encode::encode;
pub(crate) use quantise::KNOWN_ZERO;
pub use tables::{BLOCK_BITS, BLOCK_COLUMNS};
pub use vectors::Vectors;

/// Bits of a codeword before puncturing.
pub const CODEWORD_BITS: usize = BLOCK_BITS * BLOCK_COLUMNS;
/// Parity bits that rate 7/8 leaves out: the first ones after the information bits.
const PUNCTURED_BITS: usize = 48;

/// Rate of an LDPC code of the DMG PHY.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum CodeRate {
    /// 336 information bits of 672.
    Half,
    /// 420 information bits of 672.
    FiveEighths,
    /// 504 information bits of 672; also the code of every header.
    ThreeQuarters,
    /// 546 information bits of 672.
    ThirteenSixteenths,
    /// 546 information bits of 624: rate 13/16 without its first 48 parity bits.
    SevenEighths,
}

impl CodeRate {
    /// All rates in rising order.
    pub const ALL: [Self; 5] = [
        Self::Half,
        Self::FiveEighths,
        Self::ThreeQuarters,
        Self::ThirteenSixteenths,
        Self::SevenEighths,
    ];

    /// Name as printed in the standard: `1/2` to `7/8`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Half => "1/2",
            Self::FiveEighths => "5/8",
            Self::ThreeQuarters => "3/4",
            Self::ThirteenSixteenths => "13/16",
            Self::SevenEighths => "7/8",
        }
    }

    /// Information bits of a codeword.
    pub const fn information_bits(self) -> usize {
        CODEWORD_BITS - self.shifts().len() * BLOCK_BITS
    }

    /// Bits of a codeword as sent: 672, or 624 at rate 7/8.
    pub const fn codeword_bits(self) -> usize {
        match self {
            Self::SevenEighths => CODEWORD_BITS - PUNCTURED_BITS,
            _ => CODEWORD_BITS,
        }
    }

    /// Positions in the encoded word of the bits that are sent, in time order.
    pub(crate) fn sent_positions(self) -> impl Iterator<Item = usize> {
        let parity_start = self.information_bits();
        let left_out = CODEWORD_BITS - self.codeword_bits();
        (0..parity_start).chain(parity_start + left_out..CODEWORD_BITS)
    }

    /// Base matrix: one row per block of 42 parity checks.
    pub(crate) const fn shifts(self) -> &'static [tables::BlockRow] {
        match self {
            Self::Half => &tables::HALF,
            Self::FiveEighths => &tables::FIVE_EIGHTHS,
            Self::ThreeQuarters => &tables::THREE_QUARTERS,
            Self::ThirteenSixteenths | Self::SevenEighths => &tables::THIRTEEN_SIXTEENTHS,
        }
    }
}

impl std::fmt::Display for CodeRate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.name())
    }
}

#[cfg(test)]
mod tests;
