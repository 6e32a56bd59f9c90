//! Checksums of binary frames: exclusive or, sum, cyclic redundancy checks of 8, 16 and 32 bits.
//!
//! Knows bytes and polynomials; nothing of frames.

/// What stands at the end of a frame, made from the bytes before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Checksum {
    /// One byte: all bytes combined by exclusive or.
    Xor,
    /// One byte: the sum of all bytes modulo 256.
    Sum8,
    /// A cyclic redundancy check.
    Crc(Crc),
}

/// The parameters of a cyclic redundancy check, as catalogues of such checks list them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crc {
    /// Bits of the result: 8, 16 or 32.
    pub bits: u32,
    /// The polynomial without its highest term, the term of order 0 in the lowest bit.
    pub polynomial: u32,
    /// What the register holds at first.
    pub initial: u32,
    /// Whether bytes enter lowest bit first and the result is mirrored.
    pub reflected: bool,
    /// What the result is combined with by exclusive or.
    pub final_xor: u32,
}

impl Checksum {
    /// Bytes of the checksum.
    #[must_use]
    pub fn bytes(&self) -> usize {
        match self {
            Checksum::Xor | Checksum::Sum8 => 1,
            Checksum::Crc(crc) => crc.bits as usize / 8,
        }
    }

    /// The checksum of some bytes.
    #[must_use]
    pub fn of(&self, bytes: &[u8]) -> u32 {
        match self {
            Checksum::Xor => u32::from(bytes.iter().fold(0, |all, byte| all ^ byte)),
            Checksum::Sum8 => {
                u32::from(bytes.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)))
            }
            Checksum::Crc(crc) => crc.of(bytes),
        }
    }
}

impl Crc {
    /// The check of some bytes: the remainder of their polynomial division, bit by bit. Register
    /// frames have some ten bytes, so that a table would cost more than it saves.
    #[must_use]
    pub fn of(&self, bytes: &[u8]) -> u32 {
        let mask = u32::MAX >> (32 - self.bits);
        let top = 1 << (self.bits - 1);
        let mut register = self.initial & mask;
        for byte in bytes {
            let byte = if self.reflected { byte.reverse_bits() } else { *byte };
            register ^= u32::from(byte) << (self.bits - 8);
            for _ in 0..8 {
                let out = register & top != 0;
                register = register << 1 & mask;
                if out {
                    register ^= self.polynomial & mask;
                }
            }
        }
        if self.reflected {
            register = register.reverse_bits() >> (32 - self.bits);
        }
        (register ^ self.final_xor) & mask
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check values of public catalogues of cyclic redundancy checks: the result for the nine
    /// characters 123456789. All from memory; the last is also that of IEEE Std 802.3, 3.2.9.
    #[test]
    fn catalogued_check_values() {
        for (bits, polynomial, initial, reflected, final_xor, check) in [
            (8, 0x07, 0, false, 0, 0xF4),
            (8, 0x31, 0, true, 0, 0xA1),
            (16, 0x1021, 0xFFFF, false, 0, 0x29B1),
            (16, 0x1021, 0, false, 0, 0x31C3),
            (16, 0x8005, 0, true, 0, 0xBB3D),
            (16, 0x1021, 0xFFFF, true, 0xFFFF, 0x906E),
            (32, 0x04C1_1DB7, 0xFFFF_FFFF, true, 0xFFFF_FFFF, 0xCBF4_3926),
        ] {
            let crc = Crc { bits, polynomial, initial, reflected, final_xor };
            assert_eq!(Checksum::Crc(crc).of(b"123456789"), check, "{crc:?}");
            assert_eq!(Checksum::Crc(crc).bytes(), bits as usize / 8);
        }
        // By hand: 0x31 to 0x39 sum up to 477 = 256 + 221; the exclusive or of 1 to 9 is 1, and an
        // odd number of 0x30 leaves 0x30.
        assert_eq!(Checksum::Sum8.of(b"123456789"), 221);
        assert_eq!(Checksum::Xor.of(b"123456789"), 0x31);
    }

    /// What the polynomial promises: every single and double bit error of a short frame is seen.
    #[test]
    fn one_and_two_wrong_bits_are_seen() {
        let crc =
            Crc { bits: 16, polynomial: 0x1021, initial: 0xFFFF, reflected: false, final_xor: 0 };
        let frame = [0xA5, 0x02, 0x01, 0x07, 0x87, 0x1F];
        let right = crc.of(&frame);
        for first in 0..48 {
            for second in first..48 {
                let mut damaged = frame;
                damaged[first / 8] ^= 1 << (first % 8);
                if second != first {
                    damaged[second / 8] ^= 1 << (second % 8);
                }
                assert_ne!(crc.of(&damaged), right, "{first} {second}");
            }
        }
    }
}
