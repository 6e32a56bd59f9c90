//! From the text of a profile to the checked profile, or to all of its faults.

use std::time::Duration;

use super::grammar::PROFILE;
use super::header::{BRACKETS_HELP, WRONG_BRACKETS};
use super::{
    Action, ActionStep, BinaryFormat, Effect, ErrorQueue, Form, Header, Identification, Input,
    Poll, Profile, Query, Reading, RegisterPort, Role, Session, Setting, StatusBit,
};
use crate::decode::{
    check_name, message, pattern, pattern_of, range, slotted, switch, text, text_or_empty, time,
    time_of, whole,
};
use crate::fault::{Fault, Faults, Source};
use crate::marked::{self, Node, NodeKind};
use crate::message::parse_word;
use crate::pattern::Pattern;
use crate::quantity::{Dimension, Quantity};
use crate::shape;
use crate::value::{Kind, Tolerance};

/// Longest time for an exchange when the profile names none.
const TIMEOUT: Duration = Duration::from_secs(5);
/// Silence before the first query when the profile names none.
const QUIET: Duration = Duration::from_millis(20);
/// Time between two polls when the profile names none.
const POLL_EVERY: Duration = Duration::from_millis(50);
/// Slots that every message of an action may use besides its inputs, made from its samples.
const SAMPLE_SLOTS: [&str; 2] = ["points", "values"];

/// Parses and checks a profile.
///
/// # Errors
/// All faults of the file at once, each with its place.
pub fn parse(source: &Source) -> Result<Profile, Faults> {
    let (root, mut faults) = marked::parse(source)?;
    shape::check(&root, PROFILE, &mut faults);
    let profile = decode(&root, source, &mut faults);
    match profile {
        Some(profile) if faults.is_empty() => Ok(profile),
        _ => Err(Faults::new(source.clone(), faults)),
    }
}

/// Decodes everything, so that every fault is found; `None` when something needed is missing,
/// which the check of the shape has then reported.
fn decode(root: &Node, source: &Source, faults: &mut Vec<Fault>) -> Option<Profile> {
    let completion = message(root, "completion", faults);
    let identity = root.get("identity").and_then(|node| decode_identity(node, faults));
    let session = decode_session(root.get("session"), faults);
    let errors = root.get("errors").and_then(|node| decode_errors(node, faults));
    let timeout = time(root, "timeout", faults).unwrap_or(TIMEOUT);
    let port = root.get("registers").and_then(|node| decode_port(node, faults));
    let mut settings = Vec::new();
    for (key, node) in root.get("settings").map(Node::entries).unwrap_or_default() {
        check_name(key, faults);
        refuse_completion(node, "overlapped", completion.is_some(), faults);
        settings.extend(decode_setting(&key.text, node, faults));
    }
    let mut readings = Vec::new();
    for (key, node) in root.get("readings").map(Node::entries).unwrap_or_default() {
        check_name(key, faults);
        if root.get("settings").is_some_and(|settings| settings.get(&key.text).is_some()) {
            let message = format!("'{}' is a setting as well", key.text);
            faults.push(Fault::new(key.span.clone(), message).with_help("give one another name"));
        }
        readings.extend(decode_reading(&key.text, node, faults));
    }
    let mut actions = Vec::new();
    for (key, node) in root.get("actions").map(Node::entries).unwrap_or_default() {
        actions.push(decode_action(&key.text, node, completion.is_some(), faults));
    }
    Some(Profile {
        name: text(root, "profile")?.to_owned(),
        about: text_or_empty(root, "about"),
        role: Role::parse(text(root, "role")?)?,
        identity: identity?,
        session,
        errors,
        completion,
        timeout,
        port,
        settings,
        readings,
        actions,
        text: source.text.to_string(),
    })
}

fn refuse_completion(node: &Node, key: &str, known: bool, faults: &mut Vec<Fault>) {
    if let Some(place) = node.get(key)
        && !known
    {
        let fault = Fault::new(place.span.clone(), "this profile has no completion query");
        faults.push(fault.with_help("add one, such as completion: \"*OPC?\""));
    }
}

fn decode_identity(node: &Node, faults: &mut Vec<Fault>) -> Option<Identification> {
    let slots = ["maker", "model", "serial", "firmware"];
    let answer = pattern(node, "answer", &slots, faults);
    Some(Identification { query: query(node, "query", faults)?, answer })
}

