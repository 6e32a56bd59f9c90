//! LDPC decoding: layered normalised min-sum with early stop, in small integers.
//!
//! Layered schedule after D. E. Hocevar, IEEE SiPS 2004; normalised min-sum after J. Chen,
//! M. Fossorier, IEEE Trans. Commun. 50(3), 2002 (both from memory). Many words are decoded side by
//! side in vector lanes, few words one by one; a word's result does not depend on which.

use super::batch::Batch;
use super::rule::LANES;
use super::vectors::Vectors;
use super::word::Word;
use super::{CODEWORD_BITS, CodeRate};

/// Iterations after which a codeword is given up.
pub const ITERATIONS_MAX: usize = 40;

/// Fewer words than these are faster one by one.
const FEW: usize = 12;
/// So many words of a batch may be left over, to be decoded later with others: the few that take
/// many iterations would hold up all.
const SPARE: usize = 8;

/// When the decoder stops.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stopping {
    /// With the first codeword that is found, or after so many iterations.
    AtCodeword(usize),
    /// After so many iterations, whatever is found: what a decoder in hardware does.
    Fixed(usize),
}

impl Stopping {
    #[inline(always)]
    pub(super) const fn iterations_max(self) -> usize {
        match self {
            Self::AtCodeword(iterations) | Self::Fixed(iterations) => iterations,
        }
    }

    #[inline(always)]
    pub(super) const fn is_early(self) -> bool {
        matches!(self, Self::AtCodeword(_))
    }
}

impl Default for Stopping {
    fn default() -> Self {
        Self::AtCodeword(ITERATIONS_MAX)
    }
}

/// How the decoding of one codeword ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Every parity check holds and every bit is decided.
    pub converged: bool,
    /// Iterations that were run; 0 when the input already was a codeword.
    pub iterations: usize,
}

/// A decoded codeword.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decision {
    /// How its decoding ended.
    pub outcome: Outcome,
    bits: [u8; CODEWORD_BITS],
}

impl Default for Decision {
    fn default() -> Self {
        Self { outcome: Outcome::default(), bits: [0; CODEWORD_BITS] }
    }
}

impl Decision {
    /// The decided bits in time order as encoded (at rate 7/8 with the bits that are not sent),
    /// whether or not decoding converged.
    pub const fn bits(&self) -> &[u8; CODEWORD_BITS] {
        &self.bits
    }
}

/// Decoder of single codewords of one rate. Holds its working memory, so that decoding allocates
/// nothing.
#[derive(Clone, Debug)]
pub struct Decoder {
    word: Word,
    stopping: Stopping,
}

impl Decoder {
    /// A decoder of `rate` that gives up after [`ITERATIONS_MAX`].
    pub fn new(rate: CodeRate) -> Self {
        Self::with_stopping(rate, Stopping::default())
    }

    /// A decoder of `rate` that stops as it is told.
    pub fn with_stopping(rate: CodeRate, stopping: Stopping) -> Self {
        Self { word: Word::new(rate, Vectors::widest()), stopping }
    }

    /// Decodes one codeword from the log-likelihood ratios of its bits as sent (positive means 0,
    /// any common scale). Missing values and values that are not numbers say nothing.
    ///
    /// The decided bits are then in [`Self::bits`], whether or not decoding converged.
    pub fn decode(&mut self, llrs: &[f32]) -> Outcome {
        self.word.decode(llrs, self.stopping)
    }

    /// The `count` first decided bits of the last codeword, in time order and as encoded (at rate
    /// 7/8 with the bits that are not sent).
    pub fn bits(&self, count: usize) -> impl Iterator<Item = u8> + '_ {
        self.word.bits().take(count)
    }
}

/// Decoder of many codewords of one rate.
#[derive(Clone, Debug)]
pub struct BatchDecoder {
    rate: CodeRate,
    batch: Batch,
    single: Decoder,
    stopping: Stopping,
    /// Words that have not been begun or were left over by a batch, last one first.
    waiting: Vec<usize>,
}

impl BatchDecoder {
    /// A decoder of `rate` that gives up after [`ITERATIONS_MAX`].
    pub fn new(rate: CodeRate) -> Self {
        Self::with_stopping(rate, Stopping::default())
    }

    /// A decoder of `rate` that stops as it is told.
    pub fn with_stopping(rate: CodeRate, stopping: Stopping) -> Self {
        let batch = Batch::new(rate, Vectors::widest());
        let single = Decoder::with_stopping(rate, stopping);
        Self { rate, batch, single, stopping, waiting: Vec::new() }
    }

    /// Decodes one codeword for each of `decisions` from the log-likelihood ratios of their bits as
    /// sent, one word after the other (positive means 0, any common scale within a word). Missing
    /// values and values that are not numbers say nothing.
    pub fn decode(&mut self, llrs: &[f32], decisions: &mut [Decision]) {
        let bits = self.rate.codeword_bits();
        let word = |n: usize| {
            let from = (n * bits).min(llrs.len());
            &llrs[from..llrs.len().min(from + bits)]
        };
        let spare = if self.stopping.is_early() { SPARE } else { 0 };
        let mut fresh = 0..decisions.len();
        let mut late = std::mem::take(&mut self.waiting);
        let mut chosen = [0; LANES];
        let mut words: [&[f32]; LANES] = [&[]; LANES];
        loop {
            let mut used = 0;
            if late.len() < LANES {
                for n in fresh.by_ref().take(LANES) {
                    chosen[used] = n;
                    used += 1;
                }
            }
            if used == 0 {
                used = late.len().min(LANES);
                let kept = late.len() - used;
                chosen[..used].copy_from_slice(&late[kept..]);
                late.truncate(kept);
            }
            if used == 0 {
                break;
            }
            if used <= FEW {
                for n in &chosen[..used] {
                    let decision = &mut decisions[*n];
                    decision.outcome = self.single.decode(word(*n));
                    let bits = self.single.bits(CODEWORD_BITS);
                    decision.bits.iter_mut().zip(bits).for_each(|(out, bit)| *out = bit);
                }
                continue;
            }
            for (slot, n) in words.iter_mut().zip(&chosen[..used]) {
                *slot = word(*n);
            }
            let sink = |n: usize, outcome: Option<Outcome>, row: &[u8]| match outcome {
                Some(outcome) => {
                    let decision = &mut decisions[chosen[n]];
                    decision.outcome = outcome;
                    decision.bits.copy_from_slice(&row);
                }
                None => late.push(chosen[n]),
            };
            self.batch.decode(&words[..used], self.stopping, spare, sink);
        }
        self.waiting = late;
    }
}
