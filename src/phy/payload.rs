//! From the PSDU to the bits on the data symbols and back: padding, scrambling, LDPC coding and
//! the repetition of MCS 1.
//!
//! IEEE 802.11ad-2012 clause 21.6.3.2.3 (20.6.3.2.3.3 in IEEE 802.11-2016). Knows nothing of
//! symbols, guards or the header.

use super::bits::{bits_to_octets, octets_to_bits};
use super::header::{Header, payload_scrambler};
use super::ldpc::{CodeRate, Decoder, KNOWN_ZERO, encode as encode_codeword};
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
        let psdu_bits = 8 * psdu_octets;
        let codewords = psdu_bits.div_ceil(mcs.payload_bits_per_codeword());
        let coded_bits = codewords * mcs.code_rate().codeword_bits();
        let blocks = coded_bits.div_ceil(mcs.coded_bits_per_block());
        Self {
            codewords,
            data_pad_bits: codewords * mcs.payload_bits_per_codeword() - psdu_bits,
            blocks,
            block_pad_bits: blocks * mcs.coded_bits_per_block() - coded_bits,
        }
    }
}

/// Bits on the data symbols for `psdu`: codewords, then the block padding.
///
/// `scrambler` must have run on from the header, as [`Header::payload_scrambler`] gives it.
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

/// A decoded payload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decoded {
    /// The PSDU; octets of failed codewords are best guesses.
    pub psdu: Vec<u8>,
    /// Codewords of the payload.
    pub codewords: usize,
    /// Codewords whose parity checks never held.
    pub codewords_failed: usize,
    /// Decoder iterations over all codewords.
    pub iterations: usize,
    /// Coded bits of the codewords that did not fail.
    pub raw_bits: usize,
    /// How many of them the soft values had wrong before decoding. Failed codewords, the worst
    /// ones, cannot be counted, so the rate is low where some fail.
    pub raw_bit_errors: usize,
}

/// Decodes the payload that `header` announces from `llrs`, as [`decode`] does.
///
/// With an extended MCS the header leaves up to three octets open. The PSDU then has the largest
/// length that fits it, and a last codeword that only this length asks for is left out when it
/// turns out to be padding.
pub fn decode_announced(header: &Header, llrs: &[f32]) -> Result<Decoded, PayloadError> {
    let (Some(mcs), Some(octets)) = (header.mcs(), header.psdu_octets()) else {
        let Header { base_mcs, length, .. } = *header;
        return Err(PayloadError::Announcement { base_mcs, length });
    };
    let longest = decode(mcs, octets, header.scrambler_seed, llrs)?;
    let codewords = longest.codewords - 1;
    let shorter = codewords * mcs.payload_bits_per_codeword() / 8;
    if !mcs.is_extended() || shorter + 3 < octets || longest.codewords_failed == 0 || shorter == 0 {
        return Ok(longest);
    }
    let shorter = decode(mcs, shorter, header.scrambler_seed, llrs)?;
    let padding_was_it = shorter.codewords_failed < longest.codewords_failed;
    Ok(if padding_was_it { shorter } else { longest })
}

/// Decodes a PSDU of `psdu_octets` from the log-likelihood ratios of the data symbols' bits in
/// time order (positive means 0). Those of the block padding may be missing.
pub fn decode(
    mcs: Mcs,
    psdu_octets: usize,
    scrambler_seed: u8,
    llrs: &[f32],
) -> Result<Decoded, PayloadError> {
    if psdu_octets == 0 || psdu_octets > PSDU_OCTETS_MAX {
        return Err(PayloadError::Length(psdu_octets));
    }
    let sizes = PayloadSizes::new(mcs, psdu_octets);
    let word_bits = mcs.code_rate().codeword_bits();
    let needed = sizes.codewords * word_bits;
    let words = llrs.get(..needed).ok_or(PayloadError::TooFewBits { needed, given: llrs.len() })?;
    let mut decoder = WordDecoder::new(mcs);
    let mut information = Vec::with_capacity(sizes.codewords * mcs.payload_bits_per_codeword());
    for word in words.chunks_exact(word_bits) {
        decoder.decode(word, &mut information);
    }
    information.truncate(8 * psdu_octets);
    payload_scrambler(scrambler_seed).apply(&mut information);
    Ok(Decoded { psdu: bits_to_octets(&information), ..decoder.count })
}

/// Decodes codewords one by one and counts.
struct WordDecoder {
    decoder: Decoder,
    payload_bits: usize,
    is_repeated: bool,
    /// Combined soft values of a repeated codeword.
    combined: Vec<f32>,
    count: Decoded,
}

impl WordDecoder {
    fn new(mcs: Mcs) -> Self {
        Self {
            decoder: Decoder::new(mcs.code_rate()),
            payload_bits: mcs.payload_bits_per_codeword(),
            is_repeated: mcs.repetition() == 2,
            combined: Vec::new(),
            count: Decoded {
                psdu: Vec::new(),
                codewords: 0,
                codewords_failed: 0,
                iterations: 0,
                raw_bits: 0,
                raw_bit_errors: 0,
            },
        }
    }

    /// Appends the information bits of `word` to `information`.
    fn decode(&mut self, word: &[f32], information: &mut Vec<u8>) {
        let outcome = if self.is_repeated {
            combine_repeated(word, &mut self.combined);
            self.decoder.decode(&self.combined)
        } else {
            self.decoder.decode(word)
        };
        information.extend(self.decoder.bits(self.payload_bits));
        self.count.codewords += 1;
        self.count.iterations += outcome.iterations;
        if outcome.converged {
            self.count.raw_bits += word.len();
            self.count.raw_bit_errors += self.raw_errors(word);
        } else {
            self.count.codewords_failed += 1;
        }
    }

    /// Bits of `word` that were on the wrong side, the decoded codeword taken as true.
    fn raw_errors(&self, word: &[f32]) -> usize {
        let mut sent: Vec<u8> = self.decoder.sent_bits().collect();
        if self.is_repeated {
            repeat_information(&mut sent);
        }
        // A value that says nothing is a wrong decision half of the time; it counts as a 0.
        word.iter().zip(sent).filter(|(llr, bit)| u8::from(**llr < 0.0) != *bit).count()
    }
}

/// Adds up both copies of the information bits of MCS 1; the codeword proper has zeros where the
/// second copy was sent.
fn combine_repeated(word: &[f32], combined: &mut Vec<f32>) {
    combined.clear();
    combined.extend_from_slice(word);
    let quarter = CodeRate::Half.information_bits() / 2;
    let (first, rest) = combined.split_at_mut(quarter);
    for ((soft, repeated), scrambling) in first.iter_mut().zip(rest).zip(Scrambler::all_ones()) {
        *soft += if scrambling == 1 { -*repeated } else { *repeated };
        *repeated = KNOWN_ZERO;
    }
}

#[cfg(test)]
mod tests;
