//! Fills the catalogue from journals. Knows nothing of queries.

use std::collections::BTreeSet;
use std::time::UNIX_EPOCH;

use rusqlite::{Row, Transaction, params};

use super::{Catalogue, Refused};
use crate::record::error::{RecordError, RecordErrorKind};
use crate::record::event::{
    Event, Expectation, FiguresFound, MeasurementDone, PointSkipped, PointStarted, Remedy,
    RunStarted,
};
use crate::record::folder::{CAPTURES_FOLDER, RunFolder};
use crate::record::journal::{Counted, Entry, JournalLine};
use crate::record::sigmf::DATA_ENDING;
use crate::record::value::{RecordedValue, SettingRecord, Value};

/// What a rebuild or refresh did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Indexed {
    /// Runs read anew.
    pub runs: usize,
    /// Runs dropped, as their folder is gone.
    pub dropped: usize,
    /// Runs that cannot be read, with the reason; the others are indexed all the same.
    pub unreadable: Vec<(String, String)>,
}

impl Catalogue {
    /// Reads one run's journal into the catalogue, in place of what it held of that run.
    ///
    /// Indexing twice changes nothing. A run that still goes on is indexed as far as it is.
    ///
    /// # Errors
    /// When the journal cannot be read or the database refuses; then the catalogue is as before.
    pub fn index_run(&mut self, folder: &RunFolder) -> Result<(), RecordError> {
        // Looked at first: what is appended while it is read is indexed the next time.
        let look = Look::at(folder);
        let journal = folder.counted_journal()?;
        self.write(|transaction| write_run(transaction, folder.name(), journal, look))
    }

    /// As [`Self::index_run`]; a run whose journal cannot be read is kept with the reason and its
    /// captures, so that it is listed as damaged. Returns that reason.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn index_whatever_is_left(
        &mut self,
        folder: &RunFolder,
    ) -> Result<Option<String>, RecordError> {
        match self.index_run(folder) {
            Ok(()) => Ok(None),
            Err(error) if matches!(error.kind, RecordErrorKind::Catalogue(_)) => Err(error),
            Err(error) => {
                let why = error.kind.to_string();
                self.write(|transaction| Ok(write_unreadable(transaction, folder, &why)?))?;
                Ok(Some(why))
            }
        }
    }

    /// Indexes the runs whose journal has changed and drops those whose folder is gone.
    ///
    /// # Errors
    /// When the folder of runs cannot be listed or the database refuses.
    pub fn refresh(&mut self) -> Result<Indexed, RecordError> {
        let folders = RunFolder::list(&self.root)?;
        let mut indexed = Indexed::default();
        for folder in &folders {
            let look = Look::at(folder);
            if look.is_some() && self.indexed_at(folder.name())? == look {
                continue;
            }
            match self.index_whatever_is_left(folder)? {
                None => indexed.runs += 1,
                Some(why) => indexed.unreadable.push((folder.name().to_owned(), why)),
            }
        }
        let present: BTreeSet<&str> = folders.iter().map(RunFolder::name).collect();
        for run in self.run_names()? {
            if !present.contains(run.as_str()) {
                self.forget_run(&run)?;
                indexed.dropped += 1;
            }
        }
        Ok(indexed)
    }

    /// Empties the catalogue and reads every run folder anew.
    ///
    /// # Errors
    /// As for [`Self::refresh`].
    pub fn rebuild(&mut self) -> Result<Indexed, RecordError> {
        self.write(|transaction| Ok(transaction.execute_batch(super::SCHEMA)?))?;
        self.refresh()
    }

    /// Takes one run out of the catalogue; its folder stays as it is.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn forget_run(&mut self, run: &str) -> Result<(), RecordError> {
        let deleted = self.connection.execute("DELETE FROM runs WHERE run = ?1", [run]);
        deleted.map(|_| ()).map_err(|error| self.fail(error))
    }

    /// How the journal looked when it was indexed; none when it was not, or could not be read.
    fn indexed_at(&self, run: &str) -> Result<Option<Look>, RecordError> {
        let sql = "SELECT journal_bytes, journal_changed FROM runs \
             WHERE run = ?1 AND unreadable IS NULL";
        let query = || -> rusqlite::Result<Option<Look>> {
            let mut statement = self.connection.prepare_cached(sql)?;
            let mut rows = statement.query([run])?;
            let look = |row: &Row<'_>| Ok(Look { bytes: row.get(0)?, changed_ns: row.get(1)? });
            rows.next()?.map(look).transpose()
        };
        query().map_err(|error| self.fail(error))
    }

    fn run_names(&self) -> Result<Vec<String>, RecordError> {
        let query = || -> rusqlite::Result<Vec<String>> {
            let mut statement = self.connection.prepare("SELECT run FROM runs")?;
            statement.query_map([], |row| row.get(0))?.collect()
        };
        query().map_err(|error| self.fail(error))
    }
}

