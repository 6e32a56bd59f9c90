//! The matched filter, evaluated at any instant: resampling by any ratio in one step.
//!
//! `y(p) = (1/sps) sum_n r[n] h((p - n)/sps)` with the root-raised-cosine pulse `h`, `sps` samples
//! a symbol and `p` in samples. A signal `sum_k c_k h(t - k)` gives `y = c_k` at its symbol instants,
//! and white noise of variance `v` a sample gives noise of variance `v/sps`.
//! Knows nothing of symbols' values, clocks or carriers: positions are the caller's.

use num_complex::Complex32;

use super::lanes::widest;
use super::pulse::RootRaisedCosine;

/// Fractions of a sample for which taps are kept; between them they are interpolated linearly.
/// The error is below `max|h''|/(8 sps^2 PHASES^2)`, under -75 dB at 1.25 samples a symbol.
/// Where more than four samples fall on a symbol, fewer fractions do.
const PHASES: usize = 128;
const PHASES_MIN: usize = 8;
/// Lanes of the inner loop.
const LANES: usize = 8;

/// Complex samples as two separate slices, padded so that the filter never leaves them.
#[derive(Clone, Debug, Default)]
pub struct SplitSamples {
    re: Vec<f32>,
    im: Vec<f32>,
    /// Position of the first stored value in the recording, may be negative.
    first: i64,
}

impl SplitSamples {
    /// Collects samples whose first one stands at position `first`, with `margin` zeros around.
    pub fn collect(samples: impl Iterator<Item = Complex32>, first: i64, margin: usize) -> Self {
        let mut re = vec![0.0; margin];
        let mut im = vec![0.0; margin];
        for z in samples {
            re.push(z.re);
            im.push(z.im);
        }
        re.resize(re.len() + margin, 0.0);
        im.resize(im.len() + margin, 0.0);
        Self { re, im, first: first - margin as i64 }
    }
}

/// Taps of the matched filter for one ratio of sample rate to symbol rate.
#[derive(Clone, Debug)]
pub struct MatchedFilter {
    /// `phases + 1` rows of `taps` values.
    bank: Vec<f32>,
    phases: usize,
    taps: usize,
    half: usize,
}

impl MatchedFilter {
    /// The filter for `samples_per_symbol`, cut off `half_span_symbols` from its centre.
    pub fn new(pulse: RootRaisedCosine, samples_per_symbol: f64, half_span_symbols: usize) -> Self {
        let half = (half_span_symbols as f64 * samples_per_symbol).ceil() as usize + 1;
        let taps = (2 * half).next_multiple_of(LANES);
        let fewer = (4.0 / samples_per_symbol).min(1.0) * PHASES as f64;
        let phases = (fewer as usize).max(PHASES_MIN);
        let mut bank = vec![0.0; (phases + 1) * taps];
        for (phase, row) in bank.chunks_exact_mut(taps).enumerate() {
            let mu = phase as f64 / phases as f64;
            for (j, tap) in row.iter_mut().take(2 * half).enumerate() {
                let offset = mu - (j as f64 - (half as f64 - 1.0));
                *tap = (pulse.at(offset / samples_per_symbol) / samples_per_symbol) as f32;
            }
        }
        Self { bank, phases, taps, half }
    }

    /// Zeros that [`SplitSamples`] needs around the samples so that every position that is at most
    /// one filter length outside still sees its neighbours.
    pub fn margin(&self) -> usize {
        2 * self.taps
    }

    /// Filter output at position `position` (in samples of the recording). Far outside of the
    /// samples it is zero.
    #[inline(always)]
    pub fn at(&self, samples: &SplitSamples, position: f64) -> Complex32 {
        // Beyond this an f64 has no fractions worth filtering; it also keeps NaN out.
        if position.is_nan() || position.abs() > 1e15 {
            return Complex32::default();
        }
        let whole = position.floor();
        let start = whole as i64 - samples.first - (self.half as i64 - 1);
        let Ok(start) = usize::try_from(start) else { return Complex32::default() };
        let Some(end) = start.checked_add(self.taps).filter(|end| *end <= samples.re.len()) else {
            return Complex32::default();
        };
        let scaled = (position - whole) * self.phases as f64;
        let phase = (scaled as usize).min(self.phases - 1);
        let rows = &self.bank[phase * self.taps..(phase + 2) * self.taps];
        let (low, high) = rows.split_at(self.taps);
        let fraction = (scaled - phase as f64) as f32;
        dot(low, high, fraction, &samples.re[start..end], &samples.im[start..end])
    }

