//! One pass over one frame: channel from the preamble, then block by block equalised values with
//! their phase and delay, and what the pass shows to be still wrong. Passes are repeated until
//! nothing of weight is left. Knows nothing of payloads or figures.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};

use super::channel::{self, ChannelEstimate};
use super::constellation::{Constellation, derotate_half_pi, rotate_half_pi};
use super::equaliser::{BLOCK_VALUES, BlockMeasure, Equaliser, EqualiserKind, Transforms};
use super::frame::{GUARD_CHIPS, PREAMBLE_CHIPS, guard_chips};
use super::frontend::{FrontEnd, Impairments, Timing};
use super::mcs::{BLOCK_CHIPS, DATA_SYMBOLS_PER_BLOCK};
use super::pulse::RootRaisedCosine;
use super::recording::widen;
use super::sync::{PER_CHIP, PRECURSOR_CHIPS};
use super::tracking::{DelayLoop, Line, derotate, unwrap};

/// Where the data symbols are within an equalised window.
const DATA_AT: usize = PRECURSOR_CHIPS;
/// Where the next guard begins within the window.
const NEXT_GUARD_AT: usize = DATA_AT + DATA_SYMBOLS_PER_BLOCK;
/// Chip within a block at which its window begins: the window holds the guard's last chips, the
/// data, and the first chips of the next guard, so that both ends agree.
const WINDOW_AT: usize = GUARD_CHIPS - PRECURSOR_CHIPS;
/// Chip of the preamble to which the channel estimate's phase belongs.
const PREAMBLE_CENTRE: f64 = 1720.0;

/// What is corrected and how.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Corrections {
    pub dc: bool,
    pub iq: bool,
    pub carrier: bool,
    pub clock: bool,
    pub phase: bool,
    pub equaliser: EqualiserKind,
}

/// What is known of a frame before a pass over it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct FrameState {
    pub wrong: Impairments,
    pub timing: Timing,
}

/// An equalised block.
pub(crate) struct Block {
    /// First chip of its guard, counted from the frame's start.
    first: usize,
    /// The chips of its window, before phase tracking.
    chips: Vec<Complex32>,
    measure: BlockMeasure,
    /// Delay of the block against the timing it was sampled with, in chips.
    delay: f64,
}

/// Sums over the blocks of what the model does not explain.
#[derive(Clone, Copy, Debug, Default)]
struct Unexplained {
    image: Complex64,
    image_energy: f64,
    dc: Complex64,
    count: f64,
}

/// A running pass over one frame.
pub(crate) struct Pass<'a> {
    front_end: &'a FrontEnd<'a>,
    corrections: Corrections,
    state: FrameState,
    pub channel: ChannelEstimate,
    pub equaliser: Equaliser,
    delay_loop: Option<DelayLoop>,
    blocks: Vec<Block>,
    unexplained: Unexplained,
}

impl<'a> Pass<'a> {
    /// Estimates the channel from the preamble. The loop that follows the clock runs when
    /// `follow_clock` is set.
    pub fn begin(
        front_end: &'a FrontEnd<'a>,
        pulse: RootRaisedCosine,
        transforms: &Transforms,
        corrections: Corrections,
        state: FrameState,
        follow_clock: bool,
    ) -> Option<Self> {
        let mut values = vec![Complex32::default(); PER_CHIP * PREAMBLE_CHIPS];
        let step = (1.0 + state.timing.drift) / PER_CHIP as f64;
        front_end.sample(&state.wrong, state.timing.at(0.0), step, &mut values);
        let channel = channel::estimate(&values)?;
        let equaliser = Equaliser::new(&channel, pulse, corrections.equaliser, transforms.clone());
        let delay_loop = (follow_clock && corrections.clock).then(DelayLoop::default);
        let (blocks, unexplained) = (Vec::new(), Unexplained::default());
        Some(Self {
            front_end,
            corrections,
            state,
            channel,
            equaliser,
            delay_loop,
            blocks,
            unexplained,
        })
    }

    /// Equalises the block whose guard begins at chip `first`, decides its symbols and takes in
    /// what they show.
    pub fn block(&mut self, first: usize, constellation: Constellation) {
        let offset = self.delay_loop.map_or(0.0, |delay_loop| delay_loop.predicted());
        let timing = self.state.timing;
        let start = timing.at((first + WINDOW_AT) as f64 + offset);
        let step = (1.0 + timing.drift) / PER_CHIP as f64;
        let mut values = vec![Complex32::default(); BLOCK_VALUES];
        self.front_end.sample(&self.state.wrong, start, step, &mut values);
        let mut spectrum = values.clone();
        let mut chips = vec![Complex32::default(); BLOCK_CHIPS];
        self.equaliser.equalise(&mut spectrum, &mut chips);
        let mut decided = decide(&chips, constellation);
        let measure = self.equaliser.measure(&spectrum, &mut decided);
        let expected = self.equaliser.expected(&decided, &measure);
        self.explain(&values, &expected, start, step);
        let delay = offset - measure.late;
        if let Some(delay_loop) = &mut self.delay_loop {
            delay_loop.update(delay);
        }
        self.blocks.push(Block { first, chips, measure, delay });
    }

