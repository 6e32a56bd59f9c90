//! Values of a sampled signal at any instants, two a chip, without matched filter: the fast way from
//! the digitiser's clock to the sender's.
//!
//! A Kaiser-windowed low-pass (J. F. Kaiser, 1974; A. V. Oppenheim, R. W. Schafer, Discrete-Time
//! Signal Processing, section on Kaiser's window, from memory) passes the signal's band and stops
//! what two values a chip would fold onto it. Knows nothing of pulses, carriers or clocks.

use num_complex::Complex32;

use super::kaiser::{self, sine_cardinal};
use super::lanes::widest;

/// Fractions of a sample for which taps are kept; the nearest one is used. A position is off by at
/// most 1/1024 sample: at 1.2 samples a chip an error near -60 dB, at 4 near -70 dB.
/// Where more than four samples fall on a chip, fewer fractions do.
const PHASE_DIGITS_MAX: u32 = 9;
const PHASE_DIGITS_MIN: u32 = 3;
/// Complex values side by side in the inner loop.
const LANES: usize = 4;
/// Attenuation of the stop band in dB, and accuracy of the pass band.
const ATTENUATION_DB: f64 = 64.0;
/// Longest filter in samples where few samples fall on a chip and the signal fills the whole sampled
/// band; where more do it grows with them.
const TAPS_MAX: usize = 256;
const TAPS_A_CHIP_MAX: f64 = 10.0;
/// Values a chip at the output.
const PER_CHIP: f64 = 2.0;

/// Taps for one ratio of sample rate to chip rate.
#[derive(Clone, Debug)]
pub(crate) struct Interpolator {
    /// A row for each phase; each tap stands twice, for both axes of a sample.
    bank: Vec<f32>,
    /// Binary digits behind the point of a position that choose the phase.
    phase_digits: u32,
    taps: usize,
    /// Samples from the first tap to the position's whole part.
    lead: usize,
}

impl Interpolator {
    /// The filter for `samples_per_chip` (at least 1.2) and a signal that occupies up to
    /// `band_edge` cycles a chip on each side of its carrier.
    pub fn new(samples_per_chip: f64, band_edge: f64) -> Self {
        let sps = samples_per_chip;
        // What lies above the stop edge would be mirrored into the band, by the output's two values
        // a chip or by the input's own rate.
        let stop = (PER_CHIP - band_edge).min(sps - band_edge);
        let width = (stop - band_edge).max(1e-3) / sps;
        let cutoff = ((stop + band_edge) / 2.0 / sps).min(0.5);
        // Kaiser's estimate of the order.
        let order = (ATTENUATION_DB - 7.95) / (14.36 * width);
        let taps = (order.ceil() as usize + 1)
            .clamp(LANES, TAPS_MAX.max((TAPS_A_CHIP_MAX * sps) as usize))
            .next_multiple_of(LANES);
        let beta = 0.1102 * (ATTENUATION_DB - 8.7);
        let lead = taps / 2 - 1;
        let doublings = (sps / 4.0).max(1.0).log2() as u32;
        let phase_digits = PHASE_DIGITS_MAX.saturating_sub(doublings).max(PHASE_DIGITS_MIN);
        let phases = 1_usize << phase_digits;
        let tap = |phase: usize, j: usize| {
            let t = phase as f64 / phases as f64 + lead as f64 - j as f64;
            2.0 * cutoff * sine_cardinal(2.0 * cutoff * t) * kaiser(t, taps as f64 / 2.0, beta)
        };
        // A row backwards is that of the fraction that is missing to a whole sample.
        let rows: Vec<Vec<f64>> =
            (0..=phases / 2).map(|phase| (0..taps).map(|j| tap(phase, j)).collect()).collect();
        let mut bank = Vec::with_capacity(phases * 2 * taps);
        for phase in 0..phases {
            let row = &rows[phase.min(phases - phase)];
            // A constant stays what it is, whatever the phase.
            let sum: f64 = row.iter().sum();
            let normed = |tap: &f64| [(tap / sum) as f32; 2];
            if phase <= phases / 2 {
                bank.extend(row.iter().flat_map(normed));
            } else {
                bank.extend(row.iter().rev().flat_map(normed));
            }
        }
        Self { bank, phase_digits, taps, lead }
    }

    /// Samples that a value needs before and after its position, at most.
    pub fn reach(&self) -> usize {
        self.taps
    }

