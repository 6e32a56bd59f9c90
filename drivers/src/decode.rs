//! Helpers for decoding checked trees: what does not fit is skipped, because the check of the
//! file's shape has reported it already; what only the decoder can see becomes a fault here.

use std::time::Duration;

use crate::fault::Fault;
use crate::marked::Node;
use crate::pattern::Pattern;
use crate::quantity::{Dimension, Quantity};
use crate::shape;

/// The text behind a key.
pub(crate) fn text<'a>(node: &'a Node, key: &str) -> Option<&'a str> {
    node.get(key).and_then(Node::text)
}

/// The text behind a key, empty when there is none.
pub(crate) fn text_or_empty(node: &Node, key: &str) -> String {
    text(node, key).unwrap_or_default().to_owned()
}

/// The switch behind a key, off when there is none.
pub(crate) fn switch(node: &Node, key: &str) -> bool {
    text(node, key).and_then(shape::switch).unwrap_or(false)
}

/// The whole number behind a key.
pub(crate) fn whole(node: &Node, key: &str) -> Option<i64> {
    text(node, key).and_then(shape::whole)
}

/// The time behind a key. A negative one is a fault.
pub(crate) fn time(node: &Node, key: &str, faults: &mut Vec<Fault>) -> Option<Duration> {
    let node = node.get(key)?;
    time_of(node, faults)
}

/// Longest time that an instrument may take for anything, in seconds: a day. Deadlines are sums of
/// such times, which must not overflow the clock.
const TIME_MAX_S: f64 = 86_400.0;

/// The time that a node holds, up to a day. A negative or a longer one is a fault.
pub(crate) fn time_of(node: &Node, faults: &mut Vec<Fault>) -> Option<Duration> {
    let seconds = Quantity::parse(node.text()?, Dimension::Time).ok()?.value;
    match Duration::try_from_secs_f64(seconds) {
        Ok(time) if seconds <= TIME_MAX_S => Some(time),
        _ => {
            let message = "a time from 0 s to 24 h is wanted here";
            faults.push(Fault::new(node.span.clone(), message));
            None
        }
    }
}

/// The pattern behind a key, with exactly these slots.
pub(crate) fn pattern(
    node: &Node,
    key: &str,
    slots: &[&str],
    faults: &mut Vec<Fault>,
) -> Option<Pattern> {
    slotted(node.get(key)?, slots, faults)
}

/// The pattern that a node holds, with exactly these slots.
pub(crate) fn slotted(node: &Node, slots: &[&str], faults: &mut Vec<Fault>) -> Option<Pattern> {
    let pattern = pattern_of(node, faults)?;
    let unknown: Vec<&str> = pattern.slots().filter(|found| !slots.contains(found)).collect();
    for found in &unknown {
        let fault = Fault::new(node.span.clone(), format!("nothing fills '{{{found}}}' here"));
        faults.push(match slots {
            [] => fault.with_help("this message stands as it is"),
            known => fault.with_help(shape::suggestion(found, known)),
        });
    }
    let missing = slots.iter().find(|slot| !pattern.slots().any(|found| found == **slot));
    // A slot that is misspelt is missing as well; saying it once is enough.
    if let (Some(slot), true) = (missing, unknown.is_empty()) {
        let message = format!("the place for the value, {{{slot}}}, is missing here");
        faults.push(Fault::new(node.span.clone(), message));
    }
    Some(pattern)
}

/// The pattern that a node holds, whatever its slots.
pub(crate) fn pattern_of(node: &Node, faults: &mut Vec<Fault>) -> Option<Pattern> {
    match Pattern::parse(node.text()?) {
        Ok(pattern) => Some(pattern),
        Err(error) => {
            faults.push(Fault::new(node.span.clone(), error.to_string()));
            None
        }
    }
}

/// The message behind a key: text without slots.
pub(crate) fn message(node: &Node, key: &str, faults: &mut Vec<Fault>) -> Option<String> {
    pattern(node, key, &[], faults).map(|pattern| pattern.to_string())
}

/// Two ends, the lower first, each read by `read`. Anything else is a fault.
pub(crate) fn range<T: PartialOrd + Copy>(
    node: &Node,
    wanted: &str,
    read: impl Fn(&str) -> Option<T>,
    faults: &mut Vec<Fault>,
) -> Option<(T, T)> {
    let mut ends = Vec::new();
    for item in node.items() {
        match item.text().and_then(&read) {
            Some(end) => ends.push(end),
            None => {
                let message = format!("{wanted} is wanted here, not {}", item.describe());
                faults.push(Fault::new(item.span.clone(), message));
                return None;
            }
        }
    }
    match ends[..] {
        [low, high] if low <= high => Some((low, high)),
        _ => {
            let fault = Fault::new(node.span.clone(), "a range has two ends, the lower first");
            faults.push(fault.with_help("write it as [lower, upper]"));
            None
        }
    }
}

/// A fault unless the key is a name that sequences and commands can use.
pub(crate) fn check_name(key: &crate::marked::Key, faults: &mut Vec<Fault>) {
    let legal = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || "_.[]".contains(c);
    let starts = key.text.starts_with(|c: char| c.is_ascii_lowercase());
    if !starts || !key.text.chars().all(legal) || key.text.ends_with('.') {
        let fault = Fault::new(key.span.clone(), format!("'{}' is no name", key.text));
        faults.push(fault.with_help("names are lower-case letters, digits and underscores"));
    }
}
