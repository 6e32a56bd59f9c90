//! Expressions over figures, readings, settings and answers; units are checked before a run.
//!
//! What a name stands for at the moment is told by the caller: nothing here reaches a bench.

use std::fmt;
use std::ops::Range;

use beamwarden_drivers::quantity::{Dimension, Quantity};
use evalexpr::{Context, EvalexprError, EvalexprResult, Node, Operator};

use crate::bench::knob::{Knob, KnobError, KnobKind, KnobValue};

mod lex;
mod sorts;
#[cfg(test)]
mod tests;

pub use lex::{EXPRESSION_BYTES_MAX, is_reserved};

/// What is wrong with the text of an expression, and where in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExpressionFault {
    /// Byte range in the text.
    pub span: Range<usize>,
    /// What is wrong, a fragment for messages.
    pub message: String,
    /// What to do about it.
    pub help: Option<String>,
}

impl ExpressionFault {
    fn new(span: Range<usize>, message: impl Into<String>) -> Self {
        ExpressionFault { span, message: message.into(), help: None }
    }

    fn with_help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
}

/// What a name means where an expression stands.
#[derive(Clone, Debug, PartialEq)]
pub enum Meaning {
    /// A value that is known before the run: a parameter.
    Constant(Operand, Sort),
    /// Something that is known when the expression is evaluated; what it is where that is known.
    Now(Name, Option<Sort>),
}

/// Why a name means nothing: a message and advice.
pub type Meaningless = (String, Option<String>);

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
    /// Whether the last measurement found a frame.
    Found,
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

    /// Reads an expression; `meaning` tells what its names stand for.
    ///
    /// # Errors
    /// When it has no meaning, or its units do not go together; never panics, whatever the text.
    pub fn read(
        text: &str,
        meaning: &dyn Fn(&str) -> Result<Meaning, Meaningless>,
    ) -> Result<Self, ExpressionFault> {
        let mut names: Vec<(String, Name)> = Vec::new();
        let mut constants: Vec<evalexpr::Value> = Vec::new();
        let mut leaves = sorts::Leaves::new();
        let mut theirs = String::new();
        for (word, span) in lex::words(text)? {
            let leaf = match word {
                lex::Word::Sign(sign) | lex::Word::Function(sign) => {
                    theirs += sign;
                    theirs.push(' ');
                    continue;
                }
                lex::Word::Constant(value, sort) => Meaning::Constant(value, sort),
                lex::Word::Name(name) => meaning(&name).map_err(|(message, help)| {
                    ExpressionFault { span: span.clone(), message, help }
                })?,
            };
            let (identifier, sort) = match leaf {
                Meaning::Constant(value, sort) => {
                    constants.push(value.into());
                    (format!("c{}", constants.len() - 1), Some(sort))
                }
                Meaning::Now(name, sort) => {
                    names.push((format!("n{}", names.len()), name));
                    (format!("n{}", names.len() - 1), sort)
                }
            };
            theirs += &identifier;
            theirs.push(' ');
            leaves.insert(identifier, (sort, span));
        }
        let unread = |error: EvalexprError| ExpressionFault::new(0..text.len(), error.to_string());
        let mut tree = evalexpr::build_operator_tree(&theirs).map_err(unread)?;
        let sort = sorts::sort_of(&tree, &leaves)?;
        fill_in(&mut tree, &constants);
        // An unknown sort comes only of a bench that is not known either.
        Ok(Expression { text: text.to_string(), sort: sort.unwrap_or(Sort::Truth), names, tree })
    }

    /// Its value, when nothing in it must be known first.
    #[must_use]
    pub fn constant(&self) -> Option<Result<Operand, ExpressionError>> {
        self.names.is_empty().then(|| self.evaluate(|_| None))
    }

    /// Its value now.
    ///
    /// # Errors
    /// When something in it cannot be had, or the calculation fails.
    pub fn evaluate(
        &self,
        value_of: impl Fn(&Name) -> Option<Operand>,
    ) -> Result<Operand, ExpressionError> {
        let failed = |why: String| ExpressionError::Calculation { text: self.text.clone(), why };
        let mut values = Vec::with_capacity(self.names.len());
        for (_, name) in &self.names {
            let value = value_of(name).ok_or_else(|| ExpressionError::Missing(name.clone()))?;
            values.push(value.into());
        }
        let context = Values { names: &self.names, values };
        match self.tree.eval_with_context(&context).map_err(|error| failed(error.to_string()))? {
            evalexpr::Value::Float(number) if number.is_finite() => Ok(Operand::Number(number)),
            evalexpr::Value::Int(number) => Ok(Operand::Number(number as f64)),
            evalexpr::Value::Boolean(truth) => Ok(Operand::Truth(truth)),
            evalexpr::Value::String(word) => Ok(Operand::Word(word)),
            other => Err(failed(format!("it yields {other}"))),
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

/// The values of an expression's names, for the library.
struct Values<'a> {
    names: &'a [(String, Name)],
    values: Vec<evalexpr::Value>,
}

impl Context for Values<'_> {
    fn get_value(&self, identifier: &str) -> Option<&evalexpr::Value> {
        let at = self.names.iter().position(|(known, _)| known == identifier)?;
        self.values.get(at)
    }

    fn call_function(
        &self,
        identifier: &str,
        _argument: &evalexpr::Value,
    ) -> EvalexprResult<evalexpr::Value> {
        // The library then takes its own function of the name.
        Err(EvalexprError::FunctionIdentifierNotFound(identifier.to_string()))
    }

    fn are_builtin_functions_disabled(&self) -> bool {
        false
    }

    fn set_builtin_functions_disabled(&mut self, _disabled: bool) -> EvalexprResult<()> {
        Ok(())
    }
}

