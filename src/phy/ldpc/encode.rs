//! Systematic LDPC encoding by substitution along the block lower-triangular parity part.
//!
//! A block of 42 bits is one `u64`, so a cyclic shift is two shifts and an or.

use super::CodeRate;
use super::tables::{BLOCK_BITS, BLOCK_COLUMNS};

const BLOCK_MASK: u64 = (1 << BLOCK_BITS) - 1;

/// Appends the codeword of `information` (one bit per octet, 0 or 1, in time order) to `out`:
/// the information bits, then the parity bits that `rate` sends.
///
/// Information bits beyond [`CodeRate::information_bits`] are ignored, missing ones are taken as 0.
pub fn encode(rate: CodeRate, information: &[u8], out: &mut Vec<u8>) {
    let blocks = encode_blocks(rate, &pack(information, rate.information_bits()));
    let bit = |n: usize| (blocks[n / BLOCK_BITS] >> (n % BLOCK_BITS) & 1) as u8;
    out.extend(rate.sent_positions().map(bit));
}

/// The 16 blocks of a codeword from its information blocks; bit `r` of a block is its `r`th bit
/// in time. Parity blocks of the argument are overwritten.
fn encode_blocks(rate: CodeRate, information: &[u64; BLOCK_COLUMNS]) -> [u64; BLOCK_COLUMNS] {
    let shifts = rate.shifts();
    let information_blocks = BLOCK_COLUMNS - shifts.len();
    let mut blocks = *information;
    for (i, row) in shifts.iter().enumerate() {
        let diagonal = information_blocks + i;
        let sum = row[..diagonal]
            .iter()
            .zip(&blocks)
            .filter(|(shift, _)| **shift >= 0)
            .fold(0, |sum, (shift, block)| sum ^ shifted(*block, shift.unsigned_abs()));
        // The diagonal block is a permutation: parity bit (r + s) is bit r of the sum.
        blocks[diagonal] = shifted(sum, BLOCK_BITS as u8 - row[diagonal].unsigned_abs());
    }
    blocks
}

/// The block whose bit `r` is bit `(r + shift) mod 42` of `block`, for shifts from 0 to 42.
fn shifted(block: u64, shift: u8) -> u64 {
    (block >> shift | block << (BLOCK_BITS as u8 - shift)) & BLOCK_MASK
}

fn pack(bits: &[u8], count: usize) -> [u64; BLOCK_COLUMNS] {
    let mut blocks = [0; BLOCK_COLUMNS];
    for (n, bit) in bits.iter().take(count).enumerate() {
        blocks[n / BLOCK_BITS] |= u64::from(bit & 1) << (n % BLOCK_BITS);
    }
    blocks
}
