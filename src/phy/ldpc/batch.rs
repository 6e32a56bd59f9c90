//! Many codewords side by side: one vector lane for each.
//!
//! A cyclic shift is then nothing but another index. What a word decodes to does not depend on its
//! neighbours. Knows nothing of where words come from and go to.

use super::decode::{Outcome, Stopping};
use super::quantise::{ROW, quantise};
use super::rule::{LANES, Lanes, Rule, exchange};
use super::schedule::{Layer, for_degree, layers};
use super::transpose::{GROUP, from_lanes, to_lanes};
use super::{CODEWORD_BITS, CodeRate};

/// Rounded up to a power of two, so that a remainder keeps an index in range.
const SUMS: usize = CODEWORD_BITS.next_power_of_two();

/// Lanes in which a value is true are -1, the others 0.
type Mask = [i8; LANES];

/// Working memory for [`LANES`] words of one rate.
#[derive(Clone, Debug)]
pub(super) struct Batch {
    rate: CodeRate,
    rule: Rule,
    layers: Vec<Layer>,
    /// Soft value of each bit: the channel's plus all checks' messages.
    sums: Box<[Lanes; SUMS]>,
    /// Messages of all checks in the order of the layers' positions.
    messages: Vec<Lanes>,
}

/// The decoding of the words of a batch, for [`pulp::Arch::dispatch`].
pub(super) struct Run<'a, W> {
    pub(super) batch: &'a mut Batch,
    /// Soft values of the words as sent; at most [`LANES`].
    pub(super) words: &'a [&'a [f32]],
    pub(super) stopping: Stopping,
    /// So many words may be left undecided.
    pub(super) spare: usize,
    /// Takes the number of a word among `words`, how its decoding ended (`None`: left undecided) and
    /// its decided bits.
    pub(super) sink: W,
}

impl<W: FnMut(usize, Option<Outcome>, &[u8; ROW])> pulp::WithSimd for Run<'_, W> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _simd: S) {
        self.plain();
    }
}

impl<W: FnMut(usize, Option<Outcome>, &[u8; ROW])> Run<'_, W> {
    /// Decodes with the instructions of the function it is called from.
    #[inline(always)]
    pub(super) fn plain(mut self) {
        self.batch.load(self.words);
        let outcomes = self.batch.run(self.words.len(), self.stopping, self.spare);
        self.batch.unload(&outcomes[..self.words.len()], &mut self.sink);
    }
}

impl Batch {
    pub(super) fn new(rate: CodeRate, rule: Rule) -> Self {
        let layers = layers(rate);
        let edges = layers.iter().map(|layer| layer.positions.len()).sum();
        let sums = Box::new([Lanes::ZERO; SUMS]);
        Self { rate, rule, layers, sums, messages: vec![Lanes::ZERO; edges] }
    }

    #[inline(always)]
    fn load(&mut self, words: &[&[f32]]) {
        self.messages.fill(Lanes::ZERO);
        for group in 0..LANES / GROUP {
            let mut rows = [[0; ROW]; GROUP];
            for (row, word) in rows.iter_mut().zip(words.iter().skip(GROUP * group)) {
                quantise(self.rate, self.rule, word, row);
            }
            to_lanes(&rows, &mut self.sums[..ROW], group);
        }
    }

    #[inline(always)]
    fn unload(
        &self,
        outcomes: &[Option<Outcome>],
        sink: &mut impl FnMut(usize, Option<Outcome>, &[u8; ROW]),
    ) {
        for (group, outcomes) in outcomes.chunks(GROUP).enumerate() {
            let mut rows = [[0; ROW]; GROUP];
            from_lanes(&self.sums[..ROW], group, &mut rows);
            for (n, (outcome, row)) in outcomes.iter().zip(&rows).enumerate() {
                sink(GROUP * group + n, *outcome, row);
            }
        }
    }

