//! The command line: one file a command; this one parses and dispatches.

mod aftermath;
mod analyse;
mod baseband;
mod bench;
mod benches_at_hand;
mod check;
mod desk;
mod exercise;
mod failure;
mod figures_table;
mod fit;
mod frame;
mod live;
mod measure;
mod now;
mod open_runs;
mod operate;
mod registers;
mod remarks;
mod replay;
mod report;
mod resume;
mod run;
mod runs;
mod say;
mod schema;
mod search;
mod service;
mod show;
mod sim;
mod sim_tell;
mod tell;
mod terminal;
mod verify;
mod watch;
mod wishes;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use failure::{Ended, Failure, FailureKind};
pub use terminal::Terminal;

/// Sequences a laboratory bench for millimetre-wave phased-array transceivers over SCPI, analyses
/// what it receives, and keeps the record.
///
/// Without a bench file every command works on the simulated bench, which needs no hardware.
#[derive(Debug, Parser)]
#[command(name = "beamwarden", version, after_help = EXIT_HELP)]
struct Arguments {
    /// Say more about what is going on; twice for every message to an instrument.
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    verbose: u8,
    #[command(subcommand)]
    command: Command,
}

const EXIT_HELP: &str = "\
Exit status: 0 done, 1 done but an expectation failed, 2 wrong usage or file, 3 instrument or \
link, 4 limit or interlock, 5 stopped by the operator, 70 internal.

A radiating array can hurt eyes and skin, and a turning table can catch a hand: keep clear while a \
sequence runs, and follow the local rules and the site's safety officer.";

#[derive(Debug, Subcommand)]
enum Command {
    /// Execute a sequence and keep the record of it.
    Run(run::Arguments),
    /// Stop a run that goes on, now or after the point at hand.
    Stop(operate::StopArguments),
    /// Pause a run that goes on, after the point at hand; outputs stay as they are.
    ///
    /// A pause is no safe state: the bench may go on radiating. Use 'stop' before you reach in.
    Pause(operate::Arguments),
    /// Let a run go on that pauses.
    GoOn(operate::Arguments),
    /// End the record of a run that was cut off and shall not go on; the bench is made safe first.
    Close(operate::Arguments),
    /// Check a sequence and its bench, a profile or a register map, without touching any instrument.
    Check(check::Arguments),
    /// Reach every instrument: identity, self-test, error queue, read-back.
    Bench(bench::Arguments),
    /// Search the best beams now; print the map, the choice and what it gained.
    Search(search::Arguments),
    /// Take one capture now and print its figures.
    Measure(measure::Arguments),
    /// Print the figures of SigMF recordings, also of ones that were not made here.
    Analyse(analyse::Arguments),
    /// Build a frame without sending it; print its rates, duration, sizes and level.
    Frame(frame::Arguments),
    /// List the runs.
    Runs(runs::Arguments),
    /// Show one run, or one capture of it with every setting.
    Show(show::Arguments),
    /// Take a recorded run once more and compare the figures.
    Replay(replay::Arguments),
    /// Estimate the main parameters of a model of the bench from a run.
    Fit(fit::Arguments),
    /// Check a run folder against its own record.
    Verify(verify::Arguments),
    /// Write the report page of a run.
    Report(report::Arguments),
    /// Serve the simulated instruments on TCP ports and a serial pseudo-terminal.
    Sim(sim::Arguments),
    /// Send one message to one instrument and print its answer; what changes something needs --write.
    Say(say::Arguments),
    /// Print the JSON Schema of a file type, for editors.
    Schema(schema::Arguments),
}

/// Runs the command line of this process.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    log_to_stderr(arguments.verbose);
    let mut terminal = Terminal::standard();
    let ended = match dispatch(arguments.command, &mut terminal) {
        Ok(ended) => ended,
        Err(failure) => {
            terminal.tell_failure(&failure);
            failure.ended
        }
    };
    ExitCode::from(ended as u8)
}

fn log_to_stderr(verbose: u8) {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        _ => "trace",
    };
    let filter =
        format!("off,beamwarden={level},beamwarden_drivers={level},beamwarden_sim={level}");
    // A second initialisation, as in tests, changes nothing.
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(|| terminal::PlainLog(std::io::stderr()))
        .without_time()
        .try_init();
}

fn dispatch(command: Command, terminal: &mut Terminal) -> Result<Ended, Failure> {
    match command {
        Command::Run(arguments) => run::run(&arguments, terminal),
        Command::Stop(arguments) => operate::stop(&arguments, terminal),
        Command::Pause(arguments) => operate::pause(&arguments, terminal),
        Command::GoOn(arguments) => operate::go_on(&arguments, terminal),
        Command::Close(arguments) => operate::close(&arguments, terminal),
        Command::Check(arguments) => check::run(&arguments, terminal),
        Command::Bench(arguments) => bench::run(&arguments, terminal),
        Command::Search(arguments) => search::run(&arguments, terminal),
        Command::Measure(arguments) => measure::run(&arguments, terminal),
        Command::Analyse(arguments) => analyse::run(&arguments, terminal),
        Command::Frame(arguments) => frame::run(&arguments, terminal),
        Command::Runs(arguments) => runs::run(&arguments, terminal),
        Command::Show(arguments) => show::run(&arguments, terminal),
        Command::Replay(arguments) => replay::run(&arguments, terminal),
        Command::Fit(arguments) => fit::run(&arguments, terminal),
        Command::Verify(arguments) => verify::run(&arguments, terminal),
        Command::Report(arguments) => report::run(&arguments, terminal),
        Command::Sim(arguments) => sim::run(&arguments, terminal),
        Command::Say(arguments) => say::run(&arguments, terminal),
        Command::Schema(arguments) => schema::run(&arguments, terminal),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_arguments_are_consistent() {
        Arguments::command().debug_assert();
    }
}
