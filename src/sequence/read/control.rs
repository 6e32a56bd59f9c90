//! Steps that lead to other steps: repetitions, conditions, questions.

use beamwarden_drivers::fault::{Fault, nearest};
use beamwarden_drivers::marked::Node;
use beamwarden_drivers::shape;

use super::super::expression::Sort;
use super::super::step::{Action, Ask, Repeat, When};
use super::{Reader, Scope};
use crate::bench::durations::period_of;

const NO_SWEEP_HELP: &str =
    "the points of a run are counted before it; put the sweep outside, and this into its 'do'";
const NO_SWEEP_IN_REPEAT: (&str, &str) = ("no sweep can stand inside 'repeat'", NO_SWEEP_HELP);
const NO_SWEEP_IN_WHEN: (&str, &str) = ("no sweep can stand inside 'when'", NO_SWEEP_HELP);

impl Reader<'_> {
    pub(super) fn repeat(&mut self, node: &Node, body: Option<&Node>, scope: &Scope) -> Action {
        if node.entries().is_empty() {
            self.at_start(node, "this would never end", "write until, times or at most");
        } else if node.get("times").or(node.get("at most")).is_none() {
            let message =
                "where the condition never comes to hold, or cannot be had, this never ends";
            self.at_start(node, message, "write times or at most beside it");
        }
        let inner = Scope { no_sweep: Some(NO_SWEEP_IN_REPEAT), turns: true, ..scope.clone() };
        let times = node.get("times").and_then(Node::text).and_then(shape::whole);
        let help = "write the steps of each turn, such as do: [{measure: {}}]";
        // The condition is read after the steps: it may ask for an answer of theirs.
        let steps = self.body(body, &inner, help);
        Action::Repeat(Repeat {
            until: node.get("until").and_then(|node| self.expression(node, &inner, Sort::Truth)),
            times: times.and_then(|times| u64::try_from(times).ok()),
            at_most: period_of(node, "at most", &mut self.faults),
            body: steps,
        })
    }

    pub(super) fn when(&mut self, condition: &Node, node: &Node, scope: &Scope) -> Option<Action> {
        let inner = Scope { no_sweep: Some(NO_SWEEP_IN_WHEN), ..scope.clone() };
        let condition = self.expression(condition, scope, Sort::Truth);
        let help = "write the steps to do, such as do: [{measure: {}}]";
        let then = self.body(node.get("do"), &inner, help);
        let otherwise = self.steps(node.get("otherwise"), &inner);
        Some(Action::When(When { condition: condition?, then, otherwise }))
    }

    pub(super) fn ask(&mut self, node: &Node, scope: &Scope) -> Option<Action> {
        let question = node.get("question").and_then(|node| self.text(node, scope));
        let answers = match node.get("answers") {
            None => vec!["yes".to_string(), "no".to_string()],
            Some(place) => {
                let answers: Vec<String> =
                    place.items().iter().filter_map(Node::text).map(str::to_string).collect();
                if answers.len() < 2 {
                    self.at_start(place, "there is nothing to choose", "write two answers or more");
                }
                answers
            }
        };
        let within = period_of(node, "within", &mut self.faults);
        let place = node.get("default").filter(|node| !node.is_empty_value());
        let default = place.and_then(Node::text).map(str::to_string);
        if let (Some(default), Some(place)) = (&default, place)
            && !answers.contains(default)
        {
            let fault =
                Fault::new(place.span.clone(), format!("'{default}' is none of the answers"));
            let known = answers.iter().map(String::as_str);
            self.faults.push(fault.with_help(match nearest(default, known) {
                Some(near) => format!("did you mean '{near}'?"),
                None => format!("the answers are {}", answers.join(", ")),
            }));
        }
        let name = node.get("as").and_then(Node::text).map(str::to_string);
        if let (Some(name), Some(place)) = (&name, node.get("as")) {
            let good = |c: char| c.is_ascii_alphanumeric() || c == '_';
            if name.is_empty() || !name.chars().all(good) {
                let fault = Fault::new(place.span.clone(), "this cannot name an answer");
                self.faults.push(fault.with_help("use letters, digits and '_'"));
            }
            self.answers.insert(name.clone());
        }
        Some(Action::Ask(Ask {
            question: question?,
            answers,
            within: within?,
            default: default?,
            name,
        }))
    }
}
