//! The decoder's arithmetic: soft values as small integers, and what a check makes of them.
//!
//! Every step works on one lane alone and is exact in integers, so that one word on its own, a
//! batch of words and every vector width give the same bits. Knows nothing of where lanes come from.

use super::CodeRate;

/// Values side by side in a vector.
pub(super) const LANES: usize = 64;

/// A vector of soft values or messages.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
pub(super) struct Lanes(pub(super) [i8; LANES]);

impl Lanes {
    pub(super) const ZERO: Self = Self([0; LANES]);
}

/// What differs between the rates, in steps of the soft values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Mean magnitude to which a word's soft values are scaled.
    pub channel_mean: f32,
    /// Largest magnitude of a soft value that is not known for certain.
    pub channel_max: f32,
    /// Largest magnitude of a check's message.
    pub message_max: u8,
    pub factor: u16,
    pub offset: u16,
}

impl Rule {
    /// The rule of `rate`.
    pub const fn of(rate: CodeRate) -> Self {
        let (factor, message_max) = match rate {
            CodeRate::Half | CodeRate::FiveEighths | CodeRate::ThreeQuarters => (13, 24),
            CodeRate::ThirteenSixteenths | CodeRate::SevenEighths => (13, 32),
        };
        Self { channel_mean: 12.0, channel_max: 31.0, message_max, factor, offset: 8 }
    }

    /// The magnitude of a message from the least magnitude of the inputs.
    #[inline(always)]
    const fn damped(self, magnitude: u8) -> u8 {
        let damped = (magnitude as u16 * self.factor + self.offset) >> 4;
        if damped < self.message_max as u16 { damped as u8 } else { self.message_max }
    }
}

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

/// One check of `D` bits in every lane: replaces its messages, and in `sums` what the old messages
/// added by what the new ones add.
#[inline(always)]
pub(super) fn exchange<const D: usize>(
    sums: &mut [Lanes; D],
    messages: &mut [Lanes; D],
    rule: Rule,
) {
    for lane in 0..LANES {
        let mut inputs = [0_i8; D];
        let (mut least, mut second, mut signs) = (u8::MAX, u8::MAX, 0_i8);
        unrolled!(D, N, {
            let input = sums[N].0[lane].saturating_sub(messages[N].0[lane]);
            let magnitude = input.unsigned_abs();
            second = second.min(least.max(magnitude));
            least = least.min(magnitude);
            signs ^= input;
            inputs[N] = input;
        });
        let (from_second, from_least) = (rule.damped(second) as i8, rule.damped(least) as i8);
        unrolled!(D, N, {
            let input = inputs[N];
            let from_others = if input.unsigned_abs() == least { from_second } else { from_least };
            let message = if (signs ^ input) < 0 { -from_others } else { from_others };
            messages[N].0[lane] = message;
            sums[N].0[lane] = input.saturating_add(message);
        });
    }
}
