//! Tables of figures for the terminal.

use comfy_table::{ContentArrangement, Table, TableComponent, presets};

use crate::record::{Figure, Value, figure};
use crate::run::Measurement;

/// A plain table with a heading.
pub(super) fn table(heading: &[&str]) -> Table {
    let mut table = Table::new();
    table
        .load_preset(presets::NOTHING)
        .set_content_arrangement(ContentArrangement::Disabled)
        .set_header(heading.iter().copied())
        .set_style(TableComponent::HeaderLines, '-')
        .set_style(TableComponent::MiddleHeaderIntersections, ' ');
    table
}

/// The main figures of measurements, one a row.
pub(super) fn of_measurements(measurements: &[Measurement]) -> Table {
    let mut table = table(&[
        "measurement",
        "frame",
        "EVM",
        "SNR",
        "bit errors",
        "bit error rate",
        "expectations",
    ]);
    for (index, measurement) in measurements.iter().enumerate() {
        let name = match (&measurement.label, measurement.point) {
            (Some(label), Some(point)) => format!("{label}, point {point}"),
            (Some(label), None) => label.clone(),
            (None, Some(point)) => format!("point {point}"),
            (None, None) => format!("measurement {}", index + 1),
        };
        let figures = &measurement.figures;
        table.add_row([
            name,
            measurement.frame.clone(),
            decibels(figures, "evm_db"),
            decibels(figures, "snr_db"),
            bit_errors(figures),
            ber(figures),
            expectations(measurement),
        ]);
    }
    table
}

fn decibels(figures: &[Figure], name: &str) -> String {
    figure(figures, name).map_or_else(|| "-".into(), |value| format!("{value:.1} dB"))
}

/// A count; the catalogue gives it back as a number.
fn count(figures: &[Figure], name: &str) -> Option<u64> {
    figures.iter().find(|f| f.name == name).and_then(|f| match f.value {
        Some(Value::Count(count)) => Some(count),
        Some(Value::Number(number)) if number >= 0.0 && number.fract() == 0.0 => {
            Some(number as u64)
        }
        _ => None,
    })
}

/// Figures that a table shows together as one bit error rate with its interval.
const SHOWN_AS_RATE: &[&str] = &["ber", "ber_low_95", "ber_high_95"];

/// "3 in 114688".
pub(super) fn bit_errors(figures: &[Figure]) -> String {
    match (count(figures, "bit_errors"), count(figures, "bits")) {
        (Some(errors), Some(bits)) => format!("{errors} in {bits}"),
        _ => "-".into(),
    }
}

/// The bit error rate with its interval; none seen is an upper bound, never zero.
pub(super) fn ber(figures: &[Figure]) -> String {
    crate::report::error_rate(figures).unwrap_or_else(|| "-".into())
}

fn expectations(measurement: &Measurement) -> String {
    let failed: Vec<String> = measurement
        .expectations
        .iter()
        .zip(&measurement.verdicts)
        .filter(|(_, verdict)| !verdict.passed)
        .map(|(expectation, _)| format!("{} not {expectation}", expectation.figure.word))
        .collect();
    if !measurement.doubts.is_empty() {
        return "DOUBTFUL".into();
    }
    match (measurement.verdicts.len(), failed.is_empty()) {
        (0, _) => "none".into(),
        (_, true) => "held".into(),
        (_, false) => format!("FAILED: {}", failed.join("; ")),
    }
}

/// Four significant digits, without an exponent where it reads better without.
pub(super) fn significant(number: f64) -> String {
    let magnitude = number.abs();
    if number == 0.0 || (1e-3..1e5).contains(&magnitude) {
        let digits = if number == 0.0 { 0 } else { 3 - magnitude.log10().floor() as i32 };
        let text = format!("{number:.*}", digits.clamp(0, 6) as usize);
        if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.').to_string()
        } else {
            text
        }
    } else {
        format!("{number:.3e}")
    }
}

/// Every recorded figure that could be had.
pub(super) fn of_figures(figures: &[Figure]) -> Table {
    let mut table = table(&["figure", "value", "unit"]);
    for figure in figures.iter().filter(|figure| !SHOWN_AS_RATE.contains(&figure.name.as_str())) {
        let value = match &figure.value {
            None => continue,
            Some(Value::Switch(flag)) => if *flag { "yes" } else { "no" }.to_string(),
            Some(Value::Count(count)) => count.to_string(),
            Some(Value::Number(number)) => significant(*number),
            Some(Value::Word(word)) => word.clone(),
        };
        table.add_row([figure.name.clone(), value, figure.unit.clone().unwrap_or_default()]);
    }
    if ber(figures) != "-" {
        table.add_row(["bit error rate".to_string(), ber(figures), String::new()]);
    }
    table
}
