//! Numbers with a unit as program messages carry them: `1.1 V`, `1100MV`, `7.04 GHZ`.
//!
//! The unit in any case, before it a multiplier of IEEE 488.2-1992 table 7-2, where MA is mega and
//! M is milli, except before HZ, where M is mega.

use super::trim;
use crate::quantity::Dimension;

/// Multipliers, IEEE 488.2-1992 table 7-2.
const MULTIPLIERS: &[(&str, i32)] = &[
    ("EX", 18),
    ("PE", 15),
    ("T", 12),
    ("G", 9),
    ("MA", 6),
    ("K", 3),
    ("", 0),
    ("M", -3),
    ("U", -6),
    ("N", -9),
    ("P", -12),
    ("F", -15),
    ("A", -18),
];

/// The unit of a dimension in program messages and whether it takes multipliers; `None` where
/// messages carry none.
fn unit(dimension: Dimension) -> Option<(&'static str, bool)> {
    match dimension {
        Dimension::Frequency => Some(("HZ", true)),
        Dimension::Time => Some(("S", true)),
        Dimension::Voltage => Some(("V", true)),
        Dimension::Current => Some(("A", true)),
        Dimension::Power => Some(("W", true)),
        Dimension::Length => Some(("M", true)),
        Dimension::Decibel => Some(("DB", false)),
        Dimension::PowerLevel => Some(("DBM", false)),
        Dimension::Angle => Some(("DEG", false)),
        Dimension::Temperature => Some(("CEL", false)),
        _ => None,
    }
}

/// The number in the base unit of the dimension. `None` when there is no unit, or another one.
#[must_use]
pub fn parse_with_suffix(text: &[u8], dimension: Dimension) -> Option<f64> {
    let text = std::str::from_utf8(trim(text)).ok()?.to_ascii_uppercase();
    let (unit, multiplied) = unit(dimension)?;
    let rest = text.strip_suffix(unit)?;
    let letters = rest.len() - rest.trim_end_matches(|c: char| c.is_ascii_alphabetic()).len();
    let (number, prefix) = rest.split_at(rest.len() - letters);
    let exponent = match prefix {
        "M" if unit == "HZ" => 6,
        "" => 0,
        _ if !multiplied => return None,
        _ => MULTIPLIERS.iter().find(|(known, _)| *known == prefix)?.1,
    };
    scaled(number.trim_end_matches([' ', '\t']), exponent)
}

/// A plain decimal times a power of ten, applied to the text so that no digit is lost.
fn scaled(number: &str, exponent: i32) -> Option<f64> {
    let (mantissa, own) = match number.split_once('E') {
        Some((mantissa, own)) => (mantissa, own.parse::<i32>().ok()?),
        None => (number, 0),
    };
    let plain = |c: char| c.is_ascii_digit() || matches!(c, '.' | '+' | '-');
    if !mantissa.chars().all(plain) {
        return None;
    }
    let value: f64 = format!("{mantissa}e{}", own.checked_add(exponent)?).parse().ok()?;
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, dimension: Dimension, expected: Option<f64>) {
        assert_eq!(parse_with_suffix(text.as_bytes(), dimension), expected, "{text}");
    }

    /// Multipliers and the exception for HZ: IEEE 488.2-1992 table 7-2 and the note beside it.
    #[test]
    fn units_with_multipliers() {
        use Dimension as D;
        check("1.1 V", D::Voltage, Some(1.1));
        check("1100 mv", D::Voltage, Some(1.1));
        check("1100MV", D::Voltage, Some(1.1));
        check("-3E-2\tKV", D::Voltage, Some(-30.0));
        check("1E3V", D::Voltage, Some(1000.0));
        check("1EXV", D::Voltage, Some(1e18));
        check("2 MAV", D::Voltage, Some(2e6));
        check("7040 MHZ", D::Frequency, Some(7.04e9));
        check("7.04 GHz", D::Frequency, Some(7.04e9));
        check("350 MA", D::Current, Some(0.35));
        check("2 A", D::Current, Some(2.0));
        check("125 PS", D::Time, Some(125e-12));
        check("5 DEG", D::Angle, Some(5.0));
        check("-16 DB", D::Decibel, Some(-16.0));
    }

    #[test]
    fn everything_else_is_refused() {
        use Dimension as D;
        for text in [
            "1.1", "V", "1 A", "1 XV", "1 E V", "1,1 V", "1 V V", "1 V;", "#H1 V", "INF V",
            "1e999 V", "µ V",
        ] {
            check(text, D::Voltage, None);
        }
        check("5 KDEG", D::Angle, None);
        check("3 PCT", D::Ratio, None);
        check("1 DBM", D::Decibel, None);
    }
}
