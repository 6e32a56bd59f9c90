//! Equaliser for blocks that begin and end with the same guard, in the frequency domain.
//!
//! Two values a chip go in, not yet matched-filtered: the filter is part of the equaliser. Both halves of the spectrum that fold onto one chip-rate frequency are
//! combined by their signal-to-noise ratios, so the sampling phase does not matter. Then minimum mean
//! squared error (Proakis and Salehi, 5th ed., chapter 9) or zero forcing, without bias. Also measures
//! phase and delay of a block against decisions. Knows nothing of where blocks lie.

use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::{Complex32, Complex64};
use rustfft::{Fft, FftPlanner};

use super::channel::ChannelEstimate;
use super::lanes::{turn_back, widest};
use super::mcs::BLOCK_CHIPS;
use super::pulse::RootRaisedCosine;
use super::recording::{narrow, widen};
use super::sync::{PER_CHIP, PRECURSOR_CHIPS};

/// Values that a block has at the equaliser's input.
pub(crate) const BLOCK_VALUES: usize = PER_CHIP * BLOCK_CHIPS;
/// Share of the filter's pass band below which a frequency is left out.
const BAND_EDGE: f64 = 0.02;

/// How the channel is undone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum EqualiserKind {
    /// Minimum mean squared error, scaled so that the symbols are unbiased.
    #[default]
    Mmse,
    /// Zero forcing.
    ZeroForcing,
    /// One gain, phase and delay only; the channel's echoes stay.
    Flat,
}

/// The Fourier transforms that blocks need.
#[derive(Clone)]
pub(crate) struct Transforms {
    values: Arc<dyn Fft<f32>>,
    values_inverse: Arc<dyn Fft<f32>>,
    chips: Arc<dyn Fft<f32>>,
    chips_inverse: Arc<dyn Fft<f32>>,
}

impl Transforms {
    pub fn new() -> Self {
        let mut planner = FftPlanner::new();
        Self {
            values: planner.plan_fft_forward(BLOCK_VALUES),
            values_inverse: planner.plan_fft_inverse(BLOCK_VALUES),
            chips: planner.plan_fft_forward(BLOCK_CHIPS),
            chips_inverse: planner.plan_fft_inverse(BLOCK_CHIPS),
        }
    }

    /// Room for one block.
    pub fn workspace(&self) -> Workspace {
        let plans = [&self.values, &self.values_inverse, &self.chips, &self.chips_inverse];
        let scratch = plans.iter().map(|plan| plan.get_inplace_scratch_len()).max().unwrap_or(0);
        Workspace {
            values: vec![Complex32::default(); BLOCK_VALUES],
            chips: vec![Complex32::default(); BLOCK_CHIPS],
            scratch: vec![Complex32::default(); scratch],
        }
    }
}

/// What one block is worked on in.
pub(crate) struct Workspace {
    /// The block's values, then their spectrum.
    pub values: Vec<Complex32>,
    /// The block's chips.
    pub chips: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

/// Equaliser for one channel.
pub(crate) struct Equaliser {
    transforms: Transforms,
    /// Factor on each of the input's frequencies before both halves are folded.
    factors: Vec<Complex32>,
    /// Response at each of the input's frequencies: what unit chips become.
    response: Vec<Complex32>,
    /// The same behind the matched filter.
    filtered_response: Vec<Complex32>,
    /// `conj(filtered_response)` over the noise's density, for values before the matched filter.
    matched: Vec<Complex32>,
    /// Energy that a chip-rate frequency gets over noise: over both halves, the same times angular
    /// frequency (radians a chip), and times its square.
    information: [Vec<f32>; 3],
    /// Noise variance of a symbol expected at the output, relative to unit symbol power.
    pub noise_variance: f64,
    /// Es/N0 at the input, corrected for the noise of the estimate; not positive when there is
    /// nothing but noise.
    pub es_n0: f64,
    /// Received energy of a chip, in the square of the input's unit.
    pub chip_energy: f64,
    /// Delay of the main path in chips against the timing of the channel estimate.
    pub main_delay: f64,
}

/// What a block shows against its decisions.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct BlockMeasure {
    /// Phase in radians.
    pub phase: f64,
    /// Delay of the sampling instants in chips; positive when they are late.
    pub late: f64,
}

