//! The reference point: how often, how, and how far it may drift.

use std::time::Duration;

use beamwarden_drivers::fault::Fault;
use beamwarden_drivers::marked::{Node, NodeKind};
use beamwarden_drivers::quantity::Quantity;

use super::super::step::{Beyond, DriftBand, Measure, Reference, Until};
use super::{Reader, Scope};
use crate::bench::durations::duration;

impl Reader<'_> {
    pub(super) fn reference(&mut self, node: &Node) -> Option<Reference> {
        let (every_points, every) = self.how_often(node.get("every")?);
        let scope = Scope::default();
        let set = node.get("set").map_or_else(Vec::new, |set| self.assignments(set, &scope));
        let measure = match node.get("measure") {
            Some(measure) => self.measure(measure, None),
            None => Measure {
                label: None,
                until: Until::ONE_CAPTURE,
                keep_captures: true,
                expect: Vec::new(),
            },
        };
        let mut bands = Vec::new();
        for (key, band) in node.get("within").map_or(&[][..], Node::entries) {
            let Some(figure) = self.figure(&key.text, &key.span) else { continue };
            let Some(text) = band.text() else { continue };
            match Quantity::parse(text, figure.dimension) {
                Ok(Quantity { value: at_most, .. }) if at_most >= 0.0 => {
                    bands.push(DriftBand { figure, at_most });
                }
                Ok(_) => {
                    let message = "a difference either way is not negative";
                    self.faults.push(Fault::new(band.span.clone(), message));
                }
                Err(error) => self.faults.push(Fault::new(band.span.clone(), error.to_string())),
            }
        }
        let beyond = match node.get("beyond").and_then(Node::text) {
            Some("go on") => Beyond::GoOn,
            Some("pause") => Beyond::Pause,
            _ => Beyond::Stop,
        };
        let (line, _) = self.source.line_column(node.span.start);
        let place = format!("{}:{line}", self.source.name).into();
        Some(Reference { place, every_points, every, set, measure, bands, beyond })
    }

    /// `20 points`, `30 min`, or both.
    fn how_often(&mut self, node: &Node) -> (Option<u64>, Option<Duration>) {
        let alone = std::slice::from_ref(node);
        let items = if let NodeKind::List(items) = &node.kind { items.as_slice() } else { alone };
        let (mut points, mut time) = (None, None);
        for item in items {
            let Some(text) = item.text().filter(|_| !item.is_empty_value()) else { continue };
            let number = text.strip_suffix("points").or_else(|| text.strip_suffix("point"));
            let fault = |message: &str| {
                Fault::new(item.span.clone(), message).with_help("write 20 points or 30 min")
            };
            if let Some(number) = number {
                match number.trim().parse::<u64>() {
                    Ok(number) if number > 0 && points.is_none() => points = Some(number),
                    _ => self.faults.push(fault("this is no number of points, or a second one")),
                }
            } else if Quantity::parse(text, beamwarden_drivers::quantity::Dimension::Time).is_ok() {
                match duration(item, "every", &mut self.faults) {
                    Some(every) if !every.is_zero() && time.is_none() => time = Some(every),
                    _ => self.faults.push(fault("this is no time between two, or a second one")),
                }
            } else {
                self.faults.push(fault("this is neither a number of points nor a time"));
            }
        }
        if items.is_empty() {
            self.at_start(node, "this says not how often", "write 20 points, 30 min, or both");
        }
        (points, time)
    }
}
