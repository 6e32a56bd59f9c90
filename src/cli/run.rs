//! `run`: executes a sequence and keeps the record of it, or goes on with a run that was cut off.

use std::path::{Path, PathBuf};

use beamwarden_drivers::Class;
use serde_json::json;
use tokio::time::Instant;

use super::aftermath::Aftermath;
use super::benches_at_hand::{load_bench, load_sequence};
use super::desk::AtTerminal;
use super::live::{bench_failure, run_failure, runtime};
use super::open_runs::look_after_open_runs;
use super::resume::{Interrupted, interrupted};
use super::service::Service;
use super::tell::ByBench;
use super::watch::Watch;
use super::wishes::Wishes;
use super::{Ended, Failure, Terminal, tell};
use crate::bench::notify::Notify;
use crate::bench::{Bench, BenchError, BenchPlan, TraceKeeper};
use crate::clock::Clock;
use crate::record::{
    Catalogue, Outcome, RecordError, RecordErrorKind, RunFolder, RunStarted, TRACE_FOLDER, Value,
};
use crate::run::{DoneBefore, Engine, Recorder, RunError, RunInputs, RunSummary};
use crate::sequence::Sequence;

/// What is told when the safe state was not reached, whatever else happened.
pub(super) const NOT_SAFE: &str =
    "error: the safe state was NOT reached; see the warnings above, and go to the bench";

/// Most doubts that are listed below the table.
const DOUBTS_MAX: usize = 10;

/// Execute a sequence and keep the record of it; or go on with a run that was cut off or stopped.
///
/// While it runs: Ctrl-C stops it after the action at hand, a second one leaves out the rest of
/// 'finally' too; the safe state follows in any case. Ctrl-Z pauses it when the point at hand is
/// done, and lets it go on. 'beamwarden stop', 'pause' and 'go-on' say the same to a run in another
/// terminal. A pause leaves outputs as they are: stop before you reach in.
///
/// A run of the same bench that was cut off is looked for in the same folder of runs (--runs) only.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The sequence file; with --resume it may be left out.
    #[arg(required_unless_present = "resume")]
    sequence: Option<PathBuf>,
    /// The bench file; the simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// A parameter of the sequence, such as volts="1.1 V"; may be repeated.
    #[arg(long, value_name = "NAME=VALUE", conflicts_with = "resume")]
    with: Vec<String>,
    /// Go on with this run where it was cut off or stopped, from the files that it keeps.
    #[arg(long, value_name = "RUN")]
    resume: Option<PathBuf>,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// One JSON object at the end, for programs.
    #[arg(long)]
    json: bool,
}

/// What is to be executed.
pub(super) struct Work {
    plan: BenchPlan,
    sequence: Sequence,
    /// Who is told, and how.
    notify: Option<Notify>,
    /// The record, once it exists, and what it tells of before.
    before: Option<Before>,
}

/// A record to go on with.
struct Before {
    folder: RunFolder,
    start: RunStarted,
    done: DoneBefore,
}

