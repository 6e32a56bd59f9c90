//! Quantities with units, as people write them in files: `7.04 GHz`, `-16 dB`, `5 deg`.
//!
//! Knows units and their multiples only; what a value is for is the business of whoever asks.
//! Prefixes are applied to the decimal text before it becomes a binary number, so that `7.04 GHz`
//! is exactly the same number as `7040000000`.

use std::fmt;

/// What kind of thing a number counts; two quantities compare only within one dimension.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// Base unit hertz.
    Frequency,
    /// Base unit second.
    Time,
    /// Base unit volt.
    Voltage,
    /// Base unit ampere.
    Current,
    /// Base unit watt.
    Power,
    /// A ratio in decibels.
    Decibel,
    /// Power relative to one milliwatt, in dBm.
    PowerLevel,
    /// Base unit degree of arc.
    Angle,
    /// Base unit degree per second.
    AngularSpeed,
    /// Base unit degree Celsius.
    Temperature,
    /// A bare number; `%` and `ppm` are accepted.
    Ratio,
    /// A bare count; the multiples `k`, `M`, `G` are accepted.
    Count,
    /// Length in wavelengths.
    Wavelengths,
    /// Base unit metre.
    Length,
    /// Base unit byte.
    Bytes,
}

/// One accepted spelling: unit, dimension, power of ten to the base unit.
struct UnitRow(&'static str, Dimension, i32);

/// Every accepted unit. Where several rows share a dimension, the first with exponent 0 is its base.
const UNITS: &[UnitRow] = {
    use Dimension as D;
    &[
        UnitRow("Hz", D::Frequency, 0),
        UnitRow("kHz", D::Frequency, 3),
        UnitRow("MHz", D::Frequency, 6),
        UnitRow("GHz", D::Frequency, 9),
        UnitRow("s", D::Time, 0),
        UnitRow("ms", D::Time, -3),
        UnitRow("us", D::Time, -6),
        UnitRow("ns", D::Time, -9),
        UnitRow("ps", D::Time, -12),
        UnitRow("V", D::Voltage, 0),
        UnitRow("mV", D::Voltage, -3),
        UnitRow("uV", D::Voltage, -6),
        UnitRow("A", D::Current, 0),
        UnitRow("mA", D::Current, -3),
        UnitRow("uA", D::Current, -6),
        UnitRow("W", D::Power, 0),
        UnitRow("mW", D::Power, -3),
        UnitRow("dB", D::Decibel, 0),
        UnitRow("dBm", D::PowerLevel, 0),
        UnitRow("deg", D::Angle, 0),
        UnitRow("deg/s", D::AngularSpeed, 0),
        UnitRow("degC", D::Temperature, 0),
        UnitRow("", D::Ratio, 0),
        UnitRow("%", D::Ratio, -2),
        UnitRow("ppm", D::Ratio, -6),
        UnitRow("", D::Count, 0),
        UnitRow("k", D::Count, 3),
        UnitRow("M", D::Count, 6),
        UnitRow("G", D::Count, 9),
        UnitRow("wavelengths", D::Wavelengths, 0),
        UnitRow("m", D::Length, 0),
        UnitRow("cm", D::Length, -2),
        UnitRow("mm", D::Length, -3),
        UnitRow("B", D::Bytes, 0),
        UnitRow("kB", D::Bytes, 3),
        UnitRow("MB", D::Bytes, 6),
        UnitRow("GB", D::Bytes, 9),
    ]
};

/// Units that are not powers of ten of their base: minutes and hours, for waits and deadlines.
const LONG_TIMES: &[(&str, f64)] = &[("min", 60.0), ("h", 3600.0)];

impl Dimension {
    /// Every dimension, in the order in which documents list them.
    pub const ALL: &'static [Dimension] = &[
        Dimension::Frequency,
        Dimension::Time,
        Dimension::Voltage,
        Dimension::Current,
        Dimension::Power,
        Dimension::Decibel,
        Dimension::PowerLevel,
        Dimension::Angle,
        Dimension::AngularSpeed,
        Dimension::Temperature,
        Dimension::Ratio,
        Dimension::Count,
        Dimension::Wavelengths,
        Dimension::Length,
        Dimension::Bytes,
    ];

    /// The base unit as written in files; empty for bare numbers.
    #[must_use]
    pub fn base_unit(self) -> &'static str {
        UNITS.iter().find(|row| row.1 == self && row.2 == 0).map_or("", |row| row.0)
    }

    /// All units accepted for this dimension, base unit first.
    #[must_use]
    pub fn units(self) -> Vec<&'static str> {
        let mut units: Vec<_> = UNITS.iter().filter(|row| row.1 == self).map(|row| row.0).collect();
        if self == Dimension::Time {
            units.extend(LONG_TIMES.iter().map(|(unit, _)| *unit));
        }
        units
    }

    /// The dimension that a unit belongs to; the empty unit is a bare number, `Ratio`.
    #[must_use]
    pub fn of_unit(unit: &str) -> Option<Self> {
        if LONG_TIMES.iter().any(|(name, _)| *name == unit) {
            return Some(Dimension::Time);
        }
        UNITS.iter().find(|row| row.0 == unit).map(|row| row.1)
    }

    /// An example alone: "7.04 GHz".
    #[must_use]
    pub fn example_value(self) -> &'static str {
        match self {
            Dimension::Ratio => "0.25",
            Dimension::Count => "12",
            _ => self.example().rsplit_once(" such as ").map_or("1", |(_, value)| value),
        }
    }

    /// Name with article and example, for messages: "a frequency such as 7.04 GHz".
    #[must_use]
    pub fn example(self) -> &'static str {
        match self {
            Dimension::Frequency => "a frequency such as 7.04 GHz",
            Dimension::Time => "a time such as 250 ms",
            Dimension::Voltage => "a voltage such as 1.2 V",
            Dimension::Current => "a current such as 350 mA",
            Dimension::Power => "a power such as 2 mW",
            Dimension::Decibel => "a ratio in decibels such as -16 dB",
            Dimension::PowerLevel => "a power level such as -20 dBm",
            Dimension::Angle => "an angle such as 5 deg",
            Dimension::AngularSpeed => "a speed such as 20 deg/s",
            Dimension::Temperature => "a temperature such as 45 degC",
            Dimension::Ratio => "a bare number, or one in % or ppm",
            Dimension::Count => "a count such as 12 or 200 k",
            Dimension::Wavelengths => "a length such as 0.5 wavelengths",
            Dimension::Length => "a length such as 1.5 m",
            Dimension::Bytes => "a size such as 20 GB",
        }
    }
}

