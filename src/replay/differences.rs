//! What two runs of one sequence, or two analyses of one run, differ in.

use std::collections::BTreeSet;

use super::captures::Reanalysis;
use super::compare::{Judged, Row, Tolerances, compare};
use super::recorded::Recorded;
use crate::record::{MeasurementDone, Probe, SearchDone, Value};
use crate::report::{ComparedFigure, ComparedPair, Comparison};

/// Captures that were analysed anew and of which no figures were recorded: the run was cut off before,
/// or the line of the journal is damaged. In sentences.
#[must_use]
pub fn without_figures(recorded: &Recorded, anew: &Reanalysis) -> Vec<String> {
    let captures = anew.captures.iter().map(|analysed| analysed.capture);
    let none = captures.filter(|capture| !recorded.figures.contains_key(capture));
    none.map(|capture| format!("capture {} had no figures yet", capture.0)).collect()
}

/// Compares the figures of every capture as recorded with those of a new analysis. A capture of which
/// none were recorded is passed over; [`without_figures`] tells of it.
#[must_use]
pub fn compare_captures(recorded: &Recorded, anew: &Reanalysis, by: &Tolerances) -> Vec<Row> {
    let mut rows = Vec::new();
    for capture in &anew.captures {
        let Some(old) = recorded.figures.get(&capture.capture) else { continue };
        let label = recorded.captures.get(&capture.capture).and_then(|taken| taken.label.as_ref());
        let label = label.map(|label| format!(", {label}")).unwrap_or_default();
        let place = format!("capture {}{label}", capture.capture.0);
        rows.extend(compare(&place, &old.figures, &capture.figures, by));
    }
    rows
}

/// Compares the figures of every measurement of two runs, in order.
#[must_use]
pub fn compare_runs(recorded: &Recorded, new: &Recorded, by: &Tolerances) -> Vec<Row> {
    let pairs = recorded.measurements.iter().zip(&new.measurements);
    pairs
        .enumerate()
        .flat_map(|(n, (old, new))| compare(&place_of(n, old), &old.figures, &new.figures, by))
        .collect()
}

fn place_of(n: usize, measurement: &MeasurementDone) -> String {
    match (&measurement.label, measurement.point) {
        (Some(label), Some(point)) => format!("{label}, point {point}"),
        (Some(label), None) => label.clone(),
        (None, Some(point)) => format!("point {point}"),
        (None, None) => format!("measurement {}", n + 1),
    }
}

/// What two runs differ in besides figures, in sentences: points, measurements, chosen beams.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beyond {
    /// Differences.
    pub differences: Vec<String>,
    /// What came up beyond the place where the recorded run was stopped or cut off: no difference.
    pub more: Vec<String>,
}

/// Compares two runs besides their figures.
#[must_use]
pub fn beyond_figures(recorded: &Recorded, new: &Recorded) -> Beyond {
    let (mut told, mut more) = (Vec::new(), Vec::new());
    let positions = recorded.points.iter().zip(&new.points);
    let other = positions.into_iter().find(|(old, new)| old != new);
    if let Some((old, _)) = other {
        told.push(format!("the points come in another order from point {} on", old.point));
    }
    let mut counts = |what: &str, old: usize, new: usize| {
        if new > old && recorded.cut_after.is_some() {
            let until = if recorded.ended { "the operator stopped it" } else { "it was cut off" };
            more.push(format!("{old} {what} were recorded until {until}, {new} came up again"));
        } else if old != new {
            told.push(format!("{old} {what} were recorded, {new} came up again"));
        }
    };
    counts("points", recorded.points.len(), new.points.len());
    counts("measurements", recorded.measurements.len(), new.measurements.len());
    counts("beam searches", recorded.searches.len(), new.searches.len());
    for (n, (old, new)) in recorded.searches.iter().zip(&new.searches).enumerate() {
        let beams = |search: &SearchDone| search.chosen.map(|probe| (probe.tx_deg, probe.rx_deg));
        if beams(old) != beams(new) {
            let name = old.label.clone().unwrap_or_else(|| format!("beam search {}", n + 1));
            told.push(format!("{name} chose {}, now {}", beam(old.chosen), beam(new.chosen)));
        }
    }
    Beyond { differences: told, more }
}

fn beam(chosen: Option<Probe>) -> String {
    chosen.map_or("no beam".to_owned(), |probe| {
        format!("tx {:.1} deg, rx {:.1} deg", probe.tx_deg, probe.rx_deg)
    })
}

/// The page of a comparison.
#[must_use]
pub fn comparison(title: &str, about: Vec<String>, names: [&str; 2], rows: &[Row]) -> Comparison {
    let mut met = BTreeSet::new();
    let figures = rows.iter().filter(|row| met.insert(row.figure.as_str())).map(|first| {
        let own = rows.iter().filter(|row| row.figure == first.figure);
        let number = |value: &Option<Value>| value.as_ref().and_then(Value::as_f64);
        ComparedFigure {
            name: first.figure.clone(),
            unit: first.unit.clone(),
            tolerance: first.tolerance.map_or("none given".into(), |tolerance| {
                crate::report::number_exact(tolerance, first.unit.as_deref().unwrap_or_default())
            }),
            pairs: own
                .map(|row| ComparedPair {
                    place: row.place.clone(),
                    recorded: number(&row.recorded),
                    now: number(&row.now),
                    exceeds: row.judged == Judged::Exceeds,
                })
                .collect(),
        }
    });
    Comparison {
        title: title.to_owned(),
        about,
        recorded_name: names[0].to_owned(),
        now_name: names[1].to_owned(),
        figures: figures.collect(),
    }
}
