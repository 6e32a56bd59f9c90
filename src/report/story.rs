//! The story of a run: what was done, in order, in sentences.

use jiff::Timestamp;

use super::happened;
use super::html::{breakable, code, escape};
use super::notes;
use super::number::{count, error_rate, number, recorded, told};
use super::run::{Run, Shot};
use super::search;
use super::settings::{self, is_element};
use crate::record::{Entry, Event, FaultClass, Level, Note, SearchSide, SettingDone, figure_names};

/// Most lines of the story in a page.
const LINES_MAX: usize = 400;
/// Most warnings, errors and failed expectations after those.
const MATTERING_MAX: usize = 600;
/// Longest story that is not folded away.
const OPEN_MAX: usize = 40;
/// Settings named in one line; the rest are counted.
const NAMED_MAX: usize = 6;

/// Most settings in a row that are kept to be told together.
const SETTINGS_MAX: usize = 4000;

/// One line of the story; `text` is HTML.
#[derive(Clone, Debug)]
struct Line {
    at: Timestamp,
    /// Whether the line must not be left out: a warning or an error.
    matters: bool,
    text: String,
    /// What it has in common with its like, for lines that may come in dozens.
    key: Option<String>,
    /// So many more like it came in a row, the last at that time.
    more: usize,
    last: Timestamp,
}

impl Line {
    fn plain(at: Timestamp, text: String) -> Self {
        Self { at, matters: false, text, key: None, more: 0, last: at }
    }
}

/// The story while the journal goes by: its first lines, and of the others those that matter.
#[derive(Clone, Debug, Default)]
pub(super) struct Story {
    first: Vec<Line>,
    mattering: Vec<Line>,
    /// All lines, also those that are not kept.
    count: usize,
    /// When the first line was told.
    start: Option<Timestamp>,
    pending: Pending,
}

impl Story {
    /// Takes an event that is no measurement; what does not count is told as such.
    pub(super) fn take(&mut self, entry: &Entry, counts: bool) {
        if self.pending.take(entry) {
            if self.pending.settings.len() >= SETTINGS_MAX {
                self.tell_pending();
            }
            return;
        }
        let own = self.pending.belonging_to(&entry.event);
        let Some(mut line) = line(entry) else {
            self.pending.settings.extend(own);
            return;
        };
        self.tell_pending();
        // What the safe state set is told in its own words already.
        if matches!(entry.event, Event::Search(_)) {
            if !own.is_empty() {
                line.text += &format!(" {}", settings_words(&own));
            }
            if !counts {
                line.text += ABANDONED;
            }
        }
        self.push(line);
    }

    /// Takes a measurement, or a capture that is in none.
    pub(super) fn measured(&mut self, at: Timestamp, shot: &Shot, counts: bool) {
        self.tell_pending();
        let mut line = Line::plain(at, capture_words(shot));
        line.matters = !shot.doubts.is_empty();
        if shot.tried_again {
            line.text += " <b>Doubtful</b>: it was tried again and does not count.";
        } else if line.matters {
            line.text += " <b>Doubtful</b>: nobody can vouch for it.";
        }
        if !counts {
            line.text += ABANDONED;
        }
        self.push(line);
    }

    /// Tells what waits for its like.
    pub(super) fn end(&mut self) {
        self.tell_pending();
    }

    fn tell_pending(&mut self) {
        for line in self.pending.tell() {
            self.push(line);
        }
    }

    fn push(&mut self, line: Line) {
        self.start = self.start.or(Some(line.at));
        let lines = if self.count < LINES_MAX { &mut self.first } else { &mut self.mattering };
        // Alike ones in a row, whatever other warnings lie between.
        let mut before = lines.iter_mut().rev().take_while(|before| before.key.is_some()).take(8);
        if line.key.is_some()
            && let Some(alike) = before.find(|before| before.key == line.key)
        {
            alike.more += 1;
            alike.last = line.at;
            return;
        }
        self.count += 1;
        if self.count <= LINES_MAX {
            self.first.push(line);
        } else if line.matters && self.mattering.len() < MATTERING_MAX {
            self.mattering.push(line);
        }
    }
}

/// What is told of a measurement or search in an abandoned stretch.
const ABANDONED: &str = " <span class=\"quiet\">(does not count: it was begun anew)</span>";

