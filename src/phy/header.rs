//! The header of a DMG single-carrier frame: fields, check sequence, encoding and decoding.
//!
//! IEEE 802.11ad-2012 clause 21.6.3.1 with Table 21-17 (20.6.3.1 and Table 20-17 in IEEE
//! 802.11-2016). Works on bits and soft bits; symbols, guards and the sign of the second header
//! block's symbols belong to the frame.

use super::bits::{number_from_bits, number_to_bits};
use super::ldpc::{CODEWORD_BITS, CodeRate, Decoder, KNOWN_ZERO, encode as encode_codeword};
use super::mcs::Mcs;
use super::payload::{PSDU_OCTETS_MAX, PayloadSizes};
use super::scrambler::Scrambler;

/// Bits of the header before encoding.
pub const HEADER_BITS: usize = 64;
/// Coded bits of one header block, BPSK symbols of one block.
pub const HEADER_CODED_BITS: usize = 448;
/// Bits of each of the two shortened copies of the codeword.
const COPY_BITS: usize = HEADER_CODED_BITS / 2;
/// Bits that the check sequence covers; it follows them.
const CHECKED_BITS: usize = 48;
/// Leading bits that are not scrambled: the scrambler's own start.
const CLEAR_BITS: usize = 7;
/// Information bits of the header's codeword.
const INFORMATION_BITS: usize = CodeRate::ThreeQuarters.information_bits();

/// Fields of the header. Those of beam refinement and of later frames are carried, not acted upon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Start of the scrambler, 1 to 127, X1 in the least significant bit.
    pub scrambler_seed: u8,
    /// MCS field, 5 bits; see [`Self::mcs`].
    pub base_mcs: u8,
    /// Length field, 18 bits; see [`Self::psdu_octets`].
    pub length: u32,
    /// Another frame follows without a gap.
    pub additional_ppdu: bool,
    /// Kind of beam refinement packet.
    pub packet_type: bool,
    /// Training Length, 5 bits; 0 means no training field.
    pub training_length: u8,
    /// The payload is an aggregate.
    pub aggregation: bool,
    /// Beam Tracking Request.
    pub beam_tracking_request: bool,
    /// Last RSSI, 4 bits.
    pub last_rssi: u8,
    /// Turnaround (SIFS Response in later editions).
    pub turnaround: bool,
    /// Extended SC MCS Indication.
    pub extended_mcs: bool,
}

/// A header that no frame can have.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HeaderError {
    /// The PSDU is empty or too long.
    #[error("a PSDU has 1 to {PSDU_OCTETS_MAX} octets, not {0}")]
    Length(usize),
    /// The Length field cannot say how long the PSDU is.
    #[error("the header of MCS {mcs} cannot express a PSDU of {octets} octets")]
    Inexpressible {
        /// The scheme.
        mcs: Mcs,
        /// The PSDU's length.
        octets: usize,
    },
    /// The scrambler would stand still.
    #[error("the scrambler starts from 1 to 127, not {0}")]
    Seed(u8),
}

impl Header {
    /// The header of a frame with `psdu_octets` and all other fields zero.
    pub fn new(mcs: Mcs, psdu_octets: usize, scrambler_seed: u8) -> Result<Self, HeaderError> {
        if psdu_octets == 0 || psdu_octets > PSDU_OCTETS_MAX {
            return Err(HeaderError::Length(psdu_octets));
        }
        if scrambler_seed == 0 || scrambler_seed > 0x7F {
            return Err(HeaderError::Seed(scrambler_seed));
        }
        let length = length_field(mcs, psdu_octets)
            .ok_or(HeaderError::Inexpressible { mcs, octets: psdu_octets })?;
        Ok(Self {
            scrambler_seed,
            base_mcs: mcs.base_field(),
            length,
            additional_ppdu: false,
            packet_type: false,
            training_length: 0,
            aggregation: false,
            beam_tracking_request: false,
            last_rssi: 0,
            turnaround: false,
            extended_mcs: mcs.is_extended(),
        })
    }

    /// The scheme of the payload, `None` for a combination that is not defined.
    pub fn mcs(&self) -> Option<Mcs> {
        Mcs::from_header(self.base_mcs, self.extended_mcs)
    }

