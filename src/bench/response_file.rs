//! Files of a measured frequency response: comma-separated, one point a line.
//!
//! The first line names the columns, `offset_hz,gain_db,phase_deg`; lines that begin with `#` are
//! comments. Knows nothing of what the response belongs to.

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::shape;

use crate::phy::waveform::{FrequencyResponse, ResponsePoint};

/// The columns, in the order of their heading.
const COLUMNS: [&str; 3] = ["offset_hz", "gain_db", "phase_deg"];

/// Reads a measured frequency response.
///
/// # Errors
/// Every fault of the file.
pub fn read_response_file(source: &Source) -> Result<FrequencyResponse, Faults> {
    let mut faults = Vec::new();
    let mut rows = rows(&source.text).into_iter();
    let heading = COLUMNS.join(",");
    match rows.next() {
        Some((_, cells)) if cells.iter().map(|(_, text)| *text).eq(COLUMNS) => {}
        first => {
            let span = first.map_or(0..0, |(span, _)| span);
            let fault = Fault::new(span, format!("the heading is not '{heading}'"));
            let help = "offsets from the centre in Hz, gain in dB, phase in degrees";
            return Err(Faults::new(source.clone(), vec![fault.with_help(help)]));
        }
    }
    let mut points = Vec::new();
    let mut places = Vec::new();
    for (span, cells) in rows {
        let numbers: Vec<Option<f64>> = cells.iter().map(|(_, text)| shape::number(text)).collect();
        if let [Some(offset_hz), Some(gain_db), Some(phase_deg)] = numbers[..] {
            points.push(ResponsePoint { offset_hz, gain_db, phase_deg });
            places.push(span);
            continue;
        }
        if cells.len() != COLUMNS.len() {
            let message = format!("a line has {} numbers: {heading}", COLUMNS.len());
            faults.push(Fault::new(span, message));
            continue;
        }
        for ((span, text), _) in cells.iter().zip(&numbers).filter(|(_, n)| n.is_none()) {
            faults.push(Fault::new(span.clone(), format!("'{text}' is not a number")));
        }
    }
    if !faults.is_empty() {
        return Err(Faults::new(source.clone(), faults));
    }
    FrequencyResponse::new(points).map_err(|error| {
        let place = error.point().and_then(|point| places.get(point).cloned());
        let fault = Fault::new(place.unwrap_or(0..0), error.to_string());
        Faults::new(source.clone(), vec![fault])
    })
}

type Place = std::ops::Range<usize>;

/// Lines that are neither empty nor comments, with their cells, each with its place.
fn rows(text: &str) -> Vec<(Place, Vec<(Place, &str)>)> {
    let mut rows = Vec::new();
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let shown = line.trim_end();
        if !shown.trim().is_empty() && !shown.trim_start().starts_with('#') {
            rows.push((start..start + shown.len(), cells(shown, start)));
        }
        start += line.len();
    }
    rows
}

fn cells(line: &str, mut start: usize) -> Vec<(Place, &str)> {
    let mut cells = Vec::new();
    for cell in line.split(',') {
        let lead = cell.len() - cell.trim_start().len();
        let text = cell.trim();
        cells.push((start + lead..start + lead + text.len(), text));
        start += cell.len() + 1;
    }
    cells
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<FrequencyResponse, String> {
        read_response_file(&Source::new("response.csv", text)).map_err(|f| f.render(false))
    }

    #[test]
    fn points_are_read_with_comments_and_spaces() {
        let text = "# measured\noffset_hz, gain_db, phase_deg\n\n-1e9, 0, 0\n 1e9 ,-6,90\n";
        let response = read(text).unwrap();
        let middle = response.at(0.0);
        assert!((20.0 * middle.norm().log10() + 3.0).abs() < 1e-9, "{middle}");
        assert!((middle.arg().to_degrees() - 45.0).abs() < 1e-9, "{middle}");
    }

    #[track_caller]
    fn check_fault(text: &str, expected: &[&str]) {
        let shown = read(text).expect_err("the file is at fault");
        for part in expected {
            assert!(shown.contains(part), "{part} is not in\n{shown}");
        }
    }

    #[test]
    fn faults_are_underlined() {
        check_fault("", &["the heading is not 'offset_hz,gain_db,phase_deg'"]);
        check_fault("1,2,3\n", &["the heading is not", "^^^^^"]);
        let with = |rows: &str| format!("offset_hz,gain_db,phase_deg\n{rows}");
        check_fault(
            &with("0,x,1e\n1,2\n2,nan,0\n"),
            &["'x' is not a number", "'1e' is not", "a line has 3 numbers", "'nan' is not"],
        );
        check_fault(&with("0,0,0\n"), &["a response has 2 to 65536 points, not 1"]);
        check_fault(&with("0,0,0\n5,0,0\n5,0,0\n"), &["above the one before", "response.csv:4"]);
        check_fault(&with("0,0,0\n5,999,0\n"), &["a gain within 200 dB", "response.csv:3"]);
    }
}
