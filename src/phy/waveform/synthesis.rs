//! The cyclic sum of the chips' pulses at any sample rate.
//!
//! Two steps. Block by block the chips are shaped at two samples a chip in the frequency domain: there
//! the root-raised-cosine is cut nowhere, and its band ends well below half of the doubled rate. A
//! short interpolator then reads these values at the wanted instants, whatever the ratio of the rates.
//! Both together stay below -80 dB of the sum by definition. Knows nothing of levels or sources.

use std::ops::Range;
use std::sync::{Arc, LazyLock};

use num_complex::Complex32;
use rustfft::{Fft, FftPlanner};

use super::super::kaiser::{self, sine_cardinal};
use super::super::lanes::widest;
use super::super::pulse::RootRaisedCosine;

/// Values at the doubled rate that make one sample.
const TAPS: usize = 24;
/// Instants between two values for which the interpolator is tabulated; between them it is
/// interpolated linearly, with an error near -100 dB.
const PHASES: usize = 1 << PHASE_BITS;
const PHASE_BITS: u32 = 8;
/// Bits of the place between two such instants.
const REST_BITS: u32 = 24;
/// Bits of a position after the binary point.
const FRACTION_BITS: u32 = 40;
/// Samples whose last sums are made together.
const BATCH: usize = 64;
/// Kaiser's beta for 94 dB of attenuation, which 24 taps reach over the band that the largest roll-off
/// leaves free, 3/8 to 5/8 of the doubled rate (J. F. Kaiser's formulas, from memory of A. V.
/// Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, ch. 7).
const KAISER_BETA: f64 = 9.4;
/// Chips of one transform.
const BLOCK_CHIPS: usize = 8192;

/// Products that are summed side by side.
const LANES: usize = 16;

/// Taps of one phase, each twice, for I and Q.
type Row = [f32; 2 * TAPS];

/// The sum, at `count` samples of one pass, of the pulses of `chips`; what lasts beyond either end
/// comes in at the other one. The first chip's pulse has its centre at sample 0.
pub(super) fn cyclic_sum(
    chips: &[Complex32],
    pulse: RootRaisedCosine,
    samples_per_chip: f64,
    count: usize,
) -> Vec<Complex32> {
    let mut samples = vec![Complex32::default(); count];
    let mut shaper = Shaper::new(pulse, chips.len());
    let step = 2.0 / samples_per_chip;
    let first_sample_of = |chip: i64| (chip as f64 * samples_per_chip).ceil() as i64;
    let mut chip = -(shaper.reach as i64);
    let end = (chips.len() + shaper.reach) as i64;
    while chip < end {
        let next = (chip + shaper.hop as i64).min(end);
        let offset = 2.0 * (shaper.reach as f64 - chip as f64);
        let doubled = shaper.shape(chips, chip);
        for (at, n) in passes(first_sample_of(chip)..first_sample_of(next), count) {
            let position = n as f64 * step + offset;
            widest(
                #[inline(always)]
                || interpolate(doubled, position, step, &mut samples[at]),
            );
        }
        chip = next;
    }
    samples
}

/// The places of consecutive samples in a pass of `count`, cut where a pass ends, each with the
/// number of its first sample.
fn passes(samples: Range<i64>, count: usize) -> impl Iterator<Item = (Range<usize>, i64)> {
    let mut n = samples.start;
    std::iter::from_fn(move || {
        let left = usize::try_from(samples.end - n).ok().filter(|left| *left > 0)?;
        let at = n.rem_euclid(count as i64) as usize;
        let length = left.min(count - at);
        let first = n;
        n += length as i64;
        Some((at..at + length, first))
    })
}

