//! Actions of a profile and their steps.

use super::super::{Action, ActionStep, BinaryFormat, Completion, Input, ServiceRequest};
use super::{COMPLETION_QUERY, TIMEOUT, decode_poll, refuse_completion, refuse_unless};
use crate::decode::{pattern_of, text, text_or_empty, time, time_of};
use crate::fault::Fault;
use crate::marked::Node;
use crate::pattern::Pattern;
use crate::shape;

/// Slots that every message of an action may use besides its inputs, made from its samples.
const SAMPLE_SLOTS: [&str; 2] = ["points", "values"];

/// One action.
pub(super) fn decode_action(
    name: &str,
    node: &Node,
    completion: Option<&Completion>,
    faults: &mut Vec<Fault>,
) -> Action {
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
        nodes.iter().filter_map(|node| decode_step(node, &takes, completion, faults)).collect()
    };
    let (plan, if_it_fails) = (steps("steps"), steps("if it fails"));
    let about = text_or_empty(node, "about");
    let numbers = node.get("numbers").map(Node::entries).unwrap_or_default().iter();
    let number = |node: &Node| node.text().and_then(shape::number);
    let numbers =
        numbers.filter_map(|(key, node)| Some((key.text.clone(), number(node)?))).collect();
    Action { name: name.into(), about, takes, numbers, steps: plan, if_it_fails }
}

fn decode_step(
    node: &Node,
    takes: &[(String, Input)],
    completion: Option<&Completion>,
    faults: &mut Vec<Fault>,
) -> Option<ActionStep> {
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
        let why = "only floats have a full scale";
        refuse_unless(node, "full scale", format.is_float(), why, faults);
        let full_scale = text(node, "full scale").and_then(shape::number).unwrap_or(1.0);
        return Some(ActionStep::SendBlock { message, from: from.into(), format, full_scale });
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
        return decode_complete(node, place, completion, faults);
    }
    if let Some(place) = node.get("poll") {
        let poll = decode_poll(place, faults);
        let longest = time(node, "timeout", faults).unwrap_or(TIMEOUT);
        return Some(ActionStep::Poll(poll?, longest));
    }
    time_of(node.get("wait")?, faults).map(ActionStep::Wait)
}

/// Waits for completion in the profile's way, or in the step's own.
fn decode_complete(
    step: &Node,
    place: &Node,
    completion: Option<&Completion>,
    faults: &mut Vec<Fault>,
) -> Option<ActionStep> {
    let Some(by) = place.get("by").and_then(Node::text) else {
        refuse_completion(step, "complete", completion.is_some(), faults);
        return Some(ActionStep::Complete(time_of(place, faults)?, completion?.clone()));
    };
    let within = time(place, "within", faults)?;
    let way = match (by, completion) {
        ("query", Some(way @ Completion::Query(_)))
        | ("service request", Some(way @ Completion::ServiceRequest(_))) => way.clone(),
        ("query", _) => Completion::Query(COMPLETION_QUERY.into()),
        _ => Completion::ServiceRequest(ServiceRequest::default()),
    };
    Some(ActionStep::Complete(within, way))
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
