//! Figures beyond errors and link: phase noise, a second SNR, what decisions hide, the spectrum, what
//! was delivered. From a choice of the symbols where all of them would say no more.

use std::ops::Range;

use num_complex::{Complex32, Complex64};

use super::super::constellation::Constellation;
use super::super::evm_theory::{snr_by_decision_evm, snr_m2m4};
use super::super::lanes::{correlate, widest};
use super::super::mcs::DATA_SYMBOLS_PER_BLOCK;
use super::super::phase_noise::PhaseNoiseMeter;
use super::super::spectrum::{Spectrum, mask_margin, spectrum};
use super::super::tracking::unwrap;
use super::frame::Received;
use super::{Analysis, Bench};

/// Blocks of a frame from which these figures are taken: 57 000 symbols.
const BLOCKS_MAX: usize = 128;
/// How many times its own noise an image must be to count as seen, in amplitude.
const IMAGE_SIGNIFICANT: f64 = 3.0;

/// The blocks of symbols that are looked at.
fn chosen(count: usize) -> impl Iterator<Item = usize> {
    let blocks = count.div_ceil(DATA_SYMBOLS_PER_BLOCK);
    (0..blocks).step_by(blocks.div_ceil(BLOCKS_MAX).max(1))
}

/// Symbols of block `n`.
fn block(n: usize, count: usize) -> Range<usize> {
    let first = n * DATA_SYMBOLS_PER_BLOCK;
    first..(first + DATA_SYMBOLS_PER_BLOCK).min(count)
}

impl Analysis {
    /// Fills in the figures of this file.
    pub(super) fn describe_quality(&mut self, bench: &Bench<'_>, frames: &[Received]) {
        self.figures.frames_failed = Some(frames.iter().filter(|f| has_failed(f)).count() as u64);
        self.judge_image(frames);
        let readable = frames.iter().find_map(|frame| Some((frame, frame.layout?)));
        let Some((first, layout)) = readable else { return };
        self.figures.evm_gain_fitted_db = gain_fitted_evm_db(first, layout.constellation);
        let moments = snr_of_choice(first, layout.constellation);
        self.figures.snr_from_moments_db = moments;
        self.figures.evm_by_decision_bias_db =
            self.figures.evm_by_decision_db.and_then(|evm| bias_db(layout.constellation, evm));
        self.figures.snr_from_evm_db = self.snr_from_evm_db();
        self.figures.phase_noise_deg = phase_noise_deg(first, layout.constellation);
        self.spectrum = spectrum_of(bench, frames);
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
    let snr = snr_by_decision_evm(constellation, 10_f64.powf(evm_by_decision_db / 20.0))?;
    Some(evm_by_decision_db + 10.0 * snr.log10())
}

/// Sums over the chosen blocks: energy of the symbols, product with the references, energy of those.
fn gain_sums(frame: &Received, constellation: Constellation) -> (f64, Complex64, f64) {
    let reception = &frame.reception;
    let count = reception.symbols.len();
    chosen(count).fold((0.0, Complex64::default(), 0.0), |(energy, product, reference), n| {
        let symbols = &reception.symbols[block(n, count)];
        let decided = &constellation.decide(symbols);
        let sums = widest(
            #[inline(always)]
            || {
                (
                    correlate(symbols, symbols),
                    correlate(symbols, decided),
                    correlate(decided, decided),
                )
            },
        );
        (energy + sums.0.re, product + sums.1, reference + sums.2.re)
    })
}

/// EVM in dB after the best complex gain, by decision.
fn gain_fitted_evm_db(frame: &Received, constellation: Constellation) -> Option<f64> {
    let (energy, product, reference) = gain_sums(frame, constellation);
    let explained = product.norm_sqr() / reference;
    let ratio = (energy - explained) / explained;
    (ratio > 0.0 && ratio.is_finite()).then(|| 10.0 * ratio.log10())
}

fn snr_of_choice(frame: &Received, constellation: Constellation) -> Option<f64> {
    let symbols = &frame.reception.symbols;
    let some: Vec<Complex32> =
        chosen(symbols.len()).flat_map(|n| &symbols[block(n, symbols.len())]).copied().collect();
    let moments = snr_m2m4(&some, constellation)?;
    // Beyond this uncertainty it says nothing.
    (moments.uncertainty_db < 2.0).then(|| 10.0 * moments.snr.log10())
}

/// Integrated phase noise over one frame.
fn phase_noise_deg(frame: &Received, constellation: Constellation) -> Option<f64> {
    let reception = &frame.reception;
    let count = reception.symbols.len();
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
    for n in chosen(count) {
        let range = block(n, count);
        let symbols = &reception.symbols[range.clone()];
        let decided = constellation.decide(symbols);
        meter.add(range.start as f64, symbols, &decided, |m| phase(range.start + m));
    }
    meter.result().map(|found| found.rms_deg)
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

/// Payload bits that arrived rightly over the duration of the frames. Where what was sent is not known,
/// the bits of valid codewords are right; of an uncoded frame nothing can be said then.
fn throughput_bps(frames: &[Received], chip_rate_hz: f64) -> Option<f64> {
    let (mut bits, mut chips) = (0.0, 0.0);
    for frame in frames {
        // A frame with an unreadable header is on the air for a time that nobody knows.
        chips += frame.layout?.total_chips() as f64;
        bits += match (frame.payload, frame.codewords, &frame.psdu) {
            (Some((errors, all)), ..) => (all - errors.min(all)) as f64,
            (None, Some((failed, words)), Some(psdu)) if words > 0 => {
                8.0 * psdu.len() as f64 * (words - failed) as f64 / words as f64
            }
            _ => return None,
        };
    }
    (chips > 0.0).then(|| bits / chips * chip_rate_hz)
}
