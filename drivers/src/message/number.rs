//! Numbers: NR1, NR2, NR3, the flexible NRf, the non-decimal forms, the special values of SCPI.
//!
//! Knows numbers as text, independent of any locale.

use super::{MessageError, MessageFault};

/// From this magnitude on a number is a flag, never data: SCPI-99 vol. 1 §7.2.1.4 gives 9.9E37 for
/// infinity and §7.2.1.5 gives 9.91E37 for not-a-number.
pub const FLAG_MAGNITUDE_MIN: f64 = 9.9e37;
/// SCPI-99 vol. 1 §7.2.1.5.
const NOT_A_NUMBER: f64 = 9.91e37;
/// IEEE 488.2 table of errors, -123: exponents beyond this magnitude are refused.
const EXPONENT_MAX: u32 = 32_000;

/// A number in an answer: data, or one of the flags that must never be taken for data.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// Data; finite and below [`FLAG_MAGNITUDE_MIN`] in magnitude.
    Value(f64),
    /// 9.9E37: overload, beyond the range upwards.
    PlusInfinity,
    /// -9.9E37: beyond the range downwards.
    MinusInfinity,
    /// 9.91E37: no reading.
    NotANumber,
}

impl Number {
    /// The flag or value for a binary number.
    #[must_use]
    pub fn from_f64(value: f64) -> Self {
        if value.is_nan() || value.abs() == NOT_A_NUMBER {
            Number::NotANumber
        } else if value >= FLAG_MAGNITUDE_MIN {
            Number::PlusInfinity
        } else if value <= -FLAG_MAGNITUDE_MIN {
            Number::MinusInfinity
        } else {
            Number::Value(value)
        }
    }

    /// The data, if it is data.
    #[must_use]
    pub fn value(self) -> Option<f64> {
        match self {
            Number::Value(value) => Some(value),
            _ => None,
        }
    }

    /// Parses any form of number; the whole text must be one.
    ///
    /// # Errors
    /// [`MessageFault::NotANumber`] or [`MessageFault::ExponentTooLarge`].
    pub fn parse(text: &[u8]) -> Result<Self, MessageError> {
        let body = trim(text);
        if body.first() == Some(&b'#') {
            let whole = parse_non_decimal(body)
                .ok_or_else(|| MessageError::new(MessageFault::NotANumber, text))?;
            return Ok(Number::from_f64(whole as f64));
        }
        decimal(body).map(Number::from_f64).map_err(|fault| MessageError::new(fault, text))
    }

    /// Emits NR3, the flags as their numbers.
    #[must_use]
    pub fn emit(self) -> String {
        emit_nr3(match self {
            Number::Value(value) => value,
            Number::PlusInfinity => FLAG_MAGNITUDE_MIN,
            Number::MinusInfinity => -FLAG_MAGNITUDE_MIN,
            Number::NotANumber => NOT_A_NUMBER,
        })
    }
}

/// Parses a decimal: sign, digits with a point anywhere or nowhere, exponent.
fn decimal(body: &[u8]) -> Result<f64, MessageFault> {
    let wrong = MessageFault::NotANumber;
    let (mantissa, exponent) = match body.iter().position(|byte| matches!(byte, b'E' | b'e')) {
        // NRf allows white space on either side of the E.
        Some(at) => (trim(&body[..at]), Some(trim(&body[at + 1..]))),
        None => (body, None),
    };
    let unsigned = mantissa.strip_prefix(b"+").or(mantissa.strip_prefix(b"-")).unwrap_or(mantissa);
    let points = unsigned.iter().filter(|byte| **byte == b'.').count();
    let digits = unsigned.iter().filter(|byte| byte.is_ascii_digit()).count();
    if points > 1 || digits == 0 || points + digits != unsigned.len() {
        return Err(wrong);
    }
    let mut text = String::from_utf8_lossy(mantissa).into_owned();
    if let Some(exponent) = exponent {
        let digits =
            exponent.strip_prefix(b"+").or(exponent.strip_prefix(b"-")).unwrap_or(exponent);
        if digits.is_empty() || !digits.iter().all(u8::is_ascii_digit) {
            return Err(wrong);
        }
        let magnitude = digits
            .iter()
            .try_fold(0u32, |sum, digit| sum.checked_mul(10)?.checked_add(u32::from(digit - b'0')));
        if magnitude.is_none_or(|magnitude| magnitude > EXPONENT_MAX) {
            return Err(MessageFault::ExponentTooLarge);
        }
        text.push('E');
        text.push_str(&String::from_utf8_lossy(exponent));
    }
    text.parse().map_err(|_| wrong)
}

