//! Soft values of one word as small integers.

use super::rule::Rule;
use super::{CODEWORD_BITS, CodeRate};

/// Soft value of a bit that is known to be zero. Magnitudes from here on are certainties.
pub(crate) const KNOWN_ZERO: f32 = 1e8;
/// Soft value of a certain bit in steps.
const CERTAIN: f32 = 127.0;
/// Positions of a row: those of a word rounded up to whole tiles of the transposition.
pub(super) const ROW: usize = CODEWORD_BITS.next_multiple_of(64);

/// Writes the soft values of a word in the order of the encoded word to `row`.
///
/// The scale is such that the mean magnitude, certainties and missing values apart, is the rule's.
#[inline(always)]
pub(super) fn quantise(rate: CodeRate, rule: Rule, llrs: &[f32], row: &mut [i8; ROW]) {
    let scale = scale(rule, llrs);
    let given = llrs.len().min(rate.codeword_bits());
    let (first, rest) = llrs[..given].split_at(given.min(rate.information_bits()));
    let (information, parity) = row.split_at_mut(rate.information_bits());
    let left_out = CODEWORD_BITS - rate.codeword_bits();
    quantise_run(rule, scale, first, information);
    parity[..left_out].fill(0);
    quantise_run(rule, scale, rest, &mut parity[left_out..]);
}

/// Quantises `llrs` and fills up with zeros.
#[inline(always)]
fn quantise_run(rule: Rule, scale: f32, llrs: &[f32], out: &mut [i8]) {
    let (out, missing) = out.split_at_mut(llrs.len());
    for (out, llr) in out.iter_mut().zip(llrs) {
        let limit = if llr.abs() >= KNOWN_ZERO { CERTAIN } else { rule.channel_max };
        *out = rounded(llr * scale, limit);
    }
    missing.fill(0);
}

/// The nearest integer within the limits, 0 for what is not a number.
#[inline(always)]
fn rounded(value: f32, limit: f32) -> i8 {
    let value = if value.is_nan() { 0.0 } else { value };
    let value = if value > limit { limit } else { value };
    let value = if value < -limit { -limit } else { value };
    // At this size the last place of an f32 is worth 1: the sum's lowest bits are the integer.
    const ONES: f32 = 12_582_912.0;
    (value + ONES).to_bits() as i8
}

#[inline(always)]
fn scale(rule: Rule, llrs: &[f32]) -> f32 {
    let (mut sums, mut counts) = ([0.0_f32; 16], [0.0_f32; 16]);
    let mut add = |n: usize, llr: f32| {
        let magnitude = llr.abs();
        // False for what is not a number.
        let counts_in = magnitude > 0.0 && magnitude < KNOWN_ZERO;
        sums[n] += if counts_in { magnitude } else { 0.0 };
        counts[n] += if counts_in { 1.0 } else { 0.0 };
    };
    let (chunks, rest) = llrs.as_chunks::<16>();
    for chunk in chunks {
        for n in 0..16 {
            add(n, chunk[n]);
        }
    }
    for (n, llr) in rest.iter().enumerate() {
        add(n, *llr);
    }
    let (sum, count): (f32, f32) = (sums.iter().sum(), counts.iter().sum());
    if count > 0.0 { rule.channel_mean * count / sum } else { 1.0 }
}
