//! Settings of a profile: steps, order, tolerance.

use super::super::{BetweenSteps, Effect, Form, Grid, Setting, Steps};
use super::{decode_form, decode_poll, decode_query, headed};
use crate::decode::{switch, text, text_or_empty, time};
use crate::fault::Fault;
use crate::marked::{Node, NodeKind};
use crate::quantity::{Dimension, Quantity};
use crate::shape;
use crate::value::{Kind, Tolerance, Value};

/// One knob; `skip` is what the profile says of skipping where the setting says nothing.
pub(super) fn decode_setting(
    name: &str,
    node: &Node,
    skip: bool,
    faults: &mut Vec<Fault>,
) -> Option<Setting> {
    let mut form = decode_form(node, faults);
    let steps = decode_steps(node, form.as_mut(), faults);
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
    let after = dependencies(node).filter_map(Node::text).map(str::to_owned).collect();
    let skip_when_equal =
        text(node, "skip when equal").map_or(skip, |_| switch(node, "skip when equal"));
    let (form, (set, header), query) = (form?, set?, query?);
    Some(Setting {
        name: name.into(),
        about,
        form,
        set,
        header,
        query,
        tolerance,
        effect,
        timeout,
        steps,
        after,
        skip_when_equal,
    })
}

/// The settings that one comes after: a name or a list of names.
fn dependencies(setting: &Node) -> impl Iterator<Item = &Node> {
    let place = setting.get("after");
    let alone = place.filter(|place| place.text().is_some());
    alone.into_iter().chain(place.map(Node::items).unwrap_or_default())
}

/// Every setting that another comes after exists, and no two come after one another.
pub(super) fn check_order(root: &Node, faults: &mut Vec<Fault>) {
    let Some(settings) = root.get("settings") else { return };
    let names: Vec<&str> = settings.entries().iter().map(|(key, _)| key.text.as_str()).collect();
    for (key, setting) in settings.entries() {
        for place in dependencies(setting) {
            let Some(name) = place.text() else { continue };
            if !names.contains(&name) {
                let fault = Fault::new(place.span.clone(), format!("there is no setting '{name}'"));
                faults.push(fault.with_help(shape::suggestion(name, &names)));
            } else if comes_after(settings, name, &key.text) {
                let message = format!("'{}' and '{name}' come after one another", key.text);
                let fault = Fault::new(place.span.clone(), message);
                faults.push(fault.with_help("leave out one of the two"));
            }
        }
    }
}

/// Whether a setting is another one, or comes after it directly or by way of others.
fn comes_after(settings: &Node, later: &str, earlier: &str) -> bool {
    let mut waiting = vec![later];
    let mut seen = Vec::new();
    while let Some(name) = waiting.pop() {
        if name == earlier {
            return true;
        }
        if !seen.contains(&name) {
            seen.push(name);
            waiting.extend(
                settings.get(name).into_iter().flat_map(dependencies).filter_map(Node::text),
            );
        }
    }
    false
}

/// The values that a setting takes. A list gives the range as well where there is no other.
fn decode_steps(node: &Node, form: Option<&mut Form>, faults: &mut Vec<Fault>) -> Option<Steps> {
    let Some(place) = node.get("steps") else {
        if let Some(place) = node.get("between steps") {
            let fault = Fault::new(place.span.clone(), "there are no steps");
            faults.push(fault.with_help("leave out 'between steps' as well"));
        }
        return None;
    };
    let form = form?;
    let dimension = match form.kind {
        Kind::Number { dimension, .. } => dimension,
        Kind::Whole { .. } => Dimension::Count,
        _ => {
            faults.push(Fault::new(place.span.clone(), "only numbers have steps"));
            return None;
        }
    };
    let grid = match &place.kind {
        NodeKind::List(items) => values(place, items, dimension, form, faults)?,
        NodeKind::Map(_) => {
            let of = step(place.get("of")?, dimension, form, faults)?;
            let from = match place.get("from") {
                Some(node) => step(node, dimension, form, faults)?,
                None => 0.0,
            };
            distance(place, of, from, faults)?
        }
        NodeKind::Scalar { .. } => {
            distance(place, step(place, dimension, form, faults)?, 0.0, faults)?
        }
    };
    let between = match text(node, "between steps") {
        Some("nearest") => BetweenSteps::Nearest,
        _ => BetweenSteps::Refuse,
    };
    let steps = Steps { grid, between };
    // Some value must be left: the one nearest to an end of the range.
    let low = match form.kind {
        Kind::Number { at_least, .. } => Value::Number(at_least),
        Kind::Whole { at_least, .. } => Value::Whole(at_least),
        _ => return Some(steps),
    };
    let nearest = Steps { grid: steps.grid.clone(), between: BetweenSteps::Nearest };
    if node.get("range").is_some() && nearest.fit(&form.kind, &low).is_err() {
        faults.push(Fault::new(place.span.clone(), "none of the steps lies in the range"));
        return None;
    }
    Some(steps)
}

fn distance(place: &Node, of: f64, from: f64, faults: &mut Vec<Fault>) -> Option<Grid> {
    if of > 0.0 {
        return Some(Grid::Every { of, from });
    }
    let fault = Fault::new(place.span.clone(), "steps have a distance above 0");
    faults.push(fault.with_help("such as 10 mV, or a list of values"));
    None
}

/// One value or distance; of whole numbers a whole one.
fn step(node: &Node, dimension: Dimension, form: &Form, faults: &mut Vec<Fault>) -> Option<f64> {
    let text = node.text()?;
    let read = match form.kind {
        Kind::Whole { .. } => shape::whole(text)
            .map(|whole| whole as f64)
            .ok_or_else(|| format!("'{text}' is not a whole number")),
        _ => Quantity::parse(text, dimension)
            .map(|quantity| quantity.value)
            .map_err(|error| error.to_string()),
    };
    read.map_err(|message| faults.push(Fault::new(node.span.clone(), message))).ok()
}

fn values(
    place: &Node,
    items: &[Node],
    dimension: Dimension,
    form: &mut Form,
    faults: &mut Vec<Fault>,
) -> Option<Grid> {
    let read = items.iter().map(|item| step(item, dimension, form, faults));
    let values = read.collect::<Vec<_>>().into_iter().collect::<Option<Vec<f64>>>()?;
    let (Some(first), Some(last)) = (values.first(), values.last()) else {
        faults.push(Fault::new(place.span.clone(), "a list of steps holds at least one value"));
        return None;
    };
    if !values.is_sorted_by(|a, b| a < b) {
        let fault = Fault::new(place.span.clone(), "steps stand in rising order, each once");
        faults.push(fault);
        return None;
    }
    match &mut form.kind {
        Kind::Number { at_least, at_most, .. } => {
            (*at_least, *at_most) = (at_least.max(*first), at_most.min(*last));
        }
        Kind::Whole { at_least, at_most } => {
            *at_least = *(&*at_least).max(&(*first as i64));
            *at_most = *(&*at_most).min(&(*last as i64));
        }
        _ => {}
    }
    Some(Grid::Values(values))
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
