//! One program message unit: its header as sent, and its data.
//!
//! Syntax of IEEE 488.2 ch. 7 and SCPI-99 vol. 1 ch. 6. Knows no command: whether a header exists or
//! data fits is decided elsewhere.

use super::error::Fault;
use super::framing::is_white;

/// Longest mnemonic, character datum and suffix (IEEE 488.2 ch. 7.6.1.4.1).
const WORD_LIMIT: usize = 12;

/// One unit of a message.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit<'m> {
    /// The header.
    pub header: Header,
    /// The data elements, in order.
    pub data: Vec<Datum<'m>>,
}

/// A header as it was sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// `*` commands, outside every tree.
    pub common: bool,
    /// Began with a colon: from the root.
    pub absolute: bool,
    /// Mnemonics in upper case, numeric suffixes still attached.
    pub nodes: Vec<String>,
    /// Ended in a question mark.
    pub query: bool,
}

/// One data element.
#[derive(Debug, Clone, PartialEq)]
pub enum Datum<'m> {
    /// Decimal or non-decimal number, with its suffix in upper case.
    Number {
        /// The number.
        value: f64,
        /// Unit with multiplier, if any.
        suffix: Option<String>,
    },
    /// Character data, upper case.
    Word(String),
    /// String without its quotes.
    Text(String),
    /// Bytes of a definite block.
    Block(&'m [u8]),
    /// Expression in parentheses, unread.
    Expression,
}

/// Reads the unit at the front of `message` and answers it with the rest behind its `;`.
/// `None` as rest: the message is at its end.
pub fn parse_unit(message: &[u8]) -> Result<(Unit<'_>, Option<&[u8]>), Fault> {
    let mut reader = Reader { left: message };
    reader.skip_white();
    let header = reader.header()?;
    let mut data = Vec::new();
    if reader.peek().is_some_and(|b| b != b';') {
        if !reader.skip_white() {
            return Err(Fault::new(-111, reader.shown()));
        }
        if reader.peek().is_some_and(|b| b != b';') {
            data.push(reader.datum()?);
            reader.skip_white();
            while reader.peek() == Some(b',') {
                reader.left = &reader.left[1..];
                reader.skip_white();
                data.push(reader.datum()?);
                reader.skip_white();
            }
        }
    }
    match reader.peek() {
        None => Ok((Unit { header, data }, None)),
        Some(b';') => Ok((Unit { header, data }, Some(&reader.left[1..]))),
        Some(_) => Err(Fault::new(-103, reader.shown())),
    }
}

struct Reader<'m> {
    left: &'m [u8],
}

impl<'m> Reader<'m> {
    fn peek(&self) -> Option<u8> {
        self.left.first().copied()
    }

