//! Figures beyond errors and link: phase noise, a second SNR, what decisions hide, the spectrum, what
//! was delivered. From a choice of the symbols where all of them would say no more.

use std::ops::Range;

use num_complex::{Complex32, Complex64};

use super::super::constellation::Constellation;
use super::super::evm_theory::{snr_by_decision_evm, snr_m2m4};
use super::super::figures::Figures;
use super::super::lanes::{correlate, distance, widest};
use super::super::mcs::DATA_SYMBOLS_PER_BLOCK;
use super::super::phase_noise::PhaseNoiseMeter;
use super::super::recording::narrow;
use super::super::spectrum::{Spectrum, mask_margin, spectrum};
use super::super::tracking::unwrap;
use super::frame::Received;
use super::{Analysis, Bench};

/// Blocks of all frames together from which these figures are taken: 57 000 symbols.
const BLOCKS_MAX: usize = 128;
/// Blocks of a frame that show its phase noise well: of fewer the straight line that is taken off takes
/// a good part of the slow phase noise with it.
const PHASE_BLOCKS: usize = 16;
/// Fewest blocks of a frame that show any.
const PHASE_BLOCKS_MIN: usize = 3;
/// How many standard uncertainties an SNR by moments may be off: that of several levels depends on how
/// evenly the payload happens to use them, and errs by 2.4 of them now and then.
const MOMENTS_SURE: f64 = 3.0;
/// So many uncertainties together must stay below this, in dB; beyond it the figure says nothing.
const MOMENTS_DB_MAX: f64 = 2.0;
/// How many times its own noise an image must be to count as seen, in amplitude.
const IMAGE_SIGNIFICANT: f64 = 3.0;

/// A frame with the blocks of its symbols that are looked at.
type Chosen<'a> = (&'a Received, Vec<Range<usize>>);

/// Blocks of a frame's symbols, those of the ramp left out.
fn blocks_of(frame: &Received) -> usize {
    frame.used_symbols().div_ceil(DATA_SYMBOLS_PER_BLOCK)
}

/// Blocks `numbers` of a frame.
fn chosen(frame: &Received, numbers: impl Iterator<Item = usize>) -> Chosen<'_> {
    let used = frame.used_symbols();
    let block = |n: usize| {
        let first = n * DATA_SYMBOLS_PER_BLOCK;
        first..(first + DATA_SYMBOLS_PER_BLOCK).min(used)
    };
    (frame, numbers.map(block).collect())
}

/// Blocks at even distances over all frames, as if these were one; a short frame may have none.
fn choice(frames: &[Received]) -> Vec<Chosen<'_>> {
    let all: usize = frames.iter().map(blocks_of).sum();
    let step = all.div_ceil(BLOCKS_MAX).max(1);
    let mut before = 0_usize;
    let of_frame = |frame| {
        let (count, first) = (blocks_of(frame), before.next_multiple_of(step) - before);
        before += count;
        chosen(frame, (first..count).step_by(step))
    };
    frames.iter().map(of_frame).filter(|(_, blocks)| !blocks.is_empty()).collect()
}

/// As many blocks, but enough of each frame that its phase can be followed: so not of all frames where
/// there are many.
fn choice_for_phase(frames: &[Received]) -> Vec<Chosen<'_>> {
    let long: Vec<&Received> =
        frames.iter().filter(|frame| blocks_of(frame) >= PHASE_BLOCKS_MIN).collect();
    let wanted: usize = long.iter().map(|frame| blocks_of(frame).min(PHASE_BLOCKS)).sum();
    let step = wanted.div_ceil(BLOCKS_MAX).max(1);
    let each = (BLOCKS_MAX / long.len().div_ceil(step).max(1)).max(PHASE_BLOCKS_MIN);
    let of_frame = |frame| {
        let count = blocks_of(frame);
        chosen(frame, (0..count).step_by(count.div_ceil(each)))
    };
    long.into_iter().step_by(step).map(of_frame).collect()
}

