//! Numbers as an engineer reads them: `7.04 GHz`, `-16.3 dB`, `3.1e-4`. Pure text, no HTML.

use crate::record::{Figure, RecordedValue, Value, figure, figure_names};

/// SI prefixes by power of 1000, from 10^-15 to 10^12.
const PREFIXES: [&str; 10] = ["f", "p", "n", "µ", "m", "", "k", "M", "G", "T"];
/// Place of the empty prefix.
const PREFIX_NONE: i32 = 5;
/// Units that take a prefix.
const PREFIXED: [&str; 12] =
    ["Hz", "s", "V", "A", "W", "S/s", "Sa/s", "bit/s", "Bd", "ohm", "F", "J"];
/// Digits a reader can take in.
const DIGITS: usize = 4;
/// Digits that tell two settings of an instrument apart.
const DIGITS_EXACT: usize = 9;

/// A quantity with four digits and, where the unit takes one, an SI prefix.
///
/// Decibels have one decimal. A number without unit below 10^-3 or from 10^6 on is written with a
/// power of ten. What is not finite is written in words.
pub fn number(value: f64, unit: &str) -> String {
    with_digits(value, unit, DIGITS)
}

/// As [`number`], with every digit that tells two settings apart.
pub fn number_exact(value: f64, unit: &str) -> String {
    with_digits(value, unit, DIGITS_EXACT)
}

/// A standard deviation with two digits: `0.25 dB`.
pub fn spread(value: f64, unit: &str) -> String {
    if value == 0.0 || !value.is_finite() || !unit.starts_with("dB") {
        return with_digits(value, unit, 2);
    }
    join(&significant(value, 2), unit)
}

/// A value with its unit, with every digit that tells two settings apart.
pub fn recorded(value: &RecordedValue) -> String {
    let unit = value.unit.as_deref().unwrap_or_default();
    match &value.value {
        Value::Number(x) => number_exact(*x, unit),
        Value::Count(n) => join(&count(*n), unit),
        other @ (Value::Switch(_) | Value::Word(_)) => join(&other.to_string(), unit),
    }
}

/// A value with its unit as a sentence tells it: angles in hundredths of a degree at most.
pub(super) fn told(value: &RecordedValue) -> String {
    match (&value.value, value.unit.as_deref()) {
        (Value::Number(x), Some("deg")) if x.is_finite() => degrees(*x),
        _ => recorded(value),
    }
}

/// An angle in hundredths of a degree at most: `-18.95 deg`.
pub(super) fn degrees(angle_deg: f64) -> String {
    let text = format!("{angle_deg:.2}");
    let text = trimmed(&text);
    format!("{} deg", if text == "-0" { "0" } else { text })
}

/// A count with its digits in groups of three: `114 688`.
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// A rate or ratio with two digits: `3.1e-4`, `0.051`, `0`.
pub fn rate(value: f64) -> String {
    if value == 0.0 {
        "0".to_owned()
    } else if !value.is_finite() {
        not_finite(value).to_owned()
    } else if value.abs() < 0.01 {
        format!("{value:.1e}")
    } else {
        let decimals = usize::try_from(1 - exponent(value)).unwrap_or(0);
        format!("{value:.decimals$}")
    }
}

/// A bit error rate with its 95 % interval, from the figures of one analysis.
///
/// No errors is never written as zero: `below 3.2e-5 (95 %)`. When the figures do not tell, none.
pub fn error_rate(figures: &[Figure]) -> Option<String> {
    let (measured, interval) = error_rate_parts(figures)?;
    Some(match interval {
        Some(interval) => format!("{measured} ({interval})"),
        None => measured,
    })
}

/// The two parts of [`error_rate`]: the rate or its bound, and the interval where there is one.
pub(super) fn error_rate_parts(figures: &[Figure]) -> Option<(String, Option<String>)> {
    let measured = figure(figures, figure_names::BER)?;
    let low = figure(figures, figure_names::BER_LOW_95);
    let high = figure(figures, figure_names::BER_HIGH_95);
    if measured == 0.0 {
        return Some(match error_bound(figures) {
            Some(bound) => (format!("below {} (95 %)", rate(bound)), None),
            None => ("no errors".to_owned(), Some("no interval recorded".to_owned())),
        });
    }
    Some(match (low, high) {
        (Some(low), Some(high)) => {
            let interval = format!("95 %: {} … {}", rate(low), rate(high));
            (rate(measured), Some(interval))
        }
        _ => (rate(measured), Some("no interval recorded".to_owned())),
    })
}

