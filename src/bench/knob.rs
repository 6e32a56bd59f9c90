//! Knobs: every setting that anybody may set, with its kind, range and limits.
//!
//! One table of knobs serves the check of a sequence (offline) and the door to the instruments.
//! Beside the instruments' own settings it holds three that the bench derives: `frame`, `beam.tx`
//! and `beam.rx`. Knows nothing of messages or links.

use std::collections::BTreeMap;
use std::fmt;

use beamwarden_drivers::fault::nearest;
use beamwarden_drivers::profile::{BetweenSteps, Steps};
use beamwarden_drivers::quantity::{Dimension, Quantity};
use beamwarden_drivers::shape;
use beamwarden_drivers::value::{Kind, Value};

use super::frame_file::NamedFrame;
use crate::record::{RecordedValue, Value as RecordValue};

/// The knob that loads and plays a frame.
pub const FRAME: &str = "frame";
/// The knob that steers the transmitter's beam.
pub const BEAM_TX: &str = "beam.tx";
/// The knob that steers the receiver's beam.
pub const BEAM_RX: &str = "beam.rx";

/// What a knob takes.
#[derive(Clone, Debug, PartialEq)]
pub enum KnobKind {
    /// A number with a unit.
    Number(Dimension),
    /// A whole number.
    Whole,
    /// On or off.
    Switch,
    /// One of these words.
    Word(Vec<String>),
    /// A frame by name: one of these, or one that has a name of its own.
    Frame(Vec<NamedFrame>),
}

/// A value for a knob.
#[derive(Clone, Debug, PartialEq)]
pub enum KnobValue {
    /// A number in the base unit of its dimension.
    Number(Quantity),
    /// A whole number.
    Whole(i64),
    /// On or off.
    Switch(bool),
    /// A word.
    Word(String),
    /// A frame.
    Frame(Box<NamedFrame>),
}

impl KnobValue {
    /// The value as a number for comparing with bounds; `None` where there is no order.
    #[must_use]
    pub fn as_number(&self) -> Option<f64> {
        match self {
            KnobValue::Number(quantity) => Some(quantity.value),
            // Values beyond 2^53 are refused when read.
            KnobValue::Whole(value) => Some(*value as f64),
            _ => None,
        }
    }
}

impl fmt::Display for KnobValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            KnobValue::Number(quantity) => quantity.fmt(f),
            KnobValue::Whole(value) => value.fmt(f),
            KnobValue::Switch(on) => f.write_str(if *on { "on" } else { "off" }),
            KnobValue::Word(word) => f.write_str(word),
            KnobValue::Frame(frame) => f.write_str(&frame.name),
        }
    }
}

/// A bound and who set it.
#[derive(Clone, Debug, PartialEq)]
pub struct Bound {
    /// The bound, in the base unit.
    pub value: f64,
    /// Where it comes from: "profile scpi-supply", "limits of bench packing-arm".
    pub origin: String,
    /// Whether it protects the bench, so that nothing may be found beyond it either; otherwise it
    /// tells what an instrument takes.
    pub protects: bool,
}

/// One knob.
#[derive(Clone, Debug, PartialEq)]
pub struct Knob {
    /// Full name, `supply.voltage`.
    pub name: String,
    /// What it takes.
    pub kind: KnobKind,
    /// Lower bounds, any of which refuses.
    pub at_least: Vec<Bound>,
    /// Upper bounds, any of which refuses.
    pub at_most: Vec<Bound>,
    /// The values that it takes, where it does not take all within its bounds.
    pub steps: Option<KnobSteps>,
}

/// The values that a knob takes, and who says so.
#[derive(Clone, Debug, PartialEq)]
pub struct KnobSteps {
    /// The values.
    pub steps: Steps,
    /// Kind and range that the profile gives.
    pub kind: Kind,
    /// Where they come from: "profile scpi-supply".
    pub origin: String,
}

