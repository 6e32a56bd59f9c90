//! Finds the frames in a recording and aligns to each: start, carrier offset.
//!
//! The short training field repeats Ga128; products of correlations one period apart add up whatever
//! the carrier offset, up to half a cycle a period (6.9 MHz at the standard's chip rate). The channel
//! estimation field then tells which period was the first. Knows nothing of what follows the preamble.

use std::f64::consts::TAU;
use std::ops::Range;

use num_complex::{Complex32, Complex64};

use super::constellation::derotate_half_pi;
use super::correlator::{Correlations, SEQUENCE_CHIPS, correlate};
use super::frame::{PREAMBLE_CHIPS, STF_CHIPS};
use super::frontend::{FrontEnd, Impairments};
use super::recording::{narrow, widen};

/// Values a chip.
pub(crate) const PER_CHIP: usize = 2;
/// Periods of Ga128 with positive sign in the STF.
const PERIODS: usize = 16;
/// One period in half chips.
const PERIOD: usize = SEQUENCE_CHIPS * PER_CHIP;
/// Half chips of silence imagined before and after the recording, so that cut frames are seen.
const PADDING: usize = PERIODS * PERIOD;
/// Least share of the power that must correlate. The spectrum of Ga128 bounds a tone at 2/128
/// (Golay's property), noise stays near 1/(128 sqrt(15)), a frame at 0 dB Es/N0 with the largest
/// carrier offset reaches 0.28.
const METRIC_MIN: f64 = 0.025;
/// Two frames cannot start nearer than this, in half chips.
const SPACING: usize = PER_CHIP * PREAMBLE_CHIPS;
/// Lags before the strongest path that are looked at, in chips.
const LAGS_BEFORE: usize = 64;
/// Lags of the channel response seen by the channel estimation field, in chips.
const LAGS: usize = 128;
/// Chips before the main path that belong to the response used by the equaliser.
pub(crate) const PRECURSOR_CHIPS: usize = 16;
/// Chips of the response used by the equaliser: what the guard covers.
pub(crate) const RESPONSE_CHIPS: usize = 64;

/// A place where a short training field seems to be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Candidate {
    /// Position of its first chip, in chips; off by whole periods at times.
    pub start: f64,
    /// Carrier offset in cycles a chip, within half a cycle a period.
    pub cfo: f64,
    /// Share of the power that correlates.
    pub metric: f64,
}

/// A frame's place, good enough to estimate the channel.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Alignment {
    /// Position of chip 0 in chips, as the equaliser wants it: up to some chips before or after
    /// that of any path.
    pub start: f64,
    /// Position of chip 0 in chips along the strongest path.
    pub main: f64,
    /// Carrier offset in cycles a chip.
    pub cfo: f64,
}

/// All candidates in a stretch of the recording (in chips), in order of their position.
pub(crate) fn find(
    front_end: &FrontEnd<'_>,
    wrong: &Impairments,
    stretch: Range<usize>,
) -> Vec<Candidate> {
    let from = stretch.start as f64;
    let end = front_end.chips().min(stretch.end as f64);
    let inside = ((end - from) * PER_CHIP as f64) as usize;
    if inside < PERIOD * 2 {
        return Vec::new();
    }
    let mut values = vec![Complex32::default(); inside + 2 * PADDING];
    front_end.sample(wrong, from, 1.0 / PER_CHIP as f64, &mut values[PADDING..PADDING + inside]);
    let energy = running_energy(&values);
    derotate_pairs(&mut values);
    let correlation = correlate(&values, PER_CHIP).a;
    drop(values);
    let products: Vec<Complex32> =
        correlation.iter().zip(&correlation[PERIOD..]).map(|(a, b)| b * a.conj()).collect();
    let count = products.len().saturating_sub((PERIODS - 2) * PERIOD);
    let mut peaks: Vec<(usize, f64, Complex32)> = (0..count)
        .filter_map(|n| {
            let sum: Complex32 = (0..PERIODS - 1).map(|m| products[n + m * PERIOD]).sum();
            let metric = metric(sum, window_power(&energy, n, inside));
            (metric > METRIC_MIN).then_some((n, metric, sum))
        })
        .collect();
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut taken = vec![false; count];
    let mut found: Vec<Candidate> = Vec::new();
    for (n, metric, sum) in peaks {
        if taken[n] {
            continue;
        }
        taken[n.saturating_sub(SPACING)..(n + SPACING).min(count)].fill(true);
        let start = from + (n as f64 - PADDING as f64) / PER_CHIP as f64;
        let cfo = f64::from(sum.arg()) / (TAU * SEQUENCE_CHIPS as f64);
        found.push(Candidate { start, cfo, metric });
    }
    found.sort_by(|a, b| a.start.total_cmp(&b.start));
    found
}

/// Chips of a stretch that are searched at once, which bounds the memory that the search takes.
const PIECE_CHIPS: usize = 1 << 14;
/// Chips that two pieces share: more than a preamble, so that each one is whole in one of them.
const SHARED_CHIPS: usize = 1 << 12;

