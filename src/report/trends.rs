//! How EVM and BER change from one measurement to the next, and the curves within each.

use std::fmt::Write as _;

use super::captures::{frame_name, position};
use super::html::escape;
use super::number::{error_bound, error_rate, number, recorded};
use super::plot::{self, Axis, Draw, Mark, Series};
use super::run::{Run, Shot};
use crate::record::{Analysis, figure_names};

/// Most measurements whose channel and EVM over the blocks are drawn.
const CURVES_MAX: usize = 24;
/// Most marks in a chart; of more measurements an even selection is drawn.
const MARKS_MAX: usize = 3000;
/// Most combinations of the other axes that are drawn apart.
const SERIES_MAX: usize = 60;
/// Longest curve of which each point is a mark.
const CURVE_MARKS_MAX: usize = 80;
/// Smallest range of a curve of EVM, so that noise does not look like a trend, dB.
const EVM_RANGE_MIN_DB: f64 = 2.0;

/// EVM and BER over the measurements, or over the sweep's axis when it has one of numbers.
pub(super) fn trends(run: &Run<'_>) -> String {
    if run.shots.count() < 2 {
        return "<p>Fewer than two measurements: nothing to compare.</p>\n".to_owned();
    }
    let along = Along::of(run);
    let every = run.shots.every(MARKS_MAX);
    let evm = along.series(run, |shot, x| {
        let evm_db = shot.figure(figure_names::EVM_DB).filter(|_| !shot.tried_again)?;
        let title = format!("{}: EVM {}", along.words(shot), number(evm_db, "dB"));
        Some(Mark { x, y: Some(evm_db), interval: None, title })
    });
    let ber = along.series(run, |shot, x| {
        error_mark(shot, x, &along.words(shot)).filter(|_| !shot.tried_again)
    });
    let values = |series: &[Series]| -> Vec<f64> {
        series.iter().flat_map(|one| &one.marks).filter_map(|mark| mark.y).collect()
    };
    let bounds: Vec<f64> = ber
        .iter()
        .flat_map(|one| &one.marks)
        .flat_map(|mark| mark.interval.map(|(low, high)| if low > 0.0 { low } else { high }))
        .chain(values(&ber))
        .collect();
    let chart = |y: Axis, series: &[Series], about: &str| {
        plot::line_chart(along.x_axis(run), y, series, &[], about)
    };
    let selection = match every {
        1 => String::new(),
        every => format!(" Every {every}th measurement is drawn."),
    };
    format!(
        "<div class=\"pair\"><div><h3>Error vector magnitude</h3>\n{}{}</div>\n<div>\
         <h3>Bit error rate</h3>\n{}{}</div></div>\n<p>Bars are 95 % intervals. A hollow mark with an arrow down is a bound: no errors were found, \
         and the rate lies below it with 95 % confidence.{selection}</p>\n",
        chart(
            Axis::linear(values(&evm), "EVM (dB)"),
            &evm,
            "EVM of every measurement; the table above has the numbers"
        ),
        plot::legend(&evm),
        chart(
            Axis::decades(bounds, "BER"),
            &ber,
            "Bit error rate of every measurement with its interval; the table above has the numbers"
        ),
        plot::legend(&ber),
    )
}

fn error_mark(shot: &Shot, x: f64, words: &str) -> Option<Mark> {
    let measured = shot.figure(figure_names::BER)?;
    let low = shot.figure(figure_names::BER_LOW_95);
    let high = shot.figure(figure_names::BER_HIGH_95);
    let title = format!("{words}: BER {}", error_rate(&shot.figures)?);
    if measured > 0.0 {
        let interval = low.zip(high);
        return Some(Mark { x, y: Some(measured), interval, title });
    }
    // No errors: only the bound can stand on a logarithmic axis.
    let bound = error_bound(&shot.figures)?;
    Some(Mark { x, y: None, interval: Some((bound, bound)), title })
}

/// What the measurements are drawn over.
struct Along {
    /// The sweep's axis of numbers with the most distinct values, and its unit.
    axis: Option<(String, String)>,
}

impl Along {
    fn of(run: &Run<'_>) -> Self {
        let mut best: Option<(usize, String, String)> = None;
        // A reference point before the sweep lies nowhere in it.
        let mut positions = run.shots.kept().map(|(_, shot)| shot.position.as_slice());
        let first = positions.find(|position| !position.is_empty()).unwrap_or_default();
        for axis in first {
            let mut values: Vec<f64> =
                run.shots.kept().filter_map(|(_, shot)| value_on(shot, &axis.axis)).collect();
            values.sort_by(f64::total_cmp);
            values.dedup();
            let more = best.as_ref().is_none_or(|(most, ..)| values.len() > *most);
            if values.len() >= 3 && more {
                let unit = axis.value.unit.clone().unwrap_or_default();
                best = Some((values.len(), axis.axis.clone(), unit));
            }
        }
        Self { axis: best.map(|(_, name, unit)| (name, unit)) }
    }

    fn x_axis(&self, run: &Run<'_>) -> Axis {
        match &self.axis {
            Some((name, unit)) => {
                let values = run.shots.kept().filter_map(|(_, shot)| value_on(shot, name));
                let label = if unit.is_empty() { name.clone() } else { format!("{name} ({unit})") };
                if unit == "deg" {
                    Axis::degrees(values, label)
                } else {
                    Axis::linear(values, label)
                }
            }
            None => Self::order(run),
        }
    }

