//! Interlocks: conditions on readings that are watched during a whole run.
//!
//! Values only; the run watches. An interlock in software is no protection of people: that needs
//! hardware, by the rules of the site.

use std::fmt;
use std::time::Duration;

use beamwarden_drivers::quantity::Dimension;

use super::bounds::Bounds;
use super::knob::KnobValue;

/// A condition on one reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Interlock {
    /// Its name, for messages: the reading's when none was given.
    pub name: String,
    /// The reading, or a setting that is read back: `supply.current`.
    pub reading: String,
    /// What it must be.
    pub wanted: Wanted,
    /// How often it is looked at.
    pub every: Duration,
    /// A reading that was not had for so long counts as out of bounds.
    pub within: Duration,
    /// What happens.
    pub then: Trip,
}

/// What a reading must be.
#[derive(Clone, Debug, PartialEq)]
pub enum Wanted {
    /// A number within bounds.
    Within(Bounds, Dimension),
    /// A switch in this position: a lock bit, a contact.
    Switch(bool),
    /// One of these words.
    OneOf(Vec<String>),
}

/// What happens when a condition does not hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trip {
    /// Safe state, and the run ends.
    Stop,
    /// Safe state; when the condition has held for `settle`, the settings are made again and the point
    /// begins anew. After `at_most` the run ends.
    Pause {
        /// How long the condition must hold.
        settle: Duration,
        /// Longest pause.
        at_most: Duration,
    },
}

impl Wanted {
    /// Whether a value is as it must be; one of another kind never is.
    #[must_use]
    pub fn holds(&self, value: &KnobValue) -> bool {
        match (self, value) {
            (Wanted::Within(bounds, _), value) => {
                value.as_number().is_some_and(|number| bounds.hold(number))
            }
            (Wanted::Switch(wanted), KnobValue::Switch(on)) => wanted == on,
            (Wanted::OneOf(words), KnobValue::Word(word)) => words.contains(word),
            _ => false,
        }
    }

    /// Whether a value is above an upper bound: nothing that is switched off brings it there.
    #[must_use]
    pub fn is_exceeded_by(&self, value: &KnobValue) -> bool {
        match (self, value.as_number()) {
            (Wanted::Within(bounds, _), Some(number)) => {
                bounds.at_most.is_some_and(|high| number > high)
            }
            _ => false,
        }
    }
}

/// In words: `at most 0.5 A`, `on`, `one of idle, ready`.
impl fmt::Display for Wanted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Wanted::Within(bounds, dimension) => bounds.shown(*dimension).fmt(f),
            Wanted::Switch(true) => f.write_str("on"),
            Wanted::Switch(false) => f.write_str("off"),
            Wanted::OneOf(words) => match words.as_slice() {
                [word] => f.write_str(word),
                words => write!(f, "one of {}", words.join(", ")),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use beamwarden_drivers::quantity::Quantity;

    #[track_caller]
    fn check(wanted: &Wanted, shown: &str, value: &KnobValue, holds: bool, exceeded: bool) {
        assert_eq!(wanted.to_string(), shown);
        assert_eq!((wanted.holds(value), wanted.is_exceeded_by(value)), (holds, exceeded));
    }

    #[test]
    fn conditions_hold_or_do_not() {
        let amperes = |value| KnobValue::Number(Quantity { value, dimension: Dimension::Current });
        let bounds = Bounds { at_least: Some(0.3), at_most: Some(0.5) };
        let within = Wanted::Within(bounds, Dimension::Current);
        let shown = "between 0.3 A and 0.5 A";
        check(&within, shown, &amperes(0.4), true, false);
        check(&within, shown, &amperes(0.6), false, true);
        check(&within, shown, &amperes(0.0), false, false);
        check(&within, shown, &amperes(f64::NAN), false, false);
        check(&within, shown, &KnobValue::Switch(true), false, false);
        check(&Wanted::Switch(true), "on", &KnobValue::Switch(true), true, false);
        check(&Wanted::Switch(true), "on", &KnobValue::Switch(false), false, false);
        let words = Wanted::OneOf(vec!["idle".into(), "ready".into()]);
        check(&words, "one of idle, ready", &KnobValue::Word("ready".into()), true, false);
        check(&words, "one of idle, ready", &KnobValue::Word("busy".into()), false, false);
    }
}