/// How a journal looks from outside. Damage in place may keep the length, so the time counts too.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Look {
    bytes: i64,
    /// When the file was last written, nanoseconds since 1970; 0 when unknown.
    changed_ns: i64,
}

impl Look {
    fn at(folder: &RunFolder) -> Option<Self> {
        let data = std::fs::metadata(folder.journal_path()).ok()?;
        let changed = data.modified().ok().and_then(|at| at.duration_since(UNIX_EPOCH).ok());
        let changed_ns = changed.and_then(|since| i64::try_from(since.as_nanos()).ok());
        Some(Self { bytes: signed(data.len()), changed_ns: changed_ns.unwrap_or(0) })
    }
}

/// A value as two columns: a number, or a word.
fn columns(value: &Value) -> (Option<f64>, Option<&str>) {
    match value {
        Value::Number(x) => (Some(*x), None),
        Value::Count(n) => (Some(*n as f64), None),
        Value::Switch(true) => (None, Some("on")),
        Value::Switch(false) => (None, Some("off")),
        Value::Word(word) => (None, Some(word)),
    }
}

fn recorded(value: Option<&RecordedValue>) -> (Option<f64>, Option<&str>, Option<&str>) {
    let Some(value) = value else { return (None, None, None) };
    let (number, word) = columns(&value.value);
    (number, word, value.unit.as_deref())
}

