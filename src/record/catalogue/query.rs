//! What `runs` and `show` ask of the catalogue. Knows nothing of journals.

use rusqlite::{Params, Row, params};

use super::Catalogue;
use crate::record::error::RecordError;
use crate::record::event::{Against, Outcome, ReplayOf};
use crate::record::value::{AxisValue, CaptureNo, Figure, RecordedValue, Value};

/// Which runs to list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RunsWanted {
    /// Only runs of this sequence.
    pub sequence: Option<String>,
    /// Only runs that ended so.
    pub outcome: Option<Outcome>,
    /// At most so many, the newest.
    pub newest: Option<u32>,
}

/// One run in a list. Texts are empty where the journal does not tell.
#[derive(Clone, Debug, PartialEq)]
pub struct RunRow {
    /// Name of the run's folder.
    pub run: String,
    /// Name of the sequence.
    pub sequence: String,
    /// Name of the bench.
    pub bench: String,
    /// Version of the software.
    pub version: String,
    /// Seed of the run.
    pub seed: Option<u64>,
    /// Whether the instruments were simulated; of a replay of messages, whether those were that had
    /// answered.
    pub simulated: bool,
    /// Of which run it is a replay, when it is one: then no instrument took part.
    pub replay: Option<ReplayOf>,
    /// When it started, RFC 3339.
    pub started_at: Option<String>,
    /// When it ended, RFC 3339.
    pub ended_at: Option<String>,
    /// How it ended; none while it goes on, or when it was cut off.
    pub outcome: Option<Outcome>,
    /// Why, when it did not simply complete.
    pub message: Option<String>,
    /// Points begun, those that were begun anew once.
    pub points: u64,
    /// Points planned, as far as that was known at the start.
    pub points_planned: Option<u64>,
    /// Points finished.
    pub points_finished: u64,
    /// Points given up.
    pub points_skipped: u64,
    /// Actions that failed and were tried again.
    pub retries: u64,
    /// Captures kept.
    pub captures: u64,
    /// Expectations that did not hold.
    pub expectations_failed: u64,
    /// Damaged lines of its journal.
    pub journal_faults: u64,
    /// Why its journal cannot be read at all; then only its captures are known.
    pub unreadable: Option<String>,
}

/// One point of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct PointRow {
    /// Number of the point.
    pub point: u64,
    /// When it began, RFC 3339.
    pub started_at: String,
    /// Whether it was finished.
    pub finished: bool,
    /// Why it was given up, when it was.
    pub skipped: Option<String>,
    /// Value of each sweep axis, outermost first.
    pub position: Vec<AxisValue>,
}

/// One capture of a run with the figures of its latest analysis.
#[derive(Clone, Debug, PartialEq)]
pub struct CaptureRow {
    /// Number of the capture.
    pub capture: CaptureNo,
    /// When its journal line was written, RFC 3339; when the journal is lost, what its meta file says.
    pub taken_at: String,
    /// Label.
    pub label: Option<String>,
    /// Point.
    pub point: Option<u64>,
    /// Data file within the run folder; none when the capture was analysed and not kept.
    pub file: Option<String>,
    /// SHA-512 of the data file.
    pub sha512: Option<String>,
    /// Share of samples at the end of the converter's range.
    pub clipped_fraction: Option<f64>,
    /// Figures by name. Counts come back as numbers.
    pub figures: Vec<Figure>,
}

/// One measurement: captures whose figures were taken together.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasurementRow {
    /// Label.
    pub label: Option<String>,
    /// Point.
    pub point: Option<u64>,
    /// Frame that was on the air.
    pub frame: Option<String>,
    /// Its first capture.
    pub first_capture: Option<CaptureNo>,
    /// How many captures it took.
    pub captures: u64,
    /// Figures by name. Counts come back as numbers.
    pub figures: Vec<Figure>,
    /// Standard deviation of figures over the captures, where there are several.
    pub spread: Vec<Figure>,
}

/// A setting as it last stood.
#[derive(Clone, Debug, PartialEq)]
pub struct SettingRow {
    /// Full name.
    pub name: String,
    /// Asked for.
    pub asked: Option<RecordedValue>,
    /// Read back.
    pub read_back: Option<RecordedValue>,
    /// When it was read back, RFC 3339.
    pub at: String,
    /// Whether both agree.
    pub matched: bool,
}

