//! The JSON Schema of sequence files: that of their grammar, with expressions of parameters in place of any
//! single value.

use beamwarden_drivers::shape::json_schema;
use serde_json::{Value as Json, json};

use super::grammar::SEQUENCE;

/// The JSON Schema (draft 2020-12) of a sequence file.
#[must_use]
pub fn sequence_schema() -> Json {
    let mut schema = json_schema("beamwarden sequence", &SEQUENCE);
    open_to_expressions(&mut schema);
    schema
}

/// Puts an expression beside every single value that is not any text already.
fn open_to_expressions(schema: &mut Json) {
    match schema {
        Json::Array(items) => items.iter_mut().for_each(open_to_expressions),
        Json::Object(object) => {
            for key in ["properties", "$defs"] {
                if let Some(Json::Object(inner)) = object.get_mut(key) {
                    inner.values_mut().for_each(open_to_expressions);
                }
            }
            for key in ["items", "additionalProperties", "anyOf", "oneOf"] {
                if let Some(inner) = object.get_mut(key) {
                    open_to_expressions(inner);
                }
            }
            let single = object.contains_key("enum")
                || object.contains_key("pattern")
                || matches!(object.get("type"), Some(Json::String(kind)) if kind == "integer" || kind == "number");
            if single {
                let about = object.remove("description");
                let alone = Json::Object(std::mem::take(object));
                let mut either = json!({"anyOf": [alone, {"type": "string", "pattern": "^="}]});
                if let (Some(about), Some(either)) = (about, either.as_object_mut()) {
                    either.insert("description".into(), about);
                }
                *schema = either;
            }
        }
        _ => {}
    }
}
