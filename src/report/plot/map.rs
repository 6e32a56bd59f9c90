//! A map over two axes: the value of each probe as a colour, with a scale beside it.
//!
//! Probes may lie anywhere; a place without one takes the colour of the nearest, and each probe is
//! a dot, so that the reader sees what was measured.

use super::super::html::escape;
use super::super::number;
use super::{Axis, BOTTOM, Chart, HEIGHT, LEFT, RIGHT, TOP, WIDTH};

/// One probe.
#[derive(Clone, Copy, Debug)]
pub(in crate::report) struct MapCell {
    pub(in crate::report) x: f64,
    pub(in crate::report) y: f64,
    /// The value; none when nothing was received.
    pub(in crate::report) value: Option<f64>,
}

/// A place worth a mark.
#[derive(Clone, Debug)]
pub(in crate::report) struct MapMark {
    pub(in crate::report) x: f64,
    pub(in crate::report) y: f64,
    pub(in crate::report) text: String,
}

/// Height of a map, which shows two angles and so is taller than a chart.
const MAP_HEIGHT: f64 = HEIGHT + 80.0;
/// Colours of the scale from low to high: ink, slate, sea, moss, straw. Luminance rises evenly, so
/// that the order is seen without telling hues apart, and on paper.
const COLOURS: [[f64; 3]; 5] = [
    [24.0, 28.0, 54.0],
    [40.0, 74.0, 112.0],
    [58.0, 128.0, 134.0],
    [150.0, 182.0, 120.0],
    [246.0, 233.0, 170.0],
];
/// Most places that look for their nearest probe.
const NEAREST_MAX: usize = 200_000_000;

/// A heat map of `cells`, with the scale's `unit` in words.
pub(in crate::report) fn heat_map(
    cells: &[MapCell],
    marks: &[MapMark],
    labels: [&str; 2],
    unit: &str,
    about: &str,
) -> String {
    let columns = distinct(cells.iter().map(|cell| cell.x));
    let rows = distinct(cells.iter().map(|cell| cell.y));
    let x_edges = edges(&columns);
    let y_edges = edges(&rows);
    let values = || cells.iter().filter_map(|cell| cell.value);
    let low = values().fold(f64::INFINITY, f64::min);
    let high = values().fold(f64::NEG_INFINITY, f64::max);
    let x = Axis::degrees(x_edges.iter().copied(), labels[0]);
    let y = Axis::degrees(y_edges.iter().copied(), labels[1]);
    let mut chart = Chart::new(x, y, MAP_HEIGHT, 0.0);
    let search_nearest = columns.len() * rows.len() * cells.len() <= NEAREST_MAX;
    for (row, &y) in rows.iter().enumerate() {
        for (column, &x) in columns.iter().enumerate() {
            let probed = cells.iter().find(|cell| cell.x == x && cell.y == y);
            let nearest = || if search_nearest { nearest(cells, x, y) } else { None };
            let Some(cell) = probed.or_else(nearest) else { continue };
            let x_range = [x_edges[column], x_edges[column + 1]];
            let y_range = [y_edges[row], y_edges[row + 1]];
            draw_cell(&mut chart, x_range, y_range, colour_of(cell.value, low, high));
        }
    }
    for cell in cells {
        draw_probe(&mut chart, cell, unit, labels);
    }
    draw_map_marks(&mut chart, marks);
    format!("{}{}", chart.svg(about), scale(low, high, unit, cells))
}

/// The probe closest to a place.
fn nearest(cells: &[MapCell], x: f64, y: f64) -> Option<&MapCell> {
    let distance = |cell: &MapCell| (cell.x - x).powi(2) + (cell.y - y).powi(2);
    cells.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))
}

