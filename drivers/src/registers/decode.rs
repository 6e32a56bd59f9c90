//! From the text of a register map to the checked map, or to all of its faults.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use super::overlap::{refuse_mixed_access, refuse_overlap, refuse_repeated_names};
use super::{
    Access, Commit, FIELD_BITS_MAX, Meaning, Part, RegisterField, RegisterMap, Reset, Trust,
};
use crate::decode::{check_name, range, switch, text, text_or_empty, whole};
use crate::fault::{Fault, Faults, Source};
use crate::marked::{self, Key, Node};
use crate::profile::{KIND, unit};
use crate::quantity::{Dimension, Quantity};
use crate::shape::{self, Field, MapShape, Shape};
use crate::value::Kind;

/// Most fields of a map once pages and elements are spelt out; a bench has some hundreds.
const FIELDS_MAX: usize = 100_000;
/// Most registers for which a map says what they hold after a reset.
const RESETS_MAX: i64 = 100_000;
/// Most pages of a map with a commit.
const COMMITS_MAX: usize = 1000;
/// Largest address.
const ADDRESS_MAX: i64 = 0xFFFF_FFFF;

const ADDRESS: &Shape = &Shape::Whole { at_least: 0, at_most: ADDRESS_MAX };

const fn field(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

const fn required(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: true, shape, about }
}

/// The grammar of a register map.
pub(super) const REGISTER_MAP: &Shape = &Shape::Map(&MapShape {
    name: "register map",
    about: "Which bits of which register make up a setting.",
    fields: &[
        required("register map", &Shape::Text, "Name of the map."),
        field("about", &Shape::Text, "What it describes."),
        required(
            "register bits",
            &Shape::Whole { at_least: 1, at_most: 32 },
            "Bits in every register.",
        ),
        field(
            "pages",
            &Shape::Table { key: "page", value: ADDRESS },
            "The same layout several times: name of each page and its first address.",
        ),
        field(
            "shadow",
            &Shape::Word(&["call", "session"]),
            "How long the shadow copy of a register that can be read is trusted: within one call, \
             for the chip may lose its supply between two; or for the session, if it cannot.",
        ),
        field(
            "resets",
            &Shape::Table { key: "register", value: ADDRESS },
            "What registers of a page hold after a reset, by address or 0x100..0x107; reserved bits \
             included.",
        ),
        field(
            "write order",
            &Shape::List(&Shape::Text),
            "Fields that are written after all others, in this order, when several are written.",
        ),
        field("commit", COMMIT, "A field that brings others into force when it is written."),
        required(
            "fields",
            &Shape::Table { key: "field", value: FIELD },
            "The fields; phase[0..7] is eight of them, phase.0 to phase.7.",
        ),
    ],
});

const COMMIT: &Shape = &Shape::Map(&MapShape {
    name: "commit",
    about: "Written by itself once, after fields that need it.",
    fields: &[
        required("field", &Shape::Text, "The field."),
        required("value", &Shape::Scalar, "What is written."),
        field("after", &Shape::List(&Shape::Text), "The fields that need it; all if left out."),
    ],
});

const PART: &Shape = &Shape::Map(&MapShape {
    name: "part",
    about: "Bits of one register.",
    fields: &[
        required("register", ADDRESS, "Address of the register in its page."),
        field("bits", &Shape::Text, "Its bits: 5, or 4..0; all when left out."),
    ],
});

