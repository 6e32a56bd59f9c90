//! Parameters: what a sequence declares, what a run or a caller gives, and their values wherever an
//! expression of nothing but parameters stands.

use std::ops::Range;

use beamwarden_drivers::fault::{Fault, Faults, Source, nearest};
use beamwarden_drivers::marked::{Node, NodeKind};
use beamwarden_drivers::quantity::{Dimension, Quantity, QuantityError};
use beamwarden_drivers::shape;

use super::super::expression::{Expression, Meaning, Operand, Sort, is_reserved};
use super::super::figure_names::FIGURE_NAMES;
use super::super::step::{Parameter, ParameterValue};
use super::Reader;
use super::text::{behind_sign, is_expression};

/// A parameter as a file declares it.
pub(super) struct Declared {
    name: String,
    default: ParameterValue,
    at_least: Option<f64>,
    at_most: Option<f64>,
    one_of: Vec<ParameterValue>,
}

/// A value that is given for a parameter, with the places of its name and of itself.
pub(super) struct GivenValue {
    pub(super) name: (String, Range<usize>),
    pub(super) value: (String, Range<usize>),
}

/// What the values from the command line are called in messages.
const COMMAND_LINE: &str = "--with";

/// A parameter's value as it is written in a file: reading it yields the very same value.
#[must_use]
pub fn parameter_text(value: &ParameterValue) -> String {
    match value {
        ParameterValue::Number(Quantity { value, dimension }) => match dimension.base_unit() {
            "" => value.to_string(),
            unit => format!("{value} {unit}"),
        },
        ParameterValue::Switch(on) => (if *on { "on" } else { "off" }).to_string(),
        ParameterValue::Word(word) => word.clone(),
    }
}

/// Reads a value whose kind nobody tells.
fn read_free(text: &str) -> Result<ParameterValue, String> {
    if let Some(on) = shape::switch(text) {
        return Ok(ParameterValue::Switch(on));
    }
    match Quantity::parse_any(text) {
        Ok(quantity) => Ok(ParameterValue::Number(quantity)),
        // Words may begin with a number, as names of frames do: 16-qam uncoded.
        Err(QuantityError::UnknownUnit { unit, .. }) if !unit.starts_with('-') => {
            Err(format!("'{unit}' is not a known unit"))
        }
        Err(QuantityError::NoNumber(_) | QuantityError::UnknownUnit { .. }) => {
            Ok(ParameterValue::Word(text.to_string()))
        }
        Err(error) => Err(error.to_string()),
    }
}

/// Reads a value of the kind of another.
fn read_like(text: &str, like: &ParameterValue) -> Result<ParameterValue, String> {
    let bare = [Dimension::Ratio, Dimension::Count];
    match like {
        ParameterValue::Number(Quantity { dimension, .. }) => {
            let read = Quantity::parse(text, *dimension);
            let read = match read {
                Err(_) if bare.contains(dimension) => {
                    let other = bare.iter().find_map(|one| Quantity::parse(text, *one).ok());
                    other.map_or(read, Ok)
                }
                read => read,
            };
            read.map(ParameterValue::Number).map_err(|error| error.to_string())
        }
        ParameterValue::Switch(_) => shape::switch(text)
            .map(ParameterValue::Switch)
            .ok_or_else(|| format!("'{text}' is not on or off")),
        ParameterValue::Word(_) => Ok(ParameterValue::Word(text.to_string())),
    }
}

impl Declared {
    /// Refuses what the declaration does not allow.
    fn check(&self, value: &ParameterValue) -> Result<(), String> {
        let shown = parameter_shown(value);
        if let ParameterValue::Number(Quantity { value, dimension }) = value {
            let show = |value| Quantity { value, dimension: *dimension };
            if let Some(bound) = self.at_most.filter(|bound| value > bound) {
                return Err(format!("{}: {shown} is above {}", self.name, show(bound)));
            }
            if let Some(bound) = self.at_least.filter(|bound| value < bound) {
                return Err(format!("{}: {shown} is below {}", self.name, show(bound)));
            }
        }
        if !self.one_of.is_empty() && !self.one_of.iter().any(|one| same(one, value)) {
            let all: Vec<String> = self.one_of.iter().map(parameter_shown).collect();
            return Err(format!("{}: {shown} is none of {}", self.name, all.join(", ")));
        }
        Ok(())
    }
}

