//! What happened in a run that nobody watched: failures and what was done about them, points given up,
//! interlocks, pauses, questions, drift. In order of time, alike ones summed up, and in one paragraph.

mod drift;
mod summary;
mod words;

use std::fmt::Write as _;

use jiff::Timestamp;

use super::html::{breakable, escape, table};
use super::number::count;
use super::run::Run;
use crate::record::{Entry, Event, Level, Numbers, RecordError, RunFolder};

use drift::References;
use summary::Night;
pub(super) use words::told;

/// Most rows that are told.
const ROWS_MAX: usize = 400;
/// Alike events within this time of each other are one row, seconds.
const TOGETHER_S: f64 = 600.0;
/// So many rows back an alike one is sought.
const BACK_MAX: usize = 12;

/// One row: an event, or several alike.
#[derive(Clone, Debug)]
struct Row {
    what: &'static str,
    text: String,
    key: Option<String>,
    serious: bool,
    first: Timestamp,
    last: Timestamp,
    count: u64,
    points: Numbers,
}

/// What happened, gathered while the journal goes by.
#[derive(Clone, Debug, Default)]
pub(super) struct Happenings {
    rows: Vec<Row>,
    /// Rows that are not kept.
    left_out: u64,
    night: Night,
    references: References,
    /// The point that began last and has not ended.
    point: Option<u64>,
    /// Whether the record was opened again and nothing has gone on yet; and the row that tells of it.
    reopened: Option<Option<usize>>,
}

impl Happenings {
    pub(super) fn take(&mut self, entry: &Entry, counts: bool) {
        self.night.take(entry, counts);
        self.take_up(&entry.event);
        match &entry.event {
            Event::PointStarted(point) => self.point = Some(point.point),
            Event::PointFinished(_) => self.point = None,
            Event::Reference(taken) => self.references.take(entry.at, taken),
            // Warnings and errors only: the sequence's own notes are part of the story.
            Event::Note(note) if note.level == Level::Info => return,
            _ => {}
        }
        if let Some(told) = told(&entry.event) {
            let point = words::point_of(&entry.event).or(self.point);
            let row = self.push(entry.at, point, told);
            if matches!(entry.event, Event::RunResumed(_)) {
                self.reopened = Some(row);
            }
        }
        if matches!(entry.event, Event::PointSkipped(_)) {
            self.point = None;
        }
    }

    /// Tells a run that went on from one whose bench was only made safe: the latter does no step.
    fn take_up(&mut self, event: &Event) {
        match event {
            Event::RunResumed(_) | Event::RunEnded(_) => self.only_made_safe(),
            Event::Preflight(_) | Event::PointStarted(_) | Event::StepStarted(_) => {
                if self.reopened.take().is_some() {
                    self.night.went_on();
                }
            }
            _ => {}
        }
    }

    fn only_made_safe(&mut self) {
        let Some(row) = self.reopened.take() else { return };
        self.night.made_safe();
        if let Some(row) = row.and_then(|row| self.rows.get_mut(row)) {
            row.what = "Made safe";
            row.text =
                "the run had been cut off; the bench was brought to its safe state, and no step \
                        was done"
                    .to_owned();
        }
    }

    /// How often the run was interrupted and went on.
    pub(super) fn resumed(&self) -> u64 {
        self.night.resumed()
    }

    pub(super) fn end(&mut self) {
        self.only_made_safe();
        self.night.end();
    }

    /// Yields the place of the row that tells it; none when it is not kept.
    fn push(&mut self, at: Timestamp, point: Option<u64>, told: words::Told) -> Option<usize> {
        let near = |row: &Row| at.duration_since(row.last).as_secs_f64() <= TOGETHER_S;
        let alike = |row: &Row| row.key.is_some() && row.key == told.key && near(row);
        let back = self.rows.len().saturating_sub(BACK_MAX);
        let found = self.rows[back..].iter().rposition(alike).map(|place| back + place);
        if found.is_none() && self.rows.len() >= ROWS_MAX {
            self.left_out += 1;
            return None;
        }
        let place = found.unwrap_or_else(|| {
            self.rows.push(Row {
                what: told.what,
                text: told.text,
                key: told.key,
                serious: told.serious,
                first: at,
                last: at,
                count: 0,
                points: Numbers::default(),
            });
            self.rows.len() - 1
        });
        let row = &mut self.rows[place];
        row.count += 1;
        row.last = at;
        if let Some(point) = point {
            row.points.insert(point);
        }
        Some(place)
    }