impl Equaliser {
    /// The equaliser for `channel` as seen through a root-raised-cosine matched filter.
    pub fn new(
        channel: &ChannelEstimate,
        pulse: RootRaisedCosine,
        kind: EqualiserKind,
        transforms: Transforms,
    ) -> Self {
        let band: Vec<f64> = (0..BLOCK_VALUES)
            .map(|bin| pulse.raised_cosine_spectrum(frequency(bin)))
            .map(|share| if share < BAND_EDGE { 0.0 } else { share })
            .collect();
        let noise = channel.noise.max(1e-12 * strongest(&channel.taps));
        let raw = spectrum(&channel.taps, &transforms);
        let (chip_energy, es_n0) = signal_level(channel, noise, &raw, &band);
        let main_delay = main_delay(&channel.taps, &raw, &band);
        let response = match kind {
            EqualiserKind::Flat => flat_response(&raw, &band, main_delay),
            _ => spectrum(&channel.denoised(), &transforms),
        };
        // Values have the noise density 2 N0 band (mean 1 over the input's band), symbols the mean
        // squared spectrum 512, values 1024 times their density: gamma = |H|^2 / (4 N0 band).
        let inverse = |share: f64| if share > 0.0 { 1.0 / (4.0 * noise * share) } else { 0.0 };
        let weight: Vec<f64> = band.iter().map(|share| inverse(*share)).collect();
        let gamma = |m: usize| -> f64 {
            [m, m + BLOCK_CHIPS].iter().map(|k| response[*k].norm_sqr() * weight[*k]).sum()
        };
        let gammas: Vec<f64> = (0..BLOCK_CHIPS).map(gamma).collect();
        let extra = if kind == EqualiserKind::Mmse { 1.0 } else { 0.0 };
        let factor = |g: f64| 1.0 / (g + extra).max(1e-9);
        let bias = gammas.iter().map(|g| g * factor(*g)).sum::<f64>() / BLOCK_CHIPS as f64;
        // What is left: the frequencies' gains around their mean, and the noise.
        let left = gammas
            .iter()
            .map(|g| {
                let through = g * factor(*g);
                (through - bias).powi(2) + g * factor(*g).powi(2)
            })
            .sum::<f64>()
            / BLOCK_CHIPS as f64;
        let root = |k: usize| band[k].sqrt();
        let inverse_root = |k: usize| if band[k] > 0.0 { 1.0 / root(k) } else { 0.0 };
        let gain = |k: usize| factor(gammas[k % BLOCK_CHIPS]) / bias.max(1e-9) / BLOCK_CHIPS as f64;
        let matched = |k: usize| response[k].conj() * weight[k] * root(k);
        let each = |of: &dyn Fn(usize) -> Complex64| -> Vec<Complex32> {
            (0..BLOCK_VALUES).map(|k| narrow(of(k))).collect()
        };
        let information = |power: i32| -> Vec<f32> {
            let share =
                |k: usize| response[k].norm_sqr() * weight[k] * (TAU * frequency(k)).powi(power);
            (0..BLOCK_CHIPS).map(|m| (share(m) + share(m + BLOCK_CHIPS)) as f32).collect()
        };
        Self {
            factors: each(&|k| matched(k) * gain(k)),
            response: each(&|k| response[k] * inverse_root(k)),
            filtered_response: each(&|k| response[k]),
            matched: each(&matched),
            information: [information(0), information(1), information(2)],
            noise_variance: left / bias.max(1e-9).powi(2),
            es_n0,
            chip_energy,
            main_delay,
            transforms,
        }
    }

    /// Transforms the values of a block and equalises it: `values` become the block's spectrum,
    /// `chips` its chips.
    pub fn equalise(&self, block: &mut Workspace) {
        let Workspace { values, chips, scratch } = block;
        self.transforms.values.process_with_scratch(values, scratch);
        widest(
            #[inline(always)]
            || {
                let (low, high) = values.split_at(BLOCK_CHIPS);
                let (low_factors, high_factors) = self.factors.split_at(BLOCK_CHIPS);
                let low = low.iter().zip(low_factors);
                let high = high.iter().zip(high_factors);
                for (chip, (low, high)) in chips.iter_mut().zip(low.zip(high)) {
                    *chip = low.0 * low.1 + high.0 * high.1;
                }
            },
        );
        self.transforms.chips_inverse.process_with_scratch(chips, scratch);
    }

