//! Message patterns of profiles: `VOLTage {value}`, `= {value:4X}`. One pattern emits a message
//! or takes an answer apart.
//!
//! Knows text and slots; nothing of what the slots mean.

use std::fmt;

/// A text with named slots.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pattern {
    pieces: Vec<Piece>,
    text: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    Literal(String),
    Slot { name: String, hex_digits: Option<usize> },
}

/// Why a text is no pattern, or a pattern cannot be filled. Reads as a fragment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// A brace without its partner.
    #[error("a brace without its partner in '{0}'")]
    Brace(String),
    /// A slot without a proper name or with an unknown form.
    #[error(
        "'{{{0}}}' is no slot; wanted a name such as {{value}}, or {{value:4X}} for hexadecimal"
    )]
    Slot(String),
    /// Two slots with nothing between them cannot be told apart in an answer.
    #[error("two slots need a text between them in '{0}'")]
    Adjacent(String),
    /// Line ends and other control characters would break the message in two.
    #[error("control characters do not belong into a message")]
    Control,
    /// A slot for which there is no value.
    #[error("nothing is known for '{{{0}}}'")]
    Unfilled(String),
    /// A value that does not fit the hexadecimal digits of its slot.
    #[error("'{value}' does not fit into '{{{slot}}}'")]
    Unfit {
        /// The slot.
        slot: String,
        /// The value.
        value: String,
    },
}

impl Pattern {
    /// Parses a text with slots in braces.
    ///
    /// # Errors
    /// What is wrong with the text.
    pub fn parse(text: &str) -> Result<Self, PatternError> {
        if text.chars().any(char::is_control) {
            return Err(PatternError::Control);
        }
        let mut pieces: Vec<Piece> = Vec::new();
        let mut rest = text;
        while let Some(at) = rest.find(['{', '}']) {
            let (literal, from) = rest.split_at(at);
            let inside = from.strip_prefix('{').and_then(|from| from.split_once('}'));
            let (slot, after) = inside.ok_or_else(|| PatternError::Brace(text.into()))?;
            if !literal.is_empty() {
                pieces.push(Piece::Literal(literal.into()));
            } else if matches!(pieces.last(), Some(Piece::Slot { .. })) {
                return Err(PatternError::Adjacent(text.into()));
            }
            pieces.push(parse_slot(slot)?);
            rest = after;
        }
        if !rest.is_empty() {
            pieces.push(Piece::Literal(rest.into()));
        }
        Ok(Pattern { pieces, text: text.into() })
    }

    /// The names of the slots, in order.
    pub fn slots(&self) -> impl Iterator<Item = &str> {
        self.pieces.iter().filter_map(|piece| match piece {
            Piece::Slot { name, .. } => Some(name.as_str()),
            Piece::Literal(_) => None,
        })
    }

    /// Fills the slots. A value for a hexadecimal slot is given in decimal digits.
    ///
    /// # Errors
    /// A slot without value, or a value that does not fit.
    pub fn emit<'a>(
        &self,
        value_of: impl Fn(&str) -> Option<std::borrow::Cow<'a, str>>,
    ) -> Result<String, PatternError> {
        let mut message = String::new();
        for piece in &self.pieces {
            match piece {
                Piece::Literal(text) => message.push_str(text),
                Piece::Slot { name, hex_digits } => {
                    let value =
                        value_of(name).ok_or_else(|| PatternError::Unfilled(name.clone()))?;
                    match hex_digits {
                        None => message.push_str(&value),
                        Some(digits) => message.push_str(&hex(name, &value, *digits)?),
                    }
                }
            }
        }
        Ok(message)
    }

    /// Takes a line apart; `None` when it does not have this form. A slot takes as little as
    /// possible, the last one the rest; hexadecimal slots come back in decimal digits.
    #[must_use]
    pub fn parse_line(&self, line: &str) -> Option<Vec<(&str, String)>> {
        let mut rest = line;
        let mut found = Vec::new();
        for (index, piece) in self.pieces.iter().enumerate() {
            match piece {
                Piece::Literal(text) => rest = rest.strip_prefix(text.as_str())?,
                Piece::Slot { name, hex_digits } => {
                    let end = match self.pieces.get(index + 1) {
                        Some(Piece::Literal(next)) => rest.find(next.as_str())?,
                        _ => rest.len(),
                    };
                    let (text, after) = rest.split_at(end);
                    rest = after;
                    let value = match hex_digits {
                        None => text.to_owned(),
                        Some(digits) => {
                            let plain = text.bytes().all(|byte| byte.is_ascii_hexdigit());
                            if text.is_empty() || text.len() > *digits || !plain {
                                return None;
                            }
                            u64::from_str_radix(text, 16).ok()?.to_string()
                        }
                    };
                    found.push((name.as_str(), value));
                }
            }
        }
        rest.is_empty().then_some(found)
    }
}

