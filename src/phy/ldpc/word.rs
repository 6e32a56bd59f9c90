//! One codeword on its own: the 42 checks of a layer side by side.
//!
//! The same arithmetic in the same order as in a batch, so the same results.

use super::decode::{Outcome, Stopping};
use super::quantise::{ROW, quantise};
use super::rule::{LANES, Lanes, exchange};
use super::schedule::{Layer, for_degree, layers};
use super::vectors::{VectorLoop, Vectors};
use super::{BLOCK_BITS, BLOCK_COLUMNS, CodeRate};

/// Values of a block, repeated with period 42 so that any shift of them is a run of lanes.
const RING: usize = 2 * LANES;
type Ring = [i8; RING];
type Sums = [Ring; BLOCK_COLUMNS];

/// Working memory for one word.
#[derive(Clone, Debug)]
pub(super) struct Word {
    rate: CodeRate,
    vectors: Vectors,
    layers: Vec<Layer>,
    /// Soft value of each bit: the channel's plus all checks' messages.
    sums: Sums,
    /// Messages of all checks of a block, one block after the other.
    messages: Vec<Lanes>,
}

impl Word {
    pub(super) fn new(rate: CodeRate, vectors: Vectors) -> Self {
        let layers = layers(rate);
        let blocks = layers.iter().map(|layer| layer.degree).sum();
        let sums = [[0; RING]; BLOCK_COLUMNS];
        Self { rate, vectors, layers, sums, messages: vec![Lanes::ZERO; blocks] }
    }

    /// Decodes a word from its soft values as sent.
    pub(super) fn decode(&mut self, llrs: &[f32], stopping: Stopping) -> Outcome {
        self.vectors.run(Load { rate: self.rate, llrs, sums: &mut self.sums });
        self.messages.fill(Lanes::ZERO);
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

    /// The decided bits.
    pub(super) fn bits(&self) -> impl Iterator<Item = u8> + '_ {
        let sums = self.sums.iter().flat_map(|ring| &ring[..BLOCK_BITS]);
        sums.map(|sum| u8::from(*sum < 0))
    }

    /// Updates all checks, layer by layer.
    fn iterate(&mut self) {
        let (vectors, sums) = (self.vectors, &mut self.sums);
        let mut messages = &mut self.messages[..];
        for Layer { degree, blocks, .. } in &self.layers {
            let own = messages.split_off_mut(..blocks.len()).unwrap_or_default();
            for_degree!(*degree, D => vectors.run(Update::<D> { blocks, sums, messages: own }));
        }
    }

    /// Whether all bits are decided and all checks hold.
    fn is_codeword(&self) -> bool {
        self.vectors.run(IsCodeword { layers: &self.layers, sums: &self.sums })
    }
}

/// Puts a word into its rings.
struct Load<'a> {
    rate: CodeRate,
    llrs: &'a [f32],
    sums: &'a mut Sums,
}

impl VectorLoop for Load<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let mut row = [0; ROW];
        quantise(self.rate, self.llrs, &mut row);
        let (blocks, _) = row.as_chunks::<BLOCK_BITS>();
        for (ring, block) in self.sums.iter_mut().zip(blocks) {
            let mut lanes = [0; LANES];
            lanes[..BLOCK_BITS].copy_from_slice(block);
            lanes[BLOCK_BITS..].copy_from_slice(&block[..LANES - BLOCK_BITS]);
            *ring = closed(&Lanes(lanes));
        }
    }
}

/// Finds whether all bits are decided and all checks hold.
struct IsCodeword<'a> {
    layers: &'a [Layer],
    sums: &'a Sums,
}

impl VectorLoop for IsCodeword<'_> {
    type Output = bool;

    #[inline(always)]
    fn run(self) -> bool {
        let mut least = u8::MAX;
        for ring in self.sums {
            for lane in 0..LANES {
                least = least.min(ring[lane] as u8);
            }
        }
        let mut failing = [0_i8; LANES];
        for layer in self.layers {
            let mut parity = [0_i8; LANES];
            for (column, shift) in &layer.blocks {
                let turned = turned(&self.sums[*column], *shift);
                for lane in 0..LANES {
                    parity[lane] ^= turned.0[lane];
                }
            }
            for lane in 0..LANES {
                failing[lane] |= parity[lane];
            }
        }
        let any = failing.iter().fold(0, |any, failing| any | failing);
        least != 0 && any >= 0
    }
}

/// Updates all checks of a layer of degree `D`.
struct Update<'a, const D: usize> {
    blocks: &'a [(usize, usize)],
    sums: &'a mut Sums,
    messages: &'a mut [Lanes],
}

impl<const D: usize> VectorLoop for Update<'_, D> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let (Some(blocks), Some(messages)) =
            (self.blocks.first_chunk::<D>(), self.messages.first_chunk_mut::<D>())
        else {
            return;
        };
        let mut own = [Lanes::ZERO; D];
        for (own, (column, shift)) in own.iter_mut().zip(blocks) {
            *own = turned(&self.sums[column % BLOCK_COLUMNS], *shift);
        }
        exchange(&mut own, messages);
        for (own, (column, shift)) in own.iter().zip(blocks) {
            let back = turned(&closed(own), (BLOCK_BITS - shift) % BLOCK_BITS);
            self.sums[column % BLOCK_COLUMNS] = closed(&back);
        }
    }
}

/// Lane `r` of the result is lane `(r + shift) mod 42` of the ring; shifts from 0 to 41.
#[inline(always)]
fn turned(ring: &Ring, shift: usize) -> Lanes {
    let mut lanes = Lanes::ZERO;
    let from = shift % LANES;
    lanes.0.copy_from_slice(&ring[from..from + LANES]);
    lanes
}

/// The ring of lanes that repeat with period 42.
#[inline(always)]
fn closed(Lanes(lanes): &Lanes) -> Ring {
    let mut ring = [0; RING];
    ring[2 * BLOCK_BITS..2 * BLOCK_BITS + RING - 2 * BLOCK_BITS]
        .copy_from_slice(&lanes[..RING - 2 * BLOCK_BITS]);
    ring[..LANES].copy_from_slice(lanes);
    ring[BLOCK_BITS..BLOCK_BITS + LANES].copy_from_slice(lanes);
    ring
}
