//! Suffixes of numbers, and numbers as instruments answer them.
//!
//! IEEE 488.2 tables 7-1 (units) and 7-2 (multipliers), SCPI-99 vol. 1 ch. 7. Knows no command.

use super::error::Fault;

/// The unit that a number without suffix has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Hz.
    Hertz,
    /// V.
    Volt,
    /// A.
    Ampere,
    /// s.
    Second,
    /// Angle in degrees.
    Degree,
    /// Degrees per second.
    DegreePerSecond,
    /// A plain number; no suffix is allowed.
    Plain,
}

const MULTIPLIERS: &[(&str, f64)] = &[
    ("EX", 1e18),
    ("PE", 1e15),
    ("T", 1e12),
    ("G", 1e9),
    ("MA", 1e6),
    ("K", 1e3),
    ("M", 1e-3),
    ("U", 1e-6),
    ("N", 1e-9),
    ("P", 1e-12),
    ("F", 1e-15),
    ("A", 1e-18),
];

impl Unit {
    /// Names of the unit with the factor to the default unit; the first one takes multipliers.
    fn names(self) -> &'static [(&'static str, f64)] {
        const RADIAN: f64 = 180.0 / std::f64::consts::PI;
        match self {
            Self::Hertz => &[("HZ", 1.0)],
            Self::Volt => &[("V", 1.0)],
            Self::Ampere => &[("A", 1.0)],
            Self::Second => &[("S", 1.0)],
            Self::Degree => &[
                ("DEG", 1.0),
                ("RAD", RADIAN),
                ("MRAD", 1e-3 * RADIAN),
                ("GON", 0.9),
                ("REV", 360.0),
                ("MNT", 1.0 / 60.0),
                ("SEC", 1.0 / 3600.0),
            ],
            Self::DegreePerSecond => &[("DEG/S", 1.0), ("RAD/S", RADIAN)],
            Self::Plain => &[],
        }
    }

    /// `value` with `suffix` in the default unit.
    pub fn convert(self, value: f64, suffix: Option<&str>) -> Result<f64, Fault> {
        let Some(suffix) = suffix else { return Ok(value) };
        if self == Self::Plain {
            return Err(Fault::new(-138, suffix));
        }
        if let Some((_, factor)) = self.names().iter().find(|(name, _)| *name == suffix) {
            return Ok(value * factor);
        }
        let prefix = self.names().first().and_then(|(name, _)| suffix.strip_suffix(name));
        // Before HZ, M means 1e6 as MA does (IEEE 488.2 table 7-2, note).
        let multiplier = match prefix {
            Some("M") if self == Self::Hertz => Some(1e6),
            Some(prefix) => MULTIPLIERS.iter().find(|(name, _)| *name == prefix).map(|(_, m)| *m),
            None => None,
        };
        multiplier.map(|m| value * m).ok_or_else(|| Fault::new(-131, suffix))
    }
}

/// A number in NR3 form (IEEE 488.2 ch. 8.7.4): twelve significant digits.
pub fn nr3(value: f64) -> String {
    if !value.is_finite() {
        // SCPI-99 vol. 1 ch. 7.2.1.4-5: infinity and not-a-number as numbers.
        let flag = if value.is_nan() { "9.91E+37" } else { "9.9E+37" };
        return if value == f64::NEG_INFINITY { format!("-{flag}") } else { flag.to_owned() };
    }
    let text = format!("{value:.11E}");
    let (mantissa, exponent) = text.split_once('E').unwrap_or((&text, "0"));
    let (sign, digits) = match exponent.strip_prefix('-') {
        Some(digits) => ('-', digits),
        None => ('+', exponent),
    };
    format!("{mantissa}E{sign}{digits:0>2}")
}

/// A number in NR1 form (IEEE 488.2 ch. 8.7.2): rounded to an integer.
pub fn nr1(value: f64) -> String {
    format!("{value:.0}")
}

/// `bytes` as a definite block (IEEE 488.2 ch. 8.7.9). At most 999,999,999 bytes fit.
pub fn block(bytes: &[u8]) -> Vec<u8> {
    let length = bytes.len().to_string();
    let mut out = format!("#{}{length}", length.len()).into_bytes();
    out.extend_from_slice(bytes);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(unit: Unit, suffix: &str, expected: f64) {
        let got = unit.convert(1.0, Some(suffix)).expect("a known suffix");
        assert!((got / expected - 1.0).abs() < 1e-15, "{suffix}: {got}");
    }

    #[test]
    fn multipliers_of_table_7_2() {
        check(Unit::Hertz, "MHZ", 1e6);
        check(Unit::Hertz, "MAHZ", 1e6);
        check(Unit::Hertz, "GHZ", 1e9);
        check(Unit::Hertz, "KHZ", 1e3);
        check(Unit::Volt, "MV", 1e-3);
        check(Unit::Volt, "MAV", 1e6);
        check(Unit::Ampere, "UA", 1e-6);
        check(Unit::Ampere, "AA", 1e-18);
        check(Unit::Second, "PS", 1e-12);
        check(Unit::Second, "EXS", 1e18);
        check(Unit::Degree, "RAD", 57.29577951308232);
        check(Unit::Degree, "MNT", 1.0 / 60.0);
        check(Unit::DegreePerSecond, "DEG/S", 1.0);
    }

    #[test]
    fn foreign_units_are_refused() {
        let code = |unit: Unit, suffix| unit.convert(1.0, Some(suffix)).map_err(|f| f.code);
        assert_eq!(code(Unit::Hertz, "V"), Err(-131));
        assert_eq!(code(Unit::Hertz, "M"), Err(-131));
        assert_eq!(code(Unit::Volt, "XV"), Err(-131));
        assert_eq!(code(Unit::Plain, "V"), Err(-138));
    }

    #[test]
    fn numbers_as_the_standard_writes_them() {
        // IEEE 488.2 ch. 8.7.4: digits, point, digits, E, mandatory sign, digits.
        assert_eq!(nr3(7.04e9), "7.04000000000E+09");
        assert_eq!(nr3(-125e-12), "-1.25000000000E-10");
        assert_eq!(nr3(0.0), "0.00000000000E+00");
        assert_eq!(nr3(f64::NAN), "9.91E+37");
        assert_eq!(nr3(f64::NEG_INFINITY), "-9.9E+37");
        assert_eq!(nr1(-12.4), "-12");
        assert_eq!(block(b"abc"), b"#13abc");
    }
}
