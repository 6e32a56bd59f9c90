//! Channel response, noise and signal level from the known preamble, by least squares.
//!
//! Short training and channel estimation field together give 3184 equations for 64 taps, at each of
//! the two sampling phases of a chip. The channel estimation field alone makes the equations well
//! conditioned: its Golay pairs have no side lobes (IEEE 802.11ad-2012 clause 21.3.6.3).
//! Knows nothing of how the values were obtained or what follows the preamble.

use std::sync::LazyLock;

use num_complex::{Complex32, Complex64};

use super::constellation::derotate_half_pi;
use super::frame::{PREAMBLE_CHIPS, preamble_chips};
use super::lanes::widest;
use super::pulse::RootRaisedCosine;
use super::recording::widen;
use super::sync::{PER_CHIP, PRECURSOR_CHIPS, RESPONSE_CHIPS};

/// First chip whose value is used: transients of the first sequence are left out.
const FIRST_CHIP: usize = 128;
/// Chip after the last whose value depends on the preamble alone.
const END_CHIP: usize = PREAMBLE_CHIPS - PRECURSOR_CHIPS;
/// Equations per sampling phase.
const EQUATIONS: usize = END_CHIP - FIRST_CHIP;
/// Unknown taps per sampling phase.
const TAPS: usize = RESPONSE_CHIPS;

/// Response of the channel together with both pulse filters, and what noise does to it.
#[derive(Clone, Debug)]
pub(crate) struct ChannelEstimate {
    /// Two taps a chip, from [`PRECURSOR_CHIPS`] before the assumed start.
    pub taps: Vec<Complex64>,
    /// Variance of the noise in the filtered values: N0, as the filter has unit energy.
    pub noise: f64,
    /// Variance of the estimate of a tap for a noise variance of one, one value per chip.
    pub tap_variance: Vec<f64>,
}

/// The preamble's normal equations, solved once.
struct Normal {
    /// Chips without rotation, +1 or -1.
    chips: Vec<f32>,
    /// Lower triangle of the Cholesky factor, by rows.
    factor: Vec<[f64; TAPS]>,
    /// Diagonal of the inverse.
    inverse_diagonal: Vec<f64>,
}

static NORMAL: LazyLock<Normal> = LazyLock::new(Normal::new);

impl Normal {
    fn new() -> Self {
        let mut derotated = preamble_chips().to_vec();
        derotate_half_pi(&mut derotated, 0);
        let chips: Vec<f32> = derotated.iter().map(|z| z.re).collect();
        let chip = |k: usize, tap: usize| f64::from(chips[k + PRECURSOR_CHIPS - tap]);
        let mut gram = vec![[0.0; TAPS]; TAPS];
        for i in 0..TAPS {
            for j in 0..=i {
                gram[i][j] = if j == 0 {
                    (FIRST_CHIP..END_CHIP).map(|k| chip(k, i) * chip(k, 0)).sum()
                } else {
                    // One step along the diagonal drops the last equation and gains one before.
                    gram[i - 1][j - 1] + chip(FIRST_CHIP, i) * chip(FIRST_CHIP, j)
                        - chip(END_CHIP, i) * chip(END_CHIP, j)
                };
            }
        }
        let factor = cholesky(&gram);
        let inverse_diagonal = (0..TAPS)
            .map(|tap| {
                let mut unit = [Complex64::default(); TAPS];
                unit[tap] = Complex64::new(1.0, 0.0);
                solve(&factor, &mut unit);
                unit[tap].re
            })
            .collect();
        Self { chips, factor, inverse_diagonal }
    }
}

/// Lower factor `L` of a symmetric positive definite matrix `L L^T` of which the lower triangle is
/// given.
fn cholesky(matrix: &[[f64; TAPS]]) -> Vec<[f64; TAPS]> {
    let mut factor = matrix.to_vec();
    for i in 0..TAPS {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            let rest = factor[i][j] - dot;
            factor[i][j] = if i == j { rest.sqrt() } else { rest / factor[j][j] };
        }
    }
    factor
}

