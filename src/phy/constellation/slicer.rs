//! Hard decisions over whole slices, without a branch in their loops.

use num_complex::Complex32;

use super::super::lanes::widest;
use super::{Constellation, UNIT_16, UNIT_64};

/// The two values of a BPSK or turned QPSK axis.
#[inline(always)]
fn sign(x: f32) -> f32 {
    if x > 0.0 { 1.0 } else { -1.0 }
}

/// 1 where the condition holds, else 0.
#[inline(always)]
fn one_if(condition: bool) -> u8 {
    u8::from(condition)
}

#[inline(always)]
fn level_16(x: f32) -> f32 {
    let outer = if x.abs() >= 2.0 * UNIT_16 { 3.0 * UNIT_16 } else { UNIT_16 };
    outer * sign(x)
}

#[inline(always)]
fn level_64(x: f32) -> f32 {
    let magnitude = x.abs();
    let add = |from: f32| if magnitude >= from * UNIT_64 { 2.0 * UNIT_64 } else { 0.0 };
    (UNIT_64 + add(2.0) + add(4.0) + add(6.0)) * sign(x)
}

impl Constellation {
    /// The nearest point to each symbol, as [`Constellation::nearest`] has them; the shorter slice
    /// counts.
    #[inline(always)]
    pub(crate) fn decide_all(self, symbols: &[Complex32], points: &mut [Complex32]) {
        match self {
            Self::Bpsk => each(symbols, points, |z| Complex32::new(sign(z.re), 0.0)),
            Self::Qpsk => each(symbols, points, |z| {
                let (u, v) = (sign(z.re - z.im), sign(z.re + z.im));
                Complex32::new(0.5 * (u + v), 0.5 * (v - u))
            }),
            Self::Qam16 => {
                each(symbols, points, |z| Complex32::new(level_16(z.re), level_16(z.im)));
            }
            Self::Qam64 => {
                each(symbols, points, |z| Complex32::new(level_64(z.re), level_64(z.im)));
            }
        }
    }

    /// The nearest points to some symbols.
    pub(crate) fn decide(self, symbols: &[Complex32]) -> Vec<Complex32> {
        let mut points = vec![Complex32::default(); symbols.len()];
        widest(
            #[inline(always)]
            || self.decide_all(symbols, &mut points),
        );
        points
    }

    /// The bits of the nearest points, one per octet, first bit first. `bits` has
    /// [`Constellation::bits_per_symbol`] places for each symbol; the shorter slice counts.
    #[inline(always)]
    pub(crate) fn demap_all(self, symbols: &[Complex32], bits: &mut [u8]) {
        match self {
            Self::Bpsk => demap(symbols, bits, |z| [one_if(z.re > 0.0)]),
            Self::Qpsk => demap(symbols, bits, |z| [one_if(z.re > z.im), one_if(z.re > -z.im)]),
            Self::Qam16 => demap(symbols, bits, |z| {
                let inner = |x: f32| one_if(x.abs() < 2.0 * UNIT_16);
                [one_if(z.re > 0.0), inner(z.re), one_if(z.im > 0.0), inner(z.im)]
            }),
            Self::Qam64 => demap(symbols, bits, |z| {
                let inner = |x: f32| one_if(x.abs() < 4.0 * UNIT_64);
                let middle =
                    |x: f32| one_if((x.abs() >= 2.0 * UNIT_64) & (x.abs() < 6.0 * UNIT_64));
                let (i, q) = (z.re, z.im);
                [one_if(i > 0.0), inner(i), middle(i), one_if(q > 0.0), inner(q), middle(q)]
            }),
        }
    }
}

#[inline(always)]
fn each(symbols: &[Complex32], points: &mut [Complex32], nearest: impl Fn(Complex32) -> Complex32) {
    for (point, z) in points.iter_mut().zip(symbols) {
        *point = nearest(*z);
    }
}

#[inline(always)]
fn demap<const BITS: usize>(
    symbols: &[Complex32],
    bits: &mut [u8],
    of: impl Fn(Complex32) -> [u8; BITS],
) {
    for (group, z) in bits.as_chunks_mut::<BITS>().0.iter_mut().zip(symbols) {
        *group = of(*z);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::testing::Noise;

    /// Symbol by symbol, the slow way.
    #[test]
    fn slices_are_decided_as_symbols_are() {
        let mut noise = Noise::new(8);
        let symbols: Vec<Complex32> = (0..5000).map(|_| noise.complex()).collect();
        for constellation in Constellation::ALL {
            let mut points = vec![Complex32::default(); symbols.len()];
            let per_symbol = constellation.bits_per_symbol();
            let mut bits = vec![9; symbols.len() * per_symbol];
            constellation.decide_all(&symbols, &mut points);
            constellation.demap_all(&symbols, &mut bits);
            let mut slowly = Vec::new();
            for (z, point) in symbols.iter().zip(&points) {
                let nearest = constellation.nearest(*z).1;
                assert!((nearest - point).norm() < 1e-6, "{constellation} {z}");
                constellation.demap_hard(*z, &mut slowly);
            }
            assert_eq!(bits, slowly, "{constellation}");
        }
    }
}
