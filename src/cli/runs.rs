//! `runs`: the list of runs.

use std::path::{Path, PathBuf};

use comfy_table::Table;
use serde_json::json;

use super::{Ended, Failure, Terminal};
use crate::record::{Catalogue, Outcome, RunRow, RunsWanted};

/// List the runs, newest last.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// Only runs of this sequence.
    #[arg(long, value_name = "NAME")]
    sequence: Option<String>,
    /// Only so many, the newest.
    #[arg(long, value_name = "COUNT")]
    newest: Option<u32>,
    /// One JSON object a line, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let catalogue = fresh_catalogue(&arguments.runs)?;
    let wanted = RunsWanted {
        sequence: arguments.sequence.clone(),
        outcome: None,
        newest: arguments.newest,
    };
    let rows = catalogue.runs(&wanted).map_err(Failure::internal)?;
    if arguments.json {
        for row in &rows {
            terminal.line(as_json(row).to_string())?;
        }
        return Ok(Ended::Done);
    }
    if rows.is_empty() {
        terminal.tell(format!("no runs in {}", arguments.runs.display()));
        return Ok(Ended::Done);
    }
    let mut table = super::figures_table::table(&[
        "run",
        "bench",
        "how it ended",
        "points",
        "captures",
        "expectations failed",
    ]);
    for row in &rows {
        add_row(&mut table, row);
    }
    terminal.line(table.to_string())?;
    Ok(Ended::Done)
}

/// The catalogue, brought up to date from the folders.
pub(super) fn fresh_catalogue(root: &Path) -> Result<Catalogue, Failure> {
    if !root.is_dir() {
        let message = format!(
            "there is no folder '{}'; 'beamwarden run' makes it, --runs names another",
            root.display()
        );
        return Err(Failure::usage(anyhow::anyhow!(message)));
    }
    let mut catalogue = Catalogue::open(root).map_err(Failure::internal)?;
    catalogue.refresh().map_err(Failure::internal)?;
    Ok(catalogue)
}

/// How a run ended, in words.
pub(super) fn outcome_words(outcome: Option<Outcome>) -> &'static str {
    match outcome {
        Some(Outcome::Completed) => "completed",
        Some(Outcome::ExpectationFailed) => "completed, expectation failed",
        Some(Outcome::Failed) => "failed",
        Some(Outcome::Stopped) => "stopped by the operator",
        None => "open: cut off, or still running",
    }
}

fn add_row(table: &mut Table, row: &RunRow) {
    let bench =
        if row.simulated { format!("{} (simulated)", row.bench) } else { row.bench.clone() };
    table.add_row([
        row.run.clone(),
        bench,
        outcome_words(row.outcome).to_string(),
        row.points.to_string(),
        row.captures.to_string(),
        row.expectations_failed.to_string(),
    ]);
}

pub(super) fn as_json(row: &RunRow) -> serde_json::Value {
    json!({
        "run": row.run,
        "sequence": row.sequence,
        "bench": row.bench,
        "version": row.version,
        "seed": row.seed,
        "simulated": row.simulated,
        "started_at": row.started_at,
        "ended_at": row.ended_at,
        "outcome": row.outcome,
        "message": row.message,
        "points": row.points,
        "captures": row.captures,
        "expectations_failed": row.expectations_failed,
        "journal_faults": row.journal_faults,
    })
}