/// `#H1F`, `#Q17`, `#B101`.
fn parse_non_decimal(body: &[u8]) -> Option<i64> {
    let radix = match body.get(1)?.to_ascii_uppercase() {
        b'H' => 16,
        b'Q' => 8,
        b'B' => 2,
        _ => return None,
    };
    let digits = std::str::from_utf8(&body[2..]).ok()?;
    // from_str_radix would take a sign, which these forms do not have.
    if digits.starts_with(['+', '-']) { None } else { i64::from_str_radix(digits, radix).ok() }
}

/// Parses a whole number: NR1, a non-decimal form, or another form whose value is whole.
///
/// # Errors
/// [`MessageFault::NotWhole`], or as [`Number::parse`].
pub fn parse_whole(text: &[u8]) -> Result<i64, MessageError> {
    let body = trim(text);
    if let Some(whole) = parse_non_decimal(body) {
        return Ok(whole);
    }
    if let Some(whole) = std::str::from_utf8(body).ok().and_then(|digits| digits.parse().ok()) {
        return Ok(whole);
    }
    match Number::parse(text)? {
        // Beyond 2^53 the decimal form no longer says which whole number is meant.
        Number::Value(value) if value.fract() == 0.0 && value.abs() <= 9_007_199_254_740_992.0 => {
            Ok(value as i64)
        }
        _ => Err(MessageError::new(MessageFault::NotWhole, text)),
    }
}

/// Parses a boolean: `1`, `0`, `ON`, `OFF`, or a number that rounds to one (SCPI-99 vol. 1 §7.3).
///
/// # Errors
/// [`MessageFault::NotASwitch`].
pub fn parse_switch(text: &[u8]) -> Result<bool, MessageError> {
    let body = trim(text);
    if body.eq_ignore_ascii_case(b"ON") {
        return Ok(true);
    }
    if body.eq_ignore_ascii_case(b"OFF") {
        return Ok(false);
    }
    match Number::parse(body) {
        Ok(Number::Value(value)) => Ok(value.round() != 0.0),
        _ => Err(MessageError::new(MessageFault::NotASwitch, text)),
    }
}

/// Emits NR1.
#[must_use]
pub fn emit_nr1(value: i64) -> String {
    value.to_string()
}

/// Emits NR3 with as many digits as bring back the same number: `7.04E+09`, `-1.0E+00`.
/// Infinities and not-a-number become their flags.
#[must_use]
pub fn emit_nr3(value: f64) -> String {
    let value = match value {
        v if v.is_nan() => NOT_A_NUMBER,
        v => v.clamp(-FLAG_MAGNITUDE_MIN, NOT_A_NUMBER),
    };
    let text = format!("{value:E}");
    let (mantissa, exponent) = text.split_once('E').unwrap_or((&text, "0"));
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let (sign, digits) = match exponent.strip_prefix('-') {
        Some(digits) => ('-', digits),
        None => ('+', exponent),
    };
    format!("{mantissa}{point}E{sign}{digits:0>2}")
}

