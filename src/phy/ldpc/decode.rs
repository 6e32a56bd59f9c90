//! LDPC decoding: layered offset min-sum with early stop, in small integers.
//!
//! Layered schedule after D. E. Hocevar, IEEE SiPS 2004; offset min-sum after J. Chen,
//! M. Fossorier, IEEE Trans. Commun. 50(3), 2002 (both from memory). Many words are decoded side by
//! side in vector lanes, few words one by one; a word's result does not depend on which.

use std::slice::Chunks;

use super::batch::Batch;
use super::vectors::Vectors;
use super::word::Word;
use super::{CODEWORD_BITS, CodeRate};

/// Iterations after which a codeword is given up.
pub const ITERATIONS_MAX: usize = 40;

/// Fewer words than these are faster one by one than in a batch of so many lanes.
const fn few(lanes: usize) -> usize {
    3 * lanes / 8
}

/// So many words of a batch are left over, to be decoded one by one: the few that take many
/// iterations would hold up all.
const fn spare(lanes: usize) -> usize {
    lanes / 16
}

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

    /// Decodes one codeword as [`Self::decode`] does, with its bits.
    pub fn decode_into(&mut self, llrs: &[f32], decision: &mut Decision) {
        decision.outcome = self.decode(llrs);
        decision.bits.iter_mut().zip(self.word.bits()).for_each(|(out, bit)| *out = bit);
    }

    /// The `count` first decided bits of the last codeword, in time order and as encoded (at rate
    /// 7/8 with the bits that are not sent).
    pub fn bits(&self, count: usize) -> impl Iterator<Item = u8> + '_ {
        self.word.bits().take(count)
    }
}

/// Decoder of many codewords of one rate. Holds its working memory, so that decoding allocates
/// nothing.
#[derive(Clone, Debug)]
pub struct BatchDecoder {
    rate: CodeRate,
    batch: AnyBatch,
    single: Decoder,
}

/// As many words side by side as there are bytes in a register: with more, a check's values would
/// not stay in the registers.
#[derive(Clone, Debug)]
enum AnyBatch {
    Of16(Batch<16>),
    Of32(Batch<32>),
    Of64(Batch<64>),
}

impl AnyBatch {
    fn new(rate: CodeRate, vectors: Vectors) -> Self {
        match vectors.bytes() {
            64.. => Self::Of64(Batch::new(rate, vectors)),
            32.. => Self::Of32(Batch::new(rate, vectors)),
            _ => Self::Of16(Batch::new(rate, vectors)),
        }
    }
}

impl BatchDecoder {
    /// A decoder of `rate` that gives up after [`ITERATIONS_MAX`].
    pub fn new(rate: CodeRate) -> Self {
        Self::with_stopping(rate, Stopping::default())
    }

    /// A decoder of `rate` that stops as it is told.
    pub fn with_stopping(rate: CodeRate, stopping: Stopping) -> Self {
        Self::with_vectors(rate, stopping, Vectors::widest())
    }

    /// A decoder of `rate` that stops as it is told and uses the given instructions.
    pub fn with_vectors(rate: CodeRate, stopping: Stopping, vectors: Vectors) -> Self {
        let single = Decoder { word: Word::new(rate, vectors), stopping };
        Self { rate, batch: AnyBatch::new(rate, vectors), single }
    }

    /// Decodes one codeword for each of `decisions` from the log-likelihood ratios of their bits as
    /// sent, one word after the other (positive means 0, any common scale within a word). Missing
    /// values and values that are not numbers say nothing.
    pub fn decode(&mut self, llrs: &[f32], decisions: &mut [Decision]) {
        let (bits, single) = (self.rate.codeword_bits(), &mut self.single);
        match &mut self.batch {
            AnyBatch::Of16(batch) => decode_all(batch, single, llrs.chunks(bits), decisions),
            AnyBatch::Of32(batch) => decode_all(batch, single, llrs.chunks(bits), decisions),
            AnyBatch::Of64(batch) => decode_all(batch, single, llrs.chunks(bits), decisions),
        }
    }
}

/// Decodes batch after batch, and one by one what is too few for a batch or takes too long.
fn decode_all<const L: usize>(
    batch: &mut Batch<L>,
    single: &mut Decoder,
    mut words: Chunks<'_, f32>,
    decisions: &mut [Decision],
) {
    let stopping = single.stopping;
    let spare = if stopping.is_early() { spare(L) } else { 0 };
    for decisions in decisions.chunks_mut(L) {
        let words: [&[f32]; L] = std::array::from_fn(|n| match n < decisions.len() {
            true => words.next().unwrap_or_default(),
            false => &[],
        });
        let words = &words[..decisions.len()];
        if words.len() < few(L) {
            let words = words.iter().zip(decisions);
            words.for_each(|(word, decision)| single.decode_into(word, decision));
            continue;
        }
        batch.decode(words, stopping, spare, |n, outcome, bits| {
            if let Some(outcome) = outcome {
                decisions[n].outcome = outcome;
                decisions[n].bits.copy_from_slice(bits);
            } else {
                single.decode_into(words[n], &mut decisions[n]);
            }
        });
    }
}
