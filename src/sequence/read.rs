//! From a sequence's text to a checked sequence: every fault of the file at once, and of those that it
//! calls.
//!
//! The grammar reports what has the wrong shape; this reader passes over that and reports what has
//! the right shape but the wrong meaning: unknown settings, wrong units, values beyond limits.
//! Without a bench it still finds what is wrong whatever the bench is.

use std::collections::BTreeSet;
use std::ops::Range;
use std::time::Duration;

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::marked::{self, Node};
use beamwarden_drivers::shape;

use super::expression::{Expression, Sort};
use super::grammar;
use super::step::{Deadlines, Parameter, Sequence};
use crate::bench::durations::period_of;
use crate::bench::interlock;
use crate::bench::knob::{Knob, KnobError, KnobTable, KnobValue};
use crate::bench::policy::Policy;

mod call;
mod control;
mod names;
mod parameters;
mod reference;
mod steps;
mod sweep;
mod text;

pub use parameters::parameter_text;

/// What a sequence is read with, besides its own text.
#[derive(Clone, Copy)]
pub struct ReadWith<'a> {
    /// The settings and readings of the bench; without one only what any bench would refuse is found.
    pub knobs: Option<&'a KnobTable>,
    /// Values of parameters for this run: names and texts.
    pub given: &'a [(String, String)],
    /// Gets the text of a sequence that is called, by its name; or says why it cannot be had.
    pub texts: &'a dyn Fn(&str) -> Result<Source, String>,
}

/// Reads and checks a sequence against the knobs of a bench; one that calls no other and is given no
/// parameters.
///
/// # Errors
/// Every fault of the file, in the order of their places.
pub fn read_sequence(source: &Source, knobs: &KnobTable) -> Result<Sequence, Faults> {
    let texts = |_: &str| Err("no other file can be read from here".to_string());
    let with = ReadWith { knobs: Some(knobs), given: &[], texts: &texts };
    // Nothing is given and nothing called, so that all faults are of one file.
    read_sequence_with(source, &with).map_err(|mut faults| faults.remove(0))
}

/// Reads and checks a sequence and all that it calls.
///
/// # Errors
/// Every fault of every file, one element a file, and never none; what was given for parameters counts
/// as a file.
pub fn read_sequence_with(source: &Source, with: &ReadWith<'_>) -> Result<Sequence, Vec<Faults>> {
    let mut reader = Reader::new(source, with);
    let sequence = match marked::parse(source) {
        Ok((root, faults)) => {
            reader.faults = faults;
            Some(reader.whole(root))
        }
        Err(faults) => {
            reader.others.push(faults);
            None
        }
    };
    let faults = reader.all_faults();
    match sequence {
        Some(sequence) if faults.is_empty() => Ok(sequence),
        _ => Err(faults),
    }
}

/// What is wrong with a sequence whatever the bench is: shapes, expressions, calls.
#[must_use]
pub fn faults_on_any_bench(source: &Source, with: &ReadWith<'_>) -> Vec<Faults> {
    let with = ReadWith { knobs: None, ..*with };
    read_sequence_with(source, &with).err().unwrap_or_default()
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

/// Reads one file at a time; what it is called from waits meanwhile.
struct Reader<'k> {
    with: &'k ReadWith<'k>,
    /// The file that is read.
    source: Source,
    /// Its faults.
    faults: Vec<Fault>,
    /// Places where an expression was refused: what else is said of them only follows from that.
    refused: Vec<Range<usize>>,
    /// The parameters of the file.
    parameters: Vec<Parameter>,
    /// Faults of the other files.
    others: Vec<Faults>,
    /// The files that are called, each once.
    called: Vec<Source>,
    /// Names of the files that are being read, the outermost first.
    open: Vec<String>,
    /// How many calls there were.
    calls: usize,
    /// How many bytes of text they called.
    called_bytes: usize,
    /// Names of answers that were asked for before.
    answers: BTreeSet<String>,
    /// What a point may take, by the sequence that is run.
    point_deadline: Option<Duration>,
}

/// What may stand where steps stand.
#[derive(Clone, Default)]
struct Scope {
    /// Why no sweep may stand here, and what to do instead.
    no_sweep: Option<(&'static str, &'static str)>,
    /// The sweep axes around, outermost first.
    axes: Vec<(String, Option<Sort>)>,
    /// Whether a repetition is around.
    turns: bool,
}

impl<'k> Reader<'k> {
    fn new(source: &Source, with: &'k ReadWith<'k>) -> Self {
        Reader {
            with,
            source: source.clone(),
            faults: Vec::new(),
            refused: Vec::new(),
            parameters: Vec::new(),
            others: Vec::new(),
            called: Vec::new(),
            open: Vec::new(),
            calls: 0,
            called_bytes: 0,
            answers: BTreeSet::new(),
            point_deadline: None,
        }
    }

