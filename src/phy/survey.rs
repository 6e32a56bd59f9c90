//! One pass over a whole recording: level, offset, clipping, and the stretches in which a short
//! training field may stand, so that the exact search need not look everywhere.
//!
//! The field repeats itself every 128 chips: products of samples one period apart add up in it, and
//! nowhere else but by chance (T. M. Schmidl, D. C. Cox, IEEE Trans. Commun. 45(12), 1997, from
//! memory). Knows no pulse and no sequence; what it points at may still be no frame.

use std::ops::Range;

use num_complex::{Complex32, Complex64};

use super::correlator::SEQUENCE_CHIPS;
use super::lanes::{every_other, widest};
use super::recording::{Levels, Recording, RecordingError};
use super::workers::{Workers, on_chunks};

/// Samples whose products are summed before they are looked at.
const CHUNK: usize = 64;
/// Chunks that one task takes.
const CHUNKS_A_TASK: usize = 2048;
/// Products of periods that a short training field offers.
const PRODUCTS: usize = 15;
/// Chips that the exact search needs before and after the place where a field may begin.
const BEFORE_CHIPS: f64 = 4.0 * SEQUENCE_CHIPS as f64;
const AFTER_CHIPS: f64 = 21.0 * SEQUENCE_CHIPS as f64;
/// Chips at both ends that are always searched: fields that are cut show but a part of themselves.
const END_CHIPS: f64 = 20.0 * SEQUENCE_CHIPS as f64;
/// How far above its spread by chance a sum must stand. Noise and data alike do so once in 10^7.
const SPREADS: f64 = 4.0;
/// Share of the power that always counts as standing out.
const SHARE_ENOUGH: f64 = 0.25;
/// Recordings up to this many chips are searched as a whole.
const CHIPS_SEARCHED_WHOLE: usize = 16_384;

/// What one pass has shown.
#[derive(Clone, Debug, Default)]
pub(crate) struct Survey {
    pub levels: Levels,
    /// Where a short training field may begin or lie, in chips, in rising order, apart from each
    /// other.
    pub stretches: Vec<Range<usize>>,
}

/// Sums over one chunk, offset taken off by a first guess.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    value: Complex64,
    energy: f64,
    /// Products with the samples one period later.
    product: Complex64,
    clipped: f64,
}

/// Surveys a recording of which `samples_per_chip` samples fall on a chip.
///
/// # Errors
/// When a sample is infinite or not a number.
pub(crate) fn survey(
    recording: &Recording<'_>,
    samples_per_chip: f64,
    workers: &dyn Workers,
) -> Result<Survey, RecordingError> {
    let samples = recording.samples;
    let Some(first) = samples.first() else { return Ok(Survey::default()) };
    let lag = (SEQUENCE_CHIPS as f64 * samples_per_chip).round() as usize;
    let lag = lag.min(samples.len());
    let pass = Pass { samples, guess: *first, lag, edges: recording.clipping_edges() };
    let mut sums = vec![Sums::default(); samples.len().div_ceil(CHUNK)];
    on_chunks(workers, &mut sums, CHUNKS_A_TASK, |from, sums| {
        widest(
            #[inline(always)]
            || pass.take(from, sums),
        )
    });
    if sums.iter().any(|sums| !sums.energy.is_finite())
        && let Some(at) = samples.iter().position(|z| !z.is_finite())
    {
        return Err(RecordingError::NotFinite(at));
    }
    let levels = levels(&sums, &pass);
    let stretches = stretches(&sums, &levels, &pass, samples_per_chip);
    Ok(Survey { levels, stretches })
}

struct Pass<'a> {
    samples: &'a [Complex32],
    /// Taken off every sample, so that a large offset costs no digits.
    guess: Complex32,
    lag: usize,
    /// Highest value that is not clipped at the lower end, lowest at the upper end.
    edges: Option<(f32, f32)>,
}

