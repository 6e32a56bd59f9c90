//! A fast, seeded source of normal deviates.
//!
//! Ziggurat of 256 layers (G. Marsaglia and W. W. Tsang, The ziggurat method for generating random
//! variables, J. Stat. Software 5(8), 2000) over the ChaCha8 stream, whose output is the same on
//! every platform and release. Knows nothing of what the noise is for.

use std::sync::LazyLock;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Where the tail begins, and the area of each layer, for 256 layers (Marsaglia and Tsang 2000).
const TAIL: f64 = 3.654_152_885_361_009;
const AREA: f64 = 0.004_928_673_233_997_087;
const LAYERS: usize = 256;

/// What a random stream is used for: different purposes never share numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Errors built into the elements of the transmit array.
    TxElements = 1,
    /// Errors built into the elements of the receive array.
    RxElements = 2,
    /// Phase, trigger and noise of one acquisition.
    Acquisition = 3,
    /// Noise of a meter's reading.
    Reading = 4,
    /// Errors of the codes of the transmit array.
    TxCodes = 32,
    /// Errors of the codes of the receive array.
    RxCodes = 33,
    /// Drift of the transmit elements with temperature.
    TxDrift = 34,
    /// Drift of the receive elements with temperature.
    RxDrift = 35,
    /// Where the transmit elements start after power-up.
    TxPowerUp = 36,
    /// Where the receive elements start after power-up.
    RxPowerUp = 37,
    /// Blockage events.
    Blockage = 38,
}

struct Layers {
    x: [f64; LAYERS + 1],
    f: [f64; LAYERS + 1],
}

static TABLE: LazyLock<Layers> = LazyLock::new(|| {
    let density = |x: f64| (-0.5 * x * x).exp();
    let mut x = [0.0; LAYERS + 1];
    x[0] = AREA / density(TAIL);
    x[1] = TAIL;
    for i in 2..LAYERS {
        x[i] = (-2.0 * (AREA / x[i - 1] + density(x[i - 1])).ln()).sqrt();
    }
    Layers { x, f: x.map(density) }
});

/// A stream of random numbers that depends on seed, purpose and index alone.
pub struct Stream {
    generator: ChaCha8Rng,
    layers: &'static Layers,
}

impl std::fmt::Debug for Stream {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Stream")
    }
}

impl Stream {
    /// The stream number `index` for `purpose` under `seed`.
    pub fn new(seed: u64, purpose: Purpose, index: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        key[8] = purpose as u8;
        key[16..24].copy_from_slice(&index.to_le_bytes());
        Self { generator: ChaCha8Rng::from_seed(key), layers: &TABLE }
    }

    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        (self.generator.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Normal with mean 0 and variance 1.
    #[inline]
    pub fn normal(&mut self) -> f64 {
        loop {
            let bits = self.generator.next_u64();
            let layer = (bits & 0xff) as usize;
            // The upper 53 bits, apart from the layer's 8: uniform in [-1, 1).
            let u = (bits >> 11) as f64 * (2.0 / (1u64 << 53) as f64) - 1.0;
            let x = u * self.layers.x[layer];
            if x.abs() < self.layers.x[layer + 1] {
                return x;
            }
            if layer == 0 {
                return self.tail().copysign(u);
            }
            let (low, high) = (self.layers.f[layer], self.layers.f[layer + 1]);
            if low + (high - low) * self.uniform() < (-0.5 * x * x).exp() {
                return x;
            }
        }
    }

    /// A deviate beyond `TAIL` (Marsaglia 1964, as given with the ziggurat).
    fn tail(&mut self) -> f64 {
        loop {
            // 1 - uniform lies in (0, 1]: its logarithm is finite.
            let x = -(1.0 - self.uniform()).ln() / TAIL;
            let y = -(1.0 - self.uniform()).ln();
            if 2.0 * y >= x * x {
                return TAIL + x;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn layers_close_at_the_top() {
        // The last layer must reach the density's peak, exp(0) = 1: proves TAIL and AREA.
        let top = AREA / TABLE.x[LAYERS - 1] + TABLE.f[LAYERS - 1];
        assert!((top - 1.0).abs() < 1e-9, "{top}");
    }

    #[test]
    fn share_beyond_a_threshold_is_that_of_the_normal_distribution() {
        // Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.1:
        // P(|x| > 1, 2, 3) = 0.3173105, 0.0455003, 0.0026998; tail beyond 4: 6.334e-5.
        let draws = 2_000_000u32;
        let mut stream = Stream::new(7, Purpose::Acquisition, 0);
        let mut beyond = [0u32; 4];
        let (mut sum, mut square) = (0.0, 0.0);
        for _ in 0..draws {
            let x = stream.normal();
            sum += x;
            square += x * x;
            for (slot, limit) in beyond.iter_mut().zip([1.0, 2.0, 3.0, 4.0]) {
                *slot += u32::from(x.abs() > limit);
            }
        }
        let n = f64::from(draws);
        // Five standard deviations of each estimate.
        assert!((sum / n).abs() < 5.0 / n.sqrt());
        assert!((square / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        for (count, p) in beyond.iter().zip([0.317_310_5, 0.045_500_3, 0.002_699_8, 6.334e-5]) {
            let spread = 5.0 * (p * (1.0 - p) / n).sqrt();
            assert!((f64::from(*count) / n - p).abs() < spread, "{count} of {draws}, p {p}");
        }
    }

    #[test]
    fn streams_repeat_and_differ() {
        let draw = |seed, purpose, index| {
            let mut stream = Stream::new(seed, purpose, index);
            (stream.normal().to_bits(), stream.uniform().to_bits())
        };
        assert_eq!(draw(1, Purpose::Reading, 5), draw(1, Purpose::Reading, 5));
        assert_ne!(draw(1, Purpose::Reading, 5), draw(2, Purpose::Reading, 5));
        assert_ne!(draw(1, Purpose::Reading, 5), draw(1, Purpose::Acquisition, 5));
        assert_ne!(draw(1, Purpose::Reading, 5), draw(1, Purpose::Reading, 6));
    }
}