fn same(a: &ParameterValue, b: &ParameterValue) -> bool {
    match (a, b) {
        (ParameterValue::Number(a), ParameterValue::Number(b)) => a.value == b.value,
        (a, b) => a == b,
    }
}

fn parameter_shown(value: &ParameterValue) -> String {
    match value {
        ParameterValue::Number(quantity) => quantity.to_string(),
        other => parameter_text(other),
    }
}

impl Reader<'_> {
    /// What the file declares; its defaults may be expressions of plain values.
    pub(super) fn parameters(&mut self, mut root: Node) -> (Vec<Declared>, Node) {
        self.parameters.clear();
        if let NodeKind::Map(entries) = &mut root.kind {
            for (_, node) in entries.iter_mut().filter(|(key, _)| key.text == "parameters") {
                self.fill_in(node);
            }
        }
        let mut declared: Vec<Declared> = Vec::new();
        for (key, node) in root.get("parameters").map_or(&[][..], Node::entries) {
            let parameter = self.declared(&key.text, node);
            if self.may_be_parameter(&key.text, &key.span) {
                declared.extend(parameter);
            }
        }
        (declared, root)
    }

    fn may_be_parameter(&mut self, name: &str, span: &Range<usize>) -> bool {
        let good = |c: char| c.is_ascii_alphanumeric() || c == '_';
        let starts = name.starts_with(|c: char| c.is_ascii_alphabetic());
        let figure = FIGURE_NAMES.iter().any(|figure| figure.word.replace(' ', "_") == name);
        let fault = if !starts || !name.chars().all(good) {
            Fault::new(span.clone(), format!("'{name}' cannot name a parameter"))
                .with_help("use letters, digits and '_', a letter first")
        } else if figure
            || is_reserved(name)
            || matches!(name, "turn" | "found" | "answer" | "frame")
        {
            Fault::new(span.clone(), format!("'{name}' has a meaning already in expressions"))
        } else {
            return true;
        };
        self.faults.push(fault);
        false
    }

    fn declared(&mut self, name: &str, node: &Node) -> Option<Declared> {
        let place = if node.entries().is_empty() { node } else { node.get("default")? };
        let text = place.text().filter(|_| !place.is_empty_value())?;
        let default = match read_free(text) {
            Ok(value) => value,
            Err(message) => {
                let fault = Fault::new(place.span.clone(), message);
                self.faults.push(fault.with_help("a word must not begin with a number"));
                return None;
            }
        };
        let like = |reader: &mut Self, place: &Node| {
            let read = read_like(place.text().filter(|_| !place.is_empty_value())?, &default);
            read.map_err(|message| reader.faults.push(Fault::new(place.span.clone(), message))).ok()
        };
        let bound = |reader: &mut Self, key: &str| {
            let place = node.get(key)?;
            match like(reader, place)? {
                ParameterValue::Number(quantity) => Some(quantity.value),
                _ => {
                    let message = format!("'{key}' is for numbers");
                    reader.faults.push(Fault::new(place.span.clone(), message));
                    None
                }
            }
        };
        let (at_least, at_most) = (bound(self, "at least"), bound(self, "at most"));
        let items = node.get("one of").map_or(&[][..], Node::items);
        let one_of = items.iter().filter_map(|item| like(self, item)).collect();
        let declared = Declared { name: name.to_string(), default, at_least, at_most, one_of };
        if let Err(message) = declared.check(&declared.default) {
            self.faults.push(Fault::new(place.span.clone(), message));
        }
        Some(declared)
    }

    /// The values of parameters, given ones in place of defaults; what is wrong with what was given is
    /// told beside.
    pub(super) fn values(
        declared: Vec<Declared>,
        given: &[GivenValue],
    ) -> (Vec<Parameter>, Vec<Fault>) {
        let mut faults = Vec::new();
        for (number, GivenValue { name: (name, span), .. }) in given.iter().enumerate() {
            let names = declared.iter().map(|one| one.name.as_str());
            let (message, help) = if given[..number].iter().any(|one| one.name.0 == *name) {
                (format!("'{name}' is given twice"), None)
            } else if declared.iter().any(|one| one.name == *name) {
                continue;
            } else {
                let help = match nearest(name, names.clone()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None if declared.is_empty() => "the sequence has no parameters".into(),
                    None => format!("its parameters: {}", names.collect::<Vec<_>>().join(", ")),
                };
                (format!("the sequence has no parameter '{name}'"), Some(help))
            };
            let mut fault = Fault::new(span.clone(), message);
            fault.help = help;
            faults.push(fault);
        }
        let parameters = declared.into_iter().map(|declared| {
            let own = given.iter().find(|one| one.name.0 == declared.name);
            let mut value = declared.default.clone();
            if let Some(GivenValue { value: (text, span), .. }) = own {
                let read = read_like(text.trim(), &declared.default);
                match read.and_then(|read| declared.check(&read).map(|()| read)) {
                    Ok(read) => value = read,
                    Err(message) => faults.push(Fault::new(span.clone(), message)),
                }
            }
            Parameter { name: declared.name, value, given: own.is_some() }
        });
        let parameters = parameters.collect();
        (parameters, faults)
    }

    /// The values with those of the command line.
    pub(super) fn given_on_command_line(&mut self, declared: Vec<Declared>) -> Vec<Parameter> {
        let mut text = String::new();
        let mut given = Vec::new();
        for (name, value) in self.with.given {
            let start = text.len();
            text += &format!("{name}={value}\n");
            let at = start + name.len() + 1;
            given.push(GivenValue {
                name: (name.clone(), start..start + name.len()),
                value: (value.clone(), at..at + value.len()),
            });
        }
        let (parameters, faults) = Self::values(declared, &given);
        if !faults.is_empty() {
            self.others.push(Faults::new(Source::new(COMMAND_LINE, text), faults));
        }
        parameters
    }

    /// The file with values in place of every expression of parameters alone.
    pub(super) fn with_parameters(&mut self, mut root: Node) -> Node {
        self.fill_in(&mut root);
        root
    }

    fn fill_in(&mut self, node: &mut Node) {
        match &mut node.kind {
            NodeKind::List(items) => items.iter_mut().for_each(|item| self.fill_in(item)),
            NodeKind::Map(entries) => entries.iter_mut().for_each(|(_, node)| self.fill_in(node)),
            NodeKind::Scalar { text, .. } if is_expression(text) => {
                if let Some(filled) = self.filled_in(node) {
                    node.kind = NodeKind::Scalar { text: filled, quoted: false };
                }
            }
            NodeKind::Scalar { .. } => {}
        }
    }

    /// The text of the value; empty where the expression has none, `None` where it waits for the run.
    fn filled_in(&mut self, node: &Node) -> Option<String> {
        let (text, start) = behind_sign(node.text()?);
        let waits = std::cell::Cell::new(false);
        let read = Expression::read(text, &|name| match self.parameter(name) {
            Some(constant) => Ok(constant),
            None => {
                waits.set(true);
                // Whatever it is, it is looked at where the expression stands.
                Ok(Meaning::Now(super::super::expression::Name::Door(name.to_string()), None))
            }
        });
        let fault = match read {
            _ if waits.get() => return None,
            Ok(expression) => match expression.constant()? {
                Ok(value) => return Some(exact(&value, expression.sort())),
                Err(error) => super::super::expression::ExpressionFault {
                    span: 0..text.len(),
                    message: error.to_string(),
                    help: None,
                },
            },
            Err(fault) => fault,
        };
        self.refuse(node, start, fault);
        self.refused.push(node.span.clone());
        Some(String::new())
    }
}

/// A value as text that reads back as the same.
fn exact(value: &Operand, sort: Sort) -> String {
    match (value, sort) {
        (Operand::Number(value), Sort::Number(dimension)) => {
            // Fifteen digits are exact in both directions; sums of fractions leave dust behind them.
            let value = format!("{value:.14e}").parse().unwrap_or(*value);
            parameter_text(&ParameterValue::Number(Quantity { value, dimension }))
        }
        (value, sort) => value.shown(sort),
    }
}