/// Why a value is refused, a fragment for messages.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum KnobError {
    /// The text is no value of the knob's kind.
    #[error("{setting}: {message}")]
    Unreadable {
        /// The knob.
        setting: String,
        /// What is wrong with the text.
        message: String,
        /// What would be right.
        help: Option<String>,
    },
    /// The value passes a bound.
    #[error("{setting}: {value} is {side} the limit of {limit} ({origin})")]
    BeyondLimit {
        /// The knob.
        setting: String,
        /// The value asked for.
        value: String,
        /// "above" or "below".
        side: &'static str,
        /// The bound.
        limit: String,
        /// Who set it.
        origin: String,
    },
    /// The value lies between two steps that are taken, and the profile refuses such.
    #[error("{setting}: {why} ({origin})")]
    BetweenSteps {
        /// The knob.
        setting: String,
        /// What is wrong, with the steps next to it.
        why: String,
        /// Who says so.
        origin: String,
    },
    /// There is nothing of this name that can be read.
    #[error("there is no reading or setting '{name}' on this bench")]
    UnknownReading {
        /// The name asked for.
        name: String,
        /// The nearest known name.
        help: Option<String>,
    },
    /// There is no such knob.
    #[error("there is no setting '{setting}' on this bench")]
    Unknown {
        /// The name asked for.
        setting: String,
        /// The nearest known name.
        help: Option<String>,
    },
}

impl KnobError {
    /// Advice to show beside the message.
    #[must_use]
    pub fn help(&self) -> Option<String> {
        match self {
            KnobError::Unreadable { help, .. }
            | KnobError::Unknown { help, .. }
            | KnobError::UnknownReading { help, .. } => help.clone(),
            KnobError::BetweenSteps { .. } => {
                Some("take one of them; 'between steps: nearest' in the profile rounds".into())
            }
            KnobError::BeyondLimit { .. } => {
                Some("limits protect the bench; they are changed in the bench file only".into())
            }
        }
    }
}

impl Knob {
    /// Reads a value as written in a file or on the command line; does not check bounds.
    ///
    /// # Errors
    /// [`KnobError::Unreadable`].
    pub fn read(&self, text: &str) -> Result<KnobValue, KnobError> {
        let unreadable = |message: String, help: Option<String>| KnobError::Unreadable {
            setting: self.name.clone(),
            message,
            help,
        };
        match &self.kind {
            KnobKind::Number(dimension) => Quantity::parse(text, *dimension)
                .map(KnobValue::Number)
                .map_err(|error| unreadable(error.to_string(), error.advice(*dimension))),
            KnobKind::Whole => shape::whole(text)
                .map(KnobValue::Whole)
                .ok_or_else(|| unreadable(format!("'{text}' is not a whole number"), None)),
            KnobKind::Switch => shape::switch(text)
                .map(KnobValue::Switch)
                .ok_or_else(|| unreadable(format!("'{text}' is not on or off"), None)),
            KnobKind::Word(words) => {
                if words.iter().any(|word| word == text) {
                    return Ok(KnobValue::Word(text.to_string()));
                }
                let known: Vec<&str> = words.iter().map(String::as_str).collect();
                let help = shape::suggestion(text, &known);
                Err(unreadable(format!("'{text}' is not known here"), Some(help)))
            }
            KnobKind::Frame(own) => match own.iter().find(|frame| frame.name == text.trim()) {
                Some(frame) => Ok(KnobValue::Frame(Box::new(frame.clone()))),
                None => NamedFrame::parse(text)
                    .map(|frame| KnobValue::Frame(Box::new(frame)))
                    .map_err(|error| unreadable(error.to_string(), own_names(own))),
            },
        }
    }

    /// Refuses a value that may not be set: beyond a bound, between two steps, or one whose nearest
    /// step, which would be set instead, is beyond a bound.
    ///
    /// # Errors
    /// [`KnobError::BeyondLimit`], [`KnobError::BetweenSteps`].
    pub fn check(&self, value: &KnobValue) -> Result<(), KnobError> {
        self.check_bounds(value)?;
        let (Some(taken), Some(wanted)) = (&self.steps, to_driver(value)) else { return Ok(()) };
        match taken.steps.fit(&taken.kind, &wanted) {
            Ok(set) if set == wanted => Ok(()),
            Ok(set) => {
                let set = from_driver(&taken.kind, &set);
                self.bounded(&set, || format!("{value}, of which {set} is the nearest step,"))
            }
            Err(unfit) => Err(KnobError::BetweenSteps {
                setting: self.name.clone(),
                why: unfit.to_string(),
                origin: taken.origin.clone(),
            }),
        }
    }

