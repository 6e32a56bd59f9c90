//! Values of settings and readings, what kind of value each takes, and the check of its range.
//!
//! Knows values and units; nothing of how they travel.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::quantity::{Dimension, Quantity};

/// What a setting stands at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// On or off.
    Switch(bool),
    /// A whole number.
    Whole(i64),
    /// A number in the base unit of the setting's dimension.
    Number(f64),
    /// One of the words that the setting knows.
    Word(String),
}

impl Value {
    /// The number, also of a whole one.
    #[must_use]
    pub fn number(&self) -> Option<f64> {
        match self {
            Value::Number(number) => Some(*number),
            Value::Whole(whole) => Some(*whole as f64),
            _ => None,
        }
    }

    /// The whole number.
    #[must_use]
    pub fn whole(&self) -> Option<i64> {
        match self {
            Value::Whole(whole) => Some(*whole),
            _ => None,
        }
    }

    /// The switch.
    #[must_use]
    pub fn switch(&self) -> Option<bool> {
        match self {
            Value::Switch(on) => Some(*on),
            _ => None,
        }
    }
}

impl fmt::Display for Value {
    /// Without unit; [`Kind::show`] adds it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Value::Switch(on) => f.write_str(if *on { "on" } else { "off" }),
            Value::Whole(whole) => whole.fmt(f),
            Value::Number(number) => number.fmt(f),
            Value::Word(word) => f.write_str(word),
        }
    }
}

/// What kind of value a setting or reading takes.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    /// A number with a unit.
    Number {
        /// What it counts; the value is in this dimension's base unit.
        dimension: Dimension,
        /// Smallest value, in the base unit.
        at_least: f64,
        /// Largest value, in the base unit.
        at_most: f64,
    },
    /// A whole number.
    Whole {
        /// Smallest value.
        at_least: i64,
        /// Largest value.
        at_most: i64,
    },
    /// On or off.
    Switch,
    /// One of these words.
    Word(Vec<String>),
}

/// Why a setting cannot take a value. Reads as a fragment.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Unfit {
    /// Beyond the range.
    #[error("{asked} is outside {at_least} to {at_most}")]
    OutOfRange {
        /// The value, with unit.
        asked: String,
        /// Lower end, with unit.
        at_least: String,
        /// Upper end, with unit.
        at_most: String,
    },
    /// Within the range, and none of the values that the setting takes.
    #[error("{asked} is not one of its steps; near it: {nearest}")]
    BetweenSteps {
        /// The value, with unit.
        asked: String,
        /// The steps next to it, with unit.
        nearest: String,
    },
    /// Another kind of value.
    #[error("'{asked}' is not {wanted}")]
    WrongKind {
        /// The value.
        asked: String,
        /// What is wanted.
        wanted: String,
    },
}

impl Kind {
    /// A number of any size.
    #[must_use]
    pub fn any_number(dimension: Dimension) -> Self {
        Kind::Number { dimension, at_least: -f64::MAX, at_most: f64::MAX }
    }

    /// A whole number of any size.
    #[must_use]
    pub fn any_whole() -> Self {
        Kind::Whole { at_least: i64::MIN, at_most: i64::MAX }
    }

    /// Parses a value as files and command lines write it: `1.2 V`, `5`, `on`, `external`.
    ///
    /// # Errors
    /// [`Unfit`], also for a value beyond the range.
    pub fn parse(&self, text: &str) -> Result<Value, Unfit> {
        let text = text.trim();
        let value = match self {
            Kind::Number { dimension, .. } => {
                Quantity::parse(text, *dimension).ok().map(|quantity| Value::Number(quantity.value))
            }
            Kind::Whole { .. } => crate::shape::whole(text).map(Value::Whole),
            Kind::Switch => crate::shape::switch(text).map(Value::Switch),
            Kind::Word(_) => Some(Value::Word(text.into())),
        };
        let value =
            value.ok_or_else(|| Unfit::WrongKind { asked: text.into(), wanted: self.wanted() })?;
        self.fit(&value)?;
        Ok(value)
    }

    /// Checks kind and range, and brings a whole number into a number where one is due.
    ///
    /// # Errors
    /// [`Unfit`].
    pub fn fit(&self, value: &Value) -> Result<Value, Unfit> {
        let wrong = || Unfit::WrongKind { asked: value.to_string(), wanted: self.wanted() };
        match (self, value) {
            (Kind::Number { at_least, at_most, .. }, Value::Number(_) | Value::Whole(_)) => {
                let number =
                    value.number().filter(|number| number.is_finite()).ok_or_else(wrong)?;
                let value = Value::Number(number);
                if (*at_least..=*at_most).contains(&number) {
                    Ok(value)
                } else {
                    let end = |end: f64| self.show(&Value::Number(end));
                    Err(self.out_of_range(&value, end(*at_least), end(*at_most)))
                }
            }
            (Kind::Whole { at_least, at_most }, Value::Whole(whole)) => {
                if (*at_least..=*at_most).contains(whole) {
                    Ok(value.clone())
                } else {
                    Err(self.out_of_range(value, at_least.to_string(), at_most.to_string()))
                }
            }
            (Kind::Switch, Value::Switch(_)) => Ok(value.clone()),
            (Kind::Word(words), Value::Word(word)) if words.contains(word) => Ok(value.clone()),
            _ => Err(wrong()),
        }
    }