    /// Phase and delay of a block whose spectrum is in the workspace against the chips it is decided
    /// to have; `decided` becomes their spectrum. Maximum likelihood, linearised around the phase.
    pub fn measure(&self, block: &mut Workspace, decided: &mut [Complex32]) -> BlockMeasure {
        self.transforms.chips.process_with_scratch(decided, &mut block.scratch);
        let values = &block.values;
        let product = |k: usize, m: usize| values[k] * self.matched[k] * decided[m].conj();
        let products: Vec<(Complex32, Complex32)> =
            (0..BLOCK_CHIPS).map(|m| (product(m, m), product(m + BLOCK_CHIPS, m))).collect();
        let total: Complex64 = products.iter().map(|(low, high)| widen(low + high)).sum();
        let turn = narrow(Complex64::from_polar(1.0, -total.arg()));
        // Normal equations for a small phase and a delay, which turns frequency f by 2 pi f.
        let (mut s, mut b0, mut b1) = ([0.0; 3], 0.0, 0.0);
        for (m, (low, high)) in products.iter().enumerate() {
            let power = decided[m].norm_sqr();
            for (sum, information) in s.iter_mut().zip(&self.information) {
                *sum += f64::from(power * information[m]);
            }
            let (low, high) = (f64::from((low * turn).im), f64::from((high * turn).im));
            b0 += low + high;
            b1 += TAU * (frequency(m) * low + frequency(m + BLOCK_CHIPS) * high);
        }
        let determinant = s[0] * s[2] - s[1] * s[1];
        if !(determinant > 0.0 && determinant.is_finite()) {
            return BlockMeasure::default();
        }
        let small = (b0 * s[2] - b1 * s[1]) / determinant;
        let late = (b1 * s[0] - b0 * s[1]) / determinant;
        BlockMeasure { phase: total.arg() + small, late }
    }

    /// The values that the channel makes of chips whose spectrum is given (as [`Self::measure`]
    /// leaves it), with the block's phase and delay; and how fast they change, per chip.
    pub fn expected(
        &self,
        chips: &[Complex32],
        measure: &BlockMeasure,
        scratch: &mut Workspace,
    ) -> (Vec<Complex32>, Vec<Complex32>) {
        let scale = 1.0 / BLOCK_VALUES as f32;
        let mut values: Vec<Complex32> =
            (0..BLOCK_VALUES).map(|k| self.response[k] * chips[k % BLOCK_CHIPS] * scale).collect();
        let slope = -TAU * measure.late / BLOCK_CHIPS as f64;
        let (low, high) = values.split_at_mut(BLOCK_CHIPS);
        widest(
            #[inline(always)]
            || {
                turn_back(low, -measure.phase, slope);
                turn_back(high, -measure.phase + TAU * measure.late, slope);
            },
        );
        let mut changes: Vec<Complex32> = values
            .iter()
            .enumerate()
            .map(|(k, z)| Complex32::new(-z.im, z.re) * (TAU * frequency(k)) as f32)
            .collect();
        for out in [&mut values, &mut changes] {
            self.transforms.values_inverse.process_with_scratch(out, &mut scratch.scratch);
        }
        (values, changes)
    }

    /// Magnitude of the channel's response in dB over frequency in cycles a chip, pulse filters
    /// taken off, relative to the mean; frequencies outside of the signal's band are left out.
    pub fn response_db(&self, pulse: RootRaisedCosine) -> Vec<(f64, f64)> {
        let mean = (self.chip_energy).max(f64::MIN_POSITIVE);
        let mut out: Vec<(f64, f64)> = (0..BLOCK_VALUES)
            .filter_map(|k| {
                let f = frequency(k);
                let share = pulse.raised_cosine_spectrum(f);
                let power = f64::from(self.filtered_response[k].norm_sqr()) / (4.0 * share * share);
                (share > 0.1).then(|| (f, 10.0 * (power / mean).max(1e-12).log10()))
            })
            .collect();
        out.sort_by(|a, b| a.0.total_cmp(&b.0));
        out
    }
}

/// Frequency of a bin of the block's spectrum in cycles a chip.
fn frequency(bin: usize) -> f64 {
    let signed = if bin < BLOCK_CHIPS { bin as f64 } else { bin as f64 - BLOCK_VALUES as f64 };
    signed / BLOCK_CHIPS as f64
}

fn strongest(taps: &[Complex64]) -> f64 {
    taps.iter().map(Complex64::norm_sqr).fold(f64::MIN_POSITIVE, f64::max)
}

