//! What arbitrary bytes are put through as a register map: the same function serves the fuzz target
//! in `fuzz/` and the ordinary tests. It ends without panic whatever it is given; what it asserts
//! holds for every input. Knows no fuzzer.

use super::{Access, RegisterMap, Registers, parse, parse_dump};
use crate::fault::Source;

/// Pieces of register maps, from which bytes choose, so that more than the parser of YAML is reached.
const PIECES: [&str; 32] = [
    "register map: m\nregister bits: 16\nfields:\n",
    "register map: m\nregister bits: 32\npages: {a: 0, b: 0x1000}\nfields:\n",
    "register map: m\nregister bits: 1\nresets: {0..0x20: 1}\nfields:\n",
    "register map: m\nregister bits: 8\nwrite order: [f, g]\ncommit: {field: g, value: 1}\nfields:\n",
    "  f: {at: 0, bits: 3..0, type: whole}\n",
    "  g: {at: 1, bits: 0, type: whole, write only: on}\n",
    "  h: {at: [{register: 2}, {register: 3, bits: 0}], type: whole, signed: on}\n",
    "  i[0..7]: {at: 8, step: 2, type: number, unit: V, scale: 0.5}\n",
    "  j: {at: 30, bits: 1..0, type: word, words: {x: 0, y: 3}, reset: y}\n",
    "  k: {at: 31, type: switch, read only: on}\n",
    "register map: m\nregister bits: 16\nfields: {",
    "f: {at: ",
    "0xFFFFFFFF",
    "type: whole, ",
    "type: number, scale: ",
    "bits: ",
    "reset: ",
    "range: [",
    "pages: {",
    "resets: {",
    "[0..9999]",
    "..",
    ": ",
    ", ",
    "}",
    "]",
    "\n",
    "9223372036854775807",
    "-1",
    "1e308",
    "shadow: session\n",
    "register dump: m\nread: {0x10: 5}\n",
];

/// The loader of register maps and of dumps: bytes as they are, and as choices among pieces.
pub fn register_map(bytes: &[u8]) {
    let plain = String::from_utf8_lossy(bytes);
    let chosen: String = bytes
        .iter()
        .map(|byte| match PIECES.get(usize::from(*byte) % 48) {
            Some(piece) => (*piece).to_owned(),
            None => char::from(byte & 0x7F).to_string(),
        })
        .collect();
    for text in [plain.into_owned(), chosen] {
        let source = Source::new("fuzzed", text);
        if let Ok(map) = parse(&source) {
            check(&map, bytes);
        }
        let _ = parse_dump(&source);
    }
}

/// No two fields share a bit, and what is put into registers is read out of them.
fn check(map: &RegisterMap, bytes: &[u8]) {
    let mut owned = Registers::new();
    let mut registers = Registers::new();
    let random = bytes.iter().fold(0u64, |all, byte| all.rotate_left(7) ^ u64::from(*byte));
    for field in &map.fields {
        for part in &field.parts {
            let bits = owned.entry(part.address).or_default();
            assert_eq!(*bits & part.mask(), 0, "{} shares bits", field.name);
            assert_eq!(part.mask() & !map.register_mask(), 0, "{} has bits beyond", field.name);
            *bits |= part.mask();
        }
        let code = random & (u64::MAX >> (64 - field.bits));
        field.scatter(code, &mut registers);
        assert_eq!(field.gather(&registers), Some(code), "{}", field.name);
        if let Ok(value) = field.value_of(code)
            && let Ok(again) = field.code_of(&value)
        {
            // A switch knows on and off, whatever the width of its field.
            let same = again == code || field.value_of(again) == Ok(value);
            assert!(same, "{}", field.name);
        }
    }
    for commit in &map.commits {
        assert_ne!(map.fields[commit.field].access, Access::ReadOnly);
    }
}