const FIELD: &Shape = &Shape::Map(&MapShape {
    name: "field",
    about: "Some bits that make up one setting or reading.",
    fields: &[
        field("about", &Shape::Text, "What it does."),
        required(
            "at",
            &Shape::Either(&[ADDRESS, &Shape::List(PART)]),
            "Address of the register in its page; or its parts, the most significant first.",
        ),
        field("step", ADDRESS, "Addresses from one element to the next, 1."),
        field("bits", &Shape::Text, "Its bits: 5, or 4..0; all when left out."),
        required("type", KIND, "Kind of value."),
        field("signed", &Shape::Switch, "Two's complement."),
        field("scale", &Shape::Number, "For numbers: one step, in the unit."),
        field("unit", &Shape::Text, "For numbers: the unit."),
        field("range", &Shape::List(&Shape::Scalar), "[lowest, highest]; all codes if left out."),
        field("words", &Shape::Table { key: "word", value: ADDRESS }, "Each word and its code."),
        field("read only", &Shape::Switch, "It cannot be written."),
        field("write only", &Shape::Switch, "It cannot be read."),
        field("low part first", &Shape::Switch, "Its least significant part is written first."),
        field("reset", &Shape::Scalar, "What it stands at after a reset."),
    ],
});

/// Parses and checks a register map.
///
/// # Errors
/// All faults of the file at once, each with its place; also two fields that share a bit.
pub fn parse(source: &Source) -> Result<RegisterMap, Faults> {
    let (root, mut faults) = marked::parse(source)?;
    shape::check(&root, REGISTER_MAP, &mut faults);
    let map = decode(&root, source, &mut faults);
    match map {
        Some(map) if faults.is_empty() => Ok(map),
        _ => Err(Faults::new(source.clone(), faults)),
    }
}

/// A field with what the faults need that only show once all are known.
pub(super) struct Placed {
    pub field: RegisterField,
    /// The place of its name.
    pub span: Range<usize>,
    /// Its page, and its name without page and element.
    page: usize,
    base: String,
    reset: Option<u64>,
}

fn decode(root: &Node, source: &Source, faults: &mut Vec<Fault>) -> Option<RegisterMap> {
    let register_bits = u32::try_from(whole(root, "register bits")?).ok()?.clamp(1, 32);
    let pages = decode_pages(root, faults);
    let mut placed: Vec<Placed> = Vec::new();
    let mut spelt_out = 0;
    for (key, node) in root.get("fields").map(Node::entries).unwrap_or_default() {
        let Some((base, elements)) = elements(key, faults) else { continue };
        let Some((first, reset)) = decode_field(node, register_bits, faults) else { continue };
        let step = whole(node, "step").unwrap_or(1);
        spelt_out += pages.len() * elements.len();
        if spelt_out > FIELDS_MAX {
            faults.push(Fault::new(key.span.clone(), "more fields than any chip has"));
            return None;
        }
        for (page, (page_name, page_address)) in pages.iter().enumerate() {
            for (offset, element) in elements.iter().enumerate() {
                let name: Vec<&str> = [page_name.as_str(), base, element]
                    .into_iter()
                    .filter(|part| !part.is_empty())
                    .collect();
                let name = name.join(".");
                let by = page_address + step.saturating_mul(offset as i64);
                let Some(parts) = moved(&first.parts, by) else {
                    let message = format!("'{name}' lies beyond the last address");
                    faults.push(Fault::new(key.span.clone(), message));
                    continue;
                };
                let field = RegisterField { name, parts, ..first.clone() };
                let (span, base) = (key.span.clone(), base.to_owned());
                placed.push(Placed { field, span, page, base, reset });
            }
        }
    }
    refuse_repeated_names(&placed, faults);
    refuse_overlap(&placed, faults);
    refuse_mixed_access(&placed, faults);
    let names = Names::of(&placed);
    rank(root, &names, &mut placed, faults);
    let commits = decode_commits(root, pages.len(), &names, &placed, faults);
    let resets = decode_resets(root, register_bits, &pages, &placed, faults);
    Some(RegisterMap {
        name: text(root, "register map")?.to_owned(),
        about: text_or_empty(root, "about"),
        register_bits,
        trust: if text(root, "shadow") == Some("session") { Trust::Session } else { Trust::Call },
        fields: placed.into_iter().map(|placed| placed.field).collect(),
        resets,
        commits,
        text: source.text.to_string(),
    })
}