fn distinct(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.filter(|x| x.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted
}

/// Borders between neighbours half way, and as far beyond the outer ones.
fn edges(centres: &[f64]) -> Vec<f64> {
    let (Some(&first), Some(&last)) = (centres.first(), centres.last()) else {
        return vec![0.0, 1.0];
    };
    let between: Vec<f64> =
        centres.windows(2).map(|pair| f64::midpoint(pair[0], pair[1])).collect();
    let before = between.first().map_or(first - 0.5, |edge| 2.0 * first - edge);
    let after = between.last().map_or(last + 0.5, |edge| 2.0 * last - edge);
    [vec![before], between, vec![after]].concat()
}

fn colour_of(value: Option<f64>, low: f64, high: f64) -> Option<String> {
    let share = if high > low { (value? - low) / (high - low) } else { value.map(|_| 1.0)? };
    Some(colour(share))
}

/// Colour at `share` of the scale.
fn colour(share: f64) -> String {
    let place = share.clamp(0.0, 1.0) * (COLOURS.len() - 1) as f64;
    let below = (place as usize).min(COLOURS.len() - 2);
    let part = place - below as f64;
    let mix = |k: usize| COLOURS[below][k] * (1.0 - part) + COLOURS[below + 1][k] * part;
    format!("#{:02x}{:02x}{:02x}", mix(0) as u8, mix(1) as u8, mix(2) as u8)
}

fn draw_cell(chart: &mut Chart, x: [f64; 2], y: [f64; 2], colour: Option<String>) {
    let (left, right) = (chart.px(x[0]), chart.px(x[1]));
    let (top, bottom) = (chart.py(y[1]), chart.py(y[0]));
    let place = format!(
        "x=\"{left:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\"",
        right - left + 0.3,
        bottom - top + 0.3
    );
    match colour {
        Some(colour) => chart.push(&format!("<rect {place} fill=\"{colour}\"/>")),
        None => chart.push(&format!("<rect {place} class=\"nothing\"/>")),
    }
}

fn draw_probe(chart: &mut Chart, cell: &MapCell, unit: &str, labels: [&str; 2]) {
    let (x, y) = (chart.px(cell.x), chart.py(cell.y));
    let value =
        cell.value.map_or("no frame found".to_owned(), |value| format!("{value:.1} {unit}"));
    // An angle in hundredths: the axis' name ends in its unit.
    let angle = |degrees: f64| number::degrees(degrees).replace(" deg", "");
    let words =
        format!("{} {}, {} {}: {value}", labels[0], angle(cell.x), labels[1], angle(cell.y));
    let class = if cell.value.is_some() { "probe" } else { "probe none" };
    chart.push(&format!(
        "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2\"><title>{}</title></circle>",
        escape(words)
    ));
}

/// Shapes of marks by place in their list, around the origin.
const SHAPES: [&str; 4] = [
    "m-8 -8h16v16h-16z",
    "m-8 0a8 8 0 1 0 16 0a8 8 0 1 0 -16 0z",
    "m0 -10l10 10l-10 10l-10 -10z",
    "m0 -9l9 15h-18z",
];

/// Half the side of the largest mark with its outline.
const MARK_HALF: f64 = 12.0;
/// Width of a letter of a mark's word; with room for the larger letters of a narrow screen.
const LETTER: f64 = 10.0;
/// Height of a mark's word, likewise.
const WORD_HEIGHT: f64 = 20.0;
/// Where a word may stand around its mark, in order of preference: the side of its middle as
/// multiples of the way to it, and lines up or down.
const WORD_PLACES: [(f64, f64); 10] = [
    (1.0, 0.0),
    (-1.0, 0.0),
    // Lifted, so that it also keeps clear of a word that stands beside a neighbour.
    (0.0, -1.5),
    (0.0, 1.5),
    (1.0, -1.0),
    (-1.0, -1.0),
    (1.0, 1.0),
    (-1.0, 1.0),
    (0.0, -2.5),
    (0.0, 2.5),
];

/// A rectangle by its middle and half its sides.
#[derive(Clone, Copy, Debug)]
struct Area {
    x: f64,
    y: f64,
    half_width: f64,
    half_height: f64,
}

impl Area {
    fn meets(&self, other: &Area) -> bool {
        (self.x - other.x).abs() < self.half_width + other.half_width
            && (self.y - other.y).abs() < self.half_height + other.half_height
    }

    fn within(&self, x: [f64; 2], y: [f64; 2]) -> bool {
        self.x - self.half_width >= x[0]
            && self.x + self.half_width <= x[1]
            && self.y - self.half_height >= y[0]
            && self.y + self.half_height <= y[1]
    }
}

fn draw_map_marks(chart: &mut Chart, marks: &[MapMark]) {
    let at: Vec<(f64, f64)> =
        marks.iter().map(|mark| (chart.px(mark.x), chart.py(mark.y))).collect();
    let texts: Vec<&str> = marks.iter().map(|mark| mark.text.as_str()).collect();
    let words = place_words(&at, &texts, [LEFT, WIDTH - RIGHT], [TOP, chart.height - BOTTOM]);
    for (place, (mark, word)) in marks.iter().zip(words).enumerate() {
        draw_map_mark(chart, mark, SHAPES[place % SHAPES.len()], word);
    }
}

/// The middle of each mark's word: the first place around the mark that lies within the plot and
/// covers no mark and no other word. Where all are taken, the first one within the plot.
fn place_words(at: &[(f64, f64)], texts: &[&str], x: [f64; 2], y: [f64; 2]) -> Vec<(f64, f64)> {
    let mut taken: Vec<Area> = at
        .iter()
        .map(|&(x, y)| Area { x, y, half_width: MARK_HALF, half_height: MARK_HALF })
        .collect();
    let mut words = Vec::new();
    for (&(mark_x, mark_y), text) in at.iter().zip(texts) {
        let half_width = LETTER * text.chars().count() as f64 / 2.0;
        let half_height = WORD_HEIGHT / 2.0;
        let around = WORD_PLACES.map(|(side, line)| Area {
            x: mark_x + side * (MARK_HALF + half_width + 1.0),
            y: mark_y + line * (MARK_HALF + half_height + 1.0),
            half_width,
            half_height,
        });
        let inside = || around.iter().filter(|word| word.within(x, y));
        let free = inside().find(|word| !taken.iter().any(|other| other.meets(word)));
        let word = *free.or(inside().next()).unwrap_or(&around[0]);
        taken.push(word);
        words.push((word.x, word.y));
    }
    words
}

fn draw_map_mark(chart: &mut Chart, mark: &MapMark, shape: &str, word: (f64, f64)) {
    let (x, y) = (chart.px(mark.x), chart.py(mark.y));
    // Beside its mark a word begins or ends there, whatever its true width.
    let half = LETTER * mark.text.chars().count() as f64 / 2.0;
    let (anchor, at_x) = match word.0 - x {
        right if right > 1.0 => ("start", word.0 - half + 3.0),
        left if left < -1.0 => ("end", word.0 + half - 3.0),
        _ => ("middle", word.0),
    };
    let at_y = word.1 + 5.0;
    chart.push(&format!(
        "<path class=\"ring under\" d=\"M{x:.1} {y:.1}{shape}\"/>\
         <path class=\"ring\" d=\"M{x:.1} {y:.1}{shape}\"/>\
         <text class=\"onmap\" x=\"{at_x:.1}\" y=\"{at_y:.1}\" text-anchor=\"{anchor}\">{}</text>",
        escape(&mark.text)
    ));
}

/// Hatching for places without a value; a page has it once.
pub(in crate::report) const HATCHING: &str = "<svg class=\"defs\" width=\"0\" height=\"0\" \
    aria-hidden=\"true\"><defs><pattern id=\"hatch\" width=\"8\" height=\"8\" \
    patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><path class=\"axis\" \
    stroke-opacity=\".5\" d=\"M0 0V8\"/></pattern></defs></svg>\n";

/// The scale of colours with its ends in numbers.
fn scale(low: f64, high: f64, unit: &str, cells: &[MapCell]) -> String {
    let nothing = cells.iter().any(|cell| cell.value.is_none());
    let hatched = "<span class=\"swatch nothing\"></span> no frame found";
    let hatched = if nothing { hatched } else { "" };
    if !(low.is_finite() && high.is_finite()) {
        return format!("<p class=\"scale\">{hatched}</p>\n");
    }
    let stops: Vec<String> =
        (0..COLOURS.len()).map(|k| colour(k as f64 / (COLOURS.len() - 1) as f64)).collect();
    format!(
        "<p class=\"scale\">{low:.1} {unit} <span class=\"ramp\" \
         style=\"background:linear-gradient(90deg,{})\"></span> {high:.1} {unit} {hatched}</p>\n",
        stops.join(","),
        unit = escape(unit)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn luminance_rises_along_the_scale() {
        // Relative luminance as WCAG 2.2 defines it (definition "relative luminance").
        let luminance = |share: f64| -> f64 {
            let text = colour(share);
            let weight = [0.2126, 0.7152, 0.0722];
            (0..3)
                .map(|k| {
                    let byte = u8::from_str_radix(&text[1 + 2 * k..3 + 2 * k], 16);
                    let c = f64::from(byte.expect("a colour of ours")) / 255.0;
                    let linear =
                        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) };
                    weight[k] * linear
                })
                .sum()
        };
        let steps: Vec<f64> = (0..=20).map(|k| luminance(f64::from(k) / 20.0)).collect();
        assert!(steps.is_sorted(), "{steps:?}");
        assert!(steps[0] < 0.05 && steps[20] > 0.75, "{steps:?}");
    }

    #[test]
    fn words_of_neighbours_keep_clear_of_each_other() {
        let texts = ["before", "chosen", "runner-up", "best probe"];
        let (x, y) = ([70.0, 564.0], [14.0, 332.0]);
        let check = |at: [(f64, f64); 4]| {
            let words = place_words(&at, &texts, x, y);
            let area = |place: usize| Area {
                x: words[place].0,
                y: words[place].1,
                half_width: LETTER * texts[place].len() as f64 / 2.0,
                half_height: WORD_HEIGHT / 2.0,
            };
            for one in 0..4 {
                assert!(area(one).within(x, y), "{} lies outside at {at:?}", texts[one]);
                for other in 0..one {
                    let clear = !area(one).meets(&area(other));
                    assert!(clear, "{} covers {} at {at:?}", texts[one], texts[other]);
                }
            }
        };
        check([(317.0, 173.0), (249.0, 173.0), (225.0, 173.0), (400.0, 173.0)]);
        check([(317.0, 173.0), (317.0, 173.0), (330.0, 173.0), (317.0, 190.0)]);
        check([(90.0, 30.0), (545.0, 310.0), (520.0, 310.0), (100.0, 310.0)]);
    }

    #[test]
    fn edges_lie_half_way() {
        assert_eq!(edges(&[0.0, 10.0, 14.0]), [-5.0, 5.0, 12.0, 16.0]);
        assert_eq!(edges(&[3.0]), [2.5, 3.5]);
        assert_eq!(edges(&[]), [0.0, 1.0]);
    }
}
