//! Runs that were cut off: found before the next one begins on their bench, which is made safe first.

use std::path::Path;

#[cfg(unix)]
use super::live::EndOnSignals;
use super::live::{bench_failure, runtime, stop_on_signals};
use super::resume::{CLOSED, Interrupted, interrupted};
use super::run::{NOT_SAFE, go_on, shown};
use super::{Ended, Failure, FailureKind, Terminal};
use crate::bench::{Bench, BenchPlan, TraceKeeper};
use crate::record::{Outcome, RunEnded, RunFolder, TRACE_FOLDER};
use crate::run::{Engine, Recorder, RunSummary, Silent};

/// Looks for runs of a bench that were cut off, as by a power cut. The bench is brought to its safe
/// state, for nobody knows how it was left; then whoever watches decides. Yields the run to go on with.
pub(super) fn look_after_open_runs(
    plan: &BenchPlan,
    runs: &Path,
    terminal: &mut Terminal,
) -> Result<Option<Interrupted>, Failure> {
    let mut open = Vec::new();
    for run in RunFolder::open_runs(runs).map_err(Failure::usage)? {
        // Before the first line that says what runs, nothing was sent to any instrument.
        if run.bench() == Some(plan.name()) && !run.live {
            open.push(run.folder);
        }
    }
    let Some(last) = open.pop() else { return Ok(None) };
    for folder in &open {
        let shown = shown(folder);
        terminal.tell(format!(
            "warning: an older run of this bench has no end either: {shown}; 'beamwarden close' ends its record"
        ));
    }
    let found = interrupted(last.path(), runs, None, None);
    let found = found.map_err(|failure| unreadable(&last, failure))?;
    terminal.tell(format!(
        "run {} was cut off after {} of its points; the bench is brought to its safe state first",
        last.name(),
        found.done.tally().points,
    ));
    let (summary, stopped) = make_safe(&found, Then::LeaveOpen)?;
    if !summary.safe {
        terminal.tell(NOT_SAFE);
        let error = anyhow::anyhow!("nothing runs on a bench of which nobody knows how it stands");
        return Err(Failure { ended: Ended::Instrument, error: FailureKind::Error(error) });
    }
    if stopped {
        let error = anyhow::anyhow!("stopped by the operator; the bench is in its safe state");
        return Err(Failure { ended: Ended::Stopped, error: FailureKind::Error(error) });
    }
    let name = shown(&last);
    let agreed = {
        #[cfg(unix)]
        let _ended_by_signals = EndOnSignals::listen();
        terminal.agrees(&format!("go on with run {}?", last.name()))
    };
    if agreed {
        return interrupted(last.path(), runs, None, None).map(Some);
    }
    Err(Failure::usage(anyhow::anyhow!(
        "the bench is in its safe state; decide about the run that was cut off, then start anew:\n  \
         to go on with it:   beamwarden run --resume {name}\n  \
         to end its record:  beamwarden close {name}"
    )))
}

fn unreadable(folder: &RunFolder, failure: Failure) -> Failure {
    let error = anyhow::anyhow!(
        "run {} was cut off and cannot be read ({failure}); bring the bench to its safe state by hand, \
         then move the folder {} away",
        folder.name(),
        folder.path().display()
    );
    Failure { ended: failure.ended, error: FailureKind::Error(error) }
}

/// What becomes of the record once the bench is safe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Then {
    /// It can be gone on with.
    LeaveOpen,
    /// It ends.
    Close,
}

/// Brings the bench of an interrupted run to its safe state, and writes that into the run's record.
/// Yields too whether a stop was asked for meanwhile; the safe state is carried through all the same.
pub(super) fn make_safe(found: &Interrupted, then: Then) -> Result<(RunSummary, bool), Failure> {
    let runtime = runtime(&found.plan)?;
    runtime.block_on(async {
        // Before anything is opened: from then on no signal ends the process before the safe state.
        let control = stop_on_signals();
        let mut recorder = go_on(found.folder.clone(), &found.start, &found.plan, &found.done)
            .map_err(Failure::internal)?;
        let trace = TraceKeeper::in_folder(found.folder.path().join(TRACE_FOLDER));
        let trace = trace.map_err(Failure::internal)?;
        let (mut bench, failures) = Bench::open_what_answers(found.plan.clone(), Some(&trace))
            .await
            .map_err(bench_failure)?;
        let mut watch = Silent;
        let engine =
            Engine::new(&found.sequence, &mut bench, &mut recorder, &mut watch, control.clone());
        let summary = engine.only_make_safe(failures).await;
        if then == Then::Close {
            end(&mut recorder, found, &summary)?;
        }
        Ok((summary, control.stopping()))
    })
}

/// The last line of a run that shall not go on.
fn end(recorder: &mut Recorder, found: &Interrupted, summary: &RunSummary) -> Result<(), Failure> {
    let tally = found.done.tally();
    let ended = RunEnded {
        outcome: if summary.safe { Outcome::Stopped } else { Outcome::Failed },
        message: Some(CLOSED.to_string()),
        points: tally.points,
        points_skipped: tally.points_skipped,
        retries: tally.retries,
        captures: found.done.captures,
        expectations_failed: tally.expectations_failed,
    };
    recorder.end(ended).map_err(Failure::internal)
}