/// A number in the base unit of its dimension.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// The number, in [`Dimension::base_unit`].
    pub value: f64,
    /// What it counts.
    pub dimension: Dimension,
}

/// Why a text is no quantity of the wanted dimension. The text is a fragment for messages.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// No number at the start.
    #[error("'{0}' does not begin with a number")]
    NoNumber(String),
    /// A comma where the point of a decimal number belongs.
    #[error("'{text}' has a comma; write a decimal point: {meant}")]
    Comma {
        /// The text as written.
        text: String,
        /// The same with a point.
        meant: String,
    },
    /// The number is infinite or too large to hold.
    #[error("'{0}' is too large a number")]
    TooLarge(String),
    /// A unit is missing where the dimension has one.
    #[error("'{text}' has no unit; wanted {wanted}")]
    UnitMissing {
        /// The text as written.
        text: String,
        /// What was wanted, with an example.
        wanted: &'static str,
    },
    /// The unit belongs to something else.
    #[error("'{unit}' is a unit of another kind; wanted {wanted}")]
    WrongUnit {
        /// The unit as written.
        unit: String,
        /// What was wanted, with an example.
        wanted: &'static str,
    },
    /// Nobody knows this unit.
    #[error("'{unit}' is not a known unit; wanted {wanted}")]
    UnknownUnit {
        /// The unit as written.
        unit: String,
        /// What was wanted, with an example.
        wanted: &'static str,
    },
}

impl QuantityError {
    /// The unit that was probably meant: `degC` for `C`, `mV` for `mv`.
    #[must_use]
    pub fn advice(&self, wanted: Dimension) -> Option<String> {
        let (QuantityError::UnknownUnit { unit, .. } | QuantityError::WrongUnit { unit, .. }) =
            self
        else {
            return None;
        };
        let meant = meant_unit(unit, wanted.units())?;
        Some(format!("did you mean '{meant}'?"))
    }
}

/// The unit among some that a text stands for when letter case and the sign of a degree are passed over.
#[must_use]
pub fn meant_unit(
    text: &str,
    units: impl IntoIterator<Item = &'static str>,
) -> Option<&'static str> {
    let bare = text.strip_prefix('\u{b0}').unwrap_or(text);
    units.into_iter().filter(|unit| !unit.is_empty()).find(|unit| {
        let after_degree = unit.strip_prefix("deg").filter(|rest| !rest.is_empty());
        unit.eq_ignore_ascii_case(text)
            || after_degree.is_some_and(|rest| rest.eq_ignore_ascii_case(bare))
    })
}