/// Spectrum of the taps, which begin [`PRECURSOR_CHIPS`] before the block.
fn spectrum(taps: &[Complex64], transforms: &Transforms) -> Vec<Complex64> {
    let mut values = vec![Complex32::default(); BLOCK_VALUES];
    for (n, tap) in taps.iter().enumerate() {
        values[(n + BLOCK_VALUES - PER_CHIP * PRECURSOR_CHIPS) % BLOCK_VALUES] = narrow(*tap);
    }
    transforms.values.process(&mut values);
    values.into_iter().map(widen).collect()
}

/// Energy of a received chip and Es/N0. Noise in the estimate adds N0 times the summed variance of
/// the taps to each frequency's energy, on average; it is taken off.
fn signal_level(
    channel: &ChannelEstimate,
    noise: f64,
    response: &[Complex64],
    band: &[f64],
) -> (f64, f64) {
    let used = band.iter().filter(|share| **share > 0.0).count() as f64 / BLOCK_CHIPS as f64;
    let energy: f64 = response
        .iter()
        .zip(band)
        .filter(|(_, share)| **share > 0.0)
        .map(|(h, share)| h.norm_sqr() / (4.0 * share))
        .sum::<f64>()
        / BLOCK_CHIPS as f64;
    let added = channel.noise * channel.tap_variance.iter().sum::<f64>() * used;
    (energy - added, (energy - added) / noise)
}

/// Delay in chips, against the estimate's origin, of the single path that explains most of the
/// response.
fn main_delay(taps: &[Complex64], response: &[Complex64], band: &[f64]) -> f64 {
    let height = |delay: f64| single_path(response, band, delay).norm_sqr();
    let strongest =
        (0..taps.len()).max_by(|a, b| taps[*a].norm_sqr().total_cmp(&taps[*b].norm_sqr()));
    let mut delay = strongest.unwrap_or(0) as f64 / PER_CHIP as f64 - PRECURSOR_CHIPS as f64;
    // Parabolas through ever nearer points.
    for step in [0.25, 0.0625, 0.015_625] {
        let (before, here, after) = (height(delay - step), height(delay), height(delay + step));
        let curvature = before - 2.0 * here + after;
        if curvature < 0.0 {
            delay += (0.5 * step * (before - after) / curvature).clamp(-2.0 * step, 2.0 * step);
        }
    }
    delay
}

/// Correlation of the response with that of a single path at `delay` chips.
fn single_path(response: &[Complex64], band: &[f64], delay: f64) -> Complex64 {
    let turn = |k: usize| Complex64::from_polar(band[k], TAU * frequency(k) * delay);
    (0..BLOCK_VALUES).filter(|k| band[*k] > 0.0).map(|k| response[k] * turn(k)).sum()
}