    /// Compares values with what the model expects: what is left may be an image or an offset.
    fn explain(&mut self, values: &[Complex32], expected: &[Complex32], start: f64, step: f64) {
        let turn = TAU * self.state.wrong.cfo;
        let mut carrier =
            Complex64::from_polar(1.0, FrontEnd::carrier_phase(&self.state.wrong, start));
        let rotation = Complex64::from_polar(1.0, turn * step);
        let sums = &mut self.unexplained;
        for (value, expected) in values.iter().zip(expected) {
            let (value, expected) = (widen(*value), widen(*expected));
            // In the unturned signal the error is dc + image * conj(signal).
            let error = (value - expected) * carrier;
            sums.dc += error;
            sums.image += error * expected * carrier;
            sums.image_energy += expected.norm_sqr();
            carrier *= rotation;
        }
        sums.count += values.len() as f64;
    }

    /// The state for another pass, `None` when nothing that matters was found.
    pub fn improved(&self) -> Option<FrameState> {
        let (mut next, mut matters) = (self.state, false);
        let wrong = &mut next.wrong;
        let sums = &self.unexplained;
        if self.corrections.dc && sums.count > 0.0 {
            let left = sums.dc / sums.count;
            wrong.dc += left / self.front_end.scale();
            matters |= left.norm() > 1e-3;
        }
        if self.corrections.iq && sums.image_energy > 0.0 {
            let left = sums.image / sums.image_energy;
            wrong.image += left;
            matters |= left.norm() > 1e-3;
        }
        if let Some(line) = self.phase_line().filter(|_| self.corrections.carrier) {
            let left = line.slope / TAU;
            wrong.cfo += left / (1.0 + self.state.timing.drift);
            // Half a per cent of phase across a block is an error of -56 dB.
            matters |= (left * TAU * BLOCK_CHIPS as f64).abs() > 5e-3;
        }
        if let Some(line) = self.delay_line().filter(|_| self.corrections.clock) {
            let timing = &mut next.timing;
            timing.start += line.offset * (1.0 + timing.drift);
            timing.drift = (1.0 + line.slope) * (1.0 + timing.drift) - 1.0;
            let chips = self.blocks.last().map_or(0, |block| block.first + BLOCK_CHIPS);
            matters |= (line.slope * chips as f64).abs() > 0.01;
        }
        matters.then_some(next)
    }

    /// Phase over chips, along the blocks and from the preamble.
    fn phase_line(&self) -> Option<Line> {
        let phases = unwrap(self.blocks.iter().map(|block| block.measure.phase));
        let centres = self.blocks.iter().map(Block::centre);
        let preamble = std::iter::once((PREAMBLE_CENTRE, 0.0));
        Line::through(&preamble.chain(centres.zip(phases)).collect::<Vec<_>>())
    }

    /// Delay over chips. Fewer than four blocks say too little.
    fn delay_line(&self) -> Option<Line> {
        let points: Vec<(f64, f64)> =
            self.blocks.iter().map(|block| (block.centre(), block.delay)).collect();
        if points.len() < 4 { None } else { Line::through(&points) }
    }

    /// The state that this pass worked with.
    pub fn state(&self) -> &FrameState {
        &self.state
    }

    /// Noise variance expected at the equalised symbols, relative to their unit power.
    pub fn noise_variance(&self) -> f32 {
        self.equaliser.noise_variance as f32
    }

    /// Blocks so far.
    pub fn block_count(&self) -> usize {
        self.blocks.len()
    }

    /// The data symbols of block `index`, phase tracked, without pi/2 rotation.
    pub fn symbols(&self, index: usize) -> Vec<Complex32> {
        let Some(block) = self.blocks.get(index) else { return Vec::new() };
        let mut chips = block.chips.clone();
        if self.corrections.phase {
            let phase = |n: Option<usize>| {
                n.and_then(|n| self.blocks.get(n)).map(|neighbour| {
                    let apart = neighbour.measure.phase - block.measure.phase;
                    block.measure.phase + super::tracking::wrap(apart)
                })
            };
            let (own, before, after) =
                (block.measure.phase, phase(index.checked_sub(1)), phase(Some(index + 1)));
            // At the ends of the frame the phase runs on as it does on the other side.
            let mirrored = |other: Option<f64>| other.map_or(own, |other| 2.0 * own - other);
            let (before, after) =
                (before.unwrap_or(mirrored(after)), after.unwrap_or(mirrored(before)));
            derotate(&mut chips, before, own, after);
        }
        derotate_half_pi(&mut chips, 0);
        chips.truncate(NEXT_GUARD_AT);
        chips.split_off(DATA_AT)
    }
}

impl Block {
    /// The chip in the middle of its window.
    fn centre(&self) -> f64 {
        (self.first + WINDOW_AT + BLOCK_CHIPS / 2) as f64
    }
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
    let mut decided: Vec<Complex32> = chips.iter().map(|chip| chip * turn).collect();
    derotate_half_pi(&mut decided, 0);
    for chip in &mut decided {
        *chip = constellation.nearest(*chip).1;
    }
    rotate_half_pi(&mut decided, 0);
    for (n, chip) in decided.iter_mut().enumerate() {
        if let Some(guard) = known(n) {
            *chip = guard;
        }
    }
    decided
}
