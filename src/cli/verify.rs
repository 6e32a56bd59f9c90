//! `verify`: whether a run folder is as it was written.

use std::path::PathBuf;

use anyhow::Context;
use serde_json::json;

use super::show::find_run;
use super::{Ended, Failure, Terminal};
use crate::record::verify;

/// Check a run folder against its own record: checksums, missing and extra files, journal.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    let findings = verify(&folder)
        .with_context(|| format!("failed to check run {}", folder.name()))
        .map_err(Failure::usage)?;
    let told: Vec<String> = findings.iter().map(ToString::to_string).collect();
    if arguments.json {
        terminal.line(json!({"run": folder.name(), "findings": told}).to_string())?;
    } else {
        for finding in &told {
            terminal.line(finding)?;
        }
        terminal.line(match told.len() {
            0 => format!("{} is as it was written", folder.name()),
            count => format!("{}: {count} findings; nothing was changed", folder.name()),
        })?;
    }
    Ok(if told.is_empty() { Ended::Done } else { Ended::ExpectationFailed })
}
