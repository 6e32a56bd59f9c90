//! The values that a setting takes, where it does not take all within its range.
//!
//! Knows numbers; nothing of how they travel.

use crate::value::{Kind, Unfit, Value};

/// How far from a step a value may be and still be that step, relative to the larger of value and
/// distance: texts such as `1e-3` and sums of decimals are not exact in binary.
const ON_STEP: f64 = 1e-9;

/// The values that a setting takes.
#[derive(Clone, Debug, PartialEq)]
pub struct Steps {
    /// The values.
    pub grid: Grid,
    /// What becomes of a value between two of them.
    pub between: BetweenSteps,
}

/// Values, in the base unit.
#[derive(Clone, Debug, PartialEq)]
pub enum Grid {
    /// At equal distances.
    Every {
        /// The distance, above 0.
        of: f64,
        /// One of the values.
        from: f64,
    },
    /// These, in rising order, at least one.
    Values(Vec<f64>),
}

/// What becomes of a value between two steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BetweenSteps {
    /// It is refused.
    Refuse,
    /// The nearest step is set instead.
    Nearest,
}

impl Steps {
    /// The value if it is a step, or what is set instead. `value` is of the kind and in its range.
    ///
    /// # Errors
    /// [`Unfit::BetweenSteps`] where such values are refused.
    pub fn fit(&self, kind: &Kind, value: &Value) -> Result<Value, Unfit> {
        let Some(number) = value.number() else { return Ok(value.clone()) };
        let (at_least, at_most) = ends(kind);
        let (below, above) = self.grid.around(number);
        // An end of the range is a step also where the last digits of the two differ.
        let slack = |end: f64| ON_STEP * end.abs().min(f64::MAX);
        let within =
            |step: &f64| *step >= at_least - slack(at_least) && *step <= at_most + slack(at_most);
        let is_step = |step: &f64| {
            let distance = (above.unwrap_or(*step) - below.unwrap_or(*step)).abs();
            (step - number).abs() <= ON_STEP * number.abs().max(distance)
        };
        let (below, above) = (below.filter(within), above.filter(within));
        if below.iter().chain(&above).any(is_step) {
            return Ok(value.clone());
        }
        let nearest = match (below, above) {
            (Some(below), Some(above)) if above - number < number - below => Some(above),
            (below, above) => below.or(above),
        };
        match (nearest, self.between) {
            (Some(step), BetweenSteps::Nearest) => Ok(of_kind(kind, step.clamp(at_least, at_most))),
            _ => {
                let shown = |step: Option<f64>| step.map(|step| kind.show(&of_kind(kind, step)));
                let steps: Vec<String> =
                    [shown(below), shown(above)].into_iter().flatten().collect();
                Err(Unfit::BetweenSteps { asked: kind.show(value), nearest: steps.join(" and ") })
            }
        }
    }
}

impl Steps {
    /// The steps in words, with what becomes of other values: "in steps of 10 mV, others are refused".
    #[must_use]
    pub fn describe(&self, kind: &Kind) -> String {
        let shown = |number: f64| kind.show(&of_kind(kind, number));
        let values = match &self.grid {
            Grid::Every { of, from } if *from == 0.0 => format!("in steps of {}", shown(*of)),
            Grid::Every { of, from } => format!("in steps of {} from {}", shown(*of), shown(*from)),
            Grid::Values(values) => {
                values.iter().map(|value| shown(*value)).collect::<Vec<_>>().join(" | ")
            }
        };
        let others = match self.between {
            BetweenSteps::Refuse => "others are refused",
            BetweenSteps::Nearest => "others become the nearest",
        };
        format!("{values}, {others}")
    }
}

impl Grid {
    /// The values next to a number, below (or equal) and above.
    fn around(&self, number: f64) -> (Option<f64>, Option<f64>) {
        match self {
            Grid::Every { of, from } => {
                let count = ((number - from) / of).floor();
                (Some(nth(count, *of, *from)), Some(nth(count + 1.0, *of, *from)))
            }
            Grid::Values(values) => {
                let at = values.partition_point(|value| *value <= number);
                (at.checked_sub(1).map(|at| values[at]), values.get(at).copied())
            }
        }
    }
}

