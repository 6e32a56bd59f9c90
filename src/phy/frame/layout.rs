//! Where the fields of a frame are, in chips from its start.

use std::ops::Range;

use super::super::constellation::Constellation;
use super::super::mcs::{BLOCK_CHIPS, DATA_SYMBOLS_PER_BLOCK};

/// Chips of the short training field: 17 sequences of 128.
pub const STF_CHIPS: usize = 17 * 128;
/// Chips of the preamble: short training and channel estimation field.
pub const PREAMBLE_CHIPS: usize = STF_CHIPS + 9 * 128;
/// Chips of a guard interval.
pub const GUARD_CHIPS: usize = BLOCK_CHIPS - DATA_SYMBOLS_PER_BLOCK;
/// Header blocks of a frame that has a header.
const HEADER_BLOCKS: usize = 2;

/// The fields of a frame; all ranges are in chips from the first chip of the STF.
///
/// Any number of blocks may be set: lengths and positions that would be beyond `usize` stay at its
/// largest value, which no recording reaches, so that nothing overflows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameLayout {
    /// Whether two header blocks follow the preamble.
    pub header: bool,
    /// Whether a guard precedes every block and follows the last one. Without guards the blocks'
    /// data symbols follow each other without a gap.
    pub guards: bool,
    /// Data blocks: 512 chips with guards, 448 without.
    pub data_blocks: usize,
    /// Constellation of the data symbols.
    pub constellation: Constellation,
}

impl FrameLayout {
    /// The short training field.
    pub const fn stf_range(&self) -> Range<usize> {
        0..STF_CHIPS
    }

    /// The channel estimation field.
    pub const fn cef_range(&self) -> Range<usize> {
        STF_CHIPS..PREAMBLE_CHIPS
    }

    /// The header blocks, each with its leading guard; none in a frame without header.
    pub fn header_blocks_ranges(&self) -> impl ExactSizeIterator<Item = Range<usize>> + use<> {
        let count = if self.header { HEADER_BLOCKS } else { 0 };
        (0..count).map(|n| block(PREAMBLE_CHIPS, n, BLOCK_CHIPS))
    }

    /// Data block `n` with its leading guard if it has one, `None` beyond the last block.
    pub fn data_block_range(&self, n: usize) -> Option<Range<usize>> {
        (n < self.data_blocks).then(|| block(self.data_start(), n, self.block_chips()))
    }

    /// All data blocks, each with its leading guard if it has one.
    pub fn data_block_ranges(&self) -> impl ExactSizeIterator<Item = Range<usize>> + use<> {
        let (start, chips) = (self.data_start(), self.block_chips());
        (0..self.data_blocks).map(move |n| block(start, n, chips))
    }

    /// The guard interval after the last data block; empty in a frame without guards.
    pub const fn closing_guard_range(&self) -> Range<usize> {
        let start = block(self.data_start(), self.data_blocks, self.block_chips()).start;
        start..start.saturating_add(if self.guards { GUARD_CHIPS } else { 0 })
    }

    /// Chips of a data block, with its guard if it has one.
    pub const fn block_chips(&self) -> usize {
        if self.guards { BLOCK_CHIPS } else { DATA_SYMBOLS_PER_BLOCK }
    }

    /// First chip of the first data block, guard included.
    pub const fn data_start(&self) -> usize {
        PREAMBLE_CHIPS + if self.header { HEADER_BLOCKS * BLOCK_CHIPS } else { 0 }
    }

    /// Data symbols of the frame.
    pub const fn data_symbols(&self) -> usize {
        self.data_blocks.saturating_mul(DATA_SYMBOLS_PER_BLOCK)
    }

    /// Bits on the data symbols.
    pub const fn coded_bits(&self) -> usize {
        self.data_symbols().saturating_mul(self.constellation.bits_per_symbol())
    }

    /// Chips of the frame.
    pub const fn total_chips(&self) -> usize {
        self.closing_guard_range().end
    }
}

/// Block `n` of those of `chips` chips that begin at `start`.
const fn block(start: usize, n: usize, chips: usize) -> Range<usize> {
    let first = start.saturating_add(n.saturating_mul(chips));
    first..first.saturating_add(chips)
}