    /// Values at `start`, `start + step`, ... in samples. Where a sample does not exist it counts
    /// as zero.
    pub fn run(&self, samples: &[Complex32], start: f64, step: f64, out: &mut [Complex32]) {
        let reach = self.reach() as f64;
        let last = start + step * out.len() as f64;
        let inside = start >= reach && last + reach < samples.len() as f64;
        if inside {
            widest(
                #[inline(always)]
                || self.run_inside(samples, start, step, out),
            );
            return;
        }
        // The stretch with zeros around; nothing is computed far outside of the recording.
        let from = (start.floor() - reach).clamp(-reach * 4.0, samples.len() as f64) as i64;
        let to = (last.ceil() + reach).clamp(0.0, samples.len() as f64 + reach * 4.0) as i64;
        let sound = start.is_finite() && last.is_finite() && to > from;
        if !sound {
            out.fill(Complex32::default());
            return;
        }
        let sample = |n: i64| {
            usize::try_from(n).ok().and_then(|n| samples.get(n)).copied().unwrap_or_default()
        };
        let stretch: Vec<Complex32> = (from..to).map(sample).collect();
        let room = stretch.len() as f64;
        let position = |n: usize| start + step * n as f64 - from as f64;
        let fits = |n: &usize| position(*n) >= reach && position(*n) + reach < room;
        let first = (0..out.len()).find(fits).unwrap_or(out.len());
        let end = (first..out.len()).find(|n| !fits(n)).unwrap_or(out.len());
        out[..first].fill(Complex32::default());
        out[end..].fill(Complex32::default());
        self.run_inside(&stretch, position(first), step, &mut out[first..end]);
    }

    /// All values, of which none needs a sample that does not exist.
    fn run_inside(&self, samples: &[Complex32], start: f64, step: f64, out: &mut [Complex32]) {
        for (n, out) in out.chunks_mut(AT_ONCE).enumerate() {
            let start = start + (n * AT_ONCE) as f64 * step;
            let whole = start.floor();
            let samples = samples.get(whole as usize - self.lead..).unwrap_or_default();
            // Whole numbers with 40 digits behind the point: after 256 steps they are off by less
            // than a thousandth of a phase. Half a phase more rounds to the nearest.
            let fixed = |x: f64| (x * (1_u64 << DIGITS) as f64) as u64;
            let position = fixed(start - whole) + (1 << (DIGITS - self.phase_digits - 1));
            let (bank, phase_digits) = (&self.bank, self.phase_digits);
            let stretch = Stretch { bank, phase_digits, samples, position, step: fixed(step) };
            // The filters of usual rates get code of their own, without an inner loop.
            match self.taps / LANES {
                4 => stretch.run::<4>(out),
                5 => stretch.run::<5>(out),
                6 => stretch.run::<6>(out),
                7 => stretch.run::<7>(out),
                groups => stretch.run_any(groups, out),
            }
        }
    }
}

/// Some samples, of which the first one meets the first tap at position 0.
struct Stretch<'a> {
    bank: &'a [f32],
    phase_digits: u32,
    samples: &'a [Complex32],
    position: u64,
    step: u64,
}

impl Stretch<'_> {
    fn run<const GROUPS: usize>(&self, out: &mut [Complex32]) {
        let samples = bytemuck::cast_slice(self.samples);
        widest(
            #[inline(always)]
            || {
                let (rows, _) = self.bank.as_chunks::<WIDTH>().0.as_chunks::<GROUPS>();
                let mut position = self.position;
                for value in out {
                    let (at, phase) = place(position, self.phase_digits);
                    let (groups, _) = samples[at..at + WIDTH * GROUPS].as_chunks();
                    *value = dot(&rows[phase], groups);
                    position += self.step;
                }
            },
        );
    }

    fn run_any(&self, groups: usize, out: &mut [Complex32]) {
        let samples = bytemuck::cast_slice(self.samples);
        widest(
            #[inline(always)]
            || {
                let rows = self.bank.as_chunks::<WIDTH>().0;
                let mut position = self.position;
                for value in out {
                    let (at, phase) = place(position, self.phase_digits);
                    let (samples, _) = samples[at..at + WIDTH * groups].as_chunks();
                    *value = dot(&rows[phase * groups..(phase + 1) * groups], samples);
                    position += self.step;
                }
            },
        );
    }
}

/// First float of the samples that a position needs, and its phase.
#[inline(always)]
fn place(position: u64, phase_digits: u32) -> (usize, usize) {
    let phase = (position >> (DIGITS - phase_digits)) as usize & ((1 << phase_digits) - 1);
    (2 * (position >> DIGITS) as usize, phase)
}

