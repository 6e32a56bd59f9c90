//! What arbitrary bytes are put through: the same functions serve the fuzz targets in `fuzz/` and the
//! ordinary tests. A body ends without panic whatever it is given; what it asserts holds for every
//! input. Knows no fuzzer.

use crate::fault::Source;
use crate::message::{
    AnswerReader, BlockHeader, Datum, ErrorEntry, Expect, Identity, Number, Step, emit_list,
    emit_string, parse_list, parse_string, parse_switch, parse_whole, parse_with_suffix,
};
use crate::profile::{self, Recognised, shipped_profiles};
use crate::quantity::Dimension;
use crate::registers::{self, shipped_register_maps};

/// Longest block that a body lets a peer announce.
const BLOCK_BYTES_MAX: usize = 1 << 20;

/// Every parser of a whole message. What a parser has read, the emitter writes, and it reads back.
pub fn message(bytes: &[u8]) {
    if let Ok(items) = parse_list(bytes)
        && let Ok(text) = emit_list(&items)
    {
        assert_eq!(parse_list(&text).ok(), Some(items), "{}", text.escape_ascii());
    }
    if let Ok(datum) = Datum::parse(bytes)
        && let Ok(text) = datum.emit()
    {
        assert_eq!(Datum::parse(&text).ok(), Some(datum), "{}", text.escape_ascii());
    }
    if let Ok(number) = Number::parse(bytes) {
        let text = number.emit();
        assert_eq!(Number::parse(text.as_bytes()).ok(), Some(number), "{text}");
    }
    if let Ok(string) = parse_string(bytes)
        && let Ok(text) = emit_string(&string)
    {
        assert_eq!(parse_string(text.as_bytes()).ok(), Some(string), "{text}");
    }
    if let Ok(entry) = ErrorEntry::parse(bytes)
        && let Ok(text) = entry.emit()
    {
        assert_eq!(ErrorEntry::parse(text.as_bytes()).ok(), Some(entry), "{text}");
    }
    if let Ok(identity) = Identity::parse(bytes) {
        let text = identity.emit();
        assert_eq!(Identity::parse(text.as_bytes()).ok(), Some(identity), "{text}");
    }
    let _ = (parse_whole(bytes), parse_switch(bytes), BlockHeader::parse(bytes));
    for dimension in [Dimension::Frequency, Dimension::Voltage, Dimension::Time, Dimension::Ratio] {
        if let Some(value) = parse_with_suffix(bytes, dimension) {
            assert!(!value.is_nan());
        }
    }
}

/// The reader of answers: the first byte says what is expected and in which pieces the others arrive.
/// However they are cut, the outcome is the same, and memory stays near what has arrived.
pub fn answer(bytes: &[u8]) {
    let Some((choice, bytes)) = bytes.split_first() else { return };
    let expect = || match choice & 3 {
        0 => Expect::Line(256),
        1 => Expect::Block(BLOCK_BYTES_MAX),
        _ => Expect::Either(BLOCK_BYTES_MAX),
    };
    let end = choice & 4 != 0;
    let read = |piece: usize| {
        let mut reader = AnswerReader::new(expect());
        let mut fed = 0;
        while fed < bytes.len() {
            let to = (fed + piece).min(bytes.len());
            let step = reader.feed(&bytes[fed..to], end && to == bytes.len());
            fed = to;
            let (arrived, _) = reader.progress();
            assert!(arrived <= fed);
            match step {
                Err(error) => return Err(error.fault),
                Ok(Step::Done) => break,
                Ok(_) => {}
            }
        }
        let (is_block, (data, _)) = (reader.is_block(), reader.finish());
        assert!(data.capacity() <= 8 * bytes.len() + (256 << 10), "{}", data.capacity());
        Ok((is_block, data))
    };
    let whole = read(usize::MAX >> 1);
    for piece in [1, 2, 3, 7, 64] {
        let cut = read(piece);
        // With marked ends, what stands after an answer is looked at only if it has arrived.
        if !end {
            assert_eq!(cut.is_ok(), whole.is_ok(), "pieces of {piece}");
        }
        if let (Ok(cut), Ok(whole)) = (&cut, &whole) {
            assert_eq!(cut, whole, "pieces of {piece}");
        }
    }
}

