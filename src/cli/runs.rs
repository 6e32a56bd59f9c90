//! `runs`: the list of runs.

use std::path::{Path, PathBuf};

use comfy_table::Table;
use serde_json::json;

use super::{Ended, Failure, Terminal};
use crate::record::{
    Catalogue, Outcome, RecordError, RecordErrorKind, RunFolder, RunRow, RunsWanted,
};

/// List the runs, newest first.
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
    let wanted = RunsWanted {
        sequence: arguments.sequence.clone(),
        outcome: None,
        newest: arguments.newest,
    };
    let rows =
        with_fresh_catalogue(&arguments.runs, terminal, |catalogue| catalogue.runs(&wanted))?;
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
        let folder = RunFolder::open(&arguments.runs.join(&row.run));
        add_row(&mut table, row, folder.is_ok_and(|folder| folder.is_being_written()));
    }
    terminal.line(table.to_string())?;
    Ok(Ended::Done)
}

/// Looks something up in the catalogue, brought up to date from the folders; what had to be mended
/// on the way is told.
pub(super) fn with_fresh_catalogue<T>(
    root: &Path,
    terminal: &mut Terminal,
    look: impl Fn(&mut Catalogue) -> Result<T, RecordError>,
) -> Result<T, Failure> {
    if !root.is_dir() {
        let what = if root.exists() { "is not a folder" } else { "does not exist" };
        let message = format!(
            "'{}' {what}; 'beamwarden run' makes a folder of runs, --runs names another",
            root.display()
        );
        return Err(Failure::usage(anyhow::anyhow!(message)));
    }
    let (found, notices) = Catalogue::with_fresh(root, look).map_err(record_failure)?;
    for notice in notices {
        terminal.tell(format!("warning: {notice}"));
    }
    Ok(found)
}

/// A record that cannot be read or written is the user's to mend, but for the index, which is ours.
pub(super) fn record_failure(error: RecordError) -> Failure {
    match error.kind {
        RecordErrorKind::Catalogue(_) => Failure::internal(error),
        _ => Failure::usage(error),
    }
}

/// How a run ended, in words.
fn outcome_words(outcome: Option<Outcome>, live: bool) -> &'static str {
    match outcome {
        Some(Outcome::Completed) => "completed",
        Some(Outcome::ExpectationFailed) => "completed, expectation failed",
        Some(Outcome::Incomplete) => "ended, points were given up",
        Some(Outcome::Failed) => "failed",
        Some(Outcome::Stopped) => "stopped by the operator",
        None if live => "running now",
        None => "cut off: no end recorded, and no process writes it",
    }
}

/// How a run ended and whether its record is whole, in words.
/// `live` is whether a process writes it now.
pub(super) fn state_words(row: &RunRow, live: bool) -> String {
    if row.unreadable.is_some() {
        return "DAMAGED: the journal cannot be read".to_owned();
    }
    let ended = outcome_words(row.outcome, live);
    match (row.journal_faults, row.outcome) {
        (0, _) => ended.to_owned(),
        (faults, None) => format!("DAMAGED: {}; {ended}", faults_words(faults)),
        (faults, Some(_)) => {
            format!("DAMAGED: {}; what is left says: {ended}", faults_words(faults))
        }
    }
}

/// "1 fault in the journal".
fn faults_words(faults: u64) -> String {
    let noun = if faults == 1 { "fault" } else { "faults" };
    format!("{faults} {noun} in the journal")
}

fn add_row(table: &mut Table, row: &RunRow, live: bool) {
    let bench = match &row.replay {
        Some(replay) => format!("{} ({})", row.bench, replay.words()),
        None if row.simulated => format!("{} (simulated)", row.bench),
        None => row.bench.clone(),
    };
    // Where the journal cannot be read, nothing is known of points and expectations.
    let known = |count: u64| row.unreadable.as_ref().map_or(count.to_string(), |_| "-".to_owned());
    table.add_row([
        row.run.clone(),
        if bench.is_empty() { "-".to_owned() } else { bench },
        state_words(row, live),
        row.unreadable.as_ref().map_or_else(|| points_words(row), |_| "-".to_owned()),
        row.captures.to_string(),
        known(row.expectations_failed),
    ]);
}