    /// Octets of the PSDU, `None` when the header contradicts itself.
    ///
    /// An extended MCS states the length in steps of 4 octets: this is then the largest length that
    /// the header can mean, and the true one may be up to 3 octets less.
    pub fn psdu_octets(&self) -> Option<usize> {
        let mcs = self.mcs()?;
        let length = self.length as usize;
        let (octets, shorter) =
            if mcs.is_extended() { (extended_octets(mcs, length)?, 3) } else { (length, 0) };
        // The step of 4 octets may reach beyond the longest PSDU, which is then what is meant.
        let most = octets.min(PSDU_OCTETS_MAX);
        (most > 0 && octets - most <= shorter).then_some(most)
    }

    /// The 64 header bits in time order, before scrambling.
    pub fn bits(&self) -> [u8; HEADER_BITS] {
        let mut bits = [0; HEADER_BITS];
        number_to_bits(u64::from(self.scrambler_seed), &mut bits[..CLEAR_BITS]);
        number_to_bits(u64::from(self.base_mcs), &mut bits[7..12]);
        number_to_bits(u64::from(self.length), &mut bits[12..30]);
        bits[30] = u8::from(self.additional_ppdu);
        bits[31] = u8::from(self.packet_type);
        number_to_bits(u64::from(self.training_length), &mut bits[32..37]);
        bits[37] = u8::from(self.aggregation);
        bits[38] = u8::from(self.beam_tracking_request);
        number_to_bits(u64::from(self.last_rssi), &mut bits[39..43]);
        bits[43] = u8::from(self.turnaround);
        bits[44] = u8::from(self.extended_mcs);
        let check = check_sequence(&bits[..CHECKED_BITS]);
        for (position, bit) in bits[CHECKED_BITS..].iter_mut().enumerate() {
            *bit = (check >> (15 - position) & 1) as u8;
        }
        bits
    }

    /// Reads header bits that have been descrambled. `None` when the check sequence does not fit
    /// or the scrambler's start is zero.
    pub fn from_bits(bits: &[u8; HEADER_BITS]) -> Option<Self> {
        let sent = bits[CHECKED_BITS..].iter().fold(0, |sum, bit| sum << 1 | u16::from(bit & 1));
        let scrambler_seed = number_from_bits(&bits[..CLEAR_BITS]) as u8;
        if sent != check_sequence(&bits[..CHECKED_BITS]) || scrambler_seed == 0 {
            return None;
        }
        Some(Self {
            scrambler_seed,
            base_mcs: number_from_bits(&bits[7..12]) as u8,
            length: number_from_bits(&bits[12..30]) as u32,
            additional_ppdu: bits[30] == 1,
            packet_type: bits[31] == 1,
            training_length: number_from_bits(&bits[32..37]) as u8,
            aggregation: bits[37] == 1,
            beam_tracking_request: bits[38] == 1,
            last_rssi: number_from_bits(&bits[39..43]) as u8,
            turnaround: bits[43] == 1,
            extended_mcs: bits[44] == 1,
        })
    }

    /// The scrambler as it stands after this header, where the payload goes on.
    pub fn payload_scrambler(&self) -> Scrambler {
        payload_scrambler(self.scrambler_seed)
    }

    /// The coded bits of a header block; both blocks carry them, the second with inverted symbols.
    pub fn encode(&self) -> [u8; HEADER_CODED_BITS] {
        let mut bits = self.bits();
        Scrambler::new(self.scrambler_seed).apply(&mut bits[CLEAR_BITS..]);
        let mut codeword = Vec::new();
        encode_codeword(CodeRate::ThreeQuarters, &bits, &mut codeword);
        let mut coded = [0; HEADER_CODED_BITS];
        let (first, second) = coded.split_at_mut(COPY_BITS);
        for (copy, positions) in [first, second].into_iter().zip([first_copy, second_copy]) {
            for (n, bit) in copy.iter_mut().enumerate() {
                *bit = codeword[positions(n)];
            }
        }
        Scrambler::all_ones().apply(&mut coded[COPY_BITS..]);
        coded
    }
}

/// Decodes a header from the soft values of both header blocks.
///
/// Each slice holds the 448 log-likelihood ratios of a block's BPSK symbols as demapped (positive
/// means 0); the second block's are those of its inverted symbols as they were received. The four
/// copies of the header's bits are added up, the codeword is decoded, and its check sequence must
/// fit. `None` when no header can be made out.
pub fn decode(
    first_block: &[f32; HEADER_CODED_BITS],
    second_block: &[f32; HEADER_CODED_BITS],
) -> Option<Header> {
    let mut decoder = Decoder::new(CodeRate::ThreeQuarters);
    if !decoder.decode(&combined(first_block, second_block)).converged {
        return None;
    }
    let mut bits = [0; HEADER_BITS];
    for (bit, decided) in bits.iter_mut().zip(decoder.bits(HEADER_BITS)) {
        *bit = decided;
    }
    let seed = number_from_bits(&bits[..CLEAR_BITS]) as u8;
    Scrambler::new(seed).apply(&mut bits[CLEAR_BITS..]);
    Header::from_bits(&bits)
}

