//! Correlation with the Golay sequences Ga128 and Gb128 in 14 additions a sample.
//!
//! The recursion that generates the sequences (IEEE 802.11ad-2012 clause 21.11) run as a filter.
//! Works on chips without pi/2 rotation; knows nothing of frames.

use num_complex::Complex32;

/// Chips of a sequence.
pub(crate) const SEQUENCE_CHIPS: usize = 128;
const DELAYS: [usize; 7] = [1, 8, 2, 4, 16, 32, 64];
const WEIGHTS: [f32; 7] = [-1.0, -1.0, -1.0, -1.0, 1.0, -1.0, -1.0];

/// Correlations of a signal with both sequences.
pub(crate) struct Correlations {
    /// With Ga128.
    pub a: Vec<Complex32>,
    /// With Gb128.
    pub b: Vec<Complex32>,
}

/// Correlations of `samples`, of which there are `samples_per_chip`:
/// `a[n] = sum_k samples[n + k*samples_per_chip] Ga128[k]`, `b` the same with Gb128, for every `n`
/// where all terms exist.
pub(crate) fn correlate(samples: &[Complex32], samples_per_chip: usize) -> Correlations {
    let reach = (SEQUENCE_CHIPS - 1) * samples_per_chip;
    if samples.len() <= reach {
        return Correlations { a: Vec::new(), b: Vec::new() };
    }
    // The filter's impulse responses are the sequences reversed in time, so its outputs are the
    // correlations delayed by the reach. Both branches start as the input.
    let (mut a, mut b) = (samples.to_vec(), samples.to_vec());
    let (mut next_a, mut next_b) = (a.clone(), a.clone());
    for (delay, weight) in DELAYS.into_iter().zip(WEIGHTS) {
        let delay = delay * samples_per_chip;
        for n in 0..delay {
            (next_a[n], next_b[n]) = (a[n] * weight, a[n] * weight);
        }
        let outputs = next_a[delay..].iter_mut().zip(&mut next_b[delay..]);
        for ((sum, difference), (a, b)) in outputs.zip(a[delay..].iter().zip(&b)) {
            (*sum, *difference) = (a * weight + b, a * weight - b);
        }
        std::mem::swap(&mut a, &mut next_a);
        std::mem::swap(&mut b, &mut next_b);
    }
    a.drain(..reach);
    b.drain(..reach);
    Correlations { a, b }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::golay::{ga128, gb128};
    use crate::phy::link_testing::Noise;

    #[test]
    fn output_is_the_defining_sum() {
        let mut noise = Noise::new(3);
        let samples: Vec<Complex32> = (0..700).map(|_| noise.complex(1.0)).collect();
        for samples_per_chip in [1, 2, 3] {
            let fast = correlate(&samples, samples_per_chip);
            for (fast, sequence) in [(&fast.a, ga128()), (&fast.b, gb128())] {
                assert_eq!(fast.len(), 700 - 127 * samples_per_chip);
                for (n, c) in fast.iter().enumerate() {
                    let naive: Complex32 = sequence
                        .iter()
                        .enumerate()
                        .map(|(k, sign)| samples[n + k * samples_per_chip] * f32::from(*sign))
                        .sum();
                    assert!((c - naive).norm() < 1e-4, "{samples_per_chip} a chip, n {n}");
                }
            }
        }
    }

    #[test]
    fn too_few_samples_give_nothing() {
        assert!(correlate(&[Complex32::default(); 127], 1).a.is_empty());
        assert_eq!(correlate(&[Complex32::default(); 128], 1).b.len(), 1);
    }
}
