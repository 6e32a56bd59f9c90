//! Beam searches: what was probed, what was chosen, what it gained.

use std::fmt::Write as _;

use super::html::{escape, number_table};
use super::number::number;
use super::plot::{self, Axis, Draw, Guide, MapCell, MapMark, Mark, Series};
use super::run::{Run, SEARCHES_MAX};
use crate::record::{Probe, SearchDone, SearchSide};

/// Every search of the run, drawn.
pub(super) fn searches(run: &Run<'_>) -> String {
    if run.searches.is_empty() {
        return "<p>No beam search was made.</p>\n".to_owned();
    }
    let mut html = String::new();
    for (place, search) in run.searches.iter().enumerate() {
        let _ = write!(
            html,
            "<h3>Search {}: {}, {}</h3>\n<p>{}</p>\n{}{}",
            place + 1,
            side(search.side),
            escape(&search.strategy),
            escape(in_words(search)),
            draw(search),
            places(search)
        );
    }
    let left = run.search_count.saturating_sub(SEARCHES_MAX);
    if left > 0 {
        let _ = writeln!(html, "<p>{left} more searches stand in the journal.</p>");
    }
    html
}

fn side(side: SearchSide) -> &'static str {
    match side {
        SearchSide::Tx => "transmit beam",
        SearchSide::Rx => "receive beam",
        SearchSide::Both => "both beams",
    }
}

/// One sentence on a search.
pub(super) fn in_words(search: &SearchDone) -> String {
    let probes = search.probes.len();
    let lost = search.probes.iter().filter(|probe| probe.snr_db.is_none()).count();
    let mut words = format!("{probes} probes");
    if lost > 0 {
        let _ = write!(words, ", {lost} of them without a frame");
    }
    match (search.found, &search.chosen) {
        (true, Some(chosen)) => {
            let _ = write!(words, "; chose {}", place(search.side, chosen));
        }
        (false, _) => words.push_str("; no usable link was found"),
        (true, None) => words.push_str("; nothing was chosen"),
    }
    if let Some(gain_db) = search.gain_db {
        let better = if gain_db >= 0.0 { "better" } else { "worse" };
        let _ = write!(words, ", {} {better} than before", number(gain_db.abs(), "dB"));
    }
    words + "."
}

fn place(side: SearchSide, probe: &Probe) -> String {
    let snr = probe.snr_db.map_or("no frame found".to_owned(), |snr| number(snr, "dB"));
    let (tx, rx) = (number(probe.tx_deg, "deg"), number(probe.rx_deg, "deg"));
    match side {
        SearchSide::Tx => format!("transmit beam {tx} (SNR {snr})"),
        SearchSide::Rx => format!("receive beam {rx} (SNR {snr})"),
        SearchSide::Both => format!("transmit beam {tx}, receive beam {rx} (SNR {snr})"),
    }
}

/// The marked places of a search with their names; the best probe only when it was not chosen.
fn marked(search: &SearchDone) -> Vec<(&'static str, Probe)> {
    let heard = search.probes.iter().filter(|probe| probe.snr_db.is_some());
    let best = heard.max_by(|a, b| f64::total_cmp(&snr(a), &snr(b))).copied();
    let chosen = |probe: &Probe| {
        let same = |chosen: Probe| chosen.tx_deg == probe.tx_deg && chosen.rx_deg == probe.rx_deg;
        search.chosen.is_some_and(same)
    };
    let all = [
        ("before", search.before),
        ("chosen", search.chosen),
        ("runner-up", search.runner_up),
        ("best probe", best.filter(|best| !chosen(best))),
    ];
    all.into_iter().filter_map(|(name, probe)| Some((name, probe?))).collect()
}

fn snr(probe: &Probe) -> f64 {
    probe.snr_db.unwrap_or(f64::NEG_INFINITY)
}

fn places(search: &SearchDone) -> String {
    let rows: Vec<Vec<String>> = marked(search)
        .into_iter()
        .map(|(name, probe)| {
            vec![
                name.to_owned(),
                escape(number(probe.tx_deg, "deg")),
                escape(number(probe.rx_deg, "deg")),
                probe.snr_db.map_or("no frame found".to_owned(), |snr| escape(number(snr, "dB"))),
            ]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    number_table(
        "Beams before and after the search",
        &["Beams", "Transmit", "Receive", "SNR"],
        &rows,
    )
}

fn draw(search: &SearchDone) -> String {
    if search.probes.is_empty() {
        return "<p>No probe was made.</p>\n".to_owned();
    }
    match search.side {
        SearchSide::Both => map(search),
        SearchSide::Tx => over_angle(search, "transmit beam (deg)", |probe| probe.tx_deg),
        SearchSide::Rx => over_angle(search, "receive beam (deg)", |probe| probe.rx_deg),
    }
}

fn map(search: &SearchDone) -> String {
    let cells: Vec<MapCell> = search
        .probes
        .iter()
        .map(|probe| MapCell { x: probe.rx_deg, y: probe.tx_deg, value: probe.snr_db })
        .collect();
    let marks: Vec<MapMark> = marked(search)
        .into_iter()
        .map(|(name, probe)| MapMark { x: probe.rx_deg, y: probe.tx_deg, text: name.to_owned() })
        .collect();
    let labels = ["receive beam (deg)", "transmit beam (deg)"];
    let about = format!("Signal-to-noise ratio over both beams: {}", in_words(search));
    let map = plot::heat_map(&cells, &marks, labels, "dB", &about);
    format!(
        "<p>Signal-to-noise ratio by colour. Each dot is a probe; a place between takes the colour \
         of the nearest one.</p>\n{map}"
    )
}

fn over_angle(search: &SearchDone, label: &str, angle: impl Fn(&Probe) -> f64) -> String {
    let found = search.probes.iter().filter_map(|probe| probe.snr_db);
    let floor = found.clone().fold(f64::INFINITY, f64::min);
    let floor = if floor.is_finite() { floor - 2.0 } else { 0.0 };
    let mark = |probe: &Probe, value: f64| {
        let snr = probe.snr_db.map_or("no frame found".to_owned(), |snr| number(snr, "dB"));
        let title = format!("{}: {snr}", number(angle(probe), "deg"));
        Mark { x: angle(probe), y: Some(value), interval: None, title }
    };
    let mut heard: Vec<Mark> =
        search.probes.iter().filter_map(|probe| Some(mark(probe, probe.snr_db?))).collect();
    heard.sort_by(|a, b| a.x.total_cmp(&b.x));
    let mut lost: Vec<Mark> = search
        .probes
        .iter()
        .filter(|probe| probe.snr_db.is_none())
        .map(|probe| mark(probe, floor))
        .collect();
    lost.sort_by(|a, b| a.x.total_cmp(&b.x));
    let guides: Vec<Guide> = marked(search)
        .into_iter()
        .map(|(name, probe)| Guide { x: angle(&probe), text: name.to_owned() })
        .collect();
    let angles = search.probes.iter().map(&angle).chain(guides.iter().map(|guide| guide.x));
    let x = Axis::degrees(angles, label);
    let floor_used = if lost.is_empty() { None } else { Some(floor) };
    let y = Axis::linear(found.chain(floor_used), "SNR (dB)");
    let mut series = vec![Series { name: "probe".to_owned(), marks: heard, draw: Draw::Joined }];
    if !lost.is_empty() {
        let name = "no frame found (at the foot)".to_owned();
        series.push(Series { name, marks: lost, draw: Draw::Marks });
    }
    let about = format!("Signal-to-noise ratio over the {label}: {}", in_words(search));
    plot::line_chart(x, y, &series, &guides, &about) + &plot::legend(&series)
}