    fn take_while(&mut self, wanted: impl Fn(u8) -> bool) -> &'m [u8] {
        let end = self.left.iter().position(|b| !wanted(*b)).unwrap_or(self.left.len());
        let (taken, left) = self.left.split_at(end);
        self.left = left;
        taken
    }

    fn skip_white(&mut self) -> bool {
        !self.take_while(is_white).is_empty()
    }

    /// The next few bytes, for an error's detail.
    fn shown(&self) -> String {
        String::from_utf8_lossy(&self.left[..self.left.len().min(20)]).into_owned()
    }

    fn header(&mut self) -> Result<Header, Fault> {
        let common = self.peek() == Some(b'*');
        let absolute = self.peek() == Some(b':');
        if common || absolute {
            self.left = &self.left[1..];
        }
        let mut nodes = vec![self.mnemonic()?];
        while !common && self.peek() == Some(b':') {
            self.left = &self.left[1..];
            nodes.push(self.mnemonic()?);
        }
        let query = self.peek() == Some(b'?');
        if query {
            self.left = &self.left[1..];
        }
        match self.peek() {
            Some(byte) if !is_white(byte) && !b";,\"'#(".contains(&byte) && !query => {
                Err(Fault::new(-101, self.shown()))
            }
            _ => Ok(Header { common, absolute, nodes, query }),
        }
    }

    fn mnemonic(&mut self) -> Result<String, Fault> {
        let word = self.take_while(is_word);
        match word.first() {
            // A unit of nothing: behind a `;` that should not be there.
            None if self.left.is_empty() || self.peek() == Some(b';') => Err(Fault::bare(-102)),
            None => Err(Fault::new(-101, self.shown())),
            Some(first) if !first.is_ascii_alphabetic() => {
                Err(Fault::new(-101, String::from_utf8_lossy(word)))
            }
            Some(_) if word.len() > WORD_LIMIT => {
                Err(Fault::new(-112, String::from_utf8_lossy(word)))
            }
            Some(_) => Ok(upper(word)),
        }
    }

    fn datum(&mut self) -> Result<Datum<'m>, Fault> {
        match self.peek() {
            None | Some(b',' | b';') => Err(Fault::bare(-109)),
            Some(quote @ (b'"' | b'\'')) => self.text(quote),
            Some(b'#') => self.hash(),
            Some(b'(') => self.expression(),
            Some(b'+' | b'-' | b'.' | b'0'..=b'9') => self.number(),
            Some(byte) if byte.is_ascii_alphabetic() => {
                let word = self.take_while(is_word);
                if word.len() > WORD_LIMIT {
                    return Err(Fault::new(-144, String::from_utf8_lossy(word)));
                }
                Ok(Datum::Word(upper(word)))
            }
            Some(_) => Err(Fault::new(-101, self.shown())),
        }
    }

    fn text(&mut self, quote: u8) -> Result<Datum<'m>, Fault> {
        let mut text = String::new();
        self.left = &self.left[1..];
        loop {
            let part = self.take_while(|b| b != quote);
            text.push_str(&String::from_utf8_lossy(part));
            if self.left.is_empty() {
                return Err(Fault::bare(-151));
            }
            self.left = &self.left[1..];
            if self.peek() != Some(quote) {
                return Ok(Datum::Text(text));
            }
            // A doubled quote stands for itself.
            text.push(char::from(quote));
            self.left = &self.left[1..];
        }
    }

    fn hash(&mut self) -> Result<Datum<'m>, Fault> {
        let kind = self.left.get(1).copied().unwrap_or(0).to_ascii_uppercase();
        let radix = match kind {
            b'1'..=b'9' => return self.block(usize::from(kind - b'0')),
            b'H' => 16,
            b'Q' => 8,
            b'B' => 2,
            // `#0`: its end cannot be seen on a stream without an END line.
            _ => return Err(Fault::new(-161, self.shown())),
        };
        self.left = &self.left[2..];
        let digits = String::from_utf8_lossy(self.take_while(is_word)).into_owned();
        match u64::from_str_radix(&digits, radix) {
            Ok(value) => Ok(Datum::Number { value: value as f64, suffix: None }),
            Err(_) => Err(Fault::new(-121, digits)),
        }
    }

    fn block(&mut self, digits: usize) -> Result<Datum<'m>, Fault> {
        let length = self
            .left
            .get(2..2 + digits)
            .and_then(|d| std::str::from_utf8(d).ok())
            .filter(|d| d.bytes().all(|b| b.is_ascii_digit()))
            .and_then(|d| d.parse::<usize>().ok())
            .ok_or_else(|| Fault::new(-161, self.shown()))?;
        let start = 2 + digits;
        let bytes = self.left.get(start..start + length).ok_or_else(|| Fault::bare(-161))?;
        self.left = &self.left[start + length..];
        Ok(Datum::Block(bytes))
    }

    fn expression(&mut self) -> Result<Datum<'m>, Fault> {
        self.take_while(|b| b != b')' && b != b';');
        if self.peek() != Some(b')') {
            return Err(Fault::bare(-171));
        }
        self.left = &self.left[1..];
        Ok(Datum::Expression)
    }

    /// Decimal numeric data of IEEE 488.2 ch. 7.7.2 with an optional suffix of ch. 7.7.3.
    fn number(&mut self) -> Result<Datum<'m>, Fault> {
        let mut text = String::new();
        text.extend(self.take_while(|b| b == b'+' || b == b'-').iter().map(|b| char::from(*b)));
        let mantissa = self.take_while(|b| b.is_ascii_digit() || b == b'.');
        let significant =
            mantissa.iter().filter(|b| **b != b'.').skip_while(|b| **b == b'0').count();
        if significant > 255 {
            return Err(Fault::bare(-124));
        }
        text.extend(mantissa.iter().map(|b| char::from(*b)));
        if let Some(exponent) = self.exponent()? {
            text.push_str(&format!("e{exponent}"));
        }
        // Rust reads neither a second sign nor a second point, which is what is wanted here.
        let value: f64 = text.parse().map_err(|_| Fault::new(-121, text.clone()))?;
        let mut ahead = Reader { left: self.left };
        ahead.skip_white();
        let suffix = ahead.take_while(|b| is_word(b) || b == b'/' || b == b'.');
        if !suffix.first().is_some_and(u8::is_ascii_alphabetic) {
            return Ok(Datum::Number { value, suffix: None });
        }
        self.left = ahead.left;
        if suffix.len() > WORD_LIMIT {
            return Err(Fault::new(-134, String::from_utf8_lossy(suffix)));
        }
        Ok(Datum::Number { value, suffix: Some(upper(suffix)) })
    }

    /// `E`, a sign and digits, with white space around the `E`; `None` when there is no exponent
    /// (an `E` that begins a suffix, as in `EXHZ`, is left alone).
    fn exponent(&mut self) -> Result<Option<i32>, Fault> {
        let mut ahead = Reader { left: self.left };
        ahead.skip_white();
        if !matches!(ahead.peek(), Some(b'E' | b'e')) {
            return Ok(None);
        }
        ahead.left = &ahead.left[1..];
        ahead.skip_white();
        let negative = ahead.peek() == Some(b'-');
        if matches!(ahead.peek(), Some(b'+' | b'-')) {
            ahead.left = &ahead.left[1..];
        }
        let digits = ahead.take_while(|b| b.is_ascii_digit());
        if digits.is_empty() {
            return Ok(None);
        }
        self.left = ahead.left;
        let magnitude = digits.iter().try_fold(0i32, |sum, d| {
            Some(sum * 10 + i32::from(d - b'0')).filter(|sum| *sum <= 32_000)
        });
        let magnitude = magnitude.ok_or_else(|| Fault::bare(-123))?;
        Ok(Some(if negative { -magnitude } else { magnitude }))
    }
}

fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

fn upper(word: &[u8]) -> String {
    String::from_utf8_lossy(word).to_ascii_uppercase()
}

#[cfg(test)]
#[path = "unit_tests.rs"]
mod tests;
