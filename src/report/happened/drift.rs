//! The reference point over the night: each watched figure with its band.

use jiff::Timestamp;

use super::words::of_a_difference;
use crate::record::{Numbers, ReferenceTaken, figure};
use crate::report::even::Even;
use crate::report::html::escape;
use crate::report::number::{duration, number};
use crate::report::plot::{self, Axis, Draw, Mark, Series};

/// Most references that are drawn, evenly chosen.
const REFERENCES_MAX: usize = 600;
/// Most figures that are drawn.
const FIGURES_MAX: usize = 12;

/// The references of a run.
#[derive(Clone, Debug)]
pub(super) struct References {
    taken: Even<(Timestamp, ReferenceTaken)>,
    /// The first one: what drift is counted from.
    first: Option<(Timestamp, ReferenceTaken)>,
    outside: Numbers,
}

impl Default for References {
    fn default() -> Self {
        let taken = Even::new(0, REFERENCES_MAX);
        Self { taken, first: None, outside: Numbers::default() }
    }
}

impl References {
    pub(super) fn take(&mut self, at: Timestamp, taken: &ReferenceTaken) {
        if self.first.is_none() {
            self.first = Some((at, taken.clone()));
        }
        if !taken.within {
            self.outside.insert(taken.number);
        }
        self.taken.push((at, taken.clone()));
    }

    /// A chart for each watched figure; empty when nothing was watched.
    pub(super) fn charts(&self, start: Option<Timestamp>) -> String {
        let Some((first_at, first)) = &self.first else { return String::new() };
        let mut watched: Vec<(&str, f64)> = Vec::new();
        for drift in self.taken.kept().flat_map(|(_, (_, taken))| &taken.drift) {
            if watched.iter().all(|(name, _)| *name != drift.figure) {
                watched.push((&drift.figure, drift.at_most));
            }
        }
        let start = start.unwrap_or(*first_at);
        let charts: Vec<String> = watched
            .iter()
            .take(FIGURES_MAX)
            .filter_map(|(name, at_most)| self.chart(name, *at_most, first, start))
            .collect();
        if charts.is_empty() {
            return String::new();
        }
        let drawn = match self.taken.every(REFERENCES_MAX) {
            1 => String::new(),
            every => format!(" Every {every}th of them is drawn."),
        };
        format!(
            "<h3>Drift of the reference point</h3>\n<p>The dashed lines are the edges of the band around \
             the first value; squares lie beyond it.{drawn}</p>\n<div class=\"pair\">{}</div>\n",
            charts.concat()
        )
    }

    fn chart(
        &self,
        name: &str,
        at_most: f64,
        first: &ReferenceTaken,
        start: Timestamp,
    ) -> Option<String> {
        let base = figure(&first.figures, name)?;
        let unit = first.figures.iter().find(|figure| figure.name == name)?.unit.as_deref();
        let unit = unit.unwrap_or_default();
        let hours = |at: Timestamp| at.duration_since(start).as_secs_f64() / 3600.0;
        let (mut within, mut beyond) = (Vec::new(), Vec::new());
        let (mut low, mut high) = (base - at_most, base + at_most);
        let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
        for (_, (at, taken)) in self.taken.kept() {
            let x = hours(*at);
            (from, to) = (from.min(x), to.max(x));
            let Some(value) = figure(&taken.figures, name).filter(|x| x.is_finite()) else {
                continue;
            };
            (low, high) = (low.min(value), high.max(value));
            let title = format!("{}: {}", duration(x * 3600.0), number(value, unit));
            let mark = Mark { x, y: Some(value), interval: None, title };
            let outside = (value - base).abs() > at_most;
            if outside {
                beyond.push(mark.clone());
            }
            within.push(mark);
        }
        let edge = |y: f64, title: &str| {
            [from, to].map(|x| Mark { x, y: Some(y), interval: None, title: title.to_owned() })
        };
        let series =
            |name: &str, marks: Vec<Mark>, draw| Series { name: name.to_owned(), marks, draw };
        let mut all = vec![series("reference", within, Draw::Joined)];
        if !beyond.is_empty() {
            all.push(series("beyond the band", beyond, Draw::Marks));
        }
        let edges = [
            series("", edge(base - at_most, "lower edge").to_vec(), Draw::Edge),
            series("", edge(base + at_most, "upper edge").to_vec(), Draw::Edge),
        ];
        let label = if unit.is_empty() { name.to_owned() } else { format!("{name} ({unit})") };
        let about = format!(
            "{name} of the reference point over time, with its band of {} either way",
            number(at_most, of_a_difference(unit))
        );
        let drawn: Vec<Series> = all.iter().cloned().chain(edges).collect();
        let chart = plot::line_chart(
            Axis::linear([from, to], "time since the start (h)"),
            Axis::linear([low, high], label),
            &drawn,
            &[],
            &about,
        );
        let heading =
            format!("{name}, at most {} either way", number(at_most, of_a_difference(unit)));
        Some(format!("<div><h4>{}</h4>\n{chart}{}</div>\n", escape(heading), plot::legend(&all)))
    }
}
