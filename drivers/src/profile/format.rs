//! How samples are written in blocks.
//!
//! Knows bytes and numbers; nothing of messages around them. Formats are those of SCPI-99
//! `FORMat:DATA` (INTeger, UINTeger and REAL with their lengths) and `FORMat:BORDer`, NORMal the
//! most significant byte first, SWAPped the least.

/// How numbers are written in a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BinaryFormat {
    /// One byte each, two's complement.
    Int8,
    /// One byte each, without sign.
    Uint8,
    /// Two bytes each, two's complement, the most significant first (`FORMat:BORDer NORMal`).
    Int16HighFirst,
    /// Two bytes each, two's complement, the least significant first (`FORMat:BORDer SWAPped`).
    Int16LowFirst,
    /// Two bytes each, without sign, the most significant first.
    Uint16HighFirst,
    /// Two bytes each, without sign, the least significant first.
    Uint16LowFirst,
    /// Four bytes each, IEEE 754 single precision, the most significant first.
    Float32HighFirst,
    /// Four bytes each, IEEE 754 single precision, the least significant first.
    Float32LowFirst,
}

use BinaryFormat as F;

impl BinaryFormat {
    /// Every format with its name in profiles.
    pub const ALL: &'static [(BinaryFormat, &'static str)] = &[
        (F::Int8, "int8"),
        (F::Uint8, "uint8"),
        (F::Int16HighFirst, "int16 high first"),
        (F::Int16LowFirst, "int16 low first"),
        (F::Uint16HighFirst, "uint16 high first"),
        (F::Uint16LowFirst, "uint16 low first"),
        (F::Float32HighFirst, "float32 high first"),
        (F::Float32LowFirst, "float32 low first"),
    ];
    /// The names alone, in the same order.
    pub const NAMES: &'static [&'static str] = &[
        "int8",
        "uint8",
        "int16 high first",
        "int16 low first",
        "uint16 high first",
        "uint16 low first",
        "float32 high first",
        "float32 low first",
    ];

    /// The format of a name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        F::ALL.iter().find(|(_, known)| *known == name).map(|(format, _)| *format)
    }

    /// Its name in profiles.
    #[must_use]
    pub fn name(self) -> &'static str {
        F::ALL.iter().find(|(format, _)| *format == self).map_or("", |(_, name)| name)
    }

    /// Bytes of one number.
    #[must_use]
    pub fn bytes_each(self) -> usize {
        match self {
            F::Int8 | F::Uint8 => 1,
            F::Int16HighFirst | F::Int16LowFirst | F::Uint16HighFirst | F::Uint16LowFirst => 2,
            F::Float32HighFirst | F::Float32LowFirst => 4,
        }
    }

    /// Whether the numbers are floats and not codes.
    #[must_use]
    pub fn is_float(self) -> bool {
        matches!(self, F::Float32HighFirst | F::Float32LowFirst)
    }

    /// The number on the wire that is code 0 here: codes have a sign, so that those of formats
    /// without sign are moved by half their range.
    #[must_use]
    pub fn number_of_code_0(self) -> i32 {
        match self {
            F::Uint8 => 128,
            F::Uint16HighFirst | F::Uint16LowFirst => 32_768,
            _ => 0,
        }
    }

    /// Appends the codes. With one byte each what does not fit is clipped; as floats the largest
    /// code, 32767, becomes `full_scale` and none becomes more.
    pub fn emit(self, codes: &[i16], full_scale: f64, into: &mut Vec<u8>) {
        into.reserve(codes.len() * self.bytes_each());
        let clipped = |code: &i16| (*code).clamp(i16::from(i8::MIN), i16::from(i8::MAX));
        let moved = |code: &i16| (*code as u16) ^ 0x8000;
        let float = |code: &i16| {
            (f64::from((*code).max(-i16::MAX)) / f64::from(i16::MAX) * full_scale) as f32
        };
        match self {
            F::Int8 => into.extend(codes.iter().map(|code| clipped(code).to_le_bytes()[0])),
            F::Uint8 => {
                into.extend(codes.iter().map(|code| (clipped(code) + 128).to_le_bytes()[0]));
            }
            F::Int16HighFirst => append(codes, into, |code| code.to_be_bytes()),
            F::Int16LowFirst => append(codes, into, |code| code.to_le_bytes()),
            F::Uint16HighFirst => append(codes, into, |code| moved(code).to_be_bytes()),
            F::Uint16LowFirst => append(codes, into, |code| moved(code).to_le_bytes()),
            F::Float32HighFirst => append(codes, into, |code| float(code).to_be_bytes()),
            F::Float32LowFirst => append(codes, into, |code| float(code).to_le_bytes()),
        }
    }

    /// The codes of a block; `None` when it does not hold whole ones, or holds floats.
    #[must_use]
    pub fn parse_codes(self, data: &[u8]) -> Option<Vec<i16>> {
        if !data.len().is_multiple_of(self.bytes_each()) {
            return None;
        }
        let pairs = data.as_chunks::<2>().0.iter();
        let moved = |number: u16| (number ^ 0x8000) as i16;
        Some(match self {
            F::Int8 => data.iter().map(|byte| i16::from(i8::from_le_bytes([*byte]))).collect(),
            F::Uint8 => data.iter().map(|byte| i16::from(*byte) - 128).collect(),
            F::Int16HighFirst => pairs.map(|pair| i16::from_be_bytes(*pair)).collect(),
            F::Int16LowFirst => pairs.map(|pair| i16::from_le_bytes(*pair)).collect(),
            F::Uint16HighFirst => pairs.map(|pair| moved(u16::from_be_bytes(*pair))).collect(),
            F::Uint16LowFirst => pairs.map(|pair| moved(u16::from_le_bytes(*pair))).collect(),
            F::Float32HighFirst | F::Float32LowFirst => return None,
        })
    }

    /// The floats of a block; `None` when it does not hold whole ones, or holds codes.
    #[must_use]
    pub fn parse_floats(self, data: &[u8]) -> Option<Vec<f32>> {
        let (fours, []) = data.as_chunks::<4>() else { return None };
        match self {
            F::Float32HighFirst => {
                Some(fours.iter().map(|four| f32::from_be_bytes(*four)).collect())
            }
            F::Float32LowFirst => {
                Some(fours.iter().map(|four| f32::from_le_bytes(*four)).collect())
            }
            _ => None,
        }
    }
}