/// An expectation and what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectationRow {
    /// Capture.
    pub capture: Option<CaptureNo>,
    /// Point.
    pub point: Option<u64>,
    /// Figure compared.
    pub figure: String,
    /// What was wanted.
    pub wanted: String,
    /// What was measured.
    pub measured: Option<RecordedValue>,
    /// Whether it holds.
    pub passed: bool,
}

const RUN_COLUMNS: &str = "SELECT run, sequence, bench, version, seed, simulated, started_at, \
     ended_at, outcome, message, (SELECT count(*) FROM points WHERE run_id = id), \
     (SELECT count(file) FROM captures WHERE run_id = id), expectations_failed, journal_faults, \
     unreadable, replay_of, replay_against, replay_model, points_planned, \
     (SELECT count(*) FROM points WHERE run_id = id AND finished), \
     (SELECT count(skipped) FROM points WHERE run_id = id), retries FROM runs";

/// When a run of unreadable journal started, from its folder's name `2026-03-14T21-40-07_…`.
const NAMED_START: &str =
    "substr(run, 1, 13) || ':' || substr(run, 15, 2) || ':' || substr(run, 18, 2) || 'Z'";

impl Catalogue {
    /// The runs wanted, newest first.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn runs(&self, wanted: &RunsWanted) -> Result<Vec<RunRow>, RecordError> {
        let newest = wanted.newest.map_or(-1, i64::from);
        let outcome = wanted.outcome.map(Outcome::name);
        let sql = format!(
            "{RUN_COLUMNS} WHERE (?1 IS NULL OR sequence = ?1) AND (?2 IS NULL OR outcome = ?2) \
             ORDER BY coalesce(started_at, {NAMED_START}) DESC, run DESC LIMIT ?3"
        );
        self.rows(&sql, params![wanted.sequence, outcome, newest], run_row)
    }

    /// One run by its folder's name.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn run(&self, run: &str) -> Result<Option<RunRow>, RecordError> {
        let runs = self.rows(&format!("{RUN_COLUMNS} WHERE run = ?1"), [run], run_row)?;
        Ok(runs.into_iter().next())
    }

    /// The points of a run in order.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn points(&self, run: &str) -> Result<Vec<PointRow>, RecordError> {
        let sql = "SELECT p.point, p.started_at, p.finished, a.axis, a.number, a.word, a.unit, p.skipped \
             FROM points p JOIN runs r ON r.id = p.run_id \
             LEFT JOIN axes a ON a.run_id = p.run_id AND a.point = p.point \
             WHERE r.run = ?1 ORDER BY p.point, a.place";
        let rows = self.rows(sql, [run], |row| {
            let axis: Option<String> = row.get(3)?;
            let value = recorded(row, 4)?;
            let axis = axis.zip(value).map(|(axis, value)| AxisValue { axis, value });
            let (point, started_at, finished) = (unsigned(row, 0)?, row.get(1)?, row.get(2)?);
            let (skipped, position) = (row.get(7)?, Vec::new());
            Ok((PointRow { point, started_at, finished, skipped, position }, axis))
        })?;
        let mut points: Vec<PointRow> = Vec::new();
        for (point, axis) in rows {
            if points.last().is_none_or(|last| last.point != point.point) {
                points.push(point);
            }
            if let Some(last) = points.last_mut() {
                last.position.extend(axis);
            }
        }
        Ok(points)
    }

    /// The captures of a run in order, with their figures.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn captures(&self, run: &str) -> Result<Vec<CaptureRow>, RecordError> {
        self.captures_after(run, None, u32::MAX)
    }

    /// At most `count` captures of a run in order, with their figures, beginning after `after`: of a long
    /// run all of them need not be in memory at a time.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn captures_after(
        &self,
        run: &str,
        after: Option<CaptureNo>,
        count: u32,
    ) -> Result<Vec<CaptureRow>, RecordError> {
        let after = after.map_or(-1, |capture| i64::from(capture.0));
        let sql = "SELECT c.capture, c.taken_at, c.label, c.point, c.file, c.sha512, \
             c.clipped_fraction FROM captures c JOIN runs r ON r.id = c.run_id \
             WHERE r.run = ?1 AND c.capture > ?2 ORDER BY c.capture LIMIT ?3";
        let mut captures = self.rows(sql, params![run, after, count], capture_row)?;
        let Some(last) = captures.last().map(|row| row.capture.0) else { return Ok(captures) };
        let sql = "SELECT f.capture, f.name, f.number, f.word, f.unit FROM figures f \
             JOIN runs r ON r.id = f.run_id WHERE r.run = ?1 AND f.capture > ?2 \
             AND f.capture <= ?3 ORDER BY f.capture, f.name";
        let figures = self.rows(sql, params![run, after, last], |row| {
            let value = value(row.get(2)?, row.get(3)?);
            Ok((CaptureNo(row.get(0)?), Figure { name: row.get(1)?, value, unit: row.get(4)? }))
        })?;
        for (capture, figure) in figures {
            if let Ok(at) = captures.binary_search_by_key(&capture, |row| row.capture) {
                captures[at].figures.push(figure);
            }
        }
        Ok(captures)
    }

    /// The measurements of a run in order, with the figures of their captures together.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn measurements(&self, run: &str) -> Result<Vec<MeasurementRow>, RecordError> {
        self.measurements_of(run, u32::MAX)
    }

    /// As [`Self::measurements`], at most the first `count`.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn measurements_of(
        &self,
        run: &str,
        count: u32,
    ) -> Result<Vec<MeasurementRow>, RecordError> {
        let sql = "SELECT m.seq, m.label, m.point, m.frame, m.first_capture, m.captures, f.name, \
             f.number, f.word, f.unit, f.spread FROM \
             (SELECT m.* FROM measurements m JOIN runs r ON r.id = m.run_id WHERE r.run = ?1 \
              ORDER BY m.seq LIMIT ?2) m \
             LEFT JOIN measurement_figures f ON f.run_id = m.run_id AND f.seq = m.seq \
             ORDER BY m.seq, f.name";
        let rows = self.rows(sql, params![run, count], |row| {
            let name: Option<String> = row.get(6)?;
            let (value, unit) = (value(row.get(7)?, row.get(8)?), row.get(9)?);
            let spread: Option<f64> = row.get(10)?;
            let figure = name.map(|name| Figure { name, value, unit });
            Ok((row.get::<_, i64>(0)?, measurement_row(row)?, figure, spread))
        })?;
        let mut measurements: Vec<(i64, MeasurementRow)> = Vec::new();
        for (seq, measurement, figure, spread) in rows {
            if measurements.last().is_none_or(|(last, _)| *last != seq) {
                measurements.push((seq, measurement));
            }
            let (Some((_, last)), Some(figure)) = (measurements.last_mut(), figure) else {
                continue;
            };
            let spread = spread
                .map(|spread| Figure::number(&figure.name, Some(spread), figure.unit.as_deref()));
            last.spread.extend(spread);
            last.figures.push(figure);
        }
        Ok(measurements.into_iter().map(|(_, measurement)| measurement).collect())
    }

    /// Every setting that the run made, as it stood at a capture, or at the end when none is given.
    ///
    /// The capture's own meta file also tells the settings the run never made.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn settings(
        &self,
        run: &str,
        at: Option<CaptureNo>,
    ) -> Result<Vec<SettingRow>, RecordError> {
        // A bare column beside max() is that of the row with the maximum: documented by SQLite.
        let sql = "SELECT s.name, s.asked_number, s.asked_word, s.asked_unit, s.read_number, \
             s.read_word, s.read_unit, s.read_at, s.matched, max(s.seq) \
             FROM settings s JOIN runs r ON r.id = s.run_id \
             WHERE r.run = ?1 AND (?2 IS NULL OR s.seq < \
               (SELECT c.seq FROM captures c WHERE c.run_id = r.id AND c.capture = ?2)) \
             GROUP BY s.name ORDER BY s.name";
        self.rows(sql, params![run, at.map(|capture| capture.0)], |row| {
            Ok(SettingRow {
                name: row.get(0)?,
                asked: recorded(row, 1)?,
                read_back: recorded(row, 4)?,
                at: row.get(7)?,
                matched: row.get(8)?,
            })
        })
    }

    /// The expectations of a run in order.
    ///
    /// # Errors
    /// When the database refuses.
    pub fn expectations(&self, run: &str) -> Result<Vec<ExpectationRow>, RecordError> {
        let sql = "SELECT e.capture, e.point, e.figure, e.wanted, e.measured_number, \
             e.measured_word, e.measured_unit, e.passed FROM expectations e \
             JOIN runs r ON r.id = e.run_id WHERE r.run = ?1 ORDER BY e.seq";
        self.rows(sql, [run], |row| {
            Ok(ExpectationRow {
                capture: row.get::<_, Option<u32>>(0)?.map(CaptureNo),
                point: row.get::<_, Option<i64>>(1)?.map(i64::unsigned_abs),
                figure: row.get(2)?,
                wanted: row.get(3)?,
                measured: recorded(row, 4)?,
                passed: row.get(7)?,
            })
        })
    }

    fn rows<T>(
        &self,
        sql: &str,
        values: impl Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, RecordError> {
        let query = || -> rusqlite::Result<Vec<T>> {
            let mut statement = self.connection.prepare_cached(sql)?;
            statement.query_map(values, read)?.collect()
        };
        query().map_err(|error| self.fail(error))
    }
}

