//! One frame's preamble and a choice of its blocks: from them everything is learnt that is wrong
//! with the signal as a whole - offset, image, skew, carrier, clock. Repeated until nothing of weight
//! is left. Knows nothing of payloads or figures.

use std::f64::consts::TAU;

use num_complex::Complex32;

use super::analyse::AnalysisConfig;
use super::channel::{self, ChannelEstimate};
use super::constellation::{Constellation, derotate_half_pi, rotate_half_pi};
use super::equaliser::{
    BLOCK_VALUES, BlockMeasure, Equaliser, EqualiserKind, Transforms, Workspace,
};
use super::frame::{GUARD_CHIPS, PREAMBLE_CHIPS, guard_chips};
use super::frontend::{Carrier, FrontEnd, Impairments, Timing};
use super::mcs::{BLOCK_CHIPS, DATA_SYMBOLS_PER_BLOCK};
use super::pulse::RootRaisedCosine;
use super::sync::{PER_CHIP, PRECURSOR_CHIPS};
use super::tracking::{DelayLoop, Line, derotate, mirrored, wrap};
use super::unexplained::Unexplained;
use super::workers::{Workers, on_chunks};

/// Where the data symbols are within an equalised window.
pub(crate) const DATA_AT: usize = PRECURSOR_CHIPS;
/// Where the next guard begins within the window.
pub(crate) const NEXT_GUARD_AT: usize = DATA_AT + DATA_SYMBOLS_PER_BLOCK;
/// Chip within a block at which its window begins: the window holds the guard's last chips, the
/// data, and the first chips of the next guard, so that both ends agree.
pub(crate) const WINDOW_AT: usize = GUARD_CHIPS - PRECURSOR_CHIPS;
/// Chip of the preamble to which the channel estimate's phase belongs.
const PREAMBLE_CENTRE: f64 = 1720.0;
/// Blocks at the frame's beginning that are all looked at, one after the other.
const FIRST_BLOCKS: usize = 16;
/// Blocks looked at together farther on.
const GROUP: usize = 4;
/// Blocks that one task compares with the model.
const COMPARED_A_TASK: usize = 8;

/// What is corrected and how.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Corrections {
    pub dc: bool,
    pub iq: bool,
    pub skew: bool,
    pub carrier: bool,
    pub clock: bool,
    pub phase: bool,
    pub equaliser: EqualiserKind,
}

impl Corrections {
    /// As the configuration has them.
    pub fn of(config: &AnalysisConfig) -> Self {
        Self {
            dc: config.remove_dc,
            iq: config.correct_iq,
            skew: config.correct_skew,
            carrier: config.correct_carrier,
            clock: config.correct_clock,
            phase: config.track_phase,
            equaliser: config.equaliser,
        }
    }
}

/// What is known of a frame before a pass over it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct FrameState {
    pub wrong: Impairments,
    pub timing: Timing,
}

/// Largest relative clock offset that a frame may hand on: some more than is specified.
const DRIFT_PLAUSIBLE: f64 = 2e-4;
/// Largest skew that a frame may hand on, in chips.
const SKEW_PLAUSIBLE: f64 = 0.5;
/// Largest image ratio that a frame may hand on: -6 dB.
const IMAGE_PLAUSIBLE: f64 = 0.5;

impl FrameState {
    /// Whether a bench can be like this.
    pub fn is_plausible(&self) -> bool {
        let Impairments { image, skew, cfo, dc } = self.wrong;
        self.timing.drift.abs() < DRIFT_PLAUSIBLE
            && image.norm() < IMAGE_PLAUSIBLE
            && skew.abs() < SKEW_PLAUSIBLE
            && cfo.is_finite()
            && dc.is_finite()
    }

    /// Takes a delay that runs along a line over a frame of `chips` chips as an offset of the clock.
    /// Whether it matters.
    pub fn take_delay(&mut self, line: Line, chips: usize) -> bool {
        let timing = &mut self.timing;
        timing.start += line.offset * (1.0 + timing.drift);
        timing.drift = (1.0 + line.slope) * (1.0 + timing.drift) - 1.0;
        (line.slope * chips as f64).abs() > 0.01
    }
}

