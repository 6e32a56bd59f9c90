//! Gain and phase errors of an array's elements, from the power of captures at different weights.
//!
//! The power is that of the sum over the elements of weight times error times wave; one capture tells
//! one number of it, so that the weights have to vary in ways that tell the elements apart. A set of
//! beams that only point elsewhere does not: an array and its mirror image then look the same.

use num_complex::Complex64;

use super::Refusal;
use super::solve::{Solved, solve};

/// Largest uncertainty of a gain error that is worth writing down, dB.
const GAIN_UNCERTAINTY_MAX_DB: f64 = 1.0;
/// Largest uncertainty of a phase error that is worth writing down, degrees.
const PHASE_UNCERTAINTY_MAX_DEG: f64 = 10.0;
/// Phase that changes a sum about as much as 1 dB of gain does: both parameters are then of one size.
const DEG_PER_UNIT: f64 = 6.6;
/// Least scatter that powers are taken to have, dB.
const NOISE_MIN_DB: f64 = 0.005;
/// Points beyond the number of unknowns.
const SPARE_POINTS: usize = 3;
/// Most elements of both arrays together.
const ELEMENTS_MAX: usize = 128;
/// Two explanations whose squares differ by less than this factor are equally good.
const EQUALLY_GOOD: f64 = 1.5;

/// What one array stood at: for each element its nominal weight times the wave's phase there.
pub type Excitation = Vec<Complex64>;

/// The power of one capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    /// Transmit array.
    pub tx: Excitation,
    /// Receive array.
    pub rx: Excitation,
    /// Measured power over that of a model without errors of the elements, dB.
    pub over_model_db: f64,
}

/// Errors of one array's elements, in the order of the elements.
#[derive(Clone, Debug, PartialEq)]
pub struct ElementErrors {
    /// Gain errors relative to element 0, dB, and one standard deviation of each.
    pub gain_db: Vec<(f64, f64)>,
    /// Phase errors relative to element 0, degrees, and one standard deviation of each.
    pub phase_deg: Vec<(f64, f64)>,
}

/// What the captures tell of both arrays.
#[derive(Clone, Debug, PartialEq)]
pub struct ElementFit {
    /// Transmitter.
    pub tx: Result<ElementErrors, Refusal>,
    /// Receiver.
    pub rx: Result<ElementErrors, Refusal>,
    /// What is left beside the elements: offset of the power from the model's, dB, and one standard
    /// deviation of it.
    pub offset_db: (f64, f64),
    /// Rms of what the fit leaves unexplained, dB.
    pub residual_rms_db: f64,
    /// Points used.
    pub points: usize,
}

/// Estimates the errors of both arrays' elements. An array whose errors cannot be told is refused by
/// itself, and its elements count as perfect.
///
/// # Errors
/// [`Refusal::TooFew`] without enough points for anything.
pub fn fit_elements(all: &[Observation]) -> Result<ElementFit, Refusal> {
    let mut wanted = [true, true];
    let mut refusals: [Option<Refusal>; 2] = [None, None];
    for (side, wanted) in wanted.iter_mut().enumerate() {
        if !varies(all, side) {
            (*wanted, refusals[side]) = (false, Some(Refusal::NeverVaried));
        }
    }
    loop {
        let layout = Layout::of(all, wanted);
        let needed = layout.unknowns() + SPARE_POINTS;
        let too_few = Refusal::TooFew { points: all.len(), needed };
        if all.len() < needed || layout.elements() > ELEMENTS_MAX {
            if wanted == [false, false] {
                return Err(too_few);
            }
            // The larger array goes first: it needs the most points.
            let side = usize::from(!wanted[0] || wanted[1] && layout.counts[1] >= layout.counts[0]);
            (wanted[side], refusals[side]) = (false, Some(too_few));
            continue;
        }
        let solved = solve(&|p: &[f64]| layout.residuals(all, p), layout.start(), NOISE_MIN_DB);
        let solved = solved.ok_or(Refusal::NotSettled)?;
        let refused = (0..2)
            .filter(|side| wanted[*side])
            .find_map(|side| layout.refusal(all, &solved, side).map(|refusal| (side, refusal)));
        match refused {
            Some((side, refusal)) => (wanted[side], refusals[side]) = (false, Some(refusal)),
            None => {
                let errors = |side: usize| match &refusals[side] {
                    Some(refusal) => Err(refusal.clone()),
                    None => Ok(layout.errors(&solved, side)),
                };
                return Ok(ElementFit {
                    tx: errors(0),
                    rx: errors(1),
                    offset_db: (solved.params[0], solved.uncertainty[0]),
                    residual_rms_db: solved.rms,
                    points: all.len(),
                });
            }
        }
    }
}