impl From<Interrupted> for Work {
    fn from(interrupted: Interrupted) -> Self {
        let Interrupted { folder, start, plan, sequence, done } = interrupted;
        let before = Some(Before { folder, start, done });
        Work { plan, sequence, notify: None, before }
    }
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let (sequence, bench) = (arguments.sequence.as_deref(), arguments.bench.as_deref());
    let work = match &arguments.resume {
        Some(run) => Work::from(interrupted(run, &arguments.runs, sequence, bench)?),
        None => {
            let plan = load_bench(bench)?;
            let sequence = load_sequence(sequence, &plan, &arguments.with)?;
            match look_after_open_runs(&plan, &arguments.runs, terminal)? {
                None => Work { plan, sequence, notify: None, before: None },
                Some(open) => Work::from(open),
            }
        }
    };
    for remark in work.plan.model_remarks().into_iter().chain(work.sequence.remarks()) {
        terminal.tell(format!("warning: {remark}"));
    }
    let notify = match &work.before {
        None => tell::ways(&work.plan, bench),
        Some(before) => tell::ways_of_run(&work.plan, &before.folder),
    };
    match (tell::remark(notify.as_ref(), &work.sequence), &notify) {
        (None, _) => {}
        (Some(remark), None) => terminal.tell(format!("warning: {remark}")),
        // Who relies on being called shall not learn in the morning that nobody could be.
        (Some(remark), Some(_)) => return Err(Failure::usage(anyhow::anyhow!(remark))),
    }
    let work = Work { notify, ..work };
    let simulated =
        if work.plan.is_simulated() { ", simulated: no hardware takes part" } else { "" };
    if !arguments.json {
        terminal.tell(format!("bench {}{simulated}", work.plan.name()));
    }
    let runtime = runtime(&work.plan)?;
    let executed = runtime.block_on(execute(arguments, terminal.interactive, work));
    // Whoever still tells somebody, or waits for an answer at the terminal, must not hold the end.
    runtime.shutdown_background();
    let (folder, ran) = executed?;
    let report = finish_folder(&folder, terminal);
    let summary = ran.map_err(bench_failure)?;
    let aftermath = Aftermath::of(&folder).unwrap_or_else(|error| {
        terminal.tell(format!("warning: the record cannot be read back: {error}"));
        Aftermath::default()
    });
    let printed = if arguments.json {
        terminal.line(as_json(&folder, &summary).to_string())
    } else {
        print(&summary, &aftermath, &folder, report.as_ref(), terminal)
    };
    // How the run ended counts, also when nobody reads it.
    if let Err(failure) = printed {
        terminal.tell_failure(&failure);
    }
    if !summary.safe {
        terminal.tell(NOT_SAFE);
    }
    end_of(summary, &aftermath, &folder, terminal)
}

/// How the command ends, by how the run ended.
fn end_of(
    summary: RunSummary,
    aftermath: &Aftermath,
    folder: &RunFolder,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    if can_go_on(summary.outcome, summary.error.as_ref()) {
        terminal.tell(format!("to go on with it: beamwarden run --resume {}", shown(folder)));
    }
    match (summary.outcome, summary.error) {
        (Outcome::Completed, _) => Ok(Ended::Done),
        (Outcome::ExpectationFailed, _) => Ok(Ended::ExpectationFailed),
        (Outcome::Stopped, _) if summary.safe => {
            terminal.tell("stopped by the operator; the bench is in its safe state");
            Ok(Ended::Stopped)
        }
        (Outcome::Failed, Some(error)) => Err(run_failure(error)),
        (Outcome::Incomplete, _) => {
            if let Some(why) = aftermath.incomplete() {
                terminal.tell(format!("error: {why}"));
            }
            Ok(Ended::Instrument)
        }
        (Outcome::Stopped, _) | (Outcome::Failed, None) => Ok(Ended::Instrument),
    }
}

/// Whether an interrupted run may get further from the files that it keeps: not where these are at
/// fault, nor where it was not ready and has done nothing that a new run would not do.
fn can_go_on(outcome: Outcome, error: Option<&RunError>) -> bool {
    match (outcome, error) {
        (Outcome::Stopped, _) => true,
        (Outcome::Failed, Some(RunError::NotReady(_) | RunError::NoValue { .. })) => false,
        (Outcome::Failed, Some(error @ RunError::Bench { .. })) => {
            !matches!(error.class(), Class::Limit | Class::Operator)
        }
        (outcome, _) => outcome == Outcome::Failed,
    }
}

/// A run that has no record: a place where there can be no folder is the user's mistake; a disk that
/// refuses is the machine's fault.
pub(super) fn not_begun(error: RecordError) -> Failure {
    use std::io::ErrorKind;
    match &error.kind {
        RecordErrorKind::Io { source, .. }
            if matches!(
                source.kind(),
                ErrorKind::NotFound | ErrorKind::NotADirectory | ErrorKind::InvalidInput
            ) =>
        {
            let message = "no folder of runs can be made there; --runs names another";
            Failure::usage(anyhow::Error::new(error).context(message))
        }
        _ => Failure::internal(error),
    }
}

