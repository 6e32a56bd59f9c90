//! Tests of register maps.

use super::*;
use crate::fault::Source;
use proptest::prelude::*;

#[test]
fn the_shipped_map_spells_out_pages_and_elements() {
    let map = load("eight-element.yaml", None).unwrap_or_else(|error| panic!("{error}"));
    // Two pages of 7 plain fields and 3 of 8 elements.
    assert_eq!(map.fields.len(), 2 * (7 + 3 * 8));
    let field = map.field("rx.attenuation.7").unwrap();
    assert_eq!(field.parts, [Part { address: 0x1107, low_bit: 8, bits: 3 }]);
    assert_eq!(field.kind, Kind::Whole { at_least: 0, at_most: 7 });
    assert!(map.field("tx.lock").unwrap().read_only());
    assert!(map.field("tx.phase.8").is_none());
    assert_eq!(shipped_register_maps(), ["eight-element.yaml"]);
    assert_eq!(json_schema()["$defs"]["field"]["additionalProperties"], false);
}

#[track_caller]
fn check_field(name: &str, register: u32, value: &Value, fresh: u32) {
    let map = load("eight-element.yaml", None).unwrap();
    let field = map.field(name).unwrap();
    let at = field.parts[0].address;
    let mask = field.parts[0].mask();
    assert_eq!(field.decode(&Registers::from([(at, register)])), Some(Ok(value.clone())));
    let mut registers = Registers::from([(at, fresh)]);
    field.scatter(field.code_of(value).unwrap(), &mut registers);
    assert_eq!(registers[&at], register & mask | fresh & !mask);
}

#[test]
fn fields_are_read_from_and_put_into_registers() {
    check_field("tx.phase.0", 0x8A1F, &Value::Whole(31), 0);
    check_field("tx.attenuation.0", 0x85FF, &Value::Whole(5), 0x8000);
    check_field("tx.element_on.3", 0x8000, &Value::Switch(true), 0);
    // 45.5 degC and -1 degC in steps of 1/16 degC, two's complement.
    check_field("tx.temperature", 0x02D8, &Value::Number(45.5), 0);
    check_field("rx.temperature", 0xFFF0, &Value::Number(-1.0), 0);
    let map = load("eight-element.yaml", None).unwrap();
    let phase = map.field("tx.phase.0").unwrap();
    assert!(phase.code_of(&Value::Whole(32)).is_err());
    assert!(phase.code_of(&Value::Switch(true)).is_err());
    assert!(map.field("tx.channel").unwrap().code_of(&Value::Whole(0)).is_err());
    assert_eq!(phase.decode(&Registers::new()), None);
}

#[track_caller]
fn check_faults(fields: &str, expected: &[&str]) {
    let text = format!("register map: m\nregister bits: 16\nfields:\n{fields}");
    let shown: Vec<_> = match parse(&Source::new("m.yaml", text)) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.faults.into_iter().map(|fault| fault.message).collect(),
    };
    assert_eq!(shown, expected);
}