/// The bound that is told when no bit was wrong: the upper end of the recorded interval, so that
/// texts, plots and files say one number.
pub(super) fn error_bound(figures: &[Figure]) -> Option<f64> {
    figure(figures, figure_names::BER_HIGH_95)
}

/// Seconds as a reader says them: `4.2 s`, `3 min 20 s`, `7 h 05 min`.
pub fn duration(seconds: f64) -> String {
    let whole = seconds.round().max(0.0) as u64;
    match whole {
        0..=59 => format!("{} s", significant(seconds.max(0.0), 2)),
        60..=3599 => format!("{} min {:02} s", whole / 60, whole % 60),
        _ => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
    }
}

fn join(text: &str, unit: &str) -> String {
    match unit {
        "" => text.to_owned(),
        "degC" => format!("{text} °C"),
        unit => format!("{text} {unit}"),
    }
}

fn with_digits(value: f64, unit: &str, digits: usize) -> String {
    if !value.is_finite() {
        return not_finite(value).to_owned();
    }
    if value == 0.0 {
        return join("0", unit);
    }
    if PREFIXED.contains(&unit) {
        return prefixed(value, unit, digits);
    }
    let magnitude = value.abs();
    if unit.is_empty() && !(1e-3..1e6).contains(&magnitude) {
        return scientific(value, if digits == DIGITS { 2 } else { digits });
    }
    if unit.starts_with("dB") && digits == DIGITS {
        return join(&format!("{value:.1}"), unit);
    }
    join(&significant(value, digits), unit)
}

fn not_finite(value: f64) -> &'static str {
    if value.is_nan() {
        "not a number"
    } else if value > 0.0 {
        "infinite"
    } else {
        "minus infinite"
    }
}

/// What the numbers of an axis whose largest is `most` are divided by, and the unit they then have:
/// `(1e9, "GHz")`. Without a unit, numbers that would need many digits get a power of ten.
pub(super) fn axis_unit(most: f64, unit: &str) -> (f64, String) {
    let most = if most.is_finite() && most != 0.0 { most.abs() } else { 1.0 };
    let group = exponent(most).div_euclid(3);
    if PREFIXED.contains(&unit) {
        let group = group.clamp(-PREFIX_NONE, 4);
        let prefix = PREFIXES[(group + PREFIX_NONE).unsigned_abs() as usize];
        return (1000_f64.powi(group), format!("{prefix}{unit}"));
    }
    if (1e-3..1e6).contains(&most) {
        return (1.0, unit.to_owned());
    }
    (1000_f64.powi(group), format!("1e{} {unit}", 3 * group).trim_end().to_owned())
}

fn prefixed(value: f64, unit: &str, digits: usize) -> String {
    // Rounded first, so that 999.96 kHz with four digits becomes 1 MHz and not 1000 kHz.
    let rounded: f64 = format!("{value:.*e}", digits - 1).parse().unwrap_or(value);
    let group = (exponent(rounded).div_euclid(3)).clamp(-PREFIX_NONE, 4);
    let scaled = rounded / 1000_f64.powi(group);
    let prefix = PREFIXES[(group + PREFIX_NONE).unsigned_abs() as usize];
    format!("{} {prefix}{unit}", significant(scaled, digits))
}

/// Power of ten of the first digit.
fn exponent(value: f64) -> i32 {
    let text = format!("{value:e}");
    text.split_once('e').and_then(|(_, power)| power.parse().ok()).unwrap_or(0)
}

/// `value` rounded to so many significant digits, without a power of ten or trailing zeros.
fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let decimals = i32::try_from(digits).unwrap_or(0) - 1 - exponent(value);
    let text = format!("{value:.*}", usize::try_from(decimals).unwrap_or(0));
    trimmed(&text).to_owned()
}

fn scientific(value: f64, digits: usize) -> String {
    let text = format!("{value:.*e}", digits - 1);
    match text.split_once('e') {
        Some((mantissa, power)) => format!("{}e{power}", trimmed(mantissa)),
        None => text,
    }
}