    /// Whether the rows lie on several days.
    fn several_days(&self) -> bool {
        let day = |at: Timestamp| at.strftime("%F").to_string();
        let ends = self.rows.first().zip(self.rows.last());
        ends.is_some_and(|(first, last)| day(first.first) != day(last.last))
    }
}

impl Row {
    /// When, with the day where rows lie on several.
    fn when(&self, with_day: bool) -> String {
        let format = if with_day { "%d %b %H:%M:%S" } else { "%H:%M:%S" };
        let first = self.first.strftime(format).to_string();
        match self.count {
            1 => first,
            _ => format!("{first} to {}", self.last.strftime("%H:%M:%S")),
        }
    }

    /// At which points: `7`, `7, 9`, `7 to 40 (12 points)`.
    fn points(&self) -> String {
        match (self.points.len(), self.points.ends()) {
            (_, None) => String::new(),
            (1, Some((point, _))) => point.to_string(),
            (2, Some((first, last))) => format!("{first}, {last}"),
            (n, Some((first, last))) => format!("{first} to {last} ({} points)", count(n)),
        }
    }

    fn text(&self) -> String {
        match self.count {
            1 => self.text.clone(),
            n => format!("{} ({} times alike)", self.text, count(n)),
        }
    }
}

/// The section of the page.
pub(super) fn section(run: &Run<'_>) -> String {
    let happenings = &run.happenings;
    let mut html = format!("<p>{}</p>\n", escape(happenings.night.paragraph(run.seconds())));
    html += &happenings.references.charts(run.started_at);
    if happenings.rows.is_empty() {
        return html + "<p>Nothing out of the ordinary happened.</p>\n";
    }
    let with_day = happenings.several_days();
    let row = |row: &Row| {
        let what = escape(row.what);
        vec![
            escape(row.when(with_day)),
            escape(row.points()),
            if row.serious { format!("<strong>{what}</strong>") } else { what },
            format!("<span class=\"told\">{}</span>", breakable(row.text())),
        ]
    };
    let rows: Vec<Vec<String>> = happenings.rows.iter().map(row).collect();
    let head = ["Time (UTC)", "Point", "What", "Told"];
    html += &table("In order of time", &head, &rows);
    if happenings.left_out > 0 {
        let _ = writeln!(
            html,
            "<p>The first {ROWS_MAX} rows are shown; {} more events stand in the journal.</p>",
            count(happenings.left_out)
        );
    }
    html
}

/// What happened in a run, in plain text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Happened {
    /// The run in one paragraph.
    pub summary: String,
    /// One line a row, in order of time.
    pub lines: Vec<String>,
    /// Events that no line tells of.
    pub left_out: u64,
}

/// What happened in a run, told as the report tells it.
///
/// # Errors
/// When the journal cannot be read.
pub fn happened(folder: &RunFolder) -> Result<Happened, RecordError> {
    let mut happenings = Happenings::default();
    let (mut first, mut last) = (None, None);
    for line in folder.counted_journal()? {
        if let (crate::record::JournalLine::Entry(entry), counts) = line? {
            first = first.or(Some(entry.at));
            last = Some(entry.at);
            happenings.take(&entry, counts);
        }
    }
    happenings.end();
    let seconds = first.zip(last).map(|(a, b): (Timestamp, Timestamp)| b.duration_since(a));
    let with_day = happenings.several_days();
    let line = |row: &Row| {
        let points = match row.points() {
            points if points.is_empty() => points,
            points => format!(" point {points},"),
        };
        format!("{}{points} {}: {}", row.when(with_day), row.what, row.text())
    };
    Ok(Happened {
        summary: happenings.night.paragraph(seconds.map(|span| span.as_secs_f64())),
        lines: happenings.rows.iter().map(line).collect(),
        left_out: happenings.left_out,
    })
}