/// Floats side by side in the inner loop.
const WIDTH: usize = 2 * LANES;
/// Values from one exact position to the next.
const AT_ONCE: usize = 256;
/// Binary digits behind the point of a position.
const DIGITS: u32 = 40;

/// Sum of complex samples (axes taking turns) times real taps (each twice).
#[inline(always)]
fn dot(taps: &[[f32; WIDTH]], samples: &[[f32; WIDTH]]) -> Complex32 {
    let mut sums = [0.0_f32; WIDTH];
    for (taps, samples) in taps.iter().zip(samples) {
        for lane in 0..WIDTH {
            sums[lane] += taps[lane] * samples[lane];
        }
    }
    // Without the fence the compiler takes the sums apart into pairs, for the tree below.
    let sums = std::hint::black_box(sums);
    let four: [f32; 4] = std::array::from_fn(|n| sums[n] + sums[n + 4]);
    Complex32::new(four[0] + four[2], four[1] + four[3])
}

/// Kaiser's window at `t`, nothing from `half` on.
fn kaiser(t: f64, half: f64, beta: f64) -> f64 {
    if t.abs() >= half { 0.0 } else { kaiser::shape(t / half, beta) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// A tone within the band comes back at any instant, at any rate.
    #[test]
    fn tones_are_interpolated() {
        for (sps, edge) in [(4.0, 0.625), (8.0 / 1.76, 0.625), (2.0, 0.625), (1.4, 0.61)] {
            let interpolator = Interpolator::new(sps, edge);
            for frequency in [-0.99 * edge, -0.2, 0.0, 0.41, 0.95 * edge] {
                let tone = |t: f64| num_complex::Complex64::from_polar(1.0, TAU * frequency * t);
                let samples: Vec<Complex32> = (0..4000)
                    .map(|n| super::super::recording::narrow(tone(f64::from(n) / sps)))
                    .collect();
                let mut out = vec![Complex32::default(); 300];
                let (start, step) = (600.37, sps / 2.0 * (1.0 + 3e-4));
                interpolator.run(&samples, start, step, &mut out);
                let error: f64 = (0..300)
                    .map(|n| {
                        let expected = tone((start + step * n as f64) / sps);
                        (super::super::recording::widen(out[n]) - expected).norm_sqr()
                    })
                    .sum::<f64>()
                    / 300.0;
                // Nearest of 512 phases: 2 pi f / (512 sqrt(12) sps), and the ripple of 1e-3 both at
                // this frequency and at the constant to which the taps are normalised.
                let bound = (TAU * frequency / (512.0 * 12_f64.sqrt() * sps)).powi(2) + 2e-6;
                assert!(error < 1.5 * bound, "sps {sps}, f {frequency}: {error:e} {bound:e}");
            }
        }
    }

    /// What would be mirrored into the band is stopped.
    #[test]
    fn frequencies_beyond_the_band_are_stopped() {
        let interpolator = Interpolator::new(4.0, 0.625);
        for frequency in [1.38, 1.6, -1.9] {
            let samples: Vec<Complex32> = (0..4000)
                .map(|n| {
                    Complex32::from_polar(1.0, (TAU * frequency / 4.0 * f64::from(n) % TAU) as f32)
                })
                .collect();
            let mut out = vec![Complex32::default(); 300];
            interpolator.run(&samples, 600.37, 2.0, &mut out);
            let power = out.iter().map(|z| z.norm_sqr()).sum::<f32>() / 300.0;
            assert!(power < 1.2e-6, "{frequency}: {power:e}");
        }
    }

    #[test]
    fn outside_of_the_recording_is_zero() {
        let interpolator = Interpolator::new(4.0, 0.625);
        let samples = vec![Complex32::new(1.0, 0.5); 100];
        for start in [-1e18, -1e4, 1e4, 1e18, f64::NAN, f64::INFINITY] {
            let mut out = [Complex32::new(9.0, 9.0); 20];
            interpolator.run(&samples, start, 2.0, &mut out);
            assert_eq!(out, [Complex32::default(); 20], "{start}");
        }
        let mut out = [Complex32::default(); 60];
        interpolator.run(&samples, -20.0, 2.0, &mut out);
        assert_eq!(out[0], Complex32::default());
        assert!((out[30] - samples[0]).norm() < 1e-5);
    }
}
