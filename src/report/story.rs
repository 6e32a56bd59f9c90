//! The story of a run: what was done, in order, in sentences.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::html::{breakable, code, escape};
use super::number::{count, error_rate, number, recorded, told};
use super::run::{Run, Shot};
use super::search;
use super::settings::{self, is_element};
use crate::record::{CaptureNo, Entry, Event, Level, Note, SearchSide, SettingDone, figure_names};

/// Most lines of the story in a page.
const LINES_MAX: usize = 400;
/// Most warnings, errors and failed expectations after those.
const MATTERING_MAX: usize = 600;
/// Longest story that is not folded away.
const OPEN_MAX: usize = 40;
/// Settings named in one line; the rest are counted.
const NAMED_MAX: usize = 6;

/// One line of the story; `text` is HTML.
struct Line {
    at: Timestamp,
    /// Whether the line must not be left out: a warning or an error.
    matters: bool,
    text: String,
}

/// The story: a few sentences, then an ordered list, folded away when it is long.
pub(super) fn story(run: &Run<'_>) -> String {
    let lines = lines(run);
    let Some(start) = run.started_at.or(lines.first().map(|line| line.at)) else {
        return "<p>The journal tells of nothing.</p>\n".to_owned();
    };
    let mut list = String::from("<ol class=\"story\">\n");
    let (first, rest) = lines.split_at(lines.len().min(LINES_MAX));
    let mattering = rest.iter().filter(|line| line.matters).take(MATTERING_MAX);
    for line in first.iter().chain(mattering) {
        let since = line.at.duration_since(start).as_secs_f64();
        list += &format!(
            "<li><time datetime=\"{}\">{}</time> <span>{}</span></li>\n",
            line.at,
            clock(since),
            line.text
        );
    }
    list += "</ol>\n";
    let summary = escape(summary(run));
    if lines.len() <= OPEN_MAX {
        return format!("<p>{summary}</p>\n{list}");
    }
    let cut = if lines.len() > LINES_MAX {
        format!(
            "<p>After the first {LINES_MAX} lines only warnings, errors and failed \
             expectations are told here, at most {MATTERING_MAX}; all of \
             it stands in the journal.</p>\n"
        )
    } else {
        String::new()
    };
    let count = count(lines.len() as u64);
    format!(
        "<p>{summary}</p>\n<details><summary>All of it, {count} lines</summary>{list}{cut}</details>\n"
    )
}

/// The run in a few sentences.
fn summary(run: &Run<'_>) -> String {
    let many = |n: usize, one: &str, more: &str| {
        format!("{} {}", count(n as u64), if n == 1 { one } else { more })
    };
    let warnings = run.notes.iter().filter(|(_, note)| note.level > Level::Info).count();
    let mut text = format!(
        "{}, {}, {}.",
        many(run.shots.len(), "measurement", "measurements"),
        many(run.searches.len(), "beam search", "beam searches"),
        many(warnings, "warning or error", "warnings and errors")
    );
    let evm = |shot: &&Shot| shot.figure(figure_names::EVM_DB).unwrap_or(f64::NAN);
    let measured = || run.shots.iter().filter(|shot| evm(shot).is_finite());
    let best = measured().min_by(|a, b| evm(a).total_cmp(&evm(b)));
    let worst = measured().max_by(|a, b| evm(a).total_cmp(&evm(b)));
    if let (Some(best), Some(worst), true) = (best, worst, measured().count() > 1) {
        text += &format!(
            " The EVM reached from {} ({}) to {} ({}).",
            number(evm(&best), "dB"),
            best.name(),
            number(evm(&worst), "dB"),
            worst.name()
        );
    }
    let rated = run.shots.iter().filter_map(|shot| shot.figure(figure_names::BER));
    let clean = rated.clone().filter(|ber| *ber == 0.0).count();
    let rated = rated.count();
    if rated > 0 {
        text += &format!(
            " No bit errors were found in {clean} of {}.",
            many(rated, "measurement", "measurements")
        );
    }
    text
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
#[derive(Default)]
struct Pending<'a> {
    settings: Vec<&'a SettingDone>,
    instruments: Vec<&'a str>,
    at: Option<Timestamp>,
}

impl<'a> Pending<'a> {
    /// Takes an event that is told with its like, and says whether it did.
    fn take(&mut self, entry: &'a Entry) -> bool {
        match &entry.event {
            Event::Setting(done) => self.settings.push(done),
            Event::Instrument(found) => self.instruments.push(&found.name),
            _ => return false,
        }
        self.at = Some(entry.at);
        true
    }

    /// Takes out the settings that belong to `event`, which the journal tells right before it: the
    /// beams a search ends on, the actions of the safe state.
    fn belonging_to(&mut self, event: &Event) -> Vec<&'a SettingDone> {
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

    fn tell(&mut self, lines: &mut Vec<Line>) {
        let Some(at) = self.at.take() else { return };
        if !self.instruments.is_empty() {
            let names = escape(self.instruments.join(", "));
            lines.push(Line { at, matters: false, text: format!("Reached {names}.") });
        }
        if !self.settings.is_empty() {
            lines.push(Line { at, matters: false, text: settings_words(&self.settings) });
        }
        *self = Self::default();
    }
}

fn lines(run: &Run<'_>) -> Vec<Line> {
    let mut lines = Vec::new();
    let mut pending = Pending::default();
    let of_shot = |shot: &'_ Shot| shot.captures.clone();
    let shots: BTreeMap<CaptureNo, &Shot> = run
        .shots
        .iter()
        .flat_map(|shot| of_shot(shot).into_iter().map(move |capture| (capture, shot)))
        .collect();
    for entry in &run.entries {
        let shot = match &entry.event {
            Event::Measurement(done) => done.captures.first().and_then(|first| shots.get(first)),
            // A capture of a measurement is told with it.
            Event::Figures(found) => shots.get(&found.capture).filter(|shot| !shot.measured),
            _ => None,
        };
        if pending.take(entry) {
            continue;
        }
        let own = pending.belonging_to(&entry.event);
        if let Some(mut line) = line(entry, shot.copied()) {
            pending.tell(&mut lines);
            // What the safe state set is told in its own words already.
            if matches!(entry.event, Event::Search(_)) && !own.is_empty() {
                line.text += &format!(" {}", settings_words(&own));
            }
            lines.push(line);
        }
    }
    pending.tell(&mut lines);
    lines
}

fn line(entry: &Entry, shot: Option<&Shot>) -> Option<Line> {
    let mut matters = false;
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
        Event::RunResumed(_) => "Went on after an interruption.".to_owned(),
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
        Event::Figures(_) => capture_words(shot?),
        Event::Measurement(done) => {
            matters = !done.doubts.is_empty();
            let doubtful = if matters { " <b>Doubtful</b>: nobody can vouch for it." } else { "" };
            capture_words(shot?) + doubtful
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
        Event::Setting(_)
        | Event::Instrument(_)
        | Event::Capture(_)
        | Event::PointFinished(_)
        | Event::PointSkipped(_)
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
        | Event::JournalStarted(_) => return None,
    };
    Some(Line { at: entry.at, matters, text })
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
    let level = match note.level {
        Level::Info => "Note",
        Level::Warning => "Warning",
        Level::Error => "Error",
    };
    let instrument = note.instrument.as_ref().map(|name| format!(", {name}")).unwrap_or_default();
    format!("<b>{level}{}</b>: {}", escape(instrument), escape(&note.message))
}

fn settings_words(settings: &[&SettingDone]) -> String {
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
