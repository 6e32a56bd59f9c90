//! From the tree of a profile to the checked profile, or to all of its faults.

mod action;
mod asking;
mod setting;

use std::sync::Arc;
use std::time::Duration;

use super::errors::QUEUE_OVERFLOW;
use super::frames;
use super::grammar::PROFILE;
use super::header::{BRACKETS_HELP, WRONG_BRACKETS};
use super::inherit::with_changes;
use super::{
    Completion, ErrorPolicy, ErrorQueue, ErrorRule, Form, Header, Identification, Model, Poll,
    Profile, Query, Reading, RegisterPort, Role, ServiceRequest, Session, StatusBit, TextPort,
};
use crate::decode::{
    check_name, message, pattern, range, slotted, switch, text, text_or_empty, time, whole,
};
use crate::fault::{Fault, Source};
use crate::marked::{Node, NodeKind};
use crate::message::parse_word;
use crate::pattern::Pattern;
use crate::quantity::{Dimension, Quantity};
use crate::shape;
use crate::value::Kind;

use action::decode_action;
use setting::{check_order, decode_setting};

/// Longest time for an exchange when the profile names none.
const TIMEOUT: Duration = Duration::from_secs(5);
/// Silence before the first query when the profile names none.
const QUIET: Duration = Duration::from_millis(20);
/// Time between two polls when the profile names none.
const POLL_EVERY: Duration = Duration::from_millis(50);
/// The completion query of IEEE 488.2, 10.19.
const COMPLETION_QUERY: &str = "*OPC?";

/// Decodes a profile with what differs from model to model.
pub(super) fn decode(root: &Node, files: &[Source], faults: &mut Vec<Fault>) -> Option<Profile> {
    let general = decode_one(root, files, faults)?;
    let models = root.get("models").map(Node::items).unwrap_or_default();
    // What is wrong with all of them is said once.
    if models.is_empty() || !faults.is_empty() {
        return Some(general);
    }
    let decoded = models.iter().map(|node| decode_model(root, node, &general, files, faults));
    let list: Vec<Model> = decoded.collect::<Vec<_>>().into_iter().flatten().collect();
    Some(Profile::of_all_models(general, list))
}

/// What an instrument of one model is driven by: the profile with the changes of the model.
fn decode_model(
    root: &Node,
    node: &Node,
    general: &Profile,
    files: &[Source],
    faults: &mut Vec<Fault>,
) -> Option<Model> {
    let called = text(node, "called")?.to_owned();
    let place = node.get("called")?.span.clone();
    let forms =
        ["maker", "model", "serial", "firmware"].map(|field| text(node, field).map(str::to_owned));
    if forms.iter().all(Option::is_none) {
        let fault = Fault::new(place.clone(), "nothing says by which identity this model is known");
        faults.push(fault.with_help("add model: \"WS-7*\", or maker, serial or firmware"));
    }
    let mut own = Vec::new();
    let merged = with_changes(root, node, &mut own);
    if own.is_empty() {
        shape::check(&merged, PROFILE, &mut own);
    }
    let profile = decode_one(&merged, files, &mut own);
    if let Some(profile) = &profile {
        refuse_other_types(node, general, profile, &mut own);
    }
    let sound = own.is_empty();
    faults.extend(own.into_iter().map(|fault| {
        if node.span.contains(&fault.span.start) {
            return fault;
        }
        let message = format!("with what differs in this model {}", fault.message);
        Fault::new(place.clone(), message)
    }));
    let mut profile = profile.filter(|_| sound)?;
    profile.model = Some(called.clone());
    Some(Model { called, forms, profile: Arc::new(profile) })
}

/// Whoever plans knows the type of a setting before the model is known.
fn refuse_other_types(node: &Node, general: &Profile, own: &Profile, faults: &mut Vec<Fault>) {
    for (key, _) in node.get("settings").map(Node::entries).unwrap_or_default() {
        if let (Some(known), Some(setting)) = (general.setting(&key.text), own.setting(&key.text))
            && !known.form.is_like(&setting.form)
        {
            let message = format!("'{}' is of another type than in other models", key.text);
            let fault = Fault::new(key.span.clone(), message);
            faults.push(fault.with_help("give it another name"));
        }
    }
}

/// Decodes everything, so that every fault is found; `None` when something needed is missing,
/// which the check of the shape has then reported.
fn decode_one(root: &Node, files: &[Source], faults: &mut Vec<Fault>) -> Option<Profile> {
    let completion = root.get("completion").and_then(|node| decode_completion(node, faults));
    let identity = decode_identity(root, faults);
    let session = decode_session(root.get("session"), faults);
    let errors = root.get("errors").and_then(|node| decode_errors(node, faults));
    let timeout = time(root, "timeout", faults).unwrap_or(TIMEOUT);
    let port = match root.get("register frames") {
        Some(node) => frames::decode(root, node, faults).map(RegisterPort::Frames),
        None => root.get("registers").and_then(|node| decode_port(node, faults)),
    };
    let skip = switch(root, "skip when equal");
    let mut settings = Vec::new();
    for (key, node) in root.get("settings").map(Node::entries).unwrap_or_default() {
        check_name(key, faults);
        refuse_completion(node, "overlapped", completion.is_some(), faults);
        settings.extend(decode_setting(&key.text, node, skip, faults));
    }
    check_order(root, faults);
    asking::refuse_mixed_up(root, faults);
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
        actions.push(decode_action(&key.text, node, completion.as_ref(), faults));
    }
    let (own, based_on) = files.split_first()?;
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
        models: None,
        model: None,
        text: own.text.to_string(),
        based_on: based_on.to_vec(),
    })
}

