//! What the parts of an expression are, and which of them go together.
//!
//! Levels in dBm are logarithms: their difference is a ratio in dB, and their sum has no meaning.

use std::collections::BTreeMap;
use std::ops::Range;

use beamwarden_drivers::quantity::Dimension;
use evalexpr::{Node, Operator};

use super::lex::FUNCTIONS;
use super::{ExpressionFault, Sort};

/// What stands for each identifier of a tree: what it is (where that is known) and its place.
pub(super) type Leaves = BTreeMap<String, (Option<Sort>, Range<usize>)>;

/// What a tree yields; `None` where a name in it is not known.
pub(super) fn sort_of(node: &Node, leaves: &Leaves) -> Result<Option<Sort>, ExpressionFault> {
    let children = node.children();
    let each =
        || children.iter().map(|child| sort_of(child, leaves)).collect::<Result<Vec<_>, _>>();
    match node.operator() {
        Operator::VariableIdentifierRead { identifier } => {
            Ok(leaves.get(identifier).and_then(|(sort, _)| *sort))
        }
        Operator::FunctionIdentifier { identifier } => function(identifier, node, leaves),
        Operator::RootNode if children.len() == 1 => sort_of(&children[0], leaves),
        Operator::Tuple => {
            Err(fault(node, leaves, "a comma stands only between values of a function".into()))
        }
        operator => {
            let sorts = each()?;
            let combined = match sorts.as_slice() {
                [one] => unary(operator, *one),
                [left, right] => binary(operator, *left, *right),
                _ => Err("this cannot be calculated".into()),
            };
            combined.map_err(|message| fault(node, leaves, message))
        }
    }
}

fn fault(node: &Node, leaves: &Leaves, message: String) -> ExpressionFault {
    let places = node.iter_variable_identifiers().filter_map(|name| leaves.get(name));
    let (mut start, mut end) = (usize::MAX, 0);
    for (_, span) in places {
        (start, end) = (start.min(span.start), end.max(span.end));
    }
    ExpressionFault::new(if start < end { start..end } else { 0..0 }, message)
}

fn unary(operator: &Operator, sort: Option<Sort>) -> Result<Option<Sort>, String> {
    match (operator, sort) {
        (Operator::Neg, None) => Ok(None),
        (Operator::Neg, Some(Sort::Number(_))) => Ok(sort),
        (Operator::Neg, Some(other)) => {
            Err(format!("'-' wants a number, not {}", described(other)))
        }
        (Operator::Not, None | Some(Sort::Truth)) => Ok(Some(Sort::Truth)),
        (Operator::Not, Some(other)) => Err(format!(
            "'not' wants yes or no, not {}; put what it turns round in brackets: not (…)",
            described(other)
        )),
        _ => Err("this cannot be calculated".into()),
    }
}

fn binary(
    operator: &Operator,
    left: Option<Sort>,
    right: Option<Sort>,
) -> Result<Option<Sort>, String> {
    use Operator as O;
    match operator {
        O::Add | O::Sub | O::Mul | O::Div | O::Exp => {
            let (Some(left), Some(right)) = (left, right) else { return Ok(None) };
            let (Sort::Number(a), Sort::Number(b)) = (left, right) else {
                let other = if matches!(left, Sort::Number(_)) { right } else { left };
                return Err(format!("numbers are wanted here, not {}", described(other)));
            };
            let result = match operator {
                O::Add => sum(a, b),
                O::Sub => difference(a, b),
                O::Mul => product(a, b),
                O::Div => quotient(a, b),
                _ => (bare(a) && bare(b)).then_some(Dimension::Ratio),
            };
            result.map(|dimension| Some(Sort::Number(dimension))).ok_or_else(|| {
                let sign = match operator {
                    O::Add => "+",
                    O::Sub => "-",
                    O::Mul => "*",
                    O::Div => "/",
                    _ => "^",
                };
                format!("'{sign}' does not go with {} and {}", described(left), described(right))
            })
        }
        O::Eq | O::Neq | O::Lt | O::Gt | O::Leq | O::Geq => compared(operator, left, right),
        O::And | O::Or => {
            let other = [left, right].into_iter().flatten().find(|sort| *sort != Sort::Truth);
            match other {
                Some(other) => {
                    Err(format!("'and' and 'or' want yes or no, not {}", described(other)))
                }
                None => Ok(Some(Sort::Truth)),
            }
        }
        _ => Err("this cannot be calculated".into()),
    }
}

fn compared(
    operator: &Operator,
    left: Option<Sort>,
    right: Option<Sort>,
) -> Result<Option<Sort>, String> {
    let (Some(left), Some(right)) = (left, right) else { return Ok(Some(Sort::Truth)) };
    let orders = !matches!(operator, Operator::Eq | Operator::Neq);
    let comparable = match (left, right) {
        (Sort::Number(a), Sort::Number(b)) => a == b || (bare(a) && bare(b)),
        (a, b) => a == b && !orders,
    };
    if comparable {
        return Ok(Some(Sort::Truth));
    }
    let (a, b) = (described(left), described(right));
    Err(if left == right {
        format!("there is no order between {a} and another")
    } else {
        format!("{a} cannot be compared with {b}")
    })
}