    /// The measurements in order: by name while every one of them is drawn, by number otherwise.
    fn order(run: &Run<'_>) -> Axis {
        let label = "measurement, in order";
        if run.shots.every(MARKS_MAX) > 1 {
            return Axis::linear([1.0, run.shots.count() as f64], label);
        }
        let names: Vec<String> = run.shots.selected(MARKS_MAX).map(|(_, s)| s.name()).collect();
        Axis::names(&names, label)
    }

    /// The marks of every so-manieth measurement, one series for each combination of the other axes.
    fn series(&self, run: &Run<'_>, mark: impl Fn(&Shot, f64) -> Option<Mark>) -> Vec<Series> {
        let draw = if self.axis.is_some() { Draw::Joined } else { Draw::Marks };
        let mut all: Vec<Series> = Vec::new();
        for (place, shot) in run.shots.selected(MARKS_MAX) {
            let (x, name) = match &self.axis {
                Some((axis, _)) => (value_on(shot, axis), self.others(shot, axis)),
                None => (Some(place as f64), String::new()),
            };
            let Some(mark) = x.and_then(|x| mark(shot, x)) else { continue };
            match all.iter().position(|series| series.name == name) {
                Some(place) => all[place].marks.push(mark),
                None if all.len() >= SERIES_MAX => {}
                None => all.push(Series { name, marks: vec![mark], draw }),
            }
        }
        for series in &mut all {
            series.marks.sort_by(|a, b| a.x.total_cmp(&b.x));
        }
        all
    }

    fn others(&self, shot: &Shot, axis: &str) -> String {
        let others = shot.position.iter().filter(|other| other.axis != axis);
        let words: Vec<String> = others.map(|other| recorded(&other.value)).collect();
        words.join(", ")
    }

    fn words(&self, shot: &Shot) -> String {
        let mut words = vec![shot.name()];
        words.extend(frame_name(shot));
        words.extend(position(shot));
        words.extend(shot.verdict());
        words.join(", ")
    }
}

fn value_on(shot: &Shot, axis: &str) -> Option<f64> {
    let found = shot.position.iter().find(|value| value.axis == axis)?;
    found.value.value.as_f64()
}

/// Channel response and EVM over the blocks of each measurement, folded away.
pub(super) fn curves(run: &Run<'_>) -> String {
    let mut html = String::new();
    for shot in run.shots.first(CURVES_MAX) {
        let Some(analysis) = run.analysis(shot) else { continue };
        let drawn = [channel(&analysis), evm_over_blocks(&analysis)].concat();
        if !drawn.is_empty() {
            let name = escape(shot.name());
            let _ = writeln!(html, "<h4>{name}</h4>\n<div class=\"pair\">{drawn}</div>");
        }
    }
    if html.is_empty() {
        return html;
    }
    let left = run.shots.count().saturating_sub(CURVES_MAX);
    if left > 0 {
        let _ = writeln!(
            html,
            "<p>The other {left} measurements have theirs in their analysis files.</p>"
        );
    }
    format!(
        "<details><summary>Channel response and EVM over the blocks of each measurement</summary>\n\
         {html}</details>\n"
    )
}

fn channel(analysis: &Analysis) -> String {
    let finite = analysis.channel.iter().filter(|point| point.magnitude_db.is_finite());
    let points: Vec<(f64, f64)> =
        finite.map(|point| (point.offset_hz / 1e6, point.magnitude_db)).collect();
    if points.is_empty() {
        return String::new();
    }
    let labels = ["offset from the carrier (MHz)", "magnitude (dB)"];
    curve(&points, labels, 0.0, "Channel response")
}

fn evm_over_blocks(analysis: &Analysis) -> String {
    let blocks = analysis.evm_per_block_db.iter().enumerate();
    let points: Vec<(f64, f64)> =
        blocks.filter_map(|(block, evm_db)| Some((block as f64, (*evm_db)?))).collect();
    if points.is_empty() {
        return String::new();
    }
    curve(&points, ["data block", "EVM (dB)"], EVM_RANGE_MIN_DB, "EVM of each data block")
}

/// A curve through `points`, over a vertical range of at least `range_min`.
fn curve(points: &[(f64, f64)], labels: [&str; 2], range_min: f64, about: &str) -> String {
    let values = || points.iter().map(|(_, y)| *y);
    let (low, high) = (values().fold(f64::MAX, f64::min), values().fold(f64::MIN, f64::max));
    let missing = (range_min - (high - low)).max(0.0) / 2.0;
    let x = Axis::linear(points.iter().map(|(x, _)| *x), labels[0]);
    let y = Axis::linear([low - missing, high + missing], labels[1]);
    let marks = points.iter().map(|&(x, y)| {
        let title = format!("{x:.4}: {y:.2} dB");
        Mark { x, y: Some(y), interval: None, title }
    });
    let draw = if points.len() > CURVE_MARKS_MAX { Draw::Line } else { Draw::Joined };
    let series = [Series { name: about.to_owned(), marks: marks.collect(), draw }];
    plot::line_chart(x, y, &series, &[], about)
}