/// The story: a few sentences, then an ordered list, folded away when it is long.
pub(super) fn story(run: &Run<'_>) -> String {
    let story = &run.story;
    let Some(start) = run.started_at.or(story.start) else {
        return "<p>The journal tells of nothing.</p>\n".to_owned();
    };
    let mut list = String::from("<ol class=\"story\">\n");
    let since = |at: Timestamp| clock(at.duration_since(start).as_secs_f64());
    for line in story.first.iter().chain(&story.mattering) {
        let more = match line.more {
            0 => String::new(),
            more => format!(
                " <span class=\"quiet\">(and {} alike until {})</span>",
                count(more as u64),
                since(line.last)
            ),
        };
        list += &format!(
            "<li><time datetime=\"{}\">{}</time> <span>{}{more}</span></li>\n",
            line.at,
            since(line.at),
            line.text
        );
    }
    list += "</ol>\n";
    let summary = escape(summary(run));
    if story.count <= OPEN_MAX {
        return format!("<p>{summary}</p>\n{list}");
    }
    let cut = if story.count > LINES_MAX {
        format!(
            "<p>After the first {LINES_MAX} lines only warnings, errors and failed \
             expectations are told here, at most {MATTERING_MAX}; all of \
             it stands in the journal.</p>\n"
        )
    } else {
        String::new()
    };
    let count = count(story.count as u64);
    format!(
        "<p>{summary}</p>\n<details><summary>All of it, {count} lines</summary>{list}{cut}</details>\n"
    )
}

/// The run in a few sentences.
fn summary(run: &Run<'_>) -> String {
    let many = |n: usize, one: &str, more: &str| {
        format!("{} {}", count(n as u64), if n == 1 { one } else { more })
    };
    format!(
        "{}, {}, {}.{}",
        many(run.measurements(), "measurement", "measurements"),
        many(run.search_count, "beam search", "beam searches"),
        many(run.notes.count, "warning or error", "warnings and errors"),
        run.totals.words()
    )
}

