//! One array: where its elements are, what their electronics can be set to, and how they err.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Wrong;

/// Most elements the register layout has room for: 16 by 16.
const ELEMENTS_MOST: usize = 256;
/// Most bits of a phase shifter that the register layout has room for.
const PHASE_BITS_MOST: u8 = 8;

/// Place of one element in wavelengths at `design_hz`; the origin lies on the table's axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Place {
    /// x along the aperture in the plane of rotation, z toward broadside.
    InPlane([f64; 2]),
    /// x, y across the plane of rotation, z.
    InSpace([f64; 3]),
}

impl Place {
    /// x, y and z.
    pub fn xyz(self) -> [f64; 3] {
        match self {
            Self::InPlane([x, z]) => [x, 0.0, z],
            Self::InSpace(place) => place,
        }
    }
}

/// One array and its element electronics. Lists have one value per element, in the order of the
/// elements; what a list leaves out is 0.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ArrayModel {
    /// Elements of a uniform linear array; columns of a rectangular one.
    pub elements: usize,
    /// Rows of a rectangular array across the plane of rotation. Element `row * elements + column`.
    pub rows: usize,
    /// Spacing of the columns in wavelengths at `design_hz`.
    pub spacing_wavelengths: f64,
    /// Spacing of the rows in wavelengths at `design_hz`.
    pub row_spacing_wavelengths: f64,
    /// Instead of a uniform array: the place of each element, `[x, z]` or `[x, y, z]`, in wavelengths
    /// at `design_hz`.
    pub positions_wavelengths: Option<Vec<Place>>,
    /// Frequency at which the spacing is measured, Hz: DMG channel 3.
    pub design_hz: f64,
    /// What one element looks like over direction.
    pub element: ElementModel,
    /// Bits of the phase shifters.
    pub phase_bits: u8,
    /// One step of the element attenuators, dB.
    pub attenuation_step_db: f64,
    /// Errors of single codes.
    pub code_errors: CodeErrorModel,
    /// Spread of the elements' gains, dB rms; drawn once from the seed.
    pub gain_error_rms_db: f64,
    /// Spread of the elements' phases, deg rms; drawn once from the seed.
    pub phase_error_rms_deg: f64,
    /// Gain error of each element, dB, besides the drawn one.
    pub gain_errors_db: Vec<f64>,
    /// Phase error of each element, deg, besides the drawn one.
    pub phase_errors_deg: Vec<f64>,
    /// Elements that never radiate, by their numbers from 0.
    pub dead_elements: Vec<usize>,
    /// Where the phase shifters start after each power-up.
    pub power_up: PowerUpModel,
    /// What the chip's temperature does to the elements.
    pub drift: DriftModel,
}

/// One element's pattern: power falls as `cos^q` of the angle off broadside (Balanis, Antenna
/// Theory, sec. 12.9 uses such patterns as models; all values invented). Elements do not couple.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ElementModel {
    /// The exponent q in power; 0 is isotropic, also to the back.
    pub cosine_exponent: f64,
    /// Power to the back relative to broadside, dB; never less in any direction. Without effect on an
    /// isotropic element.
    pub back_lobe_db: f64,
    /// Gain of an element at broadside, dBi. A lossless `cos^q` element without back lobe has
    /// `10 log10(2 (q + 1))`.
    pub peak_dbi: f64,
}

/// Errors of single codes, drawn once from the seed for every code of every element.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CodeErrorModel {
    /// Spread of the phases of the phase shifters' codes, deg rms.
    pub phase_rms_deg: f64,
    /// Spread of the gains of the phase shifters' codes, dB rms.
    pub gain_rms_db: f64,
    /// Spread of the attenuators' codes, dB rms.
    pub attenuation_rms_db: f64,
}

/// Offsets that every power-up draws anew from the seed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct PowerUpModel {
    /// Each phase shifter stands this many codes or fewer beside what its register says, either way.
    pub codes: u8,
    /// Spread of a phase offset on top, deg rms.
    pub phase_rms_deg: f64,
}

/// Drift with the temperature of the chip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DriftModel {
    /// Spread of the elements' phase drifts, deg/K rms; drawn once from the seed.
    pub phase_rms_deg_per_k: f64,
    /// Phase drift of each element, deg/K, besides the drawn one.
    pub phase_deg_per_k: Vec<f64>,
    /// Gain drift of all elements, dB/K; what loses gain as it warms has it below 0.
    pub gain_db_per_k: f64,
    /// Temperature without drift, degC.
    pub reference_c: f64,
}

