//! A fast, seeded source of normal deviates, one by one in double precision or many at once in
//! single precision.
//!
//! Ziggurat of 256 layers (G. Marsaglia and W. W. Tsang, The ziggurat method for generating random
//! variables, J. Stat. Software 5(8), 2000) over the ChaCha8 stream, whose output is the same on
//! every platform and release; the transcendental functions are those of the `libm` crate, which
//! does not ask the processor what it can do. Knows nothing of what the noise is for.

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
    /// What goes wrong, and when.
    Faults = 16,
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
    /// Errors built into the transmitter's gain steps, and the phase of its carrier leakage.
    TxSteps = 48,
    /// Errors built into the receiver's gain steps.
    RxSteps = 49,
    /// Phase noise of the transmitter's synthesiser in one acquisition.
    TxPhase = 50,
    /// Phase noise of the receiver's synthesiser in one acquisition.
    RxPhase = 51,
    /// Sampling jitter of one acquisition.
    Aperture = 52,
    /// Noise of the source's converters in one acquisition.
    SourceNoise = 53,
}

struct Layers {
    x: [f64; LAYERS + 1],
    f: [f64; LAYERS + 1],
    /// For draws of 32 bits: a signed 24-bit place below this lies under the next layer.
    within: [i32; LAYERS],
    /// For draws of 32 bits: one step of the 24-bit place.
    step: [f32; LAYERS],
}

/// Steps of a 24-bit place on either side of 0.
const PLACES: f64 = (1u32 << 23) as f64;

static TABLE: LazyLock<Layers> = LazyLock::new(|| {
    let density = |x: f64| libm::exp(-0.5 * x * x);
    let mut x = [0.0; LAYERS + 1];
    x[0] = AREA / density(TAIL);
    x[1] = TAIL;
    for i in 2..LAYERS {
        x[i] = (-2.0 * libm::log(AREA / x[i - 1] + density(x[i - 1]))).sqrt();
    }
    let within = std::array::from_fn(|i| (x[i + 1] / x[i] * PLACES) as i32);
    let step = std::array::from_fn(|i| (x[i] / PLACES) as f32);
    Layers { x, f: x.map(density), within, step }
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
            if low + (high - low) * self.uniform() < libm::exp(-0.5 * x * x) {
                return x;
            }
        }
    }

    /// Fills `out` with normal deviates of mean 0 and variance 1, from 32 random bits each: 24 bits
    /// of resolution within a layer. About three times as fast as one by one.
    pub fn fill_normal(&mut self, out: &mut [f32]) {
        const BLOCK: usize = 1024;
        let mut bytes = [0u8; 4 * BLOCK];
        for out in out.chunks_mut(BLOCK) {
            let bytes = &mut bytes[..4 * out.len()];
            self.generator.fill_bytes(bytes);
            for (x, word) in out.iter_mut().zip(bytes.as_chunks::<4>().0) {
                let bits = u32::from_le_bytes(*word);
                let layer = (bits & 0xff) as usize;
                let place = bits.cast_signed() >> 8;
                *x = if place.abs() < self.layers.within[layer] {
                    place as f32 * self.layers.step[layer]
                } else {
                    self.outside(layer, place)
                };
            }
        }
    }

    /// Ends a draw of 32 bits that fell outside the next layer.
    #[cold]
    fn outside(&mut self, layer: usize, place: i32) -> f32 {
        if layer == 0 {
            return self.tail().copysign(f64::from(place)) as f32;
        }
        let x = f64::from(place) / PLACES * self.layers.x[layer];
        let (low, high) = (self.layers.f[layer], self.layers.f[layer + 1]);
        if low + (high - low) * self.uniform() < libm::exp(-0.5 * x * x) {
            return x as f32;
        }
        self.normal() as f32
    }

    /// A deviate beyond `TAIL` (Marsaglia 1964, as given with the ziggurat).
    fn tail(&mut self) -> f64 {
        loop {
            // 1 - uniform lies in (0, 1]: its logarithm is finite.
            let x = -libm::log(1.0 - self.uniform()) / TAIL;
            let y = -libm::log(1.0 - self.uniform());
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
        let mut stream = Stream::new(7, Purpose::Acquisition, 0);
        check_shares((0..2_000_000).map(|_| stream.normal()));
        let mut many = vec![0f32; 2_000_000];
        stream.fill_normal(&mut many);
        check_shares(many.iter().map(|x| f64::from(*x)));
    }

    fn check_shares(deviates: impl ExactSizeIterator<Item = f64>) {
        let draws = deviates.len() as u32;
        let mut beyond = [0u32; 4];
        let (mut sum, mut square, mut fourth) = (0.0, 0.0, 0.0);
        for x in deviates {
            sum += x;
            fourth += x.powi(4);
            square += x * x;
            for (slot, limit) in beyond.iter_mut().zip([1.0, 2.0, 3.0, 4.0]) {
                *slot += u32::from(x.abs() > limit);
            }
        }
        let n = f64::from(draws);
        // Five standard deviations of each estimate.
        assert!((sum / n).abs() < 5.0 / n.sqrt());
        assert!((square / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        // The fourth moment is 3 and its estimate's variance 96/n (moments 3 and 105).
        assert!((fourth / n - 3.0).abs() < 5.0 * (96.0 / n).sqrt());
        for (count, p) in beyond.iter().zip([0.317_310_5, 0.045_500_3, 0.002_699_8, 6.334e-5]) {
            let spread = 5.0 * (p * (1.0 - p) / n).sqrt();
            assert!((f64::from(*count) / n - p).abs() < spread, "{count} of {draws}, p {p}");
        }
    }

    #[test]
    fn deviates_in_a_row_are_independent_of_each_other_and_of_the_layer() {
        // Kolmogorov-Smirnov distance to the normal distribution over 64 equal shares of it, and the
        // correlation of neighbours: both within five standard deviations.
        let mut many = vec![0f32; 1_000_000];
        Stream::new(3, Purpose::Acquisition, 9).fill_normal(&mut many);
        let n = many.len() as f64;
        for lag in [1, 2, 3, 8] {
            let dot: f64 = many.iter().zip(&many[lag..]).map(|(a, b)| f64::from(a * b)).sum();
            assert!((dot / n).abs() < 5.0 / n.sqrt(), "lag {lag}: {}", dot / n);
        }
        let mut sorted = many;
        sorted.sort_by(f32::total_cmp);
        let distance = sorted.iter().enumerate().map(|(k, x)| {
            let share = 0.5 * libm::erfc(-f64::from(*x) / std::f64::consts::SQRT_2);
            (share - k as f64 / n).abs()
        });
        // Kolmogorov: P(D sqrt(n) > 1.95) = 0.001.
        assert!(distance.fold(0.0, f64::max) * n.sqrt() < 1.95);
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
