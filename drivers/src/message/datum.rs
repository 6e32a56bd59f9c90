//! The items of an answer: numbers, words, strings, blocks, and lists of them.

use super::{BlockHeader, MessageError, MessageFault, Number, emit_block_header, number, trim};

/// Longest character data, IEEE 488.2 7.7.1 (error -144 beyond).
const WORD_BYTES_MAX: usize = 12;

/// One item of a message.
#[derive(Clone, Debug, PartialEq)]
pub enum Datum {
    /// A whole number, NR1.
    Whole(i64),
    /// A number in any other form, or a flag.
    Number(Number),
    /// Character data such as `EXT`.
    Word(String),
    /// A quoted string.
    Text(String),
    /// A definite block.
    Block(Vec<u8>),
}

impl Datum {
    /// Parses one item.
    ///
    /// # Errors
    /// A fault of the kind that the first byte promises.
    pub fn parse(item: &[u8]) -> Result<Self, MessageError> {
        let body = trim(item);
        match body.first() {
            Some(b'"' | b'\'') => parse_string(body).map(Datum::Text),
            // The block is taken as it stands: its bytes may look like white space.
            Some(b'#') if body.get(1).is_some_and(u8::is_ascii_digit) => {
                parse_block(&item[item.len() - trim_start(item).len()..]).map(Datum::Block)
            }
            Some(first) if first.is_ascii_alphabetic() => parse_word(body).map(Datum::Word),
            _ => match std::str::from_utf8(body).ok().and_then(|text| text.parse().ok()) {
                Some(whole) => Ok(Datum::Whole(whole)),
                None => Number::parse(body).map(Datum::Number),
            },
        }
    }

    /// Emits one item in the form that a device answers and every device accepts.
    ///
    /// # Errors
    /// What the form cannot carry: a word or string with foreign characters, a block too long.
    pub fn emit(&self) -> Result<Vec<u8>, MessageError> {
        match self {
            Datum::Whole(whole) => Ok(number::emit_nr1(*whole).into_bytes()),
            Datum::Number(number) => Ok(number.emit().into_bytes()),
            Datum::Word(word) => parse_word(word.as_bytes()).map(String::into_bytes),
            Datum::Text(text) => emit_string(text).map(String::into_bytes),
            Datum::Block(data) => {
                let mut bytes = emit_block_header(data.len())?.into_bytes();
                bytes.extend_from_slice(data);
                Ok(bytes)
            }
        }
    }
}

fn trim_start(text: &[u8]) -> &[u8] {
    let start = text.iter().position(|byte| *byte > b' ').unwrap_or(text.len());
    &text[start..]
}

/// Parses a whole definite block.
fn parse_block(item: &[u8]) -> Result<Vec<u8>, MessageError> {
    match BlockHeader::parse(item)? {
        None => Err(MessageError::new(MessageFault::NotABlock, item)),
        Some(BlockHeader::Indefinite) => {
            Err(MessageError::new(MessageFault::IndefiniteBlock, item))
        }
        Some(BlockHeader::Definite { data_bytes, header_bytes }) => {
            let rest = &item[header_bytes..];
            match rest.split_at_checked(data_bytes) {
                None => {
                    let fault =
                        MessageFault::BlockTooShort { got: rest.len(), announced: data_bytes };
                    Err(MessageError::new(fault, item))
                }
                Some((_, after)) if !trim(after).is_empty() => {
                    Err(MessageError::new(MessageFault::Leftover, after))
                }
                Some((data, _)) => Ok(data.to_vec()),
            }
        }
    }
}

/// Parses a list of items separated by commas. An empty text is an empty list.
///
/// # Errors
/// As [`split_list`] and [`Datum::parse`].
pub fn parse_list(text: &[u8]) -> Result<Vec<Datum>, MessageError> {
    split_list(text)?.into_iter().map(Datum::parse).collect()
}

/// Emits a list.
///
/// # Errors
/// As [`Datum::emit`].
pub fn emit_list(items: &[Datum]) -> Result<Vec<u8>, MessageError> {
    let mut bytes = Vec::new();
    for (index, item) in items.iter().enumerate() {
        if index > 0 {
            bytes.push(b',');
        }
        bytes.extend(item.emit()?);
    }
    Ok(bytes)
}