fn parse_slot(slot: &str) -> Result<Piece, PatternError> {
    let wrong = || PatternError::Slot(slot.into());
    let (name, form) = match slot.split_once(':') {
        Some((name, form)) => (name, Some(form)),
        None => (slot, None),
    };
    let legal = |c: char| c.is_ascii_alphanumeric() || c == '_';
    if name.is_empty() || !name.chars().all(legal) {
        return Err(wrong());
    }
    let hex_digits = match form {
        None => None,
        Some(form) => {
            let digits = form.strip_suffix('X').and_then(|digits| digits.parse().ok());
            Some(digits.filter(|digits| (1..=16).contains(digits)).ok_or_else(wrong)?)
        }
    };
    Ok(Piece::Slot { name: name.into(), hex_digits })
}

fn hex(slot: &str, value: &str, digits: usize) -> Result<String, PatternError> {
    let unfit = || PatternError::Unfit { slot: slot.into(), value: value.into() };
    let number: u64 = value.parse().map_err(|_| unfit())?;
    let text = format!("{number:0digits$X}");
    if text.len() > digits { Err(unfit()) } else { Ok(text) }
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn emit(pattern: &str, values: &[(&str, &str)]) -> Result<String, PatternError> {
        Pattern::parse(pattern)?.emit(|name| {
            values.iter().find(|(slot, _)| *slot == name).map(|(_, value)| (*value).into())
        })
    }

    #[test]
    fn messages_are_filled_in() {
        assert_eq!(emit("VOLT {value}", &[("value", "1.2E+00")]).unwrap(), "VOLT 1.2E+00");
        let write = emit("w {address:4X} {value:4X}", &[("address", "256"), ("value", "2590")]);
        assert_eq!(write.unwrap(), "w 0100 0A1E");
        assert_eq!(emit("id", &[]).unwrap(), "id");
        assert_eq!(emit("{a}", &[]), Err(PatternError::Unfilled("a".into())));
        for value in ["65536", "-1", "x"] {
            let unfit = PatternError::Unfit { slot: "value".into(), value: value.into() };
            assert_eq!(emit("{value:4X}", &[("value", value)]), Err(unfit));
        }
    }

    #[track_caller]
    fn check_line(pattern: &str, line: &str, expected: Option<&[&str]>) {
        let pattern = Pattern::parse(pattern).unwrap();
        let found = pattern.parse_line(line);
        let values = found.map(|found| found.into_iter().map(|(_, v)| v).collect::<Vec<_>>());
        assert_eq!(values, expected.map(|e| e.iter().map(ToString::to_string).collect()));
    }

    #[test]
    fn answers_are_taken_apart() {
        check_line("= {value:4X}", "= 0a1E", Some(&["2590"]));
        check_line("= {value:4X}", "= 10000", None);
        check_line("= {value:4X}", "= ", None);
        check_line("= {value:4X}", "= +001", None);
        check_line("= {value:4X}", "no 2 no such register", None);
        check_line("no {code} {text}", "no 2 no such register", Some(&["2", "no such register"]));
        check_line("ok", "ok", Some(&[]));
        check_line("ok", "ok?", None);
        check_line("{a},{b},{c}", "1.0E-03,-2,10", Some(&["1.0E-03", "-2", "10"]));
        check_line("{a},{b}", "1", None);
    }

    #[test]
    fn wrong_patterns_are_refused() {
        for wrong in
            ["{", "}", "a {b", "{a}{b}", "{}", "{a b}", "{a:4x}", "{a:X}", "{a:99X}", "a\n"]
        {
            assert!(Pattern::parse(wrong).is_err(), "{wrong}");
        }
    }

    proptest! {
        #[test]
        fn filled_registers_read_back(address in 0..=0xFFFFu32, value in 0..=0xFFFFu32) {
            let pattern = Pattern::parse("w {address:4X} {value:4X}").unwrap();
            let (a, v) = (address.to_string(), value.to_string());
            let line = pattern
                .emit(|name| Some(if name == "address" { a.as_str() } else { v.as_str() }.into()))
                .unwrap();
            let found = pattern.parse_line(&line).unwrap();
            prop_assert_eq!(found, vec![("address", a.clone()), ("value", v.clone())]);
        }

        #[test]
        fn no_text_panics(text in "[{}:a-c4X ,=\\PC]{0,20}", line in "\\PC{0,20}") {
            if let Ok(pattern) = Pattern::parse(&text) {
                let _ = pattern.parse_line(&line);
            }
        }
    }
}
