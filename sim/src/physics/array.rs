//! Antenna arrays: element positions and weights to the complex response over angle.
//!
//! Knows nothing of registers: weights come in as complex numbers or as codes with their step.
//! Sign convention: angle from broadside, the wave of direction theta adds
//! `+2 pi f/c (x sin theta + z cos theta)` to an element at (x, z); a beam toward theta0 therefore
//! has the phases `-2 pi f/c x sin theta0` (Balanis, Antenna Theory, 4th ed., sec. 6.3, there with
//! the angle from the array axis).

use num_complex::Complex64;

use super::link::SPEED_OF_LIGHT_M_S;

/// What one element of a chip is set to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ElementCode {
    /// Phase-shifter code; one step is 360 degrees / 2^bits.
    pub phase: u8,
    /// Attenuator code; 0 is the most gain.
    pub attenuation: u8,
    /// Whether the element is switched on.
    pub on: bool,
}

impl ElementCode {
    /// An element that is on, at full gain, with this phase code.
    pub fn with_phase(phase: u8) -> Self {
        Self { phase, attenuation: 0, on: true }
    }
}

/// Steps of the phase shifters and attenuators of one chip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CodeSteps {
    /// Bits of the phase shifter.
    pub phase_bits: u8,
    /// One attenuator step, dB.
    pub attenuation_db: f64,
}

impl CodeSteps {
    /// The complex weight of one element: 0 when off, otherwise at most 1 in magnitude.
    pub fn weight(&self, code: ElementCode) -> Complex64 {
        if !code.on {
            return Complex64::ZERO;
        }
        let step_rad = std::f64::consts::TAU / f64::from(1u32 << self.phase_bits.min(16));
        let magnitude = 10f64.powf(-self.attenuation_db * f64::from(code.attenuation) / 20.0);
        Complex64::from_polar(magnitude, step_rad * f64::from(code.phase))
    }
}

/// An array of isotropic elements.
#[derive(Debug, Clone, PartialEq)]
pub struct Array {
    /// (x along the aperture, z toward broadside), metres.
    positions_m: Vec<[f64; 2]>,
    /// What each element really does to its weight: 1 for a perfect one, 0 for a dead one.
    errors: Vec<Complex64>,
}

impl Array {
    /// An array of perfect elements at these (x, z) positions in metres.
    pub fn new(positions_m: Vec<[f64; 2]>) -> Self {
        let errors = vec![Complex64::ONE; positions_m.len()];
        Self { positions_m, errors }
    }

    /// A uniform linear array along x, element 0 at the origin.
    pub fn uniform(elements: usize, spacing_m: f64) -> Self {
        Self::new((0..elements).map(|n| [n as f64 * spacing_m, 0.0]).collect())
    }

    /// The same array with one complex error factor per element; missing factors count as 1.
    pub fn with_errors(mut self, errors: &[Complex64]) -> Self {
        for (slot, error) in self.errors.iter_mut().zip(errors) {
            *slot = *error;
        }
        self
    }

    /// Number of elements.
    pub fn len(&self) -> usize {
        self.positions_m.len()
    }

    /// Weights as they leave the real elements, errors included.
    pub fn actual(&self, weights: &[Complex64]) -> Vec<Complex64> {
        weights.iter().zip(&self.errors).map(|(w, e)| w * e).collect()
    }

    /// The sum over the elements of weight times wave factor in direction `theta_rad` at
    /// `carrier_hz`: N for N perfect elements steered there.
    pub fn response(&self, weights: &[Complex64], carrier_hz: f64, theta_rad: f64) -> Complex64 {
        let wavenumber = std::f64::consts::TAU * carrier_hz / SPEED_OF_LIGHT_M_S;
        let (sin, cos) = theta_rad.sin_cos();
        weights
            .iter()
            .zip(&self.errors)
            .zip(&self.positions_m)
            .map(|((w, e), [x, z])| w * e * Complex64::cis(wavenumber * (x * sin + z * cos)))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CARRIER_HZ: f64 = 62.64e9;

    fn half_wave(elements: usize) -> Array {
        Array::uniform(elements, 0.5 * SPEED_OF_LIGHT_M_S / CARRIER_HZ)
    }

    fn level_db(array: &Array, weights: &[Complex64], theta_deg: f64) -> f64 {
        let response = array.response(weights, CARRIER_HZ, theta_deg.to_radians());
        20.0 * (response.norm() / array.len() as f64).log10()
    }

    fn check_closed_form(elements: usize, scan_deg: f64) {
        // Balanis eq. (6-10d): |AF| = |sin(N psi/2) / (N sin(psi/2))|, psi = pi (u - u0).
        let array = half_wave(elements);
        let u0 = scan_deg.to_radians().sin();
        let weights: Vec<_> =
            (0..elements).map(|n| Complex64::cis(-std::f64::consts::PI * n as f64 * u0)).collect();
        for step in -180..=180 {
            let theta = (f64::from(step) * 0.5 + 0.05).to_radians();
            let half_psi = std::f64::consts::FRAC_PI_2 * (theta.sin() - u0);
            let n = elements as f64;
            let expected = ((n * half_psi).sin() / half_psi.sin()).abs();
            let got = array.response(&weights, CARRIER_HZ, theta).norm();
            assert!((got - expected).abs() < 1e-9 * n, "N {elements} at {step}: {got} {expected}");
        }
    }

    #[test]
    fn response_is_the_closed_form() {
        for elements in [2, 4, 8, 16] {
            check_closed_form(elements, 0.0);
            check_closed_form(elements, 30.0);
            check_closed_form(elements, -45.0);
        }
    }

    #[test]
    fn an_element_that_is_off_or_dead_adds_nothing() {
        let steps = CodeSteps { phase_bits: 5, attenuation_db: 0.5 };
        let mut weights = vec![steps.weight(ElementCode::with_phase(0)); 8];
        weights[3] = steps.weight(ElementCode { phase: 9, attenuation: 0, on: false });
        let dead = half_wave(8).with_errors(&[Complex64::ZERO]);
        // 6 of 8 elements left: 20 log10(6/8), arithmetic.
        assert!((level_db(&dead, &weights, 0.0) - 20.0 * 0.75f64.log10()).abs() < 1e-9);
    }

    #[test]
    fn attenuation_steps_are_in_decibels() {
        let steps = CodeSteps { phase_bits: 5, attenuation_db: 0.5 };
        let weight = steps.weight(ElementCode { phase: 8, attenuation: 6, on: true });
        // Phase code 8 of 32 is a quarter turn, 6 steps of 0.5 dB are 3 dB.
        assert!((20.0 * weight.norm().log10() + 3.0).abs() < 1e-12);
        assert!((weight.arg() - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
    }

    #[test]
    fn depth_matters_through_the_cosine() {
        // Two elements a quarter wave apart in depth: opposite phases differ by 2 pi/4 at broadside.
        let quarter = 0.25 * SPEED_OF_LIGHT_M_S / CARRIER_HZ;
        let array = Array::new(vec![[0.0, 0.0], [0.0, quarter]]);
        let got = array.response(&[Complex64::ONE; 2], CARRIER_HZ, 0.0).norm();
        assert!((got - 2f64.sqrt()).abs() < 1e-12);
    }
}
