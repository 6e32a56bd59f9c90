//! The time-domain equaliser against the bound of linear equalisers, and what it follows.

use num_complex::{Complex32, Complex64};

use super::*;
use crate::phy::channel;
use crate::phy::frame::{PREAMBLE_CHIPS, preamble_chips};
use crate::phy::link_testing::{Noise, db, mmse_bound_db, table};
use crate::phy::recording::{narrow, widen};

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

/// Values before the first chip's.
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
        assert_eq!(segment.values.len(), equaliser.values_for(count));
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

/// Thirty rays over 30 ns (53 chips) with exponentially falling power, of unit total power. The
/// first comes eight chips early, as synchronisation places a response that needs the room.
fn thirty_rays(seed: u64) -> Rays {
    let mut noise = Noise::new(seed);
    let mut rays: Rays = (0..30)
        .map(|n| {
            let delay = 52.8 * f64::from(n) / 29.0;
            (delay - 8.0, widen(noise.complex((-delay / 15.0).exp())))
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
    // The bound is one; 20000 symbols know the SNR to 0.06 dB where their errors are independent, and
    // a deep notch leaves them far from that.
    assert!(loss > -0.25, "{name}, {constellation}, {es_n0_db} dB: {loss}");

    // The preamble tells each tap to N0/3184, so a gain at 10 dB to half a per cent, and N0 to 2 %.
    assert!((gain - 1.0).norm() < 0.03, "{name}: biased by {gain}");
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
    for (es_n0_db, constellation) in
        [(10.0, Constellation::Qpsk), (20.0, Constellation::Qam16), (30.0, Constellation::Qam64)]
    {
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

/// Values of a frame whose sender's clock is fast by `clock_ppm`, sampled wherever the caller's
/// own clock wants them, with a carrier residue and a walking phase.
struct Drifting {
    chips: Vec<Complex32>,
    rays: Rays,
    noise: Vec<Complex32>,
    clock_ppm: f64,
    residue: f64,
    phases: Vec<f64>,
}

impl Drifting {
    /// The value at `position` chips of the receiver's clock.
    fn at(&self, position: f64) -> Complex32 {
        let n = ((PER_CHIP as f64 * position).round() as i64 + LEAD as i64).max(0) as usize;
        let turn = std::f64::consts::TAU * self.residue * position
            + self.phases.get(n / PER_CHIP).copied().unwrap_or(0.0);
        let clean = value_at(&self.chips, &self.rays, position * (1.0 + self.clock_ppm * 1e-6));
        clean * narrow(Complex64::from_polar(1.0, turn))
            + self.noise.get(n).copied().unwrap_or_default()
    }

    /// One pass: equalises all data by a clock that is off by `drift` and a carrier off by `carrier`,
    /// sampling every segment where a second-order loop over the measured delays expects it. Returns
    /// the symbols and what is still wrong with drift and carrier.
    fn pass(&self, constellation: Constellation, drift: f64, carrier: f64) -> Pass {
        let sample = |chip: f64| {
            let position = chip * (1.0 + drift);
            let turn = Complex64::from_polar(1.0, -std::f64::consts::TAU * carrier * position);
            self.at(position) * narrow(turn)
        };
        let preamble: Vec<Complex32> =
            (0..PER_CHIP * PREAMBLE_CHIPS).map(|n| sample(n as f64 / 2.0)).collect();
        let channel = channel::estimate(&preamble).expect("a whole preamble");
        let mut equaliser = TimeEqualiser::new(&channel, pulse(), EqualiserKind::Mmse);
        let (before, _) = equaliser.reach();
        let (mut symbols, mut decided) = (Vec::new(), Vec::new());
        let (mut delays, mut phases) = (Vec::new(), Vec::new());
        let mut following = crate::phy::tracking::DelayLoop::default();
        for chip in (PREAMBLE_CHIPS..self.chips.len() - SEGMENT_CHIPS + 1).step_by(SEGMENT_CHIPS) {
            let offset = following.predicted();
            let values: Vec<Complex32> = (0..equaliser.values_for(SEGMENT_CHIPS))
                .map(|n| sample(chip as f64 + offset + (n as f64 - before as f64) / 2.0))
                .collect();
            let segment =
                Segment { values: &values, first_chip: chip - PREAMBLE_CHIPS, constellation };
            let measure = equaliser.run(&segment, |_| None, &mut symbols, &mut decided);
            following.update(offset - measure.late);
            delays.push((chip as f64, offset - measure.late));
            phases.push((chip as f64, measure.phase));
        }
        let slope = |points: &[(f64, f64)]| {
            crate::phy::tracking::Line::through(points).expect("many segments").slope
        };
        Pass { symbols, drift: slope(&delays), carrier: slope(&phases) / std::f64::consts::TAU }
    }
}

struct Pass {
    symbols: Vec<Complex32>,
    drift: f64,
    carrier: f64,
}

fn check_drifting(clock_ppm: f64, residue: f64, walk_rad: f64, loss_db_max: f64) {
    let (es_n0_db, segments) = (20.0, 40);
    let rays = vec![(0.0, Complex64::new(1.0, 0.0)), (3.4, Complex64::from_polar(0.4, 2.0))];
    let chips = frame(Constellation::Qam16, segments * SEGMENT_CHIPS, 8);
    let count = 2 * LEAD + PER_CHIP * chips.len();
    let mut source = Noise::new(9);
    let mut walk = 0.0;
    let phases = (0..count)
        .map(|_| {
            walk += walk_rad * f64::from(source.complex(2.0).re);
            walk
        })
        .collect();
    let noise = coloured_noise(count, 10_f64.powf(-es_n0_db / 10.0), 10);
    let link = Drifting { chips, rays, noise, clock_ppm, residue, phases };
    let first = link.pass(Constellation::Qam16, 0.0, 0.0);
    let what = format!("{clock_ppm} ppm, {residue} cycles a chip, walk {walk_rad}");
    // Half a ppm moves a frame of 20000 chips by 0.01 chips.
    assert!((first.drift * 1e6 + clock_ppm).abs() < 1.0, "{what}: {} found", first.drift);
    let second = link.pass(Constellation::Qam16, first.drift, first.carrier);
    let (snr, _) = snr_db(&second.symbols, &link.chips[..PREAMBLE_CHIPS + second.symbols.len()]);
    let loss = mmse_bound_db(&link.rays, ROLLOFF, es_n0_db) - snr;
    println!("{what}: {loss:.2} dB below the bound");
    assert!(loss < loss_db_max, "{what}: {loss} dB");
    assert!(second.drift.abs() < 1e-6, "{what}: {} left", second.drift);
    assert!(walk_rad > 0.0 || second.carrier.abs() < 1e-8, "{what}: {} left", second.carrier);
}

/// 80 ppm of clock error move 20000 chips by 1.6 chips; a carrier residue of 5e-6 cycles a chip is
/// ten times what the preamble leaves.
#[test]
fn clock_and_carrier_are_followed() {
    check_drifting(0.0, 0.0, 0.0, 0.1);
    check_drifting(80.0, 5e-6, 0.0, 0.1);
    check_drifting(-80.0, -5e-6, 0.0, 0.1);
    // A walk of 2e-3 rad a chip is 2.6 degrees rms over a segment's length; left are 0.6.
    check_drifting(10.0, 0.0, 2e-3, 0.2);
}

/// A delay and a phase that are put in come out.
#[test]
fn phase_and_delay_are_measured() {
    let chips = frame(Constellation::Qpsk, 4 * SEGMENT_CHIPS, 8);
    let rays = vec![(0.0, Complex64::new(1.0, 0.0)), (3.4, Complex64::from_polar(0.4, 2.0))];
    let values = values(&chips, &rays, LEAD, 1e-3, 3);
    let channel = channel::estimate(&values[LEAD..]).expect("a whole preamble");
    for (phase, late) in [(0.0, 0.0), (0.3, 0.05), (-0.25, -0.08)] {
        let mut equaliser = TimeEqualiser::new(&channel, pulse(), EqualiserKind::Mmse);
        let (before, _) = equaliser.reach();
        let turn = narrow(Complex64::from_polar(1.0, phase));
        let mut sampled = Vec::new();
        let (mut symbols, mut decided) = (Vec::new(), Vec::new());
        let mut measure = SegmentMeasure::default();
        let first_chip = 2 * SEGMENT_CHIPS;
        // The first segments settle the loop.
        for start in [0, SEGMENT_CHIPS, first_chip] {
            sampled = (0..equaliser.values_for(SEGMENT_CHIPS))
                .map(|n| (PREAMBLE_CHIPS + start) as f64 + (n as f64 - before as f64) / 2.0)
                .map(|position| value_at(&chips, &rays, position + late) * turn)
                .collect();
            let (values, constellation) = (&sampled[..], Constellation::Qpsk);
            let segment = Segment { values, first_chip: start, constellation };
            decided.clear();
            measure = equaliser.run(&segment, |_| None, &mut symbols, &mut decided);
        }
        let segment = Segment { values: &sampled, first_chip, constellation: Constellation::Qpsk };
        assert!(measure.phase_rate.abs() < 2e-5, "{}", measure.phase_rate);
        assert!((measure.phase - phase).abs() < 5e-3, "{phase}: {}", measure.phase);
        assert!((measure.late - late).abs() < 0.003, "{late}: {}", measure.late);
        let (at, expected) = equaliser.expected(&segment, &decided, &measure).expect("all chips");
        let found = &sampled[before + at..][..expected.len()];
        let error: f32 = found.iter().zip(&expected).map(|(a, b)| (a - b).norm_sqr()).sum();
        assert!(db(f64::from(error) / expected.len() as f64) < -30.0, "{phase} {late}: {error}");
    }
}

/// A ray that grows during the frame is followed: without it the last segments would be at 12 dB.
#[test]
fn a_changing_channel_is_followed() {
    let ray = |gain: f64| vec![(0.0, Complex64::new(1.0, 0.0)), (4.0, Complex64::new(0.0, gain))];
    let count = 400 * SEGMENT_CHIPS;
    let chips = frame(Constellation::Qpsk, count, 8);
    let early = values(&chips, &ray(0.0), LEAD, 0.01, 3);
    let late = values(&chips, &ray(0.25), LEAD, 0.01, 3);
    let mixed: Vec<Complex32> = early
        .iter()
        .zip(&late)
        .enumerate()
        .map(|(n, (a, b))| a + (b - a) * (n as f32 / early.len() as f32))
        .collect();
    let outcome = equalise(&mixed, EqualiserKind::Mmse, Constellation::Qpsk);
    let last = outcome.symbols.len() - 20 * SEGMENT_CHIPS;
    let mut data = chips[PREAMBLE_CHIPS..].to_vec();
    derotate_half_pi(&mut data, 0);
    let error = mean_square(&outcome.symbols[last..], &data[last..]);
    println!("changing channel: {} dB", -db(error));
    // The ray grows by 0.005 a step of 1/16, so it is known to 0.08: 17.9 dB with the noise.
    assert!(-db(error) > 17.3, "{} dB", -db(error));
    assert!(outcome.measures.iter().all(|m| m.error < 0.025), "no segment is lost");
}

/// Zero forcing reaches its own figure, g (1 - a^2) (Proakis and Salehi, chapter 9); a filter
/// without echoes in mind leaves them.
#[test]
fn other_kinds_do_what_they_say() {
    let chips = frame(Constellation::Qpsk, 20_000, 5);
    let rays = two_rays(0.5);
    let values = values(&chips, &rays, LEAD, 0.01, 6);
    for (kind, expected) in [
        (EqualiserKind::ZeroForcing, 20.0 + db(1.0 - 0.25)),
        // One path nearest to 1 + a z is at half a chip or so; its exact figure is not published.
        (EqualiserKind::Flat, 6.0),
    ] {
        let outcome = equalise(&values, kind, Constellation::Qpsk);
        let (snr, _) = snr_db(&outcome.symbols, &chips);
        let tolerance = if kind == EqualiserKind::Flat { 3.0 } else { 0.3 };
        assert!((snr - expected).abs() < tolerance, "{kind:?}: {snr}");
        assert!((snr + db(outcome.expected_variance)).abs() < 0.4, "{kind:?}: {snr}");
    }
}

/// Whatever comes in, nothing panics and the number of symbols is that of the values.
#[test]
fn strange_input_does_no_harm() {
    let zero = Complex64::default();
    for tap in [zero, Complex64::new(1.0, 0.0), Complex64::new(f64::NAN, 0.0)] {
        let mut taps = vec![zero; 128];
        taps[32] = tap;
        for noise in [0.0, 0.1, f64::NAN, f64::INFINITY] {
            let channel =
                ChannelEstimate { taps: taps.clone(), noise, tap_variance: vec![1e-3; 64] };
            let mut equaliser = TimeEqualiser::new(&channel, pulse(), EqualiserKind::Mmse);
            let enough = equaliser.values_for(SEGMENT_CHIPS);
            for (length, expected) in [(0, 0), (10, 0), (enough - 1, 511), (enough + 99, 512)] {
                for value in [0.0, 1.0, f32::NAN, f32::INFINITY] {
                    let values = vec![Complex32::new(value, value); length];
                    let segment = Segment {
                        values: &values,
                        first_chip: usize::MAX - 100,
                        constellation: Constellation::Qam64,
                    };
                    let (mut out, mut decided) = (Vec::new(), Vec::new());
                    let measure = equaliser.run(&segment, |_| None, &mut out, &mut decided);
                    assert_eq!((out.len(), decided.len()), (expected, expected));
                    assert!(measure.phase.is_finite() && measure.late.is_finite());
                    equaliser.expected(&segment, &decided, &measure);
                    assert_eq!(equaliser.channel().taps.len(), 128);
                }
            }
        }
    }
}