    /// Iterates until all but `spare` of the first `used` words are decided.
    #[inline(always)]
    fn run(&mut self, used: usize, stopping: Stopping, spare: usize) -> [Option<Outcome>; LANES] {
        let mut outcomes = [None; LANES];
        let mut open: Mask = std::array::from_fn(|lane| if lane < used { -1 } else { 0 });
        let mut iterations = 0;
        loop {
            let is_last = iterations == stopping.iterations_max();
            if is_last || stopping.is_early() {
                let failing = self.failing();
                let closed: Mask = std::array::from_fn(|lane| open[lane] & !failing[lane]);
                for lane in 0..LANES {
                    if closed[lane] != 0 || (is_last && open[lane] != 0) {
                        let converged = closed[lane] != 0;
                        outcomes[lane] = Some(Outcome { converged, iterations });
                    }
                    open[lane] &= failing[lane];
                }
                let left = open.iter().filter(|open| **open != 0).count();
                if is_last || left <= spare {
                    return outcomes;
                }
                if closed != [0; LANES] {
                    self.settle(&closed);
                }
            }
            self.iterate();
            iterations += 1;
        }
    }

    /// Makes the words of `lanes` certain, so that further iterations cannot change them: as all
    /// checks hold, every message agrees with its bit, and a bit's own certainty exceeds whatever
    /// its old messages take away.
    #[inline(always)]
    fn settle(&mut self, lanes: &Mask) {
        for sum in &mut self.sums[..CODEWORD_BITS] {
            for (sum, chosen) in sum.0.iter_mut().zip(lanes) {
                let certain = if *sum < 0 { -i8::MAX } else { i8::MAX };
                *sum = if *chosen != 0 { certain } else { *sum };
            }
        }
    }

    /// The lanes in which a bit is undecided or a check does not hold.
    #[inline(always)]
    fn failing(&self) -> Mask {
        let mut failing = [0_i8; LANES];
        for sum in &self.sums[..CODEWORD_BITS] {
            for (failing, sum) in failing.iter_mut().zip(&sum.0) {
                *failing |= if *sum == 0 { -1 } else { 0 };
            }
        }
        for layer in &self.layers {
            for_degree!(layer.degree, add_failing(&layer.positions, &self.sums, &mut failing));
        }
        // Only the sign counts.
        failing.map(|failing| if failing < 0 { -1 } else { 0 })
    }

    #[inline(always)]
    fn iterate(&mut self) {
        let mut messages = &mut self.messages[..];
        for layer in &self.layers {
            let (own, later) = messages.split_at_mut(layer.positions.len());
            messages = later;
            for_degree!(layer.degree, update(&layer.positions, &mut self.sums, own, self.rule));
        }
    }
}

/// Updates all checks of a layer of degree `D`.
#[inline(always)]
fn update<const D: usize>(
    positions: &[u16],
    sums: &mut [Lanes; SUMS],
    messages: &mut [Lanes],
    rule: Rule,
) {
    let (checks, _) = positions.as_chunks::<D>();
    let (messages, _) = messages.as_chunks_mut::<D>();
    for (positions, messages) in checks.iter().zip(messages) {
        let mut own = [Lanes::ZERO; D];
        for n in 0..D {
            own[n] = sums[usize::from(positions[n]) % SUMS];
        }
        exchange(&mut own, messages, rule);
        for n in 0..D {
            sums[usize::from(positions[n]) % SUMS] = own[n];
        }
    }
}

/// Sets the sign of `failing` where a check of a layer of degree `D` does not hold.
#[inline(always)]
fn add_failing<const D: usize>(
    positions: &[u16],
    sums: &[Lanes; SUMS],
    failing: &mut [i8; LANES],
) {
    for positions in positions.as_chunks::<D>().0 {
        let mut parity = [0_i8; LANES];
        for position in positions {
            for (parity, sum) in parity.iter_mut().zip(&sums[usize::from(*position) % SUMS].0) {
                *parity ^= sum;
            }
        }
        for (failing, parity) in failing.iter_mut().zip(parity) {
            *failing |= parity;
        }
    }
}