/// SQLite's integers are signed; numbers of ours that large do not occur outside damaged files.
fn signed(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn write_run(
    transaction: &Transaction<'_>,
    name: &str,
    journal: Counted,
    look: Option<Look>,
) -> Result<(), Refused> {
    let look = look.unwrap_or_default();
    transaction.execute("DELETE FROM runs WHERE run = ?1", [name])?;
    transaction.execute(
        "INSERT INTO runs (run, journal_bytes, journal_changed, journal_faults) \
         VALUES (?1, ?2, ?3, 0)",
        params![name, look.bytes, look.changed_ns],
    )?;
    let id = transaction.last_insert_rowid();
    let mut faults = 0;
    for line in journal {
        match line? {
            (JournalLine::Fault(_), _) => faults += 1,
            (JournalLine::Entry(entry), counts) => {
                if counts || is_of_the_run(&entry.event) {
                    write_entry(transaction, id, &entry)?;
                }
            }
        }
    }
    let sql = "UPDATE runs SET journal_faults = ?2 WHERE id = ?1";
    transaction.execute(sql, params![id, signed(faults)])?;
    Ok(())
}

/// Whether an event tells of the run as a whole, whatever became of the point it stands in.
fn is_of_the_run(event: &Event) -> bool {
    matches!(
        event,
        Event::RunStarted(_)
            | Event::RunResumed(_)
            | Event::RunEnded(_)
            | Event::Setting(_)
            | Event::Failure(_)
    )
}

/// A run of which only the captures are left: what their meta files tell.
fn write_unreadable(
    transaction: &Transaction<'_>,
    folder: &RunFolder,
    why: &str,
) -> rusqlite::Result<()> {
    transaction.execute("DELETE FROM runs WHERE run = ?1", [folder.name()])?;
    transaction.execute(
        "INSERT INTO runs (run, journal_bytes, journal_changed, journal_faults, unreadable) \
         VALUES (?1, 0, 0, 0, ?2)",
        params![folder.name(), why],
    )?;
    let id = transaction.last_insert_rowid();
    // A folder that cannot be listed has no captures to tell of.
    for capture in folder.captures_on_disk().unwrap_or_default() {
        let meta = folder.read_meta(capture).ok();
        if let Some(of) = meta.as_ref().and_then(|meta| meta.global.run.as_ref()) {
            run(
                transaction,
                "UPDATE runs SET sequence = ?2, bench = ?3, version = ?4, simulated = ?5 \
                 WHERE id = ?1",
                params![id, of.sequence, of.bench, of.version, of.simulated],
            )?;
        }
        let segment = meta.as_ref().and_then(|meta| meta.captures.first());
        let taken_at = segment.and_then(|segment| segment.taken_at);
        run(
            transaction,
            "INSERT OR REPLACE INTO captures (run_id, capture, seq, taken_at, label, point, file) \
             VALUES (?1, ?2, 0, ?3, ?4, ?5, ?6)",
            params![
                id,
                capture.0,
                taken_at.map(|at| at.to_string()).unwrap_or_default(),
                segment.and_then(|segment| segment.label.as_ref()),
                segment.and_then(|segment| segment.point).map(signed),
                format!("{CAPTURES_FOLDER}/{capture}.{DATA_ENDING}"),
            ],
        )?;
    }
    Ok(())
}

fn write_entry(transaction: &Transaction<'_>, id: i64, entry: &Entry) -> rusqlite::Result<()> {
    let at = entry.at.to_string();
    let seq = signed(entry.seq);
    match &entry.event {
        Event::RunStarted(start) => write_start(transaction, id, start, &at),
        Event::RunResumed(_) => run(
            transaction,
            "UPDATE runs SET outcome = NULL, message = NULL, ended_at = NULL WHERE id = ?1",
            params![id],
        ),
        Event::RunEnded(end) => run(
            transaction,
            "UPDATE runs SET outcome = ?2, message = ?3, ended_at = ?4 WHERE id = ?1",
            params![id, end.outcome.name(), end.message, at],
        ),
        Event::PointStarted(point) => write_point(transaction, id, point, &at),
        Event::PointFinished(point) => run(
            transaction,
            "UPDATE points SET finished = 1 WHERE run_id = ?1 AND point = ?2",
            params![id, signed(point.point)],
        ),
        Event::PointSkipped(point) => write_skipped(transaction, id, point, &at),
        Event::Failure(failure) if failure.remedy == Remedy::Retried => {
            run(transaction, "UPDATE runs SET retries = retries + 1 WHERE id = ?1", params![id])
        }
        Event::Capture(capture) => run(
            transaction,
            "INSERT OR REPLACE INTO captures VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            params![
                id,
                capture.capture.0,
                seq,
                at,
                capture.label,
                capture.point.map(signed),
                capture.file,
                capture.sha512,
                capture.clipped_fraction
            ],
        ),
        Event::Setting(done) => write_setting(transaction, id, seq, &done.setting),
        Event::Figures(found) => write_figures(transaction, id, (seq, &at), found),
        Event::Measurement(done) => write_measurement(transaction, id, seq, done),
        Event::Expectation(expectation) => write_expectation(transaction, id, seq, expectation),
        Event::JournalStarted(_)
        | Event::Instrument(_)
        | Event::Search(_)
        | Event::StepStarted(_)
        | Event::StepFinished(_)
        | Event::Abandoned(_)
        | Event::Failure(_)
        | Event::Reestablished(_)
        | Event::Preflight(_)
        | Event::Interlock(_)
        | Event::Paused(_)
        | Event::WentOn(_)
        | Event::Answered(_)
        | Event::Reference(_)
        | Event::Notified(_)
        | Event::Note(_)
        | Event::SafeState(_) => Ok(()),
    }
}

fn write_start(
    transaction: &Transaction<'_>,
    id: i64,
    start: &RunStarted,
    at: &str,
) -> rusqlite::Result<()> {
    run(
        transaction,
        "UPDATE runs SET sequence = ?2, bench = ?3, version = ?4, seed = ?5, simulated = ?6, \
         started_at = ?7, replay_of = ?8, replay_against = ?9, replay_model = ?10, \
         points_planned = ?11 WHERE id = ?1",
        params![
            id,
            start.sequence,
            start.bench,
            start.version,
            start.seed.map(|seed| seed.to_string()),
            start.simulated,
            at,
            start.replay.as_ref().map(|replay| &replay.run),
            start.replay.as_ref().map(|replay| replay.against.name()),
            start.replay.as_ref().and_then(|replay| replay.model.as_ref()),
            start.points_planned.map(signed),
        ],
    )
}

fn run(
    transaction: &Transaction<'_>,
    sql: &str,
    values: impl rusqlite::Params,
) -> rusqlite::Result<()> {
    transaction.prepare_cached(sql)?.execute(values).map(|_| ())
}