#[test]
fn overlap_and_other_faults_are_refused_at_load() {
    check_faults("  a: {at: 1, type: switch, bits: 0}\n  b: {at: 1, type: switch, bits: 1}\n", &[]);
    check_faults(
        "  a: {at: 1, bits: 7..0, type: whole}\n  b: {at: 1, bits: 3, type: switch}\n  c: {at: 1, bits: 7, type: switch}\n",
        &["'b' and 'a' share bits", "'c' and 'a' share bits"],
    );
    check_faults(
        "  a[0..3]: {at: 0, step: 2, type: whole}\n  b: {at: 6, type: whole}\n",
        &["'b' and 'a.3' share bits"],
    );
    check_faults(
        "  a[0..1]: {at: 0, type: whole}\n  a.1: {at: 8, type: whole}\n",
        &["there are two fields 'a.1'"],
    );
    check_faults(
        "  a: {at: 1, bits: 16, type: whole}\n  b: {at: 2, bits: 0..4, type: whole}
  c: {at: 3, bits: 2..0, type: whole, range: [1, 8]}\n  d: {at: 4, type: switch, unit: V}
  e: {at: 5, bits: 1..0, type: word, words: {x: 4, y: 1, z: 1}}\n  f: {at: 6, type: number, scale: 0}
  g[3..1]: {at: 7, type: whole}\n  h: {at: 0x1FFFFFFFF, type: whole}\n  i: {at: 8, typ: whole}\n",
        &[
            "'16' are no bits of a register of 16 bits",
            "'0..4' are no bits of a register of 16 bits",
            "more than 3 bits can hold",
            "'unit' means nothing for the type switch",
            "more than 2 bits can hold",
            "two words cannot have the same code",
            "a step of this size carries no number",
            "'g[3..1]' is no name with elements",
            "8589934591 is too large; at most 4294967295 is wanted",
            "key 'type' is missing in field",
            "unknown key 'typ' in field",
        ],
    );
}

#[test]
fn words_and_steps() {
    let text = "register map: m\nregister bits: 32\nfields:
  mode: {at: 0, bits: 31..30, type: word, words: {slow: 0, fast: 2}}
  level: {at: 1, type: number, unit: mV, scale: 0.5, signed: on}\n";
    let map = parse(&Source::new("m", text)).unwrap();
    let mode = map.field("mode").unwrap();
    let mut registers = Registers::from([(0, 5)]);
    mode.scatter(mode.code_of(&Value::Word("fast".into())).unwrap(), &mut registers);
    assert_eq!(registers[&0], 0x8000_0005);
    assert_eq!(mode.decode(&registers), Some(Ok(Value::Word("fast".into()))));
    assert_eq!(mode.decode(&Registers::from([(0, 0xC000_0000)])), Some(Err(3)));
    let level = map.field("level").unwrap();
    assert_eq!(level.code_of(&Value::Number(-0.0012)).unwrap(), 0xFFFF_FFFE);
    assert!((level.rounding() - 0.00025).abs() < 1e-9);
}

proptest! {
    #[test]
    fn what_is_put_in_is_read_out_and_nothing_else_changes(register in any::<u16>(), seed in any::<u32>()) {
        let map = load("eight-element.yaml", None).unwrap();
        for field in &map.fields {
            let at = field.parts[0].address;
            let Some(Ok(value)) = field.decode(&Registers::from([(at, seed)])) else { continue };
            let Ok(code) = field.code_of(&value) else { continue };
            let mut written = Registers::from([(at, u32::from(register))]);
            field.scatter(code, &mut written);
            prop_assert_eq!(field.decode(&written), Some(Ok(value)));
            prop_assert_eq!(written[&at] & !field.mask_at(at), u32::from(register) & !field.mask_at(at));
        }
    }

    #[test]
    fn no_damaged_map_panics(from in 0..1800usize, length in 0..40usize, with in "[a-z:{}\\[\\]0-9. \n-]{0,10}") {
        let mut text = load("eight-element.yaml", None).unwrap().text;
        let from = from.min(text.len());
        let to = (from + length).min(text.len());
        text.replace_range(from..to, &with);
        let _ = parse(&Source::new("damaged", text));
    }
}

