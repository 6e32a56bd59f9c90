//! The scrambler of the DMG PHY, x^7 + x^4 + 1 (IEEE 802.11ad-2012, clause 21.3.9).
//!
//! An iterator over the scrambling bits; what is scrambled with them is the caller's business.

/// Bits of the scrambler's register.
const REGISTER_MASK: u8 = 0x7F;

/// The running scrambler. It never ends; after 127 bits it repeats.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scrambler {
    /// Bit 0 is X1, bit 6 is X7.
    register: u8,
}

impl Scrambler {
    /// Starts from X1 to X7, X1 in the least significant bit of `seed`; its highest bit is ignored.
    /// A seed of 0 never yields anything but zeros.
    pub const fn new(seed: u8) -> Self {
        Self { register: seed & REGISTER_MASK }
    }

    /// Starts from seven ones: the sequence of the MCS 1 repetition and of the header's second copy.
    pub const fn all_ones() -> Self {
        Self::new(REGISTER_MASK)
    }

    /// Adds the next scrambling bits to `bits` (one bit per octet), modulo 2.
    pub fn apply(&mut self, bits: &mut [u8]) {
        for (bit, scrambling) in bits.iter_mut().zip(self) {
            *bit ^= scrambling;
        }
    }
}

impl Iterator for Scrambler {
    type Item = u8;

    fn next(&mut self) -> Option<u8> {
        let bit = (self.register >> 3 ^ self.register >> 6) & 1;
        self.register = (self.register << 1 | bit) & REGISTER_MASK;
        Some(bit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE 802.11ad-2012 clause 21.3.9; the first bits were printed with the standard's worked
    /// example (IEEE 802.11 submission 11-12/0077r0).
    #[test]
    fn all_ones_sequence_starts_as_published() {
        let first: String = Scrambler::all_ones().take(16).map(|b| b.to_string()).collect();
        assert_eq!(first, "0000111011110010");
    }

    #[test]
    fn sequence_obeys_the_polynomial_and_repeats_after_127_bits() {
        for seed in 1..=127 {
            let bits: Vec<u8> = Scrambler::new(seed).take(254).collect();
            assert!((7..254).all(|n| bits[n] == bits[n - 4] ^ bits[n - 7]), "seed {seed}");
            assert_eq!(bits[..127], bits[127..], "seed {seed}");
            // A maximal sequence of 7 stages has 64 ones.
            assert_eq!(bits[..127].iter().map(|b| u32::from(*b)).sum::<u32>(), 64, "seed {seed}");
        }
    }

    #[test]
    fn applying_twice_restores() {
        let original = [1, 0, 0, 1, 1, 1, 0, 1, 0, 0];
        let mut bits = original;
        Scrambler::new(0x42).apply(&mut bits);
        assert_ne!(bits, original);
        Scrambler::new(0x42).apply(&mut bits);
        assert_eq!(bits, original);
    }
}