/// Solves `L L^T x = b` in place.
fn solve(factor: &[[f64; TAPS]], b: &mut [Complex64; TAPS]) {
    for i in 0..TAPS {
        let dot: Complex64 = (0..i).map(|k| b[k] * factor[i][k]).sum();
        b[i] = (b[i] - dot) / factor[i][i];
    }
    for i in (0..TAPS).rev() {
        let dot: Complex64 = (i + 1..TAPS).map(|k| b[k] * factor[k][i]).sum();
        b[i] = (b[i] - dot) / factor[i][i];
    }
}

/// Least-squares estimate from the filtered values of a preamble, two a chip, from its first chip.
/// `None` when there are too few values.
pub(crate) fn estimate(values: &[Complex32]) -> Option<ChannelEstimate> {
    if values.len() < PER_CHIP * END_CHIP {
        return None;
    }
    let normal = &*NORMAL;
    let mut taps = vec![Complex64::default(); PER_CHIP * TAPS];
    let mut noise = 0.0;
    for phase in 0..PER_CHIP {
        let mut chips: Vec<Complex32> =
            values[phase..].iter().step_by(PER_CHIP).take(END_CHIP).copied().collect();
        derotate_half_pi(&mut chips, 0);
        let (right, energy) = right_hand_side(&chips, &normal.chips);
        let mut solution = right;
        solve(&normal.factor, &mut solution);
        let explained: f64 = solution.iter().zip(&right).map(|(tap, b)| (tap.conj() * b).re).sum();
        noise += (energy - explained).max(0.0) / (EQUATIONS - TAPS) as f64 / PER_CHIP as f64;
        for (n, tap) in solution.iter().enumerate() {
            // A path at lag l sees chips derotated for another place.
            let turns = (n + 4 * TAPS - PRECURSOR_CHIPS) % 4;
            taps[PER_CHIP * n + phase] = tap * Complex64::i().powu(turns as u32);
        }
    }
    Some(ChannelEstimate { taps, noise, tap_variance: normal.inverse_diagonal.clone() })
}

/// Values whose correlations are summed in single precision: that keeps them to 10^-7.
const SUMMED: usize = 16;

/// Correlations of the values with the chips for every tap, and the energy of the values.
fn right_hand_side(values: &[Complex32], chips: &[f32]) -> ([Complex64; TAPS], f64) {
    let energy = values.iter().skip(FIRST_CHIP).map(|z| widen(*z).norm_sqr()).sum();
    let reversed: Vec<f32> = chips.iter().rev().copied().collect();
    let mut sums = [Complex64::default(); TAPS];
    for from in (FIRST_CHIP..values.len()).step_by(SUMMED) {
        let (mut re, mut im) = ([0.0_f32; TAPS], [0.0_f32; TAPS]);
        widest(
            #[inline(always)]
            || {
                for (k, value) in values.iter().enumerate().skip(from).take(SUMMED) {
                    // Tap n belongs to chip k + PRECURSOR - n; reversed, these chips rise with n.
                    let start = reversed.len() - 1 - (k + PRECURSOR_CHIPS);
                    let row = &reversed[start..start + TAPS];
                    for n in 0..TAPS {
                        re[n] += row[n] * value.re;
                        im[n] += row[n] * value.im;
                    }
                }
            },
        );
        for (sum, (re, im)) in sums.iter_mut().zip(re.into_iter().zip(im)) {
            *sum += Complex64::new(f64::from(re), f64::from(im));
        }
    }
    (sums, energy)
}

impl ChannelEstimate {
    /// The taps, each shrunk by what noise is expected to have added: what is below the noise
    /// vanishes, what is far above it stays.
    pub fn denoised(&self) -> Vec<Complex64> {
        /// How far above its own noise a tap must stand to keep half of its value.
        const CAUTION: f64 = 2.0;
        self.taps
            .iter()
            .enumerate()
            .map(|(n, tap)| {
                let variance = self.noise * self.tap_variance[n / PER_CHIP];
                let ratio = tap.norm_sqr() / variance.max(f64::MIN_POSITIVE);
                tap * (1.0 - CAUTION / ratio.max(CAUTION))
            })
            .collect()
    }

