//! The page that shows old figures beside new ones: one self-contained file, a chart a figure.
//!
//! Knows pairs of numbers and words; nothing of where they come from.

use std::fmt::Write as _;

use super::html::{escape, number_table};
use super::number::{axis_unit, number};
use super::page::STYLE;
use super::plot::{self, Axis, Draw, Mark, Series};

/// Most pairs of a figure that are drawn; of more an even selection, and all that exceed.
const PAIRS_MAX: usize = 1000;
/// Most rows of the table.
const ROWS_MAX: usize = 500;
/// Figures that span decades.
const RATES: &[&str] = &["ber", "ber_low_95", "ber_high_95", "raw_ber", "codeword_error_rate"];

/// One figure of one place, old and new.
#[derive(Clone, Debug, PartialEq)]
pub struct ComparedPair {
    /// What it belongs to: a measurement, a capture.
    pub place: String,
    /// As it was recorded.
    pub recorded: Option<f64>,
    /// As it is now.
    pub now: Option<f64>,
    /// Whether the difference exceeds what is tolerated.
    pub exceeds: bool,
}

/// One figure over all places.
#[derive(Clone, Debug, PartialEq)]
pub struct ComparedFigure {
    /// Its name.
    pub name: String,
    /// Its unit.
    pub unit: Option<String>,
    /// Largest difference that is tolerated, in words.
    pub tolerance: String,
    /// Its pairs in order.
    pub pairs: Vec<ComparedPair>,
}

impl ComparedFigure {
    /// Places whose difference exceeds what is tolerated.
    fn exceeding(&self) -> usize {
        self.pairs.iter().filter(|pair| pair.exceeds).count()
    }

    /// What is tolerated, in words.
    fn tolerated(&self) -> &str {
        if RATES.contains(&self.name.as_str()) { "95 % intervals meet" } else { &self.tolerance }
    }

    /// Where it differs most, and by how much (new less old); first where only one side has it.
    /// `None` when it is alike everywhere.
    fn largest(&self) -> Option<(&str, Option<f64>)> {
        let differing = self.pairs.iter().filter(|pair| pair.recorded != pair.now);
        let size = |pair: &ComparedPair| match (pair.recorded, pair.now) {
            (Some(old), Some(new)) => (new - old).abs(),
            _ => f64::INFINITY,
        };
        let most = differing.max_by(|a, b| size(a).total_cmp(&size(b)))?;
        let by = most.recorded.zip(most.now).map(|(old, new)| new - old);
        Some((&most.place, by))
    }
}

/// Everything on the page.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// The heading.
    pub title: String,
    /// What is compared with what, in sentences.
    pub about: Vec<String>,
    /// What the recorded figures are called: `measured`.
    pub recorded_name: String,
    /// What the new figures are called: `simulated`.
    pub now_name: String,
    /// The figures.
    pub figures: Vec<ComparedFigure>,
}