fn side_of(observation: &Observation, side: usize) -> &Excitation {
    if side == 0 { &observation.tx } else { &observation.rx }
}

/// Whether an array's weights change in more than a factor common to all elements.
fn varies(all: &[Observation], side: usize) -> bool {
    let Some(first) = all.first().map(|one| side_of(one, side)) else { return false };
    all.iter().any(|one| {
        let one = side_of(one, side);
        let product: Complex64 = one.iter().zip(first).map(|(a, b)| a * b.conj()).sum();
        let power = |of: &Excitation| of.iter().map(Complex64::norm_sqr).sum::<f64>();
        product.norm_sqr() < (1.0 - 1e-9) * power(one) * power(first)
    })
}

/// Which parameter is what: the offset, then for each wanted array gains and phases of elements 1 on.
struct Layout {
    wanted: [bool; 2],
    counts: [usize; 2],
}

impl Layout {
    fn of(all: &[Observation], wanted: [bool; 2]) -> Self {
        let count = |side| all.iter().map(|one| side_of(one, side).len()).min().unwrap_or(0);
        Layout { wanted, counts: [count(0), count(1)] }
    }

    fn elements(&self) -> usize {
        (0..2).filter(|side| self.wanted[*side]).map(|side| self.counts[side]).sum()
    }

    fn free(&self, side: usize) -> usize {
        if self.wanted[side] { self.counts[side].saturating_sub(1) } else { 0 }
    }

    fn unknowns(&self) -> usize {
        1 + 2 * (self.free(0) + self.free(1))
    }

    fn start(&self) -> Vec<f64> {
        vec![0.0; self.unknowns()]
    }

    /// First parameter of an array.
    fn first(&self, side: usize) -> usize {
        1 + if side == 0 { 0 } else { 2 * self.free(0) }
    }

    /// The factor of each element of an array.
    fn factors(&self, params: &[f64], side: usize) -> Vec<Complex64> {
        let (first, free) = (self.first(side), self.free(side));
        let mut factors = vec![Complex64::ONE; self.counts[side]];
        for n in 0..free {
            let gain = 10f64.powf(params[first + n] / 20.0);
            let phase = (params[first + free + n] * DEG_PER_UNIT).to_radians();
            factors[n + 1] = Complex64::from_polar(gain, phase);
        }
        factors
    }

    fn residuals(&self, all: &[Observation], params: &[f64]) -> Vec<f64> {
        let factors = [self.factors(params, 0), self.factors(params, 1)];
        all.iter()
            .map(|one| {
                let change_db = (0..2).map(|side| {
                    let with: Complex64 =
                        side_of(one, side).iter().zip(&factors[side]).map(|(w, e)| w * e).sum();
                    let without: Complex64 = side_of(one, side).iter().sum();
                    10.0 * (with.norm_sqr().max(1e-12) / without.norm_sqr().max(1e-12)).log10()
                });
                params[0] + change_db.sum::<f64>() - one.over_model_db
            })
            .collect()
    }

