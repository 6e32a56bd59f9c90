//! The captures of a run: constellations, figures, and how they change from capture to capture.

use std::fmt::Write as _;

use super::html::{escape, number_table};
use super::number::{count, error_rate, error_rate_parts, number, number_exact, rate, recorded};
use super::plot::{self, Axis, Mark, Series};
use super::run::{Run, Shot};
use crate::record::{Analysis, Constellation, RecordedValue, Value, figure_names};

/// Most constellations in a page; of more captures an even selection is drawn.
const CONSTELLATIONS_MAX: usize = 240;
/// Most dots of all constellations of a page together, about 13 bytes each.
const DOTS_MAX: usize = 240_000;
/// Most captures whose channel and EVM over the blocks are drawn.
const CURVES_MAX: usize = 24;

/// Constellations of the captures in order, all at one scale.
pub(super) fn constellations(run: &Run<'_>) -> String {
    if run.shots.is_empty() {
        return "<p>No capture was kept.</p>\n".to_owned();
    }
    let every = run.shots.len().div_ceil(CONSTELLATIONS_MAX).max(1);
    let chosen: Vec<(&Shot, Option<Analysis>)> =
        run.shots.iter().step_by(every).map(|shot| (shot, run.analysis(shot))).collect();
    let received =
        chosen.iter().filter_map(|(_, analysis)| Some(&analysis.as_ref()?.constellation));
    let extent = plot::extent(received);
    let keep = DOTS_MAX / chosen.len();
    let mut html = String::from(
        "<p>Received symbols after equalisation, in capture order and all at one scale. The more \
         symbols lie in a place, the more opaque it is; crosses mark where they should lie.</p>\n",
    );
    if every > 1 {
        let (all, drawn) = (run.shots.len(), chosen.len());
        let _ = writeln!(html, "<p>{drawn} of {all} captures are drawn, every {every}th.</p>");
    }
    html.push_str("<div class=\"shots\">\n");
    for (shot, analysis) in &chosen {
        let drawing = match analysis {
            Some(analysis) if analysis.constellation.points.is_empty() => missing("no symbols"),
            Some(analysis) => draw_constellation(shot, &analysis.constellation, extent, keep),
            None => missing("analysis file not readable"),
        };
        html.push_str(&figure(shot, &drawing));
    }
    html.push_str("</div>\n");
    html
}

fn missing(why: &str) -> String {
    format!("<p class=\"missing\">Not drawn: {}.</p>", escape(why))
}

fn draw_constellation(shot: &Shot, data: &Constellation, extent: f64, keep: usize) -> String {
    let shown = data.points.len().min(keep) as u64;
    let about = format!(
        "Constellation of {}: {} of {} symbols, {} ideal places",
        shot.name(),
        count(shown),
        count(data.symbols),
        data.ideal.len()
    );
    plot::constellation(data, extent, keep, &about)
}

fn figure(shot: &Shot, drawing: &str) -> String {
    let mut lines = String::new();
    let mut line = |name: &str, value: String| {
        let _ = write!(lines, "<div><dt>{name}</dt><dd>{value}</dd></div>");
    };
    line("SNR", decibels(shot, figure_names::SNR_DB));
    line("EVM", decibels(shot, figure_names::EVM_DB));
    line("BER", ber_lines(shot));
    let what = [frame_name(shot), position(shot)].into_iter().flatten().collect::<Vec<_>>();
    format!(
        "<figure><figcaption><h3>{}</h3><p class=\"what\">{}</p></figcaption>{drawing}\
         <dl>{lines}</dl></figure>\n",
        escape(shot.name()),
        escape(what.join(" · "))
    )
}

/// The bit error rate, and below it its interval.
fn ber_lines(shot: &Shot) -> String {
    match error_rate_parts(&shot.figures) {
        None => "not measured".to_owned(),
        Some((ber, None)) => escape(ber),
        Some((ber, Some(interval))) => {
            format!("{}<br><span class=\"quiet\">{}</span>", escape(ber), escape(interval))
        }
    }
}

fn decibels(shot: &Shot, name: &str) -> String {
    shot.figure(name).map_or("not measured".to_owned(), |value| escape(number(value, "dB")))
}

fn frame_name(shot: &Shot) -> Option<String> {
    shot.frame.as_ref().map(|frame| frame.name.clone())
}

