//! The electronics of the elements: codes to complex weights, with the error of every code.
//!
//! Knows nothing of registers or of where the elements are.

use num_complex::Complex64;

use super::array::ElementCode;
use super::gaussian::Stream;
use super::link::amplitude_of_db;
use super::oscillator::cis;

/// Attenuator codes of an element.
pub const ATTENUATIONS: usize = 8;

/// Steps of the phase shifters and attenuators of one chip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CodeSteps {
    /// Bits of the phase shifter.
    pub phase_bits: u8,
    /// One attenuator step, dB.
    pub attenuation_db: f64,
}

impl CodeSteps {
    /// The complex weight of one perfect element: 0 when off, otherwise at most 1 in magnitude.
    pub fn weight(&self, code: ElementCode) -> Complex64 {
        if !code.on {
            return Complex64::ZERO;
        }
        let step_rad = std::f64::consts::TAU / f64::from(self.states());
        let magnitude = amplitude_of_db(-self.attenuation_db * f64::from(code.attenuation));
        magnitude * cis(step_rad * f64::from(code.phase))
    }

    /// Phase codes that there are.
    pub fn states(&self) -> u32 {
        1u32 << self.phase_bits.min(16)
    }
}

/// Spread of the errors of single codes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CodeSpread {
    /// Phase of each phase code, deg rms.
    pub phase_deg: f64,
    /// Gain of each phase code, dB rms.
    pub gain_db: f64,
    /// Gain of each attenuator code, dB rms.
    pub attenuation_db: f64,
}

/// What each code of each element really gives, relative to what it should.
#[derive(Debug, Clone, PartialEq)]
pub struct CodeTable {
    states: usize,
    phase: Vec<Complex64>,
    attenuation: Vec<f64>,
}

impl CodeTable {
    /// A table for `elements` elements; `None` when no code errs.
    pub fn draw(
        elements: usize,
        steps: CodeSteps,
        spread: CodeSpread,
        mut random: Stream,
    ) -> Option<Self> {
        if [spread.phase_deg, spread.gain_db, spread.attenuation_db] == [0.0; 3] {
            return None;
        }
        let states = steps.states() as usize;
        let (mut phase, mut attenuation) = (Vec::new(), Vec::new());
        for _ in 0..elements {
            phase.extend((0..states).map(|_| {
                let gain_db = spread.gain_db * random.normal();
                let turn_deg: f64 = spread.phase_deg * random.normal();
                amplitude_of_db(gain_db) * cis(turn_deg.to_radians())
            }));
            attenuation.extend(
                (0..ATTENUATIONS).map(|_| amplitude_of_db(spread.attenuation_db * random.normal())),
            );
        }
        Some(Self { states, phase, attenuation })
    }

    /// The factor of an element's code.
    pub fn factor(&self, element: usize, code: ElementCode) -> Complex64 {
        let phase = self.phase[element * self.states + usize::from(code.phase) % self.states];
        phase
            * self.attenuation
                [element * ATTENUATIONS + usize::from(code.attenuation) % ATTENUATIONS]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::gaussian::Purpose;

    #[test]
    fn attenuation_steps_are_in_decibels() {
        let steps = CodeSteps { phase_bits: 5, attenuation_db: 0.5 };
        let weight = steps.weight(ElementCode { phase: 8, attenuation: 6, on: true });
        // Phase code 8 of 32 is a quarter turn, 6 steps of 0.5 dB are 3 dB.
        assert!((20.0 * weight.norm().log10() + 3.0).abs() < 1e-12);
        assert!((weight.arg() - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
    }

    #[test]
    fn the_codes_of_a_table_spread_as_told() {
        let steps = CodeSteps { phase_bits: 6, attenuation_db: 0.5 };
        let spread = CodeSpread { phase_deg: 3.0, gain_db: 0.4, attenuation_db: 0.2 };
        let stream = || Stream::new(5, Purpose::TxCodes, 0);
        let table = CodeTable::draw(256, steps, spread, stream()).expect("it errs");
        let rms = |values: Vec<f64>| {
            (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
        };
        let phases = table.phase.iter().map(|p| p.arg().to_degrees()).collect();
        let gains = table.phase.iter().map(|p| 20.0 * p.norm().log10()).collect();
        let steps_db = table.attenuation.iter().map(|a| 20.0 * a.log10()).collect();
        // The rms of n normal values spreads by 1/sqrt(2 n): 0.55 % of 16,384, 1.6 % of 2,048.
        assert!((rms(phases) / 3.0 - 1.0).abs() < 0.03);
        assert!((rms(gains) / 0.4 - 1.0).abs() < 0.03);
        assert!((rms(steps_db) / 0.2 - 1.0).abs() < 0.08);
        let none = CodeSpread { phase_deg: 0.0, gain_db: 0.0, attenuation_db: 0.0 };
        assert_eq!(CodeTable::draw(4, steps, none, stream()), None);
    }
}