/// Shapes blocks of chips at two samples a chip.
struct Shaper {
    /// Chips on both sides of a block that sound in it.
    reach: usize,
    /// Chips of a block.
    hop: usize,
    /// Root of the raised-cosine spectrum at the bins of the doubled transform.
    spectrum: Vec<f32>,
    forward: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    block: Vec<Complex32>,
    shaped: Vec<Complex32>,
    scratch: Vec<Complex32>,
    /// The block's values at the doubled rate, I and Q in turn.
    doubled: Vec<f32>,
}

impl Shaper {
    fn new(pulse: RootRaisedCosine, chips: usize) -> Self {
        // A tail falls as 1/(4 pi rolloff t^2); the power of all that is left out beyond 64/rolloff
        // chips lies below -84 dB of a chip's for every roll-off.
        let reach = (64.0 / pulse.rolloff()).ceil() as usize;
        // Short frames get one block that just holds them.
        let points = (chips + 4 * reach).next_power_of_two().min(BLOCK_CHIPS);
        let mut planner = FftPlanner::new();
        let (forward, inverse) =
            (planner.plan_fft_forward(points), planner.plan_fft_inverse(2 * points));
        let scratch = forward.get_inplace_scratch_len().max(inverse.get_inplace_scratch_len());
        let spectrum = (0..2 * points).map(|bin| {
            let signed = if bin < points { bin as f64 } else { bin as f64 - 2.0 * points as f64 };
            let magnitude = pulse.root_raised_cosine_spectrum(signed / points as f64);
            (magnitude / points as f64) as f32
        });
        Self {
            reach,
            hop: points - 2 * reach,
            spectrum: spectrum.collect(),
            forward,
            inverse,
            block: vec![Complex32::default(); points],
            shaped: vec![Complex32::default(); 2 * points],
            scratch: vec![Complex32::default(); scratch],
            doubled: vec![0.0; 4 * points],
        }
    }

    /// The sum of all pulses around the block that begins at chip `first`; its chip stands at value
    /// `2 reach`.
    fn shape(&mut self, chips: &[Complex32], first: i64) -> &[f32] {
        let begin = first - self.reach as i64;
        let end = begin + self.block.len() as i64;
        let index = |chip: i64| chip.clamp(0, chips.len() as i64) as usize;
        let sent = &chips[index(begin)..index(end)];
        let lead = (index(begin) as i64 - begin).clamp(0, self.block.len() as i64) as usize;
        self.block.fill(Complex32::default());
        self.block[lead..lead + sent.len()].copy_from_slice(sent);
        self.forward.process_with_scratch(&mut self.block, &mut self.scratch);
        widest(
            #[inline(always)]
            || {
                // The spectrum of chips repeats once per chip rate.
                for (shaped, weights) in self
                    .shaped
                    .chunks_exact_mut(self.block.len())
                    .zip(self.spectrum.chunks_exact(self.block.len()))
                {
                    for ((z, chip), weight) in shaped.iter_mut().zip(&self.block).zip(weights) {
                        *z = chip * *weight;
                    }
                }
            },
        );
        self.inverse.process_with_scratch(&mut self.shaped, &mut self.scratch);
        for (pair, z) in self.doubled.as_chunks_mut::<2>().0.iter_mut().zip(&self.shaped) {
            *pair = [z.re, z.im];
        }
        &self.doubled
    }
}