/// Parts so many addresses further on; `None` beyond the last address.
fn moved(parts: &[Part], by: i64) -> Option<Vec<Part>> {
    let moved = |part: &Part| {
        let address = u32::try_from(i64::from(part.address).checked_add(by)?).ok()?;
        Some(Part { address, ..*part })
    };
    parts.iter().map(moved).collect()
}

/// Fields by their names without page and element.
struct Names(BTreeMap<String, Vec<usize>>);

impl Names {
    fn of(placed: &[Placed]) -> Self {
        let mut names: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (index, placed) in placed.iter().enumerate() {
            names.entry(placed.base.clone()).or_default().push(index);
        }
        Names(names)
    }

    /// The fields that a name of the file stands for; a fault when there is none.
    fn find(&self, node: &Node, faults: &mut Vec<Fault>) -> &[usize] {
        let Some(name) = node.text() else { return &[] };
        if let Some(found) = self.0.get(name) {
            return found;
        }
        let fault = Fault::new(node.span.clone(), format!("there is no field '{name}'"));
        let near = crate::fault::nearest(name, self.0.keys().map(String::as_str));
        faults.push(match near {
            Some(near) => fault.with_help(format!("did you mean '{near}'?")),
            None => fault.with_help("name it as under fields, without [0..7]"),
        });
        &[]
    }
}

/// Gives every field its place in the order of writing.
fn rank(root: &Node, names: &Names, placed: &mut [Placed], faults: &mut Vec<Fault>) {
    let order = root.get("write order").map(Node::items).unwrap_or_default();
    for (place, node) in order.iter().enumerate() {
        for index in names.find(node, faults) {
            placed[*index].field.rank = place + 1;
        }
    }
}

/// The commit of every page.
fn decode_commits(
    root: &Node,
    pages: usize,
    names: &Names,
    placed: &[Placed],
    faults: &mut Vec<Fault>,
) -> Vec<Commit> {
    let Some(node) = root.get("commit") else { return Vec::new() };
    let (Some(name), Some(value)) = (node.get("field"), node.get("value")) else {
        return Vec::new();
    };
    let fields = names.find(name, faults);
    let Some(first) = fields.first().map(|first| &placed[*first]) else { return Vec::new() };
    if fields.len() != pages || first.field.access == Access::ReadOnly {
        let fault = Fault::new(name.span.clone(), "this field cannot be written by itself");
        faults.push(fault.with_help("name one that is neither read only nor has elements"));
        return Vec::new();
    }
    let Some(code) = code_at(value, &first.field, faults) else { return Vec::new() };
    let after: BTreeSet<usize> = match node.get("after") {
        Some(list) => {
            list.items().iter().flat_map(|item| names.find(item, faults).to_vec()).collect()
        }
        None => (0..placed.len()).collect(),
    };
    let mut by_page = vec![Vec::new(); pages];
    let needs =
        |index: &usize| !fields.contains(index) && placed[*index].field.access != Access::ReadOnly;
    if fields.len() > COMMITS_MAX {
        faults.push(Fault::new(name.span.clone(), "more pages than any chip has"));
        return Vec::new();
    }
    for index in after.into_iter().filter(needs) {
        by_page[placed[index].page].push(index);
    }
    let of_page = |field: &usize| Commit {
        field: *field,
        code,
        after: std::mem::take(&mut by_page[placed[*field].page]),
    };
    fields.iter().map(of_page).collect()
}

/// The field's bits for a value of the file.
fn code_at(node: &Node, field: &RegisterField, faults: &mut Vec<Fault>) -> Option<u64> {
    let code = field.kind.parse(node.text()?).and_then(|value| field.code_of(&value));
    match code {
        Ok(code) => Some(code),
        Err(unfit) => {
            faults.push(Fault::new(node.span.clone(), unfit.to_string()));
            None
        }
    }
}