/// A text with some bytes of one of the shipped files in the place that the first bytes choose.
fn spliced(
    bytes: &[u8],
    shipped: &[&'static str],
    text: impl Fn(&str) -> Option<String>,
) -> String {
    let [choice, high, low, rest @ ..] = bytes else { return String::new() };
    let rest = String::from_utf8_lossy(rest);
    let Some(name) = shipped.get(usize::from(choice >> 1) % shipped.len().max(1)) else {
        return rest.into_owned();
    };
    let Some(mut text) = (choice & 1 == 1).then(|| text(name)).flatten() else {
        return rest.into_owned();
    };
    let mut at = usize::from(u16::from_be_bytes([*high, *low])) % text.len().max(1);
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let mut to = (at + rest.len() / 2).min(text.len());
    while !text.is_char_boundary(to) {
        to += 1;
    }
    text.replace_range(at..to, &rest);
    text
}

/// The profile loader: bytes alone as text, or spliced into a shipped profile. A profile that loads
/// shows its messages; faults can be shown.
pub fn profile(bytes: &[u8]) {
    let shipped = |name: &str| profile::load(name, None).ok().map(|profile| profile.text);
    let text = spliced(bytes, &shipped_profiles(), shipped);
    match profile::parse(&Source::new("fuzz", text)) {
        Ok(loaded) => {
            for setting in &loaded.settings {
                let _ = setting.shortest();
            }
            let line = String::from_utf8_lossy(&bytes[..bytes.len().min(64)]);
            let _: Option<Recognised> = Some(loaded.recognise(&line));
        }
        Err(faults) => assert!(!faults.to_string().is_empty()),
    }
}

/// The register-map loader, likewise. Whatever loads has fields that read back what they encode.
pub fn register_map(bytes: &[u8]) {
    let shipped = |name: &str| registers::load(name, None).ok().map(|map| map.text);
    let text = spliced(bytes, &shipped_register_maps(), shipped);
    if let Err(faults) = registers::parse(&Source::new("fuzz", text)) {
        assert!(!faults.to_string().is_empty());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Knuth's MMIX generator; the seed is in the assertion's input.
    struct Bytes(u64);

    impl Bytes {
        fn byte(&mut self) -> u8 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (self.0 >> 56) as u8
        }

        /// Mostly characters that messages are made of: blind bytes seldom get past a first parser.
        fn text(&mut self, length: usize, alphabet: &[u8]) -> Vec<u8> {
            (0..length)
                .map(|_| match self.byte() {
                    blind @ 0..8 => blind.wrapping_mul(37),
                    pick => alphabet[usize::from(pick) % alphabet.len()],
                })
                .collect()
        }
    }

    fn check(count: usize, alphabet: &[u8], body: fn(&[u8])) {
        let mut bytes = Bytes(20_261_125);
        for _ in 0..count {
            let length = usize::from(bytes.byte()) % 80;
            let mut input = vec![bytes.byte(), bytes.byte(), bytes.byte()];
            input.extend(bytes.text(length, alphabet));
            body(&input);
            body(&input[2..]);
        }
    }

    #[test]
    fn messages() {
        check(20_000, b"+-0123456789.eE,;:\"'#H BQABNRINFSWE?*()@\n\r", message);
    }

    #[test]
    fn answers() {
        check(20_000, b"#0123456789#11\n\n,;\"1.5E", answer);
    }

    #[test]
    fn profiles() {
        check(1500, b"abc: {}[],\n  - \"'?{value}&*#|>!\t09.-V", profile);
    }

    #[test]
    fn register_maps() {
        check(1500, b"abc: {}[],\n  - \"'.0x0123456789.-bits at", register_map);
    }
}