/// Adds to each of `out` the value at its position among `doubled`, the first at `position`.
#[inline(always)]
fn interpolate(doubled: &[f32], position: f64, step: f64, out: &mut [Complex32]) {
    let table: &[Row; PHASES + 1] = &INTERPOLATOR;
    // Positions as whole numbers of 2^-40: within a block they stray by less than 1e-7 of a value.
    let fixed = |value: f64| (value * (1_u64 << FRACTION_BITS) as f64) as u64;
    let (mut position, step) = (fixed(position), fixed(step));
    let mut quarters = [[0.0_f32; 4]; BATCH];
    for batch in out.chunks_mut(BATCH) {
        for sums in &mut quarters[..batch.len()] {
            let whole = (position >> FRACTION_BITS) as usize;
            let phase = (position >> (FRACTION_BITS - PHASE_BITS)) as usize & (PHASES - 1);
            let rest = (position >> (FRACTION_BITS - PHASE_BITS - REST_BITS)) as u32;
            let rest = (rest & ((1 << REST_BITS) - 1)) as i32 as f32 / (1 << REST_BITS) as f32;
            position += step;
            let from = 2 * (whole + 1 - TAPS / 2);
            let window = doubled.get(from..).and_then(|tail| tail.first_chunk());
            *sums = match window {
                Some(window) => weigh(window, &table[phase], &table[phase + 1], rest),
                None => [0.0; 4],
            };
        }
        for (z, sums) in batch.iter_mut().zip(&quarters) {
            z.re += sums[0] + sums[2];
            z.im += sums[1] + sums[3];
        }
    }
}

/// I and Q in turn, weighed with the taps that lie `rest` of the way from one row to the next, in two
/// sums each.
#[inline(always)]
fn weigh(window: &Row, low: &Row, high: &Row, rest: f32) -> [f32; 4] {
    let mut sums = [0.0_f32; LANES];
    let rows = low.as_chunks::<LANES>().0.iter().zip(high.as_chunks::<LANES>().0);
    for (values, (low, high)) in window.as_chunks::<LANES>().0.iter().zip(rows) {
        for lane in 0..LANES {
            sums[lane] += values[lane] * (low[lane] + rest * (high[lane] - low[lane]));
        }
    }
    let mut half = [0.0_f32; LANES / 2];
    for lane in 0..LANES / 2 {
        half[lane] = sums[lane] + sums[lane + LANES / 2];
    }
    let mut quarter = [0.0_f32; LANES / 4];
    for lane in 0..LANES / 4 {
        quarter[lane] = half[lane] + half[lane + LANES / 4];
    }
    quarter
}

/// Kaiser's window times the sine cardinal, for instants after the middle one of [`TAPS`] values.
static INTERPOLATOR: LazyLock<Box<[Row; PHASES + 1]>> = LazyLock::new(|| {
    let mut table = Box::new([[0.0; 2 * TAPS]; PHASES + 1]);
    for (phase, row) in table.iter_mut().enumerate() {
        for (tap, pair) in row.as_chunks_mut::<2>().0.iter_mut().enumerate() {
            let x = phase as f64 / PHASES as f64 + (TAPS / 2 - 1) as f64 - tap as f64;
            *pair =
                [(sine_cardinal(x) * kaiser::window(x / (TAPS / 2) as f64, KAISER_BETA)) as f32; 2];
        }
    }
    table
});

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_are_placed_where_their_pass_says() {
        let places: Vec<_> = passes(-3..9, 5).collect();
        assert_eq!(places, [(2..5, -3), (0..5, 0), (0..4, 5)]);
        assert_eq!(passes(4..4, 5).count(), 0);
    }

    /// A tone within the band of the largest roll-off comes back at any instant.
    #[test]
    fn interpolator_keeps_tones_of_the_band() {
        for cycles in [0.0, 0.1, 0.25, 0.375] {
            let tone = |at: f64| (std::f64::consts::TAU * cycles * at).sin_cos();
            let doubled: Vec<f32> = (0..200)
                .flat_map(|n| {
                    let (sin, cos) = tone(f64::from(n));
                    [cos as f32, sin as f32]
                })
                .collect();
            let mut out = vec![Complex32::default(); 1000];
            interpolate(&doubled, 20.01, 0.1517, &mut out);
            for (n, z) in out.iter().enumerate() {
                let (sin, cos) = tone(20.01 + n as f64 * 0.1517);
                let error = (f64::from(z.re) - cos).hypot(f64::from(z.im) - sin);
                // -85 dB of the tone: 94 dB of the window less what the two sides add.
                assert!(error < 6e-5, "{cycles} cycles, {n}: {error}");
            }
        }
    }
}
