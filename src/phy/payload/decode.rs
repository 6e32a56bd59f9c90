//! From soft bits to the PSDU, many codewords at a time.

use super::super::header::{Header, payload_scrambler};
use super::super::lanes::widest;
use super::super::ldpc::{BatchDecoder, CODEWORD_BITS, CodeRate, Decision, KNOWN_ZERO, Outcome};
use super::super::mcs::Mcs;
use super::super::scrambler::Scrambler;
use super::super::workers::{Workers, on_chunks};
use super::{PSDU_OCTETS_MAX, PayloadError, PayloadSizes, repeat_information};

/// Codewords that one worker decodes in one go. A multiple of 8, so that each part fills whole
/// octets, and of the decoder's batches.
const PART_WORDS: usize = 512;
/// Codewords between decoding and counting.
const GROUP_WORDS: usize = 64;
/// After so many bits the scrambler repeats.
const SCRAMBLER_PERIOD: usize = 127;

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
pub fn decode_announced(
    header: &Header,
    llrs: &[f32],
    workers: &dyn Workers,
) -> Result<Decoded, PayloadError> {
    let (Some(mcs), Some(octets)) = (header.mcs(), header.psdu_octets()) else {
        let Header { base_mcs, length, .. } = *header;
        return Err(PayloadError::Announcement { base_mcs, length });
    };
    let mut words = Words::decode(mcs, octets, header.scrambler_seed, llrs, workers)?;
    let fewer = words.counts.len() - 1;
    let shorter = fewer * mcs.payload_bits_per_codeword() / 8;
    let may_be_shorter = mcs.is_extended() && shorter > 0 && shorter + 3 >= octets;
    if may_be_shorter && words.counts.last().is_some_and(|last| !last.outcome.converged) {
        words.counts.truncate(fewer);
        words.psdu.truncate(shorter);
    }
    Ok(words.decoded(mcs))
}

/// Decodes a PSDU of `psdu_octets` from the log-likelihood ratios of the data symbols' bits in
/// time order (positive means 0). Those of the block padding may be missing.
pub fn decode(
    mcs: Mcs,
    psdu_octets: usize,
    scrambler_seed: u8,
    llrs: &[f32],
    workers: &dyn Workers,
) -> Result<Decoded, PayloadError> {
    Ok(Words::decode(mcs, psdu_octets, scrambler_seed, llrs, workers)?.decoded(mcs))
}

/// What is known of one codeword after decoding.
#[derive(Clone, Copy, Debug, Default)]
struct WordCount {
    outcome: Outcome,
    /// Soft values on the wrong side, the decoded codeword taken as true.
    raw_bit_errors: usize,
}

/// All codewords of a payload.
struct Words {
    psdu: Vec<u8>,
    counts: Vec<WordCount>,
}

/// Codewords that are decoded together, and where their results belong.
struct Part<'a> {
    llrs: &'a [f32],
    octets: &'a mut [u8],
    counts: &'a mut [WordCount],
}

impl Words {
    fn decode(
        mcs: Mcs,
        psdu_octets: usize,
        scrambler_seed: u8,
        llrs: &[f32],
        workers: &dyn Workers,
    ) -> Result<Self, PayloadError> {
        if psdu_octets == 0 || psdu_octets > PSDU_OCTETS_MAX {
            return Err(PayloadError::Length(psdu_octets));
        }
        let codewords = PayloadSizes::new(mcs, psdu_octets).codewords;
        let word_bits = mcs.code_rate().codeword_bits();
        let needed = codewords * word_bits;
        let llrs =
            llrs.get(..needed).ok_or(PayloadError::TooFewBits { needed, given: llrs.len() })?;
        let mut psdu = vec![0; psdu_octets];
        let mut counts = vec![WordCount::default(); codewords];
        let part_octets = PART_WORDS * mcs.payload_bits_per_codeword() / 8;
        let mut parts: Vec<_> = llrs
            .chunks(PART_WORDS * word_bits)
            .zip(psdu.chunks_mut(part_octets))
            .zip(counts.chunks_mut(PART_WORDS))
            .map(|((llrs, octets), counts)| Part { llrs, octets, counts })
            .collect();
        let scrambling = Scrambling::new(scrambler_seed);
        on_chunks(workers, &mut parts, 1, |n, parts| {
            for part in parts {
                part.decode(mcs);
                scrambling.apply(n * part_octets, part.octets);
            }
        });
        Ok(Self { psdu, counts })
    }

    fn decoded(self, mcs: Mcs) -> Decoded {
        let converged = self.counts.iter().filter(|word| word.outcome.converged);
        let (codewords, found) = (self.counts.len(), converged.clone().count());
        Decoded {
            codewords,
            codewords_failed: codewords - found,
            iterations: self.counts.iter().map(|word| word.outcome.iterations).sum(),
            raw_bits: found * mcs.code_rate().codeword_bits(),
            raw_bit_errors: converged.map(|word| word.raw_bit_errors).sum(),
            psdu: self.psdu,
        }
    }
}

