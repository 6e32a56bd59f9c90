//! From the text of a register map to the checked map, or to all of its faults.

use std::ops::Range;

use super::{Meaning, RegisterField, RegisterMap};
use crate::decode::{check_name, range, switch, text, text_or_empty, whole};
use crate::fault::{Fault, Faults, Source};
use crate::marked::{self, Key, Node};
use crate::profile::{KIND, unit};
use crate::quantity::{Dimension, Quantity};
use crate::shape::{self, Field, MapShape, Shape};
use crate::value::Kind;

/// Most fields of a map once pages and elements are spelt out; a bench has some hundreds.
const FIELDS_MAX: usize = 100_000;
/// Largest address.
const ADDRESS_MAX: i64 = 0xFFFF_FFFF;

const ADDRESS: &Shape = &Shape::Whole { at_least: 0, at_most: ADDRESS_MAX };

const fn field(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

/// The grammar of a register map.
pub(super) const REGISTER_MAP: &Shape = &Shape::Map(&MapShape {
    name: "register map",
    about: "Which bits of which register make up a setting.",
    fields: &[
        Field { required: true, ..field("register map", &Shape::Text, "Name of the map.") },
        field("about", &Shape::Text, "What it describes."),
        Field {
            required: true,
            ..field(
                "register bits",
                &Shape::Whole { at_least: 1, at_most: 32 },
                "Bits in every register.",
            )
        },
        field(
            "pages",
            &Shape::Table { key: "page", value: ADDRESS },
            "The same layout several times: name of each page and its first address.",
        ),
        Field {
            required: true,
            ..field(
                "fields",
                &Shape::Table { key: "field", value: FIELD },
                "The fields; phase[0..7] is eight of them, phase.0 to phase.7.",
            )
        },
    ],
});

const FIELD: &Shape = &Shape::Map(&MapShape {
    name: "field",
    about: "Some bits of a register that make up one setting or reading.",
    fields: &[
        field("about", &Shape::Text, "What it does."),
        Field { required: true, ..field("at", ADDRESS, "Address of the register in its page.") },
        field("step", ADDRESS, "Addresses from one element to the next, 1."),
        field("bits", &Shape::Text, "Its bits: 5, or 4..0; all when left out."),
        Field { required: true, ..field("type", KIND, "Kind of value.") },
        field("signed", &Shape::Switch, "Two's complement."),
        field("scale", &Shape::Number, "For numbers: one step, in the unit."),
        field("unit", &Shape::Text, "For numbers: the unit."),
        field("range", &Shape::List(&Shape::Scalar), "[lowest, highest]; all codes if left out."),
        field("words", &Shape::Table { key: "word", value: ADDRESS }, "Each word and its code."),
        field("read only", &Shape::Switch, "It cannot be written."),
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

/// A field with the place of its name, for the faults that only show once all are known.
type Placed = (RegisterField, Range<usize>);

fn decode(root: &Node, source: &Source, faults: &mut Vec<Fault>) -> Option<RegisterMap> {
    let register_bits = u32::try_from(whole(root, "register bits")?).ok()?.clamp(1, 32);
    let pages = decode_pages(root, faults);
    let mut placed: Vec<Placed> = Vec::new();
    for (key, node) in root.get("fields").map(Node::entries).unwrap_or_default() {
        let Some((base, elements)) = elements(key, faults) else { continue };
        let Some(first) = decode_field(node, register_bits, faults) else { continue };
        let step = whole(node, "step").unwrap_or(1);
        for (page, page_address) in &pages {
            for (offset, element) in elements.iter().enumerate() {
                let far = page_address + i64::from(first.address) + step * offset as i64;
                let name: Vec<&str> = [page.as_str(), base, element]
                    .into_iter()
                    .filter(|part| !part.is_empty())
                    .collect();
                let Some(address) = u32::try_from(far).ok() else {
                    let message = format!("'{}' lies beyond the last address", name.join("."));
                    faults.push(Fault::new(key.span.clone(), message));
                    continue;
                };
                let field = RegisterField { name: name.join("."), address, ..first.clone() };
                placed.push((field, key.span.clone()));
            }
            if placed.len() > FIELDS_MAX {
                faults.push(Fault::new(key.span.clone(), "more fields than any chip has"));
                return None;
            }
        }
    }
    refuse_repeated_names(&placed, faults);
    refuse_overlap(&mut placed, faults);
    Some(RegisterMap {
        name: text(root, "register map")?.to_owned(),
        about: text_or_empty(root, "about"),
        register_bits,
        fields: placed.into_iter().map(|(field, _)| field).collect(),
        text: source.text.to_string(),
    })
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

/// The field as it stands in the file: name empty, address within its page.
fn decode_field(node: &Node, register_bits: u32, faults: &mut Vec<Fault>) -> Option<RegisterField> {
    let address = u32::try_from(whole(node, "at")?).ok()?;
    let (low_bit, bits) = match node.get("bits") {
        None => (0, register_bits),
        Some(place) => decode_bits(place, register_bits, faults)?,
    };
    let (meaning, kind) = decode_meaning(node, bits, faults)?;
    let (about, read_only) = (text_or_empty(node, "about"), switch(node, "read only"));
    let name = String::new();
    Some(RegisterField { name, about, address, low_bit, bits, meaning, kind, read_only })
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
        let Ok(code) = u32::try_from(code) else { continue };
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

/// Elements may spell a name that stands in the file as well: `phase[0..7]` and `phase.3`.
fn refuse_repeated_names(placed: &[Placed], faults: &mut Vec<Fault>) {
    let mut names: Vec<(&str, &Range<usize>)> =
        placed.iter().map(|(field, span)| (field.name.as_str(), span)).collect();
    names.sort_by_key(|(name, span)| (*name, span.start));
    for pair in names.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
        let message = format!("there are two fields '{}'", pair[1].0);
        faults.push(Fault::new(pair[1].1.clone(), message));
    }
}

/// Two fields that share a bit would each undo what the other set.
fn refuse_overlap(placed: &mut [Placed], faults: &mut Vec<Fault>) {
    let mut order: Vec<usize> = (0..placed.len()).collect();
    order.sort_by_key(|at| (placed[*at].0.address, placed[*at].0.low_bit));
    let mut reach: Option<usize> = None;
    for at in order {
        let field = &placed[at].0;
        if let Some(before) = reach {
            let other = &placed[before].0;
            let end = other.low_bit + other.bits;
            if other.address == field.address && field.low_bit < end {
                let (first, second) = if placed[before].1.start <= placed[at].1.start {
                    (before, at)
                } else {
                    (at, before)
                };
                let message = format!(
                    "'{}' and '{}' share bits",
                    placed[second].0.name, placed[first].0.name
                );
                faults.push(
                    Fault::new(placed[second].1.clone(), message)
                        .with_help(format!("both lie in register 0x{:X}", field.address)),
                );
                if end > field.low_bit + field.bits {
                    continue;
                }
            }
        }
        reach = Some(at);
    }
}