    /// Rms delay spread of the paths in chips: second central moment of the power over delay, of which
    /// the pulses' own width is taken off. `main_delay` is that of the strongest path in chips against the
    /// estimate's timing; its pulse is taken as one path at that delay, so that a single path has no
    /// spread wherever the sampling instants fall. What else stands out of the noise, and by -40 dB of
    /// the strongest tap, are the other paths. Two paths within one chip count as one.
    pub fn delay_spread_chips(&self, main_delay: f64, pulse: RootRaisedCosine) -> f64 {
        let late = |n: usize| n as f64 / PER_CHIP as f64 - PRECURSOR_CHIPS as f64 - main_delay;
        let single: Vec<f64> =
            (0..self.taps.len()).map(|n| pulse.raised_cosine_at(late(n))).collect();
        let energy: f64 = single.iter().map(|p| p * p).sum();
        let product: Complex64 = self.taps.iter().zip(&single).map(|(tap, p)| tap * p).sum();
        let gain = product / energy;
        let strongest = self.taps.iter().map(Complex64::norm_sqr).fold(0.0, f64::max);
        let (mut others, mut first, mut second) = (0.0, 0.0, 0.0);
        for (n, (tap, p)) in self.taps.iter().zip(&single).enumerate() {
            let power = (tap - gain * p).norm_sqr();
            let floor = 10.0 * self.noise * self.tap_variance[n / PER_CHIP];
            if power > floor.max(1e-4 * strongest) {
                others += power;
                first += power * late(n);
                second += power * late(n).powi(2);
            }
        }
        // Two values a chip sum up the square of a pulse in that band whatever the sampling phase.
        let total = gain.norm_sqr() * energy + others;
        let mean = first / total;
        let spread = (second - others * pulse_variance(pulse.rolloff())) / total - mean * mean;
        spread.max(0.0).sqrt()
    }
}

