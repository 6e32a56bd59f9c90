//! From a sequence's text to a checked sequence: every fault of the file at once.
//!
//! The grammar reports what has the wrong shape; this reader passes over that and reports what has
//! the right shape but the wrong meaning: unknown settings, wrong units, values beyond limits.

use std::ops::Range;
use std::time::Duration;

use beamwarden_drivers::fault::{Fault, Faults, Source, nearest};
use beamwarden_drivers::marked::{self, Node, NodeKind};
use beamwarden_drivers::quantity::{Dimension, Quantity};
use beamwarden_drivers::shape;

use super::expect::Expectation;
use super::figure_names::{self, FIGURE_NAMES};
use super::grammar;
use super::step::{
    Action, Assignment, Axis, AxisValues, Deadlines, Given, Measure, Search, Sequence, Step, Sweep,
    Text, Until, Wait,
};
use crate::beam::search::{Sides, StrategyKind};
use crate::bench::knob::{Knob, KnobError, KnobKind, KnobTable, KnobValue};

/// Most values of one axis.
const AXIS_VALUES_MAX: f64 = 1e7;

/// Reads and checks a sequence against the knobs of a bench.
///
/// # Errors
/// Every fault of the file, in the order of their places.
pub fn read_sequence(source: &Source, knobs: &KnobTable) -> Result<Sequence, Faults> {
    let (root, faults) = marked::parse(source)?;
    let mut reader = Reader { source, knobs, faults };
    shape::check(&root, &grammar::SEQUENCE, &mut reader.faults);
    let text = |key: &str| root.get(key).and_then(Node::text).map(str::to_string);
    let sequence = Sequence {
        source: source.clone(),
        name: text("sequence").unwrap_or_default(),
        about: text("about"),
        parameters: Vec::new(),
        called: Vec::new(),
        policy: None,
        deadlines: Deadlines::default(),
        interlocks: Vec::new(),
        reference: None,
        test_capture: true,
        prepare: reader.steps(root.get("prepare"), false),
        steps: reader.steps(root.get("steps"), true),
        finally: reader.steps(root.get("finally"), false),
    };
    if reader.faults.is_empty() {
        Ok(sequence)
    } else {
        Err(Faults::new(source.clone(), reader.faults))
    }
}

/// Reads one value of a knob and checks it against the knob's bounds.
///
/// # Errors
/// [`KnobError`].
pub fn read_value_text(knob: &Knob, text: &str) -> Result<KnobValue, KnobError> {
    let value = knob.read(text)?;
    knob.check(&value)?;
    Ok(value)
}

struct Reader<'k> {
    source: &'k Source,
    knobs: &'k KnobTable,
    faults: Vec<Fault>,
}

impl<'k> Reader<'k> {
    fn report(&mut self, span: &Range<usize>, error: &KnobError) {
        let mut fault = Fault::new(span.clone(), error.to_string());
        fault.help = error.help();
        self.faults.push(fault);
    }

    fn steps(&mut self, node: Option<&Node>, sweeps: bool) -> Vec<Step> {
        let items = node.map_or(&[][..], Node::items);
        items.iter().filter_map(|node| self.step(node, sweeps)).collect()
    }

    fn step(&mut self, node: &Node, sweeps: bool) -> Option<Step> {
        let action = if let Some(node) = node.get("set") {
            Action::Set(self.assignments(node))
        } else if let Some(node) = node.get("wait") {
            let seconds = Quantity::parse(node.text()?, Dimension::Time).ok()?.value;
            match Duration::try_from_secs_f64(seconds) {
                Ok(duration) => Action::Wait(Wait::For(duration)),
                Err(_) => {
                    let message = if seconds < 0.0 {
                        "a wait cannot be negative"
                    } else {
                        "nobody can wait that long"
                    };
                    self.faults.push(Fault::new(node.span.clone(), message));
                    return None;
                }
            }
        } else if let Some(axes) = node.get("sweep") {
            self.sweep(axes, node.get("do"), sweeps)
        } else if let Some(node) = node.get("search beams") {
            Action::Search(self.search(node)?)
        } else if let Some(measure) = node.get("measure") {
            Action::Measure(self.measure(measure, node.get("expect")))
        } else {
            Action::Note(Text::plain(node.get("note")?.text()?))
        };
        let (line, _) = self.source.line_column(node.span.start);
        Some(Step { place: format!("{}:{line}", self.source.name).into(), action })
    }