/// Points finished of those planned, and those given up: `310 of 312, 2 given up`.
pub(super) fn points_words(row: &RunRow) -> String {
    let of = match row.points_planned {
        Some(planned) => format!("{} of {planned}", row.points_finished),
        // Journals of before points were planned: those begun.
        None if row.points != row.points_finished => {
            format!("{} of {}", row.points_finished, row.points)
        }
        None => row.points.to_string(),
    };
    match row.points_skipped {
        0 => of,
        skipped => format!("{of}, {skipped} given up"),
    }
}

pub(super) fn as_json(row: &RunRow) -> serde_json::Value {
    json!({
        "run": row.run,
        "sequence": row.sequence,
        "bench": row.bench,
        "version": row.version,
        "seed": row.seed,
        "simulated": row.simulated,
        "replay": row.replay,
        "started_at": row.started_at,
        "ended_at": row.ended_at,
        "outcome": row.outcome,
        "message": row.message,
        "points": row.points,
        "points_planned": row.points_planned,
        "points_finished": row.points_finished,
        "points_skipped": row.points_skipped,
        "retries": row.retries,
        "captures": row.captures,
        "expectations_failed": row.expectations_failed,
        "journal_faults": row.journal_faults,
        "journal_unreadable": row.unreadable,
        "damaged": row.unreadable.is_some() || row.journal_faults > 0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Against, ReplayOf, fixture};

    #[test]
    fn a_replay_is_never_listed_as_a_measurement() {
        let root = tempfile::tempdir().unwrap();
        for against in Against::ALL {
            let replay = ReplayOf { run: "yesterday".to_owned(), against, model: None };
            fixture::Writer::begin_replay(root.path(), "night", Some(replay));
        }
        fixture::Writer::begin(root.path(), "night");
        let wanted = RunsWanted::default();
        let look = |catalogue: &mut Catalogue| catalogue.runs(&wanted);
        let (rows, _) = Catalogue::with_fresh(root.path(), look).unwrap();
        let mut table = super::super::figures_table::table(&["run"]);
        rows.iter().for_each(|row| add_row(&mut table, row, false));
        let shown = table.to_string();
        for against in ["model", "trace"] {
            let told = format!(
                "packing-arm (replayed from yesterday against {against}; no instrument took part)"
            );
            assert_eq!(shown.matches(&told).count(), 1, "{shown}");
        }
        assert_eq!(shown.matches("packing-arm (simulated)").count(), 1, "{shown}");
        let replays: Vec<_> = rows.iter().map(|row| as_json(row)["replay"].clone()).collect();
        let of = |against: &str| json!({"run": "yesterday", "against": against});
        // Newest first.
        assert_eq!(replays, [json!(null), of("trace"), of("model")]);
    }

    #[test]
    fn damage_is_said_in_words() {
        let root = tempfile::tempdir().unwrap();
        let folder = fixture::story(root.path(), 16, 16);
        let state = |folder: &RunFolder| {
            let (row, _) = Catalogue::with_fresh(root.path(), |catalogue| {
                catalogue.index_whatever_is_left(folder)?;
                catalogue.run(folder.name())
            })
            .unwrap();
            let row = row.unwrap();
            (state_words(&row, folder.is_being_written()), as_json(&row)["damaged"].clone())
        };
        assert_eq!(state(&folder), ("completed".to_owned(), json!(false)));

        let sound = std::fs::read_to_string(folder.journal_path()).unwrap();
        std::fs::write(folder.journal_path(), sound.replacen("rotated", "r0tated", 1)).unwrap();
        let told = "DAMAGED: 1 fault in the journal; what is left says: completed";
        assert_eq!(state(&folder), (told.to_owned(), json!(true)));

        std::fs::write(folder.journal_path(), &sound[..sound.len() - 9]).unwrap();
        let told =
            "DAMAGED: 1 fault in the journal; cut off: no end recorded, and no process writes it";
        assert_eq!(state(&folder), (told.to_owned(), json!(true)));

        let last = sound.trim_end().rfind('\n').unwrap();
        std::fs::write(folder.journal_path(), &sound[..=last]).unwrap();
        let told = "cut off: no end recorded, and no process writes it";
        assert_eq!(state(&folder), (told.to_owned(), json!(false)));
        let (journal, _) = folder.resume_journal().unwrap();
        assert_eq!(state(&folder), ("running now".to_owned(), json!(false)));
        drop(journal);

        std::fs::remove_file(folder.journal_path()).unwrap();
        let told = "DAMAGED: the journal cannot be read";
        assert_eq!(state(&folder), (told.to_owned(), json!(true)));
    }
}
