//! The grammar of a file type as data: checked against a marked tree, printed as JSON Schema.
//!
//! One table per file type serves three readers: the strict check (all faults of a file at once),
//! the decoder (which may then skip what does not fit, because it is reported already), and the
//! schema for editors. Knows nothing of what the fields mean.

use std::ops::RangeInclusive;

use crate::fault::{Fault, nearest};
use crate::marked::{Node, NodeKind};
use crate::quantity::{Dimension, Quantity};

mod schema;

pub use schema::json_schema;
pub(crate) use schema::schema_of;

/// What may stand at one place of a file.
#[derive(Debug)]
pub enum Shape {
    /// Any text.
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    /// `on` or `off`.
    Switch,
    /// A whole number within bounds, both included.
    Whole {
        /// Smallest value.
        at_least: i64,
        /// Largest value.
        at_most: i64,
    },
    /// A number without unit.
    Number,
    /// A number with a unit of this dimension.
    Quantity(Dimension),
    /// Any single value; whoever decodes it knows what it must be.
    Scalar,
    /// A list of such.
    List(&'static Shape),
    /// A mapping with known keys.
    Map(&'static MapShape),
    /// A mapping whose keys are names of the user's.
    Table {
        /// What a key names, for the schema.
        key: &'static str,
        /// What stands behind each.
        value: &'static Shape,
    },
    /// A mapping that is told apart by which one of these keys it has.
    Tagged(&'static TaggedShape),
    /// One of several, told apart by whether a single value, a list or a mapping stands there.
    Either(&'static [&'static Shape]),
    /// What differs from something that stands elsewhere: of a mapping only some keys, and
    /// [`ABSENT`] for what is left out. Anything but a mapping stands as a whole.
    Change(&'static Shape),
}

/// Stands in a [`Shape::Change`] for what is left out.
pub const ABSENT: &str = "absent";

/// A mapping with known keys.
#[derive(Debug)]
pub struct MapShape {
    /// Name of the thing, for messages and the schema.
    pub name: &'static str,
    /// What it is, one sentence.
    pub about: &'static str,
    /// Its keys.
    pub fields: &'static [Field],
}

/// One key of a mapping.
#[derive(Debug)]
pub struct Field {
    /// The key.
    pub name: &'static str,
    /// Whether it must be there.
    pub required: bool,
    /// What stands behind it.
    pub shape: &'static Shape,
    /// What it means, one sentence.
    pub about: &'static str,
}

/// A mapping with exactly one of several telling keys, such as the steps of a sequence.
#[derive(Debug)]
pub struct TaggedShape {
    /// Name of the thing, for messages and the schema.
    pub name: &'static str,
    /// What it is, one sentence.
    pub about: &'static str,
    /// The alternatives.
    pub variants: &'static [Variant],
}

/// One alternative of a [`TaggedShape`].
#[derive(Debug)]
pub struct Variant {
    /// The telling key, its value's shape and meaning.
    pub field: Field,
    /// Further keys that may stand beside it.
    pub companions: &'static [Field],
}

/// Checks a node against a shape and adds every fault found.
pub fn check(node: &Node, shape: &Shape, faults: &mut Vec<Fault>) {
    match shape {
        Shape::Text | Shape::Scalar => {
            expect_scalar(node, shape, "a text", faults);
        }
        Shape::Word(words) => check_word(node, shape, words, faults),
        Shape::Switch => {
            if let Some(text) = expect_scalar(node, shape, "on or off", faults)
                && switch(text).is_none()
            {
                faults.push(Fault::new(node.span.clone(), format!("'{text}' is not on or off")));
            }
        }
        Shape::Whole { at_least, at_most } => {
            check_whole(node, shape, *at_least..=*at_most, faults)
        }
        Shape::Number => {
            if let Some(text) = expect_scalar(node, shape, "a number", faults)
                && number(text).is_none()
            {
                let fault = Fault::new(node.span.clone(), format!("'{text}' is not a number"));
                faults.push(
                    fault.with_help("write it with digits and a decimal point, such as 0.25"),
                );
            }
        }
        Shape::Quantity(dimension) => {
            if let Some(text) = expect_scalar(node, shape, dimension.example(), faults)
                && let Err(error) = Quantity::parse(text, *dimension)
            {
                faults.push(Fault::new(node.span.clone(), error.to_string()));
            }
        }
        Shape::List(item) => match &node.kind {
            NodeKind::List(items) => items.iter().for_each(|node| check(node, item, faults)),
            _ => wrong_kind(node, shape, "a list", faults),
        },
        Shape::Map(map) if matches!(node.kind, NodeKind::Map(_)) => {
            check_map(node, map.name, &[map.fields], faults);
        }
        Shape::Map(map) => wrong_kind(node, shape, &format!("a mapping ({})", map.name), faults),
        Shape::Table { key, value } => match &node.kind {
            NodeKind::Map(entries) => {
                entries.iter().for_each(|(_, node)| check(node, value, faults));
            }
            _ => wrong_kind(node, shape, &format!("a mapping from {key}"), faults),
        },
        Shape::Tagged(tagged) if !node.entries().is_empty() => check_tagged(node, tagged, faults),
        Shape::Tagged(tagged) => {
            wrong_kind(node, shape, &format!("a mapping ({})", tagged.name), faults);
        }
        Shape::Either(options) => match options.iter().find(|option| fits(node, option)) {
            Some(option) => check(node, option, faults),
            None => {
                let wanted: Vec<_> = options.iter().map(|option| in_words(option)).collect();
                wrong_kind(node, shape, &wanted.join(" or "), faults);
            }
        },
        Shape::Change(whole) => check_change(node, whole, faults),
    }
}

/// Whether a node says that something is left out.
#[must_use]
pub fn is_absent(node: &Node) -> bool {
    matches!(&node.kind, NodeKind::Scalar { text, quoted: false } if text == ABSENT)
}

/// Of a mapping any of its keys may stand there, each with a whole value or [`ABSENT`].
fn check_change(node: &Node, whole: &Shape, faults: &mut Vec<Fault>) {
    let fields = match (whole, &node.kind) {
        _ if is_absent(node) => return,
        (Shape::Map(map), NodeKind::Map(_)) => map,
        _ => return check(node, whole, faults),
    };
    check_known(node, fields.name, &[fields.fields], faults, |value, shape, faults| {
        if !is_absent(value) {
            check(value, shape, faults);
        }
    });
}

/// Reads `on`, `off`, `true`, `false`.
#[must_use]
pub fn switch(text: &str) -> Option<bool> {
    match text.to_ascii_lowercase().as_str() {
        "on" | "true" => Some(true),
        "off" | "false" => Some(false),
        _ => None,
    }
}

/// Reads a finite number without unit.
#[must_use]
pub fn number(text: &str) -> Option<f64> {
    Quantity::parse(text, Dimension::Ratio).ok().map(|q| q.value)
}

/// Reads a whole number; `k`, `M`, `G` multiply, `0x` begins a hexadecimal one.
#[must_use]
pub fn whole(text: &str) -> Option<i64> {
    let text = text.trim();
    if let Some(digits) = text.strip_prefix("0x") {
        return i64::from_str_radix(digits, 16).ok();
    }
    let value = Quantity::parse(text, Dimension::Count).ok()?.value;
    // Beyond 2^53 not every whole number exists in the quantity's binary form.
    (value.fract() == 0.0 && value.abs() <= 9_007_199_254_740_992.0).then_some(value as i64)
}

fn expect_scalar<'a>(
    node: &'a Node,
    shape: &Shape,
    wanted: &str,
    faults: &mut Vec<Fault>,
) -> Option<&'a str> {
    match node.text() {
        Some(text) if !node.is_empty_value() => Some(text),
        _ => {
            wrong_kind(node, shape, wanted, faults);
            None
        }
    }
}

fn wrong_kind(node: &Node, shape: &Shape, wanted: &str, faults: &mut Vec<Fault>) {
    if node.is_empty_value() && node.span == (0..0) {
        let fault = Fault::new(0..0, "the file is empty");
        faults.push(fault.with_help(format!("{wanted} is wanted, which begins {}", begin(shape))));
        return;
    }
    // Of a long block only the beginning is underlined; the whole of it would bury the message.
    let span = match node.kind {
        NodeKind::Scalar { .. } => node.span.clone(),
        _ => node.span.start..(node.span.start + 1).min(node.span.end),
    };
    let help = match (shape, &node.kind) {
        (Shape::List(item), NodeKind::Scalar { text, .. })
            if !node.is_empty_value() && fits(node, item) =>
        {
            format!("write [{text}]")
        }
        (Shape::List(item), NodeKind::Map(_)) if fits(node, item) => {
            "begin each item of the list with '- '".into()
        }
        (Shape::Text | Shape::Scalar, NodeKind::Map(_) | NodeKind::List(_)) => {
            "write it without { } or [ ], or in quotes where they belong to the text".into()
        }
        _ => format!("such as {}", example(shape, EXAMPLE_DEPTH)),
    };
    let message = format!("{wanted} is wanted here, not {}", node.describe());
    faults.push(Fault::new(span, message).with_help(help));
}

/// Levels of nesting that an example shows.
const EXAMPLE_DEPTH: u32 = 3;

/// What may stand there, as it is written: `[1]`, `{from: value, to: value}`, `7.04 GHz`.
fn example(shape: &Shape, depth: u32) -> String {
    let inner = |shape: &Shape| {
        if depth == 0 { "…".into() } else { example(shape, depth - 1) }
    };
    match shape {
        Shape::Text => "text".into(),
        Shape::Scalar => "value".into(),
        Shape::Word(words) => words.first().copied().unwrap_or("word").into(),
        Shape::Switch => "on".into(),
        Shape::Whole { at_least, .. } => (*at_least).max(1).to_string(),
        Shape::Number => "0.25".into(),
        Shape::Quantity(dimension) => dimension.example_value().into(),
        Shape::List(item) => format!("[{}]", inner(item)),
        Shape::Map(map) => {
            let any_required = map.fields.iter().any(|field| field.required);
            let shown = map.fields.iter().filter(|field| field.required == any_required);
            // Of a mapping in which everything may be left out, one key shows the manner.
            let at_most = if any_required { usize::MAX } else { 1 };
            let fields = shown.take(at_most).map(|f| format!("{}: {}", f.name, inner(f.shape)));
            format!("{{{}}}", fields.collect::<Vec<_>>().join(", "))
        }
        Shape::Table { key, value } => {
            let name = key.split(' ').next().unwrap_or(key).trim_end_matches('s');
            format!("{{{name}: {}}}", inner(value))
        }
        Shape::Tagged(tagged) => tagged.variants.first().map_or_else(String::new, |variant| {
            let required = variant.companions.iter().filter(|field| field.required);
            let fields = std::iter::once(&variant.field).chain(required);
            let fields = fields.map(|f| format!("{}: {}", f.name, inner(f.shape)));
            format!("{{{}}}", fields.collect::<Vec<_>>().join(", "))
        }),
        Shape::Either(options) => options.first().map_or_else(String::new, |o| inner(o)),
        Shape::Change(whole) => example(whole, depth),
    }
}

/// How a file of this shape begins: its first required key.
fn begin(shape: &Shape) -> String {
    let first = match shape {
        Shape::Map(map) => map.fields.iter().find(|field| field.required),
        _ => None,
    };
    match first {
        Some(field) => format!("with '{}: {}'", field.name, example(field.shape, EXAMPLE_DEPTH)),
        None => format!("like {}", example(shape, EXAMPLE_DEPTH)),
    }
}

fn check_word(node: &Node, shape: &Shape, words: &[&str], faults: &mut Vec<Fault>) {
    let Some(text) = expect_scalar(node, shape, "a word", faults) else { return };
    if !words.contains(&text) {
        let fault = Fault::new(node.span.clone(), format!("'{text}' is not known here"));
        let known = format!("known here: {}", words.join(", "));
        faults.push(fault.with_help(match nearest(text, words.iter().copied()) {
            Some(near) => format!("did you mean '{near}'? {known}"),
            None => known,
        }));
    }
}

fn check_whole(node: &Node, shape: &Shape, bounds: RangeInclusive<i64>, faults: &mut Vec<Fault>) {
    let Some(text) = expect_scalar(node, shape, "a whole number", faults) else { return };
    match whole(text) {
        None => {
            let fault = Fault::new(node.span.clone(), format!("'{text}' is not a whole number"));
            faults.push(fault.with_help("write it with digits, such as 8 or 200 k"));
        }
        Some(value) if !bounds.contains(&value) => {
            let (end, limit) = if value < *bounds.start() {
                (format!("at least {}", bounds.start()), "small")
            } else {
                (format!("at most {}", bounds.end()), "large")
            };
            let message = format!("{value} is too {limit}; {end} is wanted");
            faults.push(Fault::new(node.span.clone(), message));
        }
        Some(_) => {}
    }
}

/// "did you mean 'x'?" or the list of what is known.
#[must_use]
pub fn suggestion(written: &str, known: &[&str]) -> String {
    match nearest(written, known.iter().copied()) {
        Some(name) => format!("did you mean '{name}'?"),
        None => format!("known here: {}", known.join(", ")),
    }
}

/// Checks what stands there, whether or not something is missing.
fn check_known(
    node: &Node,
    name: &str,
    groups: &[&'static [Field]],
    faults: &mut Vec<Fault>,
    check: impl Fn(&Node, &Shape, &mut Vec<Fault>),
) {
    let fields = || groups.iter().copied().flatten();
    for (key, value) in node.entries() {
        match fields().find(|field| field.name == key.text) {
            Some(field) => check(value, field.shape, faults),
            None => {
                let known: Vec<_> = fields().map(|field| field.name).collect();
                let fault =
                    Fault::new(key.span.clone(), format!("unknown key '{}' in {name}", key.text));
                faults.push(fault.with_help(suggestion(&key.text, &known)));
            }
        }
    }
}

fn check_map(node: &Node, name: &str, groups: &[&'static [Field]], faults: &mut Vec<Fault>) {
    check_known(node, name, groups, faults, check);
    let fields = groups.iter().copied().flatten();
    for field in fields.filter(|field| field.required) {
        if node.get(field.name).is_none() {
            let span = node.span.start..(node.span.start + 1).min(node.span.end);
            faults.push(
                Fault::new(span, format!("key '{}' is missing in {name}", field.name)).with_help(
                    format!(
                        "{} Write it as '{}: {}'",
                        field.about,
                        field.name,
                        example(field.shape, EXAMPLE_DEPTH)
                    ),
                ),
            );
        }
    }
}

fn check_tagged(node: &Node, tagged: &'static TaggedShape, faults: &mut Vec<Fault>) {
    let entries = node.entries();
    let mut telling: Vec<&Variant> =
        tagged.variants.iter().filter(|variant| node.get(variant.field.name).is_some()).collect();
    // A key that tells by itself may also stand beside another.
    let beside: Vec<&str> = telling
        .iter()
        .flat_map(|variant| variant.companions.iter().map(|companion| companion.name))
        .collect();
    telling.retain(|variant| !beside.contains(&variant.field.name));
    let known: Vec<&str> = tagged.variants.iter().map(|variant| variant.field.name).collect();
    match telling.as_slice() {
        [variant] => {
            let own = std::slice::from_ref(&variant.field);
            check_map(node, tagged.name, &[own, variant.companions], faults);
        }
        [] => {
            for (key, _) in entries.iter().take(1) {
                let message = format!("unknown {} '{}'", tagged.name, key.text);
                let fault = Fault::new(key.span.clone(), message);
                faults.push(fault.with_help(suggestion(&key.text, &known)));
            }
        }
        [first, second, ..] => {
            let at = entries.iter().find(|(key, _)| key.text == second.field.name);
            let span = at.map_or(node.span.clone(), |(key, _)| key.span.clone());
            faults.push(
                Fault::new(
                    span,
                    format!(
                        "one {} cannot be both '{}' and '{}'",
                        tagged.name, first.field.name, second.field.name
                    ),
                )
                .with_help(format!("begin another {} with '- '", tagged.name)),
            );
        }
    }
}

/// Whether a node is of the kind (single value, list, mapping) that a shape wants.
fn fits(node: &Node, shape: &Shape) -> bool {
    match shape {
        Shape::List(_) => matches!(node.kind, NodeKind::List(_)),
        Shape::Map(_) | Shape::Table { .. } | Shape::Tagged(_) => {
            matches!(node.kind, NodeKind::Map(_))
        }
        Shape::Either(options) => options.iter().any(|option| fits(node, option)),
        Shape::Change(whole) => is_absent(node) || fits(node, whole),
        _ => matches!(node.kind, NodeKind::Scalar { .. }),
    }
}

fn in_words(shape: &Shape) -> String {
    match shape {
        Shape::Text | Shape::Scalar | Shape::Word(_) => "a text".into(),
        Shape::Switch => "on or off".into(),
        Shape::Whole { .. } => "a whole number".into(),
        Shape::Number => "a number".into(),
        Shape::Quantity(dimension) => dimension.example().into(),
        Shape::List(_) => "a list".into(),
        Shape::Map(map) => format!("a mapping ({})", map.name),
        Shape::Tagged(tagged) => format!("a mapping ({})", tagged.name),
        Shape::Table { key, .. } => format!("a mapping from {key}"),
        Shape::Either(options) => {
            options.iter().map(|option| in_words(option)).collect::<Vec<_>>().join(" or ")
        }
        Shape::Change(whole) => format!("{} or '{ABSENT}'", in_words(whole)),
    }
}

#[cfg(test)]
mod tests;