#[test]
fn what_a_map_cannot_say() {
    check_faults(
        "  a: {at: [{register: 1, bits: 3..0}, {register: 2}], type: whole, bits: 3..0}
  b: {at: [{register: 3}, {register: 3, bits: 2}], type: whole}
  c: {at: [{register: 4}, {register: 5}, {register: 6}, {register: 7}], type: whole}
  d: {at: 8, type: whole, read only: on, write only: on}
  e: {at: [], type: whole}\n  f: {at: 9, bits: 2..0, type: whole, reset: 8}\n",
        &[
            "'bits' means nothing for the type field of several parts",
            "these bits are used twice",
            "64 bits; a field has at most 53",
            "a field is read only or write only, not both",
            "a field has at least one part",
            "8 is outside 0 to 7",
        ],
    );
    check_faults(
        "  a: {at: [{register: 1, bits: 3..0}, {register: 2}], type: whole}
  b: {at: 2, bits: 7, type: switch}\n  c: {at: 5, bits: 0, type: switch, write only: on}
  d: {at: 5, bits: 1, type: switch}\n",
        &[
            "'b' and 'a' share bits",
            "'c' can only be written, and 'd' in the same register can be read",
        ],
    );
    let faults = |text: &str| -> Vec<String> {
        let text = format!("register map: m\nregister bits: 8\n{text}");
        match parse(&Source::new("m.yaml", text)) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.faults.into_iter().map(|fault| fault.message).collect(),
        }
    };
    let fields = "fields:\n  bias: {at: 1, type: whole}\n  on[0..1]: {at: 2, type: whole}\n";
    assert_eq!(
        faults(&format!(
            "write order: [bais]\ncommit: {{field: on, value: 1}}\n\
             resets: {{x: 1, 1: 256, 0..0xFFFFFFFF: 0}}\n{fields}"
        )),
        [
            "there is no field 'bais'",
            "this field cannot be written by itself",
            "'x' is no register",
            "more than 8 bits can hold",
            "'0..0xFFFFFFFF' are no registers, the first one first",
        ]
    );
    assert_eq!(
        faults(&format!("commit: {{field: bias, value: 256, after: [of]}}\n{fields}")),
        ["256 is outside 0 to 255"]
    );
    assert_eq!(
        faults(&format!("commit: {{field: bias, value: 255, after: [on]}}\n{fields}")),
        [""; 0]
    );
}

/// The fault of an overlap is underlined and names both fields.
#[test]
fn an_overlap_is_underlined() {
    let text = "register map: m\nregister bits: 16\nfields:\n  a: {at: 1, type: whole}\n  \
                b: {at: 1, bits: 3, type: switch}\n";
    let shown = parse(&Source::new("m.yaml", text)).unwrap_err().render(false);
    for part in ["'b' and 'a' share bits", "m.yaml:5:3", "^", "both lie in register 0x1"] {
        assert!(shown.contains(part), "{part}: {shown}");
    }
}

#[test]
fn what_the_chip_holds_after_a_reset() {
    let map = load("eight-element.yaml", None).unwrap();
    assert_eq!(map.reset_of(0x1107, 0xFFFF), Some(0x8000));
    assert_eq!(map.reset_of(0x0002, 0xFFFF), Some(2));
    assert_eq!(map.reset_of(0x0010, 1), None, "nobody knows whether it is locked");
}

/// The body of the fuzz target on seeded random bytes: no panic, and no hang.
#[test]
fn random_maps_do_not_panic() {
    let mut random = 0x5EED_0021u64;
    println!("seed {random:#x}");
    for _ in 0..3000 {
        let mut bytes = Vec::new();
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        for at in 0..random % 24 {
            // Begins with a piece that makes a map of it, more often than not.
            let byte = random.rotate_left(5 * at as u32) as u8;
            bytes.push(if at == 0 { byte % 4 } else { byte });
        }
        fuzzing::register_map(&bytes);
    }
}

/// Texts that announce more than any chip has are refused at once, whatever they multiply out to.
#[test]
fn maps_beyond_any_chip_are_refused_at_once() {
    let pages: String = (0..2000).map(|n| format!("  p{n}: {}\n", n * 10)).collect();
    let fields: String =
        (0..2000).map(|n| format!("  f{n}[0..9999]: {{at: {n}, type: whole}}\n")).collect();
    let text = format!("register map: m\nregister bits: 8\npages:\n{pages}fields:\n{fields}");
    let faults = parse(&Source::new("m.yaml", text)).unwrap_err().faults;
    assert_eq!(faults.len(), 1);
    assert_eq!(faults[0].message, "more fields than any chip has");
}
