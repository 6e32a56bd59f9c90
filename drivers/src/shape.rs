//! The grammar of a file type as data: checked against a marked tree, printed as JSON Schema.
//!
//! One table per file type serves three readers: the strict check (all faults of a file at once),
//! the decoder (which may then skip what does not fit, because it is reported already), and the
//! schema for editors. Knows nothing of what the fields mean.

use serde_json::{Map as JsonMap, Value as Json, json};

use crate::fault::{Fault, nearest};
use crate::marked::{Node, NodeKind};
use crate::quantity::{Dimension, Quantity};

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
}

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
            expect_scalar(node, "a text", faults);
        }
        Shape::Word(words) => check_word(node, words, faults),
        Shape::Switch => {
            if let Some(text) = expect_scalar(node, "on or off", faults)
                && switch(text).is_none()
            {
                faults.push(Fault::new(node.span.clone(), format!("'{text}' is not on or off")));
            }
        }
        Shape::Whole { at_least, at_most } => check_whole(node, *at_least, *at_most, faults),
        Shape::Number => {
            if let Some(text) = expect_scalar(node, "a number", faults)
                && number(text).is_none()
            {
                faults.push(Fault::new(node.span.clone(), format!("'{text}' is not a number")));
            }
        }
        Shape::Quantity(dimension) => {
            if let Some(text) = expect_scalar(node, dimension.example(), faults)
                && let Err(error) = Quantity::parse(text, *dimension)
            {
                faults.push(Fault::new(node.span.clone(), error.to_string()));
            }
        }
        Shape::List(item) => match &node.kind {
            NodeKind::List(items) => items.iter().for_each(|node| check(node, item, faults)),
            _ => wrong_kind(node, "a list", faults),
        },
        Shape::Map(map) => check_map(node, map.name, &[map.fields], faults),
        Shape::Table { key, value } => match &node.kind {
            NodeKind::Map(entries) => {
                entries.iter().for_each(|(_, node)| check(node, value, faults));
            }
            _ => wrong_kind(node, &format!("a mapping from {key}"), faults),
        },
        Shape::Tagged(tagged) => check_tagged(node, tagged, faults),
        Shape::Either(options) => match options.iter().find(|option| fits(node, option)) {
            Some(option) => check(node, option, faults),
            None => {
                let wanted: Vec<_> = options.iter().map(|option| in_words(option)).collect();
                wrong_kind(node, &wanted.join(" or "), faults);
            }
        },
    }
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

fn expect_scalar<'a>(node: &'a Node, wanted: &str, faults: &mut Vec<Fault>) -> Option<&'a str> {
    match node.text() {
        Some(text) if !node.is_empty_value() => Some(text),
        _ => {
            wrong_kind(node, wanted, faults);
            None
        }
    }
}

fn wrong_kind(node: &Node, wanted: &str, faults: &mut Vec<Fault>) {
    // Of a long block only the beginning is underlined; the whole of it would bury the message.
    let span = match node.kind {
        NodeKind::Scalar { .. } => node.span.clone(),
        _ => node.span.start..(node.span.start + 1).min(node.span.end),
    };
    faults.push(Fault::new(span, format!("{wanted} is wanted here, not {}", node.describe())));
}

fn check_word(node: &Node, words: &[&str], faults: &mut Vec<Fault>) {
    let Some(text) = expect_scalar(node, "a word", faults) else { return };
    if !words.contains(&text) {
        let fault = Fault::new(node.span.clone(), format!("'{text}' is not known here"));
        faults.push(fault.with_help(suggestion(text, words)));
    }
}