impl Default for ArrayModel {
    fn default() -> Self {
        Self {
            elements: 8,
            rows: 1,
            spacing_wavelengths: 0.5,
            row_spacing_wavelengths: 0.5,
            positions_wavelengths: None,
            design_hz: 62.64e9,
            element: ElementModel::default(),
            phase_bits: 5,
            attenuation_step_db: 0.5,
            code_errors: CodeErrorModel::default(),
            gain_error_rms_db: 0.0,
            phase_error_rms_deg: 0.0,
            gain_errors_db: Vec::new(),
            phase_errors_deg: Vec::new(),
            dead_elements: Vec::new(),
            power_up: PowerUpModel::default(),
            drift: DriftModel::default(),
        }
    }
}

impl Default for ElementModel {
    fn default() -> Self {
        Self { cosine_exponent: 0.0, back_lobe_db: -30.0, peak_dbi: 0.0 }
    }
}

impl Default for DriftModel {
    fn default() -> Self {
        Self {
            phase_rms_deg_per_k: 0.0,
            phase_deg_per_k: Vec::new(),
            gain_db_per_k: 0.0,
            reference_c: 24.0,
        }
    }
}

impl ArrayModel {
    /// Number of elements, uniform or placed one by one.
    pub fn count(&self) -> usize {
        let uniform = self.elements.saturating_mul(self.rows);
        self.positions_wavelengths.as_ref().map_or(uniform, Vec::len)
    }

    pub(super) fn check(&self, key: &str, wrong: &mut Wrong) {
        if !(1..=ELEMENTS_MOST).contains(&self.count()) {
            wrong.say(format!("{key} has {} elements, must be 1 to {ELEMENTS_MOST}", self.count()));
        }
        if !(1..=PHASE_BITS_MOST).contains(&self.phase_bits) {
            let (bits, most) = (self.phase_bits, PHASE_BITS_MOST);
            wrong.say(format!("{key}.phase_bits is {bits}, must be 1 to {most}"));
        }
        self.check_numbers(key, wrong);
        self.check_lists(key, wrong);
        if let Some(dead) = self.dead_elements.iter().find(|n| **n >= self.count()) {
            let last = self.count().saturating_sub(1);
            wrong.say(format!(
                "{key}.dead_elements names element {dead}, which does not exist; they are 0 to {last}"
            ));
        }
        if (0..self.count()).all(|n| self.dead_elements.contains(&n)) && self.count() > 0 {
            wrong.say(format!("{key}.dead_elements names every element; one at least must live"));
        }
    }

    fn check_numbers(&self, key: &str, wrong: &mut Wrong) {
        let (element, codes, drift) = (&self.element, &self.code_errors, &self.drift);
        let numbers = [
            ("spacing_wavelengths", self.spacing_wavelengths, (0.0, 1e3)),
            ("row_spacing_wavelengths", self.row_spacing_wavelengths, (0.0, 1e3)),
            ("design_hz", self.design_hz, (1e6, 1e12)),
            ("element.cosine_exponent", element.cosine_exponent, (0.0, 100.0)),
            ("element.back_lobe_db", element.back_lobe_db, (-200.0, 0.0)),
            ("element.peak_dbi", element.peak_dbi, (-50.0, 50.0)),
            ("attenuation_step_db", self.attenuation_step_db, (0.0, 20.0)),
            ("code_errors.phase_rms_deg", codes.phase_rms_deg, (0.0, 360.0)),
            ("code_errors.gain_rms_db", codes.gain_rms_db, (0.0, 20.0)),
            ("code_errors.attenuation_rms_db", codes.attenuation_rms_db, (0.0, 20.0)),
            ("gain_error_rms_db", self.gain_error_rms_db, (0.0, 20.0)),
            ("phase_error_rms_deg", self.phase_error_rms_deg, (0.0, 360.0)),
            ("power_up.phase_rms_deg", self.power_up.phase_rms_deg, (0.0, 360.0)),
            ("drift.phase_rms_deg_per_k", drift.phase_rms_deg_per_k, (0.0, 360.0)),
            ("drift.gain_db_per_k", drift.gain_db_per_k, (-10.0, 10.0)),
            ("drift.reference_c", drift.reference_c, (-80.0, 150.0)),
        ];
        for (name, value, range) in numbers {
            wrong.unless_within(&format!("{key}.{name}"), value, range);
        }
    }

    fn check_lists(&self, key: &str, wrong: &mut Wrong) {
        let lists = [
            ("gain_errors_db", &self.gain_errors_db),
            ("phase_errors_deg", &self.phase_errors_deg),
            ("drift.phase_deg_per_k", &self.drift.phase_deg_per_k),
        ];
        for (name, list) in lists {
            if list.len() > self.count() {
                let (values, elements) = (list.len(), self.count());
                wrong.say(format!("{key}.{name} has {values} values for {elements} elements"));
            }
            if list.iter().any(|value| !value.is_finite()) {
                wrong.say(format!("{key}.{name} must be finite"));
            }
        }
        let places = self.positions_wavelengths.iter().flatten();
        if places.flat_map(|place| place.xyz()).any(|p| !p.is_finite()) {
            wrong.say(format!("{key}.positions_wavelengths must be finite"));
        }
    }
}
