//! The time-domain equaliser against the bound of linear equalisers, and what it follows.

use num_complex::{Complex32, Complex64};

use super::*;
use crate::phy::channel;
use crate::phy::frame::{PREAMBLE_CHIPS, preamble_chips};
use crate::phy::link_testing::{Noise, db, mmse_bound_db, table};
use crate::phy::recording::narrow;

const ROLLOFF: f64 = 0.25;
/// Chips on each side at which pulses are cut.
const SPAN: i64 = 60;

type Rays = Vec<(f64, Complex64)>;

fn pulse() -> RootRaisedCosine {
    RootRaisedCosine::new(ROLLOFF).expect("in range")
}

/// Frame without guards: the preamble, then random symbols of a constellation.
fn frame(constellation: Constellation, symbols: usize, seed: u64) -> Vec<Complex32> {
    let mut noise = Noise::new(seed);
    let points = constellation.points();
    let mut chips = preamble_chips().to_vec();
    let mut data: Vec<Complex32> =
        (0..symbols).map(|_| points[noise.bits() as usize % points.len()]).collect();
    rotate_half_pi(&mut data, 0);
    chips.extend(data);
    chips
}

/// Noise as it leaves the matched filter, two values a chip: white noise through the pulse.
fn coloured_noise(count: usize, n0: f64, seed: u64) -> Vec<Complex32> {
    let mut noise = Noise::new(seed);
    let taps: Vec<f32> =
        (-2 * SPAN..=2 * SPAN).map(|n| pulse().at(n as f64 / 2.0) as f32).collect();
    let white: Vec<Complex32> =
        (0..count + taps.len()).map(|_| noise.complex(n0 / PER_CHIP as f64)).collect();
    white
        .windows(taps.len())
        .take(count)
        .map(|window| window.iter().zip(&taps).map(|(z, tap)| z * tap).sum())
        .collect()
}

/// Value at `position` chips after the rays, by the defining sum.
fn value_at(chips: &[Complex32], rays: &Rays, position: f64) -> Complex32 {
    let mut sum = Complex64::default();
    for (delay, gain) in rays {
        let centre = position - delay;
        let nearest = centre.round() as i64;
        for k in nearest - SPAN..=nearest + SPAN {
            if let Some(chip) = usize::try_from(k).ok().and_then(|k| chips.get(k)) {
                sum += widen(*chip) * gain * pulse().raised_cosine_at(centre - k as f64);
            }
        }
    }
    narrow(sum)
}

/// All values of a frame, two a chip, from `lead` values before its first chip on: the rays as one
/// impulse response, which is what [`value_at`] gives at these positions.
fn values(chips: &[Complex32], rays: &Rays, lead: usize, n0: f64, seed: u64) -> Vec<Complex32> {
    let last = rays.iter().map(|(delay, _)| *delay).fold(0.0, f64::max).ceil() as i64;
    let response: Vec<Complex32> = (-2 * SPAN..=2 * (SPAN + last))
        .map(|n| {
            let tap = |(delay, gain): &(f64, Complex64)| {
                gain * pulse().raised_cosine_at(n as f64 / 2.0 - delay)
            };
            narrow(rays.iter().map(tap).sum())
        })
        .collect();
    let mut out = coloured_noise(PER_CHIP * chips.len() + 2 * lead, n0, seed);
    for (k, chip) in chips.iter().enumerate() {
        let first = (lead + PER_CHIP * k) as i64 - 2 * SPAN;
        for (n, tap) in response.iter().enumerate() {
            let at = first + n as i64;
            if let Some(value) = usize::try_from(at).ok().and_then(|at| out.get_mut(at)) {
                *value += chip * tap;
            }
        }
    }
    out
}

/// What came out of equalising all data of a frame.
struct Outcome {
    symbols: Vec<Complex32>,
    measures: Vec<SegmentMeasure>,
    expected_variance: f64,
}

const LEAD: usize = 4000;

/// Equalises the data of a frame whose values begin [`LEAD`] before the first chip.
fn equalise(values: &[Complex32], kind: EqualiserKind, constellation: Constellation) -> Outcome {
    let channel = channel::estimate(&values[LEAD..]).expect("a whole preamble");
    let mut equaliser = TimeEqualiser::new(&channel, pulse(), kind);
    let (before, after) = equaliser.reach();
    let chips = (values.len() - 2 * LEAD) / PER_CHIP;
    let (mut symbols, mut decided, mut measures) = (Vec::new(), Vec::new(), Vec::new());
    let mut chip = PREAMBLE_CHIPS;
    while chip < chips {
        let count = SEGMENT_CHIPS.min(chips - chip);
        let at = LEAD + PER_CHIP * chip;
        let segment = Segment {
            values: &values[at - before..at + PER_CHIP * count + after],
            first_chip: chip - PREAMBLE_CHIPS,
            constellation,
        };
        measures.push(equaliser.run(&segment, |_| None, &mut symbols, &mut decided));
        chip += count;
    }
    Outcome { symbols, measures, expected_variance: equaliser.noise_variance() }
}