/// A run's folder as one would type it.
pub(super) fn shown(folder: &RunFolder) -> String {
    let path = folder.path();
    let here = std::env::current_dir().ok().and_then(|here| here.canonicalize().ok());
    let within = here.and_then(|here| path.strip_prefix(here).ok().map(Path::to_path_buf));
    within.unwrap_or_else(|| path.to_path_buf()).display().to_string()
}

/// The record of a run, to be gone on with.
pub(super) fn go_on(
    folder: RunFolder,
    start: &RunStarted,
    plan: &BenchPlan,
    done: &DoneBefore,
) -> Result<Recorder, RecordError> {
    let clock = match done.last {
        // The simulated night may have been longer than the real one.
        Some(last) if plan.is_simulated() => Clock::start_not_before(last),
        _ => Clock::start(),
    };
    Recorder::go_on(folder, start, done.captures, clock)
}

/// Opens the record, then the bench, and executes; the folder exists whatever comes after.
async fn execute(
    arguments: &Arguments,
    interactive: bool,
    work: Work,
) -> Result<(RunFolder, Result<RunSummary, BenchError>), Failure> {
    let Work { plan, sequence, notify, before } = work;
    let (mut recorder, done) = match before {
        None => {
            let seed = plan.is_simulated().then_some(plan.simulated.seed);
            let inputs = RunInputs { sequence: &sequence, plan: &plan, seed, replay: None };
            let recorder = Recorder::begin(&arguments.runs, inputs, Clock::start());
            let recorder = recorder.map_err(not_begun)?;
            if plan.notify.is_some() {
                tell::keep_place(recorder.folder(), arguments.bench.as_deref())
                    .map_err(|error| Failure::internal(anyhow::Error::new(error)))?;
            }
            (recorder, None)
        }
        Some(Before { folder, start, done }) => {
            let recorder = go_on(folder, &start, &plan, &done).map_err(Failure::internal)?;
            (recorder, Some(done))
        }
    };
    recorder.keep_for_replay();
    let folder = recorder.folder().clone();
    let trace = TraceKeeper::in_folder(folder.path().join(TRACE_FOLDER))
        .map_err(|error| Failure::internal(anyhow::Error::new(error).context("failed to trace")))?;
    let wishes = Wishes::listen(&folder);
    let (mut bench, failures) = match Bench::open_what_answers(plan, Some(&trace)).await {
        Ok(opened) => opened,
        Err(error) => {
            recorder.end_unopened(&error.to_string()).map_err(Failure::internal)?;
            return Ok((folder, Err(error)));
        }
    };
    let mut watch = Watch::new(interactive, arguments.json);
    watch.tell_times(recorder.time(Instant::now()));
    let _service = Service::begin(&watch.heart());
    let control = wishes.control();
    let mut engine = Engine::new(&sequence, &mut bench, &mut recorder, &mut watch, control);
    engine.look_first();
    engine.ask_at(AtTerminal::new(interactive));
    engine.notify_by(ByBench::new(notify, absolute(&folder)));
    if let Some(done) = done {
        engine.go_on_after(done);
    }
    let summary =
        if failures.is_empty() { engine.execute().await } else { engine.give_up(failures).await };
    Ok((folder, Ok(summary)))
}

/// The folder of a run for somebody who stands in another one.
fn absolute(folder: &RunFolder) -> String {
    let path = std::path::absolute(folder.path());
    path.unwrap_or_else(|_| folder.path().to_path_buf()).display().to_string()
}

/// Report and catalogue; the run itself is complete without either.
pub(super) fn finish_folder(folder: &RunFolder, terminal: &mut Terminal) -> Option<PathBuf> {
    if let Some(root) = folder.path().parent() {
        let indexed = Catalogue::open(root).and_then(|mut catalogue| catalogue.index_run(folder));
        if let Err(error) = indexed {
            terminal.tell(format!("warning: the run is not in the catalogue: {error}"));
        }
    }
    match crate::report::write(folder) {
        Ok(path) => Some(path),
        Err(error) => {
            terminal.tell(format!("warning: failed to write the report: {error}"));
            None
        }
    }
}