    /// Filter outputs at `start`, `start + step`, ... (in samples of the recording).
    pub fn run(&self, samples: &SplitSamples, start: f64, step: f64, out: &mut [Complex32]) {
        widest(
            #[inline(always)]
            || {
                for (n, y) in out.iter_mut().enumerate() {
                    *y = self.at(samples, start + n as f64 * step);
                }
            },
        );
    }
}

/// Sum of the samples times the interpolated taps, in lanes that the compiler can keep in vector
/// registers.
#[inline(always)]
fn dot(low: &[f32], high: &[f32], fraction: f32, re: &[f32], im: &[f32]) -> Complex32 {
    let mut sum_re = [0.0_f32; LANES];
    let mut sum_im = [0.0_f32; LANES];
    let lanes = low.as_chunks::<LANES>().0.iter().zip(high.as_chunks::<LANES>().0);
    let values = re.as_chunks::<LANES>().0.iter().zip(im.as_chunks::<LANES>().0);
    for ((low, high), (re, im)) in lanes.zip(values) {
        for lane in 0..LANES {
            let tap = low[lane] + fraction * (high[lane] - low[lane]);
            sum_re[lane] += tap * re[lane];
            sum_im[lane] += tap * im[lane];
        }
    }
    Complex32::new(sum_re.iter().sum(), sum_im.iter().sum())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::link_testing::Noise;

    /// The defining sum, in f64.
    fn naive(pulse: RootRaisedCosine, samples: &[Complex32], sps: f64, position: f64) -> [f64; 2] {
        samples.iter().enumerate().fold([0.0; 2], |[re, im], (n, z)| {
            let tap = pulse.at((position - n as f64) / sps) / sps;
            [re + tap * f64::from(z.re), im + tap * f64::from(z.im)]
        })
    }

    fn check_against_naive(samples_per_symbol: f64, rolloff: f64) {
        let pulse = RootRaisedCosine::new(rolloff).expect("in range");
        // Samples only near the middle, so that cutting the filter off does not matter.
        let mut noise = Noise::new(1);
        let mut samples = vec![Complex32::default(); 900];
        for z in &mut samples[430..470] {
            *z = noise.complex(1.0);
        }
        let filter = MatchedFilter::new(pulse, samples_per_symbol, 200);
        let split = SplitSamples::collect(samples.iter().copied(), 0, filter.margin());
        let mut out = vec![Complex32::default(); 50];
        filter.run(&split, 433.21, 0.7123, &mut out);
        for (n, y) in out.iter().enumerate() {
            let [re, im] = naive(pulse, &samples, samples_per_symbol, 433.21 + n as f64 * 0.7123);
            let error = (f64::from(y.re) - re).hypot(f64::from(y.im) - im);
            // Linear interpolation between 128 phases; see PHASES.
            assert!(error < 5e-4, "sps {samples_per_symbol}, n {n}: {error}");
        }
    }

    #[test]
    fn output_is_the_defining_sum() {
        for sps in [1.25, 1.5, 8.0 / 1.76, 4.0] {
            check_against_naive(sps, 0.25);
        }
        check_against_naive(4.0, 0.05);
    }

    #[test]
    fn far_outside_is_zero() {
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        let filter = MatchedFilter::new(pulse, 2.0, 10);
        let split =
            SplitSamples::collect([Complex32::new(1.0, 1.0); 20].into_iter(), 5, filter.margin());
        for position in [-1e300, -1e18, -1e6, 1e6, 1e18, f64::NAN] {
            assert_eq!(filter.at(&split, position), Complex32::default());
        }
    }
}