impl Part<'_> {
    /// Decodes the words; the octets stay scrambled.
    fn decode(&mut self, mcs: Mcs) {
        let (rate, payload_bits) = (mcs.code_rate(), mcs.payload_bits_per_codeword());
        let is_repeated = mcs.repetition() == 2;
        let mut decoder = BatchDecoder::new(rate);
        let mut decisions = vec![Decision::default(); GROUP_WORDS.min(self.counts.len())];
        let mut information = vec![0; decisions.len() * payload_bits];
        let mut combined = Vec::new();
        let groups = self
            .llrs
            .chunks(GROUP_WORDS * rate.codeword_bits())
            .zip(self.counts.chunks_mut(GROUP_WORDS))
            .zip(self.octets.chunks_mut(GROUP_WORDS * payload_bits / 8));
        for ((llrs, counts), octets) in groups {
            let decisions = &mut decisions[..counts.len()];
            let words = if is_repeated {
                combine_repeated(llrs, &mut combined);
                &combined
            } else {
                llrs
            };
            decoder.decode(words, decisions);
            let sent = llrs.chunks_exact(rate.codeword_bits());
            for ((count, decision), llrs) in counts.iter_mut().zip(&*decisions).zip(sent) {
                let raw_bit_errors = raw_bit_errors(rate, is_repeated, llrs, decision);
                *count = WordCount { outcome: decision.outcome, raw_bit_errors };
            }
            for (out, decision) in information.chunks_exact_mut(payload_bits).zip(&*decisions) {
                out.copy_from_slice(&decision.bits()[..payload_bits]);
            }
            pack(&information, octets);
        }
    }
}

/// Bits of a word as received that were on the wrong side, the decoded codeword taken as true. A value
/// that says nothing is a wrong decision half of the time; it counts as a 0.
fn raw_bit_errors(rate: CodeRate, is_repeated: bool, llrs: &[f32], decision: &Decision) -> usize {
    let mut bits = *decision.bits();
    if is_repeated {
        repeat_information(&mut bits);
    }
    let (information, parity) = llrs.split_at(rate.information_bits());
    let parity_bits = &bits[CODEWORD_BITS - parity.len()..];
    widest(|| (wrong(information, &bits) + wrong(parity, parity_bits)) as usize)
}

/// Values that do not have the sign of their bit.
#[inline(always)]
fn wrong(llrs: &[f32], bits: &[u8]) -> u32 {
    llrs.iter().zip(bits).map(|(llr, bit)| u32::from(u8::from(*llr < 0.0) ^ bit)).sum()
}

/// Packs bits into octets, least significant first.
fn pack(bits: &[u8], octets: &mut [u8]) {
    // Each product moves the lowest bit of octet k to bit 56 + k; no two meet.
    const GATHER: u64 = 0x0102_0408_1020_4080;
    for (octet, bits) in octets.iter_mut().zip(bits.as_chunks::<8>().0) {
        *octet = (u64::from_le_bytes(*bits).wrapping_mul(GATHER) >> 56) as u8;
    }
}

/// Adds up both copies of the information bits of each word of MCS 1; the codeword proper has zeros
/// where the second copy was sent.
fn combine_repeated(words: &[f32], combined: &mut Vec<f32>) {
    combined.clear();
    combined.extend_from_slice(words);
    let quarter = CodeRate::Half.information_bits() / 2;
    for word in combined.chunks_mut(CodeRate::Half.codeword_bits()) {
        let (first, rest) = word.split_at_mut(quarter);
        for ((soft, repeated), scrambling) in first.iter_mut().zip(rest).zip(Scrambler::all_ones())
        {
            *soft += if scrambling == 1 { -*repeated } else { *repeated };
            *repeated = KNOWN_ZERO;
        }
    }
}

/// The payload's scrambling sequence as octets that start at each of its bits.
struct Scrambling([u8; SCRAMBLER_PERIOD]);

impl Scrambling {
    fn new(seed: u8) -> Self {
        let bits: Vec<u8> = payload_scrambler(seed).take(SCRAMBLER_PERIOD + 7).collect();
        Self(std::array::from_fn(|from| {
            bits[from..from + 8].iter().rev().fold(0, |octet, bit| octet << 1 | bit)
        }))
    }

    /// Descrambles the octets from number `first` on.
    fn apply(&self, first: usize, octets: &mut [u8]) {
        let mut from = 8 * first % SCRAMBLER_PERIOD;
        for octet in octets {
            *octet ^= self.0[from];
            from = if from + 8 < SCRAMBLER_PERIOD { from + 8 } else { from + 8 - SCRAMBLER_PERIOD };
        }
    }
}