/// Without trailing zeros after a decimal point.
fn trimmed(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_read_as_engineers_write_them() {
        let check = |value: f64, unit: &str, text: &str| assert_eq!(number(value, unit), text);
        check(7.04e9, "Hz", "7.04 GHz");
        check(62.64e9, "Hz", "62.64 GHz");
        check(8e9, "S/s", "8 GS/s");
        check(152_300.0, "Hz", "152.3 kHz");
        check(999_960.0, "Hz", "1 MHz");
        check(999_940.0, "Hz", "999.9 kHz");
        check(-0.000_390_625, "V", "-390.6 µV");
        check(125e-12, "s", "125 ps");
        check(1.2, "V", "1.2 V");
        check(0.0, "V", "0 V");
        check(1e18, "Hz", "1000000 THz");
        check(-16.34, "dB", "-16.3 dB");
        check(17.0, "dB", "17.0 dB");
        check(21.0, "deg", "21 deg");
        check(-3.125, "deg", "-3.125 deg");
        check(41.25, "degC", "41.25 °C");
        check(3.14e-4, "", "3.1e-4");
        check(0.25, "", "0.25");
        check(65_536.0, "", "65536");
        check(1.5e6, "", "1.5e6");
        check(f64::NAN, "V", "not a number");
        check(f64::NEG_INFINITY, "dB", "minus infinite");
        assert_eq!(number_exact(1.234_567_8, "V"), "1.2345678 V");
        assert_eq!(number_exact(-16.345, "dB"), "-16.345 dB");
    }

    #[test]
    fn an_axis_has_a_prefix_in_place_of_zeros() {
        let check = |most: f64, unit: &str, divisor: f64, text: &str| {
            let (found, told) = axis_unit(most, unit);
            assert!((found / divisor - 1.0).abs() < 1e-12, "{most} {unit}: {found}");
            assert_eq!(told, text);
        };
        check(3_998_590_400.0, "Hz", 1e9, "GHz");
        check(-2e-12, "s", 1e-12, "ps");
        check(0.25, "V", 1e-3, "mV");
        check(0.0, "V", 1.0, "V");
        check(17.0, "dB", 1.0, "dB");
        check(0.02, "", 1.0, "");
        check(2e-12, "", 1e-12, "1e-12");
        check(114_688_000.0, "", 1e6, "1e6");
        check(4e-6, "ppm", 1e-6, "1e-6 ppm");
        check(f64::NAN, "s", 1.0, "s");
    }

    #[test]
    fn counts_durations_and_rates() {
        assert_eq!(count(7), "7");
        assert_eq!(count(114_688), "114\u{202f}688");
        assert_eq!(count(1_000_000), "1\u{202f}000\u{202f}000");
        assert_eq!(duration(4.21), "4.2 s");
        assert_eq!(duration(200.0), "3 min 20 s");
        assert_eq!(duration(25_500.0), "7 h 05 min");
        assert_eq!(rate(0.0511), "0.051");
        assert_eq!(rate(3.14e-4), "3.1e-4");
    }

    #[test]
    fn angles_are_told_in_hundredths() {
        let check = |value: RecordedValue, text: &str| assert_eq!(told(&value), text);
        check(RecordedValue::number(-18.951_006_6, "deg"), "-18.95 deg");
        check(RecordedValue::number(-59.999_999_999, "deg"), "-60 deg");
        check(RecordedValue::number(-0.001, "deg"), "0 deg");
        check(RecordedValue::number(120.25, "deg"), "120.25 deg");
        check(RecordedValue::number(7.04e9, "Hz"), "7.04 GHz");
        check(RecordedValue::plain("deg"), "deg");
    }

    #[test]
    fn no_errors_are_a_bound_and_never_zero() {
        let figures = |ber: f64, low: f64, high: Option<f64>| {
            let figure = |name: &str, value| Figure::number(name, value, None);
            [
                figure(figure_names::BER, Some(ber)),
                figure(figure_names::BER_LOW_95, Some(low)),
                figure(figure_names::BER_HIGH_95, high),
            ]
        };
        let check = |ber, low, high, text: &str| {
            assert_eq!(error_rate(&figures(ber, low, high)).as_deref(), Some(text));
        };
        check(0.0, 0.0, Some(3.217e-5), "below 3.2e-5 (95 %)");
        check(0.0, 0.0, None, "no errors (no interval recorded)");
        check(0.0511, 0.0498, Some(0.0524), "0.051 (95 %: 0.050 … 0.052)");
        assert_eq!(error_rate(&[]), None);
    }
}
