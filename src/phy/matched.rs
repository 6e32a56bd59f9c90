//! The matched filter over values of which there are two a chip.
//!
//! `y[n] = (1/2) sum_k v[n + k] h(k/2)` with the root-raised-cosine pulse `h`. A signal
//! `sum_m c_m h(t - m)`, sampled twice a chip, gives `y = c_m` at its chips: `h` has nothing beyond
//! one cycle a chip, where the sum would differ from the integral. What the values hold beyond the
//! signal's band is stopped here, too. Knows nothing of rates, clocks or carriers.

use num_complex::Complex32;

use super::lanes::widest;
use super::pulse::RootRaisedCosine;

/// Values a chip.
const PER_CHIP: usize = 2;
/// Values worked on at once: few enough to stay in the first cache.
const AT_ONCE: usize = 1024;

/// Taps on both sides of the middle one, which all of the pulse's symmetry leaves.
#[derive(Clone, Debug)]
pub(crate) struct MatchedPairs {
    taps: Vec<f32>,
}

impl MatchedPairs {
    /// The filter cut off `half_span_chips` from its centre.
    pub fn new(pulse: RootRaisedCosine, half_span_chips: usize) -> Self {
        let half = (half_span_chips * PER_CHIP) as i64;
        let tap = |k: i64| pulse.at(k as f64 / PER_CHIP as f64) / PER_CHIP as f64;
        Self { taps: (-half..=half).map(|k| tap(k) as f32).collect() }
    }

    /// Values that a result needs before its own, and behind it.
    pub fn reach(&self) -> usize {
        self.taps.len() / 2
    }

    /// Filters `values`, which begin [`MatchedPairs::reach`] before the first result and end as many
    /// behind the last one. What is missing counts as zero.
    pub fn run(&self, values: &[Complex32], out: &mut [Complex32]) {
        widest(
            #[inline(always)]
            || {
                for (n, out) in out.chunks_mut(AT_ONCE).enumerate() {
                    let values = values.get(n * AT_ONCE..).unwrap_or_default();
                    self.run_some(values, out);
                }
            },
        );
    }

    #[inline(always)]
    fn run_some(&self, values: &[Complex32], out: &mut [Complex32]) {
        out.fill(Complex32::default());
        let out: &mut [f32] = bytemuck::cast_slice_mut(out);
        for (k, tap) in self.taps.iter().enumerate() {
            let values: &[f32] = bytemuck::cast_slice(values.get(k..).unwrap_or_default());
            for (y, x) in out.iter_mut().zip(values) {
                *y += tap * x;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::link_testing::Noise;

    /// The defining sum, in f64, for lengths about those worked on at once.
    #[test]
    fn output_is_the_defining_sum() {
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        let filter = MatchedPairs::new(pulse, 9);
        let mut noise = Noise::new(5);
        for count in [1, 7, AT_ONCE - 1, AT_ONCE, AT_ONCE + 1, 2 * AT_ONCE + 3] {
            let values: Vec<Complex32> =
                (0..count + 2 * filter.reach()).map(|_| noise.complex(1.0)).collect();
            let mut out = vec![Complex32::default(); count];
            filter.run(&values, &mut out);
            for (n, y) in out.iter().enumerate() {
                let [re, im] = (0..37).fold([0.0; 2], |[re, im], k| {
                    let tap = pulse.at((k as f64 - 18.0) / 2.0) / 2.0;
                    let z = values[n + k];
                    [re + tap * f64::from(z.re), im + tap * f64::from(z.im)]
                });
                // Rounding of 37 products in f32.
                let error = (f64::from(y.re) - re).hypot(f64::from(y.im) - im);
                assert!(error < 2e-6, "{count}, value {n}: {error}");
            }
        }
    }
}