fn check_whole(node: &Node, at_least: i64, at_most: i64, faults: &mut Vec<Fault>) {
    let Some(text) = expect_scalar(node, "a whole number", faults) else { return };
    match whole(text) {
        None => {
            faults.push(Fault::new(node.span.clone(), format!("'{text}' is not a whole number")));
        }
        Some(value) if value < at_least || value > at_most => {
            let message = if at_most == i64::MAX {
                format!("{value} is too small; at least {at_least} is wanted")
            } else {
                format!("{value} is outside {at_least} to {at_most}")
            };
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

fn check_map(node: &Node, name: &str, groups: &[&'static [Field]], faults: &mut Vec<Fault>) {
    let NodeKind::Map(entries) = &node.kind else {
        return wrong_kind(node, &format!("a mapping ({name})"), faults);
    };
    let fields = || groups.iter().copied().flatten();
    for (key, value) in entries {
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
    for field in fields().filter(|field| field.required) {
        if node.get(field.name).is_none() {
            let span = node.span.start..(node.span.start + 1).min(node.span.end);
            faults.push(
                Fault::new(span, format!("key '{}' is missing in {name}", field.name))
                    .with_help(field.about),
            );
        }
    }
}

fn check_tagged(node: &Node, tagged: &'static TaggedShape, faults: &mut Vec<Fault>) {
    let NodeKind::Map(entries) = &node.kind else {
        return wrong_kind(node, &format!("a mapping ({})", tagged.name), faults);
    };
    let telling: Vec<&Variant> =
        tagged.variants.iter().filter(|variant| node.get(variant.field.name).is_some()).collect();
    let known: Vec<&str> = tagged.variants.iter().map(|variant| variant.field.name).collect();
    match telling.as_slice() {
        [variant] => {
            let own = std::slice::from_ref(&variant.field);
            check_map(node, tagged.name, &[own, variant.companions], faults);
        }
        [] => match entries.first() {
            Some((key, _)) => faults.push(
                Fault::new(key.span.clone(), format!("unknown {} '{}'", tagged.name, key.text))
                    .with_help(suggestion(&key.text, &known)),
            ),
            None => wrong_kind(node, &format!("a {}", tagged.name), faults),
        },
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
    }
}

/// The JSON Schema (draft 2020-12) of a file whose root has this shape.
#[must_use]
pub fn json_schema(title: &str, root: &'static Shape) -> Json {
    let mut definitions = JsonMap::new();
    let mut schema = schema_of(root, &mut definitions);
    if let Some(object) = schema.as_object_mut() {
        object.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
        object.insert("title".into(), json!(title));
        object.insert("$defs".into(), Json::Object(definitions));
    }
    schema
}

fn schema_of(shape: &Shape, definitions: &mut JsonMap<String, Json>) -> Json {
    match shape {
        Shape::Text => json!({"type": ["string", "number", "boolean"]}),
        Shape::Scalar => json!({"type": ["string", "number", "boolean"]}),
        Shape::Word(words) => json!({"enum": words}),
        Shape::Switch => json!({"enum": ["on", "off", true, false]}),
        Shape::Whole { at_least, at_most } => json!({"anyOf": [
            {"type": "integer", "minimum": at_least, "maximum": at_most},
            {"type": "string", "pattern": "^([0-9.]+ ?[kMG]|0x[0-9a-fA-F]+)$"},
        ]}),
        Shape::Number => json!({"type": "number"}),
        Shape::Quantity(dimension) => quantity_schema(*dimension),
        Shape::List(item) => json!({"type": "array", "items": schema_of(item, definitions)}),
        Shape::Table { key, value } => json!({
            "type": "object",
            "description": format!("a mapping from {key}"),
            "additionalProperties": schema_of(value, definitions),
        }),
        Shape::Map(map) => by_reference(map.name, definitions, |definitions| {
            let mut schema = object_schema(&[map.fields], definitions);
            schema["description"] = json!(map.about);
            schema
        }),
        Shape::Tagged(tagged) => by_reference(tagged.name, definitions, |definitions| {
            let options: Vec<Json> = tagged
                .variants
                .iter()
                .map(|variant| {
                    let own = std::slice::from_ref(&variant.field);
                    let mut schema = object_schema(&[own, variant.companions], definitions);
                    schema["description"] = json!(variant.field.about);
                    schema
                })
                .collect();
            json!({"description": tagged.about, "oneOf": options})
        }),
        Shape::Either(options) => {
            let options: Vec<_> =
                options.iter().map(|option| schema_of(option, definitions)).collect();
            json!({ "anyOf": options })
        }
    }
}

fn quantity_schema(dimension: Dimension) -> Json {
    let units: Vec<_> = dimension.units().into_iter().filter(|unit| !unit.is_empty()).collect();
    let bare = matches!(dimension, Dimension::Ratio | Dimension::Count);
    let pattern = format!(
        "^[-+]?[0-9.]+([eE][-+]?[0-9]+)? ?({}){}$",
        units.join("|"),
        if bare { "?" } else { "" }
    );
    let text = json!({"type": "string", "pattern": pattern, "description": dimension.example()});
    if bare { json!({"anyOf": [{"type": "number"}, text]}) } else { text }
}

/// Puts a named schema among the definitions once and refers to it; recursion ends there.
fn by_reference(
    name: &str,
    definitions: &mut JsonMap<String, Json>,
    build: impl FnOnce(&mut JsonMap<String, Json>) -> Json,
) -> Json {
    let key = name.replace(' ', "-");
    if !definitions.contains_key(&key) {
        definitions.insert(key.clone(), Json::Null);
        let schema = build(definitions);
        definitions.insert(key.clone(), schema);
    }
    json!({"$ref": format!("#/$defs/{key}")})
}

fn object_schema(groups: &[&[Field]], definitions: &mut JsonMap<String, Json>) -> Json {
    let mut properties = JsonMap::new();
    let mut required = Vec::new();
    for (group, fields) in groups.iter().enumerate() {
        for field in *fields {
            let mut schema = schema_of(field.shape, definitions);
            if let Some(object) = schema.as_object_mut() {
                object.insert("description".into(), json!(field.about));
            }
            properties.insert(field.name.into(), schema);
            // Of a tagged mapping's two groups the first is the telling key itself.
            if field.required || (groups.len() == 2 && group == 0) {
                required.push(field.name);
            }
        }
    }
    json!({
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::Source;
    use crate::marked;

    static STEP: Shape = Shape::Tagged(&TaggedShape {
        name: "step",
        about: "One thing to do.",
        variants: &[
            Variant {
                field: Field {
                    name: "wait",
                    required: true,
                    shape: &Shape::Quantity(Dimension::Time),
                    about: "Waits.",
                },
                companions: &[],
            },
            Variant {
                field: Field {
                    name: "repeat",
                    required: true,
                    shape: &Shape::Whole { at_least: 1, at_most: 10 },
                    about: "Repeats.",
                },
                companions: &[Field {
                    name: "do",
                    required: true,
                    shape: &Shape::List(&STEP),
                    about: "What to repeat.",
                }],
            },
        ],
    });
    static ROOT: Shape = Shape::Map(&MapShape {
        name: "file",
        about: "A file.",
        fields: &[
            Field { name: "name", required: true, shape: &Shape::Text, about: "Its name." },
            Field { name: "steps", required: true, shape: &Shape::List(&STEP), about: "Steps." },
        ],
    });

    #[track_caller]
    fn check_file(text: &str, expected: &[&str]) {
        let source = Source::new("f", text);
        let node = marked::parse(&source).unwrap();
        let mut faults = Vec::new();
        check(&node, &ROOT, &mut faults);
        let shown: Vec<_> = faults.iter().map(|fault| fault.message.as_str()).collect();
        assert_eq!(shown, expected);
    }

    #[test]
    fn all_faults_of_a_file_at_once() {
        check_file("name: x\nsteps: [{wait: 2 s}, {repeat: 2, do: [{wait: 1 h}]}]\n", &[]);
        check_file(
            "nmae: x\nsteps: [{wait: 2 V}, {repeat: 20, do: [{wiat: 1 s}]}, {wait: 1 s, repeat: 2}]\n",
            &[
                "unknown key 'nmae' in file",
                "'V' is a unit of another kind; wanted a time such as 250 ms",
                "20 is outside 1 to 10",
                "unknown step 'wiat'",
                "one step cannot be both 'wait' and 'repeat'",
                "key 'name' is missing in file",
            ],
        );
        check_file(
            "name:\nsteps: 3\n",
            &["a text is wanted here, not nothing", "a list is wanted here, not '3'"],
        );
        check_file(
            "name: [a]\nsteps: [{repeat: 1.5, do: []}]\n",
            &["a text is wanted here, not a list", "'1.5' is not a whole number"],
        );
    }

    #[test]
    fn the_schema_is_closed_and_recursive() {
        let schema = json_schema("file", &ROOT);
        assert_eq!(schema["$ref"], "#/$defs/file");
        assert_eq!(schema["$defs"]["file"]["additionalProperties"], false);
        assert_eq!(
            schema["$defs"]["step"]["oneOf"][1]["properties"]["do"]["items"]["$ref"],
            "#/$defs/step"
        );
        assert_eq!(schema["$defs"]["step"]["oneOf"][1]["required"], json!(["repeat", "do"]));
    }

    #[test]
    fn whole_numbers_have_multiples() {
        assert_eq!(whole("200 k"), Some(200_000));
        assert_eq!(whole("0x7A11"), Some(0x7A11));
        assert_eq!(whole("-3"), Some(-3));
        assert_eq!(whole("1e300"), None);
    }
}