impl Pass<'_> {
    /// Fills in the sums of chunks `from..`.
    #[inline(always)]
    fn take(&self, from: usize, sums: &mut [Sums]) {
        let edges = self.edges.unwrap_or((f32::NEG_INFINITY, f32::INFINITY));
        for (n, sums) in sums.iter_mut().enumerate() {
            let start = (from + n) * CHUNK;
            let end = (start + CHUNK).min(self.samples.len());
            let early = &self.samples[start..end];
            let late = self.samples.get(start + self.lag..end + self.lag).unwrap_or_default();
            *sums = chunk_sums(early, late, self.guess, edges);
        }
    }
}

/// Sums over one chunk. Lanes are axes in turn.
#[inline(always)]
fn chunk_sums(
    early: &[Complex32],
    late: &[Complex32],
    guess: Complex32,
    (low, high): (f32, f32),
) -> Sums {
    const WIDTH: usize = 16;
    let offset: [f32; WIDTH] =
        std::array::from_fn(|n| if n % 2 == 0 { guess.re } else { guess.im });
    let (mut value, mut energy) = ([0.0_f32; WIDTH], [0.0_f32; WIDTH]);
    let (mut least, mut most) = ([f32::INFINITY; WIDTH], [f32::NEG_INFINITY; WIDTH]);
    let (mut straight, mut crossed) = ([0.0_f32; WIDTH], [0.0_f32; WIDTH]);
    let early: &[f32] = bytemuck::cast_slice(early);
    let late: &[f32] = bytemuck::cast_slice(late);
    let (groups, rest) = early.as_chunks::<WIDTH>();
    for group in groups {
        for lane in 0..WIDTH {
            let centred = group[lane] - offset[lane];
            value[lane] += centred;
            energy[lane] += centred * centred;
            least[lane] = lesser(group[lane], least[lane]);
            most[lane] = -lesser(-group[lane], -most[lane]);
        }
    }
    for (early, late) in groups.iter().zip(late.as_chunks::<WIDTH>().0) {
        for lane in 0..WIDTH {
            let late = late[lane] - offset[lane];
            straight[lane] += (early[lane] - offset[lane]) * late;
            crossed[lane] += (early[lane ^ 1] - offset[lane ^ 1]) * late;
        }
    }
    let mut sums = Sums {
        value: Complex64::new(every_other(&value, 0), every_other(&value, 1)),
        energy: every_other(&energy, 0) + every_other(&energy, 1),
        product: Complex64::new(
            every_other(&straight, 0) + every_other(&straight, 1),
            every_other(&crossed, 1) - every_other(&crossed, 0),
        ),
        clipped: 0.0,
    };
    // Most chunks need no count.
    if least.iter().any(|x| *x <= low) || most.iter().any(|x| *x >= high) {
        let clipped = |pair: &&[f32; 2]| pair.iter().any(|x| *x <= low || *x >= high);
        sums.clipped = groups.as_flattened().as_chunks().0.iter().filter(clipped).count() as f64;
    }
    for pair in rest.as_chunks::<2>().0 {
        let (re, im) = (f64::from(pair[0] - guess.re), f64::from(pair[1] - guess.im));
        sums.value += Complex64::new(re, im);
        sums.energy += re * re + im * im;
        let is_clipped = pair.iter().any(|x| *x <= low || *x >= high);
        sums.clipped += f64::from(u8::from(is_clipped));
    }
    sums
}

