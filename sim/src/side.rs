//! One side's array as built: elements placed, errors drawn, dead elements dead; and what power-up
//! and temperature made of it since.

use std::sync::Arc;

use num_complex::Complex64;

use crate::model::ArrayModel;
use crate::physics::array::{Array, ElementCode};
use crate::physics::element::Element;
use crate::physics::gaussian::{Purpose, Stream};
use crate::physics::link::{SPEED_OF_LIGHT_M_S, amplitude_of_db};
use crate::physics::oscillator::cis;
use crate::physics::shifter::{CodeSpread, CodeSteps, CodeTable};

/// What the random numbers of one side are drawn for.
#[derive(Debug, Clone, Copy)]
struct Purposes {
    elements: Purpose,
    codes: Purpose,
    drift: Purpose,
    power_up: Purpose,
}

const TX: Purposes = Purposes {
    elements: Purpose::TxElements,
    codes: Purpose::TxCodes,
    drift: Purpose::TxDrift,
    power_up: Purpose::TxPowerUp,
};
const RX: Purposes = Purposes {
    elements: Purpose::RxElements,
    codes: Purpose::RxCodes,
    drift: Purpose::RxDrift,
    power_up: Purpose::RxPowerUp,
};

/// Where an element's phase shifter started after power-up.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Offset {
    codes: i32,
    turn: Complex64,
}

/// Phase drift of each element and gain drift of all, over a reference temperature.
#[derive(Debug, Clone, PartialEq)]
struct Drift {
    phase_deg_per_k: Vec<f64>,
    gain_db_per_k: f64,
    reference_c: f64,
}

/// One side's array with its electronics. Clones share what was built.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    /// Where its elements are.
    pub array: Arc<Array>,
    /// Gain of one element at broadside, dBi.
    pub peak_dbi: f64,
    /// Temperature of the chip, degC.
    pub temperature_c: f64,
    power_up: Purpose,
    steps: CodeSteps,
    errors: Arc<[Complex64]>,
    table: Option<Arc<CodeTable>>,
    drift: Option<Arc<Drift>>,
    offsets: Option<Arc<[Offset]>>,
}

impl Side {
    /// The transmitter's.
    pub fn tx(model: &ArrayModel, seed: u64) -> Self {
        Self::build(model, seed, &TX)
    }

    /// The receiver's.
    pub fn rx(model: &ArrayModel, seed: u64) -> Self {
        Self::build(model, seed, &RX)
    }

    fn build(model: &ArrayModel, seed: u64, purposes: &Purposes) -> Self {
        let steps =
            CodeSteps { phase_bits: model.phase_bits, attenuation_db: model.attenuation_step_db };
        let codes = &model.code_errors;
        let spread = CodeSpread {
            phase_deg: codes.phase_rms_deg,
            gain_db: codes.gain_rms_db,
            attenuation_db: codes.attenuation_rms_db,
        };
        let random = Stream::new(seed, purposes.codes, 0);
        Self {
            array: Arc::new(place(model)),
            peak_dbi: model.element.peak_dbi,
            temperature_c: model.drift.reference_c,
            power_up: purposes.power_up,
            steps,
            errors: errors(model, Stream::new(seed, purposes.elements, 0)).into(),
            table: CodeTable::draw(model.count(), steps, spread, random).map(Arc::new),
            drift: Drift::draw(model, Stream::new(seed, purposes.drift, 0)).map(Arc::new),
            offsets: None,
        }
    }

    /// The chip got power for the `count`-th time: its phase shifters start anew.
    pub fn power_up(&mut self, model: &ArrayModel, seed: u64, count: u64) {
        self.offsets = offsets(model, Stream::new(seed, self.power_up, count));
    }