/// A stretch in pieces that overlap.
pub(crate) fn pieces(stretch: Range<usize>) -> impl Iterator<Item = Range<usize>> {
    let last = stretch.end.saturating_sub(SHARED_CHIPS).max(stretch.start + 1);
    let starts = (stretch.start..last).step_by(PIECE_CHIPS - SHARED_CHIPS);
    starts.map(move |start| start..(start + PIECE_CHIPS).min(stretch.end))
}

/// Of candidates nearer to each other than frames can be the best, in order of position: parts of a
/// recording that were searched apart may have seen the same frame, or a part of it.
pub(crate) fn best_of(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
    candidates.sort_by(|a, b| b.metric.total_cmp(&a.metric));
    let mut kept: Vec<Candidate> = Vec::new();
    for candidate in candidates {
        let near =
            |other: &Candidate| (other.start - candidate.start).abs() < (SPACING / PER_CHIP) as f64;
        if !kept.iter().any(near) {
            kept.push(candidate);
        }
    }
    kept.sort_by(|a, b| a.start.total_cmp(&b.start));
    kept
}

/// Sum of the squared magnitudes before each index, in f64 so that differences stay exact.
fn running_energy(values: &[Complex32]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut out = Vec::with_capacity(values.len() + 1);
    out.push(0.0);
    out.extend(values.iter().map(|z| {
        sum += f64::from(z.norm_sqr());
        sum
    }));
    out
}

/// Mean power over the periods of a short training field at `n`, as far as they are recorded.
fn window_power(energy: &[f64], n: usize, inside: usize) -> f64 {
    let (from, to) = (n.max(PADDING), (n + PERIODS * PERIOD).min(PADDING + inside));
    if to < from + PERIOD { 0.0 } else { (energy[to] - energy[from]) / (to - from) as f64 }
}

fn metric(sum: Complex32, power: f64) -> f64 {
    let full = (PERIODS - 1) as f64 * (SEQUENCE_CHIPS * SEQUENCE_CHIPS) as f64 * power;
    if full > 0.0 { f64::from(sum.norm_sqr()).sqrt() / full } else { 0.0 }
}

/// Takes the pi/2 rotation off values of which there are two a chip.
fn derotate_pairs(values: &mut [Complex32]) {
    for (chip, pair) in values.chunks_mut(PER_CHIP).enumerate() {
        for value in pair {
            let mut one = [*value];
            derotate_half_pi(&mut one, chip);
            *value = one[0];
        }
    }
}

/// Aligns to a candidate: resolves the period, refines the carrier offset and places the response's
/// energy where the equaliser wants it.
pub(crate) fn align(
    front_end: &FrontEnd<'_>,
    wrong: &Impairments,
    candidate: &Candidate,
) -> Alignment {
    // A field of which the beginning is cut off may be seen many periods late.
    let earlier = if candidate.start < (SEQUENCE_CHIPS * 4) as f64 { PERIODS } else { 4 };
    let later = 4;
    let first = candidate.start - (earlier * SEQUENCE_CHIPS) as f64;
    let chips = PREAMBLE_CHIPS + (earlier + later) * SEQUENCE_CHIPS;
    let mut values = vec![Complex32::default(); PER_CHIP * chips];
    let coarse = Impairments { cfo: candidate.cfo, ..*wrong };
    front_end.sample(&coarse, first, 1.0 / PER_CHIP as f64, &mut values);
    derotate_pairs(&mut values);
    let residual = fine_cfo(&values[PER_CHIP * earlier * SEQUENCE_CHIPS..]);
    for (n, value) in values.iter_mut().enumerate() {
        let turn = Complex64::from_polar(1.0, -TAU * residual * (n as f64 / PER_CHIP as f64));
        *value = narrow(widen(*value) * turn);
    }
    let correlations = correlate(&values, PER_CHIP);
    let strongest = |periods: usize| -> f64 {
        let response = golay_response(&correlations, periods);
        response.iter().map(Complex64::norm_sqr).fold(0.0, f64::max)
    };
    let best = (1..earlier + later)
        .max_by(|a, b| strongest(*a).total_cmp(&strongest(*b)))
        .unwrap_or(earlier);
    let response = golay_response(&correlations, best);
    let nominal = first + (best * SEQUENCE_CHIPS) as f64;
    let (main, shift) = place_response(&response);
    Alignment { start: nominal + shift, main: nominal + main, cfo: candidate.cfo + residual }
}

/// Carrier offset left, in cycles a chip, from products eight periods apart within the STF.
fn fine_cfo(values: &[Complex32]) -> f64 {
    const APART: usize = 8;
    let field = &values[2 * PERIOD..(PERIODS - 1) * PERIOD];
    let sum: Complex64 = field
        .iter()
        .zip(&field[APART * PERIOD..])
        .map(|(early, late)| widen(late * early.conj()))
        .sum();
    sum.arg() / (TAU * (APART * SEQUENCE_CHIPS) as f64)
}