    fn out_of_range(&self, asked: &Value, at_least: String, at_most: String) -> Unfit {
        Unfit::OutOfRange { asked: self.show(asked), at_least, at_most }
    }

    /// The value with its unit.
    #[must_use]
    pub fn show(&self, value: &Value) -> String {
        match (self, value) {
            (Kind::Number { dimension, .. }, Value::Number(number)) => {
                Quantity { value: *number, dimension: *dimension }.to_string()
            }
            _ => value.to_string(),
        }
    }

    /// The base unit of a number's dimension; empty for everything else.
    #[must_use]
    pub fn unit(&self) -> &'static str {
        match self {
            Kind::Number { dimension, .. } => dimension.base_unit(),
            _ => "",
        }
    }

    /// What is wanted, in words.
    #[must_use]
    pub fn wanted(&self) -> String {
        match self {
            Kind::Number { dimension, .. } => dimension.example().into(),
            Kind::Whole { .. } => "a whole number such as 12".into(),
            Kind::Switch => "on or off".into(),
            Kind::Word(words) => format!("one of {}", words.join(", ")),
        }
    }
}

/// How far a read-back may differ from what was asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// In the base unit of the setting.
    pub absolute: f64,
    /// As a fraction of what was asked for.
    pub relative: f64,
}

impl Tolerance {
    /// For settings whose profile names none: instruments answer with six digits or more, so a
    /// relative difference of a millionth is rounding of text, not of the setting.
    pub const ROUNDED_TEXT: Tolerance = Tolerance { absolute: 0.0, relative: 1e-6 };

    /// Whether a read-back counts as what was asked for. Anything but numbers must be equal.
    #[must_use]
    pub fn matches(&self, asked: &Value, read_back: &Value) -> bool {
        match (asked, read_back) {
            (Value::Number(asked), Value::Number(read_back)) => {
                (asked - read_back).abs() <= self.absolute.max(self.relative * asked.abs())
            }
            _ => asked == read_back,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn volts() -> Kind {
        Kind::Number { dimension: Dimension::Voltage, at_least: 0.0, at_most: 3.0 }
    }

    #[track_caller]
    fn check_parse(kind: &Kind, text: &str, expected: Result<Value, &str>) {
        let got = kind.parse(text).map_err(|error| error.to_string());
        assert_eq!(got, expected.map_err(ToOwned::to_owned));
    }

    #[test]
    fn values_are_checked_against_kind_and_range() {
        let gain = Kind::Whole { at_least: 0, at_most: 31 };
        let trigger = Kind::Word(vec!["immediate".into(), "external".into()]);
        check_parse(&volts(), "1200 mV", Ok(Value::Number(1.2)));
        check_parse(&volts(), "3.1 V", Err("3.1 V is outside 0 V to 3 V"));
        check_parse(&volts(), "3 A", Err("'3 A' is not a voltage such as 1.2 V"));
        check_parse(&gain, "31", Ok(Value::Whole(31)));
        check_parse(&gain, "0x20", Err("32 is outside 0 to 31"));
        check_parse(&gain, "1.5", Err("'1.5' is not a whole number such as 12"));
        check_parse(&Kind::Switch, "on", Ok(Value::Switch(true)));
        check_parse(&Kind::Switch, "1", Err("'1' is not on or off"));
        check_parse(&trigger, "external", Ok(Value::Word("external".into())));
        check_parse(&trigger, "bus", Err("'bus' is not one of immediate, external"));
        assert!(volts().fit(&Value::Number(f64::NAN)).is_err());
        assert_eq!(volts().fit(&Value::Whole(2)), Ok(Value::Number(2.0)));
    }

    #[test]
    fn read_back_is_compared_with_a_tolerance() {
        let within = |tolerance: Tolerance, asked, got| {
            tolerance.matches(&Value::Number(asked), &Value::Number(got))
        };
        let text = Tolerance::ROUNDED_TEXT;
        assert!(within(text, 7.04e9, 7.040001e9));
        assert!(!within(text, 7.04e9, 7.0401e9));
        assert!(!within(text, 0.0, 1e-12));
        assert!(within(Tolerance { absolute: 0.1, relative: 0.0 }, 21.0, 21.06));
        assert!(!within(text, 1.0, f64::NAN));
        assert!(!text.matches(&Value::Switch(true), &Value::Switch(false)));
    }
}
