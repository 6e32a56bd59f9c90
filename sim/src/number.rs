//! Numbers as people of the trade write them.

/// A number in full where it is short, with a power of a thousand otherwise: `0.5`, `125e-12`,
/// `62.64e9`. It reads back as exactly the same number.
pub(crate) fn engineering(value: f64) -> String {
    let size = value.abs();
    if !value.is_finite() || size == 0.0 || (1e-3..1e6).contains(&size) {
        return value.to_string();
    }
    let scientific = format!("{value:e}");
    let Some((mantissa, exponent)) = scientific.split_once('e') else { return scientific };
    let exponent: i32 = exponent.parse().unwrap_or(0);
    let (sign, mantissa) = match mantissa.strip_prefix('-') {
        Some(rest) => ("-", rest),
        None => ("", mantissa),
    };
    let mut digits = mantissa.replace('.', "");
    // Places before the decimal point, so that what is left is a power of a thousand.
    let before = exponent.rem_euclid(3) as usize + 1;
    while digits.len() < before {
        digits.push('0');
    }
    let (whole, rest) = digits.split_at(before);
    let point = if rest.is_empty() { "" } else { "." };
    format!("{sign}{whole}{point}{rest}e{}", exponent.div_euclid(3) * 3)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_exact() {
        for (value, shown) in [
            (0.0, "0"),
            (-8.25, "-8.25"),
            (1e-12, "1e-12"),
            (125e-12, "125e-12"),
            (62.64e9, "62.64e9"),
            (-2.5e-4, "-250e-6"),
            (1e300, "1e300"),
            (1e5, "100000"),
            (f64::NAN, "NaN"),
        ] {
            assert_eq!(engineering(value), shown);
            assert!(value.is_nan() || shown.parse() == Ok(value), "{shown}");
        }
    }
}
