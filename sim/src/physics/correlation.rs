//! How a looped waveform resembles itself later, as a band lets it through: what several ways and
//! band limits make of its power.
//!
//! Knows nothing of arrays or angles, nor of what the waveform means. A band is linear and steady, so
//! all follows from the waveform's autocorrelation and from those of the responses
//! (Wiener and Khinchin): `R_ab(tau) = sum over l of R(l) C_ab(l - tau)`,
//! `C_ab(t) = int a(s) b(s + t) ds`, scaled so that a wave that stands still keeps its power.

use std::sync::Arc;

use num_complex::Complex64;

use super::capture::Waveform;
use super::filter::{Band, LowPass};

/// Points of the waveform times lags that a correlation looks at, at most.
const PRODUCTS_MOST: usize = 1 << 23;
/// Points of the waveform that a correlation looks at, at most.
const POINTS_MOST: usize = 1 << 18;
/// Stretches of a long waveform that are looked at. Each is whole: points a fixed stride apart would
/// see but some of the instants within a symbol.
const STRETCHES: usize = 16;
/// Steps per sample of an integral over responses that end at 0.6 of the rate.
const FINE: usize = 4;

/// What a band that just shows all of what a source of `rate_hz` plays lets through.
pub fn whole_band(rate_hz: f64) -> Band {
    Band::from(LowPass { pass_hz: f64::INFINITY, stop_hz: f64::INFINITY }.behind_converter(rate_hz))
}

/// Mean of `x(n + lag) conj(x(n))` over the mean of `|x|^2` for `count` lags from `first` on, the
/// waveform being looped; `None` for silence.
fn correlations(waveform: &Waveform, first: isize, count: usize) -> Option<Vec<Complex64>> {
    let codes = waveform.codes();
    let length = codes.len();
    if length == 0 {
        return None;
    }
    let point = |n: usize| {
        let [i, q] = codes[n % length];
        Complex64::new(f64::from(i), f64::from(q))
    };
    let most = (PRODUCTS_MOST / count.max(1)).clamp(1 << 14, POINTS_MOST);
    let stretches = if length <= most { 1 } else { STRETCHES };
    let points = if length <= most { length } else { most / STRETCHES };
    let mut sums = vec![Complex64::ZERO; count];
    let mut norm = 0.0;
    for stretch in 0..stretches {
        let start = stretch * (length / stretches);
        let later = (start as isize + first).rem_euclid(length as isize) as usize;
        let now: Vec<Complex64> = (start..start + points).map(|n| point(n).conj()).collect();
        let then: Vec<Complex64> = (later..later + points + count).map(point).collect();
        norm += now.iter().map(Complex64::norm_sqr).sum::<f64>();
        for (lag, sum) in sums.iter_mut().enumerate() {
            *sum += now.iter().zip(&then[lag..]).map(|(a, b)| a * b).sum::<Complex64>();
        }
    }
    (norm > 0.0).then(|| sums.into_iter().map(|sum| sum / norm).collect())
}

/// `R_ab(lag)` for a waveform of mean square 1 at `rate_hz`, the lag in samples; 0 for silence.
pub fn through((a, b): (&Band, &Band), waveform: &Waveform, rate_hz: f64, lag: f64) -> Complex64 {
    let (half_a, half_b) = (a.half_width_s() * rate_hz, b.half_width_s() * rate_hz);
    let reach = (half_a + half_b).ceil();
    let first = (lag - reach).floor();
    let count = 2 * reach as usize + 2;
    let Some(own) = correlations(waveform, first as isize, count) else { return Complex64::ZERO };
    let steps = |half: f64| (half * FINE as f64).ceil() as isize;
    let response = a.response();
    let at = |k: isize| k as f64 / FINE as f64 / rate_hz;
    let left: Vec<f64> = (-steps(half_a)..=steps(half_a)).map(|k| response(at(k))).collect();
    let response = b.response();
    // b on the grid of a, moved by the part of a step that the lag adds.
    let shift = (first - lag) / rate_hz;
    let (low, high) = (-steps(half_a), steps(half_a) + (FINE * count) as isize);
    let right: Vec<f64> = (low..=high).map(|k| response(at(k) + shift)).collect();
    let alike = |n: usize| -> f64 { left.iter().zip(&right[FINE * n..]).map(|(a, b)| a * b).sum() };
    let weights: Vec<f64> = (0..count).map(alike).collect();
    let sum: f64 = weights.iter().sum();
    own.iter().zip(weights).map(|(r, weight)| r * (weight / sum)).sum()
}

/// Which correlation.
type Key = (Band, Band, f64, f64);

/// Correlations already computed: a bench asks for the same few again and again.
#[derive(Debug, Default)]
pub struct Correlations(Vec<(Arc<Waveform>, Key, Complex64)>);

/// How many are kept.
const KEPT: usize = 64;

impl Correlations {
    /// As [`through`].
    pub fn through(
        &mut self,
        (a, b): (&Band, &Band),
        waveform: &Arc<Waveform>,
        rate_hz: f64,
        lag: f64,
    ) -> Complex64 {
        let key = (*a, *b, rate_hz, lag);
        let found = self.0.iter().find(|(w, k, _)| Arc::ptr_eq(w, waveform) && *k == key);
        if let Some((_, _, found)) = found {
            return *found;
        }
        if self.0.len() == KEPT {
            self.0.remove(0);
        }
        let made = through((a, b), waveform, rate_hz, lag);
        self.0.push((Arc::clone(waveform), key, made));
        made
    }
}

#[cfg(test)]
mod tests {
    use super::super::gaussian::{Purpose, Stream};
    use super::*;

    fn open(rate_hz: f64, lag: f64, waveform: &Waveform) -> Complex64 {
        let band = whole_band(rate_hz);
        through((&band, &band), waveform, rate_hz, lag)
    }

    /// A tone of `cycles` in 256 points has the autocorrelation `exp(j 2 pi cycles lag/256)`.
    fn check_tone(cycles: u32, lag: f64) {
        let turn = |n: f64| std::f64::consts::TAU * f64::from(cycles) * n / 256.0;
        let codes = (0..256)
            .map(|n| [turn(f64::from(n)).cos(), turn(f64::from(n)).sin()])
            .map(|pair| pair.map(|x| (30_000.0 * x).round() as i16))
            .collect();
        let got = open(7e9, lag, &Waveform::from_codes(codes));
        // The band's ripple, and the rounding of the codes.
        assert!((got - Complex64::cis(turn(lag))).norm() < 1e-3, "{cycles} at {lag}: {got}");
    }

    #[test]
    fn correlation_of_a_tone() {
        check_tone(3, 7.0);
        check_tone(3, 0.4);
        check_tone(40, -12.7);
        check_tone(60, 1000.3);
    }

    #[test]
    fn a_long_waveform_is_seen_at_every_instant_of_its_symbols() {
        // Random symbols held for four points: R(l) = 1 - l/4, 0 from there on (textbook).
        let mut random = Stream::new(3, Purpose::Reading, 0);
        let mut codes = Vec::with_capacity(1 << 20);
        for _ in 0..1 << 18 {
            let mut bit = || if random.uniform() < 0.5 { -20_000i16 } else { 20_000 };
            codes.extend([[bit(), bit()]; 4]);
        }
        let got = correlations(&Waveform::from_codes(codes), -1, 7).expect("it is loud");
        for (r, expected) in got.iter().zip([0.75, 1.0, 0.75, 0.5, 0.25, 0.0, 0.0]) {
            // 65,536 symbols: 4 sigma are 0.016.
            assert!((r - expected).norm() < 0.016, "{got:?}");
        }
    }
}
