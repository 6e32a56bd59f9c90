//! Sweeps: their axes, order and rules.

use beamwarden_drivers::fault::Fault;
use beamwarden_drivers::marked::{Node, NodeKind};
use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape;

use super::super::expression::{Expression, Sort};
use super::super::step::{Action, Axis, AxisValues, Sweep};
use super::text::behind_sign;
use super::{Reader, Scope};
use crate::bench::knob::{Knob, KnobKind};

/// Most values of one axis.
const AXIS_VALUES_MAX: f64 = 1e7;
/// Most combinations of a sweep in random order.
const SHUFFLED_MAX: u64 = 1 << 62;
/// Seed of a random order when the file does not say.
const SEED_DEFAULT: u64 = 1;

impl Reader<'_> {
    pub(super) fn sweep(&mut self, axes: &Node, node: &Node, scope: &Scope) -> Action {
        if let Some((message, help)) = scope.no_sweep {
            self.at_start(axes, message, help);
        }
        let read = self.axes(axes);
        let mut inner = scope.clone();
        for (key, _) in axes.entries() {
            if scope.axes.iter().any(|(axis, _)| *axis == key.text) {
                let message = format!("{} is an axis of a sweep around this one", key.text);
                let fault = Fault::new(key.span.clone(), message);
                self.faults
                    .push(fault.with_help("a point has one value of each axis; name it once"));
            }
            let knob = self.with.knobs.and_then(|knobs| knobs.get(&key.text).ok());
            inner.axes.push((key.text.clone(), knob.map(|knob| Sort::of_kind(&knob.kind))));
        }
        let word = |key: &str| node.get(key).and_then(Node::text);
        let together = word("axes") == Some("together");
        if together {
            self.check_lengths(&read, axes);
        }
        let random = word("order") == Some("random");
        if let (Some(seed), false) = (node.get("seed"), random) {
            let fault = Fault::new(seed.span.clone(), "a seed goes with a random order");
            self.faults.push(fault.with_help("write order: random beside it"));
        }
        let seed = word("seed").and_then(shape::whole).and_then(|seed| u64::try_from(seed).ok());
        let combinations =
            read.iter().try_fold(1u64, |all, axis| all.checked_mul(axis.values.len() as u64));
        if random && !together && combinations.is_none_or(|all| all > SHUFFLED_MAX) {
            let message = "more combinations than can be put into a random order";
            self.at_start(axes, message, "take fewer values, or the order as written");
        }
        let skip = node.get("skip when").map_or_else(Vec::new, |rules| self.rules(rules, &inner));
        let help = "write the steps to do at each point, such as do: [{measure: {}}]";
        Action::Sweep(Sweep {
            axes: read,
            together,
            shuffled: random.then_some(seed.unwrap_or(SEED_DEFAULT)),
            skip,
            body: self.body(node.get("do"), &inner, help),
        })
    }

    /// Axes that advance together have as many values each.
    fn check_lengths(&mut self, axes: &[Axis], node: &Node) {
        let lengths: Vec<String> =
            axes.iter().map(|axis| format!("{} {}", axis.setting, axis.values.len())).collect();
        if axes.windows(2).any(|two| two[0].values.len() != two[1].values.len()) {
            let message = format!("axes together have equally many values: {}", lengths.join(", "));
            self.at_start(node, message, "give them equally many, or write axes: nested");
        }
    }

    fn rules(&mut self, node: &Node, scope: &Scope) -> Vec<Expression> {
        let alone = std::slice::from_ref(node);
        let items = if let NodeKind::List(items) = &node.kind { items.as_slice() } else { alone };
        let mut rules = Vec::new();
        for item in items.iter().filter(|item| !item.is_empty_value()) {
            let Some(text) = item.text() else { continue };
            let (text, start) = behind_sign(text);
            match Expression::read(text, &|name| self.meaning_of_axis(name, scope)) {
                Ok(rule) if self.is_of_sort(&rule, Sort::Truth, item) => rules.push(rule),
                Ok(_) => {}
                Err(fault) => self.refuse(item, start, fault),
            }
        }
        rules
    }

    fn axes(&mut self, node: &Node) -> Vec<Axis> {
        let mut axes: Vec<Axis> = Vec::new();
        if matches!(&node.kind, NodeKind::Map(entries) if entries.is_empty()) {
            self.at_start(node, "there is nothing to sweep", "write settings with their values");
        }
        for (key, values) in node.entries() {
            if matches!(&values.kind, NodeKind::List(items) if items.is_empty()) {
                self.faults.push(Fault::new(values.span.clone(), "no values to go through"));
            }
            let Some(knob) = self.knob(&key.text, &key.span) else { continue };
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
            (None, Some(count)) => Some(usize::try_from(shape::whole(count.text()?)?).ok()?),
            _ => None,
        };
        let values = if node.get("spacing").and_then(Node::text) == Some("logarithmic") {
            self.logarithmic(node, dimension, (from, to), count)?
        } else {
            let count = match (node.get("step"), count) {
                (Some(step), None) if node.get("count").is_none() => {
                    self.step_count(knob, step, to - from)?
                }
                (None, Some(count)) => count,
                _ => {
                    self.at_start(
                        node,
                        "a range needs either step or count",
                        "write one of the two",
                    );
                    return None;
                }
            };
            AxisValues::Range { from, to, count, dimension }
        };
        self.refuse_off_steps(knob, &values, node);
        Some(values)
    }

    fn logarithmic(
        &mut self,
        node: &Node,
        dimension: Option<Dimension>,
        (from, to): (f64, f64),
        count: Option<usize>,
    ) -> Option<AxisValues> {
        let refused = match (dimension, count) {
            (None, _) => {
                Some(("whole numbers take no logarithmic spacing", "write a list of them"))
            }
            (Some(Dimension::Decibel | Dimension::PowerLevel), _) => Some((
                "decibels are logarithms already",
                "equal distances in dB are what logarithmic spacing is elsewhere",
            )),
            _ if from * to <= 0.0 => Some((
                "logarithmic spacing needs both ends on one side of zero",
                "begin at a small value other than 0",
            )),
            (_, None) => Some(("logarithmic spacing needs count, not step", "write count: 10")),
            (Some(dimension), Some(count)) => {
                return Some(AxisValues::Logarithmic { from, to, count, dimension });
            }
        };
        let (message, help) = refused?;
        self.at_start(node, message, help);
        None
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
}
