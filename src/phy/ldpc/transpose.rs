//! Between words in rows and words in lanes, eight words at a time.

use super::quantise::ROW;
use super::rule::Lanes;

/// Words that are moved together.
pub(super) const GROUP: usize = 8;
/// Positions that are moved together: eight times eight bytes.
const TILE: usize = 64;

/// Eight rows of eight groups of eight bytes.
type Tile = [[u64; 8]; 8];

/// Puts the rows into the lanes from `8 group` on.
#[inline(always)]
pub(super) fn to_lanes<const L: usize>(
    rows: &[[i8; ROW]; GROUP],
    lanes: &mut [Lanes<L>],
    group: usize,
) {
    let first = GROUP * group;
    for (n, lanes) in lanes.as_chunks_mut::<TILE>().0.iter_mut().enumerate() {
        let mut tile: Tile = [[0; 8]; 8];
        for (row, out) in rows.iter().zip(&mut tile) {
            let (bytes, _) = row[TILE * n..TILE * (n + 1)].as_chunks::<8>();
            for (out, bytes) in out.iter_mut().zip(bytes) {
                *out = u64::from_le_bytes(bytes.map(|byte| byte as u8));
            }
        }
        transpose(&mut tile);
        for (k, bytes) in tile.iter().enumerate() {
            for (g, bytes) in bytes.iter().enumerate() {
                let eight = bytes.to_le_bytes().map(|byte| byte as i8);
                lanes[8 * g + k].0[first..first + GROUP].copy_from_slice(&eight);
            }
        }
    }
}

/// Reads the hard decisions of the lanes from `8 group` on, 1 for a negative value.
#[inline(always)]
pub(super) fn from_lanes<const L: usize>(
    lanes: &[Lanes<L>],
    group: usize,
    rows: &mut [[u8; ROW]; GROUP],
) {
    const ONES: u64 = 0x0101_0101_0101_0101;
    let first = GROUP * group;
    for (n, lanes) in lanes.as_chunks::<TILE>().0.iter().enumerate() {
        let mut tile: Tile = [[0; 8]; 8];
        for (k, out) in tile.iter_mut().enumerate() {
            for (g, out) in out.iter_mut().enumerate() {
                let mut eight = [0; 8];
                eight.copy_from_slice(&lanes[8 * g + k].0[first..first + GROUP]);
                *out = u64::from_le_bytes(eight.map(|byte| byte as u8)) >> 7 & ONES;
            }
        }
        transpose(&mut tile);
        for (row, bytes) in rows.iter_mut().zip(&tile) {
            let (out, _) = row[TILE * n..TILE * (n + 1)].as_chunks_mut::<8>();
            for (out, bytes) in out.iter_mut().zip(bytes) {
                *out = bytes.to_le_bytes();
            }
        }
    }
}

/// Swaps byte `k` of row `w` with byte `w` of row `k`, in each of the eight groups.
#[inline(always)]
fn transpose(tile: &mut Tile) {
    swap::<4>(tile, 0x0000_0000_FFFF_FFFF);
    swap::<2>(tile, 0x0000_FFFF_0000_FFFF);
    swap::<1>(tile, 0x00FF_00FF_00FF_00FF);
}

/// Swaps the upper halves of the lower rows with the lower halves of the upper rows, in blocks of
/// `2 DISTANCE` bytes and rows.
#[inline(always)]
fn swap<const DISTANCE: usize>(tile: &mut Tile, low: u64) {
    let bits = 8 * DISTANCE as u32;
    for w in 0..8 {
        if w & DISTANCE == 0 {
            let (upper, lower) = (tile[w], tile[w + DISTANCE]);
            for (g, (a, b)) in upper.into_iter().zip(lower).enumerate() {
                tile[w][g] = a & low | b << bits & !low;
                tile[w + DISTANCE][g] = a >> bits & low | b & !low;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::testing::Noise;

    fn check_there_and_back<const L: usize>() {
        let mut noise = Noise::new(64);
        let mut lanes = vec![Lanes::<L>::ZERO; ROW];
        let rows: Vec<[[i8; ROW]; GROUP]> = (0..L / GROUP)
            .map(|_| std::array::from_fn(|_| std::array::from_fn(|_| noise.next_u64() as i8)))
            .collect();
        for (group, rows) in rows.iter().enumerate() {
            to_lanes(rows, &mut lanes, group);
        }
        for (group, rows) in rows.iter().enumerate() {
            let mut signs = [[9; ROW]; GROUP];
            from_lanes(&lanes, group, &mut signs);
            for (w, (row, signs)) in rows.iter().zip(&signs).enumerate() {
                assert!((0..ROW).all(|n| lanes[n].0[GROUP * group + w] == row[n]));
                assert!(row.iter().zip(signs).all(|(value, sign)| *sign == u8::from(*value < 0)));
            }
        }
    }

    #[test]
    fn every_value_goes_to_its_lane_and_its_sign_comes_back() {
        check_there_and_back::<16>();
        check_there_and_back::<32>();
        check_there_and_back::<64>();
    }
}
