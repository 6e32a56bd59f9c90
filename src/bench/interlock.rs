//! Interlocks: conditions on readings that are watched during a whole run.
//!
//! Values only; the run watches. An interlock in software is no protection of people: that needs
//! hardware, by the rules of the site.

use std::fmt;
use std::time::Duration;

use beamwarden_drivers::fault::{Fault, nearest};
use beamwarden_drivers::marked::Node;
use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape;

use super::bounds::Bounds;
use super::durations::{duration_of, period_of};
use super::knob::{KnobKind, KnobTable, KnobValue};

/// How often a condition is looked at when the file does not say.
const EVERY_DEFAULT: Duration = Duration::from_secs(2);
/// After what time a reading that was not had counts, when the file does not say.
const WITHIN_DEFAULT: Duration = Duration::from_secs(10);
/// How long a condition must hold again before a run goes on, when the file does not say.
const SETTLE_DEFAULT: Duration = Duration::from_secs(30);
/// Longest pause when the file does not say.
const PAUSE_DEFAULT: Duration = Duration::from_secs(3600);

/// How often a condition may come back when the file does not say.
const COMES_BACK_DEFAULT: u32 = 3;

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
        /// How often the condition may come to nothing again at the same place, everything being
        /// switched on again each time, before the run ends.
        comes_back: u32,
    },
}

impl Wanted {
    /// Reads what a reading of a kind must be: bounds for a number, `on` or `off` for a switch, a word
    /// or a list of words for a word.
    ///
    /// # Errors
    /// What is wrong, with its place.
    pub fn read(node: &Node, kind: &KnobKind) -> Result<Self, Fault> {
        let refuse = |message: String| Err(Fault::new(node.span.clone(), message));
        let bounds = |dimension| match Bounds::read(node.text().unwrap_or_default(), dimension) {
            Ok(bounds) => Ok(Wanted::Within(bounds, dimension)),
            Err(error) => refuse(error.to_string()),
        };
        match kind {
            KnobKind::Number(dimension) => bounds(*dimension),
            KnobKind::Whole => bounds(Dimension::Count),
            KnobKind::Switch => match node.text().and_then(shape::switch) {
                Some(on) => Ok(Wanted::Switch(on)),
                None => refuse(format!("on or off is wanted here, not {}", node.describe())),
            },
            KnobKind::Word(known) => {
                let items = node.items().iter().filter_map(Node::text);
                let words: Vec<String> = items.chain(node.text()).map(str::to_string).collect();
                let unknown = words.iter().find(|word| !known.contains(word));
                match unknown {
                    Some(word) => {
                        let mut fault =
                            Fault::new(node.span.clone(), format!("'{word}' is not known here"));
                        let names = known.iter().map(String::as_str);
                        fault.help = Some(match nearest(word, names) {
                            Some(near) => format!("did you mean '{near}'?"),
                            None => format!("known here: {}", known.join(", ")),
                        });
                        Err(fault)
                    }
                    None if words.is_empty() => refuse("a word is wanted here".into()),
                    None => Ok(Wanted::OneOf(words)),
                }
            }
            KnobKind::Frame(_) => refuse("a frame is no reading that can be waited for".into()),
        }
    }

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

/// In words: `at most 500 mA`, `on`, `idle or ready`.
impl fmt::Display for Wanted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Wanted::Within(bounds, dimension) => bounds.shown(*dimension).fmt(f),
            Wanted::Switch(on) => f.write_str(if *on { "on" } else { "off" }),
            Wanted::OneOf(words) => f.write_str(&words.join(" or ")),
        }
    }
}

/// Reads a list of interlocks. Without a bench's readings their names and bounds are not judged, and
/// none is yielded.
pub fn read(
    node: Option<&Node>,
    readings: Option<&KnobTable>,
    faults: &mut Vec<Fault>,
) -> Vec<Interlock> {
    let items = node.map_or(&[][..], Node::items);
    items.iter().filter_map(|node| one(node, readings, faults)).collect()
}

fn one(node: &Node, readings: Option<&KnobTable>, faults: &mut Vec<Fault>) -> Option<Interlock> {
    let every = period_of(node, "every", faults).unwrap_or(EVERY_DEFAULT);
    let within = period_of(node, "within", faults).unwrap_or(WITHIN_DEFAULT.max(every));
    if within < every
        && let Some(place) = node.get("within").or(node.get("every"))
    {
        let message = "'within' is at least as long as 'every'";
        faults.push(Fault::new(place.span.clone(), message));
    }
    let settle = duration_of(node, "settle", faults);
    let at_most = period_of(node, "at most", faults);
    let comes_back = node.get("comes back").and_then(Node::text).and_then(shape::whole);
    let then = match node.get("then").and_then(Node::text) {
        Some("pause") => Trip::Pause {
            settle: settle.unwrap_or(SETTLE_DEFAULT),
            at_most: at_most.unwrap_or(PAUSE_DEFAULT),
            comes_back: comes_back
                .and_then(|times| u32::try_from(times).ok())
                .unwrap_or(COMES_BACK_DEFAULT),
        },
        _ => {
            for key in ["settle", "at most", "comes back"] {
                if let Some((key, _)) = node.entries().iter().find(|(known, _)| known.text == key) {
                    let message = format!("'{}' belongs to a pause", key.text);
                    let fault = Fault::new(key.span.clone(), message);
                    faults.push(fault.with_help("write then: pause"));
                }
            }
            Trip::Stop
        }
    };
    let place = node.get("watch")?;
    let reading = place.text()?.to_string();
    let kind = match readings?.readable(&reading) {
        Ok(kind) => kind,
        Err(error) => {
            let mut fault = Fault::new(place.span.clone(), error.to_string());
            fault.help = error.help();
            faults.push(fault);
            return None;
        }
    };
    let wanted = Wanted::read(node.get("to be")?, kind).map_err(|fault| faults.push(fault)).ok()?;
    let name = node.get("as").and_then(Node::text).unwrap_or(&reading).to_string();
    Some(Interlock { name, reading, wanted, every, within, then })
}