impl Quantity {
    /// Parses a number with a unit of the wanted dimension.
    ///
    /// # Errors
    /// [`QuantityError`] says which part of the text is wrong and what was wanted.
    pub fn parse(text: &str, wanted: Dimension) -> Result<Self, QuantityError> {
        let (number, unit) = split(text)?;
        let value = scale(number, unit, wanted).ok_or_else(|| {
            let wanted_text = wanted.example();
            if unit.is_empty() {
                QuantityError::UnitMissing { text: text.trim().into(), wanted: wanted_text }
            } else if Dimension::of_unit(unit).is_some() {
                QuantityError::WrongUnit { unit: unit.into(), wanted: wanted_text }
            } else {
                QuantityError::UnknownUnit { unit: unit.into(), wanted: wanted_text }
            }
        })?;
        if !value.is_finite() {
            return Err(QuantityError::TooLarge(text.trim().into()));
        }
        Ok(Quantity { value, dimension: wanted })
    }

    /// Parses a number with any known unit.
    ///
    /// # Errors
    /// As [`Quantity::parse`].
    pub fn parse_any(text: &str) -> Result<Self, QuantityError> {
        let (_, unit) = split(text)?;
        let dimension = Dimension::of_unit(unit).ok_or_else(|| QuantityError::UnknownUnit {
            unit: unit.into(),
            wanted: "a number with a unit such as 1.2 V",
        })?;
        Self::parse(text, dimension)
    }
}

/// Splits `-3.5e2 mV` into number and unit.
fn split(text: &str) -> Result<(&str, &str), QuantityError> {
    let text = text.trim();
    let bytes = text.as_bytes();
    let mut end = 0;
    let mut digits = false;
    while end < bytes.len() {
        let byte = bytes[end];
        let exponent = matches!(byte, b'e' | b'E')
            && digits
            && match bytes.get(end + 1) {
                Some(b'+' | b'-') => bytes.get(end + 2).is_some_and(u8::is_ascii_digit),
                Some(next) => next.is_ascii_digit(),
                None => false,
            };
        let sign =
            matches!(byte, b'+' | b'-') && (end == 0 || matches!(bytes[end - 1], b'e' | b'E'));
        if !(byte.is_ascii_digit() || byte == b'.' || exponent || sign) {
            break;
        }
        digits |= byte.is_ascii_digit();
        end += 1;
    }
    let number = &text[..end];
    let fraction = text[end..].strip_prefix(',');
    if digits && fraction.is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
        return Err(QuantityError::Comma { text: text.into(), meant: text.replacen(',', ".", 1) });
    }
    if !digits || number.parse::<f64>().is_err() {
        return Err(QuantityError::NoNumber(text.into()));
    }
    Ok((number, text[end..].trim()))
}

/// The number in the base unit, or `None` when the unit does not belong to the dimension.
fn scale(number: &str, unit: &str, wanted: Dimension) -> Option<f64> {
    if wanted == Dimension::Time
        && let Some((_, factor)) = LONG_TIMES.iter().find(|(name, _)| *name == unit)
    {
        return number.parse::<f64>().ok().map(|n| n * factor);
    }
    let row = UNITS.iter().find(|row| row.1 == wanted && row.0 == unit)?;
    let (mantissa, exponent) = match number.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (number, 0),
    };
    format!("{mantissa}e{}", exponent.checked_add(row.2)?).parse().ok()
}

impl fmt::Display for Quantity {
    /// Prints with the multiple that leaves one to three digits before the point.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (unit, exponent) = display_unit(self.value, self.dimension);
        let scaled = self.value / 10f64.powi(exponent);
        // Six significant digits; trailing zeros carry no information here.
        let digits = if scaled == 0.0 {
            0
        } else {
            (5 - scaled.abs().log10().floor() as i32).clamp(0, 12) as usize
        };
        let mut text = format!("{scaled:.digits$}");
        if text.contains('.') {
            text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
        }
        if text == "-0" {
            text = "0".into();
        }
        if unit.is_empty() { f.write_str(&text) } else { write!(f, "{text} {unit}") }
    }
}

