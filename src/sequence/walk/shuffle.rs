//! A random order of many things that needs no memory for each: a permutation computed place by place.
//!
//! A Feistel network permutes the numbers of an even number of bits, whatever its round function is
//! (M. Luby, C. Rackoff, SIAM J. Comput. 17(2), 1988); numbers beyond the wanted ones are put through
//! it again until one within comes out, which leaves a permutation of the wanted ones (J. Black,
//! P. Rogaway, CT-RSA 2002, "cycle walking"). It is no secret, only an order.

/// Rounds of the network; more than four, as the halves of small sweeps are a bit or two.
const ROUNDS: u64 = 8;

/// A permutation of the numbers below a bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shuffle {
    seed: u64,
    count: u64,
    /// Bits of each half.
    half: u32,
}

impl Shuffle {
    /// A permutation of the numbers below `count`, which is at most 2^62.
    pub(super) fn new(count: u64, seed: u64) -> Self {
        let bits = u64::BITS - count.saturating_sub(1).leading_zeros();
        Shuffle { seed, count, half: bits.div_ceil(2).clamp(1, 31) }
    }

    /// Which of them stands at a place below `count`.
    pub(super) fn at(&self, place: u64) -> u64 {
        let mut number = self.once(place);
        // The network has at most four times as many numbers as are wanted, so that this ends soon;
        // that it ends at all follows from `place` itself being one of them.
        while number >= self.count {
            number = self.once(number);
        }
        number
    }

    fn once(&self, number: u64) -> u64 {
        let mask = (1u64 << self.half) - 1;
        let (mut left, mut right) = (number >> self.half, number & mask);
        for round in 0..ROUNDS {
            let mixed = mix(right ^ mix(self.seed ^ (round << 56))) & mask;
            (left, right) = (right, left ^ mixed);
        }
        (left << self.half) | right
    }
}

/// The finaliser of SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
fn mix(value: u64) -> u64 {
    let mut value = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    value = (value ^ (value >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    value = (value ^ (value >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    value ^ (value >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The oracle: every number comes once, by a table of those that came.
    #[test]
    fn every_number_comes_once() {
        for count in (1..=70).chain([127, 128, 129, 1000, 4096, 4097, 65_537]) {
            for seed in [0, 1, 7, u64::MAX] {
                let shuffle = Shuffle::new(count, seed);
                let mut came = vec![false; count as usize];
                for place in 0..count {
                    let number = shuffle.at(place) as usize;
                    assert!(!came[number], "{count} {seed}: {number} comes twice");
                    came[number] = true;
                }
            }
        }
    }

    #[test]
    fn the_largest_has_no_collision_nearby() {
        let shuffle = Shuffle::new(1 << 62, 3);
        let mut came: Vec<u64> = (0..10_000).map(|place| shuffle.at(place)).collect();
        assert!(came.iter().all(|number| *number < 1 << 62));
        came.sort_unstable();
        came.dedup();
        assert_eq!(came.len(), 10_000);
    }

    /// Every number is equally likely at every place: chi-squared over the seeds. Of 4000 seeds and
    /// 8 numbers 7 degrees of freedom; 24.3 is passed once in a thousand (tables of chi-squared), and
    /// 8 places are looked at.
    #[test]
    fn the_order_is_even_over_seeds() {
        for place in 0..8 {
            let mut counts = [0.0f64; 8];
            for seed in 0..4000 {
                counts[Shuffle::new(8, seed).at(place) as usize] += 1.0;
            }
            let chi: f64 = counts.iter().map(|n| (n - 500.0).powi(2) / 500.0).sum();
            assert!(chi < 24.3, "place {place}: {chi}");
        }
    }

    #[test]
    fn seeds_differ() {
        let order =
            |seed| (0..50).map(|place| Shuffle::new(50, seed).at(place)).collect::<Vec<_>>();
        assert_eq!(order(5), order(5));
        assert_ne!(order(5), order(6));
        assert_ne!(order(5), (0..50).collect::<Vec<_>>());
    }
}
