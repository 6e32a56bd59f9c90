//! One codeword on its own: the 42 checks of a layer side by side.
//!
//! The same arithmetic in the same order as in a batch, so the same results.

use super::decode::{Outcome, Stopping};
use super::quantise::{ROW, quantise};
use super::rule::{self, Aligned, exchange};
use super::schedule::{BLOCKS_MAX, Layer, for_degree, layers};
use super::vectors::{VectorLoop, Vectors};
use super::{BLOCK_BITS, BLOCK_COLUMNS, CodeRate};

/// The 42 values of a block and some of them again.
const LANES: usize = 64;
type Lanes = rule::Lanes<LANES>;

/// Room for a vector from any of the 42 rows on.
const RING: usize = 2 * LANES;

/// Values of a block with period 42, so that they can be read from any of them on.
#[derive(Clone, Debug)]
struct Ring {
    values: [i8; RING],
    /// Row of the block that stands first.
    first: usize,
}
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
    messages: Box<Aligned<[Lanes; BLOCKS_MAX]>>,
}

impl Word {
    pub(super) fn new(rate: CodeRate, vectors: Vectors) -> Self {
        let layers = layers(rate);
        let sums = std::array::from_fn(|_| Ring { values: [0; RING], first: 0 });
        let messages = Box::new(Aligned([Lanes::ZERO; BLOCKS_MAX]));
        Self { rate, vectors, layers, sums, messages }
    }

    /// Decodes a word from its soft values as sent.
    pub(super) fn decode(&mut self, llrs: &[f32], stopping: Stopping) -> Outcome {
        self.vectors.run(Load { rate: self.rate, llrs, sums: &mut self.sums });
        let mut iterations = 0;
        loop {
            let is_last = iterations == stopping.iterations_max();
            if is_last || stopping.is_early() {
                let converged = self.is_codeword();
                if is_last || converged {
                    return Outcome { converged, iterations };
                }
            }
            if iterations == 0 {
                self.iterate::<true>()
            } else {
                self.iterate::<false>()
            }
            iterations += 1;
        }
    }

    /// The decided bits.
    pub(super) fn bits(&self) -> impl Iterator<Item = u8> + '_ {
        self.sums.iter().flat_map(|ring| {
            let start = BLOCK_BITS - ring.first;
            ring.values[start..start + BLOCK_BITS].iter().map(|sum| u8::from(*sum < 0))
        })
    }

    /// Updates all checks, layer by layer; in the first iteration without old messages.
    fn iterate<const FIRST: bool>(&mut self) {
        let (vectors, sums) = (self.vectors, &mut self.sums);
        let mut messages = &mut self.messages.0[..];
        for Layer { degree, blocks, .. } in &self.layers {
            let own = messages.split_off_mut(..blocks.len()).unwrap_or_default();
            for_degree!(*degree, D => vectors.run(Update::<D, FIRST> { blocks, sums, messages: own }));
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
            ring.put(&rule::Lanes(lanes), 0);
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
            let values = ring.values[..LANES].iter();
            least = values.fold(least, |least, value| least.min(*value as u8));
        }
        let mut failing = Lanes::ZERO;
        for layer in self.layers {
            let mut parity = Lanes::ZERO;
            for (column, shift) in &layer.blocks {
                parity.toggle(&self.sums[*column].from(*shift));
            }
            failing.join(&parity);
        }
        let any = failing.0.iter().fold(0, |any, failing| any | failing);
        least != 0 && any >= 0
    }
}

/// Updates all checks of a layer of degree `D`.
struct Update<'a, const D: usize, const FIRST: bool> {
    blocks: &'a [(usize, usize)],
    sums: &'a mut Sums,
    messages: &'a mut [Lanes],
}

impl<const D: usize, const FIRST: bool> VectorLoop for Update<'_, D, FIRST> {
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
            *own = self.sums[column % BLOCK_COLUMNS].from(*shift);
        }
        exchange::<LANES, D, FIRST>(&mut own, messages);
        for (own, (column, shift)) in own.iter().zip(blocks) {
            self.sums[column % BLOCK_COLUMNS].put(own, *shift);
        }
    }
}

impl Ring {
    /// The values from `row` on, around the block; rows from 0 to 41.
    #[inline(always)]
    fn from(&self, row: usize) -> Lanes {
        let back = if row < self.first { BLOCK_BITS } else { 0 };
        // The remainder, which changes nothing, shows the compiler that the run is within the ring.
        let start = (row + back - self.first) % LANES;
        let mut lanes = Lanes::ZERO;
        lanes.0.copy_from_slice(&self.values[start..start + LANES]);
        lanes
    }

    /// Replaces the values by those from `row` on.
    #[inline(always)]
    fn put(&mut self, lanes: &Lanes, row: usize) {
        self.values[..LANES].copy_from_slice(&lanes.0);
        self.values[BLOCK_BITS..BLOCK_BITS + LANES].copy_from_slice(&lanes.0);
        self.first = row;
    }
}
