//! One array: where its elements are, what their electronics can be set to, and how they err.

use serde::{Deserialize, Serialize};

use super::Wrong;

/// Most elements the register layout has room for.
const ELEMENTS_MOST: usize = 256;

/// One array and its element electronics.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ArrayModel {
    /// Elements of a uniform linear array.
    pub elements: usize,
    /// Their spacing in wavelengths at `design_hz`.
    pub spacing_wavelengths: f64,
    /// Instead of a uniform array: (x along the aperture, z toward broadside) of each element, in
    /// wavelengths at `design_hz`.
    pub positions_wavelengths: Option<Vec<[f64; 2]>>,
    /// Frequency at which the spacing is measured, Hz: DMG channel 3.
    pub design_hz: f64,
    /// Bits of the phase shifters.
    pub phase_bits: u8,
    /// One step of the element attenuators, dB.
    pub attenuation_step_db: f64,
    /// Spread of the elements' gains, dB rms; drawn once from the seed.
    pub gain_error_rms_db: f64,
    /// Spread of the elements' phases, deg rms; drawn once from the seed.
    pub phase_error_rms_deg: f64,
    /// Elements that never radiate.
    pub dead_elements: Vec<usize>,
}

impl Default for ArrayModel {
    fn default() -> Self {
        Self {
            elements: 8,
            spacing_wavelengths: 0.5,
            positions_wavelengths: None,
            design_hz: 62.64e9,
            phase_bits: 5,
            attenuation_step_db: 0.5,
            gain_error_rms_db: 0.0,
            phase_error_rms_deg: 0.0,
            dead_elements: Vec::new(),
        }
    }
}

impl ArrayModel {
    /// Number of elements, uniform or placed one by one.
    pub fn count(&self) -> usize {
        self.positions_wavelengths.as_ref().map_or(self.elements, Vec::len)
    }

    pub(super) fn check(&self, key: &str, wrong: &mut Wrong) {
        if !(1..=ELEMENTS_MOST).contains(&self.count()) {
            wrong.say(format!("{key} has {} elements, must be 1 to {ELEMENTS_MOST}", self.count()));
        }
        if !(1..=5).contains(&self.phase_bits) {
            wrong.say(format!("{key}.phase_bits is {}, must be 1 to 5", self.phase_bits));
        }
        let numbers = [
            ("spacing_wavelengths", self.spacing_wavelengths, (0.0, 1e3)),
            ("design_hz", self.design_hz, (1e6, 1e12)),
            ("attenuation_step_db", self.attenuation_step_db, (0.0, 20.0)),
            ("gain_error_rms_db", self.gain_error_rms_db, (0.0, 20.0)),
            ("phase_error_rms_deg", self.phase_error_rms_deg, (0.0, 360.0)),
        ];
        for (name, value, range) in numbers {
            wrong.unless_within(&format!("{key}.{name}"), value, range);
        }
        let positions = self.positions_wavelengths.iter().flatten().flatten();
        if positions.into_iter().any(|p| !p.is_finite()) {
            wrong.say(format!("{key}.positions_wavelengths must be finite"));
        }
        if let Some(dead) = self.dead_elements.iter().find(|n| **n >= self.count()) {
            wrong.say(format!("{key}.dead_elements names element {dead}, which does not exist"));
        }
    }
}
