//! Expectations: bounds on figures, written as people say them.

use std::fmt;

use super::figure_names::FigureName;
use crate::bench::bounds::{Bounds, BoundsError};

/// Bounds on one figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Expectation {
    /// The figure.
    pub figure: &'static FigureName,
    /// The bounds.
    pub bounds: Bounds,
}

/// The outcome of an expectation.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Whether it holds.
    pub passed: bool,
    /// The figure as measured; `None` when it could not be had, which never passes.
    pub measured: Option<f64>,
}

impl Expectation {
    /// Reads `at most X`, `at least X` or `between X and Y`.
    pub(super) fn read(figure: &'static FigureName, text: &str) -> Result<Self, BoundsError> {
        let bounds = Bounds::read(text, figure.dimension)?;
        Ok(Expectation { figure, bounds })
    }

    /// Holds the bounds against figures by name. A figure with a confidence interval must lie
    /// within the bounds with its whole interval: "at most 1e-4" is a claim about the link, not
    /// about the bits that happened to be counted.
    pub fn judge(&self, figure_by_key: impl Fn(&str) -> Option<f64>) -> Verdict {
        let measured = figure_by_key(self.figure.key).filter(|value| !value.is_nan());
        let (low, high) = match self.figure.interval {
            Some((low, high)) => (figure_by_key(low), figure_by_key(high)),
            None => (measured, measured),
        };
        let above = |bound: f64| low.is_some_and(|low| low >= bound);
        let below = |bound: f64| high.is_some_and(|high| high <= bound);
        let passed = measured.is_some()
            && self.bounds.at_least.is_none_or(above)
            && self.bounds.at_most.is_none_or(below);
        Verdict { passed, measured }
    }
}

impl fmt::Display for Expectation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.bounds.shown(self.figure.dimension).fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::super::figure_names::find;
    use super::*;

    #[track_caller]
    fn check_judge(word: &str, text: &str, figures: &[(&str, f64)], passed: bool) {
        let expectation = Expectation::read(find(word).unwrap(), text).unwrap();
        let lookup = |key: &str| figures.iter().find(|(k, _)| *k == key).map(|(_, v)| *v);
        assert_eq!(expectation.judge(lookup).passed, passed, "{word} {text}");
        assert_eq!(expectation.to_string(), text);
    }

    #[test]
    fn bounds_are_held_against_intervals() {
        check_judge("evm", "at most -16 dB", &[("evm_db", -17.2)], true);
        check_judge("evm", "at most -16 dB", &[("evm_db", -15.0)], false);
        check_judge("evm", "at most -16 dB", &[], false);
        check_judge("evm", "at most -16 dB", &[("evm_db", f64::NAN)], false);
        check_judge("bit errors", "at most 0", &[("bit_errors", 0.0)], true);
        // No error in 1000 bits does not prove 1e-4: the upper end of the interval is 3.7e-3.
        let few = [("ber", 0.0), ("ber_low_95", 0.0), ("ber_high_95", 3.7e-3)];
        check_judge("ber", "at most 0.0001", &few, false);
        check_judge("ber", "at most 0.01", &few, true);
        let some = [("ber", 0.03), ("ber_low_95", 0.028), ("ber_high_95", 0.032)];
        check_judge("ber", "between 0.01 and 0.1", &some, true);
        check_judge("ber", "at least 0.03", &some, false);
    }
}
