//! Bounds written as people say them: at most X, at least X, between X and Y.
//!
//! Knows nothing of what is bounded.

use std::fmt;

use beamwarden_drivers::quantity::{Dimension, Quantity, QuantityError};

/// Bounds in a dimension's base unit, both included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Lower bound.
    pub at_least: Option<f64>,
    /// Upper bound.
    pub at_most: Option<f64>,
}

/// Why a bound cannot be read, a fragment for messages.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BoundsError {
    /// Not one of the three forms.
    #[error("'{0}' is no bound; write at most X, at least X, or between X and Y")]
    Form(String),
    /// A value has no such unit.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// Nothing lies between the two.
    #[error("the lower bound of '{0}' is above the upper one")]
    Empty(String),
}

impl BoundsError {
    /// What was probably meant by bounds on something of a dimension.
    #[must_use]
    pub fn advice(&self, dimension: Dimension) -> Option<String> {
        match self {
            BoundsError::Quantity(error) => error.advice(dimension),
            BoundsError::Form(text) => {
                let (words, rest) = [("at most", '<'), ("at least", '>')]
                    .iter()
                    .find_map(|(words, sign)| Some((words, text.strip_prefix(*sign)?)))?;
                Some(format!("write {words} {}", rest.trim_start_matches('=').trim_start()))
            }
            BoundsError::Empty(_) => None,
        }
    }
}

impl Bounds {
    /// Reads `at most X`, `at least X` or `between X and Y`.
    ///
    /// # Errors
    /// [`BoundsError`].
    pub fn read(text: &str, dimension: Dimension) -> Result<Self, BoundsError> {
        let value = |text: &str| Quantity::parse(text, dimension).map(|q| q.value);
        let text = text.trim();
        let bounds = if let Some(rest) = text.strip_prefix("at most ") {
            Bounds { at_least: None, at_most: Some(value(rest)?) }
        } else if let Some(rest) = text.strip_prefix("at least ") {
            Bounds { at_least: Some(value(rest)?), at_most: None }
        } else if let Some((low, high)) =
            text.strip_prefix("between ").and_then(|rest| rest.split_once(" and "))
        {
            Bounds { at_least: Some(value(low)?), at_most: Some(value(high)?) }
        } else {
            return Err(BoundsError::Form(text.to_string()));
        };
        match (bounds.at_least, bounds.at_most) {
            (Some(low), Some(high)) if low > high => Err(BoundsError::Empty(text.to_string())),
            _ => Ok(bounds),
        }
    }

    /// Whether a value lies within them; what is no number never does.
    #[must_use]
    pub fn hold(&self, value: f64) -> bool {
        !value.is_nan()
            && self.at_least.is_none_or(|low| value >= low)
            && self.at_most.is_none_or(|high| value <= high)
    }

    /// As they are written, with units.
    #[must_use]
    pub fn shown(&self, dimension: Dimension) -> impl fmt::Display + use<> {
        let show = |value| Quantity { value, dimension };
        match (self.at_least, self.at_most) {
            (Some(low), Some(high)) => format!("between {} and {}", show(low), show(high)),
            (Some(low), None) => format!("at least {}", show(low)),
            (None, Some(high)) => format!("at most {}", show(high)),
            (None, None) => "anything".to_string(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, holds: &[f64], fails: &[f64]) {
        let bounds = Bounds::read(text, Dimension::Current).unwrap();
        assert!(holds.iter().all(|value| bounds.hold(*value)), "{text}");
        assert!(fails.iter().all(|value| !bounds.hold(*value)), "{text}");
        let shown = bounds.shown(Dimension::Current).to_string();
        assert_eq!(Bounds::read(&shown, Dimension::Current).unwrap(), bounds, "{text}");
    }

    #[test]
    fn bounds_hold_what_lies_within_them() {
        check("at most 0.5 A", &[0.5, -1.0], &[0.6, f64::NAN]);
        check("at least 0.5 A", &[0.5, 2.0], &[0.4, f64::NAN]);
        check("between 0.3 A and 0.5 A", &[0.3, 0.4, 0.5], &[0.29, 0.51, f64::NAN]);
    }

    #[test]
    fn unreadable_bounds_say_how() {
        let read = |text| Bounds::read(text, Dimension::Decibel).unwrap_err().to_string();
        assert!(read("-16 dB").contains("write at most X"));
        assert!(read("at most -16").contains("has no unit"));
        assert!(read("between 3 dB and 1 dB").contains("above"));
        let advice =
            |text| Bounds::read(text, Dimension::Decibel).unwrap_err().advice(Dimension::Decibel);
        assert_eq!(advice("< -16 dB").unwrap(), "write at most -16 dB");
        assert_eq!(advice(">= 3 dB").unwrap(), "write at least 3 dB");
        assert_eq!(advice("at most 3 db").unwrap(), "did you mean 'dB'?");
        assert_eq!(advice("3 dB"), None);
    }
}
