//! Antenna arrays: element positions and weights to the complex response over direction.
//!
//! Knows nothing of registers or of errors: weights come in as complex numbers. Sign convention:
//! angle from broadside, the wave of azimuth theta and elevation eps adds
//! `+2 pi f/c (x sin theta cos eps + y sin eps + z cos theta cos eps)` to an element at (x, y, z); a
//! beam toward theta0 therefore has the phases `-2 pi f/c x sin theta0` (Balanis, Antenna Theory,
//! 4th ed., sec. 6.3 and 6.10, there with the angle from the array axis).

use num_complex::Complex64;

use super::element::Element;
use super::link::SPEED_OF_LIGHT_M_S;
use super::oscillator::cis;

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

/// Where something lies as an array sees it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Direction {
    /// From broadside toward x, in the plane in which the table turns, deg.
    pub azimuth_deg: f64,
    /// Out of that plane toward y, deg.
    pub elevation_deg: f64,
}

impl Direction {
    /// In the plane in which the table turns.
    pub fn in_plane(azimuth_deg: f64) -> Self {
        Self { azimuth_deg, elevation_deg: 0.0 }
    }

    /// Cosines toward x, y and z.
    pub fn cosines(self) -> [f64; 3] {
        let (sin, cos) = libm::sincos(self.azimuth_deg.to_radians());
        let (up, level) = libm::sincos(self.elevation_deg.to_radians());
        [sin * level, up, cos * level]
    }
}

/// An array: where its elements are, and what each looks like.
#[derive(Debug, Clone, PartialEq)]
pub struct Array {
    /// (x along the aperture, y across the plane of rotation, z toward broadside), metres.
    positions_m: Vec<[f64; 3]>,
    element: Element,
}

impl Array {
    /// Isotropic elements at these (x, y, z) positions in metres.
    pub fn new(positions_m: Vec<[f64; 3]>) -> Self {
        Self { positions_m, element: Element::ISOTROPIC }
    }

    /// Columns along x, rows along y, element 0 at the origin; row after row.
    pub fn rectangular((columns, rows): (usize, usize), (dx_m, dy_m): (f64, f64)) -> Self {
        let place = |n: usize| [(n % columns) as f64 * dx_m, (n / columns) as f64 * dy_m, 0.0];
        Self::new((0..columns * rows).map(place).collect())
    }

    /// The same array with elements of this pattern.
    pub fn with_element(self, element: Element) -> Self {
        Self { element, ..self }
    }

    /// Number of elements.
    pub fn len(&self) -> usize {
        self.positions_m.len()
    }

    /// The sum over the elements of weight times wave factor times element pattern toward
    /// `direction` at `carrier_hz`: N for N perfect elements steered to broadside.
    pub fn response(
        &self,
        weights: &[Complex64],
        carrier_hz: f64,
        direction: Direction,
    ) -> Complex64 {
        let wavenumber = std::f64::consts::TAU * carrier_hz / SPEED_OF_LIGHT_M_S;
        let [u, v, w] = direction.cosines();
        let sum: Complex64 = weights
            .iter()
            .zip(&self.positions_m)
            .map(|(weight, [x, y, z])| weight * cis(wavenumber * (x * u + y * v + z * w)))
            .sum();
        sum * self.element.amplitude(w)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CARRIER_HZ: f64 = 62.64e9;
    const HALF_WAVE_M: f64 = 0.5 * SPEED_OF_LIGHT_M_S / CARRIER_HZ;

    fn half_wave(elements: usize) -> Array {
        Array::rectangular((elements, 1), (HALF_WAVE_M, 0.0))
    }

    fn check_closed_form(elements: usize, scan_deg: f64) {
        // Balanis eq. (6-10d): |AF| = |sin(N psi/2) / (N sin(psi/2))|, psi = pi (u - u0).
        let array = half_wave(elements);
        let u0 = scan_deg.to_radians().sin();
        let weights: Vec<_> =
            (0..elements).map(|n| Complex64::cis(-std::f64::consts::PI * n as f64 * u0)).collect();
        for step in -180..=180 {
            let theta_deg = f64::from(step) * 0.5 + 0.05;
            let half_psi = std::f64::consts::FRAC_PI_2 * (theta_deg.to_radians().sin() - u0);
            let n = elements as f64;
            let expected = ((n * half_psi).sin() / half_psi.sin()).abs();
            let got = array.response(&weights, CARRIER_HZ, Direction::in_plane(theta_deg)).norm();
            assert!((got - expected).abs() < 1e-9 * n, "N {elements} at {step}: {got} {expected}");
        }
    }

    #[test]
    fn response_is_the_closed_form() {
        for elements in [2, 4, 8, 16, 256] {
            check_closed_form(elements, 0.0);
            check_closed_form(elements, 30.0);
            check_closed_form(elements, -45.0);
        }
    }

    #[test]
    fn a_rectangular_array_is_the_product_of_its_two_lines() {
        // Balanis sec. 6.10, eq. (6-87): the planar array factor is the product of the linear ones.
        let array = Array::rectangular((16, 16), (HALF_WAVE_M, HALF_WAVE_M));
        let weights = vec![Complex64::ONE; array.len()];
        let line = |u: f64| {
            let half_psi = std::f64::consts::FRAC_PI_2 * u;
            if u == 0.0 { 16.0 } else { (16.0 * half_psi).sin() / half_psi.sin() }
        };
        for (azimuth_deg, elevation_deg) in [(0.0, 0.0), (13.0, 0.0), (0.0, -21.0), (35.0, 50.0)] {
            let direction = Direction { azimuth_deg, elevation_deg };
            let [u, v, _] = direction.cosines();
            let expected = (line(u) * line(v)).abs();
            let got = array.response(&weights, CARRIER_HZ, direction).norm();
            assert!((got - expected).abs() < 1e-8, "{direction:?}: {got} {expected}");
        }
    }

    #[test]
    fn depth_matters_through_the_cosine() {
        // Two elements a quarter wave apart in depth: opposite phases differ by 2 pi/4 at broadside.
        let quarter = 0.5 * HALF_WAVE_M;
        let array = Array::new(vec![[0.0; 3], [0.0, 0.0, quarter]]);
        let got = array.response(&[Complex64::ONE; 2], CARRIER_HZ, Direction::default()).norm();
        assert!((got - 2f64.sqrt()).abs() < 1e-12);
    }
}