/// The unit in which a value reads best, with its power of ten.
fn display_unit(value: f64, dimension: Dimension) -> (&'static str, i32) {
    let base = (dimension.base_unit(), 0);
    let scaled_by_prefix = !matches!(dimension, Dimension::Ratio | Dimension::Length);
    if value == 0.0 || !value.is_finite() || !scaled_by_prefix {
        return base;
    }
    UNITS
        .iter()
        .filter(|row| row.1 == dimension)
        .map(|row| (row.0, row.2))
        .filter(|(_, exponent)| value.abs() >= 10f64.powi(*exponent) * (1.0 - 1e-12))
        .max_by_key(|(_, exponent)| *exponent)
        .unwrap_or_else(|| {
            UNITS
                .iter()
                .filter(|row| row.1 == dimension)
                .map(|row| (row.0, row.2))
                .min_by_key(|(_, exponent)| *exponent)
                .unwrap_or(base)
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_parse(text: &str, dimension: Dimension, value: f64, shown: &str) {
        let quantity = Quantity::parse(text, dimension).unwrap();
        assert_eq!(quantity.value.to_bits(), value.to_bits(), "{text}: {}", quantity.value);
        assert_eq!(quantity.to_string(), shown, "{text}");
    }

    #[test]
    fn values_are_exact_decimals_and_read_well() {
        use Dimension as D;
        check_parse("7.04 GHz", D::Frequency, 7.04e9, "7.04 GHz");
        check_parse("62.64GHz", D::Frequency, 62.64e9, "62.64 GHz");
        check_parse("-16 dB", D::Decibel, -16.0, "-16 dB");
        check_parse("5 deg", D::Angle, 5.0, "5 deg");
        check_parse("125 ps", D::Time, 125e-12, "125 ps");
        check_parse("2 h", D::Time, 7200.0, "7200 s");
        check_parse("1.5e3 mV", D::Voltage, 1.5, "1.5 V");
        check_parse("200 k", D::Count, 200_000.0, "200 k");
        check_parse("12", D::Count, 12.0, "12");
        check_parse("3 %", D::Ratio, 0.03, "0.03");
        check_parse("0.1 uV", D::Voltage, 1e-7, "0.1 uV");
        check_parse("-0 V", D::Voltage, -0.0, "0 V");
    }

    #[track_caller]
    fn check_error(text: &str, dimension: Dimension, message: &str) {
        let error = Quantity::parse(text, dimension).unwrap_err();
        assert_eq!(error.to_string(), message);
    }

    #[test]
    fn errors_say_what_was_wanted() {
        use Dimension as D;
        check_error(
            "7.04 V",
            D::Frequency,
            "'V' is a unit of another kind; wanted a frequency such as 7.04 GHz",
        );
        check_error(
            "7.04 Ghz",
            D::Frequency,
            "'Ghz' is not a known unit; wanted a frequency such as 7.04 GHz",
        );
        check_error(
            "7.04",
            D::Frequency,
            "'7.04' has no unit; wanted a frequency such as 7.04 GHz",
        );
        check_error("1,2 V", D::Voltage, "'1,2 V' has a comma; write a decimal point: 1.2 V");
        check_error("fast", D::Frequency, "'fast' does not begin with a number");
        check_error("1e999 V", D::Voltage, "'1e999 V' is too large a number");
        check_error(
            "1e99999999999 V",
            D::Voltage,
            "'V' is a unit of another kind; wanted a voltage such as 1.2 V",
        );
    }

    #[test]
    fn every_example_reads_as_its_dimension() {
        for dimension in Dimension::ALL {
            assert!(
                Quantity::parse(dimension.example_value(), *dimension).is_ok(),
                "{dimension:?}"
            );
        }
    }

    #[test]
    fn any_unit_finds_its_dimension() {
        assert_eq!(Quantity::parse_any("20 deg/s").unwrap().dimension, Dimension::AngularSpeed);
        assert_eq!(Quantity::parse_any("4").unwrap().dimension, Dimension::Ratio);
        assert!(Quantity::parse_any("4 parsec").is_err());
    }

    #[test]
    fn a_unit_that_is_nearly_right_is_told() {
        let advice = |text, wanted| Quantity::parse(text, wanted).unwrap_err().advice(wanted);
        let check = |text, wanted, meant: Option<&str>| {
            assert_eq!(advice(text, wanted), meant.map(|unit| format!("did you mean '{unit}'?")));
        };
        check("75 C", Dimension::Temperature, Some("degC"));
        check("75 \u{b0}C", Dimension::Temperature, Some("degC"));
        check("400 mv", Dimension::Voltage, Some("mV"));
        check("7 ghz", Dimension::Frequency, Some("GHz"));
        check("7 parsec", Dimension::Length, None);
        check("volts", Dimension::Voltage, None);
    }
}