fn function(
    identifier: &str,
    node: &Node,
    leaves: &Leaves,
) -> Result<Option<Sort>, ExpressionFault> {
    let Some((name, _, least, most)) = FUNCTIONS.iter().find(|known| known.1 == identifier) else {
        return Err(fault(node, leaves, "there is no such function".into()));
    };
    let values = values_of(node);
    if values.len() < *least || values.len() > *most {
        let many = if least == most { format!("{least}") } else { format!("{least} to {most}") };
        return Err(fault(node, leaves, format!("{name} takes {many} values")));
    }
    let mut sorts = Vec::new();
    for value in values {
        match sort_of(value, leaves)? {
            None => return Ok(None),
            Some(Sort::Number(dimension)) => sorts.push(dimension),
            Some(other) => {
                let message = format!("{name} wants numbers, not {}", described(other));
                return Err(fault(node, leaves, message));
            }
        }
    }
    let first = sorts[0];
    let fits = match *name {
        "min" | "max" => sorts.iter().all(|other| *other == first || (bare(*other) && bare(first))),
        "abs" => first != Dimension::PowerLevel,
        _ => bare(first),
    };
    if fits {
        return Ok(Some(Sort::Number(first)));
    }
    let shown = sorts.iter().map(|dimension| described(Sort::Number(*dimension)));
    let shown = shown.collect::<Vec<_>>().join(" and ");
    Err(fault(node, leaves, format!("{name} does not go with {shown}")))
}

/// The values that a function is given.
fn values_of(node: &Node) -> Vec<&Node> {
    let mut inner = node;
    loop {
        match (inner.operator(), inner.children()) {
            (Operator::FunctionIdentifier { .. } | Operator::RootNode, [one]) => inner = one,
            (Operator::Tuple, several) => return several.iter().collect(),
            _ => return vec![inner],
        }
    }
}

/// Whether numbers of this kind have no unit.
pub(super) fn bare(dimension: Dimension) -> bool {
    matches!(dimension, Dimension::Ratio | Dimension::Count)
}

fn sum(a: Dimension, b: Dimension) -> Option<Dimension> {
    use Dimension as D;
    match (a, b) {
        (D::PowerLevel, D::PowerLevel) => None,
        (D::PowerLevel, D::Decibel) | (D::Decibel, D::PowerLevel) => Some(D::PowerLevel),
        (D::Count, D::Count) => Some(D::Count),
        (a, b) if bare(a) && bare(b) => Some(D::Ratio),
        (a, b) => (a == b).then_some(a),
    }
}

fn difference(a: Dimension, b: Dimension) -> Option<Dimension> {
    use Dimension as D;
    match (a, b) {
        (D::PowerLevel, D::PowerLevel) => Some(D::Decibel),
        (D::Decibel, D::PowerLevel) => None,
        (a, b) => sum(a, b),
    }
}

/// Products of quantities that a bench has both of, each either way round.
const PRODUCTS: &[(Dimension, Dimension, Dimension)] = &[
    (Dimension::Voltage, Dimension::Current, Dimension::Power),
    (Dimension::AngularSpeed, Dimension::Time, Dimension::Angle),
    (Dimension::Frequency, Dimension::Time, Dimension::Ratio),
];

fn product(a: Dimension, b: Dimension) -> Option<Dimension> {
    match (a, b) {
        (Dimension::PowerLevel, _) | (_, Dimension::PowerLevel) => None,
        (Dimension::Count, Dimension::Count) => Some(Dimension::Count),
        (a, b) if bare(a) && bare(b) => Some(Dimension::Ratio),
        (a, b) if bare(a) => Some(b),
        (a, b) if bare(b) => Some(a),
        (a, b) => PRODUCTS
            .iter()
            .find(|row| (row.0, row.1) == (a, b) || (row.1, row.0) == (a, b))
            .map(|row| row.2),
    }
}

fn quotient(a: Dimension, b: Dimension) -> Option<Dimension> {
    match (a, b) {
        (Dimension::PowerLevel, _) | (_, Dimension::PowerLevel) => None,
        (a, b) if bare(b) => Some(if bare(a) { Dimension::Ratio } else { a }),
        (a, b) if a == b => Some(Dimension::Ratio),
        (a, b) => PRODUCTS.iter().find_map(|row| match row {
            (x, y, z) if (*z == a || (bare(*z) && bare(a))) && *x == b => Some(*y),
            (x, y, z) if (*z == a || (bare(*z) && bare(a))) && *y == b => Some(*x),
            _ => None,
        }),
    }
}

/// In words, for messages.
pub(super) fn described(sort: Sort) -> &'static str {
    match sort {
        Sort::Truth => "yes or no",
        Sort::Word => "a word",
        Sort::Number(Dimension::Ratio) => "a bare number",
        Sort::Number(dimension) => {
            let example = dimension.example();
            example.split_once(" such as ").map_or(example, |(kind, _)| kind)
        }
    }
}