fn print(
    summary: &RunSummary,
    aftermath: &Aftermath,
    folder: &RunFolder,
    report: Option<&PathBuf>,
    terminal: &mut Terminal,
) -> Result<(), Failure> {
    let mut table = super::figures_table::of_measurements(&summary.measurements);
    for (point, why) in &aftermath.given_up {
        let dash = || "-".to_string();
        let given_up = format!("given up: {why}");
        table.add_row([format!("point {point}"), dash(), dash(), dash(), dash(), dash(), given_up]);
    }
    terminal.line(table.to_string())?;
    let more = aftermath.given_up_count - aftermath.given_up.len() as u64;
    if more > 0 {
        terminal.line(format!("and {more} points more were given up; the report has them all"))?;
    }
    let doubts: Vec<&String> = summary.measurements.iter().flat_map(|m| &m.doubts).collect();
    for doubt in doubts.iter().take(DOUBTS_MAX) {
        terminal.line(format!("DOUBT: {doubt}"))?;
    }
    if doubts.len() > DOUBTS_MAX {
        terminal.line(format!(
            "and {} doubts more; the report has them all",
            doubts.len() - DOUBTS_MAX
        ))?;
    }
    terminal.line(format!("run     {}", folder.path().display()))?;
    if let Some(report) = report {
        terminal.line(format!("report  {}", report.display()))?;
    }
    for line in aftermath.failed_lines() {
        terminal.line(line)?;
    }
    if summary.tally.expectations_failed > 0 {
        let failed = summary.tally.expectations_failed;
        let noun = if failed == 1 { "expectation" } else { "expectations" };
        terminal.line(format!("{failed} {noun} failed"))?;
    }
    Ok(())
}

fn as_json(folder: &RunFolder, summary: &RunSummary) -> serde_json::Value {
    let measurements: Vec<serde_json::Value> = summary
        .measurements
        .iter()
        .map(|measurement| {
            let figures: serde_json::Map<_, _> = measurement
                .figures
                .iter()
                .map(|figure| (figure.name.clone(), json!(figure.value.as_ref().map(json_value))))
                .collect();
            json!({
                "label": measurement.label,
                "point": measurement.point,
                "frame": measurement.frame,
                "captures": measurement.captures,
                "figures": figures,
                "passed": measurement.verdicts.iter().all(|verdict| verdict.passed),
                "doubts": measurement.doubts,
            })
        })
        .collect();
    json!({
        "run": folder.name(),
        "folder": folder.path().display().to_string(),
        "outcome": summary.outcome,
        "error": summary.error.as_ref().map(ToString::to_string),
        "points": summary.tally.points,
        "points_skipped": summary.tally.points_skipped,
        "retries": summary.tally.retries,
        "expectations_failed": summary.tally.expectations_failed,
        "safe_state_reached": summary.safe,
        "measurements": measurements,
    })
}

pub(super) fn json_value(value: &Value) -> serde_json::Value {
    json!(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn to_go_on_is_offered_only_where_it_can_lead_further() {
        let not_ready = RunError::NotReady("a test capture: empty".to_string());
        let (place, what) = ("a.yaml:3".to_string(), "x has no value".to_string());
        let no_value = RunError::NoValue { place, what };
        let tripped = RunError::Interlock { told: "hot chip".to_string() };
        for (outcome, error, offered) in [
            (Outcome::Stopped, Some(&RunError::Stopped), true),
            (Outcome::Failed, Some(&tripped), true),
            (Outcome::Failed, None, true),
            (Outcome::Failed, Some(&not_ready), false),
            (Outcome::Failed, Some(&no_value), false),
            (Outcome::Completed, None, false),
            (Outcome::Incomplete, None, false),
        ] {
            assert_eq!(can_go_on(outcome, error), offered, "{outcome:?} {error:?}");
        }
    }

    #[test]
    fn a_place_where_no_folder_can_be_is_wrong_usage() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "").unwrap();
        let error = RunFolder::create(&file.join("runs"), "night", crate::record::fixture::start());
        assert_eq!(not_begun(error.unwrap_err()).ended, Ended::Usage);
    }
}
