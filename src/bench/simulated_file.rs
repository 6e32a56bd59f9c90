//! Files of the simulated bench, read like all other files of the user: every fault at once, underlined.
//!
//! Checks a tree against a JSON Schema as the simulator prints it, and finds the places of what it says
//! of values. Knows neither keys nor meanings.

use std::ops::Range;

use beamwarden_drivers::fault::{Fault, Faults, Source, nearest};
use beamwarden_drivers::marked::{self, Node, NodeKind};
use beamwarden_drivers::shape::suggestion;
use serde_json::Value as Json;

/// What the simulator says of a file that it refuses.
pub(super) enum Refused {
    /// It cannot be read.
    Syntax(String),
    /// What is wrong with its values.
    Values(Vec<String>),
}

/// Reads a file: what does not fit the schema, or else what the simulator says of its values.
///
/// `key_of` finds in a message about a value the path of keys and list places that it is about.
pub(super) fn read<T>(
    source: &Source,
    schema: &Json,
    key_of: &dyn Fn(&str) -> Vec<String>,
    read: impl FnOnce() -> Result<T, Refused>,
) -> Result<T, Faults> {
    let (root, mut faults) = marked::parse(source)?;
    let checker = Checker { root: schema };
    // An empty file says nothing, and that may be.
    if !root.is_empty_value() {
        checker.check(&root, schema, "", &mut faults);
    }
    match read() {
        Ok(value) if faults.is_empty() => return Ok(value),
        Ok(_) => {}
        // What does not fit its key is told already, and better.
        Err(Refused::Syntax(message)) => {
            if faults.is_empty() {
                let at = told_place(&source.text, &message);
                faults.push(Fault::new(at..at, message));
            }
        }
        Err(Refused::Values(messages)) => {
            let fault = |message: String| Fault::new(place(&root, &key_of(&message)), message);
            faults.extend(messages.into_iter().map(fault));
        }
    }
    Err(Faults::new(source.clone(), faults))
}

/// Where a message says that it stands: `... at line 3 column 7`; the beginning without.
fn told_place(text: &str, message: &str) -> usize {
    let place = message.rsplit_once(" at line ").and_then(|(_, place)| {
        let (line, column) = place.split_once(" column ")?;
        Some((line.parse::<usize>().ok()?, column.parse::<usize>().ok()?))
    });
    let Some((line, column)) = place else { return 0 };
    let before: usize = text.split_inclusive('\n').take(line.saturating_sub(1)).map(str::len).sum();
    before + column.saturating_sub(1)
}

/// Where a path leads to, as far as it goes; of a block only its beginning.
fn place(root: &Node, path: &[String]) -> Range<usize> {
    let mut node = root;
    for part in path {
        let next = match &node.kind {
            NodeKind::List(items) => part.parse().ok().and_then(|n: usize| items.get(n)),
            _ => node.get(part),
        };
        let Some(next) = next else { break };
        node = next;
    }
    beginning(node)
}

fn beginning(node: &Node) -> Range<usize> {
    match node.kind {
        NodeKind::Map(_) => node.span.start..(node.span.start + 1).min(node.span.end),
        _ => node.span.clone(),
    }
}

struct Checker<'a> {
    root: &'a Json,
}

