//! Kaiser's window and the sine cardinal, of which the short low-passes here are made.
//!
//! J. F. Kaiser, 1974; A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, ch. 7 (from
//! memory). Knows nothing of rates or signals.

use std::f64::consts::PI;

/// `sin(pi x)/(pi x)`.
pub(crate) fn sine_cardinal(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

/// Kaiser's window of shape `beta` at `x` of its half length; beyond its ends as at them.
pub(crate) fn window(x: f64, beta: f64) -> f64 {
    shape(x, beta) / bessel_i0(beta)
}

/// The window but for a factor, for those who scale the taps themselves.
pub(crate) fn shape(x: f64, beta: f64) -> f64 {
    bessel_i0(beta * (1.0 - x * x).max(0.0).sqrt())
}

/// Modified Bessel function of the first kind, order 0, by its power series (M. Abramowitz, I. A.
/// Stegun, Handbook of Mathematical Functions, 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..100 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// I0(1) and I0(5) of M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, Table 9.8
    /// (there as exp(-x) I0(x): 0.46575 96077 and 0.18354 08126).
    #[test]
    fn bessel_function_has_the_values_of_the_table() {
        assert!((bessel_i0(1.0) * (-1.0_f64).exp() / 0.465_759_607_7 - 1.0).abs() < 1e-9);
        assert!((bessel_i0(5.0) * (-5.0_f64).exp() / 0.183_540_812_6 - 1.0).abs() < 1e-9);
    }
}