/// SNR in dB of symbols against those sent, and the factor between them.
fn snr_db(symbols: &[Complex32], chips: &[Complex32]) -> (f64, Complex64) {
    let mut sent = chips[PREAMBLE_CHIPS..].to_vec();
    derotate_half_pi(&mut sent, 0);
    assert_eq!(symbols.len(), sent.len());
    let pairs = || symbols.iter().zip(&sent).map(|(z, d)| (widen(*z), widen(*d)));
    let energy: f64 = pairs().map(|(_, d)| d.norm_sqr()).sum();
    let gain = pairs().map(|(z, d)| z * d.conj()).sum::<Complex64>() / energy;
    let error: f64 = pairs().map(|(z, d)| (z - d).norm_sqr()).sum();
    (db(energy / error), gain)
}

fn two_rays(a: f64) -> Rays {
    vec![(0.0, Complex64::new(1.0, 0.0)), (1.0, Complex64::new(a, 0.0))]
}

/// Three rays, fractional delays, up to 20 ns apart at 1.76 GHz.
fn three_rays() -> Rays {
    vec![
        (0.0, Complex64::new(1.0, 0.0)),
        (7.3, Complex64::from_polar(0.5, 1.2)),
        (34.6, Complex64::from_polar(0.35, -2.1)),
    ]
}

/// Thirty rays over 30 ns (53 chips) with exponentially falling power, of unit total power.
fn thirty_rays(seed: u64) -> Rays {
    let mut noise = Noise::new(seed);
    let mut rays: Rays = (0..30)
        .map(|n| {
            let delay = 52.8 * f64::from(n) / 29.0;
            (delay, widen(noise.complex((-delay / 15.0).exp())))
        })
        .collect();
    rays[0].1 = Complex64::new(1.5, 0.0);
    let power: f64 = rays.iter().map(|(_, gain)| gain.norm_sqr()).sum();
    rays.iter_mut().for_each(|(_, gain)| *gain /= power.sqrt());
    rays
}

/// The helper against the closed form of Proakis and Salehi, chapter 9.
#[test]
fn the_bound_is_the_published_one() {
    let rows = table(include_str!("../../../tests/reference/phy_rf/mmse_linear.csv"));
    assert_eq!(rows.len(), 24);
    for row in rows {
        let bound = mmse_bound_db(&two_rays(row[0]), ROLLOFF, row[1]);
        // The integrand is smooth and periodic, so the sum is exact; near -inf dB it is relative.
        assert!((bound - row[3]).abs() < 1e-6, "{row:?}: {bound}");
    }
}

/// Checks one channel at one Es/N0; returns dB below the bound.
fn check_bound(name: &str, rays: &Rays, constellation: Constellation, es_n0_db: f64) -> f64 {
    let chips = frame(constellation, 20_000, 5);
    let n0 = 10_f64.powf(-es_n0_db / 10.0);
    let values = values(&chips, rays, LEAD, n0, 6);
    let outcome = equalise(&values, EqualiserKind::Mmse, constellation);
    let (snr, gain) = snr_db(&outcome.symbols, &chips);
    let loss = mmse_bound_db(rays, ROLLOFF, es_n0_db) - snr;
    println!("{name}, {constellation}, {es_n0_db} dB: {snr:.2} dB, {loss:.2} dB below the bound");
    assert!(loss < 1.0, "{name}, {constellation}, {es_n0_db} dB: {loss} dB below the bound");
    // The bound is one: 20000 symbols know the SNR to 0.07 dB (3 sigma 0.13 dB at high SNR).
    assert!(loss > -0.15, "{name}, {constellation}, {es_n0_db} dB: {loss}");
    assert!((gain - 1.0).norm() < 0.02, "{name}: biased by {gain}");
    let expected = -db(outcome.expected_variance);
    assert!((expected - snr).abs() < 0.5, "{name}: {expected} dB expected, {snr} dB found");
    loss
}

#[test]
fn a_single_path_loses_nothing() {
    for delay in [0.0, 0.3, 0.5] {
        let rays = vec![(delay, Complex64::new(0.0, 0.7))];
        let rays_bound = check_bound("one ray", &rays, Constellation::Qam16, 22.0);
        assert!(rays_bound < 0.1);
    }
}

/// J. G. Proakis, M. Salehi, Digital Communications, 5th ed., chapter 9: rows of the table.
#[test]
fn two_rays_are_equalised_to_the_bound() {
    for (a, es_n0_db, constellation) in [
        (0.5, 10.0, Constellation::Qpsk),
        (0.5, 20.0, Constellation::Qam16),
        (0.5, 30.0, Constellation::Qam64),
        (0.9, 10.0, Constellation::Bpsk),
        (0.9, 20.0, Constellation::Qpsk),
        (0.9, 30.0, Constellation::Qam16),
    ] {
        check_bound(&format!("two rays, a = {a}"), &two_rays(a), constellation, es_n0_db);
    }
}

#[test]
fn three_rays_are_equalised_to_the_bound() {
    for (es_n0_db, constellation) in [
        (10.0, Constellation::Qpsk),
        (20.0, Constellation::Qam16),
        (30.0, Constellation::Qam64),
    ] {
        check_bound("three rays", &three_rays(), constellation, es_n0_db);
    }
}

#[test]
fn thirty_rays_are_equalised_to_the_bound() {
    for seed in 1..=3 {
        for (es_n0_db, constellation) in [
            (12.0, Constellation::Qpsk),
            (20.0, Constellation::Qpsk),
            (25.0, Constellation::Qam16),
            (32.0, Constellation::Qam16),
        ] {
            let name = format!("thirty rays, seed {seed}");
            check_bound(&name, &thirty_rays(seed), constellation, es_n0_db);
        }
    }
}
