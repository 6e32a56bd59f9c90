//! What a model of the received values leaves unexplained: an offset, an image, a skew between the
//! channels. Sums up the evidence of many stretches and corrects the state by it. Knows nothing of
//! blocks or equalisers.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};

use super::frontend::{FrontEnd, Impairments};
use super::lanes::{correlate, turn_back, widest};
use super::receiver::{Corrections, FrameState};
use super::recording::widen;
use super::sync::PER_CHIP;

/// Largest skew between the channels that is taken off, in chips.
const SKEW_MAX: f64 = 1.0;

/// Sums of what the model does not explain.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Unexplained {
    image: Complex64,
    image_energy: f64,
    skew: f64,
    skew_energy: f64,
    dc: Complex64,
    count: f64,
}

impl Unexplained {
    /// Compares values, of which the first stands at `start` chips, with what the model expects them
    /// to be; `changes` is how fast the latter change, per chip.
    pub fn add(
        &mut self,
        state: &FrameState,
        mut values: Vec<Complex32>,
        mut expected: Vec<Complex32>,
        mut changes: Vec<Complex32>,
        start: f64,
    ) {
        // In the unturned signal s the error is dc + image conj(s) + skew/2 d/dt conj(s).
        let wrong = &state.wrong;
        let step = (1.0 + state.timing.drift) / PER_CHIP as f64;
        let (first, turn) = (FrontEnd::carrier_phase(wrong, start), TAU * wrong.cfo * step);
        let error = &mut values;
        let (image, skew, dc, energies) = widest(
            #[inline(always)]
            || {
                for (value, expected) in error.iter_mut().zip(&expected) {
                    *value -= expected;
                }
                turn_back(error, -first, -turn);
                turn_back(&mut expected, -first, -turn);
                turn_back(&mut changes, -first, -turn);
                let dc: Complex32 = error.iter().sum();
                let energy = |signal: &[Complex32]| correlate(signal, signal).re;
                let energies = (energy(&expected), energy(&changes));
                for signal in [&mut expected, &mut changes] {
                    for z in signal.iter_mut() {
                        *z = z.conj();
                    }
                }
                (correlate(error, &expected), correlate(error, &changes), dc, energies)
            },
        );
        self.image += image;
        self.image_energy += energies.0;
        self.skew += skew.re;
        self.skew_energy += energies.1;
        self.dc += widen(dc);
        self.count += error.len() as f64;
    }

    /// The sums of both.
    pub fn plus(mut self, other: Self) -> Self {
        self.image += other.image;
        self.image_energy += other.image_energy;
        self.skew += other.skew;
        self.skew_energy += other.skew_energy;
        self.dc += other.dc;
        self.count += other.count;
        self
    }

    /// Whether anything has been compared.
    pub fn is_empty(&self) -> bool {
        self.count == 0.0
    }

    /// Corrects what is known to be wrong, `scale` being the factor from the recording's unit to that
    /// of the values; says whether any of it matters.
    pub fn improve(&self, corrections: &Corrections, scale: f64, wrong: &mut Impairments) -> bool {
        let mut matters = false;
        if corrections.dc && self.count > 0.0 {
            let left = self.dc / self.count;
            wrong.dc += left / scale;
            matters |= left.norm() > 1e-3;
        }
        if corrections.iq && self.image_energy > 0.0 {
            let left = self.image / self.image_energy;
            wrong.image += left;
            matters |= left.norm() > 1e-3;
        }
        if corrections.skew && self.skew_energy > 0.0 {
            let left = 2.0 * self.skew / self.skew_energy;
            wrong.skew = (wrong.skew + left).clamp(-SKEW_MAX, SKEW_MAX);
            // The image of a skew of 1/1000 chip stands at -55 dB at the band's edge.
            matters |= left.abs() > 1e-3;
        }
        matters
    }
}
