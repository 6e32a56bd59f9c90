//! Frequencies in messages, as the command line takes and prints them: `1.76 GHz`.
//!
//! Six significant digits. A bound is rounded to the side on which it still holds, so that whoever
//! follows a message is not refused again. Knows nothing of what the frequencies are of.

/// Units with their multiples of a hertz, largest first.
const UNITS: [(&str, f64); 4] = [("GHz", 1e9), ("MHz", 1e6), ("kHz", 1e3), ("Hz", 1.0)];
/// How far a number may be off by its own rounding errors.
const SLACK: f64 = 1e-12;

/// A frequency, rounded to the nearest.
pub(crate) fn nearest(hz: f64) -> String {
    text(hz, f64::round)
}

/// A lower bound, rounded up.
pub(crate) fn at_least(hz: f64) -> String {
    text(hz, |number| (number - number.abs() * SLACK).ceil())
}

/// An upper bound, rounded down.
pub(crate) fn at_most(hz: f64) -> String {
    text(hz, |number| (number + number.abs() * SLACK).floor())
}

/// Whether a frequency lies between two bounds, as far as their own rounding errors tell.
pub(crate) fn is_between(hz: f64, lowest: f64, highest: f64) -> bool {
    (lowest - lowest.abs() * SLACK..=highest + highest.abs() * SLACK).contains(&hz)
}

fn text(hz: f64, round: impl Fn(f64) -> f64) -> String {
    let reached = |(_, multiple): &&(&str, f64)| hz.abs() >= multiple * (1.0 - SLACK);
    let (unit, multiple) = UNITS.iter().find(reached).unwrap_or(&UNITS[3]);
    let scaled = hz / multiple;
    if scaled == 0.0 || !scaled.is_finite() {
        return format!("{scaled} {unit}");
    }
    let digits = (5 - scaled.abs().log10().floor() as i32).clamp(0, 12);
    let grid = 10_f64.powi(digits);
    let mut number = format!("{:.*}", digits as usize, round(scaled * grid) / grid);
    if number.contains('.') {
        number.truncate(number.trim_end_matches('0').trim_end_matches('.').len());
    }
    format!("{number} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(hz: f64, expected: [&str; 3]) {
        assert_eq!([at_most(hz), nearest(hz), at_least(hz)], expected, "{hz}");
    }

    #[test]
    fn frequencies_are_printed_in_the_largest_unit_they_reach() {
        check(1.76e9, ["1.76 GHz"; 3]);
        check(1_760_000_000.000_000_2, ["1.76 GHz"; 3]);
        check(999.0, ["999 Hz"; 3]);
        check(5.5e6, ["5.5 MHz"; 3]);
        check(1000.0, ["1 kHz"; 3]);
        check(-120e3, ["-120 kHz"; 3]);
        check(0.0, ["0 Hz"; 3]);
        check(69.120_000_4e9, ["69.12 GHz", "69.12 GHz", "69.1201 GHz"]);
        check(1.234_567_8e9, ["1.23456 GHz", "1.23457 GHz", "1.23457 GHz"]);
        check(3e12, ["3000 GHz"; 3]);
        check(f64::NAN, ["NaN Hz"; 3]);
        check(f64::INFINITY, ["inf GHz"; 3]);
        check(f64::MIN_POSITIVE, ["0 Hz", "0 Hz", "0.000000000001 Hz"]);
    }

    #[test]
    fn bounds_hold_as_printed() {
        assert!(is_between(1.191e9, 1.191e9 + 1e-7, 2e9) && is_between(2e9, 1.0, 2e9 - 1e-7));
        assert!(!is_between(1.191e9, 1.191_001e9, 2e9) && !is_between(f64::NAN, 1.0, 2.0));
    }
}