fn append<const N: usize>(codes: &[i16], into: &mut Vec<u8>, bytes: impl Fn(&i16) -> [u8; N]) {
    codes.iter().for_each(|code| into.extend_from_slice(&bytes(code)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check(format: BinaryFormat, codes: &[i16], bytes: &[u8]) {
        let mut emitted = Vec::new();
        format.emit(codes, 1.0, &mut emitted);
        assert_eq!(emitted, bytes, "{}", format.name());
        if format.is_float() {
            assert_eq!(format.parse_codes(bytes), None);
        } else {
            assert_eq!(format.parse_codes(bytes).as_deref(), Some(codes), "{}", format.name());
            assert_eq!(format.parse_floats(bytes), None);
        }
    }

    /// Byte orders of SCPI-99 `FORMat:BORDer`: NORMal is the most significant byte first. Floats
    /// are those of IEEE 754-2008, table 3.5: 1.0 is 3F800000, -1.0 is BF800000.
    #[test]
    fn literal_bytes_of_every_format() {
        check(F::Int8, &[127, -128, 0], &[0x7F, 0x80, 0x00]);
        check(F::Uint8, &[127, -128, 0], &[0xFF, 0x00, 0x80]);
        check(F::Int16HighFirst, &[0x0102, -2], &[0x01, 0x02, 0xFF, 0xFE]);
        check(F::Int16LowFirst, &[0x0102, -2], &[0x02, 0x01, 0xFE, 0xFF]);
        check(F::Uint16HighFirst, &[0x0102, -32768, 0], &[0x81, 0x02, 0, 0, 0x80, 0]);
        check(F::Uint16LowFirst, &[0x0102, -32768, 0], &[0x02, 0x81, 0, 0, 0, 0x80]);
        let ends = [32767, -32767, -32768, 0];
        let high = [0x3F, 0x80, 0, 0, 0xBF, 0x80, 0, 0, 0xBF, 0x80, 0, 0, 0, 0, 0, 0];
        let low = [0, 0, 0x80, 0x3F, 0, 0, 0x80, 0xBF, 0, 0, 0x80, 0xBF, 0, 0, 0, 0];
        check(F::Float32HighFirst, &ends, &high);
        check(F::Float32LowFirst, &ends, &low);
        assert_eq!(F::Float32HighFirst.parse_floats(&high), Some(vec![1.0, -1.0, -1.0, 0.0]));
        assert_eq!(F::Float32LowFirst.parse_floats(&low), Some(vec![1.0, -1.0, -1.0, 0.0]));
    }

    #[test]
    fn what_does_not_fit_is_clipped_and_halves_are_refused() {
        for (format, bytes) in [(F::Int8, [0xFE, 0x7F]), (F::Uint8, [0x7E, 0xFF])] {
            let mut clipped = Vec::new();
            format.emit(&[-2, 300], 1.0, &mut clipped);
            assert_eq!(clipped, bytes);
        }
        for (format, name) in F::ALL {
            assert_eq!(F::parse(name), Some(*format));
            assert_eq!(format.name(), *name);
            let half = vec![0; 3 * format.bytes_each() - 1];
            if format.bytes_each() > 1 {
                assert_eq!((format.parse_codes(&half), format.parse_floats(&half)), (None, None));
            }
        }
        assert!(F::ALL.iter().map(|(_, name)| name).eq(F::NAMES));
    }

    proptest! {
        #[test]
        fn codes_read_back(codes in proptest::collection::vec(any::<i16>(), 0..50)) {
            for (format, _) in F::ALL.iter().filter(|(f, _)| f.bytes_each() == 2) {
                let mut bytes = Vec::new();
                format.emit(&codes, 1.0, &mut bytes);
                prop_assert_eq!(format.parse_codes(&bytes), Some(codes.clone()));
            }
        }
    }
}
