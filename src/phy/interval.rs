//! Error rates with their confidence intervals.
//!
//! C. J. Clopper, E. S. Pearson, Biometrika 26(4), 1934: the exact interval of a binomial
//! proportion. An error-free count says only how large the rate can be, never that it is zero.

use std::fmt;

use serde::Serialize;
use statrs::function::beta::checked_beta_reg;

/// Confidence of the intervals in reports.
pub const CONFIDENCE: f64 = 0.95;

/// An interval of error rates.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Interval {
    /// Lower end, 0 when no error was seen.
    pub low: f64,
    /// Upper end, 1 when nothing but errors was seen.
    pub high: f64,
}

/// A counted error rate with its two-sided 95 % Clopper-Pearson interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Ber {
    /// Bits that were wrong.
    pub errors: u64,
    /// Bits that were compared, at least 1.
    pub bits: u64,
    /// Errors over bits; see [`fmt::Display`] for how no errors are to be told.
    pub ber: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval. With no errors this is about 3.69 over the number of bits.
    pub high: f64,
}

impl Ber {
    /// The rate of `errors` in `bits`. `None` when no bits were compared or when there are more
    /// errors than bits: there is no rate then.
    pub fn new(errors: u64, bits: u64) -> Option<Self> {
        let Interval { low, high } = clopper_pearson(errors, bits, CONFIDENCE)?;
        Some(Self { errors, bits, ber: errors as f64 / bits as f64, low, high })
    }

    /// The rate that is not exceeded with 95 % confidence: one-sided, so with no errors it is
    /// about 3 over the number of bits (J. A. Hanley, A. Lippman-Hand, JAMA 249(13), 1983).
    pub fn upper_bound(&self) -> f64 {
        upper_limit(self.errors, self.bits, 1.0 - CONFIDENCE)
    }
}

/// `1.2e-3 (9.4e-4 to 1.5e-3, 95 %)`; with no errors `below 3.2e-5 (95 %)`, the upper end of the same
/// two-sided interval, so that texts, tables and files say one number.
impl fmt::Display for Ber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = 100.0 * CONFIDENCE;
        if self.errors == 0 {
            return write!(f, "below {:.1e} ({percent} %)", self.high);
        }
        write!(f, "{:.1e} ({:.1e} to {:.1e}, {percent} %)", self.ber, self.low, self.high)
    }
}

/// Two-sided Clopper-Pearson interval of `errors` in `bits` at `confidence` (between 0 and 1).
/// `None` when there are no bits, more errors than bits, or no such confidence.
pub fn clopper_pearson(errors: u64, bits: u64, confidence: f64) -> Option<Interval> {
    if bits == 0 || errors > bits || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let tail = (1.0 - confidence) / 2.0;
    // The lower limit of errors is the upper limit of successes, seen from the other end.
    let low = if errors == 0 { 0.0 } else { lower_limit(errors, bits, tail) };
    Some(Interval { low, high: upper_limit(errors, bits, tail) })
}

/// Error-free bits after which `rate` is not exceeded at `confidence`: ln(1 - confidence) over
/// ln(1 - rate). `None` unless both lie between 0 and 1.
pub fn bits_needed_without_error(rate: f64, confidence: f64) -> Option<f64> {
    let inside = |value: f64| value > 0.0 && value < 1.0;
    (inside(rate) && inside(confidence)).then(|| (-confidence).ln_1p() / (-rate).ln_1p())
}

/// The rate at which `errors` or fewer have the probability `tail`.
fn upper_limit(errors: u64, bits: u64, tail: f64) -> f64 {
    if errors == bits {
        return 1.0;
    }
    if errors == 0 {
        // Closed form: (1 - rate)^bits = tail.
        return -(tail.ln() / bits as f64).exp_m1();
    }
    let (a, b) = (errors as f64 + 1.0, (bits - errors) as f64);
    beta_quantile(a, b, 1.0 - tail)
}

/// The rate at which `errors` or more have the probability `tail`.
fn lower_limit(errors: u64, bits: u64, tail: f64) -> f64 {
    if errors == bits {
        return (tail.ln() / bits as f64).exp();
    }
    beta_quantile(errors as f64, (bits - errors) as f64 + 1.0, tail)
}

