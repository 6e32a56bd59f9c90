//! Calls of other sequences: their steps stand in place of the call.

use beamwarden_drivers::fault::{Fault, Source};
use beamwarden_drivers::marked::{self, Node};

use super::super::grammar::CALLED_KEYS;
use super::super::step::{Action, Call, Step};
use super::parameters::GivenValue;
use super::{Reader, Scope};

/// Deepest calls within calls.
const DEPTH_MAX: usize = 8;
/// Most calls in all: each stands for a copy of the steps.
const CALLS_MAX: usize = 1000;
/// Most bytes of text in all calls: a text counts each time that it is called.
const CALLED_BYTES_MAX: usize = 2 << 20;

/// Whether a name is that of a file in the same folder, so that a run folder can keep it and it never
/// leads out of there.
fn is_file_name(name: &str) -> bool {
    let good = |c: char| c.is_alphanumeric() || matches!(c, '.' | '_' | '-' | ' ' | '+');
    !name.is_empty()
        && name.len() <= 100
        && !name.starts_with(['.', ' '])
        && !name.ends_with([' ', '.'])
        && name.chars().all(good)
}

impl Reader<'_> {
    pub(super) fn call(
        &mut self,
        node: &Node,
        with: Option<&Node>,
        scope: &Scope,
    ) -> Option<Action> {
        let name = node.text().filter(|_| !node.is_empty_value())?.to_string();
        let source = self.source_of(node, &name)?;
        self.called_bytes += source.text.len();
        if self.called_bytes > CALLED_BYTES_MAX {
            // The first excess is told, and nothing is called any more.
            self.calls = CALLS_MAX + 1;
            let message =
                format!("calls of more than {} MiB of text in all", CALLED_BYTES_MAX >> 20);
            let help = "call fewer or shorter sequences; sweep or repeat within one call";
            self.faults.push(Fault::new(node.span.clone(), message).with_help(help));
            return None;
        }
        let given: Vec<GivenValue> = with
            .map_or(&[][..], Node::entries)
            .iter()
            .filter_map(|(key, value)| {
                let text = value.text().filter(|_| !value.is_empty_value())?;
                if text.starts_with('=') {
                    let message = "only parameters may stand in an expression here";
                    self.faults.push(Fault::new(value.span.clone(), message));
                    return None;
                }
                Some(GivenValue {
                    name: (key.text.clone(), key.span.clone()),
                    value: (text.to_string(), value.span.clone()),
                })
            })
            .collect();
        let (root, faults) = match marked::parse(&source) {
            Ok(parsed) => parsed,
            Err(faults) => {
                if !self.others.contains(&faults) {
                    self.others.push(faults);
                }
                return None;
            }
        };
        // The caller waits while the called file is read.
        let outer_source = std::mem::replace(&mut self.source, source);
        let outer_faults = std::mem::replace(&mut self.faults, faults);
        let outer_refused = std::mem::take(&mut self.refused);
        let outer_parameters = std::mem::take(&mut self.parameters);
        self.open.push(name.clone());
        let (declared, root) = self.parameters(root);
        let (parameters, given_faults) = Self::values(declared, &given);
        self.parameters.clone_from(&parameters);
        let steps = self.called_steps(root, scope);
        self.open.pop();
        self.close_file();
        self.source = outer_source;
        self.faults = outer_faults;
        self.faults.extend(given_faults);
        self.refused = outer_refused;
        self.parameters = outer_parameters;
        Some(Action::Call(Call { file: name, parameters, steps }))
    }

    /// The text of a called file, unless it may not be called from here.
    fn source_of(&mut self, node: &Node, name: &str) -> Option<Source> {
        self.calls = self.calls.saturating_add(1);
        if self.calls > CALLS_MAX + 1 {
            // The first one too many was told.
            return None;
        }
        let refused = if !is_file_name(name) {
            let help = "write the name of a file in the folder of the sequence that is run";
            Some((format!("'{name}' cannot be called"), help))
        } else if self.open.iter().any(|open| open == name) {
            Some((format!("{name} calls itself, at last"), "a repetition is written with 'repeat'"))
        } else if self.open.len() >= DEPTH_MAX {
            Some((format!("calls are nested deeper than {DEPTH_MAX}"), "call fewer in a row"))
        } else if self.calls > CALLS_MAX {
            Some((format!("more than {CALLS_MAX} calls"), "sweep or repeat within one call"))
        } else {
            None
        };
        if let Some((message, help)) = refused {
            self.faults.push(Fault::new(node.span.clone(), message).with_help(help));
            return None;
        }
        if let Some(known) = self.called.iter().find(|source| *source.name == *name) {
            return Some(known.clone());
        }
        match (self.with.texts)(name) {
            Ok(source) => {
                let source = Source::new(name, source.text);
                self.called.push(source.clone());
                Some(source)
            }
            Err(why) => {
                let message = format!("failed to read {name}: {why}");
                self.faults.push(Fault::new(node.span.clone(), message));
                None
            }
        }
    }

    fn called_steps(&mut self, root: Node, scope: &Scope) -> Vec<Step> {
        let root = self.with_parameters(root);
        self.check_shape(&root);
        for (key, _) in root.entries() {
            let known = super::super::grammar::is_key(&key.text);
            if known && !CALLED_KEYS.contains(&key.text.as_str()) {
                let message = format!("a sequence that is called has no '{}'", key.text);
                let help = "it belongs to the sequence that is run, which calls this one";
                self.faults.push(Fault::new(key.span.clone(), message).with_help(help));
            }
        }
        let mut steps = self.steps(root.get("prepare"), scope);
        steps.extend(self.steps(root.get("steps"), scope));
        steps
    }
}
