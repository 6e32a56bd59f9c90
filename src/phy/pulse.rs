//! The root-raised-cosine pulse and its raised-cosine autocorrelation, in time and frequency.
//!
//! Times are in symbols, frequencies in cycles per symbol. Knows nothing of samples or signals.
//! Formulas: J. G. Proakis, M. Salehi, Digital Communications, 5th ed., chapter 9.

use std::f64::consts::PI;

/// Smallest roll-off that is accepted.
pub const ROLLOFF_MIN: f64 = 0.05;
/// Largest roll-off that is accepted.
pub const ROLLOFF_MAX: f64 = 0.5;

/// A roll-off outside of [`ROLLOFF_MIN`] to [`ROLLOFF_MAX`], or not a number.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("roll-off {0} is outside of 0.05 to 0.5")]
pub struct RolloffError(pub f64);

/// A root-raised-cosine pulse with unit energy per symbol.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RootRaisedCosine {
    rolloff: f64,
}

impl RootRaisedCosine {
    /// The pulse of the given roll-off, 0.05 to 0.5.
    ///
    /// # Errors
    /// When the roll-off is outside of that range or not a number.
    pub fn new(rolloff: f64) -> Result<Self, RolloffError> {
        if (ROLLOFF_MIN..=ROLLOFF_MAX).contains(&rolloff) {
            Ok(Self { rolloff })
        } else {
            Err(RolloffError(rolloff))
        }
    }

    /// The roll-off.
    pub fn rolloff(self) -> f64 {
        self.rolloff
    }

    /// Value of the pulse at `t` symbols from its centre.
    pub fn at(self, t: f64) -> f64 {
        let b = self.rolloff;
        if t.abs() < 1e-6 {
            return 1.0 - b + 4.0 * b / PI;
        }
        let x = 4.0 * b * t;
        let denominator = PI * t * (1.0 - x * x);
        if (1.0 - x.abs()).abs() < 1e-6 {
            let angle = PI / (4.0 * b);
            let s = (1.0 + 2.0 / PI) * angle.sin() + (1.0 - 2.0 / PI) * angle.cos();
            return b / 2.0_f64.sqrt() * s;
        }
        ((PI * t * (1.0 - b)).sin() + x * (PI * t * (1.0 + b)).cos()) / denominator
    }

