//! A checked sequence.

use std::ops::Range;
use std::time::Duration;

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::quantity::{Dimension, Quantity};

use super::expect::Expectation;
use crate::beam::search::{Sides, StrategyKind};
use crate::bench::knob::KnobValue;

/// A sequence whose every name and value was checked against a bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Sequence {
    /// The text it was read from.
    pub source: Source,
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: Option<String>,
    /// Done once before the steps.
    pub prepare: Vec<Step>,
    /// The work.
    pub steps: Vec<Step>,
    /// Done after the steps, also when they failed.
    pub finally: Vec<Step>,
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Where it stands in the file, for messages.
    pub span: Range<usize>,
    /// What it does.
    pub action: Action,
}

/// What a step does.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Sets settings in order.
    Set(Vec<Assignment>),
    /// Waits.
    Wait(Duration),
    /// Runs steps at every combination of the axes' values, the last axis fastest.
    Sweep {
        /// The axes, outermost first.
        axes: Vec<Axis>,
        /// What to do at each.
        body: Vec<Step>,
    },
    /// Searches beams.
    Search(Search),
    /// Captures and analyses.
    Measure(Measure),
    /// Writes a line into the record.
    Note(String),
}

/// A setting and its value.
#[derive(Clone, Debug, PartialEq)]
pub struct Assignment {
    /// The setting's full name.
    pub setting: String,
    /// The value.
    pub value: KnobValue,
}

/// One sweep axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// The setting's full name.
    pub setting: String,
    /// Its values.
    pub values: AxisValues,
}

/// The values of an axis; a range is not written out.
#[derive(Clone, Debug, PartialEq)]
pub enum AxisValues {
    /// One by one.
    List(Vec<KnobValue>),
    /// Equally spaced numbers, both ends included.
    Range {
        /// First value.
        from: f64,
        /// Last value.
        to: f64,
        /// How many.
        count: usize,
        /// Their dimension; `None` for whole numbers.
        dimension: Option<Dimension>,
    },
}

impl AxisValues {
    /// How many values there are.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            AxisValues::List(values) => values.len(),
            AxisValues::Range { count, .. } => *count,
        }
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The value at an index below [`AxisValues::len`].
    #[must_use]
    pub fn get(&self, index: usize) -> Option<KnobValue> {
        match self {
            AxisValues::List(values) => values.get(index).cloned(),
            AxisValues::Range { from, to, count, dimension } => {
                if index >= *count {
                    return None;
                }
                let part = if *count > 1 { index as f64 / (*count - 1) as f64 } else { 0.0 };
                // Sums of fractions leave dust in the last digits, which would show in names and
                // tables; twelve significant digits are more than any knob resolves.
                let value = tidy(from + (to - from) * part, from.abs().max(to.abs()));
                Some(match dimension {
                    Some(dimension) => KnobValue::Number(Quantity { value, dimension: *dimension }),
                    None => KnobValue::Whole(value.round() as i64),
                })
            }
        }
    }
}

/// Rounds to twelve digits below the leading digit of `scale`.
fn tidy(value: f64, scale: f64) -> f64 {
    if scale == 0.0 {
        return value;
    }
    let digits = 11 - scale.log10().floor() as i32;
    if !(-300..=300).contains(&digits) {
        return value;
    }
    let (up, down) =
        if digits >= 0 { (10f64.powi(digits), 1.0) } else { (1.0, 10f64.powi(-digits)) };
    (value * up / down).round() / up * down
}

/// A beam search.
#[derive(Clone, Debug, PartialEq)]
pub struct Search {
    /// Whose beams may change.
    pub sides: Sides,
    /// The strategy.
    pub strategy: StrategyKind,
    /// A name for the report.
    pub label: Option<String>,
}

/// A measurement.
#[derive(Clone, Debug, PartialEq)]
pub struct Measure {
    /// A name for tables and the report.
    pub label: Option<String>,
    /// When to stop.
    pub until: Until,
    /// Whether raw captures are kept.
    pub keep_captures: bool,
    /// Bounds on the figures.
    pub expect: Vec<Expectation>,
}

/// When a measurement has seen enough: whichever comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Until {
    /// So many bit errors.
    pub bit_errors: Option<u64>,
    /// So many bits compared.
    pub bits: Option<u64>,
    /// So many captures.
    pub captures: Option<u64>,
}

/// Captures in a row without a bit after which a measurement gives up, as when no frame is received or
/// the lock was lost on the way.
pub const FRUITLESS_CAPTURES_MAX: u64 = 3;

impl Until {
    /// One capture.
    pub const ONE_CAPTURE: Until = Until { bit_errors: None, bits: None, captures: Some(1) };

    /// Whether enough was seen.
    #[must_use]
    pub fn reached(&self, bits: u64, bit_errors: u64, captures: u64) -> bool {
        self.bits.is_some_and(|wanted| bits >= wanted)
            || self.bit_errors.is_some_and(|wanted| bit_errors >= wanted)
            || self.captures.is_some_and(|wanted| captures >= wanted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_have_no_dust() {
        let axis =
            AxisValues::Range { from: -0.3, to: 0.3, count: 7, dimension: Some(Dimension::Angle) };
        let shown: Vec<_> = (0..7).map(|n| axis.get(n).unwrap().as_number().unwrap()).collect();
        assert_eq!(shown, [-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3]);
        assert_eq!(axis.get(7), None);
        let large = AxisValues::Range { from: 1e9, to: 7e9, count: 3, dimension: None };
        assert_eq!(large.get(1), Some(KnobValue::Whole(4_000_000_000)));
    }

    #[test]
    fn whatever_comes_first_is_enough() {
        let until = Until { bit_errors: Some(100), bits: Some(1_000_000), captures: None };
        assert!(!until.reached(999, 99, 2));
        assert!(until.reached(999, 100, 2));
        assert!(until.reached(1_000_000, 0, 2));
        assert!(!until.reached(0, 0, 200));
        assert!(Until::ONE_CAPTURE.reached(0, 0, 1));
    }
}
