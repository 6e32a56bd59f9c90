//! JSON Schemas of file grammars, for editors and independent validators.
//!
//! Knows shapes; nothing of what their fields mean.

use serde_json::{Map as JsonMap, Value as Json, json};

use super::{ABSENT, Field, Shape};
use crate::quantity::Dimension;

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

pub(crate) fn schema_of(shape: &Shape, definitions: &mut JsonMap<String, Json>) -> Json {
    match shape {
        Shape::Text => json!({"type": ["string", "number", "boolean"]}),
        Shape::Scalar => json!({"type": ["string", "number", "boolean"]}),
        Shape::Word(words) => json!({"enum": words}),
        Shape::Switch => json!({"enum": ["on", "off", true, false]}),
        Shape::Whole { at_least, at_most } => json!({"anyOf": [
            {"type": "integer", "minimum": at_least, "maximum": at_most},
            {"type": "string", "pattern": "^([0-9.]+ ?[kMG]|0x[0-9a-fA-F]+)$"},
        ]}),
        Shape::Number => quantity_schema(Dimension::Ratio),
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
        Shape::Change(whole) => change_schema(whole, definitions),
    }
}

/// Of a mapping any of its keys, each whole or absent; of anything else the whole, or absent.
fn change_schema(whole: &'static Shape, definitions: &mut JsonMap<String, Json>) -> Json {
    let schema = match whole {
        Shape::Map(map) => {
            let name = format!("{} change", map.name);
            by_reference(&name, definitions, |definitions| {
                let mut properties = JsonMap::new();
                for field in map.fields {
                    let whole = schema_of(field.shape, definitions);
                    let about = field.about;
                    let value = json!({"anyOf": [whole, {"const": ABSENT}], "description": about});
                    properties.insert(field.name.into(), value);
                }
                json!({
                    "type": "object",
                    "description": map.about,
                    "properties": properties,
                    "additionalProperties": false,
                })
            })
        }
        whole => schema_of(whole, definitions),
    };
    json!({"anyOf": [schema, {"const": ABSENT}]})
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
