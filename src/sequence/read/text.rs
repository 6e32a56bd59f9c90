//! Expressions as they stand in files, and texts with expressions in them.

use std::ops::Range;

use beamwarden_drivers::fault::Fault;
use beamwarden_drivers::marked::Node;

use super::super::expression::{Expression, ExpressionFault};
use super::super::step::{Piece, Text};
use super::{Reader, Scope};

/// The text behind the `=` with which an expression may begin, and where it begins.
pub(super) fn behind_sign(text: &str) -> (&str, usize) {
    let start = text.len() - text.trim_start().len();
    let rest = &text[start..];
    let start = if rest.starts_with('=') && !rest.starts_with("==") { start + 1 } else { start };
    (&text[start..], start)
}

/// Whether a value is an expression.
pub(super) fn is_expression(text: &str) -> bool {
    text.starts_with('=')
}

impl Reader<'_> {
    /// The place in the file of a part of a scalar's text; the whole scalar where it is written
    /// otherwise than it reads.
    pub(super) fn place_in(&self, node: &Node, part: Range<usize>) -> Range<usize> {
        let raw = self.source.text.get(node.span.clone()).unwrap_or_default();
        match node.text().and_then(|text| raw.find(text)) {
            Some(at) => {
                let start = node.span.start + at;
                start + part.start..(start + part.end).min(node.span.end)
            }
            None => node.span.clone(),
        }
    }

    /// Reports what is wrong with an expression that begins so far into a scalar.
    pub(super) fn refuse(&mut self, node: &Node, start: usize, fault: ExpressionFault) {
        let part = start + fault.span.start..start + fault.span.end;
        let mut told = Fault::new(self.place_in(node, part), fault.message);
        told.help = fault.help;
        self.faults.push(told);
    }

    /// The expression of a scalar.
    pub(super) fn expression_of(&mut self, node: &Node, scope: &Scope) -> Option<Expression> {
        if node.is_empty_value() {
            return None;
        }
        let (text, start) = behind_sign(node.text()?);
        match Expression::read(text, &|name| self.meaning(name, scope)) {
            Ok(expression) => Some(expression),
            Err(fault) => {
                self.refuse(node, start, fault);
                None
            }
        }
    }

    /// A text in which `{expression}` stands for a value; `{{` and `}}` are the brackets themselves.
    pub(super) fn text(&mut self, node: &Node, scope: &Scope) -> Option<Text> {
        let text = node.text()?;
        let mut pieces = Vec::new();
        let mut plain = String::new();
        let mut at = 0;
        while let Some(next) = text[at..].chars().next() {
            let rest = &text[at..];
            if rest.starts_with("{{") || rest.starts_with("}}") {
                plain.push(next);
                at += 2;
            } else if next == '{' {
                let Some(length) = rest.find('}') else {
                    let span = self.place_in(node, at..at + 1);
                    let fault = Fault::new(span, "this bracket is not closed");
                    self.faults.push(fault.with_help("write {{ for the bracket itself"));
                    return None;
                };
                let inner = &text[at + 1..at + length];
                match Expression::read(inner, &|name| self.meaning(name, scope)) {
                    Ok(expression) => {
                        if !plain.is_empty() {
                            pieces.push(Piece::Plain(std::mem::take(&mut plain)));
                        }
                        pieces.push(Piece::Value(expression));
                    }
                    Err(fault) => self.refuse(node, at + 1, fault),
                }
                at += length + 1;
            } else {
                plain.push(next);
                at += next.len_utf8();
            }
        }
        if !plain.is_empty() || pieces.is_empty() {
            pieces.push(Piece::Plain(plain));
        }
        Some(Text { pieces })
    }
}
