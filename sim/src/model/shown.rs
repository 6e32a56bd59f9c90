//! What a person needs to write a model: every key with its meaning and default, and the schema.
//!
//! Both come from the structures themselves, so that they cannot lag behind them.

use serde_json::Value as Json;
use serde_yaml::Value as Yaml;

use super::{Model, ModelError};
use crate::number::engineering;

/// What stands for a key whose default is nothing: a sound value, as YAML on one line.
const EXAMPLES: &[(&str, &str)] = &[
    ("path.gas", "{pressure_hpa: 1013.25, temperature_c: 15, vapour_g_m3: 7.5}"),
    ("path.reflections", "[{departure_deg: 25, arrival_deg: -30, extra_m: 0.8, loss_db: 8}]"),
    ("path.blockages", "[{begin_s: 60, duration_s: 2, ramp_s: 0.2, loss_db: [20, 0]}]"),
    (
        "path.random_blockage",
        "{interval_s: 600, duration_s: [0.5, 2], ramp_s: 0.1, loss_db: [20, 0]}",
    ),
    (
        "array.positions_wavelengths",
        "[[-1.75, 0], [-1.25, 0], [-0.75, 0], [-0.25, 0], [0.25, 0], [0.75, 0], [1.25, 0], [1.75, 0]]",
    ),
    ("array.gain_errors_db", "[0.4, -0.7, 0, 1.1, -0.3, 0.2, -1.4, 0.6]"),
    ("array.phase_errors_deg", "[0, 14, -22, 9, 31, -17, 5, -8]"),
    ("array.dead_elements", "[3]"),
    ("array.drift.phase_deg_per_k", "[0.1, -0.2, 0, 0.3, 0, 0.1, -0.1, 0]"),
    ("tx.carrier_leakage_dbv", "-40"),
    (
        "tx.compression",
        "{smoothness: 2, saturation_dbm: 22, am_pm: {alpha_deg: 5, beta: 0.5, q1: 2, q2: 2}}",
    ),
    (
        "phase_noise",
        "{rms_deg: 1.5, loop_hz: 1.0e+6, band_hz: [10.0e+3, 100.0e+6], floor_dbc_per_hz: -130}",
    ),
    ("rx.output_saturation", "{volts: 1.5, smoothness: 4}"),
    ("chips.lock_most_c", "95"),
    ("bandwidth_hz", "3.0e+9"),
];

/// Most characters of a line of explanation.
const WIDTH: usize = 96;

/// A number as YAML that programs of version 1.1 read as a number too: `62.64e+9`.
fn number(value: f64) -> String {
    let shown = engineering(value);
    let Some((mantissa, exponent)) = shown.split_once('e') else { return shown };
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let sign = if exponent.starts_with('-') { "" } else { "+" };
    format!("{mantissa}{point}e{sign}{exponent}")
}

/// A value on one line.
fn flow(value: &Yaml) -> String {
    match value {
        Yaml::Number(n) if n.is_f64() => number(n.as_f64().unwrap_or(0.0)),
        Yaml::Number(n) => n.to_string(),
        Yaml::Bool(on) => on.to_string(),
        Yaml::Sequence(items) => {
            format!("[{}]", items.iter().map(flow).collect::<Vec<_>>().join(", "))
        }
        Yaml::String(text) => text.clone(),
        // Mappings are blocks, and what is nothing is shown by its example.
        _ => String::new(),
    }
}

fn is_left_out(value: &Yaml) -> bool {
    value.is_null() || value.as_sequence().is_some_and(Vec::is_empty)
}

fn example(path: &str) -> Option<&'static str> {
    let ends = |of: &&(&str, &str)| {
        path.strip_suffix(of.0).is_some_and(|rest| rest.is_empty() || rest.ends_with('.'))
    };
    EXAMPLES.iter().find(ends).map(|(_, shown)| *shown)
}

/// The schema that another one refers to, or itself.
fn resolved<'a>(schema: &'a Json, root: &'a Json) -> &'a Json {
    let reference = schema.get("$ref").and_then(Json::as_str);
    let name = reference.and_then(|whole| whole.strip_prefix("#/$defs/"));
    name.and_then(|name| root.get("$defs")?.get(name)).unwrap_or(schema)
}

