//! Error numbers and texts of SCPI-99 vol. 2 ch. 21, and their bits in the event status register.
//!
//! Knows nothing of commands.

/// Something that goes into an instrument's error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Number of SCPI-99 ch. 21.8.
    pub code: i16,
    /// What caused it, for the reader; may be empty.
    pub detail: String,
}

impl Fault {
    /// A fault with a detail.
    pub fn new(code: i16, detail: impl Into<String>) -> Self {
        Self { code, detail: detail.into() }
    }

    /// A fault that the number alone explains.
    pub fn bare(code: i16) -> Self {
        Self::new(code, "")
    }

    /// Whether the message as such was wrong: class -100, after which its rest is not executed.
    pub fn is_command_error(&self) -> bool {
        (-199..=-100).contains(&self.code)
    }

    /// The bit of the event status register that the class sets (IEEE 488.2 ch. 11.5.1).
    pub fn event_bit(&self) -> u8 {
        match self.code {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            -399..=-300 | 1.. => 1 << 3,
            -499..=-400 => 1 << 2,
            _ => 0,
        }
    }

    /// The entry as `SYSTem:ERRor?` answers it: number, then text and detail in quotes, together at
    /// most 255 characters.
    pub fn answer(&self) -> String {
        let mut text = text_of(self.code).to_owned();
        if !self.detail.is_empty() {
            text.push(';');
            text.push_str(&self.detail);
        }
        let printable = |c: char| if c == '"' { '\'' } else { c };
        let text: String = text
            .chars()
            .filter(|c| c.is_ascii() && !c.is_control())
            .map(printable)
            .take(255)
            .collect();
        format!("{},\"{}\"", self.code, text)
    }
}

/// The standard text of a number.
pub fn text_of(code: i16) -> &'static str {
    TEXTS
        .iter()
        .find(|(number, _)| *number == code)
        .map_or("Device-specific error", |(_, text)| text)
}

const TEXTS: &[(i16, &str)] = &[
    (0, "No error"),
    (-101, "Invalid character"),
    (-102, "Syntax error"),
    (-103, "Invalid separator"),
    (-104, "Data type error"),
    (-108, "Parameter not allowed"),
    (-109, "Missing parameter"),
    (-111, "Header separator error"),
    (-112, "Program mnemonic too long"),
    (-113, "Undefined header"),
    (-114, "Header suffix out of range"),
    (-121, "Invalid character in number"),
    (-123, "Exponent too large"),
    (-124, "Too many digits"),
    (-128, "Numeric data not allowed"),
    (-131, "Invalid suffix"),
    (-134, "Suffix too long"),
    (-138, "Suffix not allowed"),
    (-141, "Invalid character data"),
    (-144, "Character data too long"),
    (-148, "Character data not allowed"),
    (-151, "Invalid string data"),
    (-158, "String data not allowed"),
    (-161, "Invalid block data"),
    (-168, "Block data not allowed"),
    (-171, "Invalid expression"),
    (-178, "Expression data not allowed"),
    (-213, "Init ignored"),
    (-221, "Settings conflict"),
    (-222, "Data out of range"),
    (-223, "Too much data"),
    (-224, "Illegal parameter value"),
    (-225, "Out of memory"),
    (-226, "Lists not same length"),
    (-230, "Data corrupt or stale"),
    (-240, "Hardware error"),
    (-292, "Referenced name does not exist"),
    (-293, "Referenced name already exists"),
    (-350, "Queue overflow"),
    (-363, "Input buffer overrun"),
    (-410, "Query INTERRUPTED"),
    (-440, "Query UNTERMINATED after indefinite response"),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn check_answer(code: i16, detail: &str, expected: &str) {
        assert_eq!(Fault::new(code, detail).answer(), expected);
    }

    #[test]
    fn entries_read_as_the_standard_has_them() {
        // SCPI-99 vol. 2 ch. 21.8: number, then text;detail in one string.
        check_answer(0, "", "0,\"No error\"");
        check_answer(-222, "VOLT 40", "-222,\"Data out of range;VOLT 40\"");
        check_answer(-113, "FOO \"x\"", "-113,\"Undefined header;FOO 'x'\"");
    }

    #[test]
    fn entries_are_at_most_255_characters() {
        let answer = Fault::new(-102, "y".repeat(400)).answer();
        assert_eq!(answer.len(), "-102,\"\"".len() + 255);
    }

    #[test]
    fn each_class_sets_its_bit() {
        // IEEE 488.2 ch. 11.5.1: CME 5, EXE 4, DDE 3, QYE 2.
        for (code, bit) in [(-113, 5), (-222, 4), (-350, 3), (42, 3), (-440, 2)] {
            assert_eq!(Fault::bare(code).event_bit(), 1 << bit);
        }
    }
}