    fn sweep(&mut self, axes: &Node, body: Option<&Node>, sweeps: bool) -> Action {
        if !sweeps {
            let at = axes.span.start..axes.span.start + 1;
            self.faults.push(
                Fault::new(at, "a sweep belongs under 'steps'")
                    .with_help("'prepare' and 'finally' run once, without points"),
            );
        }
        if let Some(body) = body
            && matches!(body.kind, NodeKind::List(_))
            && body.items().is_empty()
        {
            self.faults.push(
                Fault::new(body.span.clone(), "nothing to do")
                    .with_help("write the steps to do at each point, such as do: [{measure: {}}]"),
            );
        }
        Action::Sweep(Sweep {
            axes: self.axes(axes),
            together: false,
            shuffled: None,
            skip: Vec::new(),
            body: self.steps(body, true),
        })
    }

    fn assignments(&mut self, node: &Node) -> Vec<Assignment> {
        let mut assignments = Vec::new();
        for (key, value) in node.entries() {
            if let Some(knob) = self.knob(&key.text, &key.span)
                && let Some(value) = self.value(knob, value)
            {
                let value = Given::Fixed(value);
                assignments.push(Assignment { setting: key.text.clone(), value });
            }
        }
        assignments
    }

    fn knob(&mut self, name: &str, span: &Range<usize>) -> Option<&'k Knob> {
        match self.knobs.get(name) {
            Ok(knob) => Some(knob),
            Err(error) => {
                self.report(span, &error);
                None
            }
        }
    }

    fn value(&mut self, knob: &Knob, node: &Node) -> Option<KnobValue> {
        let text = node.text().filter(|_| !node.is_empty_value())?;
        match read_value_text(knob, text) {
            Ok(value) => Some(value),
            Err(error) => {
                self.report(&node.span, &error);
                None
            }
        }
    }

    fn axes(&mut self, node: &Node) -> Vec<Axis> {
        let mut axes: Vec<Axis> = Vec::new();
        for (key, values) in node.entries() {
            let Some(knob) = self.knob(&key.text, &key.span) else { continue };
            if matches!(&values.kind, NodeKind::List(items) if items.is_empty()) {
                self.faults.push(Fault::new(values.span.clone(), "no values to go through"));
            }
            let values = if values.entries().is_empty() {
                let items = values.items().iter();
                AxisValues::List(items.filter_map(|item| self.value(knob, item)).collect())
            } else {
                match self.range(knob, values) {
                    Some(range) => range,
                    None => continue,
                }
            };
            axes.push(Axis { setting: key.text.clone(), values });
        }
        axes
    }

    fn range(&mut self, knob: &Knob, node: &Node) -> Option<AxisValues> {
        let dimension = match knob.kind {
            KnobKind::Number(dimension) => Some(dimension),
            KnobKind::Whole => None,
            _ => {
                let message = format!("{} takes no range; write a list of its values", knob.name);
                self.faults.push(Fault::new(node.span.clone(), message));
                return None;
            }
        };
        let from = node.get("from").and_then(|node| self.value(knob, node));
        let to = node.get("to").and_then(|node| self.value(knob, node));
        let (from, to) = (from?.as_number()?, to?.as_number()?);
        let count = match (node.get("step"), node.get("count")) {
            (Some(step), None) => self.step_count(knob, step, to - from)?,
            (None, Some(count)) => usize::try_from(shape::whole(count.text()?)?).ok()?,
            _ => {
                let at = node.span.start..(node.span.start + 1).min(node.span.end);
                self.faults.push(Fault::new(at, "a range needs either step or count"));
                return None;
            }
        };
        let values = AxisValues::Range { from, to, count, dimension };
        self.refuse_off_steps(knob, &values, node);
        Some(values)
    }

    /// Where a setting takes only some of the values between two, each of a range is looked at.
    fn refuse_off_steps(&mut self, knob: &Knob, values: &AxisValues, node: &Node) {
        if knob.steps.is_none() {
            return;
        }
        let each = (0..values.len()).filter_map(|index| values.get(index));
        if let Some(error) = each.map(|value| knob.check(&value)).find_map(Result::err) {
            let at = node.span.start..(node.span.start + 1).min(node.span.end);
            self.report(&at, &error);
        }
    }

    /// How many values a step leaves in a span; the step must end on the last value.
    fn step_count(&mut self, knob: &Knob, node: &Node, span: f64) -> Option<usize> {
        let step = match knob.read(node.text()?) {
            Ok(step) => step.as_number()?,
            Err(error) => {
                self.report(&node.span, &error);
                return None;
            }
        };
        let steps = (span / step).abs();
        let message = if step == 0.0 {
            "a step of zero never arrives".to_string()
        } else if span != 0.0 && (span < 0.0) != (step < 0.0) {
            let (sign, way) = if span < 0.0 { ("negative", "down") } else { ("positive", "up") };
            format!(
                "this step leads away from the last value; the range goes {way}, so write a {sign} step"
            )
        } else if steps > AXIS_VALUES_MAX {
            format!("more than {AXIS_VALUES_MAX} values on one axis")
        } else if (steps - steps.round()).abs() > 1e-6 * steps.max(1.0) {
            format!("the step does not end on the last value: {steps:.3} steps")
        } else {
            return Some(steps.round() as usize + 1);
        };
        self.faults.push(Fault::new(node.span.clone(), message));
        None
    }

    fn search(&mut self, node: &Node) -> Option<Search> {
        if self.knobs.get(crate::bench::knob::BEAM_RX).is_err() {
            let at = node.span.start..(node.span.start + 1).min(node.span.end);
            self.faults.push(
                Fault::new(at, "this bench has no beams to search")
                    .with_help("describe both arrays under 'arrays' in the bench file"),
            );
        }
        let text = |key: &str| node.get(key).and_then(Node::text);
        Some(Search {
            sides: Sides::parse(text("side")?)?,
            strategy: match text("by") {
                Some(word) => StrategyKind::parse(word)?,
                None => StrategyKind::Exhaustive,
            },
            label: text("as").map(str::to_string),
        })
    }

    fn measure(&mut self, node: &Node, expect: Option<&Node>) -> Measure {
        let until = node.get("until").map_or(Until::ONE_CAPTURE, |until| {
            let count = |key: &str| {
                let value = until.get(key).and_then(Node::text).and_then(shape::whole)?;
                u64::try_from(value).ok()
            };
            Until {
                bit_errors: count("bit errors"),
                bits: count("bits"),
                captures: count("captures"),
                ..Until::default()
            }
        });
        if let Some(node) = node.get("until")
            && node.entries().is_empty()
        {
            let message = "say when to stop: bits, bit errors or captures";
            self.faults.push(Fault::new(node.span.clone(), message));
        }
        Measure {
            label: node.get("as").and_then(Node::text).map(str::to_string),
            until,
            keep_captures: node.get("keep").and_then(Node::text) != Some("figures"),
            expect: self.expectations(expect),
        }
    }

    fn expectations(&mut self, node: Option<&Node>) -> Vec<Expectation> {
        let mut expectations = Vec::new();
        for (key, bounds) in node.map_or(&[][..], Node::entries) {
            let Some(figure) = figure_names::find(&key.text) else {
                let words = FIGURE_NAMES.iter().map(|figure| figure.word);
                let help = match nearest(&key.text, words.clone()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("known figures: {}", words.collect::<Vec<_>>().join(", ")),
                };
                let message = format!("there is no figure '{}'", key.text);
                self.faults.push(Fault::new(key.span.clone(), message).with_help(help));
                continue;
            };
            let Some(text) = bounds.text() else { continue };
            match Expectation::read(figure, text) {
                Ok(expectation) => expectations.push(expectation),
                Err(error) => self.faults.push(Fault::new(bounds.span.clone(), error.to_string())),
            }
        }
        expectations
    }
}

#[cfg(test)]
mod tests;