fn unsigned(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    row.get::<_, i64>(column).map(i64::unsigned_abs)
}

fn value(number: Option<f64>, word: Option<String>) -> Option<Value> {
    number.map(Value::Number).or(word.map(Value::Word))
}

/// The value in three columns: number, word, unit.
fn recorded(row: &Row<'_>, first: usize) -> rusqlite::Result<Option<RecordedValue>> {
    let unit = row.get(first + 2)?;
    let value = value(row.get(first)?, row.get(first + 1)?);
    Ok(value.map(|value| RecordedValue { value, unit }))
}

fn text(row: &Row<'_>, column: usize) -> rusqlite::Result<String> {
    row.get::<_, Option<String>>(column).map(Option::unwrap_or_default)
}

/// The replay in three columns: run, against what, model.
fn replay(row: &Row<'_>, first: usize) -> rusqlite::Result<Option<ReplayOf>> {
    let (run, against): (Option<String>, _) = (row.get(first)?, text(row, first + 1)?);
    let model = row.get(first + 2)?;
    let both = run.zip(Against::from_name(&against));
    Ok(both.map(|(run, against)| ReplayOf { run, against, model }))
}

fn run_row(row: &Row<'_>) -> rusqlite::Result<RunRow> {
    Ok(RunRow {
        run: row.get(0)?,
        sequence: text(row, 1)?,
        bench: text(row, 2)?,
        version: text(row, 3)?,
        seed: text(row, 4)?.parse().ok(),
        simulated: row.get::<_, Option<bool>>(5)?.unwrap_or(false),
        started_at: row.get(6)?,
        ended_at: row.get(7)?,
        outcome: Outcome::from_name(&text(row, 8)?),
        message: row.get(9)?,
        points: unsigned(row, 10)?,
        points_planned: row.get::<_, Option<i64>>(18)?.map(i64::unsigned_abs),
        points_finished: unsigned(row, 19)?,
        points_skipped: unsigned(row, 20)?,
        retries: unsigned(row, 21)?,
        captures: unsigned(row, 11)?,
        expectations_failed: unsigned(row, 12)?,
        journal_faults: unsigned(row, 13)?,
        unreadable: row.get(14)?,
        replay: replay(row, 15)?,
    })
}

fn capture_row(row: &Row<'_>) -> rusqlite::Result<CaptureRow> {
    Ok(CaptureRow {
        capture: CaptureNo(row.get(0)?),
        taken_at: row.get(1)?,
        label: row.get(2)?,
        point: row.get::<_, Option<i64>>(3)?.map(i64::unsigned_abs),
        file: row.get(4)?,
        sha512: row.get(5)?,
        clipped_fraction: row.get(6)?,
        figures: Vec::new(),
    })
}

fn measurement_row(row: &Row<'_>) -> rusqlite::Result<MeasurementRow> {
    Ok(MeasurementRow {
        label: row.get(1)?,
        point: row.get::<_, Option<i64>>(2)?.map(i64::unsigned_abs),
        frame: row.get(3)?,
        first_capture: row.get::<_, Option<u32>>(4)?.map(CaptureNo),
        captures: unsigned(row, 5)?,
        figures: Vec::new(),
        spread: Vec::new(),
    })
}
