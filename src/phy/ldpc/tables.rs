//! Base matrices of the LDPC codes of the DMG PHY, as cyclic shifts of 42 x 42 identity matrices.
//!
//! IEEE 802.11ad-2012 clause 21.3.8, Table 21-6 and those that follow it. A shift `s` stands for
//! the identity with its columns shifted to the right: row `r` has its one in column
//! `(r + s) mod 42`; -1 stands for a zero block.

/// Bits of a block: the size of the cyclic shifts.
pub const BLOCK_BITS: usize = 42;
/// Blocks of a codeword.
pub const BLOCK_COLUMNS: usize = 16;

/// Shifts of one row of blocks.
pub(crate) type BlockRow = [i8; BLOCK_COLUMNS];

/// Rate 1/2.
#[rustfmt::skip]
pub(crate) static HALF: [BlockRow; 8] = [
    [40, -1, 38, -1, 13, -1,  5, -1, 18, -1, -1, -1, -1, -1, -1, -1],
    [34, -1, 35, -1, 27, -1, -1, 30,  2,  1, -1, -1, -1, -1, -1, -1],
    [-1, 36, -1, 31, -1,  7, -1, 34, -1, 10, 41, -1, -1, -1, -1, -1],
    [-1, 27, -1, 18, -1, 12, 20, -1, -1, -1, 15,  6, -1, -1, -1, -1],
    [35, -1, 41, -1, 40, -1, 39, -1, 28, -1, -1,  3, 28, -1, -1, -1],
    [29, -1,  0, -1, -1, 22, -1,  4, -1, 28, -1, 27, -1, 23, -1, -1],
    [-1, 31, -1, 23, -1, 21, -1, 20, -1, -1, 12, -1, -1,  0, 13, -1],
    [-1, 22, -1, 34, 31, -1, 14, -1,  4, -1, -1, -1, 13, -1, 22, 24],
];

/// Rate 5/8.
#[rustfmt::skip]
pub(crate) static FIVE_EIGHTHS: [BlockRow; 6] = [
    [20, 36, 34, 31, 20,  7, 41, 34, -1, 10, 41, -1, -1, -1, -1, -1],
    [30, 27, -1, 18, -1, 12, 20, 14,  2, 25, 15,  6, -1, -1, -1, -1],
    [35, -1, 41, -1, 40, -1, 39, -1, 28, -1, -1,  3, 28, -1, -1, -1],
    [29, -1,  0, -1, -1, 22, -1,  4, -1, 28, -1, 27, 24, 23, -1, -1],
    [-1, 31, -1, 23, -1, 21, -1, 20, -1,  9, 12, -1, -1,  0, 13, -1],
    [-1, 22, -1, 34, 31, -1, 14, -1,  4, -1, -1, -1, -1, -1, 22, 24],
];

/// Rate 3/4.
#[rustfmt::skip]
pub(crate) static THREE_QUARTERS: [BlockRow; 4] = [
    [35, 19, 41, 22, 40, 41, 39,  6, 28, 18, 17,  3, 28, -1, -1, -1],
    [29, 30,  0,  8, 33, 22, 17,  4, 27, 28, 20, 27, 24, 23, -1, -1],
    [37, 31, 18, 23, 11, 21,  6, 20, 32,  9, 12, 29, -1,  0, 13, -1],
    [25, 22,  4, 34, 31,  3, 14, 15,  4, -1, 14, 18, 13, 13, 22, 24],
];

/// Rate 13/16.
#[rustfmt::skip]
pub(crate) static THIRTEEN_SIXTEENTHS: [BlockRow; 3] = [
    [29, 30,  0,  8, 33, 22, 17,  4, 27, 28, 20, 27, 24, 23, -1, -1],
    [37, 31, 18, 23, 11, 21,  6, 20, 32,  9, 12, 29, 10,  0, 13, -1],
    [25, 22,  4, 34, 31,  3, 14, 15,  4,  2, 14, 18, 13, 13, 22, 24],
];
