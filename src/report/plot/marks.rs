//! Charts of marks with intervals: one shape and colour a series, words on hover.

use super::super::html::escape;
use super::{Axis, Chart, HEIGHT};

/// One measured value.
#[derive(Clone, Debug)]
pub(in crate::report) struct Mark {
    pub(in crate::report) x: f64,
    /// The value; none when only its upper bound is known.
    pub(in crate::report) y: Option<f64>,
    /// Interval, lower end first; for a bound both are the same.
    pub(in crate::report) interval: Option<(f64, f64)>,
    /// What a reader sees on hover.
    pub(in crate::report) title: String,
}

/// Marks that belong together.
#[derive(Clone, Debug)]
pub(in crate::report) struct Series {
    pub(in crate::report) name: String,
    pub(in crate::report) marks: Vec<Mark>,
    pub(in crate::report) draw: Draw,
}

/// How a series is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) enum Draw {
    /// Marks alone.
    Marks,
    /// Marks, and a line from one to the next.
    Joined,
    /// A line alone, for a curve of many points.
    Line,
    /// A dashed line without a colour of its own: the edge of a band.
    Edge,
}

/// A vertical line at a value of the horizontal axis, with words at its top.
#[derive(Clone, Debug)]
pub(in crate::report) struct Guide {
    pub(in crate::report) x: f64,
    pub(in crate::report) text: String,
}

/// How many series have a look of their own.
const LOOKS: usize = 6;
/// How far apart bounds of several series stand at one place.
const BESIDE: f64 = 11.0;
/// Length of the arrow below an upper bound.
const ARROW: f64 = 20.0;

/// A chart of `series`, with `about` for those who cannot see it.
pub(in crate::report) fn line_chart(
    x: Axis,
    y: Axis,
    series: &[Series],
    guides: &[Guide],
    about: &str,
) -> String {
    let mut chart = Chart::new(x, y, HEIGHT, GUIDE_LINE * guides.len() as f64);
    draw_guides(&mut chart, guides);
    for (look, one) in series.iter().enumerate() {
        let look = look % LOOKS;
        if one.draw != Draw::Marks {
            draw_line(&mut chart, one, look);
        }
        let marked = !matches!(one.draw, Draw::Line | Draw::Edge);
        let marks = one.marks.iter().filter(|_| marked);
        for mark in marks {
            let aside = BESIDE * (look as f64 - (series.len().min(LOOKS) - 1) as f64 / 2.0);
            draw_mark(&mut chart, mark, look, aside);
        }
    }
    chart.svg(about)
}

/// Which look belongs to which series; nothing for a single one.
pub(in crate::report) fn legend(series: &[Series]) -> String {
    if series.len() < 2 {
        return String::new();
    }
    let entry = |(look, one): (usize, &Series)| {
        format!(
            "<li><svg class=\"key\" viewBox=\"0 0 16 16\" aria-hidden=\"true\">{}</svg> {}</li>",
            shape(8.0, 8.0, look % LOOKS, ""),
            escape(&one.name)
        )
    };
    let entries: String = series.iter().enumerate().map(entry).collect();
    format!("<ul class=\"legend\">{entries}</ul>\n")
}

/// Height of one line of words above a plot.
const GUIDE_LINE: f64 = 17.0;

/// Guides with their words above the plot, each on a line of its own.
fn draw_guides(chart: &mut Chart, guides: &[Guide]) {
    let bottom = chart.height - super::BOTTOM;
    for (place, guide) in guides.iter().enumerate() {
        let x = chart.px(guide.x);
        let (anchor, at) =
            if x > super::WIDTH / 2.0 { ("end", x - 5.0) } else { ("start", x + 5.0) };
        let line = GUIDE_LINE * (place as f64 + 1.0);
        chart.push(&format!(
            "<path class=\"guide\" d=\"M{x:.1} {:.1}V{bottom}\"/><text class=\"note\" \
             x=\"{at:.1}\" y=\"{line}\" text-anchor=\"{anchor}\">{}</text>",
            line - 11.0,
            escape(&guide.text)
        ));
    }
}

/// A line through the marks that have a value, broken where one has none.
fn draw_line(chart: &mut Chart, series: &Series, look: usize) {
    let mut path = String::new();
    let mut step = 'M';
    for mark in &series.marks {
        step = match mark.y {
            Some(y) => {
                path += &format!("{step}{:.1} {:.1}", chart.px(mark.x), chart.py(y));
                'L'
            }
            None => 'M',
        };
    }
    let class = match series.draw {
        Draw::Edge => "guide".to_owned(),
        _ => format!("line s{look}"),
    };
    chart.push(&format!("<path class=\"{class}\" d=\"{path}\"/>"));
}

/// One mark; a bound moves `aside`, so that those of several series do not cover each other.
fn draw_mark(chart: &mut Chart, mark: &Mark, look: usize, aside: f64) {
    let x = chart.px(mark.x) + if mark.y.is_none() { aside } else { 0.0 };
    let title = escape(&mark.title);
    if let Some((low, high)) = mark.interval {
        let (low, high) = (chart.py(low), chart.py(high));
        chart.push(&match mark.y {
            Some(_) => format!(
                "<path class=\"bar s{look}\" d=\"M{:.1} {high:.1}h10M{:.1} {low:.1}h10\
                 M{x:.1} {high:.1}V{low:.1}\"/>",
                x - 5.0,
                x - 5.0
            ),
            None => format!(
                "<path class=\"bar s{look}\" d=\"M{x:.1} {high:.1}v{ARROW}m-4 -6l4 6l4 -6\"/>\
                 <g class=\"hollow\">{}</g>",
                shape(x, high, look, &title)
            ),
        });
    }
    if let Some(y) = mark.y {
        let y = chart.py(y);
        chart.push(&shape(x, y, look, &title));
    }
}

/// The mark of look `look` around a place; `title` is HTML already.
fn shape(x: f64, y: f64, look: usize, title: &str) -> String {
    let path = match look {
        0 => "m-4.5 0a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0z",
        1 => "m-4 -4h8v8h-8z",
        2 => "m0 -5.5l5 9h-10z",
        3 => "m0 -6l6 6l-6 6l-6 -6z",
        4 => "m0 5.5l5 -9h-10z",
        _ => "m-4 -5l4 3l4 -3v7l-4 3l-4 -3z",
    };
    let hover = if title.is_empty() { String::new() } else { format!("<title>{title}</title>") };
    format!("<path class=\"mark s{look}\" d=\"M{x:.1} {y:.1}{path}\">{hover}</path>")
}