    /// Refuses a value beyond any bound, also one that was read back and lies between two steps.
    ///
    /// # Errors
    /// [`KnobError::BeyondLimit`] with the tightest bound that is passed.
    pub fn check_bounds(&self, value: &KnobValue) -> Result<(), KnobError> {
        self.bounded(value, || value.to_string())
    }

    /// The same with the bench file's limits alone: those that protect, not those that tell what an
    /// instrument takes.
    pub(super) fn with_protecting_limits_only(&self) -> Self {
        let mut knob = self.clone();
        knob.at_least.retain(|bound| bound.protects);
        knob.at_most.retain(|bound| bound.protects);
        knob
    }

    /// The bound that a number passes; the number itself where it passes none.
    #[must_use]
    pub fn nearest_within(&self, value: &KnobValue) -> Option<KnobValue> {
        let low = self.at_least.iter().map(|bound| bound.value).fold(f64::MIN, f64::max);
        let high = self.at_most.iter().map(|bound| bound.value).fold(f64::MAX, f64::min);
        match value {
            KnobValue::Number(number) => {
                let value = number.value.max(low).min(high);
                Some(KnobValue::Number(Quantity { value, ..*number }))
            }
            KnobValue::Whole(whole) => {
                Some(KnobValue::Whole((*whole as f64).max(low.ceil()).min(high.floor()) as i64))
            }
            _ => None,
        }
    }

    /// The step nearest to a value among those within all bounds; the value itself where every
    /// value is taken.
    #[must_use]
    pub fn nearest_step(&self, value: &KnobValue) -> Option<KnobValue> {
        let (Some(taken), Some(wanted)) = (&self.steps, to_driver(value)) else {
            return Some(value.clone());
        };
        let low = self.at_least.iter().map(|bound| bound.value).max_by(f64::total_cmp);
        let high = self.at_most.iter().map(|bound| bound.value).min_by(f64::total_cmp);
        let (low, high) = (low.unwrap_or(-f64::MAX), high.unwrap_or(f64::MAX));
        let kind = match taken.kind {
            Kind::Number { dimension, .. } => {
                Kind::Number { dimension, at_least: low, at_most: high }
            }
            Kind::Whole { .. } => {
                Kind::Whole { at_least: low.ceil() as i64, at_most: high.floor() as i64 }
            }
            _ => return Some(value.clone()),
        };
        let steps = Steps { between: BetweenSteps::Nearest, ..taken.steps.clone() };
        Some(from_driver(&kind, &steps.fit(&kind, &wanted).ok()?))
    }

    fn bounded(&self, value: &KnobValue, shown: impl Fn() -> String) -> Result<(), KnobError> {
        let Some(number) = value.as_number() else { return Ok(()) };
        if number.is_nan() {
            let (setting, message) = (self.name.clone(), "that is no number".to_string());
            return Err(KnobError::Unreadable { setting, message, help: None });
        }
        let refuse = |side: &'static str, bound: &Bound| KnobError::BeyondLimit {
            setting: self.name.clone(),
            value: shown(),
            side,
            limit: self.show(bound.value),
            origin: bound.origin.clone(),
        };
        // A bound written in another multiple may differ in the last bit of its binary form.
        let slack = |bound: f64| bound.abs() * 1e-12;
        let above = self.at_most.iter().filter(|b| number > b.value + slack(b.value));
        if let Some(bound) = above.min_by(|a, b| a.value.total_cmp(&b.value)) {
            return Err(refuse("above", bound));
        }
        let below = self.at_least.iter().filter(|b| number < b.value - slack(b.value));
        match below.max_by(|a, b| a.value.total_cmp(&b.value)) {
            Some(bound) => Err(refuse("below", bound)),
            None => Ok(()),
        }
    }

    /// A value of this knob from a record; `None` when it is none that this knob can have.
    #[must_use]
    pub fn of_record(&self, recorded: &RecordedValue) -> Option<KnobValue> {
        match (&self.kind, &recorded.value) {
            (KnobKind::Number(dimension), value) => {
                let value = value.as_f64()?;
                Some(KnobValue::Number(Quantity { value, dimension: *dimension }))
            }
            // Whole numbers below 2^53 are exact in a double.
            (KnobKind::Whole, value) => Some(KnobValue::Whole(value.as_f64()? as i64)),
            (KnobKind::Switch, RecordValue::Switch(on)) => Some(KnobValue::Switch(*on)),
            (_, RecordValue::Word(word)) => self.read(word).ok(),
            _ => None,
        }
    }

    /// A number of this knob in its unit.
    #[must_use]
    pub fn show(&self, number: f64) -> String {
        match self.kind {
            KnobKind::Number(dimension) => Quantity { value: number, dimension }.to_string(),
            _ => number.to_string(),
        }
    }
}

