//! The order in which the parity checks are worked through.

use super::tables::BlockRow;
use super::{BLOCK_BITS, CodeRate};

/// One row of blocks: 42 checks of the same number of bits.
#[derive(Clone, Debug)]
pub(super) struct Layer {
    /// Bits of each check.
    pub(super) degree: usize,
    /// Block columns and shifts of the blocks that are not zero.
    pub(super) blocks: Vec<(usize, usize)>,
    /// Positions in the encoded word of the bits of all 42 checks, one check after the other.
    pub(super) positions: Vec<u16>,
}

/// Most blocks of any code that are not zero.
pub(super) const BLOCKS_MAX: usize = 56;
/// Most bits of all checks of any code together.
pub(super) const EDGES_MAX: usize = BLOCKS_MAX * BLOCK_BITS;

/// The layers of `rate` in their order.
pub(super) fn layers(rate: CodeRate) -> Vec<Layer> {
    rate.shifts().iter().map(Layer::new).collect()
}

impl Layer {
    fn new(shifts: &BlockRow) -> Self {
        let blocks: Vec<_> = shifts
            .iter()
            .enumerate()
            .filter_map(|(column, shift)| Some((column, usize::try_from(*shift).ok()?)))
            .collect();
        let of_check = |r: usize| {
            let blocks = blocks.iter();
            blocks.map(move |(j, shift)| (BLOCK_BITS * j + (r + shift) % BLOCK_BITS) as u16)
        };
        let positions = (0..BLOCK_BITS).flat_map(of_check).collect();
        Self { degree: blocks.len(), blocks, positions }
    }
}

/// Evaluates an expression with a constant that is the degree of a layer.
macro_rules! for_degree {
    ($degree:expr, $constant:ident => $work:expr) => {
        for_degree!(@ $degree, $constant => $work, 5 6 7 8 10 13 14 15 16)
    };
    (@ $degree:expr, $constant:ident => $work:expr, $($number:literal)*) => {
        match $degree {
            $($number => {
                const $constant: usize = $number;
                $work
            })*
            degree => unreachable!("no row of the tables has {degree} blocks"),
        }
    };
}
pub(super) use for_degree;