/// Second central moment of the power of a raised-cosine pulse, in squared chips: by Parseval's theorem
/// the energy of its spectrum's slope, `1/(16 b)`, over that of the spectrum, `1 - b/4` (own
/// integration).
fn pulse_variance(rolloff: f64) -> f64 {
    1.0 / (16.0 * rolloff) / (1.0 - rolloff / 4.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::equaliser::{Equaliser, EqualiserKind, Transforms};
    use crate::phy::link_testing::Noise;

    /// Two values a chip after a channel that is given by its taps, with noise.
    fn received(taps: &[(i64, Complex64)], noise: f64, seed: u64) -> Vec<Complex32> {
        let chips = preamble_chips();
        let mut source = Noise::new(seed);
        (0..PER_CHIP * PREAMBLE_CHIPS)
            .map(|n| {
                let sum: Complex64 = taps
                    .iter()
                    .filter(|(lag, _)| (n as i64 - lag).rem_euclid(2) == 0)
                    .filter_map(|(lag, tap)| {
                        let chip = chips.get(usize::try_from((n as i64 - lag) / 2).ok()?)?;
                        Some(widen(*chip) * tap)
                    })
                    .sum();
                let noise = source.complex(noise);
                Complex32::new(sum.re as f32, sum.im as f32) + noise
            })
            .collect()
    }

    #[test]
    fn taps_come_back_exactly() {
        let sent = [
            (-30, Complex64::new(0.1, -0.05)),
            (0, Complex64::new(1.0, 0.5)),
            (1, Complex64::new(-0.3, 0.2)),
            (7, Complex64::new(0.0, 0.4)),
            (95, Complex64::new(0.2, 0.1)),
        ];
        let estimate = estimate(&received(&sent, 0.0, 1)).expect("long enough");
        for (n, tap) in estimate.taps.iter().enumerate() {
            let lag = n as i64 - (PER_CHIP * PRECURSOR_CHIPS) as i64;
            let expected =
                sent.iter().find(|(l, _)| *l == lag).map_or(Complex64::default(), |s| s.1);
            // Values are f32; a few thousand of them average their rounding out.
            assert!((tap - expected).norm() < 1e-6, "lag {lag}: {tap} {expected}");
        }
        // What is left of sums in single precision: 80 dB below the signal.
        assert!(estimate.noise < 2e-8, "{}", estimate.noise);
    }

    #[test]
    fn noise_and_its_effect_are_as_computed() {
        let sent = [(0, Complex64::new(1.0, 0.0))];
        let (mut noise, mut error, mut predicted) = (0.0, 0.0, 0.0);
        for seed in 0..50 {
            let estimate = estimate(&received(&sent, 0.5, seed)).expect("long enough");
            noise += estimate.noise / 50.0;
            for (n, tap) in estimate.taps.iter().enumerate() {
                let expected = if n == 32 { 1.0 } else { 0.0 };
                error += (tap - expected).norm_sqr();
                predicted += 0.5 * estimate.tap_variance[n / 2];
            }
        }
        // 50 x 6240 degrees of freedom: 0.2 % standard deviation; 50 x 128 taps: 1.3 %.
        assert!((noise / 0.5 - 1.0).abs() < 0.01, "{noise}");
        assert!((error / predicted - 1.0).abs() < 0.06, "{error} {predicted}");
    }

    /// Paths (delay in chips, gain) behind both pulse filters, by the closed form; the spread that is
    /// found, and that of the paths by their second central moment.
    fn spreads(paths: &[(f64, f64)], rolloff: f64, noise: f64) -> (f64, f64) {
        let pulse = RootRaisedCosine::new(rolloff).expect("in range");
        let mut source = Noise::new(3);
        let tap = |n: usize| -> Complex64 {
            let t = n as f64 / PER_CHIP as f64 - PRECURSOR_CHIPS as f64;
            let sum: f64 =
                paths.iter().map(|(at, gain)| gain * pulse.raised_cosine_at(t - at)).sum();
            sum + widen(source.complex(noise / EQUATIONS as f64))
        };
        let estimate = ChannelEstimate {
            taps: (0..PER_CHIP * TAPS).map(tap).collect(),
            noise,
            tap_variance: vec![1.0 / EQUATIONS as f64; TAPS],
        };
        let kind = EqualiserKind::Mmse;
        let main = Equaliser::new(&estimate, pulse, kind, Transforms::new()).main_delay;
        let moment = |power: i32| -> f64 { paths.iter().map(|(t, g)| g * g * t.powi(power)).sum() };
        let mean = moment(1) / moment(0);
        let closed = (moment(2) / moment(0) - mean * mean).max(0.0).sqrt();
        (estimate.delay_spread_chips(main, pulse), closed)
    }

    #[test]
    fn a_single_path_has_no_delay_spread() {
        for rolloff in [0.15, 0.25, 0.4] {
            for noise in [1e-8, 1e-3, 0.1] {
                for n in 0..40 {
                    let delay = f64::from(n) / 40.0 - 0.5;
                    let (found, _) = spreads(&[(delay, 1.0)], rolloff, noise);
                    assert!(found < 0.02, "{rolloff} {noise} {delay}: {found}");
                }
            }
        }
    }

    #[test]
    fn echoes_have_the_spread_of_the_closed_form() {
        for delay in [0.0, 0.13, 0.25, 0.4, 0.5, 0.77] {
            for (near, far) in [(0.5, 0.0), (0.0, 0.5), (0.5, 0.3), (0.9, 0.9), (-0.4, 0.3)] {
                let paths = [(delay, 1.0), (delay + 5.0, near), (delay + 17.5, far)];
                let (found, closed) = spreads(&paths, 0.25, 1e-3);
                assert!((found / closed - 1.0).abs() < 0.03, "{paths:?}: {found} {closed}");
            }
        }
    }

    #[test]
    fn too_few_values_give_nothing() {
        assert!(estimate(&[Complex32::default(); 100]).is_none());
    }
}
