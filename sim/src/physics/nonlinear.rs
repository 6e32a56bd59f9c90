//! What chips do to a signal instant by instant: compression, saturation, I/Q imbalance.
//!
//! Knows nothing of time: every function here takes one sample and gives one.

use num_complex::Complex64;

/// Compression of amplitude: `y = x / (1 + (|x|/sat)^(2p))^(1/(2p))` (C. Rapp, Effects of
/// HPA-nonlinearity on a 4-DPSK/OFDM-signal, 2nd European Conf. on Satellite Communications, 1991;
/// from memory), small-signal gain 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rapp {
    /// Smoothness p; the larger, the harder.
    pub smoothness: f64,
    /// Amplitude that the output never exceeds, in the input's unit.
    pub saturation: f64,
}

impl Rapp {
    /// Factor on a sample of this squared magnitude.
    #[inline]
    pub fn factor(&self, square: f64) -> f64 {
        let drive = square / (self.saturation * self.saturation);
        if self.smoothness == 1.0 {
            return 1.0 / (1.0 + drive).sqrt();
        }
        if self.smoothness == 2.0 {
            return 1.0 / (1.0 + drive * drive).sqrt().sqrt();
        }
        libm::pow(1.0 + libm::pow(drive, self.smoothness), -0.5 / self.smoothness)
    }
}

/// Turn of phase with amplitude: `deg = alpha r^q1 / (1 + (r/beta)^q2)`, r = amplitude over
/// saturation. The form of the 60 GHz evaluation methodology, IEEE 802.11-09/0296r16, from memory
/// and not verified.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AmPm {
    /// Scale, deg.
    pub alpha_deg: f64,
    /// Amplitude over saturation at which the growth slows.
    pub beta: f64,
    /// Exponent of the growth.
    pub q1: f64,
    /// Exponent that slows it.
    pub q2: f64,
}

impl AmPm {
    /// Turn in radians at this amplitude over saturation.
    pub fn turn_rad(&self, over_saturation: f64) -> f64 {
        let slowed = 1.0 + libm::pow(over_saturation / self.beta, self.q2);
        (self.alpha_deg * libm::pow(over_saturation, self.q1) / slowed).to_radians()
    }
}

/// A power amplifier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amplifier {
    /// Its amplitude.
    pub rapp: Rapp,
    /// Its phase.
    pub am_pm: Option<AmPm>,
}

impl Amplifier {
    /// One sample through it.
    pub fn apply(&self, x: Complex64) -> Complex64 {
        let y = x * self.rapp.factor(x.norm_sqr());
        match &self.am_pm {
            None => y,
            Some(am_pm) => {
                let (sin, cos) =
                    libm::sincos(am_pm.turn_rad(x.norm_sqr().sqrt() / self.rapp.saturation));
                y * Complex64::new(cos, sin)
            }
        }
    }
}

/// Unequal branches of a receiver's mixer: `y = alpha x + beta conj(x)` with `alpha = (1 + g exp(-jp))/2` and
/// `beta = (1 - g exp(jp))/2` (T. Schenk, RF Imperfections in High-rate Wireless Systems, ch. 5;
/// from memory). In real numbers: `I' = I`, `Q' = g (Q cos p - I sin p)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Imbalance {
    q_from_i: f64,
    q_from_q: f64,
}

impl Imbalance {
    /// Of this gain of Q over I in dB and this error of the right angle in degrees; `None` when
    /// both are 0.
    pub fn new(gain_db: f64, phase_deg: f64) -> Option<Self> {
        let g = libm::exp10(gain_db / 20.0);
        let (sin, cos) = libm::sincos(phase_deg.to_radians());
        (gain_db != 0.0 || phase_deg != 0.0)
            .then_some(Self { q_from_i: -g * sin, q_from_q: g * cos })
    }

    /// Both lines through it.
    pub fn apply_lines(&self, i: &[f32], q: &mut [f32]) {
        let (from_i, from_q) = (self.q_from_i as f32, self.q_from_q as f32);
        for (q, i) in q.iter_mut().zip(i) {
            *q = from_q * *q + from_i * i;
        }
    }

    /// Power of the image over that of the signal, 1/IRR.
    pub fn image_ratio(&self) -> f64 {
        let (a, b) = (Complex64::new(0.5, 0.5 * self.q_from_i), 0.5 * self.q_from_q);
        // alpha and beta have the real parts (1 +- g cos p)/2 and the same imaginary part.
        ((a.re - b).powi(2) + a.im * a.im) / ((a.re + b).powi(2) + a.im * a.im)
    }
}

/// Unequal branches of a modulator: both carriers enter its output, so a Q carrier that is off by p
/// gives `y = I + j g exp(jp) Q`. That is `alpha x + beta conj(x)` with
/// `alpha = (1 + g exp(jp))/2`, `beta = (1 - g exp(jp))/2` (T. Schenk, as above; from memory): as strong
/// an image as at the receiver, and the signal turned the other way. In real numbers:
/// `I' = I - g Q sin p`, `Q' = g Q cos p`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Modulator {
    i_from_q: f64,
    q_from_q: f64,
}

