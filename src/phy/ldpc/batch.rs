//! Many codewords side by side: one vector lane for each.
//!
//! A cyclic shift is then nothing but another index. What a word decodes to does not depend on its
//! neighbours. Knows nothing of where words come from and go to.

use super::decode::{Outcome, Stopping};
use super::quantise::{ROW, quantise};
use super::rule::{Aligned, Lanes, exchange};
use super::schedule::{EDGES_MAX, Layer, for_degree, layers};
use super::transpose::{GROUP, from_lanes, to_lanes};
use super::vectors::{VectorLoop, Vectors};
use super::{CODEWORD_BITS, CodeRate};

/// Rounded up to a power of two, so that a remainder keeps an index in range.
const SUMS: usize = CODEWORD_BITS.next_power_of_two();

/// Soft values of all bits.
type Sums<const L: usize> = Aligned<[Lanes<L>; SUMS]>;

/// Working memory for `L` words of one rate.
#[derive(Clone, Debug)]
pub(super) struct Batch<const L: usize> {
    rate: CodeRate,
    vectors: Vectors,
    /// With `L` times the positions, the places in bytes.
    layers: Vec<Layer>,
    /// Soft value of each bit: the channel's plus all checks' messages.
    sums: Box<Sums<L>>,
    /// Messages of all checks in the order of the layers' positions.
    messages: Box<Aligned<[Lanes<L>; EDGES_MAX]>>,
}

impl<const L: usize> Batch<L> {
    pub(super) fn new(rate: CodeRate, vectors: Vectors) -> Self {
        let mut layers = layers(rate);
        let positions = layers.iter_mut().flat_map(|layer| &mut layer.positions);
        positions.for_each(|position| *position *= L as u16);
        let sums = Box::new(Aligned([Lanes::ZERO; SUMS]));
        let messages = Box::new(Aligned([Lanes::ZERO; EDGES_MAX]));
        Self { rate, vectors, layers, sums, messages }
    }

    /// Decodes at most `L` words from their soft values as sent, of which `spare` may be left
    /// undecided.
    ///
    /// `sink` takes a word's number, how its decoding ended (`None`: left undecided) and its bits.
    pub(super) fn decode(
        &mut self,
        words: &[&[f32]],
        stopping: Stopping,
        spare: usize,
        mut sink: impl FnMut(usize, Option<Outcome>, &[u8]),
    ) {
        self.vectors.run(Load { rate: self.rate, words, sums: &mut self.sums });
        let outcomes = self.run(words.len(), stopping, spare);
        for group in 0..words.len().div_ceil(GROUP) {
            let rows = self.vectors.run(Unload { sums: &self.sums, group });
            let numbers = GROUP * group..words.len();
            for (n, row) in numbers.zip(&rows) {
                sink(n, outcomes[n], &row[..CODEWORD_BITS]);
            }
        }
    }

    /// Iterates until all but `spare` of the first `used` words are decided.
    fn run(&mut self, used: usize, stopping: Stopping, spare: usize) -> [Option<Outcome>; L] {
        let mut outcomes = [None; L];
        let mut open: [bool; L] = std::array::from_fn(|lane| lane < used);
        let mut iterations = 0;
        loop {
            let is_last = iterations == stopping.iterations_max();
            if is_last || stopping.is_early() {
                let failing = self.failing();
                let mut closed = Lanes::ZERO;
                for (lane, open) in open.iter_mut().enumerate().filter(|(_, open)| **open) {
                    let converged = failing.0[lane] >= 0;
                    if converged || is_last {
                        outcomes[lane] = Some(Outcome { converged, iterations });
                        *open = false;
                        closed.0[lane] = -1;
                    }
                }
                let left = open.iter().filter(|open| **open).count();
                if is_last || left <= spare {
                    return outcomes;
                }
                if closed != Lanes::ZERO {
                    self.vectors.run(Settle { lanes: closed, sums: &mut self.sums });
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

    /// Updates all checks, layer by layer; in the first iteration without old messages.
    fn iterate<const FIRST: bool>(&mut self) {
        let (vectors, sums) = (self.vectors, &mut self.sums);
        let mut messages = &mut self.messages.0[..];
        for Layer { degree, positions, .. } in &self.layers {
            let own = messages.split_off_mut(..positions.len()).unwrap_or_default();
            for_degree!(*degree, D => vectors.run(Update::<L, D, FIRST> { positions, sums, messages: own }));
        }
    }

    /// Negative in the lanes in which a bit is undecided or a check does not hold.
    fn failing(&self) -> Lanes<L> {
        let (vectors, sums) = (self.vectors, &self.sums);
        let mut failing = vectors.run(Undecided { sums });
        for Layer { degree, positions, .. } in &self.layers {
            let failing = &mut failing;
            for_degree!(*degree, D => vectors.run(Parity::<L, D> { positions, sums, failing }));
        }
        failing
    }
}

/// The position at a place in bytes. The compiler makes one operation of this and the way back.
#[inline(always)]
fn entry<const L: usize>(place: u16) -> usize {
    usize::from(place) / L % SUMS
}

/// Puts words into their lanes; what is left over gets zeros.
struct Load<'a, const L: usize> {
    rate: CodeRate,
    words: &'a [&'a [f32]],
    sums: &'a mut Sums<L>,
}

impl<const L: usize> VectorLoop for Load<'_, L> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let mut rows = [[0; ROW]; GROUP];
        for group in 0..L / GROUP {
            for (n, row) in rows.iter_mut().enumerate() {
                match self.words.get(GROUP * group + n) {
                    Some(word) => quantise(self.rate, word, row),
                    None => *row = [0; ROW],
                }
            }
            to_lanes(&rows, &mut self.sums.0[..ROW], group);
        }
    }
}