impl Analysis {
    /// Fills in the figures of this file.
    pub(super) fn describe_quality(&mut self, bench: &Bench<'_>, frames: &[Received]) {
        self.figures.frames_failed = Some(frames.iter().filter(|f| has_failed(f)).count() as u64);
        self.judge_image(frames);
        let layouts = || frames.iter().filter_map(|frame| frame.layout);
        let Some(constellation) = layouts().next().map(|layout| layout.constellation) else {
            return;
        };
        let choice = choice(frames);
        // None of the four needs another.
        let Figures { evm_gain_fitted_db, snr_from_moments_db, phase_noise_deg, .. } =
            &mut self.figures;
        let spectrum = &mut self.spectrum;
        bench.workers.run(vec![
            Box::new(|| *spectrum = spectrum_of(bench, frames)),
            Box::new(|| *phase_noise_deg = phase_noise_of(frames)),
            Box::new(|| *evm_gain_fitted_db = gain_fitted_evm(&choice)),
            Box::new(|| *snr_from_moments_db = snr_from_moments(&choice)),
        ]);
        // What decisions hide is another thing for each constellation.
        let alike = layouts().all(|layout| layout.constellation == constellation);
        let by_decision = self.figures.evm_by_decision_db.filter(|_| alike);
        self.figures.evm_by_decision_bias_db =
            by_decision.and_then(|evm| bias_db(constellation, evm));
        self.figures.snr_from_evm_db = self.snr_from_evm_db();
        let rate = bench.config.chip_rate_hz;
        let margin = self.spectrum.as_ref().and_then(|found| mask_margin(found, rate));
        self.figures.mask_margin_db = margin.map(|margin| margin.margin_db);
        self.figures.mask_covered_hz = margin.map(|margin| margin.covered_to_hz);
        self.figures.throughput_bps = throughput_bps(frames, rate);
    }

    /// The SNR that the EVM implies: where the EVM is by decision, with its bias taken off.
    fn snr_from_evm_db(&self) -> Option<f64> {
        let figures = &self.figures;
        match figures.evm_data_aided_db {
            Some(evm) => Some(-evm),
            None => Some(figures.evm_by_decision_bias_db? - figures.evm_by_decision_db?),
        }
    }

    /// An image that is not above its own noise is no figure.
    fn judge_image(&mut self, frames: &[Received]) {
        let noise = frames.iter().map(|f| 1.0 / f.es_n0.max(1e-3)).sum::<f64>();
        let chips: f64 = frames.iter().map(|f| f.chips_looked_at as f64).sum();
        let least = IMAGE_SIGNIFICANT * (noise / frames.len() as f64 / chips.max(1.0)).sqrt();
        let figure = &mut self.figures.image_rejection_db;
        *figure = figure.filter(|db| 10_f64.powf(-db / 20.0) > least);
    }
}

/// How much smaller the EVM by decision is expected to be than the true one, in dB (negative), where
/// noise alone makes it. Absent where it tells nothing of the true one any more.
fn bias_db(constellation: Constellation, evm_by_decision_db: f64) -> Option<f64> {
    /// What the search for the SNR leaves is no bias.
    const LEAST_DB: f64 = 1e-6;
    let snr = snr_by_decision_evm(constellation, 10_f64.powf(evm_by_decision_db / 20.0))?;
    let bias = evm_by_decision_db + 10.0 * snr.log10();
    Some(if bias.abs() < LEAST_DB { 0.0 } else { bias })
}

/// Decisions of the chosen blocks, one row a block.
fn decisions((frame, blocks): &Chosen<'_>) -> Vec<Vec<Complex32>> {
    let Some(layout) = frame.layout else { return Vec::new() };
    let symbols = &frame.reception.symbols;
    blocks.iter().map(|block| layout.constellation.decide(&symbols[block.clone()])).collect()
}

/// What the best complex gain of a frame leaves of its symbols' energy, and what it explains. The rest is
/// summed by itself: as a difference of two energies it would drown in their rounding below -70 dB.
fn fitted_energies(chosen: &Chosen<'_>) -> (f64, f64) {
    let decided = decisions(chosen);
    let (frame, blocks) = chosen;
    let pairs = || {
        let symbols = blocks.iter().map(|block| &frame.reception.symbols[block.clone()]);
        symbols.zip(&decided)
    };
    let (mut product, mut reference) = (Complex64::default(), 0.0);
    for (symbols, decided) in pairs() {
        let sums = widest(
            #[inline(always)]
            || (correlate(symbols, decided), correlate(decided, decided)),
        );
        product += sums.0;
        reference += sums.1.re;
    }
    let gain = narrow(product / reference);
    let left = pairs().map(|(symbols, decided)| {
        let fitted: Vec<Complex32> = decided.iter().map(|ideal| ideal * gain).collect();
        widest(
            #[inline(always)]
            || distance(symbols, &fitted),
        )
    });
    (left.sum(), product.norm_sqr() / reference)
}