impl Comparison {
    /// The page as HTML.
    #[must_use]
    pub fn page(&self) -> String {
        let title = escape(&self.title);
        let mut html = format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <meta name=\"color-scheme\" content=\"light dark\">\n<title>{title}</title>\n\
             <style>\n{STYLE}</style>\n</head>\n<body>\n<header><h1>{title}</h1></header>\n<main>\n"
        );
        for sentence in &self.about {
            let _ = writeln!(html, "<p>{}</p>", escape(sentence));
        }
        html += &self.summary();
        let drawn = |figure: &&ComparedFigure| {
            figure.pairs.iter().any(|pair| pair.recorded.is_some() || pair.now.is_some())
        };
        let mut figures: Vec<&ComparedFigure> = self.figures.iter().filter(drawn).collect();
        // A stable sort: what exceeds first, then what differs, each in the order of the figures.
        figures.sort_by_key(|figure| {
            let any = |odd: fn(&ComparedPair) -> bool| figure.pairs.iter().any(odd);
            (!any(|pair| pair.exceeds), !any(|pair| pair.recorded != pair.now))
        });
        let (differing, alike): (Vec<_>, Vec<_>) =
            figures.into_iter().partition(|figure| figure.largest().is_some());
        html.extend(differing.into_iter().map(|figure| self.chart(figure)));
        html += &self.exceeding();
        if !alike.is_empty() {
            let names: Vec<&str> = alike.iter().map(|figure| figure.name.as_str()).collect();
            let names = escape(names.join(", "));
            let _ = writeln!(html, "<h2>Alike everywhere</h2>\n<p>{names}</p>");
        }
        html += "</main>\n</body>\n</html>\n";
        html
    }

    /// A row for each figure that differs anywhere: how often, by how much, where.
    fn summary(&self) -> String {
        let mut figures: Vec<&ComparedFigure> =
            self.figures.iter().filter(|figure| figure.largest().is_some()).collect();
        figures.sort_by_key(|figure| std::cmp::Reverse(figure.exceeding()));
        let exceeding: usize = figures.iter().map(|figure| figure.exceeding()).sum();
        let verdict = match exceeding {
            0 => "<p><b>No difference exceeds its tolerance.</b></p>\n".to_owned(),
            1 => "<p><b>1 difference exceeds its tolerance.</b></p>\n".to_owned(),
            some => format!("<p><b>{some} differences exceed their tolerance.</b></p>\n"),
        };
        let rows: Vec<Vec<String>> = figures
            .into_iter()
            .map(|figure| {
                let unit = figure.unit.as_deref().unwrap_or("");
                let (place, difference) = match figure.largest() {
                    Some((place, Some(by))) => (place, number(by, unit)),
                    Some((place, None)) => (place, "on one side only".to_owned()),
                    None => ("", String::new()),
                };
                vec![
                    escape(&figure.name),
                    figure.pairs.len().to_string(),
                    figure.exceeding().to_string(),
                    escape(difference),
                    escape(place),
                    escape(figure.tolerated()),
                ]
            })
            .collect();
        if rows.is_empty() {
            return verdict;
        }
        let head = ["figure", "places", "exceed", "largest difference", "where", "tolerated"];
        verdict + &number_table("Figures that differ", &head, &rows)
    }

    /// The differences that exceed what is tolerated.
    fn exceeding(&self) -> String {
        let mut rows = Vec::new();
        for figure in &self.figures {
            let unit = figure.unit.as_deref().unwrap_or("");
            let shown = |value: Option<f64>| value.map_or("none".into(), |x| number(x, unit));
            for pair in figure.pairs.iter().filter(|pair| pair.exceeds) {
                rows.push(vec![
                    escape(&pair.place),
                    escape(&figure.name),
                    escape(shown(pair.recorded)),
                    escape(shown(pair.now)),
                    escape(figure.tolerated()),
                ]);
            }
        }
        if rows.is_empty() {
            return String::new();
        }
        let all = rows.len();
        rows.truncate(ROWS_MAX);
        let rest = match all - rows.len() {
            0 => String::new(),
            more => format!("<p>{more} more are not listed.</p>\n"),
        };
        let head = ["where", "figure", &self.recorded_name, &self.now_name, "tolerated difference"];
        format!(
            "<h2>One by one</h2>\n<details><summary>All {all} differences that exceed their \
             tolerance</summary>\n{}{rest}</details>\n",
            number_table("Differences that exceed their tolerance", &head, &rows)
        )
    }

    fn chart(&self, figure: &ComparedFigure) -> String {
        let every = figure.pairs.len().div_ceil(PAIRS_MAX).max(1);
        let drawn: Vec<(usize, &ComparedPair)> = figure
            .pairs
            .iter()
            .enumerate()
            .filter(|(n, pair)| n % every == 0 || pair.exceeds)
            .collect();
        let unit = figure.unit.as_deref().unwrap_or("");
        let (divisor, axis, label) = value_axis(figure, unit);
        let series = |name: &str, of: fn(&ComparedPair) -> Option<f64>, only_exceeding: bool| {
            let pairs = drawn.iter().filter(|(_, pair)| !only_exceeding || pair.exceeds);
            let marks = pairs.filter_map(|(n, pair)| {
                let y = of(pair).filter(|y| y.is_finite())?;
                let title = format!("{}: {name} {}", pair.place, number(y, unit));
                Some(Mark { x: *n as f64, y: Some(y / divisor), interval: None, title })
            });
            Series { name: name.to_owned(), marks: marks.collect(), draw: Draw::Marks }
        };
        let mut all = vec![
            series(&self.recorded_name, |pair| pair.recorded, false),
            series(&self.now_name, |pair| pair.now, false),
        ];
        let beyond = series("exceeds the tolerance", |pair| pair.now.or(pair.recorded), true);
        if !beyond.marks.is_empty() {
            all.push(beyond);
        }
        let values = all.iter().flat_map(|one| &one.marks).filter_map(|mark| mark.y);
        let y = axis(&values.collect::<Vec<f64>>(), label);
        let names: Vec<String> = figure.pairs.iter().map(|pair| pair.place.clone()).collect();
        let chart = plot::line_chart(
            Axis::names(&names, "place in the run"),
            y,
            &all,
            &[],
            &format!("{} of every place, old and new", figure.name),
        );
        format!("<h2>{}</h2>\n{chart}{}", escape(&figure.name), plot::legend(&all))
    }
}