impl<'a> Checker<'a> {
    /// The schema that stands behind a reference, and of several the one that is no nothing.
    fn resolved(&self, schema: &'a Json) -> &'a Json {
        let reference = schema.get("$ref").and_then(Json::as_str);
        let name = reference.and_then(|whole| whole.strip_prefix("#/$defs/"));
        if let Some(named) = name.and_then(|name| self.root.get("$defs")?.get(name)) {
            return self.resolved(named);
        }
        let several = schema.get("anyOf").and_then(Json::as_array);
        let only = several.and_then(|all| {
            let mut own = all.iter().filter(|one| !is_nothing(one));
            own.next().filter(|_| own.next().is_none())
        });
        only.map_or(schema, |only| self.resolved(only))
    }

    fn check(&self, node: &Node, schema: &'a Json, key: &str, faults: &mut Vec<Fault>) {
        let several = schema.get("anyOf").and_then(Json::as_array);
        let may_be_nothing = several.is_some_and(|all| all.iter().any(is_nothing));
        if may_be_nothing && node.is_empty_value() {
            return;
        }
        let schema = self.resolved(schema);
        if let Some(several) = schema.get("anyOf").and_then(Json::as_array) {
            let tries = several.iter().map(|one| {
                let mut own = Vec::new();
                self.check(node, one, key, &mut own);
                own
            });
            // Of what could stand there, that which fits best says what is wrong.
            faults.extend(tries.min_by_key(Vec::len).unwrap_or_default());
            return;
        }
        if let Some(words) = schema.get("enum").and_then(Json::as_array) {
            let words: Vec<&str> = words.iter().filter_map(Json::as_str).collect();
            return check_word(node, &words, faults);
        }
        let types = types_of(schema);
        if node.is_empty_value() && types.contains(&"null") {
            return;
        }
        match types.first() {
            Some(&"object") => self.check_map(node, schema, faults),
            Some(&"array") => self.check_list(node, schema, key, faults),
            Some(&"string") if node.text().is_some() && !node.is_empty_value() => {}
            Some(&"string") => wrong_kind(node, "a text", None, faults),
            Some(&"boolean") if !is_plain(node, &["true", "false"]) => {
                wrong_kind(node, "true or false", None, faults);
            }
            Some(&"integer") => check_whole(node, schema, faults),
            Some(&"number") => check_number(node, key, faults),
            _ => {}
        }
    }

    fn check_map(&self, node: &Node, schema: &'a Json, faults: &mut Vec<Fault>) {
        let fields = schema.get("properties").and_then(Json::as_object);
        let (NodeKind::Map(entries), Some(fields)) = (&node.kind, fields) else {
            let first = fields.and_then(|fields| fields.keys().next());
            let help = first.map(|key| format!("such as {{{key}: …}}"));
            return wrong_kind(node, "a mapping from keys to values", help, faults);
        };
        for (key, value) in entries {
            if let Some(own) = fields.get(&key.text) {
                self.check(value, own, &key.text, faults);
                continue;
            }
            let known: Vec<&str> = fields.keys().map(String::as_str).collect();
            let fault = Fault::new(key.span.clone(), format!("unknown key '{}'", key.text));
            faults.push(fault.with_help(suggestion(&key.text, &known)));
        }
        let required = schema.get("required").and_then(Json::as_array).into_iter().flatten();
        for key in required.filter_map(Json::as_str) {
            if node.get(key).is_none() {
                let fault = Fault::new(beginning(node), format!("key '{key}' is missing here"));
                let about = fields.get(key).and_then(|own| own.get("description")?.as_str());
                faults.push(match about {
                    Some(about) => fault.with_help(about),
                    None => fault,
                });
            }
        }
    }

    fn check_list(&self, node: &Node, schema: &'a Json, key: &str, faults: &mut Vec<Fault>) {
        let NodeKind::List(items) = &node.kind else {
            let help = node.text().filter(|text| !text.is_empty());
            let help = help.map(|text| format!("write [{text}]"));
            return wrong_kind(node, "a list", help, faults);
        };
        let bound = |name: &str| schema.get(name).and_then(Json::as_u64);
        let count = items.len() as u64;
        let (least, most) = (bound("minItems").unwrap_or(0), bound("maxItems").unwrap_or(u64::MAX));
        if !(least..=most).contains(&count) {
            let message = format!("{least} values are wanted here, not {count}");
            faults.push(Fault::new(node.span.clone(), message));
        }
        if let Some(schema) = schema.get("items") {
            items.iter().for_each(|item| self.check(item, schema, key, faults));
        }
    }
}

fn is_nothing(schema: &Json) -> bool {
    schema.get("type").and_then(Json::as_str) == Some("null")
}

/// The types that may stand there, "null" last.
fn types_of(schema: &Json) -> Vec<&str> {
    match schema.get("type") {
        Some(Json::String(one)) => vec![one],
        Some(Json::Array(several)) => {
            let mut names: Vec<&str> = several.iter().filter_map(Json::as_str).collect();
            names.sort_by_key(|name| *name == "null");
            names
        }
        _ => Vec::new(),
    }
}

fn is_plain(node: &Node, words: &[&str]) -> bool {
    matches!(&node.kind, NodeKind::Scalar { text, quoted: false } if words.contains(&&**text))
}

fn wrong_kind(node: &Node, wanted: &str, help: Option<String>, faults: &mut Vec<Fault>) {
    let message = format!("{wanted} is wanted here, not {}", node.describe());
    let fault = Fault::new(beginning(node), message);
    faults.push(match help {
        Some(help) => fault.with_help(help),
        None => fault,
    });
}

fn check_word(node: &Node, words: &[&str], faults: &mut Vec<Fault>) {
    let Some(text) = node.text().filter(|_| !node.is_empty_value()) else {
        return wrong_kind(
            node,
            "a word",
            Some(format!("known here: {}", words.join(", "))),
            faults,
        );
    };
    if words.contains(&text) {
        return;
    }
    let known = format!("known here: {}", words.join(", "));
    let help = match nearest(text, words.iter().copied()) {
        Some(near) => format!("did you mean '{near}'? {known}"),
        None => known,
    };
    // What the simulator says of the same word is the same once more.
    let fault = Fault::new(node.span.clone(), format!("'{text}' is not known here"));
    faults.push(fault.with_help(help).instead_of_others());
}

fn check_whole(node: &Node, schema: &Json, faults: &mut Vec<Fault>) {
    let value = match &node.kind {
        NodeKind::Scalar { text, quoted: false } => text.parse::<i128>().ok(),
        _ => None,
    };
    let Some(value) = value else {
        let help = "write it with digits alone, without unit or point".to_owned();
        return wrong_kind(node, "a whole number", Some(help), faults);
    };
    let bound = |name: &str| schema.get(name).and_then(Json::as_i64).map(i128::from);
    if let Some(least) = bound("minimum").filter(|least| value < *least) {
        let message = format!("{value} is too small; at least {least} is wanted");
        faults.push(Fault::new(node.span.clone(), message));
    }
    if let Some(most) = bound("maximum").filter(|most| value > *most) {
        let message = format!("{value} is too large; at most {most} is wanted");
        faults.push(Fault::new(node.span.clone(), message));
    }
}

fn check_number(node: &Node, key: &str, faults: &mut Vec<Fault>) {
    let NodeKind::Scalar { text, quoted } = &node.kind else {
        return wrong_kind(node, "a number", None, faults);
    };
    let special = [".nan", ".inf", "-.inf", "+.inf"].contains(&text.to_lowercase().as_str());
    let digits = text.contains(|c: char| c.is_ascii_digit());
    if !quoted && (special || (digits && text.parse::<f64>().is_ok())) {
        return;
    }
    let help = match unit_of(key) {
        Some(unit) => format!("give a plain number in {unit}, as the end of the key says"),
        None => "give a plain number, such as 0.25 or 1.0e-9".to_owned(),
    };
    wrong_kind(node, "a number", Some(help), faults);
}

/// Ends of keys, and the units that they stand for; a longer end comes before a shorter one.
const UNITS: &[(&str, &str)] = &[
    ("_deg_per_k", "deg/K"),
    ("_deg_per_s", "deg/s"),
    ("_db_per_k", "dB/K"),
    ("_ppm_per_k", "ppm/K"),
    ("_c_per_w", "degC/W"),
    ("_v_per_s", "V/s"),
    ("_dbc_per_hz", "dBc/Hz"),
    ("_s_per_point", "s per point"),
    ("_per_k", "1/K"),
    ("_per_hour", "events or units an hour"),
    ("_wavelengths", "wavelengths"),
    ("_g_m3", "g/m^3"),
    ("_hpa", "hPa"),
    ("_dbm", "dBm"),
    ("_dbv", "dBV"),
    ("_dbi", "dBi"),
    ("_db", "dB"),
    ("_hz", "Hz"),
    ("_deg", "deg"),
    ("_ppm", "ppm"),
    ("_m", "m"),
    ("_s", "s"),
    ("_v", "V"),
    ("_a", "A"),
    ("_c", "degC"),
    ("_of_range", "shares of the range"),
    ("_share", "shares of 1"),
];

fn unit_of(key: &str) -> Option<&'static str> {
    UNITS.iter().find(|(end, _)| key.ends_with(end)).map(|(_, unit)| *unit)
}

#[cfg(test)]
mod tests;
