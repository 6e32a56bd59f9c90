//! From the PSDU to the bits on the data symbols and back: padding, scrambling, LDPC coding and
//! the repetition of MCS 1.
//!
//! IEEE 802.11ad-2012 clause 21.6.3.2.3 (20.6.3.2.3.3 in IEEE 802.11-2016). Knows nothing of
//! symbols, guards or the header.

mod decode;

pub use decode::{Decoded, decode, decode_announced};

use super::bits::octets_to_bits;
use super::ldpc::{CodeRate, encode as encode_codeword};
use super::mcs::Mcs;
use super::scrambler::Scrambler;

/// Largest PSDU in octets: the header's Length field has 18 bits.
pub const PSDU_OCTETS_MAX: usize = (1 << 18) - 1;

/// How many codewords and blocks a PSDU takes, and what fills them up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PayloadSizes {
    /// Codewords, N_CW.
    pub codewords: usize,
    /// Zero bits appended to the PSDU before scrambling, N_DATA_PAD.
    pub data_pad_bits: usize,
    /// Data blocks, N_BLKS.
    pub blocks: usize,
    /// Zero bits appended after the codewords before scrambling, N_BLK_PAD.
    pub block_pad_bits: usize,
}

impl PayloadSizes {
    /// Sizes for a PSDU of `psdu_octets`.
    pub fn new(mcs: Mcs, psdu_octets: usize) -> Self {
        let psdu_bits = psdu_octets.saturating_mul(8);
        let codewords = psdu_bits.div_ceil(mcs.payload_bits_per_codeword());
        let coded_bits = codewords.saturating_mul(mcs.code_rate().codeword_bits());
        let blocks = coded_bits.div_ceil(mcs.coded_bits_per_block());
        Self {
            codewords,
            data_pad_bits: codewords.saturating_mul(mcs.payload_bits_per_codeword()) - psdu_bits,
            blocks,
            block_pad_bits: blocks.saturating_mul(mcs.coded_bits_per_block()) - coded_bits,
        }
    }
}

/// Bits on the data symbols for `psdu`: codewords, then the block padding.
///
/// `scrambler` must have run on from the header, as [`super::header::Header::payload_scrambler`] gives it.
pub fn encode(mcs: Mcs, psdu: &[u8], scrambler: &mut Scrambler) -> Vec<u8> {
    let sizes = PayloadSizes::new(mcs, psdu.len());
    let mut information = octets_to_bits(psdu);
    information.resize(information.len() + sizes.data_pad_bits, 0);
    scrambler.apply(&mut information);
    let mut coded = Vec::with_capacity(sizes.blocks * mcs.coded_bits_per_block());
    for word in information.chunks_exact(mcs.payload_bits_per_codeword()) {
        let start = coded.len();
        encode_codeword(mcs.code_rate(), word, &mut coded);
        if mcs.repetition() == 2 {
            repeat_information(&mut coded[start..]);
        }
    }
    coded.extend(scrambler.take(sizes.block_pad_bits));
    coded
}

/// MCS 1: the second quarter of the codeword, zeros so far, becomes the first quarter scrambled
/// with the all-ones sequence, which restarts in every codeword.
fn repeat_information(codeword: &mut [u8]) {
    let quarter = CodeRate::Half.information_bits() / 2;
    let (information, rest) = codeword.split_at_mut(quarter);
    rest[..quarter].copy_from_slice(information);
    Scrambler::all_ones().apply(&mut rest[..quarter]);
}

/// Why a payload cannot be decoded at all.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PayloadError {
    /// No PSDU has this length.
    #[error("a PSDU has 1 to {PSDU_OCTETS_MAX} octets, not {0}")]
    Length(usize),
    /// The frame was cut short.
    #[error("the payload takes {needed} soft bits, only {given} were received")]
    TooFewBits {
        /// Bits of all codewords.
        needed: usize,
        /// Bits that were given.
        given: usize,
    },
    /// The header announces a scheme or a length that does not exist.
    #[error(
        "the header announces no payload that can exist (MCS field {base_mcs}, length {length})"
    )]
    Announcement {
        /// MCS field.
        base_mcs: u8,
        /// Length field.
        length: u32,
    },
}

#[cfg(test)]
mod tests;
