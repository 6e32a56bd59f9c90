//! What asks must be a query, and what only sends must not be one: a query without its `?` is waited
//! for in vain, and an answer that nobody reads is taken for the next one's.
//!
//! Holds for instruments that keep to IEEE 488.2, which show it by their identity query. Others may
//! ask with any text.

use crate::fault::Fault;
use crate::marked::Node;

/// Refuses both in all messages of settings, readings and actions.
pub(super) fn refuse_mixed_up(root: &Node, faults: &mut Vec<Fault>) {
    let identity = root.get("identity").and_then(|node| node.get("query")).and_then(Node::text);
    if !identity.is_some_and(|query| query.ends_with('?')) {
        return;
    }
    for part in ["settings", "readings"] {
        for (_, node) in root.get(part).map(Node::entries).unwrap_or_default() {
            asks(node.get("query"), faults);
            sends(node.get("set"), faults);
            asks(node.get("poll").and_then(|poll| poll.get("query")), faults);
        }
    }
    for (_, action) in root.get("actions").map(Node::entries).unwrap_or_default() {
        let steps = ["steps", "if it fails"].into_iter().filter_map(|key| action.get(key));
        for step in steps.flat_map(Node::items) {
            asks(step.get("ask"), faults);
            asks(step.get("fetch block"), faults);
            asks(step.get("poll").and_then(|poll| poll.get("query")), faults);
            sends(step.get("send"), faults);
            sends(step.get("send block"), faults);
        }
    }
}

/// Refuses a message that asks nothing where an answer is waited for.
fn asks(place: Option<&Node>, faults: &mut Vec<Fault>) {
    let Some((place, text)) = place.and_then(|place| Some((place, place.text()?))) else { return };
    if text.contains('?') {
        return;
    }
    let (header, rest) = text.split_at(text.find(' ').unwrap_or(text.len()));
    let fault = Fault::new(place.span.clone(), "this asks nothing, so no answer would come");
    faults.push(fault.with_help(format!("a query's header ends in ?, as in \"{header}?{rest}\"")));
}

/// Refuses a query where nobody reads an answer.
fn sends(place: Option<&Node>, faults: &mut Vec<Fault>) {
    let Some((place, text)) = place.and_then(|place| Some((place, place.text()?))) else { return };
    // In quotes a question mark is part of a string.
    if text.contains('?') && !text.contains(['"', '\'']) {
        let fault = Fault::new(place.span.clone(), "this asks, and nobody reads the answer here");
        faults.push(fault.with_help("ask with 'query' or a step 'ask', or leave out the ?"));
    }
}