    fn whole(&mut self, root: Node) -> Sequence {
        let (declared, root) = self.parameters(root);
        self.parameters = self.given_on_command_line(declared);
        let root = self.with_parameters(root);
        self.check_shape(&root);
        let steps = Scope::default();
        let once = Scope {
            no_sweep: Some((
                "a sweep belongs under 'steps'",
                "'prepare' and 'finally' run once, without points",
            )),
            ..Scope::default()
        };
        let text = |key: &str| root.get(key).and_then(Node::text).map(str::to_string);
        let knobs = self.with.knobs;
        let interlocks = interlock::read(root.get("interlocks"), knobs, &mut self.faults);
        let policy = root.get("on failure").map(|node| Policy::read(node, &mut self.faults));
        let deadlines = root.get("deadlines").map_or_else(Deadlines::default, |node| Deadlines {
            action: period_of(node, "action", &mut self.faults),
            point: period_of(node, "point", &mut self.faults),
            run: period_of(node, "run", &mut self.faults),
        });
        self.point_deadline = deadlines.point;
        let reference = root.get("reference").and_then(|node| self.reference(node));
        // In the order of execution, in which answers become known.
        let prepare = self.steps(root.get("prepare"), &once);
        let steps = self.steps(root.get("steps"), &steps);
        let finally = self.steps(root.get("finally"), &once);
        self.offer_parameters();
        Sequence {
            source: self.source.clone(),
            name: text("sequence").unwrap_or_default(),
            about: text("about"),
            parameters: self.parameters.clone(),
            called: self.called.clone(),
            policy,
            deadlines,
            interlocks,
            reference,
            test_capture: text("test capture").and_then(|text| shape::switch(&text)) != Some(false),
            prepare,
            steps,
            finally,
        }
    }

    /// Adds what the grammar has against the file.
    fn check_shape(&mut self, root: &Node) {
        shape::check(root, &grammar::SEQUENCE, &mut self.faults);
        let refused = std::mem::take(&mut self.refused);
        self.faults.retain(|fault| !refused.contains(&fault.span));
    }

    /// Where the name of a parameter stands alone in place of a value, tells how it is written.
    fn offer_parameters(&mut self) {
        for fault in self.faults.iter_mut().filter(|fault| fault.help.is_none()) {
            let text = self.source.text.get(fault.span.clone()).unwrap_or_default().trim();
            let word = text.rsplit(' ').next().unwrap_or_default();
            if self.parameters.iter().any(|parameter| parameter.name == word) {
                let whole = text == word;
                fault.help = Some(match whole {
                    true => format!("to use the parameter, write = {word}"),
                    false => format!("the parameter would be written = {word}, alone"),
                });
            }
        }
    }

    /// Ends the reading of a file.
    fn close_file(&mut self) {
        self.offer_parameters();
        let faults = std::mem::take(&mut self.faults);
        if faults.is_empty() {
            return;
        }
        // A file that is called twice has its faults once.
        match self.others.iter_mut().find(|known| known.source == self.source) {
            Some(known) => {
                let all = known.faults.iter().cloned().chain(faults).collect();
                *known = Faults::new(self.source.clone(), all);
            }
            None => self.others.push(Faults::new(self.source.clone(), faults)),
        }
    }

    fn all_faults(mut self) -> Vec<Faults> {
        let own = Faults::new(self.source.clone(), std::mem::take(&mut self.faults));
        let mut all = self.others;
        if !own.faults.is_empty() {
            all.insert(0, own);
        }
        all
    }

    fn report(&mut self, span: &Range<usize>, error: &KnobError) {
        let mut fault = Fault::new(span.clone(), error.to_string());
        fault.help = error.help();
        self.faults.push(fault);
    }

    /// A fault at the beginning of something long.
    fn at_start(&mut self, node: &Node, message: impl Into<String>, help: &str) {
        let span = node.span.start..(node.span.start + 1).min(node.span.end);
        self.faults.push(Fault::new(span, message).with_help(help));
    }

    /// The knob of a name; `None` also when there is no bench to ask.
    fn knob(&mut self, name: &str, span: &Range<usize>) -> Option<&'k Knob> {
        match self.with.knobs?.get(name) {
            Ok(knob) => Some(knob),
            Err(error) => {
                self.report(span, &error);
                None
            }
        }
    }

    /// The expression of a text, which must yield what is wanted.
    fn expression(&mut self, node: &Node, scope: &Scope, wanted: Sort) -> Option<Expression> {
        let expression = self.expression_of(node, scope)?;
        self.is_of_sort(&expression, wanted, node).then_some(expression)
    }

    fn is_of_sort(&mut self, expression: &Expression, wanted: Sort, node: &Node) -> bool {
        let fits = expression.sort().fits(wanted) || self.with.knobs.is_none();
        if !fits {
            let (is, wanted) = (expression.sort().described(), wanted.described());
            let message = format!("this yields {is}; {wanted} is wanted");
            self.faults.push(Fault::new(node.span.clone(), message));
        }
        fits
    }
}

#[cfg(test)]
mod tests;