/// What registers hold after a reset: as the table says, and over it what fields say.
fn decode_resets(
    root: &Node,
    register_bits: u32,
    pages: &[(String, i64)],
    placed: &[Placed],
    faults: &mut Vec<Fault>,
) -> BTreeMap<u32, Reset> {
    let mask = u32::MAX >> (32 - register_bits);
    let mut resets = BTreeMap::new();
    let mut spelt_out = 0;
    for (key, node) in root.get("resets").map(Node::entries).unwrap_or_default() {
        let (from, to) = key.text.split_once("..").unwrap_or((&key.text, &key.text));
        let ends = shape::whole(from).zip(shape::whole(to));
        let bits = node.text().and_then(shape::whole).and_then(|bits| u32::try_from(bits).ok());
        let (Some((from, to)), Some(bits)) = (ends, bits) else {
            let fault = Fault::new(key.span.clone(), format!("'{}' is no register", key.text));
            faults.push(fault.with_help("write 0x100, or 0x100..0x107 for several"));
            continue;
        };
        refuse_wide(node, bits & !mask == 0, register_bits, faults);
        let count = to.saturating_sub(from).saturating_add(1);
        spelt_out = count.saturating_mul(pages.len() as i64).saturating_add(spelt_out);
        if count < 1 || spelt_out > RESETS_MAX || from < 0 || to > ADDRESS_MAX {
            let message = format!("'{}' are no registers, the first one first", key.text);
            faults.push(Fault::new(key.span.clone(), message));
            continue;
        }
        for page in pages {
            let addresses = (from..=to).filter_map(|at| u32::try_from(page.1 + at).ok());
            resets.extend(addresses.map(|at| (at, Reset { bits, known: mask })));
        }
    }
    for one in placed {
        let Some(code) = one.reset else { continue };
        let mut registers: super::Registers = BTreeMap::new();
        one.field.scatter(code, &mut registers);
        for (address, bits) in registers {
            let own = one.field.mask_at(address);
            let reset = resets.entry(address).or_default();
            *reset = Reset { bits: reset.bits & !own | bits, known: reset.known | own };
        }
    }
    resets
}

/// Names and first addresses of the pages; without any, one page without name.
fn decode_pages(root: &Node, faults: &mut Vec<Fault>) -> Vec<(String, i64)> {
    let Some(pages) = root.get("pages") else { return vec![(String::new(), 0)] };
    let mut found = Vec::new();
    for (key, node) in pages.entries() {
        check_name(key, faults);
        let address = node.text().and_then(shape::whole).unwrap_or_default();
        found.push((key.text.clone(), address));
    }
    found
}

/// `phase[0..7]` is `phase` with the elements 0 to 7; a plain name has one element without name.
fn elements<'a>(key: &'a Key, faults: &mut Vec<Fault>) -> Option<(&'a str, Vec<String>)> {
    let faults_before = faults.len();
    check_name(key, faults);
    if faults.len() > faults_before {
        return None;
    }
    let Some((base, inside)) = key.text.split_once('[') else {
        return Some((&key.text, vec![String::new()]));
    };
    let ends = inside.strip_suffix(']').and_then(|inside| inside.split_once(".."));
    let ends = ends.and_then(|(from, to)| {
        Some((from.parse::<u32>().ok()?, to.parse::<u32>().ok().filter(|to| *to < 10_000)?))
    });
    match ends {
        Some((from, to)) if from <= to => {
            Some((base, (from..=to).map(|element| element.to_string()).collect()))
        }
        _ => {
            let message = format!("'{}' is no name with elements", key.text);
            faults.push(Fault::new(key.span.clone(), message).with_help("write phase[0..7]"));
            None
        }
    }
}