/// What the values of a figure are divided by, the kind of their axis and its label: decades for error
/// rates, a prefix in place of many digits for everything else.
fn value_axis(figure: &ComparedFigure, unit: &str) -> (f64, fn(&[f64], String) -> Axis, String) {
    if RATES.contains(&figure.name.as_str()) {
        let label = format!("{} (none at the lower edge)", figure.name);
        return (1.0, |values, label| Axis::decades(values.iter().copied(), label), label);
    }
    let values = figure.pairs.iter().flat_map(|pair| [pair.recorded, pair.now]).flatten();
    let most = values.filter(|x| x.is_finite()).fold(0.0, |most: f64, x| most.max(x.abs()));
    let (divisor, unit) = axis_unit(most, unit);
    let label =
        if unit.is_empty() { figure.name.clone() } else { format!("{} ({unit})", figure.name) };
    (divisor, |values, label| Axis::linear(values.iter().copied(), label), label)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_exceeds_is_listed_and_drawn() {
        let pair = |place: &str, recorded, now, exceeds| ComparedPair {
            place: place.to_owned(),
            recorded,
            now,
            exceeds,
        };
        let mut comparison = Comparison {
            title: "replay of <b>".into(),
            about: vec!["one sentence".into()],
            recorded_name: "measured".into(),
            now_name: "simulated".into(),
            figures: vec![ComparedFigure {
                name: "evm_db".into(),
                unit: Some("dB".into()),
                tolerance: "1 dB".into(),
                pairs: vec![
                    pair("aligned", Some(-17.0), Some(-16.5), false),
                    pair("rotated", Some(-5.0), None, true),
                ],
            }],
        };
        let page = comparison.page();
        assert!(page.contains("replay of &lt;b&gt;"));
        assert!(page.contains("1 difference exceeds its tolerance"), "{page}");
        assert!(page.contains("on one side only") && page.contains(">rotated<"), "{page}");
        assert!(page.contains("exceeds the tolerance") && page.contains("<svg"));
        // What exceeds is drawn before what does not.
        comparison.figures.insert(
            0,
            ComparedFigure {
                name: "sample_rate_hz".into(),
                unit: Some("Hz".into()),
                tolerance: "none given".into(),
                pairs: vec![pair("aligned", Some(3_998_590_400.0), Some(3_998_590_000.0), false)],
            },
        );
        comparison.figures.push(ComparedFigure {
            name: "ber".into(),
            unit: None,
            tolerance: "none given".into(),
            pairs: vec![pair("aligned", Some(3e-4), Some(0.0), true)],
        });
        let page = comparison.page();
        let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text}: {page}"));
        assert!(at("<h2>evm_db</h2>") < at("<h2>ber</h2>"));
        assert!(at("<h2>ber</h2>") < at("<h2>sample_rate_hz</h2>"));
        assert!(page.contains("sample_rate_hz (GHz)") && page.contains(">1e-3</text>"), "{page}");
        assert!(page.contains("3.999 GHz") && !page.contains(">3998"), "{page}");
        let label = |figure: &ComparedFigure| value_axis(figure, "").2;
        assert_eq!(label(&comparison.figures[2]), "ber (none at the lower edge)");
        comparison.figures.retain(|figure| figure.name == "evm_db");
        comparison.figures[0].pairs.pop();
        assert!(comparison.page().contains("No difference exceeds"));
    }
}