/// A driver's value in the bench's words.
pub(super) fn from_driver(kind: &Kind, value: &Value) -> KnobValue {
    match (kind, value) {
        (Kind::Number { dimension, .. }, Value::Number(number)) => {
            KnobValue::Number(Quantity { value: *number, dimension: *dimension })
        }
        (_, Value::Number(number)) => {
            KnobValue::Number(Quantity { value: *number, dimension: Dimension::Ratio })
        }
        (_, Value::Whole(whole)) => KnobValue::Whole(*whole),
        (_, Value::Switch(on)) => KnobValue::Switch(*on),
        (_, Value::Word(word)) => KnobValue::Word(word.clone()),
    }
}

/// A value of the bench in the drivers' words; a frame is none of theirs.
pub(super) fn to_driver(value: &KnobValue) -> Option<Value> {
    Some(match value {
        KnobValue::Number(quantity) => Value::Number(quantity.value),
        KnobValue::Whole(whole) => Value::Whole(*whole),
        KnobValue::Switch(on) => Value::Switch(*on),
        KnobValue::Word(word) => Value::Word(word.clone()),
        KnobValue::Frame(..) => return None,
    })
}

/// The frames that the bench file adds, for advice.
fn own_names(own: &[NamedFrame]) -> Option<String> {
    let names: Vec<&str> = own.iter().map(|frame| frame.name.as_str()).collect();
    (!names.is_empty()).then(|| format!("the bench file adds {}", names.join(", ")))
}

/// All knobs of a bench by name.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct KnobTable {
    knobs: BTreeMap<String, Knob>,
    /// What can only be read.
    readings: BTreeMap<String, KnobKind>,
}

impl KnobTable {
    /// Adds a knob; a second one of the same name replaces the first.
    pub fn add(&mut self, knob: Knob) {
        self.knobs.insert(knob.name.clone(), knob);
    }

    /// Finds a knob.
    ///
    /// # Errors
    /// [`KnobError::Unknown`] with the nearest name.
    pub fn get(&self, name: &str) -> Result<&Knob, KnobError> {
        self.knobs.get(name).ok_or_else(|| KnobError::Unknown {
            setting: name.to_string(),
            help: Some(match nearest(name, self.knobs.keys().map(String::as_str)) {
                Some(near) => format!("did you mean '{near}'?"),
                None => "'beamwarden bench --settings' lists all settings".into(),
            }),
        })
    }

    /// Adds what can only be read.
    pub fn add_reading(&mut self, name: String, kind: KnobKind) {
        self.readings.insert(name, kind);
    }