/// What receiving any frame of a recording needs.
#[derive(Clone)]
pub(crate) struct Receiver<'a> {
    pub front_end: &'a FrontEnd<'a>,
    pub pulse: RootRaisedCosine,
    pub transforms: Transforms,
    pub corrections: Corrections,
}

/// A frame whose preamble has been received with a state that is taken as right.
pub(crate) struct Tuned<'a> {
    pub receiver: &'a Receiver<'a>,
    pub state: FrameState,
    carrier: Carrier,
    pub channel: ChannelEstimate,
    pub equaliser: Equaliser,
}

impl<'a> Tuned<'a> {
    /// Estimates the channel from the preamble.
    pub fn new(receiver: &'a Receiver<'a>, state: FrameState) -> Option<Self> {
        let mut values = vec![Complex32::default(); PER_CHIP * PREAMBLE_CHIPS];
        let step = (1.0 + state.timing.drift) / PER_CHIP as f64;
        receiver.front_end.sample(&state.wrong, state.timing.at(0.0), step, &mut values);
        let channel = channel::estimate(&values)?;
        let kind = receiver.corrections.equaliser;
        let equaliser = Equaliser::new(&channel, receiver.pulse, kind, receiver.transforms.clone());
        let carrier = Carrier::new(state.wrong.cfo, step);
        Some(Self { receiver, state, carrier, channel, equaliser })
    }

    /// What a block is worked on in.
    pub fn workspace(&self) -> Workspace {
        self.receiver.transforms.workspace()
    }

    /// What is corrected and how.
    pub fn corrections(&self) -> &Corrections {
        &self.receiver.corrections
    }

    /// Puts the values of the block whose guard begins at chip `first` into the workspace, sampled
    /// `offset` chips late; returns the position of the first one.
    pub fn sample(&self, first: usize, offset: f64, block: &mut Workspace) -> f64 {
        let start = self.state.timing.at((first + WINDOW_AT) as f64 + offset);
        let front_end = self.receiver.front_end;
        front_end.values(&self.state.wrong, &self.carrier, start, &mut block.values);
        start
    }

    /// Equalises the block whose guard begins at chip `first`.
    pub fn equalise(&self, first: usize, block: &mut Workspace) {
        self.sample(first, 0.0, block);
        self.equaliser.equalise(block);
    }

    /// Noise variance expected at the equalised symbols, relative to their unit power.
    pub fn noise_variance(&self) -> f32 {
        self.equaliser.noise_variance as f32
    }
}

/// An equalised block that was looked at.
struct Block {
    /// First chip of its guard, counted from the frame's start.
    first: usize,
    /// The chips of its window, before phase tracking.
    chips: Vec<Complex32>,
    /// Its phase, without jumps from block to block.
    phase: f64,
    /// Delay of the block against the timing it was sampled with, in chips.
    delay: f64,
}

impl Block {
    /// The chip in the middle of its window.
    fn centre(&self) -> f64 {
        window_centre(self.first)
    }
}

/// The chip in the middle of the window of the block whose guard begins at chip `first`.
pub(crate) fn window_centre(first: usize) -> f64 {
    (first + WINDOW_AT + BLOCK_CHIPS / 2) as f64
}

/// A look at some blocks of a frame, in rising order.
pub(crate) struct Exploration<'a> {
    pub tuned: Tuned<'a>,
    workspace: Workspace,
    delay_loop: Option<DelayLoop>,
    blocks: Vec<Block>,
    compared: Vec<Compared>,
}

/// Values of a block and what they are compared with.
struct Compared {
    values: Vec<Complex32>,
    /// Spectrum of the chips that it is decided to have.
    decided: Vec<Complex32>,
    measure: BlockMeasure,
    /// Position of the first value in chips.
    start: f64,
}

impl<'a> Exploration<'a> {
    /// Begins with the preamble.
    pub fn begin(receiver: &'a Receiver<'a>, state: FrameState) -> Option<Self> {
        let tuned = Tuned::new(receiver, state)?;
        let workspace = tuned.workspace();
        let delay_loop = receiver.corrections.clock.then(DelayLoop::default);
        let (blocks, compared) = (Vec::new(), Vec::new());
        Some(Self { tuned, workspace, delay_loop, blocks, compared })
    }

