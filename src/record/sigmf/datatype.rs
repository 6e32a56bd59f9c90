//! SigMF's sample types: the strings of `core:datatype` and the components they stand for.
//!
//! Source: SigMF specification 1.2, "SigMF Dataset Format". Knows nothing of files.

use std::fmt;
use std::str::FromStr;

/// Number format of one component.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleType {
    /// IEEE 754 binary32.
    F32,
    /// IEEE 754 binary64.
    F64,
    /// Signed 32 bits.
    I32,
    /// Signed 16 bits.
    I16,
    /// Signed 8 bits.
    I8,
    /// Unsigned 32 bits.
    U32,
    /// Unsigned 16 bits.
    U16,
    /// Unsigned 8 bits.
    U8,
}

/// Byte order of one component.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Endian {
    /// Least significant byte first.
    Little,
    /// Most significant byte first.
    Big,
}

/// A value of `core:datatype`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DataType {
    /// Whether a sample is a pair I, Q or one real number.
    pub complex: bool,
    /// Number format of each component.
    pub sample: SampleType,
    /// Byte order; `Little` for one-byte components, which have none.
    pub endian: Endian,
}

impl DataType {
    /// What the scope's codes are kept as: complex, 16-bit signed, least significant byte first.
    pub const CI16_LE: Self =
        Self { complex: true, sample: SampleType::I16, endian: Endian::Little };
    /// What the volts of a scope are kept as: complex, 32-bit floats, least significant byte first.
    pub const CF32_LE: Self =
        Self { complex: true, sample: SampleType::F32, endian: Endian::Little };

    /// Bytes of one component.
    pub fn component_bytes(self) -> usize {
        match self.sample {
            SampleType::F64 => 8,
            SampleType::F32 | SampleType::I32 | SampleType::U32 => 4,
            SampleType::I16 | SampleType::U16 => 2,
            SampleType::I8 | SampleType::U8 => 1,
        }
    }

    /// Bits of an integer component; none for floating point.
    pub fn integer_bits(self) -> Option<u32> {
        match self.sample {
            SampleType::F32 | SampleType::F64 => None,
            SampleType::I32 | SampleType::U32 => Some(32),
            SampleType::I16 | SampleType::U16 => Some(16),
            SampleType::I8 | SampleType::U8 => Some(8),
        }
    }

    /// One component's number. Unsigned integers are moved so that mid-scale is zero.
    ///
    /// `bytes` has [`Self::component_bytes`] bytes; any other length reads as zero.
    pub fn component(self, bytes: &[u8]) -> f64 {
        match self.sample {
            SampleType::F32 => f64::from(f32::from_bits(self.word(bytes) as u32)),
            SampleType::F64 => f64::from_bits(self.word(bytes)),
            SampleType::I32 => f64::from(self.word(bytes) as u32 as i32),
            SampleType::I16 => f64::from(self.word(bytes) as u16 as i16),
            SampleType::I8 => f64::from(self.word(bytes) as u8 as i8),
            SampleType::U32 => self.word(bytes) as f64 - 2_147_483_648.0,
            SampleType::U16 => self.word(bytes) as f64 - 32_768.0,
            SampleType::U8 => self.word(bytes) as f64 - 128.0,
        }
    }

    fn word(self, bytes: &[u8]) -> u64 {
        let join = |word: u64, byte: &u8| (word << 8) | u64::from(*byte);
        match self.endian {
            Endian::Little => bytes.iter().rev().fold(0, join),
            Endian::Big => bytes.iter().fold(0, join),
        }
    }
}

impl fmt::Display for DataType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = match self.sample {
            SampleType::F32 => "f32",
            SampleType::F64 => "f64",
            SampleType::I32 => "i32",
            SampleType::I16 => "i16",
            SampleType::I8 => "i8",
            SampleType::U32 => "u32",
            SampleType::U16 => "u16",
            SampleType::U8 => "u8",
        };
        write!(f, "{}{name}", if self.complex { 'c' } else { 'r' })?;
        match (self.component_bytes(), self.endian) {
            (1, _) => Ok(()),
            (_, Endian::Little) => f.write_str("_le"),
            (_, Endian::Big) => f.write_str("_be"),
        }
    }
}

impl FromStr for DataType {
    type Err = ();

    /// Reads exactly the strings of the specification; anything more or less is refused.
    fn from_str(text: &str) -> Result<Self, ()> {
        let (complex, rest) = match text.as_bytes().first() {
            Some(b'c') => (true, &text[1..]),
            Some(b'r') => (false, &text[1..]),
            _ => return Err(()),
        };
        let (name, endian) = match rest.split_once('_') {
            Some((name, "le")) => (name, Some(Endian::Little)),
            Some((name, "be")) => (name, Some(Endian::Big)),
            Some(_) => return Err(()),
            None => (rest, None),
        };
        let sample = match name {
            "f32" => SampleType::F32,
            "f64" => SampleType::F64,
            "i32" => SampleType::I32,
            "i16" => SampleType::I16,
            "i8" => SampleType::I8,
            "u32" => SampleType::U32,
            "u16" => SampleType::U16,
            "u8" => SampleType::U8,
            _ => return Err(()),
        };
        let one_byte = matches!(sample, SampleType::I8 | SampleType::U8);
        if one_byte != endian.is_none() {
            return Err(());
        }
        Ok(Self { complex, sample, endian: endian.unwrap_or(Endian::Little) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_those_of_the_specification() {
        for name in [
            "cf32_le", "cf64_be", "ci32_le", "ci16_le", "ci16_be", "ci8", "cu32_le", "cu16_be",
            "cu8", "rf32_le", "ri16_le", "ri8", "ru8",
        ] {
            let parsed = DataType::from_str(name).map(|t| t.to_string());
            assert_eq!(parsed.as_deref(), Ok(name));
        }
        for name in ["", "c", "ci16", "ri16_lexyz", "ri24_le", "ci8_le", "CI16_le", "é16_le"] {
            assert!(DataType::from_str(name).is_err(), "{name} is not a SigMF data type");
        }
    }

    #[test]
    fn components_read_as_their_bytes_say() {
        let check = |name: &str, bytes: &[u8], number: f64| {
            let data_type = DataType::from_str(name).expect("a SigMF data type");
            assert_eq!(data_type.component(bytes), number, "{name} {bytes:?}");
        };
        check("ci16_le", &[0xfe, 0xff], -2.0);
        check("ci16_be", &[0xff, 0xfe], -2.0);
        check("ci8", &[0x80], -128.0);
        check("cu8", &[0x80], 0.0);
        check("cu16_le", &[0, 0], -32768.0);
        check("ri32_be", &[0x80, 0, 0, 0], -2_147_483_648.0);
        check("ru32_le", &[0, 0, 0, 0x80], 0.0);
        check("cf32_le", &[0, 0, 0x80, 0xbf], -1.0);
        check("cf64_be", &[0x3f, 0xf8, 0, 0, 0, 0, 0, 0], 1.5);
    }
}
