//! Steps that set, measure and look.

use std::time::Duration;

use beamwarden_drivers::fault::{Fault, nearest};
use beamwarden_drivers::marked::Node;
use beamwarden_drivers::shape;

use super::super::expect::Expectation;
use super::super::expression::Sort;
use super::super::figure_names::{self, FIGURE_NAMES, FigureName};
use super::super::step::{
    Action, Assignment, Condition, Given, Measure, Search, Step, Until, Wait, WaitUntil,
};
use super::text::is_expression;
use super::{Reader, Scope, read_value_text};
use crate::beam::search::{Sides, StrategyKind};
use crate::bench::durations::{duration, duration_of, period_of};
use crate::bench::interlock::Wanted;
use crate::bench::knob::{Knob, KnobValue};
use crate::bench::policy::Then;

/// How often a reading is looked at that is waited for, when the file does not say.
const LOOK_EVERY: Duration = Duration::from_secs(1);

impl Reader<'_> {
    pub(super) fn steps(&mut self, node: Option<&Node>, scope: &Scope) -> Vec<Step> {
        let items = node.map_or(&[][..], Node::items);
        items.iter().filter_map(|node| self.step(node, scope)).collect()
    }

    /// Steps of which there must be some.
    pub(super) fn body(&mut self, node: Option<&Node>, scope: &Scope, help: &str) -> Vec<Step> {
        if let Some(body) = node
            && matches!(&body.kind, beamwarden_drivers::marked::NodeKind::List(items) if items.is_empty())
        {
            self.faults.push(Fault::new(body.span.clone(), "nothing to do").with_help(help));
        }
        self.steps(node, scope)
    }

    fn step(&mut self, node: &Node, scope: &Scope) -> Option<Step> {
        let action = self.action(node, scope)?;
        let (line, _) = self.source.line_column(node.span.start);
        Some(Step { place: format!("{}:{line}", self.source.name).into(), action })
    }

    fn action(&mut self, node: &Node, scope: &Scope) -> Option<Action> {
        let value = |key: &str| node.get(key);
        if let Some(node) = value("set") {
            Some(Action::Set(self.assignments(node, scope)))
        } else if let Some(node) = value("wait") {
            self.wait(node).map(Action::Wait)
        } else if let Some(axes) = value("sweep") {
            Some(self.sweep(axes, node, scope))
        } else if let Some(node) = value("search beams") {
            self.search(node).map(Action::Search)
        } else if let Some(measure) = value("measure") {
            Some(Action::Measure(self.measure(measure, value("expect"))))
        } else if let Some(node) = value("expect") {
            Some(Action::Expect(self.conditions(node)))
        } else if let Some(repeat) = value("repeat") {
            Some(self.repeat(repeat, value("do"), scope))
        } else if let Some(condition) = value("when") {
            self.when(condition, node, scope)
        } else if let Some(node) = value("ask") {
            self.ask(node, scope)
        } else if let Some(name) = value("call") {
            self.call(name, value("with"), scope)
        } else if let Some(node) = value("notify") {
            self.text(node, scope).map(Action::Notify)
        } else {
            self.text(value("note")?, scope).map(Action::Note)
        }
    }

    pub(super) fn assignments(&mut self, node: &Node, scope: &Scope) -> Vec<Assignment> {
        let mut assignments = Vec::new();
        for (key, value) in node.entries() {
            let computed = value.text().is_some_and(is_expression);
            let knob = self.knob(&key.text, &key.span);
            let given = match knob {
                Some(knob) if computed => {
                    let wanted = Sort::of_kind(&knob.kind);
                    self.expression(value, scope, wanted).map(Given::Computed)
                }
                Some(knob) => self.value(knob, value).map(Given::Fixed),
                None if computed => {
                    self.expression_of(value, scope);
                    None
                }
                None => None,
            };
            let setting = key.text.clone();
            assignments.extend(given.map(|value| Assignment { setting, value }));
        }
        assignments
    }

    /// A value that is known before the run.
    pub(super) fn value(&mut self, knob: &Knob, node: &Node) -> Option<KnobValue> {
        let text = node.text().filter(|_| !node.is_empty_value())?;
        if is_expression(text) {
            let message = "only parameters may stand in an expression here";
            let help = "the points of a sweep are known before the run";
            self.faults.push(Fault::new(node.span.clone(), message).with_help(help));
            return None;
        }
        match read_value_text(knob, text) {
            Ok(value) => Some(value),
            Err(error) => {
                self.report(&node.span, &error);
                None
            }
        }
    }

    fn wait(&mut self, node: &Node) -> Option<Wait> {
        if node.entries().is_empty() {
            return duration(node, "wait", &mut self.faults).map(Wait::For);
        }
        let stable = duration_of(node, "stable", &mut self.faults).unwrap_or_default();
        let every = period_of(node, "every", &mut self.faults).unwrap_or(LOOK_EVERY);
        let at_most = period_of(node, "at most", &mut self.faults);
        if let (Some(at_most), Some(place)) = (at_most, node.get("stable"))
            && stable > at_most
        {
            let message = "nothing is stable for longer than it is waited for";
            self.faults.push(Fault::new(place.span.clone(), message));
        }
        let otherwise = match node.get("otherwise").and_then(Node::text) {
            Some("go on") => Then::GoOn,
            Some("skip point") => Then::SkipPoint,
            _ => Then::Stop,
        };
        let (reading, wanted) = self.wanted(node.get("for")?, node.get("to be")?)?;
        Some(Wait::Until(WaitUntil {
            reading,
            wanted,
            stable,
            every,
            at_most: at_most?,
            otherwise,
        }))
    }

    /// A reading and what it must be.
    fn wanted(&mut self, reading: &Node, to_be: &Node) -> Option<(String, Wanted)> {
        let name = reading.text()?;
        match self.with.knobs?.readable(name) {
            Ok(kind) => match Wanted::read(to_be, kind) {
                Ok(wanted) => return Some((name.to_string(), wanted)),
                Err(fault) => self.faults.push(fault),
            },
            Err(error) => self.report(&reading.span, &error),
        }
        None
    }

    fn search(&mut self, node: &Node) -> Option<Search> {
        let beams = self.with.knobs.map(|knobs| knobs.get(crate::bench::knob::BEAM_RX).is_ok());
        if beams == Some(false) {
            let help = "describe both arrays under 'arrays' in the bench file";
            self.at_start(node, "this bench has no beams to search", help);
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

    pub(super) fn measure(&mut self, node: &Node, expect: Option<&Node>) -> Measure {
        Measure {
            label: node.get("as").and_then(Node::text).map(str::to_string),
            until: node.get("until").map_or(Until::ONE_CAPTURE, |until| self.until(until)),
            keep_captures: node.get("keep").and_then(Node::text) != Some("figures"),
            expect: self.expectations(expect),
        }
    }

    fn until(&mut self, node: &Node) -> Until {
        if node.entries().is_empty() {
            let message =
                "say when to stop: bits, bit errors, captures, ber below, ber within or time";
            self.faults.push(Fault::new(node.span.clone(), message));
        }
        let count = |key: &str| {
            let value = node.get(key).and_then(Node::text).and_then(shape::whole)?;
            u64::try_from(value).ok()
        };
        let mut number = |key: &str, good: std::ops::Range<f64>, told: &str| {
            let place = node.get(key)?;
            let value = shape::number(place.text()?)?;
            if !good.contains(&value) {
                self.faults.push(Fault::new(place.span.clone(), told));
            }
            Some(value)
        };
        // No interval of a finite number of bits ends at 0, and none is a point.
        let below =
            number("ber below", 1e-15..1.0, "a bit error rate to reach is between 1e-15 and 1");
        let within = number("ber within", 1.01..1e6, "a factor between the ends is 1.01 or more");
        Until {
            bit_errors: count("bit errors"),
            bits: count("bits"),
            captures: count("captures"),
            ber_below: below,
            ber_within: within,
            time: period_of(node, "time", &mut self.faults),
        }
    }

    pub(super) fn figure(
        &mut self,
        word: &str,
        span: &std::ops::Range<usize>,
    ) -> Option<&'static FigureName> {
        let found = figure_names::find(word);
        if found.is_none() {
            let words = FIGURE_NAMES.iter().map(|figure| figure.word);
            let help = match nearest(word, words.clone()) {
                Some(near) => format!("did you mean '{near}'?"),
                None => format!("known figures: {}", words.collect::<Vec<_>>().join(", ")),
            };
            let message = format!("there is no figure '{word}'");
            self.faults.push(Fault::new(span.clone(), message).with_help(help));
        }
        found
    }

    fn expectation(&mut self, figure: &'static FigureName, bounds: &Node) -> Option<Expectation> {
        match Expectation::read(figure, bounds.text()?) {
            Ok(expectation) => Some(expectation),
            Err(error) => {
                let mut fault = Fault::new(bounds.span.clone(), error.to_string());
                fault.help = error.advice(figure.dimension);
                self.faults.push(fault);
                None
            }
        }
    }

    fn expectations(&mut self, node: Option<&Node>) -> Vec<Expectation> {
        let mut expectations = Vec::new();
        for (key, bounds) in node.map_or(&[][..], Node::entries) {
            if let Some(figure) = self.figure(&key.text, &key.span) {
                expectations.extend(self.expectation(figure, bounds));
            }
        }
        expectations
    }

    /// Bounds on figures and readings; only readings have a dot in their names.
    fn conditions(&mut self, node: &Node) -> Vec<Condition> {
        let mut conditions = Vec::new();
        if node.entries().is_empty() {
            self.at_start(
                node,
                "nothing is expected",
                "write figures or readings with their bounds",
            );
        }
        for (key, bounds) in node.entries() {
            if key.text.contains('.') {
                let kind = match self.with.knobs.map(|knobs| knobs.readable(&key.text)) {
                    None => continue,
                    Some(Ok(kind)) => kind,
                    Some(Err(error)) => {
                        self.report(&key.span, &error);
                        continue;
                    }
                };
                match Wanted::read(bounds, kind) {
                    Ok(wanted) => {
                        conditions.push(Condition::Reading { reading: key.text.clone(), wanted });
                    }
                    Err(fault) => self.faults.push(fault),
                }
            } else if let Some(figure) = self.figure(&key.text, &key.span) {
                conditions.extend(self.expectation(figure, bounds).map(Condition::Figure));
            }
        }
        conditions
    }
}