/// Channel response from the channel estimation field by Golay correlation: two values a chip, from
/// 64 chips before to 64 chips after the assumed start of the frame, `periods` after the first of
/// the correlated values. Exact for a response that lies within these lags (IEEE 802.11ad-2012
/// clause 21.3.6.3).
fn golay_response(correlations: &Correlations, periods: usize) -> Vec<Complex64> {
    /// Signs of the field's first eight sequences, which are Gb, Ga, Gb, ...
    const SIGNS: [f64; 8] = [-1.0, -1.0, 1.0, -1.0, -1.0, 1.0, -1.0, -1.0];
    let origin = periods * PERIOD + PER_CHIP * (STF_CHIPS - LAGS_BEFORE);
    let at = |n: usize, lag: usize| {
        let sequence = if n.is_multiple_of(2) { &correlations.b } else { &correlations.a };
        sequence.get(origin + n * PERIOD + lag).map_or(Complex64::default(), |z| widen(*z))
    };
    (0..PER_CHIP * LAGS)
        .map(|lag| {
            let sum: Complex64 = (0..8).map(|n| at(n, lag) * SIGNS[n]).sum();
            // Chips are derotated by their place, a response at an odd lag is turned with them.
            let turns = (lag / PER_CHIP + LAGS - LAGS_BEFORE) % 4;
            sum * Complex64::i().powu(turns as u32) / 1024.0
        })
        .collect()
}

/// Where the strongest path lies, and where the start must be so that the stretch from 16 chips
/// before to 48 chips after it holds most of the response's energy; both in chips after the assumed
/// start. A response that fits anyway is left with its strongest path at the start.
fn place_response(response: &[Complex64]) -> (f64, f64) {
    /// Chips that a response should keep from the stretch's ends, for the tails of its pulses.
    const KEPT_CLEAR: i64 = 8 * PER_CHIP as i64;
    let power: Vec<f64> = response.iter().map(Complex64::norm_sqr).collect();
    let mut sorted = power.clone();
    sorted.sort_by(f64::total_cmp);
    // Most lags hold only noise; their median over ln 2 is its mean power. One of the 256 exceeds
    // 14 times the mean once in 5000 recordings.
    let floor = 14.0 * sorted[sorted.len() / 2] / std::f64::consts::LN_2;
    let strong: Vec<f64> = power.iter().map(|p| if *p > floor { *p } else { 0.0 }).collect();
    let peak = (0..strong.len()).max_by(|a, b| strong[*a].total_cmp(&strong[*b])).unwrap_or(0);
    let held = |first: i64| -> f64 {
        let end = first + (PER_CHIP * RESPONSE_CHIPS) as i64;
        (first.max(0)..end.min(strong.len() as i64)).map(|n| strong[n as usize]).sum()
    };
    let preferred = peak as i64 - (PER_CHIP * PRECURSOR_CHIPS) as i64;
    // The strongest path stays inside, two chips from the ends.
    let earliest = preferred - (PER_CHIP * (RESPONSE_CHIPS - PRECURSOR_CHIPS - 2)) as i64;
    let latest = preferred + (PER_CHIP * (PRECURSOR_CHIPS - 2)) as i64;
    let most = (earliest..=latest).map(held).fold(0.0, f64::max);
    let good = |first: &i64| held(*first) >= 0.998 * most;
    let (low, high) = (
        (earliest..=latest).find(good).unwrap_or(preferred),
        (earliest..=latest).rev().find(good).unwrap_or(preferred),
    );
    let clear = KEPT_CLEAR.min((high - low) / 2);
    let first = preferred.clamp(low + clear, high - clear);
    let chips = |lag: i64| lag as f64 / PER_CHIP as f64 - LAGS_BEFORE as f64;
    (chips(peak as i64), chips(first) + PRECURSOR_CHIPS as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A response with paths at the given lags in chips from the assumed start.
    fn response(paths: &[(f64, f64)]) -> Vec<Complex64> {
        let mut response = vec![Complex64::new(1e-3, 0.0); PER_CHIP * LAGS];
        for (lag, gain) in paths {
            response[((lag + LAGS_BEFORE as f64) * PER_CHIP as f64) as usize] += gain;
        }
        response
    }

    fn check_place(paths: &[(f64, f64)], main: f64, start: f64) {
        assert_eq!(place_response(&response(paths)), (main, start), "{paths:?}");
    }

    #[test]
    fn the_response_is_placed_within_the_window() {
        // A single path, wherever it is, is the start.
        check_place(&[(0.0, 1.0)], 0.0, 0.0);
        check_place(&[(-7.5, 1.0)], -7.5, -7.5);
        // Late echoes that fit change nothing, nor does an early one by less than the precursor.
        check_place(&[(0.0, 1.0), (30.0, 0.5)], 0.0, 0.0);
        check_place(&[(0.0, 1.0), (-8.0, 0.5)], 0.0, 0.0);
        // An early path is taken in with eight chips before it.
        check_place(&[(0.0, 1.0), (-30.0, 0.5)], 0.0, -22.0);
        // With an echo of 56 chips the window may begin 7.5 to 2 chips before the first path: it
        // begins half way between.
        check_place(&[(0.0, 1.0), (56.0, 0.7)], 0.0, 11.0);
    }
}