fn write_point(
    transaction: &Transaction<'_>,
    id: i64,
    point: &PointStarted,
    at: &str,
) -> rusqlite::Result<()> {
    let number = signed(point.point);
    // A resumed run may start a point again: the later one counts.
    run(
        transaction,
        "INSERT OR REPLACE INTO points (run_id, point, started_at) VALUES (?1, ?2, ?3)",
        params![id, number, at],
    )?;
    for (place, axis) in point.position.iter().enumerate() {
        let (value, word, unit) = recorded(Some(&axis.value));
        run(
            transaction,
            "INSERT OR REPLACE INTO axes VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![id, number, signed(place as u64), axis.axis, value, word, unit],
        )?;
    }
    Ok(())
}

fn write_skipped(
    transaction: &Transaction<'_>,
    id: i64,
    point: &PointSkipped,
    at: &str,
) -> rusqlite::Result<()> {
    // What was recorded of it may have been abandoned before it was given up.
    run(
        transaction,
        "INSERT OR IGNORE INTO points (run_id, point, started_at) VALUES (?1, ?2, ?3)",
        params![id, signed(point.point), at],
    )?;
    run(
        transaction,
        "UPDATE points SET skipped = ?3 WHERE run_id = ?1 AND point = ?2",
        params![id, signed(point.point), point.why],
    )
}

fn write_setting(
    transaction: &Transaction<'_>,
    id: i64,
    seq: i64,
    setting: &SettingRecord,
) -> rusqlite::Result<()> {
    let (asked, asked_word, asked_unit) = recorded(setting.asked.as_ref());
    let (read, read_word, read_unit) = recorded(Some(&setting.read_back));
    run(
        transaction,
        "INSERT OR REPLACE INTO settings VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        params![
            id,
            setting.name,
            seq,
            asked,
            asked_word,
            asked_unit,
            read,
            read_word,
            read_unit,
            setting.at.to_string(),
            setting.matched
        ],
    )
}

fn write_figures(
    transaction: &Transaction<'_>,
    id: i64,
    (seq, at): (i64, &str),
    found: &FiguresFound,
) -> rusqlite::Result<()> {
    // A capture that was not kept is known by its figures alone.
    run(
        transaction,
        "INSERT OR IGNORE INTO captures (run_id, capture, seq, taken_at, label, point) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        params![id, found.capture.0, seq, at, found.label, found.point.map(signed)],
    )?;
    for figure in &found.figures {
        let (number, word) = figure.value.as_ref().map_or((None, None), columns);
        run(
            transaction,
            "INSERT OR REPLACE INTO figures VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![id, found.capture.0, figure.name, number, word, figure.unit],
        )?;
    }
    Ok(())
}

fn write_measurement(
    transaction: &Transaction<'_>,
    id: i64,
    seq: i64,
    done: &MeasurementDone,
) -> rusqlite::Result<()> {
    run(
        transaction,
        "INSERT OR REPLACE INTO measurements VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![
            id,
            seq,
            done.label,
            done.point.map(signed),
            done.frame,
            done.captures.first().map(|capture| capture.0),
            signed(done.captures.len() as u64)
        ],
    )?;
    for figure in &done.figures {
        let (number, word) = figure.value.as_ref().map_or((None, None), columns);
        run(
            transaction,
            "INSERT OR REPLACE INTO measurement_figures VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![
                id,
                seq,
                figure.name,
                number,
                word,
                figure.unit,
                crate::record::figure(&done.spread, &figure.name)
            ],
        )?;
    }
    Ok(())
}

fn write_expectation(
    transaction: &Transaction<'_>,
    id: i64,
    seq: i64,
    expectation: &Expectation,
) -> rusqlite::Result<()> {
    let (number, word, unit) = recorded(expectation.measured.as_ref());
    run(
        transaction,
        "INSERT OR REPLACE INTO expectations VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        params![
            id,
            seq,
            expectation.capture.map(|capture| capture.0),
            expectation.point.map(signed),
            expectation.figure,
            expectation.wanted,
            number,
            word,
            unit,
            expectation.passed
        ],
    )?;
    if expectation.passed {
        return Ok(());
    }
    run(
        transaction,
        "UPDATE runs SET expectations_failed = expectations_failed + 1 WHERE id = ?1",
        params![id],
    )
}