    /// Chips of the blocks looked at.
    pub fn chips_looked_at(&self) -> usize {
        self.blocks.len() * BLOCK_CHIPS
    }

    /// Looks at the block whose guard begins at chip `first`.
    pub fn block(&mut self, first: usize, constellation: Constellation) {
        let (expected_phase, offset) = self.predict(first);
        let block = &mut self.workspace;
        let start = self.tuned.sample(first, offset, block);
        let values = block.values.clone();
        let equaliser = &self.tuned.equaliser;
        equaliser.equalise(block);
        let mut decided = decide(&block.chips, constellation);
        let measure = equaliser.measure(block, &mut decided);
        let chips = block.chips.clone();
        self.compared.push(Compared { values, decided, measure, start });
        let delay = offset - measure.late;
        if let Some(delay_loop) = &mut self.delay_loop {
            delay_loop.update(delay);
        }
        let phase = expected_phase + wrap(measure.phase - expected_phase);
        self.blocks.push(Block { first, chips, phase, delay });
    }

    /// Phase and delay to be expected of the block at chip `first`: near the last one looked at they
    /// are followed, farther on they are taken from the lines so far.
    fn predict(&self, first: usize) -> (f64, f64) {
        let follows = self.blocks.last().is_none_or(|last| first <= last.first + BLOCK_CHIPS);
        let last_phase = self.blocks.last().map_or(0.0, |last| last.phase);
        let centre = window_centre(first);
        let on = |line: Line| line.offset + line.slope * centre;
        let phase = if follows { last_phase } else { self.phase_line().map_or(last_phase, on) };
        let delay = match (&self.delay_loop, self.delay_line()) {
            (None, _) => 0.0,
            (Some(_), Some(line)) if !follows || self.blocks.len() > FIRST_BLOCKS => on(line),
            (Some(delay_loop), _) => delay_loop.predicted(),
        };
        (phase, delay)
    }

    /// The state as this look shows it, and whether it differs from the one looked with by anything
    /// that matters.
    pub fn improved(&self, workers: &dyn Workers) -> (FrameState, bool) {
        let corrections = self.tuned.corrections();
        let (mut next, mut matters) = (self.tuned.state, false);
        let scale = self.tuned.receiver.front_end.scale();
        matters |= self.unexplained(workers).improve(corrections, scale, &mut next.wrong);
        if let Some(line) = self.phase_line().filter(|_| corrections.carrier) {
            matters |= take_slope(line, &mut next);
        }
        if let Some(line) = self.delay_line().filter(|_| corrections.clock) {
            let chips = self.blocks.last().map_or(0, |block| block.first + BLOCK_CHIPS);
            matters |= next.take_delay(line, chips);
        }
        (next, matters)
    }

    /// What the model leaves unexplained of the blocks looked at. They no longer depend on each other.
    fn unexplained(&self, workers: &dyn Workers) -> Unexplained {
        let mut parts = vec![Unexplained::default(); self.compared.len()];
        on_chunks(workers, &mut parts, COMPARED_A_TASK, |first, parts| {
            let mut scratch = self.tuned.workspace();
            for (compared, part) in self.compared[first..].iter().zip(parts) {
                let Compared { values, decided, measure, start } = compared;
                let model = self.tuned.equaliser.expected(decided, measure, &mut scratch);
                part.add(&self.tuned.state, values.clone(), model.0, model.1, *start);
            }
        });
        parts.into_iter().fold(Unexplained::default(), Unexplained::plus)
    }

    /// Phase over chips, along the blocks and from the preamble.
    fn phase_line(&self) -> Option<Line> {
        let preamble = std::iter::once((PREAMBLE_CENTRE, 0.0));
        let blocks = self.blocks.iter().map(|block| (block.centre(), block.phase));
        Line::through(&preamble.chain(blocks).collect::<Vec<_>>())
    }

