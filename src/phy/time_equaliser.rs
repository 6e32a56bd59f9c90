//! Equaliser for frames without guards: a feed-forward filter over half-chip values, made from the
//! channel's response, with phase, delay and response followed by decisions.
//!
//! Works segment by segment, so that a caller can sample the next one by an updated clock. Linear: it
//! reaches the bound of linear equalisers with errors that are nearly Gaussian, and a wrong decision
//! touches no other symbol. Decision feedback would reach more where echoes are strong and decisions
//! are mostly right. Knows nothing of where frames begin or what their symbols mean.

mod design;
mod model;
mod phase;

use num_complex::Complex32;

use super::channel::ChannelEstimate;
use super::constellation::{Constellation, derotate_half_pi, rotate_half_pi};
use super::equaliser::EqualiserKind;
use super::lanes::{distance, widest};
use super::pulse::RootRaisedCosine;
use super::sync::PER_CHIP;
use design::{Design, Goal, SLOPE_REACH};
use model::Model;
pub(crate) use phase::PhaseTrack;

/// Most chips of a segment.
pub(crate) const SEGMENT_CHIPS: usize = 512;
/// The response is followed in one of so many segments: chips enough for its slow changes, at an
/// eighth of the cost.
const LEARN_EVERY: usize = 8;
/// Decisions teach the response when their noise variance is below the squared distance of points
/// over this: up to one wrong symbol in forty (BPSK) to twelve (64-QAM). With more of them the
/// preamble's response is kept.
const DISTANCE_OVER_NOISE: f64 = 8.0;

/// Delay in chips that is left in the symbols of a segment: an error of -39 dB. A larger one is taken
/// off in the filter and the segment decided anew.
const DELAY_SMALL: f64 = 0.006;
/// So many times at most.
const DELAY_TRIES: usize = 4;
/// Largest delay that is believed, in chips.
const DELAY_MAX: f64 = 0.4;

/// Equaliser of one frame.
pub(crate) struct TimeEqualiser {
    goal: Goal,
    design: Design,
    model: Model,
    phase_loop: phase::PhaseLoop,
    segments: usize,
    buffer: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

/// A stretch of chips that is to be equalised.
pub(crate) struct Segment<'a> {
    /// Values from [`TimeEqualiser::reach`]`.0` before that of the first chip to `reach().1` after
    /// that of the last one, two a chip: [`TimeEqualiser::values_for`] of them. Where there was no
    /// recording they are 0.
    pub values: &'a [Complex32],
    /// Number of the first chip, as the pi/2 rotation and `known` count.
    pub first_chip: usize,
    /// Constellation of the chips that are not known.
    pub constellation: Constellation,
}

/// What a segment shows against its decisions.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct SegmentMeasure {
    /// Phase in the middle of the segment in radians, against the channel estimate; runs on from
    /// segment to segment without jumps.
    pub phase: f64,
    /// Its change in radians a chip.
    #[cfg_attr(not(test), expect(dead_code, reason = "the tests look at it"))]
    pub phase_rate: f64,
    /// Delay of the sampling instants in chips; positive when they are late.
    pub late: f64,
    /// Mean squared error against the decisions.
    #[cfg_attr(not(test), expect(dead_code, reason = "the tests look at it"))]
    pub error: f64,
    /// The phases that were taken off.
    pub track: PhaseTrack,
}

impl TimeEqualiser {
    /// The equaliser for `channel` as seen through a root-raised-cosine matched filter.
    pub fn new(channel: &ChannelEstimate, pulse: RootRaisedCosine, kind: EqualiserKind) -> Self {
        let goal = Goal { pulse, kind };
        let design = Design::new(channel, goal);
        let length = design.spectrum.len();
        Self {
            goal,
            model: Model::new(channel),
            phase_loop: phase::PhaseLoop::new(),
            segments: 0,
            buffer: vec![Complex32::default(); length],
            scratch: vec![Complex32::default(); length],
            design,
        }
    }

    /// Values that are needed before the first chip's of a segment, and after the last chip's.
    pub fn reach(&self) -> (usize, usize) {
        (self.design.before, self.design.after)
    }

    /// Values that a segment of `chips` chips needs.
    pub fn values_for(&self, chips: usize) -> usize {
        self.design.before + self.design.after + PER_CHIP * chips
    }