    /// Why an array's errors are not told, when they are not.
    fn refusal(&self, all: &[Observation], solved: &Solved, side: usize) -> Option<Refusal> {
        let (first, free) = (self.first(side), self.free(side));
        let gains = &solved.uncertainty[first..first + free];
        let phases = &solved.uncertainty[first + free..first + 2 * free];
        let lost = gains.iter().filter(|u| **u > GAIN_UNCERTAINTY_MAX_DB).count()
            + phases.iter().filter(|u| **u * DEG_PER_UNIT > PHASE_UNCERTAINTY_MAX_DEG).count();
        if lost > 0 {
            return Some(Refusal::Undetermined {
                lost,
                unknown: 2 * free,
                points: all.len(),
                gain_db: GAIN_UNCERTAINTY_MAX_DB,
                phase_deg: PHASE_UNCERTAINTY_MAX_DEG,
            });
        }
        let mirrored = self.mirrored(&solved.params, side);
        let twin = solve(&|p: &[f64]| self.residuals(all, p), mirrored, NOISE_MIN_DB)?;
        let apart = (0..2 * free).any(|n| {
            let at = first + n;
            let apart = (twin.params[at] - solved.params[at]).abs();
            apart > 4.0 * (twin.uncertainty[at] + solved.uncertainty[at]) && apart > 0.1
        });
        let floor = |rms: f64| rms.max(NOISE_MIN_DB).powi(2);
        let as_good = floor(twin.rms) < EQUALLY_GOOD * floor(solved.rms);
        (apart && as_good).then_some(Refusal::Ambiguous)
    }

    /// The same with an array's errors mirrored along it, conjugate: what beams that only point
    /// elsewhere cannot tell apart.
    fn mirrored(&self, params: &[f64], side: usize) -> Vec<f64> {
        let (first, free) = (self.first(side), self.free(side));
        let factors = self.factors(params, side);
        let mut turned: Vec<Complex64> = factors.iter().rev().map(Complex64::conj).collect();
        let origin = turned.first().copied().unwrap_or(Complex64::ONE);
        turned.iter_mut().for_each(|factor| *factor /= origin);
        let mut mirrored = params.to_vec();
        mirrored[0] += 20.0 * origin.norm().log10();
        for n in 0..free {
            mirrored[first + n] = 20.0 * turned[n + 1].norm().log10();
            mirrored[first + free + n] = turned[n + 1].arg().to_degrees() / DEG_PER_UNIT;
        }
        mirrored
    }