/// The text without white space at its ends: IEEE 488.2 counts every control character but NL,
/// CR among them, and the blank; NL is taken off as well.
#[must_use]
pub fn trim(text: &[u8]) -> &[u8] {
    let blank = |byte: &u8| *byte <= b' ';
    let start = text.iter().position(|byte| !blank(byte)).unwrap_or(text.len());
    let end = text.iter().rposition(|byte| !blank(byte)).map_or(start, |at| at + 1);
    &text[start..end]
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check_number(text: &str, expected: Option<Number>) {
        assert_eq!(Number::parse(text.as_bytes()).ok(), expected, "{text}");
    }

    /// Forms of IEEE 488.2: NR1 (8.7.2), NR2, NR3, NRf (7.7.2), non-decimal; flags of SCPI-99
    /// vol. 1 §7.2.1.4–5.
    #[test]
    fn every_form_of_number() {
        for (text, value) in [
            ("-12", -12.0),
            ("+3", 3.0),
            ("0", 0.0),
            ("12.50", 12.5),
            ("1.234E+03", 1234.0),
            (" 7.04e9\r", 7.04e9),
            ("5.", 5.0),
            (".5", 0.5),
            ("1.5 E 3", 1500.0),
            ("#H1F", 31.0),
            ("#q17", 15.0),
            ("#B101", 5.0),
            ("-9.89E37", -9.89e37),
            ("1E-400", 0.0),
        ] {
            check_number(text, Some(Number::Value(value)));
        }
        check_number("9.9E37", Some(Number::PlusInfinity));
        check_number("-9.9E+37", Some(Number::MinusInfinity));
        check_number("9.910000E37", Some(Number::NotANumber));
        check_number("1E38", Some(Number::PlusInfinity));
        check_number("1E400", Some(Number::PlusInfinity));
    }

    #[test]
    fn what_is_not_wholly_a_number_is_none() {
        for text in [
            "", " ", "+", ".", "1.2.3", "1,5", "OVLD", "inf", "nan", "NaN", "0x10", "1E", "1E+",
            "E5", "1E1.5", "--1", "1 2", "12V", "#H", "#H-1", "#X1", "#", "1E99999", "\u{0661}",
        ] {
            check_number(text, None);
        }
        let error = Number::parse(b"OVLD").unwrap_err();
        assert_eq!(error.to_string(), "not a number, in 'OVLD'");
        let error = Number::parse(b"1E99999999999").unwrap_err();
        assert_eq!(error.fault, MessageFault::ExponentTooLarge);
    }

    #[test]
    fn wholes_and_switches() {
        assert_eq!(parse_whole(b"-32768").unwrap(), -32768);
        assert_eq!(parse_whole(b"9223372036854775807").unwrap(), i64::MAX);
        assert_eq!(parse_whole(b"1.6E+01").unwrap(), 16);
        assert_eq!(parse_whole(b"#HFF").unwrap(), 255);
        assert_eq!(parse_whole(b"1.5").unwrap_err().fault, MessageFault::NotWhole);
        assert_eq!(parse_whole(b"9.91E37").unwrap_err().fault, MessageFault::NotWhole);
        for (text, on) in [("1", true), ("0", false), ("on", true), ("OFF", false), ("0.2", false)]
        {
            assert_eq!(parse_switch(text.as_bytes()).unwrap(), on, "{text}");
        }
        assert!(parse_switch(b"YES").is_err());
        assert!(parse_switch(b"9.91E37").is_err());
    }

    #[test]
    fn nr3_has_a_point_and_a_signed_exponent() {
        for (value, text) in [
            (7.04e9, "7.04E+09"),
            (-1.0, "-1.0E+00"),
            (0.0, "0.0E+00"),
            (125e-12, "1.25E-10"),
            (1e-300, "1.0E-300"),
            (f64::NAN, "9.91E+37"),
            (f64::MAX, "9.91E+37"),
            (f64::NEG_INFINITY, "-9.9E+37"),
        ] {
            assert_eq!(emit_nr3(value), text);
        }
    }

    proptest! {
        #[test]
        fn emitted_numbers_read_back_exactly(value in -9.8e37..9.8e37f64, small in -1.0..1.0f64,
                                             whole in any::<i64>()) {
            for value in [value, small, small * 1e-30] {
                prop_assert_eq!(Number::parse(emit_nr3(value).as_bytes()).unwrap(),
                                Number::Value(value));
            }
            prop_assert_eq!(parse_whole(emit_nr1(whole).as_bytes()).unwrap(), whole);
        }

        #[test]
        fn no_text_panics(text in proptest::collection::vec(any::<u8>(), 0..40)) {
            let _ = (Number::parse(&text), parse_whole(&text), parse_switch(&text));
        }
    }
}
