//! `measure`: one measurement now.

use serde_json::json;

use super::now::Now;
use super::{Ended, Failure, Terminal};
use crate::sequence::{Action, Measure, Until};

/// Take one capture now and print its figures. Recorded like any run.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    #[command(flatten)]
    now: Now,
    /// Take so many captures and print their figures together.
    #[arg(long, value_name = "COUNT", default_value_t = 1, value_parser = clap::value_parser!(u64).range(1..))]
    captures: u64,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let until = Until { captures: Some(arguments.captures), ..Until::ONE_CAPTURE };
    let action =
        Action::Measure(Measure { label: None, until, keep_captures: true, expect: Vec::new() });
    let summary = arguments.now.act("measure", action, arguments.json, terminal)?;
    for measurement in &summary.measurements {
        if arguments.json {
            let figures: serde_json::Map<_, _> = measurement
                .figures
                .iter()
                .map(|figure| (figure.name.clone(), json!(figure.value)))
                .collect();
            terminal.line(json!({"frame": measurement.frame, "figures": figures}).to_string())?;
        } else {
            terminal.line(super::figures_table::of_figures(&measurement.figures).to_string())?;
        }
    }
    Ok(Ended::Done)
}