    fn errors(&self, solved: &Solved, side: usize) -> ElementErrors {
        let (first, free) = (self.first(side), self.free(side));
        let list = |from: usize, unit: f64| {
            let found = (from..from + free)
                .map(|at| (unit * solved.params[at], unit * solved.uncertainty[at]));
            std::iter::once((0.0, 0.0)).chain(found).collect::<Vec<_>>()
        };
        let turned = |(value, uncertainty): (f64, f64)| {
            ((value + 180.0).rem_euclid(360.0) - 180.0, uncertainty)
        };
        ElementErrors {
            gain_db: list(first, 1.0),
            phase_deg: list(first + free, DEG_PER_UNIT).into_iter().map(turned).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beam::ArrayGeometry;
    use crate::record::fixture::Noise;

    const GAIN_DB: [f64; 8] = [0.0, 0.8, -0.6, 0.3, -1.1, 0.5, -0.2, 1.0];
    const PHASE_DEG: [f64; 8] = [0.0, 12.0, -9.0, 20.0, -15.0, 4.0, -22.0, 7.0];

    fn truth() -> Vec<Complex64> {
        let factor = |(gain, phase): (&f64, &f64)| {
            Complex64::from_polar(10f64.powf(gain / 20.0), phase.to_radians())
        };
        GAIN_DB.iter().zip(&PHASE_DEG).map(factor).collect()
    }

    /// The receiver's weights, seen by an array with the errors above and an offset of -2.5 dB;
    /// `noise_db` is the scatter of each point (uniform, of this rms).
    fn observe(weights: Vec<Excitation>, noise_db: f64) -> Vec<Observation> {
        let mut random = Noise(5);
        weights
            .into_iter()
            .map(|rx| {
                let with: Complex64 = rx.iter().zip(truth()).map(|(w, e)| w * e).sum();
                let without: Complex64 = rx.iter().sum();
                let noise = noise_db * 12f64.sqrt() * (random.uniform() - 0.5);
                let change = 20.0 * (with.norm() / without.norm()).log10();
                Observation { tx: vec![Complex64::ONE; 8], rx, over_model_db: change - 2.5 + noise }
            })
            .collect()
    }

    /// One element after the other turned through its phases, the others at zero, at broadside.
    fn turned_elements(phases: u32) -> Vec<Excitation> {
        let turn = |n: usize, k: u32| {
            let mut weights = vec![Complex64::ONE; 8];
            weights[n] = Complex64::cis(std::f64::consts::TAU * f64::from(k) / f64::from(phases));
            weights
        };
        (0..8).flat_map(|n| (0..phases).map(move |k| turn(n, k))).collect()
    }

    /// A codebook of beams, as a beam search goes through them.
    fn beams(bits: u32) -> Vec<Excitation> {
        let array = ArrayGeometry::uniform(8, 0.5, bits);
        let weights = |angle_deg: f64| {
            let codes = array.steer(angle_deg);
            let phase = |(n, code): (usize, &u16)| {
                let wave = std::f64::consts::PI * n as f64 * 7f64.to_radians().sin();
                Complex64::cis(
                    wave + std::f64::consts::TAU * f64::from(*code) / 2f64.powi(bits as i32),
                )
            };
            codes.iter().enumerate().map(phase).collect()
        };
        (-30..=30).map(|n| weights(f64::from(n) * 2.0)).collect()
    }

    #[test]
    fn turning_single_elements_tells_their_errors() {
        for (noise_db, gain_within, phase_within) in [(0.0, 1e-3, 1e-2), (0.02, 0.3, 2.0)] {
            let all = observe(turned_elements(4), noise_db);
            let fit = fit_elements(&all).unwrap();
            assert_eq!(fit.tx, Err(Refusal::NeverVaried));
            let errors = fit.rx.unwrap();
            for n in 0..8 {
                let (gain, phase) = (errors.gain_db[n], errors.phase_deg[n]);
                assert!((gain.0 - GAIN_DB[n]).abs() < gain_within, "{n}: {gain:?}");
                assert!((phase.0 - PHASE_DEG[n]).abs() < phase_within, "{n}: {phase:?}");
                // What is claimed of the uncertainty holds: nothing is off by more than four of it.
                let off = |(value, uncertainty): (f64, f64), truth: f64| {
                    (value - truth).abs() <= 4.0 * uncertainty + 1e-3
                };
                assert!(
                    off(gain, GAIN_DB[n]) && off(phase, PHASE_DEG[n]),
                    "{n}: {gain:?} {phase:?}"
                );
            }
            assert!((fit.offset_db.0 + 2.5).abs() < 10.0 * noise_db + 1e-3, "{:?}", fit.offset_db);
            assert!(fit.residual_rms_db < noise_db + 1e-6);
            assert_eq!(fit.points, 32);
        }
    }

    /// Beams of ideal phase shifters see only the autocorrelation of the aperture, which an array
    /// and its conjugate mirror image share.
    #[test]
    fn beams_alone_do_not_tell_an_array_from_its_mirror_image() {
        let fit = fit_elements(&observe(beams(16), 0.0)).unwrap();
        let refused = fit.rx.unwrap_err();
        let known = matches!(refused, Refusal::Ambiguous | Refusal::Undetermined { .. });
        assert!(known, "{refused}");
    }

    #[test]
    fn what_the_data_do_not_support_is_refused() {
        let few = observe(turned_elements(4), 0.0)[..10].to_vec();
        let Refusal::TooFew { points: 10, needed: 18 } =
            fit_elements(&few).unwrap().rx.unwrap_err()
        else {
            panic!("15 unknowns");
        };
        // Only half of the elements are turned: those of the others show together only.
        let half = observe(turned_elements(8)[..32].to_vec(), 0.0);
        let refused = fit_elements(&half).unwrap().rx.unwrap_err();
        assert!(matches!(refused, Refusal::Undetermined { unknown: 14, .. }), "{refused}");
        assert!(fit_elements(&[]).is_err());
    }
}