    /// What these codes really give at each element, all errors included.
    pub fn weights(&self, codes: &[ElementCode]) -> Vec<Complex64> {
        let excess_k = |drift: &Drift| self.temperature_c - drift.reference_c;
        codes
            .iter()
            .zip(self.errors.iter())
            .enumerate()
            .map(|(n, (code, error))| {
                let mut code = *code;
                let offset = self.offsets.as_ref().map(|offsets| offsets[n]);
                if let Some(offset) = offset {
                    let states = self.steps.states().cast_signed();
                    code.phase = (i32::from(code.phase) + offset.codes).rem_euclid(states) as u8;
                }
                let mut weight = self.steps.weight(code) * error;
                if let Some(offset) = offset {
                    weight *= offset.turn;
                }
                if let Some(table) = &self.table {
                    weight *= table.factor(n, code);
                }
                if let Some(drift) = &self.drift {
                    weight *= drift.factor(n, excess_k(drift));
                }
                weight
            })
            .collect()
    }
}

/// The array of a model.
fn place(model: &ArrayModel) -> Array {
    let wavelength_m = SPEED_OF_LIGHT_M_S / model.design_hz;
    let array = match &model.positions_wavelengths {
        None => Array::rectangular(
            (model.elements, model.rows),
            (
                model.spacing_wavelengths * wavelength_m,
                model.row_spacing_wavelengths * wavelength_m,
            ),
        ),
        Some(places) => {
            Array::new(places.iter().map(|p| p.xyz().map(|x| x * wavelength_m)).collect())
        }
    };
    array.with_element(Element {
        cosine_exponent: model.element.cosine_exponent,
        back_lobe: libm::exp10(model.element.back_lobe_db / 10.0),
    })
}

/// What each element does to its weight: drawn, listed, dead.
fn errors(model: &ArrayModel, mut random: Stream) -> Vec<Complex64> {
    let listed = |list: &[f64], n: usize| list.get(n).copied().unwrap_or(0.0);
    (0..model.count())
        .map(|n| {
            let gain_db =
                model.gain_error_rms_db * random.normal() + listed(&model.gain_errors_db, n);
            let phase_deg =
                model.phase_error_rms_deg * random.normal() + listed(&model.phase_errors_deg, n);
            let error = amplitude_of_db(gain_db) * cis(phase_deg.to_radians());
            if model.dead_elements.contains(&n) { Complex64::ZERO } else { error }
        })
        .collect()
}

/// Where the phase shifters start; `None` when the model has them start where they should.
fn offsets(model: &ArrayModel, mut random: Stream) -> Option<Arc<[Offset]>> {
    let power_up = &model.power_up;
    if power_up.codes == 0 && power_up.phase_rms_deg == 0.0 {
        return None;
    }
    let most = i32::from(power_up.codes);
    let draw = |_| Offset {
        codes: (random.uniform() * f64::from(2 * most + 1)) as i32 - most,
        turn: cis((power_up.phase_rms_deg * random.normal()).to_radians()),
    };
    Some((0..model.count()).map(draw).collect())
}

impl Drift {
    fn draw(model: &ArrayModel, mut random: Stream) -> Option<Self> {
        let drift = &model.drift;
        let listed = |n: usize| drift.phase_deg_per_k.get(n).copied().unwrap_or(0.0);
        let phase_deg_per_k: Vec<f64> = (0..model.count())
            .map(|n| drift.phase_rms_deg_per_k * random.normal() + listed(n))
            .collect();
        let drifts = drift.gain_db_per_k != 0.0 || phase_deg_per_k.iter().any(|d| *d != 0.0);
        drifts.then_some(Self {
            phase_deg_per_k,
            gain_db_per_k: drift.gain_db_per_k,
            reference_c: drift.reference_c,
        })
    }

    fn factor(&self, element: usize, excess_k: f64) -> Complex64 {
        let phase_deg = self.phase_deg_per_k[element] * excess_k;
        let amplitude = amplitude_of_db(self.gain_db_per_k * excess_k);
        amplitude * cis(phase_deg.to_radians())
    }
}
