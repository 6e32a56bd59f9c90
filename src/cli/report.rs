//! `report`: the report page of a run.

use std::path::PathBuf;

use serde_json::json;

use super::runs::record_failure;
use super::show::find_run;
use super::{Ended, Failure, Terminal};
use crate::record::RecordErrorKind;

/// Write the report page of a run: one file that opens without a network.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// Write the page to this file; report.html in the run's folder when absent.
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// One JSON object with the page's path, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    let written = match &arguments.to {
        Some(file) => crate::report::write_to(&folder, file),
        None => crate::report::write(&folder),
    };
    let path = written.map_err(|error| match error.kind {
        RecordErrorKind::Io { .. } if arguments.to.is_none() => Failure::usage(
            anyhow::Error::new(error)
                .context("failed to write the report; --to FILE writes it elsewhere"),
        ),
        _ => record_failure(error),
    })?;
    if arguments.json {
        terminal.line(json!({"report": path}).to_string())?;
    } else {
        terminal.line(path.display().to_string())?;
    }
    Ok(Ended::Done)
}
