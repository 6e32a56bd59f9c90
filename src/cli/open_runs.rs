//! Runs that were cut off: found before the next one begins on their bench, which is made safe first.

use std::path::Path;

#[cfg(unix)]
use super::live::EndOnSignals;
use super::live::{bench_failure, runtime, stop_on_signals};
use super::resume::{CLOSED, Interrupted, interrupted};
use super::run::{NOT_SAFE, go_on, shown};
use super::{Ended, Failure, FailureKind, Terminal};
use crate::bench::{Bench, BenchPlan, TraceKeeper};
use crate::record::{OpenRun, Outcome, RunEnded, RunFolder, TRACE_FOLDER, sha256_hex};
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
        match concern(plan, &run) {
            Concern::None => {}
            Concern::Other(told) => terminal.tell(format!("warning: {told}")),
            Concern::Own(told) => {
                told.into_iter().for_each(|told| terminal.tell(format!("warning: {told}")));
                open.push(run.folder);
            }
            Concern::Unknown => return Err(damaged(&run.folder)),
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

/// What a run without an end has to do with a bench.
#[derive(Debug, PartialEq, Eq)]
enum Concern {
    /// Nothing; or it goes on; or nothing was ever sent.
    None,
    /// Nothing, though one might think so.
    Other(String),
    /// It ran on this bench, with what is odd about that.
    Own(Option<String>),
    /// Nobody can tell.
    Unknown,
}

fn concern(plan: &BenchPlan, run: &OpenRun) -> Concern {
    if run.live {
        return Concern::None;
    }
    let name = run.folder.name();
    // What the run keeps of its bench; a journal is not needed to read that.
    let kept = || BenchPlan::load_frozen(run.folder.path(), None).ok();
    let Some(start) = &run.start else {
        if !run.may_have_sent() {
            return Concern::None;
        }
        return match kept() {
            Some(kept)
                if kept.name() != plan.name() && plan.shares_hardware_with(&kept).is_none() =>
            {
                Concern::Other(format!(
                    "run {name} of bench {} has no end, and its journal is damaged; 'verify' tells more",
                    kept.name()
                ))
            }
            _ => Concern::Unknown,
        };
    };
    // A replay reaches no instrument.
    if start.replay.is_some() {
        return Concern::None;
    }
    if start.bench != plan.name() {
        let shared = kept().and_then(|kept| plan.shares_hardware_with(&kept));
        return shared.map_or(Concern::None, |address| {
            let bench = &start.bench;
            Concern::Own(Some(format!(
                "run {name} is one of bench {bench}, which has {address} in common with this one"
            )))
        });
    }
    let now = plan.files().into_iter().find(|(file, _)| file == "bench.yaml");
    let now = now.map(|(_, text)| sha256_hex(&text));
    if now.as_deref() == run.bench_sha256() {
        return Concern::Own(None);
    }
    let bench = plan.name();
    match kept() {
        Some(kept)
            if !plan.is_simulated()
                && !kept.is_simulated()
                && plan.shares_hardware_with(&kept).is_none() =>
        {
            Concern::Other(format!(
                "run {name} has no end; its bench is called {bench} too, but none of its instruments \
                 is one of this bench: 'beamwarden close {name}' makes that bench safe"
            ))
        }
        _ => Concern::Own(Some(format!(
            "the file of bench {bench} was another one when run {name} began"
        ))),
    }
}

/// A run of which not even the bench is known.
fn damaged(folder: &RunFolder) -> Failure {
    let error = anyhow::anyhow!(
        "run {} has no end, and its journal is damaged where it tells on which bench it ran: nobody \
         knows how that bench stands; bring it to its safe state by hand, then move the folder {} away",
        folder.name(),
        folder.path().display()
    );
    Failure { ended: Ended::Instrument, error: FailureKind::Error(error) }
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

#[cfg(test)]
mod tests {
    use beamwarden_drivers::fault::Source;

    use super::*;
    use crate::clock::Clock;
    use crate::record::JOURNAL_FILE;
    use crate::run::RunInputs;
    use crate::sequence::read_sequence;

    const BENCH: &str = include_str!("../../sequences/packing-arm.bench.yaml");

    /// The bench with another name, and with its supply at an address.
    fn bench(name: &str, supply_at: &str) -> BenchPlan {
        let text = BENCH.replace("bench: packing-arm", &format!("bench: {name}")).replace(
            "profile: scpi-supply.yaml\n    at: simulated",
            &format!("profile: scpi-supply.yaml\n    at: {supply_at}"),
        );
        BenchPlan::load(&Source::new("bench.yaml", text), None).unwrap()
    }

    /// A run on a bench that is cut off after its first lines.
    fn cut_off(plan: &BenchPlan, root: &Path) -> OpenRun {
        let text = "sequence: one\nsteps: [{wait: 1 s}]\n";
        let sequence = read_sequence(&Source::new("s.yaml", text), plan.knobs()).unwrap();
        let inputs = RunInputs { sequence: &sequence, plan, seed: None, replay: None };
        drop(Recorder::begin(root, inputs, Clock::start()).unwrap());
        RunFolder::open_runs(root).unwrap().pop().unwrap()
    }

    const ONE: &str = "\"tcp://127.0.0.1:1\"";
    const TWO: &str = "\"tcp://127.0.0.1:2\"";

    #[test]
    fn benches_are_told_apart_by_more_than_their_name() {
        let cases = [
            // Of the run, of now; whether it concerns the bench, and what is told.
            (("a", ONE), ("a", ONE), Some(true), ""),
            (("a", ONE), ("b", TWO), None, ""),
            (
                ("a", ONE),
                ("b", ONE),
                Some(true),
                "of bench a, which has tcp://127.0.0.1:1 in common",
            ),
            (("a", ONE), ("a", TWO), Some(false), "none of its instruments is one of this bench"),
            (("a", "simulated"), ("a", ONE), Some(true), "bench a was another one when run"),
        ];
        for (then, now, own, expected) in cases {
            let root = tempfile::tempdir().unwrap();
            let run = cut_off(&bench(then.0, then.1), root.path());
            let found = concern(&bench(now.0, now.1), &run);
            let (is, told) = match &found {
                Concern::None => (None, String::new()),
                Concern::Other(told) => (Some(false), told.clone()),
                Concern::Own(told) => (Some(true), told.clone().unwrap_or_default()),
                Concern::Unknown => panic!("{then:?} {now:?}"),
            };
            assert!(is == own && told.contains(expected), "{then:?} {now:?}: {found:?}");
            assert_eq!(told.is_empty(), expected.is_empty(), "{told}");
        }
    }

    #[test]
    fn a_run_whose_beginning_is_damaged_is_not_passed_over() {
        let root = tempfile::tempdir().unwrap();
        let plan = bench("a", ONE);
        let run = cut_off(&plan, root.path());
        let journal = run.folder.path().join(JOURNAL_FILE);
        let whole = std::fs::read_to_string(&journal).unwrap();
        let again = || RunFolder::open_runs(root.path()).unwrap().pop().unwrap();
        std::fs::write(&journal, whole.replacen("run_started", "run_sturted", 1)).unwrap();
        assert_eq!(concern(&plan, &again()), Concern::Unknown);
        let told = look_after_open_runs(&plan, root.path(), &mut Terminal::standard());
        let Err(failure) = told else { panic!("the next run begins") };
        assert_eq!(failure.ended, Ended::Instrument);
        assert!(failure.to_string().contains("bring it to its safe state by hand"), "{failure}");
        // Of another bench, as the files that the run keeps tell.
        assert!(matches!(concern(&bench("b", TWO), &again()), Concern::Other(_)));
        std::fs::write(run.folder.path().join("bench.yaml"), "damaged too").unwrap();
        assert_eq!(concern(&bench("b", TWO), &again()), Concern::Unknown);
        // Cut off before anything was sent.
        let first = whole.find('\n').unwrap() + 1;
        for length in [0, 10, first, first + 10] {
            std::fs::write(&journal, &whole[..length]).unwrap();
            assert_eq!(concern(&plan, &again()), Concern::None, "{length}");
        }
    }
}