    /// Noise variance of a symbol expected at the output, relative to unit symbol power.
    #[cfg_attr(not(test), expect(dead_code, reason = "the tests look at it"))]
    pub fn noise_variance(&self) -> f64 {
        self.design.noise_variance
    }

    /// The channel as it is known at present.
    #[cfg_attr(not(test), expect(dead_code, reason = "the tests look at it"))]
    pub fn channel(&self) -> &ChannelEstimate {
        &self.model.channel
    }

    /// Equalises the next segment: at most [`SEGMENT_CHIPS`] chips, fewer when there are fewer
    /// values. Appends the symbols to `out`, phase tracked, without bias and without pi/2 rotation,
    /// and their decisions to `decided`. `known` gives chips as they were sent, rotated.
    pub fn run(
        &mut self,
        segment: &Segment<'_>,
        known: impl Fn(usize) -> Option<Complex32>,
        out: &mut Vec<Complex32>,
        decided: &mut Vec<Complex32>,
    ) -> SegmentMeasure {
        let reach = self.design.before + self.design.after;
        let chips = (segment.values.len().saturating_sub(reach) / PER_CHIP).min(SEGMENT_CHIPS);
        let values = &segment.values[..segment.values.len().min(reach + PER_CHIP * chips)];
        let known = |n: usize| {
            known(segment.first_chip.wrapping_add(n)).map(|chip| {
                let mut one = [chip];
                derotate_half_pi(&mut one, segment.first_chip.wrapping_add(n));
                one[0]
            })
        };
        let (from, from_decided) = (out.len(), decided.len());
        let start = self.phase_loop;
        let (mut track, mut late) = (PhaseTrack::default(), 0.0);
        for _ in 0..DELAY_TRIES {
            out.truncate(from);
            decided.truncate(from_decided);
            self.filter(values, late);
            out.extend_from_slice(&self.buffer[self.design.before / PER_CHIP..][..chips]);
            derotate_half_pi(&mut out[from..], segment.first_chip);
            self.phase_loop = start;
            track = self.phase_loop.follow(&out[from..], segment.constellation, &known, decided);
            track.turn(&mut out[from..], -1.0);
            let more = lateness(&out[from..], &decided[from_decided..], &self.design.slope);
            late = (late + more).clamp(-DELAY_MAX, DELAY_MAX);
            if more.abs() < DELAY_SMALL {
                break;
            }
        }
        let (symbols, decided) = (&out[from..], &decided[from_decided..]);
        let error = mean_square(symbols, decided);
        let (phase, phase_rate) = track.line();
        self.segments += 1;
        if self.segments.is_multiple_of(LEARN_EVERY)
            && chips == SEGMENT_CHIPS
            && self.trustworthy(error, segment.constellation)
        {
            let chips = chips_with_phase(decided, segment, &track);
            self.model.learn(&values[self.design.before..], chips, late);
            self.design.adapt(&self.model.channel, self.goal);
        }
        SegmentMeasure { phase, phase_rate, late, error, track }
    }

    /// Puts values that were sampled `late` chips late through the filter; the first chip stands
    /// `before / PER_CHIP` into the buffer.
    fn filter(&mut self, values: &[Complex32], late: f64) {
        let design = &self.design;
        let (length, half) = (design.spectrum.len(), design.spectrum.len() / PER_CHIP);
        self.buffer.resize(length, Complex32::default());
        self.buffer[..values.len()].copy_from_slice(values);
        self.buffer[values.len()..].fill(Complex32::default());
        design.values.forward.process_with_scratch(&mut self.buffer, &mut self.scratch);
        if late != 0.0 {
            design::delay(&mut self.buffer, late);
        }
        let (low, high) = self.buffer.split_at_mut(half);
        let (low_weights, high_weights) = design.spectrum.split_at(half);
        for (((low, high), w_low), w_high) in
            low.iter_mut().zip(high.iter()).zip(low_weights).zip(high_weights)
        {
            *low = *low * w_low + high * w_high;
        }
        design.chips.inverse.process_with_scratch(low, &mut self.scratch);
    }

    /// Whether the decisions of a segment may teach the response.
    fn trustworthy(&self, error: f64, constellation: Constellation) -> bool {
        let distance = f64::from(distance_squared(constellation));
        error.max(self.design.noise_variance) < distance / DISTANCE_OVER_NOISE
    }