#[inline(always)]
fn lesser(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

fn levels(sums: &[Sums], pass: &Pass<'_>) -> Levels {
    let count = pass.samples.len() as f64;
    let guess = Complex64::new(f64::from(pass.guess.re), f64::from(pass.guess.im));
    let mean = sums.iter().map(|sums| sums.value).sum::<Complex64>() / count;
    let energy = sums.iter().map(|sums| sums.energy).sum::<f64>() / count;
    let clipped = sums.iter().map(|sums| sums.clipped).sum::<f64>() / count;
    Levels {
        mean: guess + mean,
        rms: (energy - mean.norm_sqr()).max(0.0).sqrt(),
        clipped_fraction: pass.edges.map(|_| clipped),
    }
}

/// Where sums of products over the length of a short training field stand out.
fn stretches(
    sums: &[Sums],
    levels: &Levels,
    pass: &Pass<'_>,
    samples_per_chip: f64,
) -> Vec<Range<usize>> {
    let chips = (pass.samples.len() as f64 / samples_per_chip) as usize;
    let guess = Complex64::new(f64::from(pass.guess.re), f64::from(pass.guess.im));
    let mean = levels.mean - guess;
    let span = (PRODUCTS * SEQUENCE_CHIPS) as f64 * samples_per_chip / CHUNK as f64;
    let span = (span.round() as usize).max(1);
    let shift = (pass.lag as f64 / CHUNK as f64).round() as usize;
    if chips <= CHIPS_SEARCHED_WHOLE {
        let whole = 0..chips + 1;
        return vec![whole];
    }
    let mut window = Window::default();
    let shares: Vec<f64> = (0..sums.len())
        .map(|n| {
            window.enter(&sums[n], sums.get(n + shift));
            if n >= span {
                window.leave(&sums[n - span], sums.get(n - span + shift));
            }
            window.share(mean, (n + 1).min(span) * CHUNK)
        })
        .collect();
    let least = least_share(&shares);
    let mut found: Vec<Range<usize>> = Vec::new();
    let clamp = |chip: f64| chip.clamp(0.0, chips as f64 + 1.0) as usize;
    let mut add = |from: f64, to: f64| {
        let (from, to) = (clamp(from), clamp(to));
        match found.last_mut() {
            Some(last) if from <= last.end => last.end = last.end.max(to),
            _ => found.push(from..to),
        }
    };
    add(0.0, END_CHIPS);
    for (n, _) in shares.iter().enumerate().filter(|(_, share)| **share > least) {
        let chip = ((n + 1).saturating_sub(span) * CHUNK) as f64 / samples_per_chip;
        add(chip - BEFORE_CHIPS, chip + AFTER_CHIPS);
    }
    add(chips as f64 - END_CHIPS, chips as f64 + 1.0);
    found
}

/// The share above which a window stands out. By chance shares are spread as the magnitude of a
/// Gaussian number is (Rayleigh). The smallest tenth tells how far, however wide the noise's band is:
/// short frames one after the other may fill most of a recording with their training fields.
fn least_share(shares: &[f64]) -> f64 {
    const TENTH: f64 = 0.1;
    let mut sorted = shares.to_vec();
    let at = sorted.len() / 10;
    let (_, low, _) = sorted.select_nth_unstable_by(at, f64::total_cmp);
    let spread = *low / (-(1.0 - TENTH).ln()).sqrt();
    (SPREADS * spread).min(SHARE_ENOUGH)
}

/// Sums over the chunks of a sliding window.
#[derive(Clone, Copy, Debug, Default)]
struct Window {
    early: Complex64,
    late: Complex64,
    energy: f64,
    product: Complex64,
}

impl Window {
    fn enter(&mut self, sums: &Sums, later: Option<&Sums>) {
        self.early += sums.value;
        self.late += later.map_or(Complex64::default(), |later| later.value);
        self.energy += sums.energy;
        self.product += sums.product;
    }

    fn leave(&mut self, sums: &Sums, later: Option<&Sums>) {
        self.early -= sums.value;
        self.late -= later.map_or(Complex64::default(), |later| later.value);
        self.energy -= sums.energy;
        self.product -= sums.product;
    }

    /// Share of the power that repeats itself, for samples of which `mean` is still to be taken off.
    fn share(&self, mean: Complex64, count: usize) -> f64 {
        let count = count as f64;
        let product = self.product - mean * self.early.conj() - mean.conj() * self.late
            + count * mean.norm_sqr();
        let energy = self.energy - 2.0 * (mean.conj() * self.early).re + count * mean.norm_sqr();
        if energy > 0.0 { product.norm() / energy } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::frame::{FrameSpec, build};
    use crate::phy::link_testing::{Link, Noise};
    use crate::phy::recording::widen;
    use crate::phy::workers::Alone;

    fn recording(samples: &[Complex32], full_scale: Option<f32>) -> Recording<'_> {
        Recording { samples, sample_rate_hz: 8e9, full_scale, step: None }
    }

    fn survey_of(samples: &[Complex32]) -> Survey {
        survey(&recording(samples, Some(3.0)), 8.0 / 1.76, &Alone).expect("finite")
    }

    /// The defining sums, in f64.
    #[test]
    fn levels_are_those_of_the_definition() {
        let mut noise = Noise::new(5);
        for count in [1, 2, 63, 64, 65, 1000, 4099] {
            let offset = Complex32::new(40.0, -1.0);
            let samples: Vec<Complex32> = (0..count).map(|_| noise.complex(2.0) + offset).collect();
            let levels = survey(&recording(&samples, Some(42.0)), 8.0 / 1.76, &Alone)
                .expect("finite")
                .levels;
            let n = f64::from(count);
            let mean = samples.iter().map(|z| widen(*z)).sum::<Complex64>() / n;
            let power = samples.iter().map(|z| (widen(*z) - mean).norm_sqr()).sum::<f64>() / n;
            assert!((levels.mean - mean).norm() < 1e-5);
            assert!((levels.rms - power.sqrt()).abs() < 1e-5 * power.sqrt() + 1e-9, "{count}");
            let edge = 42.0 * (1.0 - 1.5 / 512.0);
            let clipped = samples.iter().filter(|z| z.re >= edge || z.im >= edge).count();
            assert_eq!(levels.clipped_fraction, Some(clipped as f64 / n));
        }
        assert_eq!(survey_of(&[]).levels, Levels::default());
    }

    #[test]
    fn samples_that_are_no_numbers_are_pointed_at() {
        for bad in [f32::NAN, f32::INFINITY] {
            for at in [0, 70, 300] {
                let mut samples = vec![Complex32::new(1.0, 0.5); 301];
                samples[at].im = bad;
                let got = survey(&recording(&samples, None), 4.0, &Alone).expect_err("not finite");
                assert_eq!(got, RecordingError::NotFinite(at));
            }
        }
    }

    /// A field far from the ends is in a stretch, down to -3 dB, and little else is.
    #[test]
    fn fields_are_in_a_stretch_and_little_else_is() {
        let frame = build(&FrameSpec::parse("qpsk uncoded").expect("known")).expect("named");
        for (seed, es_n0_db) in [(1, 20.0), (2, 3.0), (3, 0.0), (4, -3.0)] {
            let delay = 9000.0 + 777.7 * seed as f64;
            let link = Link {
                es_n0_db: Some(es_n0_db),
                delay_chips: delay,
                cfo_hz: 5.5e6,
                dc: Complex64::new(0.5, -0.3),
                seed,
                ..Link::default()
            };
            let samples = link.receive(&frame.chips);
            let survey = survey_of(&samples);
            let field = delay as usize..delay as usize + 2176;
            let held = |s: &Range<usize>| s.start <= field.start && s.end >= field.end;
            assert!(survey.stretches.iter().any(held), "{es_n0_db} dB: {:?}", survey.stretches);
            let searched: usize = survey.stretches.iter().map(ExactSizeIterator::len).sum();
            assert!(searched < 15_000, "{es_n0_db} dB: {:?}", survey.stretches);
        }
    }

    #[test]
    fn noise_is_not_searched_but_at_its_ends() {
        let mut noise = Noise::new(9);
        let samples: Vec<Complex32> = (0..2_000_000).map(|_| noise.complex(1.0)).collect();
        let searched: usize =
            survey_of(&samples).stretches.iter().map(ExactSizeIterator::len).sum();
        // By chance one more stretch may be.
        assert!(searched < 2 * END_CHIPS as usize + 4000, "{searched}");
    }
}
