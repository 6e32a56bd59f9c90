//! Going on with a run that was cut off or stopped: from the files that it keeps, or not at all.

use std::path::Path;

use super::benches_at_hand::read_source;
use super::replay::replay_failure;
use super::show::find_run;
use super::{Ended, Failure, FailureKind};
use crate::bench::BenchPlan;
use crate::record::{Event, Outcome, RunFolder, RunStarted};
use crate::replay::{Recorded, Use};
use crate::run::DoneBefore;
use crate::sequence::Sequence;

/// What the last line of a record says that `close` ended.
pub(super) const CLOSED: &str = "the run was cut off, and closed without going on";

/// A run that can go on.
pub(super) struct Interrupted {
    /// Its folder.
    pub(super) folder: RunFolder,
    /// How it began.
    pub(super) start: RunStarted,
    /// Its bench, from its own files.
    pub(super) plan: BenchPlan,
    /// Its sequence, from its own files.
    pub(super) sequence: Sequence,
    /// What it has done.
    pub(super) done: DoneBefore,
}

/// Reads a run to go on with. Sequence and bench may be named once more; then they must be those that
/// the run keeps.
pub(super) fn interrupted(
    run: &Path,
    runs: &Path,
    sequence: Option<&Path>,
    bench: Option<&Path>,
) -> Result<Interrupted, Failure> {
    let folder = find_run(run, runs)?;
    let recorded = Recorded::read(&folder).map_err(replay_failure)?;
    let refused = |why: String| {
        let error = anyhow::anyhow!("run {} does not go on: {why}", folder.name());
        Failure { ended: Ended::Usage, error: FailureKind::Error(error) }
    };
    if recorded.start.replay.is_some() {
        return Err(refused("it is a replay; replay the recorded run once more".to_string()));
    }
    let mut changed = Vec::new();
    if let Err(error) = recorded.check_inputs(Use::GoingOn) {
        changed.push(error.to_string());
    }
    for (given, kept) in [(sequence, "sequence.yaml"), (bench, "bench.yaml")] {
        let Some(given) = given else { continue };
        let now = read_source(given, "file")?;
        let then = read_source(&folder.path().join(kept), "frozen file")?;
        changed.extend(first_difference(given, &now.text, kept, &then.text));
    }
    if !changed.is_empty() {
        return Err(refused(changed.join("; ")));
    }
    let plan = recorded.bench().map_err(replay_failure)?;
    let sequence = recorded.sequence(&plan).map_err(replay_failure)?;
    if let Some(damage) = recorded.damage.iter().find(|damage| !damage.is_the_end()) {
        return Err(refused(format!("its journal is damaged: {damage}; 'verify' tells more")));
    }
    let done = done_before(&folder, &sequence, &plan)?;
    if done.ended.is_some() && is_closed(&folder)? {
        return Err(refused("its record was closed; run the sequence anew".to_string()));
    }
    if matches!(
        done.ended,
        Some(Outcome::Completed | Outcome::ExpectationFailed | Outcome::Incomplete)
    ) {
        return Err(refused("it ran to its end; nothing is left to do".to_string()));
    }
    Ok(Interrupted { folder, start: recorded.start, plan, sequence, done })
}

/// Whether the record ends with what `close` writes.
fn is_closed(folder: &RunFolder) -> Result<bool, Failure> {
    let mut closed = false;
    for entry in folder.journal_lines().map_err(Failure::usage)?.entries() {
        match entry.map_err(Failure::usage)?.event {
            Event::RunEnded(end) => closed = end.message.as_deref() == Some(CLOSED),
            Event::RunResumed(_) => closed = false,
            _ => {}
        }
    }
    Ok(closed)
}

/// What the journal tells of before.
pub(super) fn done_before(
    folder: &RunFolder,
    sequence: &Sequence,
    plan: &BenchPlan,
) -> Result<DoneBefore, Failure> {
    let lines = folder.journal_lines().map_err(Failure::usage)?;
    DoneBefore::read(lines.entries(), sequence, plan).map_err(Failure::usage)
}

/// Where two files differ first, in words.
fn first_difference(given: &Path, now: &str, kept: &str, then: &str) -> Option<String> {
    if now == then {
        return None;
    }
    let lines = now.lines().zip(then.lines());
    let same = lines.take_while(|(one, other)| one == other).count();
    let shown = |text: &str| text.lines().nth(same).map_or("nothing", str::trim).to_string();
    Some(format!(
        "{} is not the {kept} that it ran with: line {} is '{}', was '{}'",
        given.display(),
        same + 1,
        shown(now),
        shown(then)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_difference_is_named_by_line() {
        let told = first_difference(Path::new("a.yaml"), "x: 1\ny: 2\n", "sequence.yaml", "x: 1\n");
        let told = told.unwrap_or_default();
        assert!(told.ends_with("line 2 is 'y: 2', was 'nothing'"), "{told}");
        assert_eq!(first_difference(Path::new("a"), "x\n", "s", "x\n"), None);
    }

    #[test]
    fn a_closed_record_is_told_from_one_that_was_stopped() {
        use crate::record::RunEnded;
        use crate::record::fixture::Writer;
        let root = tempfile::tempdir().unwrap();
        let mut writer = Writer::begin(root.path(), "cut");
        let mut end = |message: Option<&str>| {
            writer.log(Event::RunEnded(RunEnded {
                outcome: Outcome::Stopped,
                message: message.map(str::to_string),
                points: 0,
                points_skipped: 0,
                retries: 0,
                captures: 0,
                expectations_failed: 0,
            }));
            is_closed(&writer.folder).unwrap()
        };
        assert!(!end(Some("stopped by the operator")));
        assert!(end(Some(CLOSED)));
        assert!(!end(None));
    }
}