/// The value so many distances from the first. Distances below one are counted by their whole
/// inverse where they have one: 0.1 is no binary number, 10 is, and 3 times 100 mV shall be 0.3 V.
fn nth(count: f64, of: f64, from: f64) -> f64 {
    let inverse = (1.0 / of).round();
    if of < 1.0 && (inverse * of - 1.0).abs() < 1e-12 {
        whole_if_near(from * inverse + count) / inverse
    } else {
        from + count * of
    }
}

/// The whole number next to it when it is one but for the last digits.
fn whole_if_near(number: f64) -> f64 {
    let whole = number.round();
    if (whole - number).abs() <= 1e-9 * whole.abs().max(1.0) { whole } else { number }
}

fn ends(kind: &Kind) -> (f64, f64) {
    match kind {
        Kind::Number { at_least, at_most, .. } => (*at_least, *at_most),
        Kind::Whole { at_least, at_most } => (*at_least as f64, *at_most as f64),
        _ => (f64::NEG_INFINITY, f64::INFINITY),
    }
}

/// A step as a value of the kind; steps of whole numbers are whole.
fn of_kind(kind: &Kind, step: f64) -> Value {
    match kind {
        Kind::Whole { .. } => Value::Whole(step as i64),
        _ => Value::Number(step),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Dimension;
    use proptest::prelude::*;

    fn volts() -> Kind {
        Kind::Number { dimension: Dimension::Voltage, at_least: 0.0, at_most: 3.05 }
    }

    #[track_caller]
    fn check(kind: &Kind, grid: Grid, asked: Value, nearest: &Value, refused: Option<&str>) {
        let fit = |between| Steps { grid: grid.clone(), between }.fit(kind, &asked);
        assert_eq!(fit(BetweenSteps::Nearest).as_ref(), Ok(nearest));
        let outcome = fit(BetweenSteps::Refuse).map_err(|unfit| unfit.to_string());
        match refused {
            None => assert_eq!(outcome.as_ref(), Ok(&asked)),
            Some(message) => assert_eq!(outcome, Err(message.to_string())),
        }
    }

    #[test]
    fn values_between_steps_are_refused_or_rounded() {
        let tenths = || Grid::Every { of: 0.1, from: 0.0 };
        let number = Value::Number;
        check(&volts(), tenths(), number(0.1 + 0.2), &number(0.1 + 0.2), None);
        check(
            &volts(),
            tenths(),
            number(0.33),
            &number(0.3),
            Some("330 mV is not one of its steps; near it: 300 mV and 400 mV"),
        );
        // 3.1 V would be beyond the range.
        check(
            &volts(),
            tenths(),
            number(3.05),
            &number(3.0),
            Some("3.05 V is not one of its steps; near it: 3 V"),
        );
        let odd = Grid::Every { of: 2.0, from: 1.0 };
        let whole = Kind::Whole { at_least: 0, at_most: 9 };
        check(&whole, odd.clone(), Value::Whole(7), &Value::Whole(7), None);
        let refused = Some("0 is not one of its steps; near it: 1");
        check(&whole, odd, Value::Whole(0), &Value::Whole(1), refused);
        let list = || Grid::Values(vec![0.005, 0.05, 0.5, 2.0]);
        check(&volts(), list(), number(0.5), &number(0.5), None);
        let refused = Some("600 mV is not one of its steps; near it: 500 mV and 2 V");
        check(&volts(), list(), number(0.6), &number(0.5), refused);
        check(
            &volts(),
            list(),
            number(3.0),
            &number(2.0),
            Some("3 V is not one of its steps; near it: 2 V"),
        );
    }

    proptest! {
        #[test]
        fn a_rounded_value_is_a_step(number in 0.0..3.0f64, of in 0.001..0.5f64, from in -1.0..1.0f64) {
            let grid = Grid::Every { of, from };
            let rounded = Steps { grid: grid.clone(), between: BetweenSteps::Nearest }
                .fit(&volts(), &Value::Number(number))
                .unwrap();
            let again = Steps { grid, between: BetweenSteps::Refuse }.fit(&volts(), &rounded);
            prop_assert_eq!(again, Ok(rounded.clone()));
            prop_assert!((rounded.number().unwrap() - number).abs() <= of * (1.0 + 1e-6));
        }
    }
}
