//! Pseudo-random binary test sequences of ITU-T O.150.
//!
//! Polynomials and inversion are from memory of ITU-T O.150 clause 5 and O.151 to O.153; the order
//! 7 (x^7 + x^6 + 1) is common practice and not in O.150. The tests prove the periods and the
//! longest runs that O.150 states.

use std::fmt;
use std::str::FromStr;

/// Which sequence: the number of stages of its shift register.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PrbsOrder {
    /// 2^7 - 1 bits, x^7 + x^6 + 1.
    Order7,
    /// 2^9 - 1 bits, x^9 + x^5 + 1.
    Order9,
    /// 2^11 - 1 bits, x^11 + x^9 + 1.
    Order11,
    /// 2^15 - 1 bits, x^15 + x^14 + 1, sent inverted.
    Order15,
    /// 2^23 - 1 bits, x^23 + x^18 + 1, sent inverted.
    Order23,
    /// 2^31 - 1 bits, x^31 + x^28 + 1, sent inverted.
    Order31,
}

/// A text that names no sequence.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "there is no sequence 'prbs{0}'; there are prbs7, prbs9, prbs11, prbs15, prbs23 and prbs31"
)]
pub struct UnknownPrbs(pub String);

impl PrbsOrder {
    /// All orders in rising length.
    pub const ALL: [Self; 6] =
        [Self::Order7, Self::Order9, Self::Order11, Self::Order15, Self::Order23, Self::Order31];

    /// Stages of the shift register.
    pub const fn stages(self) -> u32 {
        self.taps().0
    }

    /// Whether the sequence is sent inverted.
    pub const fn is_inverted(self) -> bool {
        matches!(self, Self::Order15 | Self::Order23 | Self::Order31)
    }

    /// Length of the sequence in bits before it repeats.
    pub const fn period_bits(self) -> u64 {
        (1 << self.stages()) - 1
    }

    /// The two powers of x in the polynomial, higher first.
    const fn taps(self) -> (u32, u32) {
        match self {
            Self::Order7 => (7, 6),
            Self::Order9 => (9, 5),
            Self::Order11 => (11, 9),
            Self::Order15 => (15, 14),
            Self::Order23 => (23, 18),
            Self::Order31 => (31, 28),
        }
    }
}

impl fmt::Display for PrbsOrder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "prbs{}", self.stages())
    }
}

impl FromStr for PrbsOrder {
    type Err = UnknownPrbs;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let number = text.strip_prefix("prbs").unwrap_or(text);
        Self::ALL
            .into_iter()
            .find(|order| order.stages().to_string() == number)
            .ok_or_else(|| UnknownPrbs(number.to_owned()))
    }
}

/// A running test sequence: an endless iterator over bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Prbs {
    order: PrbsOrder,
    /// Bit `k` holds the bit that left the feedback `k + 1` steps ago, before inversion.
    register: u32,
}

impl Prbs {
    /// Starts from the lowest bits of `seed`. `None` when they are all zero, because the sequence
    /// would stand still.
    pub const fn new(order: PrbsOrder, seed: u32) -> Option<Self> {
        let register = seed & ((1 << order.stages()) - 1);
        if register == 0 { None } else { Some(Self { order, register }) }
    }
}

impl Iterator for Prbs {
    type Item = u8;

    fn next(&mut self) -> Option<u8> {
        let (high, low) = self.order.taps();
        let bit = (self.register >> (high - 1) ^ self.register >> (low - 1)) & 1;
        self.register = (self.register << 1 | bit) & ((1 << high) - 1);
        Some((bit as u8) ^ u8::from(self.order.is_inverted()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_sequence(order: PrbsOrder) {
        let start = Prbs::new(order, 1).expect("the seed is not zero");
        let mut prbs = start;
        let (mut ones, mut run_of_zeros, mut longest, mut length) = (0_u64, 0_u32, 0_u32, 0_u64);
        loop {
            let bit = prbs.next().expect("endless");
            length += 1;
            ones += u64::from(bit);
            run_of_zeros = if bit == 0 { run_of_zeros + 1 } else { 0 };
            longest = longest.max(run_of_zeros);
            if prbs == start {
                break;
            }
        }
        assert_eq!(length, order.period_bits(), "{order}");
        // The longest run of zeros: n - 1 as generated, n where the signal is inverted (O.150
        // states 8, 10, 15 and 23 zeros for the orders 9, 11, 15 and 23; from memory).
        let inverted = order.is_inverted();
        assert_eq!(longest, order.stages() - u32::from(!inverted), "{order}");
        let half = 1 << (order.stages() - 1);
        assert_eq!(ones, half - u64::from(inverted), "{order}");
    }

    #[test]
    fn sequences_have_full_period_and_the_stated_runs() {
        for order in PrbsOrder::ALL.into_iter().take(5) {
            check_sequence(order);
        }
    }

    /// 2^31 - 1 is prime, so x^(2^31) = x modulo the polynomial proves the full period without
    /// running through it.
    #[test]
    fn order_31_has_full_period() {
        let polynomial = 1_u64 << 31 | 1 << 28 | 1;
        let mut power = 0b10_u64;
        for _ in 0..31 {
            power = square_modulo(power, polynomial);
        }
        assert_eq!(power, 0b10);
    }

    fn square_modulo(value: u64, polynomial: u64) -> u64 {
        let mut square =
            (0..31).filter(|k| value >> k & 1 == 1).fold(0_u64, |sum, k| sum | 1 << (2 * k));
        for k in (31..=62).rev() {
            if square >> k & 1 == 1 {
                square ^= polynomial << (k - 31);
            }
        }
        square
    }

    /// The feedback in the polynomial's terms, for the order whose period is too long to run.
    #[test]
    fn every_order_obeys_its_polynomial() {
        for order in PrbsOrder::ALL {
            let (high, low) = order.taps();
            let invert = u8::from(order.is_inverted());
            let bits: Vec<u8> =
                Prbs::new(order, 1).expect("not zero").take(500).map(|b| b ^ invert).collect();
            let (high, low) = (high as usize, low as usize);
            assert!((high..500).all(|n| bits[n] == bits[n - high] ^ bits[n - low]), "{order}");
        }
    }

    #[test]
    fn a_register_of_zeros_is_refused() {
        assert_eq!(Prbs::new(PrbsOrder::Order7, 0x80), None);
        assert!(Prbs::new(PrbsOrder::Order7, 0x81).is_some());
    }

    #[test]
    fn names_are_read_back() {
        for order in PrbsOrder::ALL {
            assert_eq!(order.to_string().parse(), Ok(order));
        }
        assert_eq!("prbs10".parse::<PrbsOrder>(), Err(UnknownPrbs("10".to_owned())));
    }
}
