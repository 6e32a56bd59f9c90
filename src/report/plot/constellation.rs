//! Constellation diagrams: received symbols by density, ideal ones as crosses, all at one scale.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::super::html::escape;
use crate::record::Constellation;

/// Side of a diagram in its own units.
const SIDE: f64 = 240.0;
/// Side of the cells in which symbols are counted.
const CELL: f64 = 2.0;
/// Steps of opacity; classes `d1` … `d6` of the style sheet.
const LEVELS: usize = 6;
/// Share of symbols that must lie within the common scale.
const WITHIN: f64 = 0.985;
/// Smallest half side, in units in which ideal symbols have unit mean power.
const EXTENT_MIN: f64 = 1.4;

/// Half side of a square that holds nearly all symbols of all `constellations`.
pub(in crate::report) fn extent<'a>(
    constellations: impl IntoIterator<Item = &'a Constellation>,
) -> f64 {
    let each = constellations.into_iter().map(|constellation| {
        let mut sizes: Vec<f32> =
            constellation.points.iter().map(|[i, q]| i.abs().max(q.abs())).collect();
        sizes.sort_by(f32::total_cmp);
        let at = (WITHIN * sizes.len() as f64) as usize;
        sizes.get(at).or(sizes.last()).map_or(0.0, |size| f64::from(*size))
    });
    (1.05 * each.fold(0.0, f64::max)).clamp(EXTENT_MIN, 8.0)
}

/// One diagram. `keep` bounds how many places are drawn.
pub(in crate::report) fn constellation(
    data: &Constellation,
    extent: f64,
    keep: usize,
    about: &str,
) -> String {
    let place = |x: f32, y: f32| {
        let unit = SIDE / 2.0 / extent;
        (SIDE / 2.0 + f64::from(x) * unit, SIDE / 2.0 - f64::from(y) * unit)
    };
    let inside = |(x, y): &(f64, f64)| (0.0..=SIDE).contains(x) && (0.0..=SIDE).contains(y);
    let every = data.points.len().div_ceil(keep.max(1)).max(1);
    let shown: Vec<(f64, f64)> =
        data.points.iter().step_by(every).map(|[i, q]| place(*i, *q)).collect();
    let outside = shown.iter().filter(|place| !inside(place)).count();
    let mut svg = format!(
        "<svg class=\"iq\" viewBox=\"0 0 {SIDE} {SIDE}\" role=\"img\" aria-label=\"{about}\">\
         <title>{about}</title><path class=\"grid\" d=\"M0 {half}H{SIDE}M{half} 0V{SIDE}\"/>",
        about = escape(about),
        half = SIDE / 2.0
    );
    let drawn: Vec<(f64, f64)> = shown.into_iter().filter(inside).collect();
    svg.push_str(&density(&drawn));
    svg.push_str("<path class=\"ideal\" d=\"");
    for [i, q] in &data.ideal {
        let (x, y) = place(*i, *q);
        // Writing to a String cannot fail.
        let _ = write!(svg, "M{:.1} {y:.1}h10M{x:.1} {:.1}v10", x - 5.0, y - 5.0);
    }
    svg.push_str("\"/>");
    if outside > 0 {
        let words = match outside {
            1 => "1 point lies outside this frame".to_owned(),
            more => format!("{more} points lie outside this frame"),
        };
        let _ = write!(svg, "<text class=\"tick over\" x=\"6\" y=\"16\">{words}</text>");
    }
    svg.push_str("</svg>");
    svg
}

/// Dots, the more opaque the more symbols lie in their cell; a cell's dot stands at its first one.
fn density(places: &[(f64, f64)]) -> String {
    let mut cells: BTreeMap<(i32, i32), ((f64, f64), u32)> = BTreeMap::new();
    for &(x, y) in places {
        let cell = ((x / CELL) as i32, (y / CELL) as i32);
        cells.entry(cell).or_insert(((x, y), 0)).1 += 1;
    }
    let most = cells.values().map(|(_, count)| *count).max().unwrap_or(1);
    let mut levels = vec![String::new(); LEVELS];
    for ((x, y), count) in cells.values() {
        // By the square root, so that thin clouds stay visible beside dense ones.
        let share = (f64::from(*count) / f64::from(most)).sqrt();
        let level = ((share * LEVELS as f64) as usize).min(LEVELS - 1);
        let _ = write!(levels[level], "M{x:.1} {y:.1}h0");
    }
    let paths = levels.iter().enumerate().filter(|(_, path)| !path.is_empty());
    paths
        .map(|(level, path)| format!("<path class=\"dot d{}\" d=\"{path}\"/>", level + 1))
        .collect()
}
