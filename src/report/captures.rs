//! The measurements of a run: their constellations and their figures.

use std::fmt::Write as _;

use super::html::{breakable, code, escape, number_table, table};
use super::notes::shortened;
use super::number::{count, error_rate, error_rate_parts, number, rate, recorded, spread};
use super::plot;
use super::run::{GivenUp, ROWS_MAX, Run, Shot};
use crate::record::{
    Analysis, AxisValue, Constellation, Figure, RecordedValue, Value, figure_names,
};

/// Most constellations in a page; of more measurements an even selection is drawn.
const CONSTELLATIONS_MAX: usize = 240;
/// Most dots of all constellations of a page together, about 13 bytes each.
const DOTS_MAX: usize = 240_000;
/// Most symbols of one constellation that are held, about as many as one capture's analysis keeps.
const POINTS_MAX: usize = 4000;
/// Most measurements whose every figure is listed.
const ALL_FIGURES_MAX: usize = 24;

/// Constellations of the measurements in order, all at one scale.
pub(super) fn constellations(run: &Run<'_>) -> String {
    if run.shots.count() == 0 {
        return "<p>Nothing was measured.</p>\n".to_owned();
    }
    let every = run.shots.every(CONSTELLATIONS_MAX);
    let chosen = run.shots.selected(CONSTELLATIONS_MAX);
    let chosen: Vec<(&Shot, Option<Analysis>)> =
        chosen.map(|(_, shot)| (shot, run.analysis(shot).map(drawable))).collect();
    let received =
        chosen.iter().filter_map(|(_, analysis)| Some(&analysis.as_ref()?.constellation));
    let extent = plot::extent(received);
    let keep = DOTS_MAX / chosen.len();
    let mut html = String::from(
        "<p>Received symbols after equalisation, in the order of the run and all at one scale. The more \
         symbols lie in a place, the more opaque it is; crosses mark where they should lie.</p>\n",
    );
    if every > 1 {
        let (all, drawn) = (count(run.shots.count() as u64), chosen.len());
        let _ = writeln!(html, "<p>{drawn} of {all} measurements are drawn, every {every}th.</p>");
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

/// What a drawing needs of an analysis: many of them are held at a time.
fn drawable(mut analysis: Analysis) -> Analysis {
    let points = &mut analysis.constellation.points;
    let every = points.len().div_ceil(POINTS_MAX).max(1);
    *points = points.iter().step_by(every).copied().collect();
    analysis.channel = Vec::new();
    analysis.evm_per_block_db = Vec::new();
    analysis
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
    let point = shot.point.map(|point| format!("point {point}"));
    let what = [frame_name(shot), point, position(shot)].into_iter().flatten();
    let what = what.collect::<Vec<_>>();
    let verdict = shot.verdict().map(|verdict| {
        format!(
            "<p class=\"what told\"><strong class=\"differs\">{}</strong></p>",
            breakable(verdict)
        )
    });
    format!(
        "<figure><figcaption><h3>{}</h3><p class=\"what\">{}</p>{}</figcaption>{drawing}\
         <dl>{lines}</dl></figure>\n",
        breakable(shot.name()),
        breakable(what.join(" · ")),
        verdict.unwrap_or_default()
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
    decibels_and_spread(shot, name).map_or("not measured".to_owned(), escape)
}

pub(super) fn frame_name(shot: &Shot) -> Option<String> {
    shot.frame.clone()
}

/// Where the measurement lies in the sweep, in words; the frame is told apart from it.
pub(super) fn position(shot: &Shot) -> Option<String> {
    axes_words(&shot.position)
}

fn axes_words(position: &[AxisValue]) -> Option<String> {
    let axes = position.iter().filter(|axis| axis.axis != "frame");
    let words: Vec<String> =
        axes.map(|axis| format!("{} {}", axis.axis, recorded(&axis.value))).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

/// One row a measurement with the figures a reader compares first.
pub(super) fn figures(run: &Run<'_>) -> String {
    let swept = run.shots.first(ROWS_MAX).any(|shot| position(shot).is_some());
    let in_points = run.shots.first(ROWS_MAX).any(|shot| shot.point.is_some());
    let all_sound = run.shots.first(ROWS_MAX).all(Shot::is_sound);
    let row = |shot: &Shot| {
        let or_dash = |text: Option<String>| text.map_or("–".to_owned(), escape);
        let mut row = vec![breakable(shot.name()), or_dash(frame_name(shot))];
        if in_points {
            row.insert(1, or_dash(shot.point.map(|point| point.to_string())));
        }
        if !all_sound {
            let differs = |text| format!("<strong class=\"differs\">{}</strong>", breakable(text));
            row.push(shot.verdict().map_or("sound".to_owned(), differs));
        }
        if swept {
            row.push(position(shot).map_or("–".to_owned(), breakable));
        }
        row.extend([
            or_dash(decibels_and_spread(shot, figure_names::SNR_DB)),
            or_dash(decibels_and_spread(shot, figure_names::EVM_DB)),
            or_dash(error_rate(&shot.figures)),
            or_dash(wrong_bits(shot)),
            or_dash(shot.figure(figure_names::CFO_HZ).map(|x| number(x, "Hz"))),
            or_dash(clipped(shot)),
            captures_of(shot),
        ]);
        row
    };
    let mut head = vec!["Measurement", "Frame"];
    if in_points {
        head.insert(1, "Point");
    }
    if !all_sound {
        head.push("Verdict");
    }
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
        "Captures",
    ]);
    let rows: Vec<Vec<String>> = run.shots.first(ROWS_MAX).map(row).collect();
    let several = run.shots.first(ROWS_MAX).any(|shot| !shot.spread.is_empty());
    let explained = if several { SPREAD } else { "" };
    number_table("Figures of every measurement", &head, &rows)
        + explained
        + &left_out(run.shots.count(), ROWS_MAX, "measurements")
        + &given_up(run)
        + &all_figures(run)
}

/// The points that no row of the figures tells of, and why; empty when there are none.
fn given_up(run: &Run<'_>) -> String {
    if run.given_up.is_empty() {
        return String::new();
    }
    let row = |point: &GivenUp| {
        let place = axes_words(&point.position).map_or("–".to_owned(), breakable);
        let why = breakable(shortened(&point.why));
        vec![point.point.to_string(), place, format!("<span class=\"told\">given up: {why}</span>")]
    };
    let rows: Vec<Vec<String>> = run.given_up.iter().map(row).collect();
    table("Points given up: nothing of them counts", &["Point", "Where", "Why"], &rows)
        + &left_out(run.given_up_count, rows.len(), "points given up")
}

const SPREAD: &str = "<p>Behind ± stands the standard deviation over the captures of a measurement.\
    </p>\n";

/// A figure in dB, with its standard deviation over the captures where there are several.
fn decibels_and_spread(shot: &Shot, name: &str) -> Option<String> {
    let value = number(shot.figure(name)?, "dB");
    Some(match shot.spread(name) {
        Some(deviation) => {
            format!("{} ± {}", value.trim_end_matches(" dB"), spread(deviation, "dB"))
        }
        None => value,
    })
}

/// Share of samples at the end of the converter's range.
fn clipped(shot: &Shot) -> Option<String> {
    let share = shot.clipped_fraction.or_else(|| shot.figure(figure_names::CLIPPED_FRACTION))?;
    Some(if share == 0.0 { "none".to_owned() } else { format!("{} of samples", rate(share)) })
}

/// Numbers of the captures, and whether their recordings were kept.
fn captures_of(shot: &Shot) -> String {
    let numbers = match shot.captures.as_slice() {
        [first, .., last] => format!("{} to {}", first.0, last.0),
        [capture] => capture.0.to_string(),
        [] => "none".to_owned(),
    };
    match shot.captures.len() - shot.kept.min(shot.captures.len()) {
        0 => numbers,
        _ if shot.kept == 0 => format!("{numbers}, not kept"),
        missing => format!("{numbers}, {missing} of them not kept"),
    }
}

/// Bits found wrong of the bits compared.
fn wrong_bits(shot: &Shot) -> Option<String> {
    let wrong = shot.figure(figure_names::BIT_ERRORS)?;
    let all = shot.figure(figure_names::BITS)?;
    Some(format!("{} of {}", count(wrong as u64), count(all as u64)))
}

/// What a table of at most `shown` rows does not show of `all`.
pub(super) fn left_out(all: usize, shown: usize, what: &str) -> String {
    let more = all.saturating_sub(shown);
    if more == 0 {
        return String::new();
    }
    format!(
        "<p>The first {} are shown; {} more {what} stand in the journal.</p>\n",
        count(shown as u64),
        count(more as u64)
    )
}

/// Every figure of every measurement side by side, folded away.
fn all_figures(run: &Run<'_>) -> String {
    if run.shots.count() > ALL_FIGURES_MAX {
        return String::new();
    }
    let shots: Vec<&Shot> = run.shots.first(ALL_FIGURES_MAX).collect();
    // In the order of the analysis: the names of the first measurement, then those others add.
    let mut names: Vec<&str> = Vec::new();
    for figure in shots.iter().flat_map(|shot| &shot.figures) {
        if !names.contains(&figure.name.as_str()) {
            names.push(&figure.name);
        }
    }
    if names.is_empty() {
        return String::new();
    }
    let cell = |shot: &Shot, name: &str| {
        let figure = shot.figures.iter().find(|figure| figure.name == name);
        escape(figure.map_or("–".to_owned(), |figure| exact(shot, figure)))
    };
    let row = |name: &str| {
        let mut row = vec![code(name)];
        row.extend(shots.iter().map(|shot| cell(shot, name)));
        row
    };
    let rows: Vec<Vec<String>> = names.into_iter().map(row).collect();
    let title = |shot: &&Shot| match shot.is_sound() {
        true => shot.name(),
        false => format!("{} (doubtful)", shot.name()),
    };
    let titles: Vec<String> = shots.iter().map(title).collect();
    let mut head = vec!["Figure"];
    head.extend(titles.iter().map(String::as_str));
    let table = number_table("Every figure of every measurement", &head, &rows);
    format!("<details><summary>Every figure</summary>\n{table}</details>\n")
}

/// A figure with all its digits; a bit error rate of nothing wrong is a bound here as well.
fn exact(shot: &Shot, figure: &Figure) -> String {
    let Some(value) = figure.value.clone() else { return "not available".to_owned() };
    let text = match (&value, figure.name.as_str()) {
        (Value::Switch(yes), _) => if *yes { "yes" } else { "no" }.to_owned(),
        (Value::Number(0.0), figure_names::BER) => error_rate(&shot.figures).unwrap_or_default(),
        _ => recorded(&RecordedValue { value, unit: figure.unit.clone() }),
    };
    match shot.spread(&figure.name) {
        Some(deviation) => {
            format!("{text} ± {}", spread(deviation, figure.unit.as_deref().unwrap_or_default()))
        }
        None => text,
    }
}
