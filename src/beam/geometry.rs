//! Where the elements of an array are, and what a set of phase codes does with a wave.
//!
//! Angles are in degrees from broadside; element positions in wavelengths along the array. The
//! steering weight of an element at position x for a beam at theta0 is `exp(-j 2 pi x sin theta0)`
//! against a wave factor `exp(+j 2 pi x sin theta)` (C. A. Balanis, Antenna Theory, 4th ed., Wiley
//! 2016, sec. 6.3, section number from memory).

use std::f64::consts::TAU;

use num_complex::Complex64;

/// Phase-shifter codes of an array, one an element, each 0 .. 2^bits - 1.
pub type PhaseCodes = Vec<u16>;

/// Element positions of a linear array, in wavelengths.
#[derive(Clone, Debug, PartialEq)]
pub struct ArrayGeometry {
    positions_wavelengths: Vec<f64>,
    phase_bits: u32,
}

impl ArrayGeometry {
    /// `elements` elements `spacing_wavelengths` apart, the first at zero, with phase shifters of
    /// `phase_bits` bits.
    #[must_use]
    pub fn uniform(elements: usize, spacing_wavelengths: f64, phase_bits: u32) -> Self {
        let positions_wavelengths = (0..elements).map(|n| n as f64 * spacing_wavelengths).collect();
        ArrayGeometry { positions_wavelengths, phase_bits: phase_bits.min(16) }
    }

    /// Number of elements.
    #[must_use]
    pub fn elements(&self) -> usize {
        self.positions_wavelengths.len()
    }

    /// What a wave from `angle_deg` is at each element, relative to the first place along the array.
    #[must_use]
    pub fn waves(&self, angle_deg: f64) -> Vec<Complex64> {
        let u = angle_deg.to_radians().sin();
        self.positions_wavelengths.iter().map(|x| Complex64::cis(TAU * x * u)).collect()
    }

    /// The phase of a code, in radians.
    #[must_use]
    pub fn phase_rad(&self, code: u32) -> f64 {
        TAU * f64::from(code) / f64::from(1u32 << self.phase_bits)
    }

    /// Bits of each phase shifter.
    #[must_use]
    pub fn phase_bits(&self) -> u32 {
        self.phase_bits
    }

    /// The codes that point the beam at `angle_deg`, each phase rounded to the nearest code, half
    /// a code rounded up.
    #[must_use]
    pub fn steer(&self, angle_deg: f64) -> PhaseCodes {
        let u0 = angle_deg.to_radians().sin();
        self.positions_wavelengths
            .iter()
            .map(|x| quantise_phase(-TAU * x * u0, self.phase_bits))
            .collect()
    }

    /// The array factor of these codes towards `angle_deg`, normalised to 1 for all elements in
    /// phase.
    #[must_use]
    pub fn array_factor(&self, codes: &[u16], angle_deg: f64) -> Complex64 {
        let u = angle_deg.to_radians().sin();
        let lsb = TAU / f64::from(1u32 << self.phase_bits);
        let sum: Complex64 = self
            .positions_wavelengths
            .iter()
            .zip(codes)
            .map(|(x, code)| Complex64::cis(TAU * x * u + lsb * f64::from(*code)))
            .sum();
        sum / self.elements().max(1) as f64
    }

    /// Power gain of these codes towards `angle_deg` in dB, 0 dB for all elements in phase.
    #[must_use]
    pub fn gain_db(&self, codes: &[u16], angle_deg: f64) -> f64 {
        10.0 * self.array_factor(codes, angle_deg).norm_sqr().log10()
    }
}

/// The code nearest to a phase in radians; half a code rounds up.
#[must_use]
pub fn quantise_phase(phase_rad: f64, bits: u32) -> u16 {
    let states = 1i64 << bits.min(16);
    let code = (phase_rad / TAU * states as f64 + 0.5).floor() as i64;
    code.rem_euclid(states) as u16
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Deserialize)]
    struct Reference {
        uniform: Vec<Uniform>,
        first_sidelobe_db: Vec<Sidelobe>,
        pattern: Vec<Pattern>,
        quantised: Vec<Quantised>,
    }
    #[derive(Deserialize)]
    struct Uniform {
        n: usize,
        scan_deg: f64,
        half_power_lower_deg: Option<f64>,
        half_power_upper_deg: Option<f64>,
        null_deg: Vec<f64>,
        first_sidelobe_deg: Vec<f64>,
    }
    #[derive(Deserialize)]
    struct Sidelobe {
        n: usize,
        level_db: f64,
    }
    #[derive(Deserialize)]
    struct Pattern {
        n: usize,
        scan_deg: f64,
        theta_deg: Vec<f64>,
        af_db: Vec<Option<f64>>,
    }
    #[derive(Deserialize)]
    struct Quantised {
        n: usize,
        scan_deg: f64,
        bits: u32,
        states: Vec<u16>,
        gain_loss_at_scan_db: f64,
    }

    fn reference() -> Reference {
        serde_yaml::from_str(include_str!("../../tests/reference/rf/array.yaml")).unwrap()
    }

    /// 16-bit codes stand in for unquantised phases: the rounding costs below 1e-8 dB.
    fn fine(n: usize) -> ArrayGeometry {
        ArrayGeometry::uniform(n, 0.5, 16)
    }

    /// Balanis sec. 6.3: half-power points, nulls and first sidelobe of the uniform array.
    #[test]
    fn handbook_points_of_uniform_arrays() {
        let reference = reference();
        for row in &reference.uniform {
            let array = fine(row.n);
            let codes = array.steer(row.scan_deg);
            for edge in [row.half_power_lower_deg, row.half_power_upper_deg].into_iter().flatten() {
                let level = array.gain_db(&codes, edge);
                // The reference has 12 digits, the 16-bit phases about 5e-5 rad.
                assert!((level - 0.5f64.log10() * 10.0).abs() < 5e-3, "{} {edge}: {level}", row.n);
            }
            for null in &row.null_deg {
                assert!(array.gain_db(&codes, *null) < -80.0, "{} {null}", row.n);
            }
            let sidelobe = reference.first_sidelobe_db.iter().find(|s| s.n == row.n).unwrap();
            for at in &row.first_sidelobe_deg {
                let level = array.gain_db(&codes, *at);
                assert!((level - sidelobe.level_db).abs() < 0.01, "{} {at}: {level}", row.n);
            }
        }
    }

    #[test]
    fn sampled_patterns_follow_the_closed_form() {
        for pattern in reference().pattern {
            let array = fine(pattern.n);
            let codes = array.steer(pattern.scan_deg);
            for (theta, level) in pattern.theta_deg.iter().zip(&pattern.af_db) {
                let Some(expected) = level.filter(|level| *level > -40.0) else { continue };
                let measured = array.gain_db(&codes, *theta);
                // Away from nulls a phase error of 5e-5 rad moves the level by far less.
                assert!((measured - expected).abs() < 0.02, "{theta}: {measured} {expected}");
            }
        }
    }

    /// Mailloux sec. 7.3: worked examples of rounding to b bits.
    #[test]
    fn rounded_phases_match_worked_examples() {
        for row in reference().quantised {
            let array = ArrayGeometry::uniform(row.n, 0.5, row.bits);
            let codes = array.steer(row.scan_deg);
            assert_eq!(codes, row.states, "{} {} {}", row.n, row.scan_deg, row.bits);
            let loss = -array.gain_db(&codes, row.scan_deg);
            assert!((loss - row.gain_loss_at_scan_db).abs() < 1e-9, "{loss}");
        }
    }
}