/// The response of a channel that has only gain, phase and the given delay, nearest to the given
/// one.
fn flat_response(response: &[Complex64], band: &[f64], delay: f64) -> Vec<Complex64> {
    let norm: f64 = band.iter().map(|share| 2.0 * share * share).sum();
    let gain = single_path(response, band, delay) / norm;
    (0..BLOCK_VALUES)
        .map(|k| gain * 2.0 * band[k] * Complex64::from_polar(1.0, -TAU * frequency(k) * delay))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::link_testing::Noise;
    use crate::phy::sync::RESPONSE_CHIPS;

    fn pulse() -> RootRaisedCosine {
        RootRaisedCosine::new(0.25).expect("in range")
    }

    /// Taps of paths (delay in chips, gain) behind both pulse filters, by the closed form.
    fn channel(paths: &[(f64, Complex64)], noise: f64) -> ChannelEstimate {
        let tap = |n: usize| -> Complex64 {
            let t = n as f64 / PER_CHIP as f64 - PRECURSOR_CHIPS as f64;
            paths.iter().map(|(delay, gain)| gain * pulse().raised_cosine_at(t - delay)).sum()
        };
        ChannelEstimate {
            taps: (0..PER_CHIP * RESPONSE_CHIPS).map(tap).collect(),
            noise,
            tap_variance: vec![0.0; RESPONSE_CHIPS],
        }
    }

    fn random_chips() -> Vec<Complex32> {
        let mut source = Noise::new(4);
        (0..BLOCK_CHIPS)
            .map(|_| Complex32::from_polar(1.0, (source.bits() % 4) as f32 * 1.570_796_4))
            .collect()
    }

    /// Two values a chip of cyclic chips after the paths, before the matched filter, sampled `late`
    /// chips late: the defining sum.
    fn received(chips: &[Complex32], paths: &[(f64, Complex64)], late: f64) -> Vec<Complex32> {
        let half = BLOCK_CHIPS as f64 / 2.0;
        (0..BLOCK_VALUES)
            .map(|n| {
                let mut sum = Complex64::default();
                for (c, chip) in chips.iter().enumerate() {
                    for (delay, gain) in paths {
                        let t = n as f64 / PER_CHIP as f64 + late - c as f64 - delay;
                        let t = (t + half).rem_euclid(2.0 * half) - half;
                        sum += widen(*chip) * gain * pulse().at(t);
                    }
                }
                narrow(sum)
            })
            .collect()
    }

    #[test]
    fn chips_come_back_from_any_paths() {
        let chips = random_chips();
        let flat = vec![(0.0, Complex64::new(0.3, -0.4))];
        let fractional = vec![(0.43, Complex64::new(1.0, 0.0))];
        let echoes = vec![(0.0, Complex64::new(1.0, 0.0)), (20.3, Complex64::new(0.0, 0.6))];
        for paths in [flat, fractional, echoes] {
            for kind in [EqualiserKind::Mmse, EqualiserKind::ZeroForcing] {
                let channel = channel(&paths, 1e-6);
                let equaliser = Equaliser::new(&channel, pulse(), kind, Transforms::new());
                let mut block = Transforms::new().workspace();
                block.values = received(&chips, &paths, 0.0);
                equaliser.equalise(&mut block);
                let out = &block.chips;
                let error: f32 = out.iter().zip(&chips).map(|(a, b)| (a - b).norm_sqr()).sum();
                // The pulses' tails beyond the 64 chips of the response are missing: -50 dB.
                assert!(error / 512.0 < 1e-5, "{kind:?} {paths:?}: {}", error / 512.0);
            }
        }
    }

    /// A single path neither gains nor loses: Es/N0 in is the noise out.
    #[test]
    fn noise_of_a_single_path_stays_what_it_is() {
        for delay in [0.0, 0.25, 0.5] {
            let channel = channel(&[(delay, Complex64::new(0.0, 2.0))], 0.4);
            let equaliser =
                Equaliser::new(&channel, pulse(), EqualiserKind::Mmse, Transforms::new());
            assert!((equaliser.es_n0 / 10.0 - 1.0).abs() < 5e-3, "{}", equaliser.es_n0);
            assert!((equaliser.noise_variance / 0.1 - 1.0).abs() < 0.02, "{delay}");
            assert!((equaliser.chip_energy / 4.0 - 1.0).abs() < 5e-3);
            assert!((equaliser.main_delay - delay).abs() < 5e-3, "{}", equaliser.main_delay);
        }
    }

    #[test]
    fn phase_and_delay_of_a_block_are_measured() {
        let chips = random_chips();
        let paths = [(0.0, Complex64::new(1.0, 0.0)), (3.0, Complex64::new(0.3, 0.3))];
        let equaliser =
            Equaliser::new(&channel(&paths, 0.01), pulse(), EqualiserKind::Mmse, Transforms::new());
        for (phase, late) in [(0.0, 0.0), (1.1, 0.05), (-2.9, -0.08)] {
            let turn = narrow(Complex64::from_polar(1.0, phase));
            let sampled: Vec<Complex32> =
                received(&chips, &paths, late).iter().map(|z| z * turn).collect();
            let mut block = Transforms::new().workspace();
            block.values.copy_from_slice(&sampled);
            equaliser.equalise(&mut block);
            let mut spectrum = chips.clone();
            let measure = equaliser.measure(&mut block, &mut spectrum);
            assert!((measure.phase - phase).abs() < 5e-3, "{phase}: {}", measure.phase);
            assert!((measure.late - late).abs() < 5e-3, "{late}: {}", measure.late);
            let (expected, _) = equaliser.expected(&spectrum, &measure, &mut block);
            let error: f32 = expected.iter().zip(&sampled).map(|(a, b)| (a - b).norm_sqr()).sum();
            assert!(error / 1024.0 < 3e-4, "{}", error / 1024.0);
        }
    }
}
