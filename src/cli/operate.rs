//! `stop`, `pause`, `go-on`, `close`: what is asked of a run that another process drives, or that was
//! cut off.

use std::path::PathBuf;

use super::open_runs::{Then, make_safe};
use super::resume::interrupted;
use super::run::{NOT_SAFE, finish_folder};
use super::show::find_run;
use super::wishes::Request;
use super::{Ended, Failure, Terminal};
use crate::record::RunFolder;

/// Which run.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its folder, or its name below the folder of runs.
    run: PathBuf,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
}

/// Which run, and when.
#[derive(Debug, clap::Args)]
pub struct StopArguments {
    #[command(flatten)]
    which: Arguments,
    /// Not before the point at hand is done.
    #[arg(long)]
    after_point: bool,
}

pub fn stop(arguments: &StopArguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let request = if arguments.after_point { Request::StopAfterPoint } else { Request::StopNow };
    ask(&arguments.which, request, "is asked to stop", terminal)
}

pub fn pause(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let told = "is asked to pause after the point at hand; outputs stay as they are, also one that \
                radiates: use 'beamwarden stop' before you reach in";
    ask(arguments, Request::Pause, told, terminal)
}

pub fn go_on(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    ask(arguments, Request::GoOn, "is asked to go on", terminal)
}

/// Leaves a request for a run that goes on.
fn ask(
    arguments: &Arguments,
    request: Request,
    told: &str,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    if !folder.is_being_written() {
        return Err(not_running(&folder));
    }
    request.leave(&folder).map_err(|error| {
        let context = format!("failed to leave the request in {}", folder.path().display());
        Failure::internal(anyhow::Error::new(error).context(context))
    })?;
    terminal.line(format!("run {} {told}", folder.name()))?;
    Ok(Ended::Done)
}

fn not_running(folder: &RunFolder) -> Failure {
    let name = folder.name();
    Failure::usage(anyhow::anyhow!(
        "run {name} does not run now; 'beamwarden show {name}' tells how it ended"
    ))
}

pub fn close(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let found = interrupted(&arguments.run, &arguments.runs, None, None)?;
    let name = found.folder.name().to_string();
    if found.folder.is_being_written() {
        return Err(Failure::usage(anyhow::anyhow!(
            "run {name} goes on in another process; 'beamwarden stop {name}' ends it"
        )));
    }
    if let Some(ended) = found.done.ended {
        return Err(Failure::usage(anyhow::anyhow!(
            "the record of run {name} has an end already: {}",
            ended.name()
        )));
    }
    let (summary, _) = make_safe(&found, Then::Close)?;
    finish_folder(&found.folder, terminal);
    if !summary.safe {
        terminal.tell(NOT_SAFE);
        return Ok(Ended::Instrument);
    }
    terminal.line(format!("the bench is in its safe state; the record of run {name} is ended"))?;
    Ok(Ended::Done)
}