#[cfg(test)]
mod tests {
    use super::*;
    use beamwarden_drivers::fault::Source;
    use beamwarden_drivers::quantity::Quantity;

    fn readings() -> KnobTable {
        let mut table = KnobTable::default();
        let mut add = |name: &str, kind| table.add_reading(name.to_string(), kind);
        add("supply.current", KnobKind::Number(Dimension::Current));
        add("dut.lock", KnobKind::Switch);
        add("dut.state", KnobKind::Word(vec!["idle".into(), "locked".into()]));
        table
    }

    #[track_caller]
    fn read_text(text: &str) -> (Vec<Interlock>, Vec<String>) {
        let source = Source::new("b.yaml", text);
        let (root, mut faults) = beamwarden_drivers::marked::parse(&source).unwrap();
        let read = read(Some(&root), Some(&readings()), &mut faults);
        (read, faults.into_iter().map(|fault| fault.message).collect())
    }

    #[test]
    fn conditions_are_read_and_held_against_readings() {
        let (read, faults) = read_text(
            "- {watch: supply.current, to be: at most 0.7 A, every: 1 s, within: 3 s}
- {watch: dut.lock, to be: on, as: lock, then: pause, settle: 5 s, at most: 10 min}
- {watch: dut.state, to be: [idle, locked]}
",
        );
        assert_eq!(faults, Vec::<String>::new());
        let current = |value| KnobValue::Number(Quantity { value, dimension: Dimension::Current });
        assert!(read[0].wanted.holds(&current(0.7)) && !read[0].wanted.holds(&current(0.71)));
        assert!(!read[0].wanted.holds(&KnobValue::Switch(true)));
        assert_eq!((read[0].every.as_secs(), read[0].within.as_secs()), (1, 3));
        assert_eq!(read[1].name, "lock");
        assert!(read[1].wanted.holds(&KnobValue::Switch(true)));
        let (settle, at_most) = (Duration::from_secs(5), Duration::from_secs(600));
        assert_eq!(read[1].then, Trip::Pause { settle, at_most, comes_back: 3 });
        assert!(read[2].wanted.holds(&KnobValue::Word("locked".into())));
        assert!(!read[2].wanted.holds(&KnobValue::Word("off".into())));
        let shown: Vec<String> = read.iter().map(|one| one.wanted.to_string()).collect();
        assert_eq!(shown, ["at most 700 mA", "on", "idle or locked"]);
    }

    #[test]
    fn what_cannot_be_watched_is_told() {
        let (read, faults) = read_text(
            "- {watch: suply.current, to be: at most 0.7 A}
- {watch: supply.current, to be: at most 0.7 V}
- {watch: dut.lock, to be: locked, settle: 5 s}
- {watch: dut.state, to be: lokced, every: 5 s, within: 1 s}
",
        );
        assert_eq!(read, []);
        assert_eq!(
            faults,
            [
                "there is no reading or setting 'suply.current' on this bench",
                "'V' is a unit of another kind; wanted a current such as 350 mA",
                "'settle' belongs to a pause",
                "on or off is wanted here, not 'locked'",
                "'within' is at least as long as 'every'",
                "'lokced' is not known here",
            ]
        );
    }

    #[track_caller]
    fn check_value(wanted: &Wanted, shown: &str, value: &KnobValue, holds: bool, exceeded: bool) {
        assert_eq!(wanted.to_string(), shown);
        assert_eq!((wanted.holds(value), wanted.is_exceeded_by(value)), (holds, exceeded));
    }

    #[test]
    fn conditions_hold_or_do_not() {
        let amperes = |value| KnobValue::Number(Quantity { value, dimension: Dimension::Current });
        let bounds = Bounds { at_least: Some(0.3), at_most: Some(0.5) };
        let within = Wanted::Within(bounds, Dimension::Current);
        let shown = "between 300 mA and 500 mA";
        check_value(&within, shown, &amperes(0.4), true, false);
        check_value(&within, shown, &amperes(0.6), false, true);
        check_value(&within, shown, &amperes(0.0), false, false);
        check_value(&within, shown, &amperes(f64::NAN), false, false);
        check_value(&within, shown, &KnobValue::Switch(true), false, false);
        check_value(&Wanted::Switch(true), "on", &KnobValue::Switch(true), true, false);
        check_value(&Wanted::Switch(true), "on", &KnobValue::Switch(false), false, false);
        let words = Wanted::OneOf(vec!["idle".into(), "ready".into()]);
        check_value(&words, "idle or ready", &KnobValue::Word("ready".into()), true, false);
        check_value(&words, "idle or ready", &KnobValue::Word("busy".into()), false, false);
    }
}
