//! The words of an expression: numbers with units, names, signs; each with its place.
//!
//! What follows what is checked here, so that every fault has a place and the parser of the library is
//! only given what it accepts. Knows nothing of what names mean.

use std::ops::Range;

use beamwarden_drivers::fault::nearest;
use beamwarden_drivers::quantity::{Dimension, Quantity, meant_unit};

use super::{ExpressionFault, Operand, Sort};

/// Longest expression, in bytes.
pub const EXPRESSION_BYTES_MAX: usize = 2000;
/// Most words of one expression.
const WORDS_MAX: usize = 256;
/// Deepest nesting of brackets and signs.
const DEPTH_MAX: usize = 24;

/// Functions: as written, as the library calls them, how many values they take at least and at most.
pub(super) const FUNCTIONS: &[(&str, &str, usize, usize)] = &[
    ("abs", "math::abs", 1, 1),
    ("min", "min", 2, 8),
    ("max", "max", 2, 8),
    ("round", "round", 1, 1),
    ("floor", "floor", 1, 1),
    ("ceil", "ceil", 1, 1),
    ("sqrt", "math::sqrt", 1, 1),
    ("log10", "math::log10", 1, 1),
];

/// Signs as written and as the library has them; longer ones first.
const SIGNS: &[(&str, &str)] = &[
    ("<=", "<="),
    (">=", ">="),
    ("==", "=="),
    ("!=", "!="),
    ("&&", "&&"),
    ("||", "||"),
    ("<", "<"),
    (">", ">"),
    ("+", "+"),
    ("-", "-"),
    ("*", "*"),
    ("/", "/"),
    ("^", "^"),
    ("(", "("),
    (")", ")"),
    (",", ","),
    ("!", "!"),
];

/// Words that are signs.
const SIGN_WORDS: &[(&str, &str)] = &[("and", "&&"), ("or", "||"), ("not", "!")];
/// Words that are values.
const TRUTHS: &[(&str, bool)] = &[("on", true), ("off", false), ("true", true), ("false", false)];

/// One word.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Word {
    /// A value, and what it is.
    Constant(Operand, Sort),
    /// A name.
    Name(String),
    /// A function, as the library calls it.
    Function(&'static str),
    /// A sign, as the library has it.
    Sign(&'static str),
}

/// Whether a name is taken by the language of expressions itself.
pub fn is_reserved(name: &str) -> bool {
    FUNCTIONS.iter().any(|function| function.0 == name)
        || SIGN_WORDS.iter().any(|(word, _)| *word == name)
        || TRUTHS.iter().any(|(word, _)| *word == name)
}

/// Splits a text into words in an order that makes sense.
pub(super) fn words(text: &str) -> Result<Vec<(Word, Range<usize>)>, ExpressionFault> {
    if text.len() > EXPRESSION_BYTES_MAX {
        let message = format!("an expression of more than {EXPRESSION_BYTES_MAX} bytes");
        return Err(ExpressionFault::new(0..1, message));
    }
    let mut words = Vec::new();
    let mut at = 0;
    while let Some(next) = text[at..].chars().next() {
        if next.is_whitespace() {
            at += next.len_utf8();
            continue;
        }
        let (word, length) = word_at(text, at)?;
        words.push((word, at..at + length));
        at += length;
        if words.len() > WORDS_MAX {
            let message = format!("an expression of more than {WORDS_MAX} words");
            return Err(ExpressionFault::new(0..text.len(), message));
        }
    }
    check_order(&words, text.len())?;
    Ok(words)
}

fn word_at(text: &str, at: usize) -> Result<(Word, usize), ExpressionFault> {
    let rest = &text[at..];
    let first = rest.as_bytes()[0];
    if first.is_ascii_digit() || first == b'.' {
        return number_at(text, at);
    }
    if first == b'\'' || first == b'"' {
        let Some(length) = rest[1..].find(first as char) else {
            return Err(ExpressionFault::new(at..text.len(), "this word's quote is not closed"));
        };
        let word = Operand::Word(rest[1..=length].to_string());
        return Ok((Word::Constant(word, Sort::Word), length + 2));
    }
    if first.is_ascii_alphabetic() || first == b'_' {
        return Ok(name_at(rest));
    }
    if let Some((sign, theirs)) = SIGNS.iter().find(|(sign, _)| rest.starts_with(sign)) {
        return Ok((Word::Sign(theirs), sign.len()));
    }
    let length = rest.chars().next().map_or(1, char::len_utf8);
    let fault = ExpressionFault::new(
        at..at + length,
        format!("'{}' has no meaning in an expression", &rest[..length]),
    );
    Err(match first {
        b'=' => fault.with_help("write == to compare"),
        b'%' => fault.with_help("percent stands behind a number: 3 %"),
        b'&' | b'|' => fault.with_help("write 'and' or 'or'"),
        _ => fault,
    })
}

fn name_at(rest: &str) -> (Word, usize) {
    let part = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '.';
    let name = &rest[..rest.find(|c| !part(c)).unwrap_or(rest.len())];
    let name = name.trim_end_matches('.');
    let word = if let Some((_, theirs)) = SIGN_WORDS.iter().find(|(word, _)| *word == name) {
        Word::Sign(theirs)
    } else if let Some((_, truth)) = TRUTHS.iter().find(|(word, _)| *word == name) {
        Word::Constant(Operand::Truth(*truth), Sort::Truth)
    } else if let Some(function) = FUNCTIONS.iter().find(|function| function.0 == name)
        && rest[name.len()..].trim_start().starts_with('(')
    {
        Word::Function(function.1)
    } else {
        Word::Name(name.to_string())
    };
    (word, name.len())
}

/// A number and the unit behind it.
fn number_at(text: &str, at: usize) -> Result<(Word, usize), ExpressionFault> {
    let rest = &text[at..];
    let bytes = rest.as_bytes();
    let digits = |from: usize| {
        from + bytes[from..].iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count()
    };
    let mut end = digits(0);
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        if bytes.get(end + 1 + sign).is_some_and(u8::is_ascii_digit) {
            end = digits(end + 1 + sign);
        }
    }
    let gap = rest[end..].len() - rest[end..].trim_start_matches(' ').len();
    let behind = &rest[end + gap..];
    let part = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '.';
    let unit = match &behind[..behind.find(|c| !part(c)).unwrap_or(behind.len())] {
        "" if behind.starts_with('%') => "%",
        // Two numbers in a row are told as such.
        unit if unit.starts_with(|c: char| c.is_ascii_digit() || c == '.') => "",
        "deg" if behind[3..].starts_with("/s") && !behind[5..].starts_with(part) => "deg/s",
        unit => unit,
    };
    let is_sign = SIGN_WORDS.iter().any(|(word, _)| *word == unit);
    let (unit, length) =
        if unit.is_empty() || is_sign { ("", end) } else { (unit, end + gap + unit.len()) };
    let span = at..at + length;
    let Some(dimension) = Dimension::of_unit(unit) else {
        let start = at + end + gap;
        let fault = ExpressionFault::new(start..span.end, format!("'{unit}' is not a known unit"));
        let units = Dimension::ALL.iter().flat_map(|dimension| dimension.units());
        if let Some(meant) = meant_unit(unit, units.clone()) {
            return Err(fault.with_help(format!("did you mean '{meant}'?")));
        }
        return Err(match nearest(unit, units.filter(|unit| !unit.is_empty())) {
            Some(near) => fault.with_help(format!("did you mean '{near}'?")),
            None => fault,
        });
    };
    let quantity = Quantity::parse(&rest[..length], dimension)
        .map_err(|error| ExpressionFault::new(span, error.to_string()))?;
    let value = Operand::Number(quantity.value);
    Ok((Word::Constant(value, Sort::Number(dimension)), length))
}