/// EVM in dB by decision, after the best complex gain of each frame.
fn gain_fitted_evm(choice: &[Chosen<'_>]) -> Option<f64> {
    let (errors, explained) = choice
        .iter()
        .map(fitted_energies)
        .fold((0.0, 0.0), |(errors, all), (left, explained)| (errors + left, all + explained));
    let ratio = errors / explained;
    (ratio > 0.0 && ratio.is_finite()).then(|| 10.0 * ratio.log10())
}

/// SNR by moments over the chosen symbols of each constellation, of these the mean noise.
fn snr_from_moments(choice: &[Chosen<'_>]) -> Option<f64> {
    let (mut noise, mut variance, mut count) = (0.0, 0.0, 0.0);
    for constellation in Constellation::ALL {
        let some: Vec<Complex32> = choice
            .iter()
            .filter(|(frame, _)| frame.layout.is_some_and(|l| l.constellation == constellation))
            .flat_map(|(frame, blocks)| blocks.iter().map(|b| &frame.reception.symbols[b.clone()]))
            .flatten()
            .copied()
            .collect();
        if some.is_empty() {
            continue;
        }
        // Without one of them the rest would not be the mean.
        let moments = snr_m2m4(&some, constellation)?;
        let share = some.len() as f64 / moments.snr;
        noise += share;
        variance += (share * moments.uncertainty_db).powi(2);
        count += some.len() as f64;
    }
    let uncertainty_db = variance.sqrt() / noise;
    (noise > 0.0 && MOMENTS_SURE * uncertainty_db < MOMENTS_DB_MAX)
        .then(|| 10.0 * f64::log10(count / noise))
}

/// Integrated phase noise over each frame, rms over the frames.
fn phase_noise_of(frames: &[Received]) -> Option<f64> {
    let meters: Vec<PhaseNoiseMeter> = choice_for_phase(frames).iter().map(phase_meter).collect();
    PhaseNoiseMeter::of_all(&meters).map(|found| found.rms_deg)
}

fn phase_meter((frame, blocks): &Chosen<'_>) -> PhaseNoiseMeter {
    let reception = &frame.reception;
    let taken_off = unwrap(reception.phases.iter().copied());
    let per_phase = reception.symbols_per_phase.max(1);
    let half = per_phase as f64 / 2.0;
    // Tracking runs straight from the middle of one stretch to that of the next.
    let phase = |n: usize| -> f64 {
        let at = (n as f64 + 0.5 - half) / per_phase as f64;
        let index = at.max(0.0) as usize;
        let (Some(a), b) = (taken_off.get(index), taken_off.get(index + 1)) else { return 0.0 };
        b.map_or(*a, |b| a + (b - a) * (at - index as f64))
    };
    let mut meter = PhaseNoiseMeter::new();
    let Some(layout) = frame.layout else { return meter };
    for block in blocks {
        let symbols = &reception.symbols[block.clone()];
        let decided = layout.constellation.decide(symbols);
        meter.add(block.start as f64, symbols, &decided, |m| phase(block.start + m));
    }
    meter
}

/// Spectrum of the frames' samples.
fn spectrum_of(bench: &Bench<'_>, frames: &[Received]) -> Option<Spectrum> {
    let last = bench.recording.samples.len();
    let sample = |chips: f64| ((chips * bench.samples_per_chip).max(0.0) as usize).min(last);
    let ranges: Vec<Range<usize>> = frames
        .iter()
        .filter_map(|frame| {
            let chips = frame.layout?.total_chips() as f64;
            Some(sample(frame.start_chips)..sample(frame.start_chips + chips))
        })
        .collect();
    let rate = bench.recording.sample_rate_hz;
    let centre = frames.iter().map(|f| f.cfo).sum::<f64>() / frames.len() as f64;
    spectrum(bench.recording.samples, rate, centre * bench.config.chip_rate_hz, &ranges)
}

/// Whether anything of a frame was lost: its header, a codeword, a bit.
fn has_failed(frame: &Received) -> bool {
    let lost = |pair: Option<(u64, u64)>| pair.is_some_and(|(bad, _)| bad > 0);
    frame.layout.is_none() || lost(frame.codewords) || lost(frame.payload)
}

/// Payload bits delivered over the duration of the frames. Of a coded frame those of valid codewords,
/// whether or not it is known what was sent; where it is known, no more than are right. Of an uncoded
/// frame what is known to be right, less as many as are wrong: half of the bits of mere chance are right,
/// and nothing was delivered. Where nothing is known of an uncoded frame nothing can be said.
fn throughput_bps(frames: &[Received], chip_rate_hz: f64) -> Option<f64> {
    let (mut bits, mut chips) = (0.0, 0.0);
    for frame in frames {
        // A frame with an unreadable header is on the air for a time that nobody knows.
        chips += frame.layout?.total_chips() as f64;
        let right = frame.payload.map(|(errors, all)| all.saturating_sub(errors) as f64);
        bits += match (frame.codewords, &frame.psdu, frame.payload) {
            (Some((failed, words)), Some(psdu), _) if words > 0 => {
                let valid = 8.0 * psdu.len() as f64 * (words - failed) as f64 / words as f64;
                valid.min(right.unwrap_or(f64::INFINITY))
            }
            // bits x max(0, 1 - 2 BER)
            (None, _, Some((errors, all))) => all.saturating_sub(2 * errors) as f64,
            _ => return None,
        };
    }
    (chips > 0.0).then(|| bits / chips * chip_rate_hz)
}