/// Puts values in place of the identifiers that stood for them.
fn fill_in(node: &mut Node, constants: &[evalexpr::Value]) {
    if let Operator::VariableIdentifierRead { identifier } = node.operator()
        && let Some(value) = identifier
            .strip_prefix('c')
            .and_then(|number| number.parse::<usize>().ok())
            .and_then(|number| constants.get(number))
    {
        *node.operator_mut() = Operator::Const { value: value.clone() };
    }
    node.children_mut().iter_mut().for_each(|child| fill_in(child, constants));
}

impl From<Operand> for evalexpr::Value {
    fn from(operand: Operand) -> Self {
        match operand {
            Operand::Number(number) => evalexpr::Value::Float(number),
            Operand::Truth(truth) => evalexpr::Value::Boolean(truth),
            Operand::Word(word) => evalexpr::Value::String(word),
        }
    }
}

impl From<&KnobValue> for Operand {
    fn from(value: &KnobValue) -> Self {
        match value {
            KnobValue::Number(quantity) => Operand::Number(quantity.value),
            KnobValue::Whole(whole) => Operand::Number(*whole as f64),
            KnobValue::Switch(on) => Operand::Truth(*on),
            KnobValue::Word(word) => Operand::Word(word.clone()),
            KnobValue::Frame(frame) => Operand::Word(frame.name.clone()),
        }
    }
}

impl Operand {
    /// As people write it, a number in a sensible multiple of its unit.
    #[must_use]
    pub fn shown(&self, sort: Sort) -> String {
        match (self, sort) {
            (Operand::Number(value), Sort::Number(dimension)) => {
                Quantity { value: *value, dimension }.to_string()
            }
            (Operand::Number(value), _) => value.to_string(),
            (Operand::Truth(on), _) => (if *on { "on" } else { "off" }).to_string(),
            (Operand::Word(word), _) => word.clone(),
        }
    }
}

impl Sort {
    /// What a knob or reading of a kind is in expressions.
    #[must_use]
    pub fn of_kind(kind: &KnobKind) -> Self {
        match kind {
            KnobKind::Number(dimension) => Sort::Number(*dimension),
            KnobKind::Whole => Sort::Number(Dimension::Count),
            KnobKind::Switch => Sort::Truth,
            KnobKind::Word(_) | KnobKind::Frame(_) => Sort::Word,
        }
    }

    /// Whether what is of this sort may stand where another is wanted.
    #[must_use]
    pub fn fits(self, wanted: Sort) -> bool {
        match (self, wanted) {
            (Sort::Number(a), Sort::Number(b)) => a == b || (sorts::bare(a) && sorts::bare(b)),
            (a, b) => a == b,
        }
    }

    /// In words with article, for messages: "a voltage".
    #[must_use]
    pub fn described(self) -> &'static str {
        sorts::described(self)
    }
}

/// What an expression yielded as a value for a knob, not yet checked against its bounds.
///
/// # Errors
/// When it is none: no whole number where one is wanted, no word that the knob knows.
pub fn knob_value(knob: &Knob, value: &Operand) -> Result<KnobValue, KnobError> {
    let unreadable =
        |message: String| KnobError::Unreadable { setting: knob.name.clone(), message, help: None };
    match (&knob.kind, value) {
        (KnobKind::Number(dimension), Operand::Number(value)) => {
            Ok(KnobValue::Number(Quantity { value: *value, dimension: *dimension }))
        }
        (KnobKind::Whole, Operand::Number(value)) => {
            let whole = value.round();
            // Sums of fractions leave dust in the last digits.
            if (value - whole).abs() > 1e-9 * value.abs().max(1.0) || whole.abs() > 9e15 {
                return Err(unreadable(format!("{value} is not a whole number")));
            }
            Ok(KnobValue::Whole(whole as i64))
        }
        (KnobKind::Switch, Operand::Truth(on)) => Ok(KnobValue::Switch(*on)),
        (KnobKind::Word(_) | KnobKind::Frame(_), Operand::Word(word)) => knob.read(word),
        (kind, _) => {
            let wanted = Sort::of_kind(kind).described();
            Err(unreadable(format!("{wanted} is wanted here, and the expression yields another")))
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
            Name::Found => f.write_str("found"),
        }
    }
}

impl fmt::Display for Expression {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}
