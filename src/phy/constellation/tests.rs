//! The mappings against IEEE 802.11ad-2012 clause 21.6.3.2.4, decisions against exhaustive search.

use super::*;

fn grid() -> impl Iterator<Item = Complex32> {
    // Odd spacing, so that no point of the grid lies on a decision border.
    (-19..=19).flat_map(|i| (-19..=19).map(move |q| Complex32::new(i as f32, q as f32) * 0.0873))
}

fn bits_of(index: usize, count: usize) -> Vec<u8> {
    (0..count).rev().map(|bit| (index >> bit & 1) as u8).collect()
}

/// The standard's formulas, evaluated in double precision.
fn formula(constellation: Constellation, bits: &[u8]) -> (f64, f64) {
    let c = |n: usize| f64::from(bits[n]);
    let s = |n: usize| 2.0 * c(n) - 1.0;
    let level_16 = |n: usize| (4.0 * c(n) - 2.0) - s(n) * s(n + 1);
    let level_64 =
        |n: usize| (8.0 * c(n) - 4.0) - s(n) * (4.0 * c(n + 1) - 2.0) + s(n) * s(n + 1) * s(n + 2);
    match constellation {
        Constellation::Bpsk => (s(0), 0.0),
        // (a + jb)/sqrt(2) times exp(-j pi/4) = ((a + b) + j (b - a))/2.
        Constellation::Qpsk => ((s(0) + s(1)) / 2.0, (s(1) - s(0)) / 2.0),
        Constellation::Qam16 => (level_16(0) / 10_f64.sqrt(), level_16(2) / 10_f64.sqrt()),
        Constellation::Qam64 => (level_64(0) / 42_f64.sqrt(), level_64(3) / 42_f64.sqrt()),
    }
}

#[test]
fn points_follow_the_formulas() {
    for constellation in Constellation::ALL {
        let count = constellation.bits_per_symbol();
        for (index, point) in constellation.points().iter().enumerate() {
            let (re, im) = formula(constellation, &bits_of(index, count));
            let error = (f64::from(point.re) - re).hypot(f64::from(point.im) - im);
            // Both axes are rounded to single precision, about 6e-8 of a value up to 1.1.
            assert!(error < 2e-7, "{constellation} {index:b}: {error}");
        }
    }
}

#[test]
fn mean_power_is_one() {
    for constellation in Constellation::ALL {
        let points = constellation.points();
        assert_eq!(points.len(), 1 << constellation.bits_per_symbol());
        let power: f64 =
            points.iter().map(|p| f64::from(p.re).powi(2) + f64::from(p.im).powi(2)).sum();
        // Rounding of the levels to single precision.
        assert!((power / points.len() as f64 - 1.0).abs() < 1e-6, "{constellation}");
    }
}

/// Gray property: nearest neighbours differ in one bit.
#[test]
fn nearest_neighbours_differ_in_one_bit() {
    for constellation in Constellation::ALL {
        let points = constellation.points();
        let pairs = || {
            (0..points.len())
                .flat_map(|a| (0..a).map(move |b| (a, b)))
                .map(|(a, b)| ((points[a] - points[b]).norm(), (a ^ b).count_ones()))
        };
        let least = pairs().map(|(distance, _)| distance).fold(f32::INFINITY, f32::min);
        // The factor absorbs rounding; the next larger distance is 1.41 times the least.
        for (distance, different) in pairs().filter(|(distance, _)| *distance < 1.01 * least) {
            assert_eq!(different, 1, "{constellation}, distance {distance}");
        }
    }
}

#[test]
fn decisions_are_the_nearest_point() {
    for constellation in Constellation::ALL {
        for z in grid() {
            let (index, point) = constellation.nearest(z);
            let best =
                constellation.points().iter().map(|p| (z - p).norm()).fold(f32::INFINITY, f32::min);
            // Two candidates may differ by rounding only.
            assert!((z - point).norm() <= best * (1.0 + 1e-5), "{constellation} at {z}");
            assert_eq!(point, constellation.points()[index]);
            let mut bits = Vec::new();
            constellation.demap_hard(z, &mut bits);
            assert_eq!(bits, bits_of(index, constellation.bits_per_symbol()));
        }
    }
}

/// Naive reference: max-log over all points of the constellation.
#[test]
fn soft_decisions_agree_with_a_search_over_all_points() {
    let noise_variance = 0.3;
    for constellation in Constellation::ALL {
        let count = constellation.bits_per_symbol();
        for z in grid() {
            let mut soft = Vec::new();
            constellation.demap_soft(z, noise_variance, &mut soft);
            assert_eq!(soft.len(), count);
            for (bit, llr) in soft.iter().enumerate() {
                let least = |value: usize| {
                    let points = constellation.points().iter().enumerate();
                    points
                        .filter(|(index, _)| index >> (count - 1 - bit) & 1 == value)
                        .map(|(_, p)| (z - p).norm_sqr())
                        .fold(f32::INFINITY, f32::min)
                };
                let expected = (least(1) - least(0)) / noise_variance;
                // The search subtracts squares of up to 8 over 0.3, in single precision.
                assert!(
                    (llr - expected).abs() < 1e-4,
                    "{constellation} {bit} at {z}: {llr} {expected}"
                );
            }
        }
    }
}

#[test]
fn mapping_and_deciding_restores_every_bit_pattern() {
    for constellation in Constellation::ALL {
        let count = constellation.bits_per_symbol();
        let bits: Vec<u8> = (0..1 << count).flat_map(|index| bits_of(index, count)).collect();
        let (mut hard, mut soft) = (Vec::new(), Vec::new());
        for symbol in constellation.map(&bits) {
            constellation.demap_hard(symbol, &mut hard);
            constellation.demap_soft(symbol, 0.1, &mut soft);
        }
        assert_eq!(hard, bits);
        let signs: Vec<u8> = soft.iter().map(|llr| u8::from(*llr < 0.0)).collect();
        assert_eq!(signs, bits);
    }
}

#[test]
fn values_beyond_the_constellation_are_decided_without_panic() {
    for constellation in Constellation::ALL {
        for value in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, 1e9] {
            let (index, _) = constellation.nearest(Complex32::new(value, -value));
            assert!(index < constellation.points().len());
            constellation.demap_soft(Complex32::new(value, value), 0.0, &mut Vec::new());
        }
    }
}

/// Clause 21.6.3.2.4: factors 1, j, -1, -j from the start of a field.
#[test]
fn rotation_turns_counter_clockwise() {
    let mut chips = [Complex32::new(1.0, 0.0); 6];
    rotate_half_pi(&mut chips, 0);
    let j = Complex32::i();
    assert_eq!(chips, [1.0.into(), j, (-1.0).into(), -j, 1.0.into(), j]);
    let mut later = [Complex32::new(1.0, 0.0); 3];
    rotate_half_pi(&mut later, 3);
    assert_eq!(later, chips[3..]);
    derotate_half_pi(&mut chips, 0);
    derotate_half_pi(&mut later, 3);
    assert!(chips.iter().chain(&later).all(|chip| *chip == Complex32::new(1.0, 0.0)));
}

#[test]
fn names_are_read_back() {
    for constellation in Constellation::ALL {
        assert_eq!(constellation.name().parse(), Ok(constellation));
    }
    assert!("8-psk".parse::<Constellation>().is_err());
}
