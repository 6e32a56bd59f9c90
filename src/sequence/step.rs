//! A checked sequence.

use std::sync::Arc;
use std::time::Duration;

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::quantity::{Dimension, Quantity};

use super::expect::Expectation;
use super::expression::Expression;
use super::figure_names::FigureName;
use crate::beam::search::{Sides, StrategyKind};
use crate::bench::interlock::{Interlock, Wanted};
use crate::bench::knob::KnobValue;
use crate::bench::policy::{Policy, Then};

/// A sequence whose every name and value was checked against a bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Sequence {
    /// The text it was read from.
    pub source: Source,
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: Option<String>,
    /// Its parameters, with the values that they have in this run.
    pub parameters: Vec<Parameter>,
    /// The texts of the sequences that it calls, each once.
    pub called: Vec<Source>,
    /// What is done about failures; the bench's own ways where absent.
    pub policy: Option<Policy>,
    /// What may take how long.
    pub deadlines: Deadlines,
    /// Conditions watched during the run, besides those of the bench.
    pub interlocks: Vec<Interlock>,
    /// The point that is measured again and again, to follow drift.
    pub reference: Option<Reference>,
    /// Whether a capture is looked at before the first step.
    pub test_capture: bool,
    /// Done once before the steps.
    pub prepare: Vec<Step>,
    /// The work.
    pub steps: Vec<Step>,
    /// Done after the steps, also when they failed.
    pub finally: Vec<Step>,
}

/// A parameter as it stands in this run.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: ParameterValue,
    /// Whether it was given on the command line; its default otherwise.
    pub given: bool,
}

/// What a parameter can be.
#[derive(Clone, Debug, PartialEq)]
pub enum ParameterValue {
    /// A number with its dimension.
    Number(Quantity),
    /// A switch.
    Switch(bool),
    /// A word, such as the name of a frame.
    Word(String),
}

/// What may take how long; no bound where absent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Deadlines {
    /// One action: a setting, a capture, a probe. It then counts as failed in passing.
    pub action: Option<Duration>,
    /// One point with all that is tried in it. It is then given up.
    pub point: Option<Duration>,
    /// The whole run, pauses included. It then ends.
    pub run: Option<Duration>,
}

/// A point that is measured every so often, to see whether the bench drifts.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// Where it is written, for messages.
    pub place: Arc<str>,
    /// After so many points.
    pub every_points: Option<u64>,
    /// After so much time; whichever comes first.
    pub every: Option<Duration>,
    /// What is set for it; afterwards the settings before are made again.
    pub set: Vec<Assignment>,
    /// What is measured there.
    pub measure: Measure,
    /// How far its figures may move from the first time.
    pub bands: Vec<DriftBand>,
    /// What happens beyond a band.
    pub beyond: Beyond,
}

/// How far one figure of the reference may move, either way.
#[derive(Clone, Debug, PartialEq)]
pub struct DriftBand {
    /// The figure.
    pub figure: &'static FigureName,
    /// Largest difference from the first time, in the figure's unit.
    pub at_most: f64,
}

/// What happens when the reference drifts beyond a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// Told in the record; the run goes on.
    GoOn,
    /// The run pauses until it is told to go on, or is stopped.
    Pause,
    /// The run ends.
    Stop,
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// File and line, for messages: `overnight.yaml:34`.
    pub place: Arc<str>,
    /// What it does.
    pub action: Action,
}

/// What a step does.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Sets settings in order.
    Set(Vec<Assignment>),
    /// Waits.
    Wait(Wait),
    /// Runs steps at every combination of the axes' values.
    Sweep(Sweep),
    /// Runs the steps of another sequence here. The walk goes into it by itself.
    Call(Call),
    /// Searches beams.
    Search(Search),
    /// Captures and analyses.
    Measure(Measure),
    /// Holds bounds against the last measurement's figures and against readings now.
    Expect(Vec<Condition>),
    /// Runs steps again and again; no sweep is in them.
    Repeat(Repeat),
    /// Runs steps under a condition; no sweep is in them.
    When(When),
    /// Asks whoever watches.
    Ask(Ask),
    /// Tells whoever is to be told, by the bench's own ways.
    Notify(Text),
    /// Writes a line into the record.
    Note(Text),
}

/// A wait.
#[derive(Clone, Debug, PartialEq)]
pub enum Wait {
    /// So long.
    For(Duration),
    /// Until a reading is where it should be, and stays there.
    Until(WaitUntil),
}

/// See [`Wait::Until`].
#[derive(Clone, Debug, PartialEq)]
pub struct WaitUntil {
    /// The reading, or a setting that is read back.
    pub reading: String,
    /// What it must be.
    pub wanted: Wanted,
    /// For how long without a break.
    pub stable: Duration,
    /// How often it is looked at.
    pub every: Duration,
    /// Longest wait.
    pub at_most: Duration,
    /// When it did not come to that.
    pub otherwise: Then,
}