/// Lines of explanation.
fn explain(schema: Option<&Json>, indent: usize, out: &mut String) {
    let Some(about) = schema.and_then(|s| s.get("description")).and_then(Json::as_str) else {
        return;
    };
    let mut line = String::new();
    for word in about.split_whitespace() {
        if !line.is_empty() && indent + 3 + line.len() + word.len() > WIDTH {
            out.push_str(&format!("{:indent$}# {line}\n", ""));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    out.push_str(&format!("{:indent$}# {line}\n", ""));
}

/// Writes a mapping, each key after what it means.
fn write(
    value: &Yaml,
    schema: &Json,
    root: &Json,
    (path, indent): (&str, usize),
    out: &mut String,
) {
    // What a receiver's array can do is explained at the transmitter's.
    let silent = path.starts_with("rx.array");
    for (key, value) in value.as_mapping().into_iter().flatten() {
        let Some(key) = key.as_str() else { continue };
        let inner = format!("{path}{}{key}", if path.is_empty() { "" } else { "." });
        let own = schema.get("properties").and_then(|all| all.get(key));
        if !silent {
            explain(own, indent, out);
        }
        if is_left_out(value) {
            let shown = example(&inner).unwrap_or("");
            out.push_str(&format!("{:indent$}#{key}: {shown}\n", ""));
        } else if value.is_mapping() {
            out.push_str(&format!("{:indent$}{key}:\n", ""));
            let schema = own.map_or(schema, |own| resolved(own, root));
            write(value, schema, root, (&inner, indent + 2), out);
        } else {
            out.push_str(&format!("{:indent$}{key}: {}\n", "", flow(value)));
        }
    }
}

/// What rustdoc and serde have beyond what an editor needs: links and line breaks, whole defaults.
fn tidy(schema: &mut Json) {
    match schema {
        Json::Object(fields) => {
            if let Some(Json::String(about)) = fields.get_mut("description") {
                *about = about.split_whitespace().collect::<Vec<_>>().join(" ").replace('`', "");
            }
            fields.remove("format");
            fields.retain(|key, value| key != "default" || !(value.is_object() || value.is_null()));
            fields.values_mut().for_each(tidy);
        }
        Json::Array(items) => items.iter_mut().for_each(tidy),
        _ => {}
    }
}

impl Model {
    /// The JSON Schema (draft 2020-12) of a model file. What it does not tell: the ranges of numbers,
    /// which [`Model::check`] knows.
    pub fn json_schema() -> Json {
        let mut schema = schemars::schema_for!(Self).to_value();
        tidy(&mut schema);
        schema["title"] = "beamwarden model".into();
        schema
    }

    /// The model as a file for a person: every key with its meaning; what is left out is there as an
    /// example behind a `#`.
    ///
    /// # Errors
    /// When it cannot be simulated.
    pub fn explained(&self) -> Result<String, ModelError> {
        self.check()?;
        let value =
            serde_yaml::to_value(self).map_err(|error| ModelError::Syntax(error.to_string()))?;
        let schema = Self::json_schema();
        let mut out = String::from(
            "# A model of the simulated bench. Every key may be left out, and then is as it stands here.\n\
             # Numbers are plain, in the unit that the key's name or its explanation tells; elements count\n\
             # from 0. What begins with # and a key is left out here: take the # away to have the example.\n\n",
        );
        write(&value, &schema, &schema, ("", 0), &mut out);
        Ok(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text() -> String {
        Model::default().explained().expect("a sound model")
    }

    #[test]
    fn the_explained_default_reads_back() {
        assert_eq!(Model::from_yaml(&text()), Ok(Model::default()));
    }

    /// Every value at its end: the keys of the mappings on the way to it.
    fn left_out(value: &Yaml, path: &str, found: &mut Vec<String>) {
        for (key, value) in value.as_mapping().into_iter().flatten() {
            let path = format!("{path}.{}", key.as_str().expect("a key is text"));
            if is_left_out(value) {
                found.push(path.clone());
            }
            left_out(value, &path, found);
        }
    }

    #[test]
    fn every_example_reads_and_none_is_missing() {
        let taken = |line: &str| {
            let at = line.find('#').filter(|at| line[..*at].trim().is_empty());
            match at {
                Some(at) if !line[at + 1..].starts_with([' ', '\n']) => {
                    format!("{}{}", &line[..at], &line[at + 1..])
                }
                _ => line.to_owned(),
            }
        };
        let text: Vec<String> = text().lines().map(taken).collect();
        let model = Model::from_yaml(&text.join("\n")).unwrap_or_else(|e| panic!("{e}"));
        let mut found = Vec::new();
        left_out(&serde_yaml::to_value(&model).expect("plain data"), "", &mut found);
        assert_eq!(found, Vec::<String>::new());
    }

    #[test]
    fn every_key_is_explained_in_the_schema() {
        let schema = Model::json_schema();
        let nested = schema["$defs"].as_object().expect("definitions").values();
        let mut keys = 0;
        for of in nested.chain([&schema]) {
            for (key, own) in of["properties"].as_object().into_iter().flatten() {
                assert!(own["description"].is_string(), "{key}: {own}");
                keys += 1;
            }
            if of.get("properties").is_some() {
                assert_eq!(of["additionalProperties"], false, "{of}");
            }
        }
        assert!(keys > 100, "{keys}");
    }
}