/// A query that answers late, or how a service request is asked for.
fn decode_completion(node: &Node, faults: &mut Vec<Fault>) -> Option<Completion> {
    if node.text().is_some() {
        let text = slotted(node, &[], faults)?.to_string();
        one_query(&text, node, faults);
        return Some(Completion::Query(text));
    }
    let by = text(node, "by")?;
    let others: &[&str] = if by == "query" {
        &["arm", "status", "status bit", "events", "event bit", "every"]
    } else {
        &["query"]
    };
    for key in others {
        refuse_unless(node, key, false, &format!("this has no meaning by {by}"), faults);
    }
    if by == "query" {
        let own = node.get("query").and_then(|_| query(node, "query", faults));
        return Some(Completion::Query(own.unwrap_or_else(|| COMPLETION_QUERY.into())));
    }
    let usual = ServiceRequest::default();
    let bit = |key| whole(node, key).and_then(|bit| u32::try_from(bit).ok());
    let (status_bit, event_bit) = (bit("status bit"), bit("event bit"));
    let mut own = |key, usual| message(node, key, faults).unwrap_or(usual);
    let arm = own("arm", usual.arm);
    Some(Completion::ServiceRequest(ServiceRequest {
        arm,
        status: query(node, "status", faults).unwrap_or(usual.status),
        status_bit: status_bit.unwrap_or(usual.status_bit),
        events: query(node, "events", faults).unwrap_or(usual.events),
        event_bit: event_bit.unwrap_or(usual.event_bit),
        every: time(node, "every", faults).unwrap_or(usual.every),
    }))
}

fn refuse_completion(node: &Node, key: &str, known: bool, faults: &mut Vec<Fault>) {
    if let Some(place) = node.get(key)
        && !known
    {
        let fault = Fault::new(place.span.clone(), "this profile has no completion query");
        faults.push(fault.with_help("add one, such as completion: \"*OPC?\""));
    }
}

/// How the instrument says who it is. Frames of registers ask themselves.
fn decode_identity(root: &Node, faults: &mut Vec<Fault>) -> Option<Identification> {
    let Some(node) = root.get("identity") else {
        if root.get("register frames").is_some() {
            return Some(Identification { query: String::new(), answer: None });
        }
        let span = root.span.start..(root.span.start + 1).min(root.span.end);
        let fault = Fault::new(span, "key 'identity' is missing in profile");
        faults.push(fault.with_help("add identity: {query: \"*IDN?\"}"));
        return None;
    };
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
    let nodes = node.get("classes").map(Node::items).unwrap_or_default();
    let rules = nodes.iter().filter_map(|node| decode_error_rule(node, faults)).collect();
    Some(ErrorQueue { query: query(node, "query", faults)?, none, bound, rules })
}

fn decode_error_rule(node: &Node, faults: &mut Vec<Fault>) -> Option<ErrorRule> {
    let place = node.get("codes")?;
    let read = |text: &str| shape::whole(text).and_then(|code| i32::try_from(code).ok());
    let (lowest, highest) = match place.text() {
        Some(text) => read(text).map(|code| (code, code))?,
        None => range(place, "a number such as -222", read, faults)?,
    };
    let policy = ErrorPolicy::parse(text(node, "mean")?)?;
    if lowest == highest && lowest == QUEUE_OVERFLOW && policy != ErrorPolicy::Instrument {
        let fault = Fault::new(place.span.clone(), "that errors were lost is always a fault");
        faults.push(fault.with_help("leave out -350"));
    }
    Some(ErrorRule { lowest, highest, policy })
}

fn decode_port(node: &Node, faults: &mut Vec<Fault>) -> Option<RegisterPort> {
    let read = pattern(node, "read", &["address"], faults);
    let read_answer = pattern(node, "read answer", &["value"], faults);
    let write = pattern(node, "write", &["address", "value"], faults);
    let write_answer = pattern(node, "write answer", &[], faults);
    let refusal = pattern(node, "refusal", &["code", "text"], faults);
    Some(RegisterPort::Text(TextPort {
        read: read?,
        read_answer: read_answer?,
        write: write?,
        write_answer: write_answer?,
        refusal: refusal?,
    }))
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
    one_query(&text, node.get(key).unwrap_or(node), faults);
    Some(text)
}

fn one_query(text: &str, place: &Node, faults: &mut Vec<Fault>) {
    if text.matches('?').count() > 1 {
        let span = place.span.clone();
        faults.push(Fault::new(span, "a message holds one query").with_help("ask one at a time"));
    }
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
    one_query(&message, node.get("query").unwrap_or(node), faults);
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
