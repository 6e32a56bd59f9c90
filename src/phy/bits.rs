//! Octets to bits and back, in the order of the DMG PHY: the least significant bit of an octet
//! comes first (IEEE 802.11ad-2012, clause 21.6.3.2; proven by its worked example).
//!
//! A bit is one octet of value 0 or 1 throughout `phy`.

/// Bits of the octets, least significant first.
pub fn octets_to_bits(octets: &[u8]) -> Vec<u8> {
    octets.iter().flat_map(|octet| spread(*octet)).collect()
}

/// Octets of the bits, least significant first. Bits beyond the last full octet are left out.
pub fn bits_to_octets(bits: &[u8]) -> Vec<u8> {
    bits.as_chunks().0.iter().map(gather).collect()
}

/// The bits of one octet, all eight at once: every octet of the product holds one of them.
pub(crate) fn spread(octet: u8) -> [u8; 8] {
    let places = u64::from(octet).wrapping_mul(0x0101_0101_0101_0101) & 0x8040_2010_0804_0201;
    // A bit at any place of its octet carries into the highest place.
    (((places + 0x7F7F_7F7F_7F7F_7F7F) >> 7) & 0x0101_0101_0101_0101).to_le_bytes()
}

/// The octet of eight bits: the product moves bit `n` from octet `n` to place `n` of the highest one.
fn gather(bits: &[u8; 8]) -> u8 {
    let places = u64::from_le_bytes(*bits) & 0x0101_0101_0101_0101;
    (places.wrapping_mul(0x0102_0408_1020_4080) >> 56) as u8
}

/// The number whose bits are given, first bit least significant; at most 64 bits are read.
pub(crate) fn number_from_bits(bits: &[u8]) -> u64 {
    bits.iter().take(64).rev().fold(0, |number, bit| number << 1 | u64::from(bit & 1))
}

/// The lowest `bits.len()` bits of a number, least significant first.
pub(crate) fn number_to_bits(number: u64, bits: &mut [u8]) {
    for (position, bit) in bits.iter_mut().enumerate().take(64) {
        *bit = (number >> position & 1) as u8;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn least_significant_bit_comes_first() {
        assert_eq!(octets_to_bits(&[0x01, 0x82]), [1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1]);
        assert_eq!(
            bits_to_octets(&[1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 1]),
            [0x01, 0x82]
        );
    }

    #[test]
    fn every_octet_comes_back() {
        let octets: Vec<u8> = (0..=255).collect();
        assert_eq!(bits_to_octets(&octets_to_bits(&octets)), octets);
    }

    #[test]
    fn numbers_come_back() {
        let mut bits = [0; 18];
        number_to_bits(0x2_1234, &mut bits);
        assert_eq!(bits[..6], [0, 0, 1, 0, 1, 1]);
        assert_eq!(number_from_bits(&bits), 0x2_1234);
    }
}
