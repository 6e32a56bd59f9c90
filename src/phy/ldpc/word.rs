//! One codeword on its own: the 42 checks of a layer side by side.
//!
//! The same arithmetic in the same order as in a batch, so the same results.

use super::decode::{Outcome, Stopping};
use super::quantise::{ROW, quantise};
use super::rule::{LANES, Lanes, Rule, exchange};
use super::schedule::{Layer, for_degree, layers};
use super::{BLOCK_BITS, BLOCK_COLUMNS, CodeRate};

/// Values of a block, repeated with period 42 so that any shift of them is a run of lanes.
const RING: usize = 2 * LANES;

/// Working memory for one word.
#[derive(Clone, Debug)]
pub(super) struct Word {
    rate: CodeRate,
    rule: Rule,
    layers: Vec<Layer>,
    /// Soft value of each bit: the channel's plus all checks' messages.
    sums: [[i8; RING]; BLOCK_COLUMNS],
    /// Messages of all checks of a block, one block after the other.
    messages: Vec<Lanes>,
}

/// The decoding of a word, for [`pulp::Arch::dispatch`].
pub(super) struct Run<'a> {
    pub(super) word: &'a mut Word,
    /// Soft values as sent.
    pub(super) llrs: &'a [f32],
    pub(super) stopping: Stopping,
}

impl pulp::WithSimd for Run<'_> {
    type Output = Outcome;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _simd: S) -> Outcome {
        self.plain()
    }
}

impl Run<'_> {
    /// Decodes with the instructions of the function it is called from.
    #[inline(always)]
    pub(super) fn plain(self) -> Outcome {
        self.word.load(self.llrs);
        self.word.run(self.stopping)
    }
}

impl Word {
    pub(super) fn new(rate: CodeRate, rule: Rule) -> Self {
        let layers = layers(rate);
        let blocks = layers.iter().map(|layer| layer.degree).sum();
        let sums = [[0; RING]; BLOCK_COLUMNS];
        Self { rate, rule, layers, sums, messages: vec![Lanes::ZERO; blocks] }
    }

    /// The decided bits.
    pub(super) fn bits(&self) -> impl Iterator<Item = u8> + '_ {
        let sums = self.sums.iter().flat_map(|ring| &ring[..BLOCK_BITS]);
        sums.map(|sum| u8::from(*sum < 0))
    }

    #[inline(always)]
    fn load(&mut self, llrs: &[f32]) {
        let mut row = [0; ROW];
        quantise(self.rate, self.rule, llrs, &mut row);
        for (ring, block) in self.sums.iter_mut().zip(row.chunks_exact(BLOCK_BITS)) {
            let mut lanes = [0; LANES];
            lanes[..BLOCK_BITS].copy_from_slice(block);
            lanes[BLOCK_BITS..].copy_from_slice(&block[..LANES - BLOCK_BITS]);
            *ring = closed(&lanes);
        }
        self.messages.fill(Lanes::ZERO);
    }

    #[inline(always)]
    fn run(&mut self, stopping: Stopping) -> Outcome {
        let mut iterations = 0;
        loop {
            let is_last = iterations == stopping.iterations_max();
            if is_last || stopping.is_early() {
                let converged = self.is_codeword();
                if is_last || converged {
                    return Outcome { converged, iterations };
                }
            }
            self.iterate();
            iterations += 1;
        }
    }

    /// Whether all bits are decided and all checks hold.
    #[inline(always)]
    fn is_codeword(&self) -> bool {
        let mut failing = [0_i8; LANES];
        for ring in &self.sums {
            for (failing, sum) in failing.iter_mut().zip(ring) {
                *failing |= if *sum == 0 { -1 } else { 0 };
            }
        }
        for layer in &self.layers {
            let mut parity = [0_i8; LANES];
            for (column, shift) in &layer.blocks {
                let turned = turned(&self.sums[*column], *shift);
                for (parity, sum) in parity.iter_mut().zip(&turned.0) {
                    *parity ^= sum;
                }
            }
            for (failing, parity) in failing.iter_mut().zip(parity) {
                *failing |= parity;
            }
        }
        failing.iter().fold(0, |any, failing| any | failing) >= 0
    }

    #[inline(always)]
    fn iterate(&mut self) {
        let mut messages = &mut self.messages[..];
        for layer in &self.layers {
            let (own, later) = messages.split_at_mut(layer.degree);
            messages = later;
            for_degree!(layer.degree, update(&layer.blocks, &mut self.sums, own, self.rule));
        }
    }
}

/// Updates all checks of a layer of degree `D`.
#[inline(always)]
fn update<const D: usize>(
    blocks: &[(usize, usize)],
    sums: &mut [[i8; RING]; BLOCK_COLUMNS],
    messages: &mut [Lanes],
    rule: Rule,
) {
    let (Some(blocks), Some(messages)) = (blocks.first_chunk::<D>(), messages.first_chunk_mut())
    else {
        return;
    };
    let mut own = [Lanes::ZERO; D];
    for (own, (column, shift)) in own.iter_mut().zip(blocks) {
        *own = turned(&sums[column % BLOCK_COLUMNS], *shift);
    }
    exchange(&mut own, messages, rule);
    for ((column, shift), own) in blocks.iter().zip(&own) {
        let back = turned(&closed(&own.0), (BLOCK_BITS - shift) % BLOCK_BITS);
        sums[column % BLOCK_COLUMNS] = closed(&back.0);
    }
}

/// Lane `r` of the result is lane `(r + shift) mod 42` of the ring; shifts from 0 to 41.
#[inline(always)]
fn turned(ring: &[i8; RING], shift: usize) -> Lanes {
    let mut lanes = Lanes::ZERO;
    let from = shift % LANES;
    lanes.0.copy_from_slice(&ring[from..from + LANES]);
    lanes
}

/// The ring of lanes that repeat with period 42.
#[inline(always)]
fn closed(lanes: &[i8; LANES]) -> [i8; RING] {
    let mut ring = [0; RING];
    ring[2 * BLOCK_BITS..2 * BLOCK_BITS + RING - 2 * BLOCK_BITS]
        .copy_from_slice(&lanes[..RING - 2 * BLOCK_BITS]);
    ring[..LANES].copy_from_slice(lanes);
    ring[BLOCK_BITS..BLOCK_BITS + LANES].copy_from_slice(lanes);
    ring
}