    /// Value at `t` symbols of the raised cosine: the pulse after its matched filter.
    pub fn raised_cosine_at(self, t: f64) -> f64 {
        let b = self.rolloff;
        let sinc = |x: f64| if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) };
        let x = 2.0 * b * t;
        if (1.0 - x.abs()).abs() < 1e-6 {
            return PI / 4.0 * sinc(1.0 / (2.0 * b));
        }
        sinc(t) * (PI * b * t).cos() / (1.0 - x * x)
    }

    /// Raised-cosine spectrum at `f` cycles per symbol: 1 in the pass band, 1/2 at 1/2, 0 from
    /// `(1 + rolloff)/2`. It is the squared magnitude of the pulse's own spectrum.
    pub fn raised_cosine_spectrum(self, f: f64) -> f64 {
        let b = self.rolloff;
        let beyond = f.abs() - (1.0 - b) / 2.0;
        if beyond <= 0.0 {
            1.0
        } else if beyond >= b {
            0.0
        } else {
            0.5 * (1.0 + (PI * beyond / b).cos())
        }
    }

    /// Spectrum of the pulse itself at `f` cycles per symbol: the root of the raised cosine's.
    pub fn root_raised_cosine_spectrum(self, f: f64) -> f64 {
        self.raised_cosine_spectrum(f).sqrt()
    }

    /// Symbols on each side of the centre after which the pulse is cut off: enough that the
    /// intersymbol interference left by the cut stays near -65 dB (the tails fall with
    /// `1/(rolloff t^2)`).
    pub fn half_span_symbols(self) -> usize {
        (4.0 / self.rolloff).ceil().clamp(10.0, 80.0) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::link_testing::table;

    /// Pulse values at roll-off 0.25 (closed form of Proakis chapter 9, evaluated with 40 digits).
    #[test]
    fn pulse_has_the_published_values() {
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        let rows = table(include_str!("../../tests/reference/phy_rf/pulse.csv"));
        assert_eq!(rows.len(), 14);
        for row in rows {
            assert!((pulse.at(row[0]) - row[1]).abs() < 1e-11, "rrc at {}", row[0]);
            assert!((pulse.at(-row[0]) - row[1]).abs() < 1e-11, "rrc at -{}", row[0]);
            assert!((pulse.raised_cosine_at(row[0]) - row[2]).abs() < 1e-10, "rc at {}", row[0]);
        }
    }

    /// The 49 taps at 4 samples a symbol and the interference left by cutting them there.
    #[test]
    fn cut_pulse_leaves_the_published_interference() {
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        for (span, isi_evm_db) in [(4, -49.3665), (6, -38.3327), (8, -59.1756), (16, -67.7423)] {
            let taps: Vec<f64> =
                (-4 * span..=4 * span).map(|n| pulse.at(f64::from(n) / 4.0)).collect();
            let lag = |m: usize| -> f64 {
                taps.iter().zip(taps.iter().skip(4 * m)).map(|(a, b)| a * b).sum()
            };
            let peak = lag(0);
            let isi: f64 = (1..=2 * span as usize).map(|m| 2.0 * lag(m).powi(2)).sum();
            let measured = 10.0 * (isi / (peak * peak)).log10();
            assert!((measured - isi_evm_db).abs() < 1e-3, "span {span}: {measured}");
        }
    }

    #[test]
    fn values_at_the_removable_singularities_are_continuous() {
        for rolloff in [0.05, 0.1, 0.22, 0.25, 0.35, 0.5] {
            let pulse = RootRaisedCosine::new(rolloff).expect("in range");
            for t in [0.0, 1.0 / (4.0 * rolloff)] {
                let near = pulse.at(t + 3e-6);
                assert!((pulse.at(t) - near).abs() < 1e-4, "rolloff {rolloff}, t {t}");
            }
            let t = 1.0 / (2.0 * rolloff);
            let near = pulse.raised_cosine_at(t + 3e-6);
            assert!((pulse.raised_cosine_at(t) - near).abs() < 1e-4, "rolloff {rolloff}");
        }
    }

    /// Nyquist's criterion: shifted copies of the spectrum add up to one.
    #[test]
    fn spectrum_adds_up_to_one() {
        let pulse = RootRaisedCosine::new(0.35).expect("in range");
        for n in 0..100 {
            let f = f64::from(n) / 200.0;
            let sum = pulse.raised_cosine_spectrum(f) + pulse.raised_cosine_spectrum(f - 1.0);
            assert!((sum - 1.0).abs() < 1e-12, "f {f}");
        }
    }

    /// Pulse and spectrum are a Fourier pair: the integral over the band, by the trapezoidal rule,
    /// is the value of Proakis chapter 9 at any time.
    #[test]
    fn pulse_is_the_transform_of_its_spectrum() {
        const STEPS: i32 = 200_000;
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        for t in [0.0, 0.37, 1.0, 2.5, 7.2] {
            let sum: f64 = (-STEPS..=STEPS)
                .map(|n| f64::from(n) / f64::from(STEPS))
                .map(|f| pulse.root_raised_cosine_spectrum(f) * (2.0 * PI * f * t).cos())
                .sum();
            let integral = sum / f64::from(STEPS);
            assert!((integral - pulse.at(t)).abs() < 1e-8, "t {t}: {integral}");
        }
    }

    #[test]
    fn rolloff_out_of_range_is_refused() {
        for rolloff in [0.0, 0.049, 0.51, -0.25, f64::NAN, f64::INFINITY] {
            assert!(RootRaisedCosine::new(rolloff).is_err());
        }
    }
}
