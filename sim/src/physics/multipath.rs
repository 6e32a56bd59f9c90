//! What several ways of one signal add up to in power.
//!
//! Knows nothing of arrays or angles: rays are a complex gain and a delay.

use num_complex::Complex64;

use super::capture::{Ray, Waveform};

/// Points of the waveform that a correlation looks at, at most.
const POINTS_MOST: usize = 1 << 18;
/// Points on each side of a lag between samples.
const SIDE: isize = 16;

/// Mean `|v|^2` over a pass of the sum of rays for a waveform of mean square 1:
/// `sum over k, l of g_k conj(g_l) R(tau_l - tau_k)`, R being the waveform's normalised
/// autocorrelation. A single ray gives the square of its gain.
pub fn mean_square(rays: &[Ray], waveform: &Waveform, rate_hz: f64) -> f64 {
    let own: f64 = rays.iter().map(|ray| ray.gain.norm_sqr()).sum();
    let mut crossed = 0.0;
    for (k, first) in rays.iter().enumerate() {
        for second in &rays[k + 1..] {
            let product = first.gain * second.gain.conj();
            if product.norm_sqr() > 0.0 {
                let lag = (second.delay_s - first.delay_s) * rate_hz;
                crossed += 2.0 * (product * autocorrelation(waveform, lag)).re;
            }
        }
    }
    own + crossed
}

/// Mean of `x(n + lag) conj(x(n))` over the mean of `|x|^2`, the waveform being looped. Between
/// samples by a Hann-windowed sinc, which is exact enough for a signal well below half the rate.
fn autocorrelation(waveform: &Waveform, lag: f64) -> Complex64 {
    let whole = lag.floor();
    let fraction = lag - whole;
    let codes = waveform.codes();
    if codes.is_empty() {
        return Complex64::ZERO;
    }
    let stride = codes.len().div_ceil(POINTS_MOST);
    let point = |n: isize| {
        let [i, q] = codes[n.rem_euclid(codes.len() as isize) as usize];
        Complex64::new(f64::from(i), f64::from(q))
    };
    let norm: f64 = (0..codes.len()).step_by(stride).map(|n| point(n as isize).norm_sqr()).sum();
    if norm == 0.0 {
        return Complex64::ZERO;
    }
    let at = |lag: isize| -> Complex64 {
        (0..codes.len())
            .step_by(stride)
            .map(|n| point(n as isize + lag) * point(n as isize).conj())
            .sum::<Complex64>()
            / norm
    };
    if fraction == 0.0 {
        return at(whole as isize);
    }
    let taps = || (1 - SIDE..=SIDE).map(|k| (k, sinc(fraction - k as f64)));
    // Taps that add up to 1 are exact for a wave that stands still.
    let sum: f64 = taps().map(|(_, tap)| tap).sum();
    taps().map(|(k, tap)| at(whole as isize + k) * (tap / sum)).sum()
}

/// `sin(pi x)/(pi x)` under a Hann window of `2 SIDE + 2`.
fn sinc(x: f64) -> f64 {
    let turn = std::f64::consts::PI * x;
    let window = 0.5 + 0.5 * (turn / (SIDE as f64 + 1.0)).cos();
    window * turn.sin() / turn
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tone of `cycles` in 256 points has the autocorrelation `exp(j 2 pi cycles lag/256)`.
    fn check_tone(cycles: u32, lag: f64) {
        let turn = |n: f64| std::f64::consts::TAU * f64::from(cycles) * n / 256.0;
        let codes = (0..256)
            .map(|n| [turn(f64::from(n)).cos(), turn(f64::from(n)).sin()])
            .map(|pair| pair.map(|x| (30_000.0 * x).round() as i16))
            .collect();
        let got = autocorrelation(&Waveform::from_codes(codes), lag);
        // The window's own error at these frequencies, and the rounding of the codes.
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
    fn two_equal_rays_of_one_tone_add_as_phasors() {
        // |1 + exp(j phi)|^2 = 2 + 2 cos(phi); delay and carrier phase both turn.
        let codes = (0..64).map(|_| [20_000i16, 0]).collect();
        let ray = |phase: f64, delay_s| Ray { gain: Complex64::cis(phase), delay_s };
        let rays = [ray(0.0, 0.0), ray(1.0, 3.3e-9)];
        let got = mean_square(&rays, &Waveform::from_codes(codes), 1e9);
        assert!((got / (2.0 + 2.0 * 1f64.cos()) - 1.0).abs() < 1e-3, "{got}");
    }
}