/// A sweep: steps at every combination of the values of its axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// The axes, outermost first.
    pub axes: Vec<Axis>,
    /// Whether all axes advance together; otherwise the last one changes fastest.
    pub together: bool,
    /// The seed of a random order; as written when absent.
    pub shuffled: Option<u64>,
    /// Combinations for which one of these holds are left out. Only axes, those of outer sweeps too,
    /// are in them.
    pub skip: Vec<Expression>,
    /// What to do at each.
    pub body: Vec<Step>,
}

/// A call of another sequence.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    /// Its file, as written.
    pub file: String,
    /// Its parameters in this call.
    pub parameters: Vec<Parameter>,
    /// Its steps with these parameters.
    pub steps: Vec<Step>,
}

/// A bound that a step holds against what stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// On a figure of the last measurement.
    Figure(Expectation),
    /// On a reading, or a setting that is read back.
    Reading {
        /// Its name.
        reading: String,
        /// What it must be.
        wanted: Wanted,
    },
}

/// Steps done again and again, until one of these: at least one of them is there.
#[derive(Clone, Debug, PartialEq)]
pub struct Repeat {
    /// A condition, looked at after each turn.
    pub until: Option<Expression>,
    /// So many turns.
    pub times: Option<u64>,
    /// No turn begins after so long.
    pub at_most: Option<Duration>,
    /// What to do in each.
    pub body: Vec<Step>,
}

/// Steps under a condition.
#[derive(Clone, Debug, PartialEq)]
pub struct When {
    /// The condition. Where a figure or reading in it cannot be had, neither branch is done.
    pub condition: Expression,
    /// When it holds.
    pub then: Vec<Step>,
    /// When it does not.
    pub otherwise: Vec<Step>,
}

/// A question to whoever watches.
#[derive(Clone, Debug, PartialEq)]
pub struct Ask {
    /// The question.
    pub question: Text,
    /// What may be answered.
    pub answers: Vec<String>,
    /// How long an answer is waited for.
    pub within: Duration,
    /// The answer when none comes.
    pub default: String,
    /// By what name expressions know the answer: `answer.absorber`.
    pub name: Option<String>,
}

/// A text with values in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Text {
    /// Its pieces in order.
    pub pieces: Vec<Piece>,
}

/// A piece of a [`Text`].
#[derive(Clone, Debug, PartialEq)]
pub enum Piece {
    /// As it stands.
    Plain(String),
    /// A value, shown with its unit.
    Value(Expression),
}

impl Text {
    /// A text without values.
    pub fn plain(text: impl Into<String>) -> Self {
        Text { pieces: vec![Piece::Plain(text.into())] }
    }
}

/// A setting and its value.
#[derive(Clone, Debug, PartialEq)]
pub struct Assignment {
    /// The setting's full name.
    pub setting: String,
    /// The value.
    pub value: Given,
}

/// A value as a sequence gives it.
#[derive(Clone, Debug, PartialEq)]
pub enum Given {
    /// Known before the run.
    Fixed(KnobValue),
    /// From figures, readings and settings at that moment.
    Computed(Expression),
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
    /// Numbers of which each is the same multiple of the one before, both ends included.
    Logarithmic {
        /// First value, not zero.
        from: f64,
        /// Last value, of the same sign.
        to: f64,
        /// How many.
        count: usize,
        /// Their dimension.
        dimension: Dimension,
    },
}

impl AxisValues {
    /// How many values there are.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            AxisValues::List(values) => values.len(),
            AxisValues::Range { count, .. } | AxisValues::Logarithmic { count, .. } => *count,
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
            AxisValues::Logarithmic { from, to, count, dimension } => {
                if index >= *count {
                    return None;
                }
                let part = if *count > 1 { index as f64 / (*count - 1) as f64 } else { 0.0 };
                let value = tidy(from * (to / from).powf(part), from.abs().max(to.abs()));
                Some(KnobValue::Number(Quantity { value, dimension: *dimension }))
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
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Until {
    /// So many bit errors.
    pub bit_errors: Option<u64>,
    /// So many bits compared.
    pub bits: Option<u64>,
    /// So many captures.
    pub captures: Option<u64>,
    /// The bit error rate lies below this, or clearly not: by a rule that may be asked after every
    /// capture and is wrong in 2.5 % of all cases at most. The upper end of the 95 % interval is below
    /// it then, too.
    pub ber_below: Option<f64>,
    /// The upper end of that interval is at most so many times the lower one.
    pub ber_within: Option<f64>,
    /// So much time has passed.
    pub time: Option<Duration>,
}

/// Captures in a row without a bit after which a measurement gives up, as when no frame is received or
/// the lock was lost on the way.
pub const FRUITLESS_CAPTURES_MAX: u64 = 3;

impl Until {
    /// One capture.
    pub const ONE_CAPTURE: Until = Until {
        bit_errors: None,
        bits: None,
        captures: Some(1),
        ber_below: None,
        ber_within: None,
        time: None,
    };

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
        let until = Until { bit_errors: Some(100), bits: Some(1_000_000), ..Until::default() };
        assert!(!until.reached(999, 99, 2));
        assert!(until.reached(999, 100, 2));
        assert!(until.reached(1_000_000, 0, 2));
        assert!(!until.reached(0, 0, 200));
        assert!(Until::ONE_CAPTURE.reached(0, 0, 1));
    }
}