    /// What the channel is expected to have made of the chips of a full segment that
    /// [`Self::run`] has just decided, with their phases and delay: values from `at` on, counted
    /// from that of the segment's first chip, where the segment alone determines them. `None` for
    /// shorter segments.
    pub fn expected(
        &self,
        segment: &Segment<'_>,
        decided: &[Complex32],
        measure: &SegmentMeasure,
    ) -> Option<(usize, Vec<Complex32>)> {
        if decided.len() != SEGMENT_CHIPS {
            return None;
        }
        let mut chips = chips_with_phase(decided, segment, &measure.track);
        let mut values = self.model.expected(&mut chips, measure.late);
        values.truncate(model::HOLDS.end);
        Some((model::HOLDS.start, values.split_off(model::HOLDS.start)))
    }
}

/// Decided symbols as the chips that the channel saw: rotated, with the phases of the carrier.
fn chips_with_phase(
    decided: &[Complex32],
    segment: &Segment<'_>,
    track: &PhaseTrack,
) -> Vec<Complex32> {
    let mut chips = decided.to_vec();
    rotate_half_pi(&mut chips, segment.first_chip);
    track.turn(&mut chips, 1.0);
    chips
}

/// Smallest squared distance of two points.
fn distance_squared(constellation: Constellation) -> f32 {
    let points = constellation.points();
    points[1..].iter().map(|z| (z - points[0]).norm_sqr()).fold(f32::INFINITY, f32::min)
}

fn mean_square(symbols: &[Complex32], decided: &[Complex32]) -> f64 {
    let sum = widest(
        #[inline(always)]
        || distance(symbols, decided),
    );
    if symbols.is_empty() { 0.0 } else { sum / symbols.len() as f64 }
}

/// How late the sampling instants are, in chips: the errors' share of what a delay would add to
/// each symbol, by least squares. 0 when nothing can be said.
fn lateness(
    symbols: &[Complex32],
    decided: &[Complex32],
    slope: &[Complex32; 2 * SLOPE_REACH + 1],
) -> f64 {
    // The slope works on chips; without the pi/2 rotation its taps turn instead.
    let mut turned = *slope;
    derotate_half_pi(&mut turned, 4 * SLOPE_REACH - SLOPE_REACH % 4);
    turned.reverse();
    let count = decided.len().min(symbols.len());
    let (together, energy) = widest(
        #[inline(always)]
        || late_sums(&symbols[..count], &decided[..count], &turned),
    );
    let late = together / energy;
    if late.is_finite() { late } else { 0.0 }
}

/// Errors times what a delay would add, and the energy of the latter.
#[inline(always)]
fn late_sums(
    symbols: &[Complex32],
    decided: &[Complex32],
    reversed: &[Complex32; 2 * SLOPE_REACH + 1],
) -> (f64, f64) {
    /// Symbols side by side.
    const LANES: usize = 16;
    // Axes apart, so that the loops below run over lanes.
    let (mut re, mut im) = ([0.0_f32; SEGMENT_CHIPS], [0.0_f32; SEGMENT_CHIPS]);
    for ((re, im), z) in re.iter_mut().zip(&mut im).zip(decided) {
        (*re, *im) = (z.re, z.im);
    }
    let (mut together, mut energy) = (0.0, 0.0);
    let count = symbols.len().min(SEGMENT_CHIPS).saturating_sub(2 * SLOPE_REACH);
    // Up to fifteen symbols at the end of a segment are left out.
    for first in (0..count.saturating_sub(LANES - 1)).step_by(LANES) {
        let (mut a, mut b) = ([0.0_f32; LANES], [0.0_f32; LANES]);
        for (n, q) in reversed.iter().enumerate() {
            let re = &re[first + n..][..LANES];
            let im = &im[first + n..][..LANES];
            for lane in 0..LANES {
                a[lane] += re[lane] * q.re - im[lane] * q.im;
                b[lane] += re[lane] * q.im + im[lane] * q.re;
            }
        }
        let own = first + SLOPE_REACH;
        let (mut dot, mut square) = (0.0_f32, 0.0_f32);
        for lane in 0..LANES {
            let error = symbols[own + lane] - decided[own + lane];
            dot += a[lane] * error.re + b[lane] * error.im;
            square += a[lane] * a[lane] + b[lane] * b[lane];
        }
        together += f64::from(dot);
        energy += f64::from(square);
    }
    (together, energy)
}

#[cfg(test)]
mod tests;