/// The word of a number and the one before it, where both are names.
fn two_names(words: &[(Word, Range<usize>)], number: usize) -> Option<(&str, &str)> {
    match words.get(number.checked_sub(1)?..=number)? {
        [(Word::Name(before), _), (Word::Name(name), _)] => Some((before, name)),
        _ => None,
    }
}

/// Values and signs must take turns, brackets must close, and nothing may be nested too deep.
fn check_order(words: &[(Word, Range<usize>)], end: usize) -> Result<(), ExpressionFault> {
    let mut open: Vec<&Range<usize>> = Vec::new();
    let mut value_wanted = true;
    // Signs before a value are nested, too.
    let mut signs = 0;
    for (number, (word, span)) in words.iter().enumerate() {
        let refuse = |message: &str| Err(ExpressionFault::new(span.clone(), message));
        match word {
            Word::Constant(..) | Word::Name(_) if value_wanted => {
                (value_wanted, signs) = (false, 0);
            }
            Word::Sign("(") if value_wanted => open.push(span),
            Word::Function(_) if value_wanted => {}
            Word::Sign("-" | "!") if value_wanted => signs += 1,
            Word::Constant(..) | Word::Name(_) | Word::Function(_) | Word::Sign("(" | "!") => {
                let message = "a sign such as + or 'and' is missing before this";
                let fault = ExpressionFault::new(span.clone(), message);
                return Err(match two_names(words, number) {
                    Some((before, name)) => fault.with_help(format!(
                        "a name of several words is written with '_': {before}_{name}"
                    )),
                    None => fault,
                });
            }
            Word::Sign(_) if value_wanted => return refuse("a value is missing before this"),
            Word::Sign(")") => {
                if open.pop().is_none() {
                    return refuse("this bracket was not opened");
                }
            }
            Word::Sign(",") if open.is_empty() => {
                let fault = ExpressionFault::new(
                    span.clone(),
                    "a comma stands only between values \
                    of a function",
                );
                return Err(fault.with_help("numbers are written with a decimal point: 1.2"));
            }
            Word::Sign(_) => value_wanted = true,
        }
        if open.len() + signs > DEPTH_MAX {
            return refuse("brackets and signs are nested too deep here");
        }
        debug_assert!(number < WORDS_MAX + 1, "the number of words is bounded");
    }
    if value_wanted {
        let at = end.saturating_sub(1)..end;
        return Err(ExpressionFault::new(at, "a value is missing at the end"));
    }
    match open.pop() {
        Some(span) => Err(ExpressionFault::new(span.clone(), "this bracket is not closed")),
        None => Ok(()),
    }
}
