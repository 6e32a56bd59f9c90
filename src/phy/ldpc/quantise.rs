//! Soft values of one word as small integers.

use super::rule::CHANNEL_MAX;
use super::{CODEWORD_BITS, CodeRate};

/// Soft value of a bit that is known to be zero. Magnitudes from here on are certainties.
pub(crate) const KNOWN_ZERO: f32 = 1e8;
/// Soft value of a certain bit in steps.
const CERTAIN: i8 = i8::MAX;
/// Values that are worked on together: a vector of bytes.
const CHUNK: usize = 32;
/// Positions of a row: those of a word rounded up to whole tiles of the transposition.
pub(super) const ROW: usize = CODEWORD_BITS.next_multiple_of(64);

/// Typical magnitude in steps of the soft values of a word of which so many bits are certain.
///
/// Near the least SNR at which a code works, the log-likelihood ratios are the larger the higher its
/// rate; this makes a step about 0.4 of theirs there, whatever their given scale. Fitted to own
/// measurement, 20,000 words for each rate with BPSK and 4000 with 64-QAM, header and MCS 1 apart: the
/// best values are 6, 9, 12.5, 16.5 and 22 for the five rates, and 5 for both.
#[inline(always)]
fn typical(rate: CodeRate, certain: usize) -> f32 {
    let information = rate.information_bits().saturating_sub(certain) as f32;
    let sent = rate.codeword_bits().saturating_sub(certain) as f32;
    // The rate of what remains of the code when certain bits are left out.
    let left = information / sent.max(1.0);
    (8.8 * left / (1.0 - left).sqrt()).max(5.0)
}

/// Writes the soft values of a word in the order of the encoded word to `row`; missing ones and those
/// that are not numbers say nothing.
#[inline(always)]
pub(super) fn quantise(rate: CodeRate, llrs: &[f32], row: &mut [i8; ROW]) {
    let llrs = &llrs[..llrs.len().min(rate.codeword_bits())];
    let (scale, is_plain) = scale(rate, llrs);
    row.fill(0);
    if is_plain {
        quantise_run::<true>(scale, llrs, row);
    } else {
        quantise_run::<false>(scale, llrs, row);
    }
    let left_out = CODEWORD_BITS - rate.codeword_bits();
    if left_out > 0 {
        let parity = rate.information_bits();
        row.copy_within(parity..rate.codeword_bits(), parity + left_out);
        row[parity..parity + left_out].fill(0);
    }
}

/// `IS_PLAIN`: no value is certain or not a number, none becomes so when scaled.
#[inline(always)]
fn quantise_run<const IS_PLAIN: bool>(scale: f32, llrs: &[f32], row: &mut [i8; ROW]) {
    let (chunks, rest) = llrs.as_chunks::<CHUNK>();
    let (rows, _) = row.as_chunks_mut::<CHUNK>();
    for (out, llrs) in rows.iter_mut().zip(chunks) {
        quantise_chunk::<IS_PLAIN>(scale, llrs, out);
    }
    if let Some(out) = rows.get_mut(chunks.len()) {
        let mut llrs = [0.0; CHUNK];
        llrs.iter_mut().zip(rest).for_each(|(llr, rest)| *llr = *rest);
        quantise_chunk::<IS_PLAIN>(scale, &llrs, out);
    }
}

#[inline(always)]
fn quantise_chunk<const IS_PLAIN: bool>(scale: f32, llrs: &[f32; CHUNK], out: &mut [i8; CHUNK]) {
    if IS_PLAIN {
        // Adds zero, so that the limit is no constant: of a constant the compiler would make a choice
        // among bytes, which takes longer than the least of floats.
        let limit = f32::from(CHANNEL_MAX) + 0.0 * scale;
        out.iter_mut().zip(llrs).for_each(|(out, llr)| *out = rounded(llr * scale, limit));
        return;
    }
    for (out, llr) in out.iter_mut().zip(llrs) {
        let limit = if llr.abs() >= KNOWN_ZERO { CERTAIN } else { CHANNEL_MAX };
        let value = llr * scale;
        let value = if value.is_nan() { 0.0 } else { value };
        *out = rounded(value, f32::from(limit));
    }
}