/// Soft values of the header's codeword: the sum of what all copies say, the padding known.
fn combined(
    first_block: &[f32; HEADER_CODED_BITS],
    second_block: &[f32; HEADER_CODED_BITS],
) -> [f32; CODEWORD_BITS] {
    let mut codeword = [0.0; CODEWORD_BITS];
    codeword[HEADER_BITS..INFORMATION_BITS].fill(KNOWN_ZERO);
    let mut scrambling = Scrambler::all_ones();
    for (n, (first, second)) in first_block.iter().zip(second_block).enumerate() {
        let soft = first - second;
        if n < COPY_BITS {
            codeword[first_copy(n)] += soft;
        } else {
            let inverted = scrambling.next() == Some(1);
            codeword[second_copy(n - COPY_BITS)] += if inverted { -soft } else { soft };
        }
    }
    codeword
}

/// Position in the codeword of bit `n` of the first copy: the header, then all parity bits but the
/// last eight.
const fn first_copy(n: usize) -> usize {
    if n < HEADER_BITS { n } else { INFORMATION_BITS + n - HEADER_BITS }
}

/// Position in the codeword of bit `n` of the second copy: it leaves out the parity bits 153 to
/// 160 (counted from 1) instead.
const fn second_copy(n: usize) -> usize {
    let position = first_copy(n);
    if n < COPY_BITS - 8 { position } else { position + 8 }
}

/// The scrambler after the header of a frame whose scrambler started from `seed`: the payload's.
pub fn payload_scrambler(seed: u8) -> Scrambler {
    let mut scrambler = Scrambler::new(seed);
    scrambler.by_ref().take(HEADER_BITS - CLEAR_BITS).for_each(drop);
    scrambler
}

/// The header check sequence: CRC with x^16 + x^12 + x^5 + 1, preset to ones, complemented.
fn check_sequence(bits: &[u8]) -> u16 {
    let register = bits.iter().fold(u16::MAX, |register, bit| {
        let feedback = (register >> 15) ^ u16::from(bit & 1);
        (register << 1) ^ if feedback == 1 { 0x1021 } else { 0 }
    });
    !register
}

/// Value of the Length field, `None` where an extended MCS has none.
fn length_field(mcs: Mcs, octets: usize) -> Option<u32> {
    if !mcs.is_extended() {
        return u32::try_from(octets).ok();
    }
    let (base, extended) = base_lengths(mcs, PayloadSizes::new(mcs, octets).blocks)?;
    let length = base.checked_sub(extended.checked_sub(octets)? / 4)?;
    if length == 0 || length > PSDU_OCTETS_MAX {
        return None;
    }
    u32::try_from(length).ok()
}

/// Largest PSDU in octets that a Length field of an extended MCS can mean.
fn extended_octets(mcs: Mcs, length: usize) -> Option<usize> {
    let base_mcs = Mcs::from_header(mcs.base_field(), false)?;
    let (base, extended) = base_lengths(mcs, PayloadSizes::new(base_mcs, length).blocks)?;
    extended.checked_sub(4 * base.checked_sub(length)?)
}

/// Base_Length1 and Base_Length2 of IEEE 802.11-2016 clause 20.6.3.1: the largest PSDU that fills
/// `blocks` with the base MCS and with the extended MCS.
fn base_lengths(mcs: Mcs, blocks: usize) -> Option<(usize, usize)> {
    let base_mcs = Mcs::from_header(mcs.base_field(), false)?;
    Some((octets_in_blocks(base_mcs, blocks), octets_in_blocks(mcs, blocks)))
}

/// Octets that fit into the whole codewords of `blocks`.
fn octets_in_blocks(mcs: Mcs, blocks: usize) -> usize {
    let codewords = blocks * mcs.coded_bits_per_block() / mcs.code_rate().codeword_bits();
    codewords * mcs.payload_bits_per_codeword() / 8
}

#[cfg(test)]
mod tests;
