//! `report`: the report page of a run.

use std::path::PathBuf;

use super::show::find_run;
use super::{Ended, Failure, Terminal};

/// Write the report page of a run: one file that opens without a network.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    let path = crate::report::write(&folder).map_err(Failure::internal)?;
    terminal.line(path.display().to_string())?;
    Ok(Ended::Done)
}
