//! The decoder's arithmetic: vectors of small integers, and what a parity check makes of them.
//!
//! Every step works on one lane alone and is exact in integers, so that one word on its own, a
//! batch of words and every vector width give the same bits. Knows nothing of where lanes come from.

/// A vector of `L` soft values or messages side by side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Lanes<const L: usize>(pub(super) [i8; L]);

impl<const L: usize> Lanes<L> {
    pub(super) const ZERO: Self = Self([0; L]);

    /// Adds `other` bit by bit, modulo 2: the sign becomes that of the product.
    #[inline(always)]
    pub(super) fn toggle(&mut self, other: &Self) {
        self.0.iter_mut().zip(&other.0).for_each(|(own, other)| *own ^= other);
    }

    /// Joins the bits: the sign becomes negative where either is.
    #[inline(always)]
    pub(super) fn join(&mut self, other: &Self) {
        self.0.iter_mut().zip(&other.0).for_each(|(own, other)| *own |= other);
    }
}

/// Something that begins with a cache line, so that no vector in it lies across two.
#[derive(Clone, Debug)]
#[repr(align(64))]
pub(super) struct Aligned<T>(pub(super) T);

/// Largest magnitude of a soft value that is not certain. A last parity bit is in one check only,
/// whose message must be able to overrule it, so this is less than [`MESSAGE_MAX`].
pub(super) const CHANNEL_MAX: i8 = 23;
/// Largest magnitude of a check's message. No bit is in more than four checks, so a bit's sum stays
/// within 23 + 4 x 26 = 127 and never saturates unless it is certain from the start.
pub(super) const MESSAGE_MAX: i8 = 26;
/// What a check subtracts from the least magnitude, which overestimates its certainty.
pub(super) const OFFSET: u8 = 1;

/// Repeats a block for the numbers below a constant, without a loop that the compiler might keep.
macro_rules! unrolled {
    ($count:ident, $n:ident, $body:block) => {
        unrolled!(@ $count, $n, $body, 0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15)
    };
    (@ $count:ident, $n:ident, $body:block, $($number:literal)*) => {
        $(if $number < $count {
            const $n: usize = $number;
            $body
        })*
    };
}

/// One check of `D` bits (at most 16) in every lane: replaces its messages, and in `sums` what the
/// old messages contributed by what the new ones contribute.
///
/// The message to a bit has the sign and, less the offset, the least magnitude of all others: the
/// lesser of the least one before it and the least one after it. That takes fewer operations than
/// finding which bit has the least, and none that picks one of two values. With
/// `FIRST` there are no old messages, whatever stands in their place.
#[inline(always)]
#[expect(unused_assignments, reason = "the last step of the unrolled loops leaves values behind")]
pub(super) fn exchange<const L: usize, const D: usize, const FIRST: bool>(
    sums: &mut [Lanes<L>; D],
    messages: &mut [Lanes<L>; D],
) {
    for lane in 0..L {
        let (mut inputs, mut before) = ([0_i8; D], [0_u8; D]);
        let (mut least, mut signs) = (MESSAGE_MAX as u8, 0_i8);
        unrolled!(D, N, {
            let old = if FIRST { 0 } else { messages[N].0[lane] };
            let input = sums[N].0[lane].saturating_sub(old);
            before[N] = least;
            least = least.min(certainty(input));
            signs ^= input;
            inputs[N] = input;
        });
        let mut after = MESSAGE_MAX as u8;
        unrolled!(D, BACK, {
            let n = D - 1 - BACK;
            let input = inputs[n];
            let certain = before[n].min(after) as i8;
            after = after.min(certainty(input));
            let message = if (signs ^ input) < 0 { -certain } else { certain };
            messages[n].0[lane] = message;
            sums[n].0[lane] = input.saturating_add(message);
        });
    }
}

/// What the magnitude of an input is worth to the other bits.
#[inline(always)]
fn certainty(input: i8) -> u8 {
    magnitude(input).saturating_sub(OFFSET)
}

/// The magnitude, in a form that the compiler keeps as one vector instruction.
#[inline(always)]
fn magnitude(value: i8) -> u8 {
    value.max(value.wrapping_neg()) as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::ldpc::{BLOCK_COLUMNS, CodeRate};
    use crate::phy::testing::Noise;

    /// The bounds that the constants' descriptions claim.
    #[test]
    fn sums_cannot_saturate() {
        for rate in CodeRate::ALL {
            let checks = |column: usize| rate.shifts().iter().filter(move |row| row[column] >= 0);
            let most = (0..BLOCK_COLUMNS).map(|column| checks(column).count()).max().unwrap_or(0);
            let bound = usize::from(CHANNEL_MAX.unsigned_abs())
                + most * usize::from(MESSAGE_MAX.unsigned_abs());
            assert!(bound <= 127, "{rate}: {bound}");
        }
    }

    /// Naive reference: the rule in words, in wide integers.
    fn check_exchange<const L: usize, const D: usize, const FIRST: bool>(noise: &mut Noise) {
        let mut lanes = |span: u64| {
            let value = |random: u64| ((random % (2 * span + 1)) as i64 - span as i64) as i8;
            Lanes(std::array::from_fn(|_| value(noise.next_u64())))
        };
        let old_sums: [Lanes<L>; D] = std::array::from_fn(|_| lanes(127));
        let old: [Lanes<L>; D] = std::array::from_fn(|_| lanes(26));
        let (mut sums, mut messages) = (old_sums, old);
        exchange::<L, D, FIRST>(&mut sums, &mut messages);
        for lane in 0..L {
            let input = |n: usize| {
                let old = if FIRST { 0 } else { i32::from(old[n].0[lane]) };
                (i32::from(old_sums[n].0[lane]) - old).clamp(-128, 127)
            };
            for n in 0..D {
                let others = || (0..D).filter(move |other| *other != n).map(input);
                let least = others().map(i32::abs).min().unwrap_or(0);
                let negative = others().filter(|input| *input < 0).count() % 2 == 1;
                let certainty = (least - 1).clamp(0, 26);
                let message = if negative { -certainty } else { certainty };
                assert_eq!(i32::from(messages[n].0[lane]), message);
                let sum = (input(n) + message).clamp(-128, 127);
                assert_eq!(i32::from(sums[n].0[lane]), sum);
            }
        }
    }

    #[test]
    fn exchange_follows_the_rule_in_words() {
        let mut noise = Noise::new(26);
        for _ in 0..20 {
            check_exchange::<16, 5, false>(&mut noise);
            check_exchange::<64, 8, true>(&mut noise);
            check_exchange::<32, 14, true>(&mut noise);
            check_exchange::<32, 16, false>(&mut noise);
        }
    }
}
