//! Random numbers of the tests: the same seed gives the same choices on every machine.

/// SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom number generators, 2014).
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Between 0 and 1, 1 left out.
    pub fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// A whole number between two, both included.
    pub fn whole(&mut self, least: i64, most: i64) -> i64 {
        least + (self.share() * (most - least + 1) as f64) as i64
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.share() < share
    }

    pub fn one<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.whole(0, of.len() as i64 - 1) as usize]
    }
}
