//! Expressions over figures, readings, settings and answers; units are checked before a run.
//!
//! What a name stands for at the moment is told by the caller: nothing here reaches a bench.

use std::fmt;

use beamwarden_drivers::quantity::Dimension;
use evalexpr::{ContextWithMutableVariables, HashMapContext, Node};

/// A checked expression.
#[derive(Clone, Debug, PartialEq)]
pub struct Expression {
    text: String,
    sort: Sort,
    /// Each name with the identifier that stands for it in the tree.
    names: Vec<(String, Name)>,
    tree: Node,
}

/// What an expression yields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sort {
    /// A number in the base unit of a dimension.
    Number(Dimension),
    /// Yes or no.
    Truth,
    /// A word.
    Word,
}

/// What a name in an expression stands for.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Name {
    /// A figure of the last measurement, by its key: `evm_db`.
    Figure(&'static str),
    /// A reading or a setting of an instrument: `supply.current`.
    Door(String),
    /// The answer to a question.
    Answer(String),
    /// The turn of the innermost repetition, from 1.
    Turn,
}

/// A value in an expression.
#[derive(Clone, Debug, PartialEq)]
pub enum Operand {
    /// A number in its base unit.
    Number(f64),
    /// A switch, or yes and no.
    Truth(bool),
    /// A word.
    Word(String),
}

/// Why an expression has no value, a fragment for messages.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ExpressionError {
    /// A figure or reading in it cannot be had.
    #[error("{0} cannot be had")]
    Missing(Name),
    /// The calculation itself fails, as a division of whole numbers by zero does.
    #[error("'{text}' has no value: {why}")]
    Calculation {
        /// The expression.
        text: String,
        /// What the calculation says.
        why: String,
    },
}

impl Expression {
    /// As it was written.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// What it yields.
    #[must_use]
    pub fn sort(&self) -> Sort {
        self.sort
    }

    /// What must be known to evaluate it.
    pub fn names(&self) -> impl Iterator<Item = &Name> {
        self.names.iter().map(|(_, name)| name)
    }

    /// Its value now.
    ///
    /// # Errors
    /// When something in it cannot be had, or the calculation fails.
    pub fn evaluate(
        &self,
        value_of: impl Fn(&Name) -> Option<Operand>,
    ) -> Result<Operand, ExpressionError> {
        let failed = |error: evalexpr::EvalexprError| ExpressionError::Calculation {
            text: self.text.clone(),
            why: error.to_string(),
        };
        let mut context = HashMapContext::new();
        for (identifier, name) in &self.names {
            let value = value_of(name).ok_or_else(|| ExpressionError::Missing(name.clone()))?;
            let value = match value {
                Operand::Number(number) => evalexpr::Value::Float(number),
                Operand::Truth(truth) => evalexpr::Value::Boolean(truth),
                Operand::Word(word) => evalexpr::Value::String(word),
            };
            context.set_value(identifier.clone(), value).map_err(failed)?;
        }
        match self.tree.eval_with_context(&context).map_err(failed)? {
            evalexpr::Value::Float(number) => Ok(Operand::Number(number)),
            evalexpr::Value::Int(number) => Ok(Operand::Number(number as f64)),
            evalexpr::Value::Boolean(truth) => Ok(Operand::Truth(truth)),
            evalexpr::Value::String(word) => Ok(Operand::Word(word)),
            other => Err(ExpressionError::Calculation {
                text: self.text.clone(),
                why: format!("it yields {other}"),
            }),
        }
    }

    /// Whether it holds now.
    ///
    /// # Errors
    /// As [`Expression::evaluate`].
    pub fn holds(
        &self,
        value_of: impl Fn(&Name) -> Option<Operand>,
    ) -> Result<bool, ExpressionError> {
        Ok(self.evaluate(value_of)? == Operand::Truth(true))
    }
}

impl fmt::Display for Operand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Operand::Number(number) => number.fmt(f),
            Operand::Truth(true) => f.write_str("on"),
            Operand::Truth(false) => f.write_str("off"),
            Operand::Word(word) => f.write_str(word),
        }
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Name::Figure(key) => f.write_str(key),
            Name::Door(name) => f.write_str(name),
            Name::Answer(name) => write!(f, "answer.{name}"),
            Name::Turn => f.write_str("turn"),
        }
    }
}

impl fmt::Display for Expression {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}