fn decode_session(node: Option<&Node>, faults: &mut Vec<Fault>) -> Session {
    let Some(node) = node else { return Session { quiet: QUIET, clear: None, restart: None } };
    let restart = node.get("restart").and_then(|node| {
        let bit = u32::try_from(whole(node, "bit")?).ok()?;
        Some(StatusBit { query: query(node, "query", faults)?, bit })
    });
    Session {
        quiet: time(node, "quiet", faults).unwrap_or(QUIET),
        clear: message(node, "clear", faults),
        restart,
    }
}

fn decode_errors(node: &Node, faults: &mut Vec<Fault>) -> Option<ErrorQueue> {
    let none = whole(node, "none").and_then(|none| i32::try_from(none).ok()).unwrap_or(0);
    let bound = whole(node, "bound").and_then(|bound| usize::try_from(bound).ok()).unwrap_or(100);
    Some(ErrorQueue { query: query(node, "query", faults)?, none, bound })
}

fn decode_port(node: &Node, faults: &mut Vec<Fault>) -> Option<RegisterPort> {
    let read = pattern(node, "read", &["address"], faults);
    let read_answer = pattern(node, "read answer", &["value"], faults);
    let write = pattern(node, "write", &["address", "value"], faults);
    let write_answer = pattern(node, "write answer", &[], faults);
    let refusal = pattern(node, "refusal", &["code", "text"], faults);
    Some(RegisterPort {
        read: read?,
        read_answer: read_answer?,
        write: write?,
        write_answer: write_answer?,
        refusal: refusal?,
    })
}

/// A message with exactly these slots, in whose header brackets mark the nodes that may be left
/// out. What is sent has every node.
fn headed(
    node: &Node,
    key: &str,
    slots: &[&str],
    faults: &mut Vec<Fault>,
) -> Option<(Pattern, Option<Header>)> {
    let place = node.get(key)?;
    let text = place.text()?;
    let head = text.split(' ').next().unwrap_or_default();
    let header = Header::parse(head);
    if !head.contains(['[', ']']) {
        return Some((slotted(place, slots, faults)?, header));
    }
    let Some(header) = header else {
        let fault = Fault::new(place.span.clone(), WRONG_BRACKETS);
        faults.push(fault.with_help(BRACKETS_HELP));
        return None;
    };
    let full = format!("{}{}", header.full(), &text[head.len()..]);
    let kind = NodeKind::Scalar { text: full, quoted: true };
    let written_out = Node { span: place.span.clone(), kind };
    Some((slotted(&written_out, slots, faults)?, Some(header)))
}

/// A message that holds one query: devices differ in what they do with several.
fn query(node: &Node, key: &str, faults: &mut Vec<Fault>) -> Option<String> {
    let text = message(node, key, faults)?;
    one_query(&text, node, key, faults);
    Some(text)
}

fn one_query(text: &str, node: &Node, key: &str, faults: &mut Vec<Fault>) {
    if text.matches('?').count() > 1 {
        let span = node.get(key).map_or(node.span.clone(), |node| node.span.clone());
        faults.push(Fault::new(span, "a message holds one query").with_help("ask one at a time"));
    }
}

fn decode_setting(name: &str, node: &Node, faults: &mut Vec<Fault>) -> Option<Setting> {
    let form = decode_form(node, faults);
    let set = headed(node, "set", &["value"], faults);
    let query = decode_query(node, faults);
    let tolerance = decode_tolerance(node, form.as_ref(), faults);
    let effect = Effect {
        overlapped: switch(node, "overlapped"),
        poll: node.get("poll").and_then(|node| decode_poll(node, faults)),
        settle: time(node, "settle", faults).unwrap_or_default(),
    };
    let timeout = time(node, "timeout", faults);
    let about = text_or_empty(node, "about");
    let (form, (set, header), query) = (form?, set?, query?);
    Some(Setting { name: name.into(), about, form, set, header, query, tolerance, effect, timeout })
}

fn decode_reading(name: &str, node: &Node, faults: &mut Vec<Fault>) -> Option<Reading> {
    let form = decode_form(node, faults);
    let query = decode_query(node, faults);
    let timeout = time(node, "timeout", faults);
    let about = text_or_empty(node, "about");
    Some(Reading { name: name.into(), about, form: form?, query: query?, timeout })
}

fn decode_query(node: &Node, faults: &mut Vec<Fault>) -> Option<Query> {
    let answer = pattern(node, "answer", &["value"], faults);
    let (message, header) = headed(node, "query", &[], faults)?;
    let message = message.to_string();
    one_query(&message, node, "query", faults);
    Some(Query { message, header, answer })
}

