//! Runs inner loops with the widest vector instructions that the machine has.
//!
//! The loops are plain Rust over arrays; what differs between machines is only how many lanes the
//! compiler puts side by side. Nothing is contracted or reordered, so every machine gives the same
//! bits. Knows nothing of what the loops compute.

/// Runs `work` compiled for the machine's vector instructions (AVX-512, AVX2, NEON), found at run
/// time. Functions that `work` calls take part only where they are `#[inline(always)]`.
#[inline]
pub(crate) fn widest<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::testing::Noise;

    #[inline(always)]
    fn work(values: &[f32]) -> [f32; 16] {
        let mut sums = [0.0_f32; 16];
        for chunk in values.as_chunks::<16>().0 {
            for (sum, value) in sums.iter_mut().zip(chunk) {
                *sum += value * 1.1 + *sum * 0.3;
            }
        }
        sums
    }

    /// Not one bit depends on the instructions: products are not fused with sums.
    #[test]
    fn every_width_gives_the_same_bits() {
        let mut noise = Noise::new(1);
        let values: Vec<f32> = (0..4096).map(|_| noise.complex().re).collect();
        let bits = |sums: [f32; 16]| sums.map(f32::to_bits);
        assert_eq!(bits(widest(|| work(&values))), bits(work(&values)));
    }
}
