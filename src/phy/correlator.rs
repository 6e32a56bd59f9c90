//! Correlation with the Golay sequences Ga128 and Gb128 in 14 additions a sample.
//!
//! The recursion that generates the sequences (IEEE 802.11ad-2012 clause 21.11) run as a filter.
//! Works on chips without pi/2 rotation; knows nothing of frames.

use num_complex::Complex32;

/// Chips of a sequence.
pub(crate) const SEQUENCE_CHIPS: usize = 128;
const DELAYS: [usize; 7] = [1, 8, 2, 4, 16, 32, 64];
const WEIGHTS: [f32; 7] = [-1.0, -1.0, -1.0, -1.0, 1.0, -1.0, -1.0];

/// Correlation of `samples`, of which there are `samples_per_chip`, with Ga128:
/// `c[n] = sum_k samples[n + k*samples_per_chip] Ga128[k]`, for every `n` where all terms exist.
pub(crate) fn correlate_ga128(samples: &[Complex32], samples_per_chip: usize) -> Vec<Complex32> {
    let reach = (SEQUENCE_CHIPS - 1) * samples_per_chip;
    if samples.len() <= reach {
        return Vec::new();
    }
    // The filter's impulse response is the sequence reversed in time, so its output is the
    // correlation delayed by the reach. Both branches start as the input.
    let mut a = samples.to_vec();
    let mut b = samples.to_vec();
    for (stage, (delay, weight)) in DELAYS.into_iter().zip(WEIGHTS).enumerate() {
        let delay = delay * samples_per_chip;
        let last = stage + 1 == DELAYS.len();
        // Backwards, so that earlier values of b are still those of the stage before.
        for n in (0..a.len()).rev() {
            let delayed = if n < delay { Complex32::default() } else { b[n - delay] };
            let weighted = a[n] * weight;
            a[n] = weighted + delayed;
            if !last {
                b[n] = weighted - delayed;
            }
        }
    }
    a.drain(..reach);
    a
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::golay::ga128;
    use crate::phy::link_testing::Noise;

    #[test]
    fn output_is_the_defining_sum() {
        let mut noise = Noise::new(3);
        let samples: Vec<Complex32> = (0..700).map(|_| noise.complex(1.0)).collect();
        for samples_per_chip in [1, 2, 3] {
            let fast = correlate_ga128(&samples, samples_per_chip);
            assert_eq!(fast.len(), 700 - 127 * samples_per_chip);
            for (n, c) in fast.iter().enumerate() {
                let naive: Complex32 = ga128()
                    .iter()
                    .enumerate()
                    .map(|(k, sign)| samples[n + k * samples_per_chip] * f32::from(*sign))
                    .sum();
                assert!((c - naive).norm() < 1e-4, "{samples_per_chip} a chip, n {n}");
            }
        }
    }

    #[test]
    fn too_few_samples_give_nothing() {
        assert!(correlate_ga128(&[Complex32::default(); 127], 1).is_empty());
        assert_eq!(correlate_ga128(&[Complex32::default(); 128], 1).len(), 1);
    }
}
