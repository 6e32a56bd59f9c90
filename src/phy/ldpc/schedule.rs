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

/// Calls a function whose constant parameter is the degree of a layer.
macro_rules! for_degree {
    ($degree:expr, $function:ident($($argument:expr),*)) => {
        match $degree {
            5 => $function::<5>($($argument),*),
            6 => $function::<6>($($argument),*),
            7 => $function::<7>($($argument),*),
            8 => $function::<8>($($argument),*),
            10 => $function::<10>($($argument),*),
            13 => $function::<13>($($argument),*),
            14 => $function::<14>($($argument),*),
            15 => $function::<15>($($argument),*),
            16 => $function::<16>($($argument),*),
            _ => unreachable!("no row of the tables has {} blocks", $degree),
        }
    };
}
pub(super) use for_degree;