/// The value at which the regularised incomplete beta function is `probability`, by halving the
/// logarithm, so that small rates are as exact as large ones.
fn beta_quantile(a: f64, b: f64, probability: f64) -> f64 {
    let (mut low, mut high) = (f64::MIN_POSITIVE.ln(), 0.0);
    // 64 halvings of 708 reach the resolution of f64.
    for _ in 0..64 {
        let middle: f64 = (low + high) / 2.0;
        if checked_beta_reg(a, b, middle.exp()).unwrap_or(f64::NAN) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    ((low + high) / 2.0).exp()
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;
    use crate::phy::testing::{read, reference_file};

    #[derive(Deserialize)]
    struct Table {
        intervals: Vec<Row>,
        no_errors: Vec<NoErrors>,
        bits_needed: Vec<Needed>,
    }

    #[derive(Deserialize)]
    struct Row {
        errors: u64,
        bits: u64,
        low: f64,
        high: f64,
        one_sided_high: f64,
    }

    #[derive(Deserialize)]
    struct NoErrors {
        bits: u64,
        one_sided_high: f64,
        high: f64,
    }

    #[derive(Deserialize)]
    struct Needed {
        ber: f64,
        confidence: f64,
        bits: f64,
    }

    fn table() -> Table {
        read(reference_file!("binomial.yaml"))
    }

    fn check_close(value: f64, expected: f64, what: &str) {
        // The table has 12 digits; the beta function of the library is good to about 1e-10.
        assert!((value - expected).abs() <= 1e-8 * expected, "{what}: {value} {expected}");
    }

    /// Clopper and Pearson 1934, evaluated from the beta quantile and the binomial tail.
    #[test]
    fn intervals_agree_with_the_table() {
        for row in table().intervals {
            let ber = Ber::new(row.errors, row.bits).expect("there are bits");
            let what = format!("{} in {}", row.errors, row.bits);
            check_close(ber.low, row.low, &what);
            check_close(ber.high, row.high, &what);
            check_close(ber.upper_bound(), row.one_sided_high, &what);
        }
    }

    /// Hanley and Lippman-Hand 1983 (rule of three).
    #[test]
    fn no_errors_give_an_upper_bound() {
        for row in table().no_errors {
            let ber = Ber::new(0, row.bits).expect("there are bits");
            check_close(ber.upper_bound(), row.one_sided_high, "one-sided");
            check_close(ber.high, row.high, "two-sided");
            assert!((ber.upper_bound() * row.bits as f64 / 3.0 - 1.0).abs() < 0.02);
        }
    }

    #[test]
    fn bits_needed_agree_with_the_table() {
        for row in table().bits_needed {
            let bits = bits_needed_without_error(row.ber, row.confidence).expect("inside");
            check_close(bits, row.bits, "bits needed");
        }
        assert_eq!(bits_needed_without_error(0.0, 0.95), None);
        assert_eq!(bits_needed_without_error(1e-3, 1.0), None);
    }

    /// Naive reference: the binomial tail, summed.
    #[test]
    fn limits_leave_the_stated_tail() {
        let probability = |k: u64, n: u64, p: f64| {
            (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64)
                * p.powi(k as i32)
                * (1.0 - p).powi((n - k) as i32)
        };
        for (errors, bits) in [(1, 7), (3, 20), (19, 20), (25, 50)] {
            let interval = clopper_pearson(errors, bits, 0.9).expect("there are bits");
            let at_most: f64 = (0..=errors).map(|k| probability(k, bits, interval.high)).sum();
            let at_least: f64 = (errors..=bits).map(|k| probability(k, bits, interval.low)).sum();
            check_close(at_most, 0.05, "upper tail");
            check_close(at_least, 0.05, "lower tail");
        }
    }

    #[test]
    fn no_rate_without_bits() {
        assert_eq!(Ber::new(0, 0), None);
        assert_eq!(Ber::new(2, 1), None);
        assert_eq!(clopper_pearson(1, 2, f64::NAN), None);
        assert!(Ber::new(u64::MAX, u64::MAX).is_some());
    }

    #[test]
    fn no_errors_are_told_as_a_bound() {
        let tell = |errors, bits| Ber::new(errors, bits).map(|ber| ber.to_string());
        assert_eq!(tell(0, 114_688).as_deref(), Some("below 3.2e-5 (95 %)"));
        assert_eq!(tell(100, 100_000).as_deref(), Some("1.0e-3 (8.1e-4 to 1.2e-3, 95 %)"));
        assert_eq!(tell(1, 1).as_deref(), Some("1.0e0 (2.5e-2 to 1.0e0, 95 %)"));
    }
}