/// Splits a list at the commas that stand outside of strings, blocks and parentheses. An empty
/// text is an empty list.
///
/// # Errors
/// [`MessageFault::NotAString`] for a quote that does not end, or a block shorter than announced.
pub fn split_list(text: &[u8]) -> Result<Vec<&[u8]>, MessageError> {
    if trim(text).is_empty() {
        return Ok(Vec::new());
    }
    let mut items = Vec::new();
    let (mut start, mut at, mut depth) = (0, 0, 0u32);
    while at < text.len() {
        match text[at] {
            quote @ (b'"' | b'\'') => {
                let length = text[at + 1..].iter().position(|byte| *byte == quote);
                at += 1 + length
                    .ok_or_else(|| MessageError::new(MessageFault::NotAString, &text[at..]))?;
            }
            b'#' if text.get(at + 1).is_some_and(u8::is_ascii_digit) => {
                at += block_length(&text[at..])? - 1;
            }
            b'(' => depth += 1,
            b')' => depth = depth.saturating_sub(1),
            b',' if depth == 0 => {
                items.push(&text[start..at]);
                start = at + 1;
            }
            _ => {}
        }
        at += 1;
    }
    items.push(&text[start..]);
    Ok(items)
}

/// Header and data together.
fn block_length(text: &[u8]) -> Result<usize, MessageError> {
    match BlockHeader::parse(text)? {
        Some(BlockHeader::Definite { data_bytes, header_bytes })
            if header_bytes + data_bytes <= text.len() =>
        {
            Ok(header_bytes + data_bytes)
        }
        Some(BlockHeader::Definite { data_bytes, header_bytes }) => {
            let got = text.len() - header_bytes;
            let fault = MessageFault::BlockTooShort { got, announced: data_bytes };
            Err(MessageError::new(fault, text))
        }
        Some(BlockHeader::Indefinite) => {
            Err(MessageError::new(MessageFault::IndefiniteBlock, text))
        }
        None => Err(MessageError::new(MessageFault::NotABlock, text)),
    }
}

/// Parses character data, returned in upper case.
///
/// # Errors
/// [`MessageFault::NotAWord`].
pub fn parse_word(text: &[u8]) -> Result<String, MessageError> {
    let body = trim(text);
    let legal = |byte: &u8| byte.is_ascii_alphanumeric() || *byte == b'_';
    let starts = body.first().is_some_and(u8::is_ascii_alphabetic);
    if !starts || body.len() > WORD_BYTES_MAX || !body.iter().all(legal) {
        return Err(MessageError::new(MessageFault::NotAWord, text));
    }
    Ok(String::from_utf8_lossy(body).to_ascii_uppercase())
}

/// Whether a word is one of the two spellings of a mnemonic written as `IMMediate`: the capitals
/// alone or the whole, in any case, nothing between (SCPI-99 vol. 1 §6.2.1).
#[must_use]
pub fn mnemonic_matches(mnemonic: &str, word: &str) -> bool {
    let short_bytes = mnemonic.bytes().take_while(|byte| !byte.is_ascii_lowercase()).count();
    // A mnemonic without capitals has no short form, which must not mean the empty word.
    !word.is_empty() && word.eq_ignore_ascii_case(mnemonic)
        || short_bytes > 0 && word.eq_ignore_ascii_case(&mnemonic[..short_bytes])
}

/// Parses a string in single or double quotes, the quote doubled inside.
///
/// # Errors
/// [`MessageFault::NotAString`].
pub fn parse_string(text: &[u8]) -> Result<String, MessageError> {
    let wrong = || MessageError::new(MessageFault::NotAString, text);
    let body = trim(text);
    let quote = *body.first().filter(|byte| matches!(byte, b'"' | b'\'')).ok_or_else(wrong)?;
    let inside = body[1..].strip_suffix(&[quote]).ok_or_else(wrong)?;
    let mut plain = Vec::with_capacity(inside.len());
    let mut bytes = inside.iter();
    while let Some(byte) = bytes.next() {
        if *byte == quote && bytes.next() != Some(&quote) {
            return Err(wrong());
        }
        plain.push(*byte);
    }
    Ok(String::from_utf8_lossy(&plain).into_owned())
}