/// The field as it stands in the file, name empty and addresses within its page; and its bits
/// after a reset.
fn decode_field(
    node: &Node,
    register_bits: u32,
    faults: &mut Vec<Fault>,
) -> Option<(RegisterField, Option<u64>)> {
    let parts = decode_parts(node, register_bits, faults)?;
    let bits = parts.iter().map(|part| part.bits).sum();
    if bits > FIELD_BITS_MAX {
        let message = format!("{bits} bits; a field has at most {FIELD_BITS_MAX}");
        faults.push(Fault::new(node.get("at")?.span.clone(), message));
        return None;
    }
    let (meaning, kind) = decode_meaning(node, bits, faults)?;
    let access = match (switch(node, "read only"), switch(node, "write only")) {
        (false, false) => Access::ReadWrite,
        (true, false) => Access::ReadOnly,
        (false, true) => Access::WriteOnly,
        (true, true) => {
            let span = node.get("write only")?.span.clone();
            faults.push(Fault::new(span, "a field is read only or write only, not both"));
            return None;
        }
    };
    let field = RegisterField {
        name: String::new(),
        about: text_or_empty(node, "about"),
        parts,
        bits,
        meaning,
        kind,
        access,
        rank: 0,
        low_first: switch(node, "low part first"),
    };
    let reset = node.get("reset").and_then(|node| code_at(node, &field, faults));
    Some((field, reset))
}

/// The bits of the field, the most significant part first.
fn decode_parts(node: &Node, register_bits: u32, faults: &mut Vec<Fault>) -> Option<Vec<Part>> {
    let part = |node: &Node, register: &Node, faults: &mut Vec<Fault>| {
        let address = u32::try_from(register.text().and_then(shape::whole)?).ok()?;
        let (low_bit, bits) = match node.get("bits") {
            None => (0, register_bits),
            Some(place) => decode_bits(place, register_bits, faults)?,
        };
        Some(Part { address, low_bit, bits })
    };
    let at = node.get("at")?;
    if at.text().is_some() {
        return Some(vec![part(node, at, faults)?]);
    }
    refuse(node, &["bits"], "field of several parts", faults);
    let parts: Vec<_> =
        at.items().iter().map(|node| part(node, node.get("register")?, faults)).collect();
    let parts: Option<Vec<Part>> = parts.into_iter().collect();
    let parts = parts?;
    if parts.is_empty() {
        faults.push(Fault::new(at.span.clone(), "a field has at least one part"));
        return None;
    }
    let bits = |part: &Part| (part.address, part.mask());
    for (index, one) in parts.iter().enumerate() {
        let (address, mask) = bits(one);
        if parts[..index].iter().map(bits).any(|(a, m)| a == address && m & mask != 0) {
            faults.push(Fault::new(at.items()[index].span.clone(), "these bits are used twice"));
            return None;
        }
    }
    Some(parts)
}

/// `5` or `4..0`, the high bit first; lowest bit and number of bits.
fn decode_bits(place: &Node, register_bits: u32, faults: &mut Vec<Fault>) -> Option<(u32, u32)> {
    let text = place.text()?;
    let (high, low) = text.split_once("..").unwrap_or((text, text));
    match (high.trim().parse::<u32>(), low.trim().parse::<u32>()) {
        (Ok(high), Ok(low)) if low <= high && high < register_bits => Some((low, high - low + 1)),
        _ => {
            let message = format!("'{text}' are no bits of a register of {register_bits} bits");
            let help = "write one bit as 15, several as 4..0, the high one first";
            faults.push(Fault::new(place.span.clone(), message).with_help(help));
            None
        }
    }
}