impl Modulator {
    /// Of this gain of Q over I in dB and this error of the right angle in degrees; `None` when
    /// both are 0.
    pub fn new(gain_db: f64, phase_deg: f64) -> Option<Self> {
        let g = libm::exp10(gain_db / 20.0);
        let (sin, cos) = libm::sincos(phase_deg.to_radians());
        (gain_db != 0.0 || phase_deg != 0.0)
            .then_some(Self { i_from_q: -g * sin, q_from_q: g * cos })
    }

    /// One sample through it.
    #[inline]
    pub fn apply(&self, x: Complex64) -> Complex64 {
        Complex64::new(x.re + self.i_from_q * x.im, self.q_from_q * x.im)
    }
}

/// Where the receiver's output lines end, each line for itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Saturation {
    /// Straight up to this voltage, flat beyond.
    Hard(f64),
    /// Bent gradually.
    Soft(Rapp),
}

impl Saturation {
    /// One line through it.
    pub fn apply_line(&self, line: &mut [f32]) {
        match self {
            Self::Hard(volts) => {
                let most = *volts as f32;
                line.iter_mut().for_each(|v| *v = v.clamp(-most, most));
            }
            Self::Soft(rapp) => {
                for v in line {
                    let volts = f64::from(*v);
                    *v = (volts * rapp.factor(volts * volts)) as f32;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_forms_of_whole_smoothness_are_the_formula() {
        for smoothness in [1.0, 2.0, 0.81, 3.0, 10.0] {
            let rapp = Rapp { smoothness, saturation: 0.7 };
            for drive in [0.0f64, 0.01, 0.3, 0.7, 1.0, 4.0] {
                let plain = (1.0 + (drive / 0.7).powf(2.0 * smoothness)).powf(-0.5 / smoothness);
                assert!((rapp.factor(drive * drive) - plain).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn imbalance_in_real_numbers_is_the_complex_form() {
        let (gain_db, phase_deg) = (1.0f64, 3.0f64);
        let imbalance = Imbalance::new(gain_db, phase_deg).expect("neither is 0");
        let g = 10f64.powf(gain_db / 20.0);
        let turn = Complex64::cis(phase_deg.to_radians());
        let (alpha, beta) = (0.5 * (1.0 + g * turn.conj()), 0.5 * (1.0 - g * turn));
        let x = Complex64::new(0.3, -0.8);
        let (i, mut q) = ([x.re as f32], [x.im as f32]);
        imbalance.apply_lines(&i, &mut q);
        let got = Complex64::new(f64::from(i[0]), f64::from(q[0]));
        // Single precision.
        assert!((got - (alpha * x + beta * x.conj())).norm() < 1e-6);
        assert!((imbalance.image_ratio() - beta.norm_sqr() / alpha.norm_sqr()).abs() < 1e-12);
        assert_eq!(Imbalance::new(0.0, 0.0), None);
    }

    #[test]
    fn a_modulators_imbalance_is_the_complex_form() {
        let (gain_db, phase_deg) = (1.0f64, 3.0f64);
        let modulator = Modulator::new(gain_db, phase_deg).expect("neither is 0");
        let turned = 10f64.powf(gain_db / 20.0) * Complex64::cis(phase_deg.to_radians());
        let (alpha, beta) = (0.5 * (1.0 + turned), 0.5 * (1.0 - turned));
        let x = Complex64::new(0.3, -0.8);
        assert!((modulator.apply(x) - (alpha * x + beta * x.conj())).norm() < 1e-12);
        assert_eq!(Modulator::new(0.0, 0.0), None);
    }

    #[test]
    fn saturation_holds_each_line_alone() {
        let mut line = [0.1, -0.6, 2.0];
        Saturation::Hard(0.5).apply_line(&mut line);
        assert_eq!(line, [0.1, -0.5, 0.5]);
        Saturation::Soft(Rapp { smoothness: 1.0, saturation: 0.5 }).apply_line(&mut line);
        // 0.5 at saturation 0.5 and p = 1 becomes 0.5/sqrt(2).
        assert!((line[2] - 0.353_553_4).abs() < 1e-6);
    }

    #[test]
    fn amplitude_turns_the_phase_as_the_form_says() {
        let am_pm = AmPm { alpha_deg: 10.0, beta: 1.0, q1: 2.0, q2: 2.0 };
        let amplifier =
            Amplifier { rapp: Rapp { smoothness: 2.0, saturation: 1.0 }, am_pm: Some(am_pm) };
        // alpha/2 at r = 1.
        assert!((amplifier.apply(Complex64::ONE).arg().to_degrees() - 5.0).abs() < 1e-9);
    }
}