/// Emits a string in double quotes.
///
/// # Errors
/// [`MessageFault::NotSevenBit`] for characters beyond ASCII, and for NL, which would end the
/// message on links without a mark for its end.
pub fn emit_string(text: &str) -> Result<String, MessageError> {
    if !text.is_ascii() || text.contains('\n') {
        return Err(MessageError::new(MessageFault::NotSevenBit, text.as_bytes()));
    }
    Ok(format!("\"{}\"", text.replace('"', "\"\"")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[track_caller]
    fn check_list(text: &[u8], expected: &[Datum]) {
        assert_eq!(parse_list(text).unwrap(), expected);
    }

    #[test]
    fn commas_inside_items_do_not_split() {
        let text = |text: &str| Datum::Text(text.into());
        check_list(b"", &[]);
        check_list(b"1,-2.5", &[Datum::Whole(1), Datum::Number(Number::Value(-2.5))]);
        check_list(
            b"EXT, 'a,b' ,\"c\"\"d\"",
            &[Datum::Word("EXT".into()), text("a,b"), text("c\"d")],
        );
        check_list(
            b"#15,\n;#\x00,9.91E37\r",
            &[Datum::Block(b",\n;#\x00".to_vec()), Datum::Number(Number::NotANumber)],
        );
        assert_eq!(split_list(b"(@1,3:5),2").unwrap(), [&b"(@1,3:5)"[..], b"2"]);
    }

    #[track_caller]
    fn check_refused(text: &[u8], fault: &MessageFault) {
        assert_eq!(&parse_list(text).unwrap_err().fault, fault, "{text:?}");
    }

    #[test]
    fn truncated_and_contradictory_items() {
        check_refused(b"\"open", &MessageFault::NotAString);
        check_refused(b"\"a\"b\"", &MessageFault::NotAString);
        check_refused(b"1,,2", &MessageFault::NotANumber);
        check_refused(b"#15abc", &MessageFault::BlockTooShort { got: 3, announced: 5 });
        check_refused(b"#12abc", &MessageFault::Leftover);
        check_refused(b"#0abc", &MessageFault::IndefiniteBlock);
        check_refused(b"#9", &MessageFault::NotABlock);
        check_refused(b"ABCDEFGHIJKLM", &MessageFault::NotAWord);
        check_refused(b"1;2", &MessageFault::NotANumber);
        assert!(emit_string("µ").is_err());
        assert!(Datum::Word("no word".into()).emit().is_err());
    }

    /// SCPI-99 vol. 1 §6.2.1: exactly two spellings.
    #[test]
    fn mnemonics_have_two_spellings() {
        for (word, matches) in
            [("SYST", true), ("system", true), ("SYS", false), ("SYSTE", false), ("", false)]
        {
            assert_eq!(mnemonic_matches("SYSTem", word), matches, "{word}");
        }
        assert!(mnemonic_matches("CH1", "ch1"));
        assert!(mnemonic_matches("slow", "SLOW") && !mnemonic_matches("slow", ""));
    }

    fn any_datum() -> impl Strategy<Value = Datum> {
        prop_oneof![
            any::<i64>().prop_map(Datum::Whole),
            (-1e37..1e37f64).prop_map(|value| Datum::Number(Number::Value(value))),
            Just(Datum::Number(Number::MinusInfinity)),
            "[A-Z][A-Z0-9_]{0,11}".prop_map(Datum::Word),
            "[ -~\t]{0,30}".prop_map(Datum::Text),
            proptest::collection::vec(any::<u8>(), 0..50).prop_map(Datum::Block),
        ]
    }

    proptest! {
        #[test]
        fn what_is_emitted_reads_back(items in proptest::collection::vec(any_datum(), 0..6)) {
            prop_assert_eq!(parse_list(&emit_list(&items).unwrap()).unwrap(), items);
        }

        #[test]
        fn no_text_panics(text in proptest::collection::vec(any::<u8>(), 0..60)) {
            let _ = parse_list(&text);
        }

        #[test]
        fn no_likely_text_panics(text in "[#0-9\"',()A-Ce.+ -]{0,30}") {
            let _ = parse_list(text.as_bytes());
        }
    }
}