    /// Delay over chips, along the blocks and from the preamble, by which the timing was set.
    fn delay_line(&self) -> Option<Line> {
        let preamble = std::iter::once((PREAMBLE_CENTRE, 0.0));
        let blocks = self.blocks.iter().map(|block| (block.centre(), block.delay));
        Line::through(&preamble.chain(blocks).collect::<Vec<_>>())
    }

    /// The data symbols of the `index`-th block looked at, phase tracked, without pi/2 rotation. The
    /// blocks before and after it must have been looked at, too.
    pub fn symbols(&self, index: usize) -> Vec<Complex32> {
        let Some(block) = self.blocks.get(index) else { return Vec::new() };
        let mut chips = block.chips.clone();
        if self.tuned.corrections().phase {
            let neighbour = |n: Option<usize>| n.and_then(|n| self.blocks.get(n)).map(|b| b.phase);
            let own = block.phase;
            let (before, after) =
                mirrored(neighbour(index.checked_sub(1)), own, neighbour(Some(index + 1)));
            derotate(&mut chips, BLOCK_CHIPS, 0, [before, own, after]);
        }
        derotate_half_pi(&mut chips, 0);
        chips.truncate(NEXT_GUARD_AT);
        chips.split_off(DATA_AT)
    }
}

/// Takes a slope of the phase (radians a chip) as a carrier offset. Whether it matters: half a per
/// cent of phase across a block is an error of -56 dB.
pub(crate) fn take_slope(line: Line, state: &mut FrameState) -> bool {
    let left = line.slope / TAU;
    state.wrong.cfo += left / (1.0 + state.timing.drift);
    (left * TAU * BLOCK_CHIPS as f64).abs() > 5e-3
}

/// The blocks of a frame of `count` that are looked at, in rising order: the first ones, then groups
/// at distances that double, so that each line drawn so far predicts the next group, and the last.
pub(crate) fn explored(count: usize) -> Vec<usize> {
    let mut blocks: Vec<usize> = (0..count.min(FIRST_BLOCKS)).collect();
    let mut at = FIRST_BLOCKS + FIRST_BLOCKS / 2;
    while at + 2 * GROUP < count {
        blocks.extend(at..at + GROUP);
        at += at / 2;
    }
    let next = blocks.last().map_or(0, |last| last + 1);
    blocks.extend(next.max(count.saturating_sub(GROUP))..count);
    blocks
}

/// The chips that a window most likely holds: known in the guards, nearest points elsewhere, after
/// turning the window by the phase of its guards.
fn decide(chips: &[Complex32], constellation: Constellation) -> Vec<Complex32> {
    let guard = guard_chips();
    let known = |n: usize| match n {
        0..DATA_AT => Some(guard[WINDOW_AT + n]),
        NEXT_GUARD_AT.. => Some(guard[n - NEXT_GUARD_AT]),
        _ => None,
    };
    let sum: Complex32 = chips
        .iter()
        .enumerate()
        .filter_map(|(n, chip)| known(n).map(|guard| chip * guard.conj()))
        .sum();
    let turn = Complex32::from_polar(1.0, -sum.arg());
    let mut turned: Vec<Complex32> = chips.iter().map(|chip| chip * turn).collect();
    derotate_half_pi(&mut turned, 0);
    let mut decided = vec![Complex32::default(); turned.len()];
    constellation.decide_all(&turned, &mut decided);
    rotate_half_pi(&mut decided, 0);
    for (n, chip) in decided.iter_mut().enumerate() {
        if let Some(guard) = known(n) {
            *chip = guard;
        }
    }
    decided
}

// The window of a block is one block long.
const _: () = assert!(BLOCK_VALUES == PER_CHIP * BLOCK_CHIPS);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn explored_blocks_rise_and_reach_the_end() {
        for count in [0, 1, 2, 15, 16, 17, 20, 24, 33, 128, 1000, 16_384] {
            let blocks = explored(count);
            assert!(blocks.windows(2).all(|pair| pair[0] < pair[1]), "{count}: {blocks:?}");
            assert_eq!(blocks.last().copied(), count.checked_sub(1));
            assert!(blocks.len() <= FIRST_BLOCKS + 80, "{count}: {}", blocks.len());
        }
    }
}