/// Reads the decided bits of a group of lanes.
struct Unload<'a, const L: usize> {
    sums: &'a Sums<L>,
    group: usize,
}

impl<const L: usize> VectorLoop for Unload<'_, L> {
    type Output = [[u8; ROW]; GROUP];

    #[inline(always)]
    fn run(self) -> Self::Output {
        let mut rows = [[0; ROW]; GROUP];
        from_lanes(&self.sums.0[..ROW], self.group, &mut rows);
        rows
    }
}

/// Makes the words of some lanes certain, so that further iterations cannot change them: as all their
/// checks hold, every message agrees with its bit, and a bit's own certainty exceeds whatever its
/// old messages take away.
struct Settle<'a, const L: usize> {
    /// Not zero in the lanes that are meant.
    lanes: Lanes<L>,
    sums: &'a mut Sums<L>,
}

impl<const L: usize> VectorLoop for Settle<'_, L> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for sum in &mut self.sums.0[..CODEWORD_BITS] {
            for lane in 0..L {
                let sum = &mut sum.0[lane];
                let certain = if *sum < 0 { -i8::MAX } else { i8::MAX };
                *sum = if self.lanes.0[lane] != 0 { certain } else { *sum };
            }
        }
    }
}

/// Finds the lanes with an undecided bit: negative.
struct Undecided<'a, const L: usize> {
    sums: &'a Sums<L>,
}

impl<const L: usize> VectorLoop for Undecided<'_, L> {
    type Output = Lanes<L>;

    #[inline(always)]
    fn run(self) -> Lanes<L> {
        let mut least = [u8::MAX; L];
        for sum in &self.sums.0[..CODEWORD_BITS] {
            for (least, sum) in least.iter_mut().zip(&sum.0) {
                *least = (*least).min(*sum as u8);
            }
        }
        Lanes(least.map(|least| if least == 0 { -1 } else { 0 }))
    }
}

/// Sets the sign of the lanes in which a check of a layer of degree `D` does not hold.
struct Parity<'a, const L: usize, const D: usize> {
    positions: &'a [u16],
    sums: &'a Sums<L>,
    failing: &'a mut Lanes<L>,
}

impl<const L: usize, const D: usize> VectorLoop for Parity<'_, L, D> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let mut failing = *self.failing;
        for positions in self.positions.as_chunks::<D>().0 {
            let mut parity = Lanes::ZERO;
            for position in positions {
                parity.toggle(&self.sums.0[entry::<L>(*position)]);
            }
            failing.join(&parity);
        }
        *self.failing = failing;
    }
}

/// Updates all checks of a layer of degree `D`.
struct Update<'a, const L: usize, const D: usize, const FIRST: bool> {
    positions: &'a [u16],
    sums: &'a mut Sums<L>,
    messages: &'a mut [Lanes<L>],
}

impl<const L: usize, const D: usize, const FIRST: bool> VectorLoop for Update<'_, L, D, FIRST> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let (checks, _) = self.positions.as_chunks::<D>();
        let (messages, _) = self.messages.as_chunks_mut::<D>();
        for (positions, messages) in checks.iter().zip(messages) {
            let mut own = [Lanes::ZERO; D];
            for n in 0..D {
                own[n] = self.sums.0[entry::<L>(positions[n])];
            }
            exchange::<L, D, FIRST>(&mut own, messages);
            for n in 0..D {
                self.sums.0[entry::<L>(positions[n])] = own[n];
            }
        }
    }
}