fn decode_poll(node: &Node, faults: &mut Vec<Fault>) -> Option<Poll> {
    let bits = node.get("bits clear")?.items().iter().filter_map(Node::text);
    let clear_mask = bits
        .filter_map(shape::whole)
        .filter(|bit| (0..16).contains(bit))
        .fold(0, |mask, bit| mask | 1 << bit);
    let every = time(node, "every", faults).unwrap_or(POLL_EVERY);
    Some(Poll { query: query(node, "query", faults)?, clear_mask, every })
}

fn decode_form(node: &Node, faults: &mut Vec<Fault>) -> Option<Form> {
    let kind = text(node, "type")?;
    refuse_unless(node, "unit", kind == "number", "only numbers have a unit", faults);
    refuse_unless(node, "words", kind == "word", "only words have spellings", faults);
    let ranged = kind == "number" || kind == "whole";
    refuse_unless(node, "range", ranged, "only numbers have a range", faults);
    let mut form = Form { kind: Kind::Switch, scale: 1.0, mnemonics: Vec::new() };
    match kind {
        "number" => {
            let (dimension, scale) = unit(node, faults)?;
            form.scale = scale;
            let read = |end: &str| Some(Quantity::parse(end, dimension).ok()?.value);
            let ends = node.get("range").map(|node| range(node, dimension.example(), read, faults));
            form.kind = match ends {
                None => Kind::any_number(dimension),
                Some(ends) => {
                    let (at_least, at_most) = ends?;
                    Kind::Number { dimension, at_least, at_most }
                }
            };
        }
        "whole" => {
            let read = |end: &str| shape::whole(end);
            let ends = node.get("range").map(|node| range(node, "a whole number", read, faults));
            form.kind = match ends {
                None => Kind::any_whole(),
                Some(ends) => {
                    let (at_least, at_most) = ends?;
                    Kind::Whole { at_least, at_most }
                }
            };
        }
        "word" => {
            let (words, mnemonics) = decode_words(node, faults)?;
            form.kind = Kind::Word(words);
            form.mnemonics = mnemonics;
        }
        _ => {}
    }
    Some(form)
}

fn refuse_unless(node: &Node, key: &str, allowed: bool, why: &str, faults: &mut Vec<Fault>) {
    if let Some(place) = node.get(key)
        && !allowed
    {
        faults.push(Fault::new(place.span.clone(), why));
    }
}

/// The dimension of the unit and the base units in one of it; a number without unit is a ratio.
pub(crate) fn unit(node: &Node, faults: &mut Vec<Fault>) -> Option<(Dimension, f64)> {
    let Some(place) = node.get("unit") else { return Some((Dimension::Ratio, 1.0)) };
    let unit = place.text()?;
    let one = Dimension::of_unit(unit)
        .and_then(|dimension| Quantity::parse(&format!("1 {unit}"), dimension).ok());
    match one {
        Some(one) => Some((one.dimension, one.value)),
        None => {
            faults.push(Fault::new(place.span.clone(), format!("'{unit}' is not a known unit")));
            None
        }
    }
}

fn decode_words(node: &Node, faults: &mut Vec<Fault>) -> Option<(Vec<String>, Vec<String>)> {
    let Some(table) = node.get("words").filter(|table| !table.entries().is_empty()) else {
        let fault = Fault::new(node.span.start..node.span.start + 1, "the words are missing here");
        faults.push(fault.with_help("add words: {immediate: IMMediate, external: EXTernal}"));
        return None;
    };
    let mut words = Vec::new();
    let mut mnemonics = Vec::new();
    for (key, spelling) in table.entries() {
        let Some(text) = spelling.text() else { continue };
        if parse_word(text.as_bytes()).is_err() {
            let message = format!("'{text}' is not a word of up to 12 letters, digits and '_'");
            faults.push(Fault::new(spelling.span.clone(), message));
        }
        words.push(key.text.clone());
        mnemonics.push(text.to_owned());
    }
    Some((words, mnemonics))
}