/// Time since the start: `0:07.5`, `1:02:07`.
fn clock(seconds: f64) -> String {
    let tenths = (seconds.max(0.0) * 10.0).round() as u64;
    let (whole, tenth) = (tenths / 10, tenths % 10);
    if whole >= 3600 {
        format!("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
    } else {
        format!("{}:{:02}.{tenth}", whole / 60, whole % 60)
    }
}

/// What is told in one line with its like: settings made and instruments reached in a row.
#[derive(Clone, Debug, Default)]
struct Pending {
    settings: Vec<SettingDone>,
    instruments: Vec<String>,
    at: Option<Timestamp>,
}

impl Pending {
    /// Takes an event that is told with its like, and says whether it did.
    fn take(&mut self, entry: &Entry) -> bool {
        match &entry.event {
            Event::Setting(done) => self.settings.push(done.clone()),
            Event::Instrument(found) => self.instruments.push(found.name.clone()),
            _ => return false,
        }
        self.at = Some(entry.at);
        true
    }

    /// Takes out the settings that belong to `event`, which the journal tells right before it: the
    /// beams a search ends on, the actions of the safe state.
    fn belonging_to(&mut self, event: &Event) -> Vec<SettingDone> {
        let first = match event {
            Event::Search(search) => self.first_of_search(search.side),
            Event::SafeState(state) => {
                let failed = state.failed.iter().map(|fault| &fault.action);
                let named = state.done.iter().chain(failed);
                self.first_of_actions(named.map(|action| settings::action_name(action)).collect())
            }
            _ => self.settings.len(),
        };
        self.settings.split_off(first)
    }

    /// A search sets each of its sides once, the beam first and its elements after it.
    fn first_of_search(&self, side: SearchSide) -> usize {
        let mut beams = match side {
            SearchSide::Tx => vec!["beam.tx"],
            SearchSide::Rx => vec!["beam.rx"],
            SearchSide::Both => vec!["beam.tx", "beam.rx"],
        };
        let mut first = self.settings.len();
        for (place, done) in self.settings.iter().enumerate().rev() {
            let name = done.setting.name.as_str();
            if let Some(beam) = beams.iter().position(|beam| *beam == name) {
                beams.swap_remove(beam);
                first = place;
            } else if beams.is_empty() || !is_element(name) {
                break;
            }
        }
        first
    }

    /// Each action of the safe state is one setting, none of them twice.
    fn first_of_actions(&self, mut names: Vec<&str>) -> usize {
        let mut first = self.settings.len();
        for (place, done) in self.settings.iter().enumerate().rev() {
            let name = done.setting.name.as_str();
            match names.iter().position(|action| *action == name) {
                Some(action) => names.swap_remove(action),
                None => break,
            };
            first = place;
        }
        first
    }

    /// Takes out what is pending, as lines.
    fn tell(&mut self) -> Vec<Line> {
        let mut lines = Vec::new();
        let Some(at) = self.at.take() else { return lines };
        if !self.instruments.is_empty() {
            let names = escape(self.instruments.join(", "));
            lines.push(Line::plain(at, format!("Reached {names}.")));
        }
        if !self.settings.is_empty() {
            lines.push(Line::plain(at, settings_words(&self.settings)));
        }
        *self = Self::default();
        lines
    }
}

fn line(entry: &Entry) -> Option<Line> {
    let mut matters = false;
    let mut key = None;
    let text = match &entry.event {
        Event::RunStarted(start) => {
            let kind = match (&start.replay, start.simulated) {
                (Some(_), _) => "replayed bench",
                (None, true) => "simulated bench",
                (None, false) => "bench",
            };
            let (sequence, bench) = (escape(&start.sequence), escape(&start.bench));
            format!("Started <b>{sequence}</b> on the {kind} <b>{bench}</b>.")
        }
        Event::RunResumed(_) => "Took the record up again after an interruption.".to_owned(),
        Event::PointStarted(point) => {
            let axes: Vec<String> = point
                .position
                .iter()
                .map(|axis| format!("{} {}", axis.axis, told(&axis.value)))
                .collect();
            format!("Point {}: {}", point.point, breakable(axes.join(", ")))
        }
        Event::Search(search) => {
            matters = !search.found;
            let strategy = escape(&search.strategy);
            format!("Searched beams, {strategy}: {}", escape(search::in_words(search)))
        }
        Event::Expectation(expectation) => {
            matters = !expectation.passed;
            let figure = code(&expectation.figure);
            let wanted = escape(&expectation.wanted);
            let verdict = if expectation.passed { "holds" } else { "<strong>fails</strong>" };
            format!("Expected {figure} {wanted}: {verdict}.")
        }
        Event::Note(note) => {
            matters = note.level > Level::Info;
            key = Some(notes::key(note));
            note_words(note)
        }
        Event::SafeState(state) if state.failed.is_empty() => {
            format!("Brought the bench to its safe state: {}.", breakable(state.done.join(", ")))
        }
        Event::SafeState(state) => {
            matters = true;
            let failed: Vec<String> = state
                .failed
                .iter()
                .map(|fault| format!("{} ({})", fault.action, fault.message))
                .collect();
            let failed = escape(failed.join("; "));
            format!("<strong>Safe state not reached:</strong> {failed}.")
        }
        Event::RunEnded(_) => "Ended.".to_owned(),
        // Told by the section on what happened in the same words.
        event => {
            let told = happened::told(event)?;
            matters = told.serious;
            key = told.key;
            format!("<b>{}</b>: {}", escape(told.what), escape(&told.text))
        }
    };
    Some(Line { matters, key, ..Line::plain(entry.at, text) })
}

fn capture_words(shot: &Shot) -> String {
    let mut words = Vec::new();
    if !shot.detected() {
        words.push("no frame found".to_owned());
    }
    let decibels = |name: &str| shot.figure(name).map(|value| number(value, "dB"));
    words.extend(decibels(figure_names::SNR_DB).map(|snr| format!("SNR {snr}")));
    words.extend(decibels(figure_names::EVM_DB).map(|evm| format!("EVM {evm}")));
    words.extend(error_rate(&shot.figures).map(|ber| format!("BER {ber}")));
    let found = if words.is_empty() { "not analysed".to_owned() } else { words.join(", ") };
    let frame = shot.frame.as_ref().map(|frame| format!(" ({frame})"));
    let frame = frame.unwrap_or_default();
    format!("Measured <b>{}</b>{}: {}.", breakable(shot.name()), escape(frame), escape(found))
}

pub(super) fn note_words(note: &Note) -> String {
    let level = match (note.level, note.class) {
        (Level::Info, _) => "Note",
        (Level::Warning, _) => "Warning",
        (Level::Error, Some(FaultClass::Operator)) => "Operator",
        (Level::Error, _) => "Error",
    };
    let instrument = note.instrument.as_ref().map(|name| format!(", {name}")).unwrap_or_default();
    let told = format!("<span class=\"told\">{}</span>", escape(notes::shortened(&note.message)));
    format!("<b>{level}{}</b>: {}", escape(instrument), told)
}

fn settings_words(settings: &[SettingDone]) -> String {
    let (elements, plain): (Vec<&SettingDone>, Vec<&SettingDone>) =
        settings.iter().partition(|done| is_element(&done.setting.name));
    let mut words: Vec<String> = plain
        .iter()
        .take(NAMED_MAX)
        .map(|done| {
            let setting = &done.setting;
            let asked = setting.asked.as_ref().unwrap_or(&setting.read_back);
            let name = code(&setting.name);
            if setting.matched {
                format!("{name} {}", escape(told(asked)))
            } else {
                // With every digit: rounded, the two could read the same.
                let (asked, read) = (recorded(asked), recorded(&setting.read_back));
                format!("{name} {} (<strong>reads {}</strong>)", escape(asked), escape(read))
            }
        })
        .collect();
    let more = plain.len().saturating_sub(NAMED_MAX);
    if more > 0 {
        words.push(format!("{} more", count(more as u64)));
    }
    if !elements.is_empty() {
        words.push(format!("{} element weights", count(elements.len() as u64)));
    }
    format!("Set {}.", words.join(", "))
}
