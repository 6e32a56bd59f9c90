//! Runs inner loops with the widest vector instructions that the machine has.
//!
//! The loops are plain Rust over arrays; what differs between machines is only how many lanes the
//! compiler puts side by side. Nothing is contracted or reordered, so every machine gives the same
//! bits. Knows nothing of what the loops compute.

use num_complex::{Complex32, Complex64};

use super::recording::{narrow, widen};

/// Runs `work` compiled for the machine's vector instructions (AVX-512, AVX2, NEON), found at run
/// time. `work` itself and the functions that it calls take part only where they are marked
/// `#[inline(always)]`.
#[inline]
pub(crate) fn widest<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}

/// Floats side by side in the sums below: eight complex values, axes taking turns.
const WIDTH: usize = 16;

/// `sum a[n] conj(b[n])`; the shorter slice counts. For some thousand terms of like size the result
/// is good to a millionth.
#[inline(always)]
pub(crate) fn correlate(a: &[Complex32], b: &[Complex32]) -> Complex64 {
    let count = a.len().min(b.len());
    let (a_groups, a_rest) = floats(&a[..count]);
    let (b_groups, b_rest) = floats(&b[..count]);
    let (mut straight, mut crossed) = ([0.0_f32; WIDTH], [0.0_f32; WIDTH]);
    for (a, b) in a_groups.iter().zip(b_groups) {
        for lane in 0..WIDTH {
            straight[lane] += a[lane] * b[lane];
            crossed[lane] += a[lane] * b[lane ^ 1];
        }
    }
    let rest = |a: &[f32; 2], b: &[f32; 2]| {
        widen(Complex32::new(a[0], a[1]) * Complex32::new(b[0], -b[1]))
    };
    let (a_rest, b_rest) = (a_rest.as_chunks::<2>().0, b_rest.as_chunks::<2>().0);
    let rest: Complex64 = a_rest.iter().zip(b_rest).map(|(a, b)| rest(a, b)).sum();
    let re = every_other(&straight, 0) + every_other(&straight, 1);
    rest + Complex64::new(re, every_other(&crossed, 1) - every_other(&crossed, 0))
}

/// `sum |a[n] - b[n]|^2`; the shorter slice counts.
#[inline(always)]
pub(crate) fn distance(a: &[Complex32], b: &[Complex32]) -> f64 {
    let count = a.len().min(b.len());
    let (a_groups, a_rest) = floats(&a[..count]);
    let (b_groups, b_rest) = floats(&b[..count]);
    let mut sums = [0.0_f32; WIDTH];
    for (a, b) in a_groups.iter().zip(b_groups) {
        for lane in 0..WIDTH {
            sums[lane] += (a[lane] - b[lane]) * (a[lane] - b[lane]);
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| f64::from((a - b) * (a - b))).sum();
    rest + every_other(&sums, 0) + every_other(&sums, 1)
}

#[inline(always)]
fn floats(values: &[Complex32]) -> (&[[f32; WIDTH]], &[f32]) {
    bytemuck::cast_slice::<Complex32, f32>(values).as_chunks()
}

/// Sum of the lanes of one axis: 0 the real, 1 the imaginary one.
#[inline(always)]
pub(crate) fn every_other(lanes: &[f32; WIDTH], axis: usize) -> f64 {
    let mut sum = 0.0;
    for n in 0..WIDTH / 2 {
        sum += f64::from(lanes[2 * n + axis]);
    }
    sum
}

/// Turns value `n` of the slice by `-(first + n * step)` radians.
#[inline(always)]
pub(crate) fn turn_back(values: &mut [Complex32], first: f64, step: f64) {
    const FINE: usize = 16;
    let one = Complex64::from_polar(1.0, -step);
    let mut power = Complex64::new(1.0, 0.0);
    let mut fine = [Complex32::default(); FINE];
    for turn in &mut fine {
        *turn = narrow(power);
        power *= one;
    }
    let mut coarse = Complex64::from_polar(1.0, -first);
    for group in values.chunks_mut(FINE) {
        let turn = narrow(coarse);
        for (value, fine) in group.iter_mut().zip(&fine) {
            *value *= turn * fine;
        }
        coarse *= power;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::testing::Noise;

    /// The defining sums, in f64.
    #[test]
    fn sums_are_those_of_the_definition() {
        let mut noise = Noise::new(2);
        for count in [0, 1, 7, 8, 9, 448, 1001] {
            let mut draw = || (0..count).map(|_| noise.complex()).collect::<Vec<_>>();
            let (a, b) = (draw(), draw());
            let pairs = || a.iter().zip(&b).map(|(a, b)| (widen(*a), widen(*b)));
            let product: Complex64 = pairs().map(|(a, b)| a * b.conj()).sum();
            let square: f64 = pairs().map(|(a, b)| (a - b).norm_sqr()).sum();
            assert!(
                (widest(
                    #[inline(always)]
                    || correlate(&a, &b)
                ) - product)
                    .norm()
                    < 1e-5 * (1.0 + square)
            );
            assert!(
                (widest(
                    #[inline(always)]
                    || distance(&a, &b)
                ) - square)
                    .abs()
                    < 1e-6 * (1.0 + square)
            );
            let mut turned = a.clone();
            widest(
                #[inline(always)]
                || turn_back(&mut turned, 0.4, 0.011),
            );
            for (n, (turned, a)) in turned.iter().zip(&a).enumerate() {
                let expected = widen(*a) * Complex64::from_polar(1.0, -0.4 - 0.011 * n as f64);
                assert!((widen(*turned) - expected).norm() < 1e-5);
            }
        }
    }

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
        assert_eq!(
            bits(widest(
                #[inline(always)]
                || work(&values)
            )),
            bits(work(&values))
        );
    }
}