fn decode_meaning(node: &Node, bits: u32, faults: &mut Vec<Fault>) -> Option<(Meaning, Kind)> {
    let signed = switch(node, "signed");
    let kind = text(node, "type")?;
    let (low, high) = if signed {
        (-(1i64 << (bits - 1)), (1i64 << (bits - 1)) - 1)
    } else {
        (0, (1i64 << bits) - 1)
    };
    match kind {
        "whole" => {
            refuse(node, &["scale", "unit", "words"], kind, faults);
            let (at_least, at_most) = match node.get("range") {
                None => (low, high),
                Some(place) => {
                    let ends = range(place, "a whole number", shape::whole, faults)?;
                    refuse_wide(place, ends.0 >= low && ends.1 <= high, bits, faults);
                    ends
                }
            };
            Some((Meaning::Whole { signed }, Kind::Whole { at_least, at_most }))
        }
        "number" => {
            refuse(node, &["words"], kind, faults);
            let (dimension, unit_scale) = unit(node, faults)?;
            let scale = text(node, "scale").and_then(shape::number).unwrap_or(1.0) * unit_scale;
            decode_steps(node, dimension, Steps { signed, scale, low, high, bits }, faults)
        }
        "switch" => {
            refuse(node, &["scale", "unit", "words", "range", "signed"], kind, faults);
            Some((Meaning::Switch, Kind::Switch))
        }
        _ => {
            refuse(node, &["scale", "unit", "range", "signed"], kind, faults);
            decode_codes(node, high, bits, faults)
        }
    }
}

/// What is known of a field of steps before its range is read.
struct Steps {
    signed: bool,
    scale: f64,
    low: i64,
    high: i64,
    bits: u32,
}

fn decode_steps(
    node: &Node,
    dimension: Dimension,
    steps: Steps,
    faults: &mut Vec<Fault>,
) -> Option<(Meaning, Kind)> {
    let Steps { signed, scale, low, high, bits } = steps;
    if scale == 0.0 || !scale.is_finite() {
        let span = node.get("scale").map_or(node.span.clone(), |place| place.span.clone());
        faults.push(Fault::new(span, "a step of this size carries no number"));
        return None;
    }
    let (first, last) = (low as f64 * scale, high as f64 * scale);
    let (least, most) = (first.min(last), first.max(last));
    let (at_least, at_most) = match node.get("range") {
        None => (least, most),
        Some(place) => {
            let read = |end: &str| Some(Quantity::parse(end, dimension).ok()?.value);
            let ends = range(place, dimension.example(), read, faults)?;
            refuse_wide(place, ends.0 >= least && ends.1 <= most, bits, faults);
            ends
        }
    };
    Some((Meaning::Steps { signed, scale }, Kind::Number { dimension, at_least, at_most }))
}

fn decode_codes(
    node: &Node,
    high: i64,
    bits: u32,
    faults: &mut Vec<Fault>,
) -> Option<(Meaning, Kind)> {
    let Some(table) = node.get("words").filter(|table| !table.entries().is_empty()) else {
        let fault = Fault::new(node.span.start..node.span.start + 1, "the words are missing here");
        faults.push(fault.with_help("add words: {slow: 0, fast: 1}"));
        return None;
    };
    let (mut words, mut codes) = (Vec::new(), Vec::new());
    for (key, place) in table.entries() {
        let Some(code) = place.text().and_then(shape::whole) else { continue };
        refuse_wide(place, code <= high, bits, faults);
        let Ok(code) = u64::try_from(code) else { continue };
        if codes.contains(&code) {
            faults.push(Fault::new(place.span.clone(), "two words cannot have the same code"));
        }
        words.push(key.text.clone());
        codes.push(code);
    }
    Some((Meaning::Codes(codes), Kind::Word(words)))
}

fn refuse(node: &Node, keys: &[&str], kind: &str, faults: &mut Vec<Fault>) {
    for place in keys.iter().filter_map(|key| node.entries().iter().find(|(k, _)| k.text == *key)) {
        let message = format!("'{}' means nothing for the type {kind}", place.0.text);
        faults.push(Fault::new(place.0.span.clone(), message));
    }
}

fn refuse_wide(place: &Node, fits: bool, bits: u32, faults: &mut Vec<Fault>) {
    if !fits {
        let message = format!("more than {bits} bits can hold");
        faults.push(Fault::new(place.span.clone(), message));
    }
}