fn decode_tolerance(node: &Node, form: Option<&Form>, faults: &mut Vec<Fault>) -> Tolerance {
    let Some(node) = node.get("tolerance") else { return Tolerance::ROUNDED_TEXT };
    let mut tolerance = Tolerance { absolute: 0.0, relative: 0.0 };
    let ratio = |text| Quantity::parse(text, Dimension::Ratio).ok();
    if let Some(relative) = text(node, "relative").and_then(ratio) {
        tolerance.relative = relative.value.abs();
    }
    if let (Some(place), Some(form)) = (node.get("absolute"), form) {
        let Kind::Number { dimension, .. } = form.kind else {
            faults.push(Fault::new(place.span.clone(), "only numbers have a tolerance"));
            return tolerance;
        };
        match place.text().map(|text| Quantity::parse(text, dimension)) {
            Some(Ok(absolute)) => tolerance.absolute = absolute.value.abs(),
            Some(Err(error)) => {
                faults.push(Fault::new(place.span.clone(), error.to_string()));
            }
            None => {}
        }
    }
    tolerance
}

fn decode_action(name: &str, node: &Node, completes: bool, faults: &mut Vec<Fault>) -> Action {
    let takes: Vec<(String, Input)> = node
        .get("takes")
        .map(Node::entries)
        .unwrap_or_default()
        .iter()
        .map(|(key, node)| {
            let input = match node.text() {
                Some("iq samples") => Input::IqSamples,
                Some(_) => Input::Word,
                None => Input::OneOf(
                    node.items().iter().filter_map(Node::text).map(str::to_owned).collect(),
                ),
            };
            (key.text.clone(), input)
        })
        .collect();
    let mut steps = |key: &str| -> Vec<ActionStep> {
        let nodes = node.get(key).map(Node::items).unwrap_or_default();
        nodes.iter().filter_map(|node| decode_step(node, &takes, completes, faults)).collect()
    };
    let (plan, if_it_fails) = (steps("steps"), steps("if it fails"));
    let about = text_or_empty(node, "about");
    Action { name: name.into(), about, takes, steps: plan, if_it_fails }
}

fn decode_step(
    node: &Node,
    takes: &[(String, Input)],
    completes: bool,
    faults: &mut Vec<Fault>,
) -> Option<ActionStep> {
    refuse_completion(node, "complete", completes, faults);
    let format = |node| text(node, "format").and_then(BinaryFormat::parse);
    if let Some(place) = node.get("send") {
        return step_pattern(place, takes, faults).map(ActionStep::Send);
    }
    if let Some(place) = node.get("send block") {
        let message = step_pattern(place, takes, faults);
        let from = text(node, "from")?;
        if !takes.iter().any(|(name, input)| name == from && *input == Input::IqSamples) {
            let span = node.get("from").map_or(node.span.clone(), |node| node.span.clone());
            let fault = Fault::new(span, format!("'{from}' is no input with samples"));
            faults.push(fault.with_help(format!("add takes: {{{from}: iq samples}}")));
        }
        let (message, format) = (message?, format(node)?);
        return Some(ActionStep::SendBlock { message, from: from.into(), format });
    }
    if let Some(place) = node.get("ask") {
        let message = step_pattern(place, takes, faults);
        let answer = node.get("answer").and_then(|place| pattern_of(place, faults));
        return Some(ActionStep::Ask { message: message?, answer: answer? });
    }
    if let Some(place) = node.get("fetch block") {
        let message = step_pattern(place, takes, faults);
        let timeout = time(node, "timeout", faults);
        return Some(ActionStep::FetchBlock { message: message?, format: format(node)?, timeout });
    }
    if let Some(place) = node.get("complete") {
        return time_of(place, faults).map(ActionStep::Complete);
    }
    if let Some(place) = node.get("poll") {
        let poll = decode_poll(place, faults);
        let longest = time(node, "timeout", faults).unwrap_or(TIMEOUT);
        return Some(ActionStep::Poll(poll?, longest));
    }
    time_of(node.get("wait")?, faults).map(ActionStep::Wait)
}

/// A message of an action: its slots must be inputs, or made from samples where there are some.
fn step_pattern(
    place: &Node,
    takes: &[(String, Input)],
    faults: &mut Vec<Fault>,
) -> Option<Pattern> {
    let pattern = pattern_of(place, faults)?;
    let samples = takes.iter().any(|(_, input)| *input == Input::IqSamples);
    let mut known: Vec<&str> = takes
        .iter()
        .filter(|(_, input)| *input != Input::IqSamples)
        .map(|(name, _)| name.as_str())
        .collect();
    known.extend(SAMPLE_SLOTS.iter().filter(|_| samples));
    for slot in pattern.slots().filter(|slot| !known.contains(slot)) {
        let fault = Fault::new(place.span.clone(), format!("nothing fills '{{{slot}}}' here"));
        faults.push(fault.with_help(shape::suggestion(slot, &known)));
    }
    Some(pattern)
}