/// Where the capture lies in the sweep, in words; the frame is told apart from it.
fn position(shot: &Shot) -> Option<String> {
    let axes = shot.position.iter().filter(|axis| axis.axis != "frame");
    let words: Vec<String> =
        axes.map(|axis| format!("{} {}", axis.axis, recorded(&axis.value))).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

/// One row a capture with the figures a reader compares first.
pub(super) fn figures(run: &Run<'_>) -> String {
    let swept = run.shots.iter().any(|shot| position(shot).is_some());
    let row = |shot: &Shot| {
        let or_dash = |text: Option<String>| text.map_or("–".to_owned(), escape);
        let mut row = vec![escape(shot.name()), or_dash(frame_name(shot))];
        if swept {
            row.push(or_dash(position(shot)));
        }
        row.extend([
            or_dash(shot.figure(figure_names::SNR_DB).map(|x| number(x, "dB"))),
            or_dash(shot.figure(figure_names::EVM_DB).map(|x| number(x, "dB"))),
            or_dash(error_rate(&shot.figures)),
            or_dash(wrong_bits(shot)),
            or_dash(shot.figure(figure_names::CFO_HZ).map(|x| number(x, "Hz"))),
            escape(match shot.taken.clipped_fraction {
                0.0 => "none".to_owned(),
                clipped => format!("{} of samples", rate(clipped)),
            }),
        ]);
        row
    };
    let mut head = vec!["Capture", "Frame"];
    if swept {
        head.push("Where");
    }
    head.extend([
        "SNR",
        "EVM",
        "BER with 95 % interval",
        "Wrong bits",
        "Carrier offset",
        "Clipped",
    ]);
    let rows: Vec<Vec<String>> = run.shots.iter().map(row).collect();
    number_table("Figures of every capture", &head, &rows) + &all_figures(run)
}

/// Bits found wrong of the bits compared.
fn wrong_bits(shot: &Shot) -> Option<String> {
    let wrong = shot.figure(figure_names::BIT_ERRORS)?;
    let all = shot.figure(figure_names::BITS)?;
    Some(format!("{} of {}", count(wrong as u64), count(all as u64)))
}

/// Every figure of every capture, folded away.
fn all_figures(run: &Run<'_>) -> String {
    if run.shots.len() > CURVES_MAX {
        return String::new();
    }
    let mut rows = Vec::new();
    for shot in &run.shots {
        for figure in &shot.figures {
            let unit = figure.unit.clone();
            let value = figure.value.clone().map(|value| RecordedValue { value, unit });
            rows.push(vec![
                escape(shot.name()),
                format!("<code>{}</code>", escape(&figure.name)),
                value.map_or("not available".to_owned(), |value| escape(exact(&value))),
            ]);
        }
    }
    if rows.is_empty() {
        return String::new();
    }
    let table =
        number_table("Every figure of every capture", &["Capture", "Figure", "Value"], &rows);
    format!("<details><summary>Every figure</summary>{table}</details>\n")
}

fn exact(value: &RecordedValue) -> String {
    match (&value.value, value.unit.as_deref()) {
        (Value::Number(x), unit) => number_exact(*x, unit.unwrap_or_default()),
        _ => recorded(value),
    }
}

/// EVM and BER over the captures, or over the sweep's axis when it has one of numbers.
pub(super) fn trends(run: &Run<'_>) -> String {
    if run.shots.len() < 2 {
        return "<p>Fewer than two captures: nothing to compare.</p>\n".to_owned();
    }
    let along = Along::of(run);
    let evm = along.series(run, |shot, x| {
        let evm_db = shot.figure(figure_names::EVM_DB)?;
        let title = format!("{}: EVM {}", along.words(shot), number(evm_db, "dB"));
        Some(Mark { x, y: Some(evm_db), interval: None, title })
    });
    let ber = along.series(run, |shot, x| error_mark(shot, x, &along.words(shot)));
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
    format!(
        "<div class=\"pair\"><div><h3>Error vector magnitude</h3>\n{}{}</div>\n<div>\
         <h3>Bit error rate</h3>\n{}{}</div></div>\n<p>Bars are 95 % intervals. An arrow down from a bar: no errors were found, and the rate \
         lies below the bar with 95 % confidence.</p>\n",
        chart(
            Axis::linear(values(&evm), "EVM (dB)"),
            &evm,
            "EVM of every capture; the table above has the numbers"
        ),
        plot::legend(&evm),
        chart(
            Axis::decades(bounds, "BER"),
            &ber,
            "Bit error rate of every capture with its interval; the table above has the numbers"
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
    high.map(|high| Mark { x, y: None, interval: Some((high, high)), title })
}

/// What the captures are drawn over.
struct Along {
    /// The sweep's axis of numbers with the most distinct values, and its unit.
    axis: Option<(String, String)>,
}

impl Along {
    fn of(run: &Run<'_>) -> Self {
        let mut best: Option<(usize, String, String)> = None;
        let first = run.shots.first().map(|shot| shot.position.as_slice()).unwrap_or_default();
        for axis in first {
            let mut values: Vec<f64> =
                run.shots.iter().filter_map(|shot| value_on(shot, &axis.axis)).collect();
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
                let values = run.shots.iter().filter_map(|shot| value_on(shot, name));
                let label = if unit.is_empty() { name.clone() } else { format!("{name} ({unit})") };
                if unit == "deg" {
                    Axis::degrees(values, label)
                } else {
                    Axis::linear(values, label)
                }
            }
            None => {
                let names: Vec<String> = run.shots.iter().map(Shot::name).collect();
                Axis::names(&names, "capture, in order")
            }
        }
    }

    /// The marks, one series for each combination of the other axes.
    fn series(&self, run: &Run<'_>, mark: impl Fn(&Shot, f64) -> Option<Mark>) -> Vec<Series> {
        let mut all: Vec<Series> = Vec::new();
        for (place, shot) in run.shots.iter().enumerate() {
            let (x, name) = match &self.axis {
                Some((axis, _)) => (value_on(shot, axis), self.others(shot, axis)),
                None => (Some(place as f64), String::new()),
            };
            let Some(mark) = x.and_then(|x| mark(shot, x)) else { continue };
            match all.iter_mut().find(|series| series.name == name) {
                Some(series) => series.marks.push(mark),
                None => all.push(Series { name, marks: vec![mark], joined: self.axis.is_some() }),
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
        words.join(", ")
    }
}

fn value_on(shot: &Shot, axis: &str) -> Option<f64> {
    let found = shot.position.iter().find(|value| value.axis == axis)?;
    found.value.value.as_f64()
}

/// Channel response and EVM over the blocks of each capture, folded away.
pub(super) fn curves(run: &Run<'_>) -> String {
    let mut html = String::new();
    for shot in run.shots.iter().take(CURVES_MAX) {
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
    let left = run.shots.len().saturating_sub(CURVES_MAX);
    if left > 0 {
        let _ =
            writeln!(html, "<p>The other {left} captures have theirs in their analysis files.</p>");
    }
    format!(
        "<details><summary>Channel response and EVM over the blocks of each capture</summary>\n\
         {html}</details>\n"
    )
}

fn channel(analysis: &Analysis) -> String {
    if analysis.channel.is_empty() {
        return String::new();
    }
    let marks = analysis.channel.iter().map(|point| (point.offset_hz / 1e6, point.magnitude_db));
    simple_curve(marks, ["offset from the carrier (MHz)", "magnitude (dB)"], "Channel response")
}

fn evm_over_blocks(analysis: &Analysis) -> String {
    let blocks = analysis.evm_per_block_db.iter().enumerate();
    let marks: Vec<(f64, f64)> =
        blocks.filter_map(|(block, evm_db)| Some((block as f64, (*evm_db)?))).collect();
    if marks.is_empty() {
        return String::new();
    }
    simple_curve(marks.into_iter(), ["data block", "EVM (dB)"], "EVM of each data block")
}

fn simple_curve(
    points: impl Iterator<Item = (f64, f64)>,
    labels: [&str; 2],
    about: &str,
) -> String {
    let marks: Vec<Mark> = points
        .map(|(x, y)| {
            let title = format!("{x:.4}: {y:.2} dB");
            Mark { x, y: Some(y), interval: None, title }
        })
        .collect();
    let x = Axis::linear(marks.iter().map(|mark| mark.x), labels[0]);
    let y = Axis::linear(marks.iter().filter_map(|mark| mark.y), labels[1]);
    let series = [Series { name: about.to_owned(), marks, joined: true }];
    plot::line_chart(x, y, &series, &[], about)
}