/// The nearest integer within the limits.
#[inline(always)]
fn rounded(value: f32, limit: f32) -> i8 {
    // At this size the last place of an f32 is worth 1: the sum's lowest bits are the integer.
    const ONES: f32 = 12_582_912.0;
    let value = if value > limit { limit } else { value };
    let value = if value < -limit { -limit } else { value };
    (value + ONES).to_bits() as i8
}

/// The factor that brings the geometric mean of the magnitudes to the typical one; certainties and
/// missing values do not count. Also whether no value is certain or not a number, scaled or not.
///
/// The geometric mean stands for the uncertain values, which matter, more than for the largest.
/// Logarithms are taken from the number format: the exponent, and linear between powers of two.
#[inline(always)]
fn scale(rate: CodeRate, llrs: &[f32]) -> (f32, bool) {
    // The lowest bits are dropped so that the sum of a word's logarithms fits.
    const DROPPED: u32 = 10;
    let (mut sum, mut zeros, mut large, mut not_numbers) = (0_u32, 0_u32, 0_u32, 0_u32);
    for llr in llrs {
        let magnitude = llr.abs();
        let is_small = magnitude < KNOWN_ZERO;
        sum += if is_small { magnitude.to_bits() >> DROPPED } else { 0 };
        zeros += u32::from(magnitude == 0.0);
        large += u32::from(!is_small);
        not_numbers += u32::from(magnitude.is_nan());
    }
    let count = llrs.len() as u32 - zeros - large;
    let mean = f32::from_bits((sum / count.max(1)) << DROPPED);
    let certain = large - not_numbers;
    let scale = if count == 0 { 1.0 } else { typical(rate, certain as usize) / mean };
    (scale, large == 0 && scale.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quantised(rate: CodeRate, llrs: &[f32]) -> [i8; ROW] {
        let mut row = [99; ROW];
        quantise(rate, llrs, &mut row);
        row
    }

    /// Equal magnitudes become the typical one, whatever their size.
    #[test]
    fn the_typical_magnitude_is_the_same_at_any_scale() {
        for rate in CodeRate::ALL {
            for scale in [1e-30, 1e-3, 1.0, 1e7] {
                let row = quantised(rate, &vec![-scale; rate.codeword_bits()]);
                let expected = -typical(rate, 0).round() as i8;
                // The logarithm has 13 bits behind the point and the typical value may be a half.
                assert!(rate.sent_positions().all(|n| (row[n] - expected).abs() <= 1), "{rate}");
            }
        }
    }

    #[test]
    fn extreme_values_have_their_meaning() {
        let row = quantised(
            CodeRate::Half,
            &[1.0, -1.0, f32::NAN, -0.0, f32::INFINITY, -KNOWN_ZERO, 9e7],
        );
        assert_eq!(row[2..7], [0, 0, 127, -127, 23]);
        assert_eq!(row[0], -row[1]);
        assert!(row[7..].iter().all(|value| *value == 0), "missing values say nothing");
        let certain = quantised(CodeRate::Half, &[f32::MAX; 700]);
        assert!(certain[..672].iter().all(|value| *value == 127));
        let tiny = quantised(CodeRate::Half, &[f32::from_bits(1); 672]);
        assert!(tiny[..672].iter().all(|value| *value > 0));
    }

    #[test]
    fn bits_that_are_not_sent_say_nothing() {
        let row = quantised(CodeRate::SevenEighths, &[1.0; 624]);
        let silent: Vec<usize> = (0..672).filter(|n| row[*n] == 0).collect();
        assert_eq!(silent, (546..594).collect::<Vec<_>>());
    }

    #[test]
    fn rounding_is_to_the_nearest() {
        for (value, expected) in
            [(0.4, 0), (0.6, 1), (-0.6, -1), (22.4, 22), (22.6, 23), (1e30, 23), (-1e30, -23)]
        {
            assert_eq!(rounded(value, 23.0), expected, "{value}");
        }
    }
}