    /// What a reading is, or a setting that is read back.
    ///
    /// # Errors
    /// [`KnobError::UnknownReading`] with the nearest name.
    pub fn readable(&self, name: &str) -> Result<&KnobKind, KnobError> {
        let known = self.readings.get(name).or_else(|| Some(&self.knobs.get(name)?.kind));
        known.ok_or_else(|| {
            let names = self.readings.keys().chain(self.knobs.keys()).map(String::as_str);
            KnobError::UnknownReading {
                name: name.to_string(),
                help: Some(match nearest(name, names) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => "'beamwarden bench --settings' lists all settings".into(),
                }),
            }
        })
    }

    /// For adding limits.
    pub fn get_mut(&mut self, name: &str) -> Option<&mut Knob> {
        self.knobs.get_mut(name)
    }

    /// All knobs in order of name.
    pub fn iter(&self) -> impl Iterator<Item = &Knob> {
        self.knobs.values()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use beamwarden_drivers::profile::Grid;

    fn voltage() -> Knob {
        let bound = |value, origin: &str| Bound { value, origin: origin.into(), protects: false };
        Knob {
            name: "supply.voltage".into(),
            kind: KnobKind::Number(Dimension::Voltage),
            at_least: vec![bound(0.0, "profile scpi-supply")],
            at_most: vec![bound(3.0, "profile scpi-supply"), bound(1.25, "bench b")],
            steps: None,
        }
    }

    #[track_caller]
    fn check_voltage(text: &str, expected: Result<&str, &str>) {
        let knob = voltage();
        let outcome = knob.read(text).and_then(|value| knob.check(&value).map(|()| value));
        match (outcome, expected) {
            (Ok(value), Ok(shown)) => assert_eq!(value.to_string(), shown),
            (Err(error), Err(message)) => assert_eq!(error.to_string(), message),
            (outcome, _) => panic!("{text}: {outcome:?}"),
        }
    }

    #[test]
    fn the_tightest_bound_refuses() {
        check_voltage("1.2 V", Ok("1.2 V"));
        check_voltage("1250 mV", Ok("1.25 V"));
        check_voltage("3.3 V", Err("supply.voltage: 3.3 V is above the limit of 1.25 V (bench b)"));
        check_voltage(
            "-1 mV",
            Err("supply.voltage: -1 mV is below the limit of 0 V (profile scpi-supply)"),
        );
        check_voltage(
            "1.2 A",
            Err("supply.voltage: 'A' is a unit of another kind; wanted a voltage such as 1.2 V"),
        );
        check_voltage(
            "1.2",
            Err("supply.voltage: '1.2' has no unit; wanted a voltage such as 1.2 V"),
        );
    }

    /// Steps of 100 mV, refused or rounded between; a limit of 1.25 V that is no step.
    #[track_caller]
    fn check_stepped(between: BetweenSteps, text: &str, expected: Result<(), &str>) {
        let mut knob = voltage();
        knob.steps = Some(KnobSteps {
            steps: Steps { grid: Grid::Every { of: 0.1, from: 0.05 }, between },
            kind: Kind::Number { dimension: Dimension::Voltage, at_least: 0.0, at_most: 3.0 },
            origin: "profile p".into(),
        });
        let outcome = knob.check(&knob.read(text).unwrap()).map_err(|error| error.to_string());
        assert_eq!(outcome, expected.map_err(ToString::to_string), "{text}");
    }

    #[test]
    fn what_lies_between_steps_is_refused_or_rounded_within_the_limits() {
        let (refuse, nearest) = (BetweenSteps::Refuse, BetweenSteps::Nearest);
        check_stepped(refuse, "1.15 V", Ok(()));
        let between = "supply.voltage: 1.2 V is not one of its steps; near it: 1.15 V and 1.25 V \
                       (profile p)";
        check_stepped(refuse, "1.2 V", Err(between));
        check_stepped(nearest, "1.21 V", Ok(()));
        // 1.24 V itself keeps the limit, but what would be set is 1.25 V.
        let mut tight = voltage();
        tight.at_most.push(Bound { value: 1.245, origin: "test".into(), protects: false });
        tight.steps = Some(KnobSteps {
            steps: Steps { grid: Grid::Values(vec![1.0, 1.25]), between: nearest },
            kind: Kind::Number { dimension: Dimension::Voltage, at_least: 0.0, at_most: 3.0 },
            origin: "profile p".into(),
        });
        let asked = tight.read("1.24 V").unwrap();
        assert_eq!(
            tight.check(&asked).unwrap_err().to_string(),
            "supply.voltage: 1.24 V, of which 1.25 V is the nearest step, is above the limit of \
             1.245 V (test)"
        );
        assert_eq!(tight.check_bounds(&asked), Ok(()));
        assert_eq!(tight.nearest_step(&asked), Some(tight.read("1 V").unwrap()));
        // Nothing is rounded where every value is taken.
        assert_eq!(voltage().nearest_step(&asked), Some(asked));
    }

    #[test]
    fn misspelt_settings_are_suggested() {
        let mut table = KnobTable::default();
        table.add(voltage());
        let error = table.get("suply.voltage").unwrap_err();
        assert_eq!(error.help().unwrap(), "did you mean 'supply.voltage'?");
    }
}
