//! Settings as asked for and as read back; what differs is said in words.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::even::Even;
use super::html::{breakable, code, escape, table};
use super::number::{count, recorded};
use super::run::Run;
use crate::record::{CaptureNo, Entry, Event, RecordedValue, RunFolder, SafeState, SettingRecord};

/// Captures whose snapshots are looked into, evenly chosen, and the last one.
const SNAPSHOTS_MAX: usize = 256;
/// Most settings of a run that are kept apart.
const SETTINGS_MAX: usize = 20_000;

/// A setting over the whole run.
#[derive(Clone, Debug, Default)]
struct History {
    /// As the run set it last, or as a capture after that found it; none when only the safe state did.
    last: Option<SettingRecord>,
    made: u64,
    /// How often it read back differently from what was asked, when it was set and at a capture.
    differing: u64,
    /// What the safe state did to it after that.
    safe: Option<Safe>,
}

/// An action of the safe state on one setting.
#[derive(Clone, Debug)]
struct Safe {
    /// Value that was set, in words.
    value: String,
    done: bool,
    at: Timestamp,
}

impl History {
    /// The safe state's action when no line of its own tells what was read back after it.
    fn safe_alone(&self) -> Option<&Safe> {
        let of_it = |asked: &RecordedValue, safe: &Safe| {
            asked.to_string() == safe.value || recorded(asked) == safe.value
        };
        let asked = self.last.as_ref().and_then(|last| last.asked.as_ref());
        self.safe.as_ref().filter(|safe| asked.is_none_or(|asked| !of_it(asked, safe)))
    }
}

/// Every setting of a run, gathered from its journal and from its captures' snapshots.
#[derive(Clone, Debug)]
pub(super) struct Histories {
    settings: BTreeMap<String, History>,
    kept: Even<CaptureNo>,
    last_kept: Option<CaptureNo>,
    /// Captures whose snapshot was looked into.
    snapshots: usize,
}

impl Default for Histories {
    fn default() -> Self {
        let kept = Even::new(0, SNAPSHOTS_MAX);
        Self { settings: BTreeMap::new(), kept, last_kept: None, snapshots: 0 }
    }
}

impl Histories {
    pub(super) fn take(&mut self, entry: &Entry) {
        match &entry.event {
            Event::Setting(done) => {
                let Some(history) = self.of(&done.setting.name) else { return };
                history.last = Some(done.setting.clone());
                history.made += 1;
                history.differing += u64::from(!done.setting.matched);
                // Whatever a safe state before did, as in a run that was resumed, is over.
                history.safe = None;
            }
            Event::SafeState(state) => self.take_safe_state(state, entry.at),
            _ => {}
        }
    }

    /// A capture was kept, with a snapshot of every setting in its meta file.
    pub(super) fn kept(&mut self, capture: CaptureNo) {
        self.kept.push(capture);
        self.last_kept = Some(capture);
    }

    fn of(&mut self, name: &str) -> Option<&mut History> {
        if !self.settings.contains_key(name) {
            if self.settings.len() >= SETTINGS_MAX {
                return None;
            }
            self.settings.insert(name.to_owned(), History::default());
        }
        self.settings.get_mut(name)
    }

    fn take_safe_state(&mut self, state: &SafeState, at: Timestamp) {
        let done = state.done.iter().map(|action| (action, true));
        let failed = state.failed.iter().map(|fault| (&fault.action, false));
        for (action, done) in done.chain(failed) {
            if let Some((name, value)) = action.split_once(": ")
                && let Some(history) = self.of(name)
            {
                history.safe = Some(Safe { value: value.to_owned(), done, at });
            }
        }
    }

    /// Takes in what the captures found each setting at, also those that the run never made.
    pub(super) fn take_snapshots(&mut self, folder: &RunFolder) {
        let mut captures: Vec<CaptureNo> = self.kept.kept().map(|(_, capture)| *capture).collect();
        captures.extend(self.last_kept);
        captures.dedup();
        for capture in captures {
            let Ok(meta) = folder.read_meta(capture) else { continue };
            self.snapshots += 1;
            for setting in meta.captures.into_iter().flat_map(|segment| segment.settings) {
                self.take_snapshot(setting);
            }
        }
    }

    fn take_snapshot(&mut self, found: SettingRecord) {
        let Some(history) = self.of(&found.name) else { return };
        let differs = found.asked.is_some() && !found.matched;
        let newer = history.last.as_ref().is_none_or(|last| last.at < found.at);
        // Read back when it was set, it is counted there.
        history.differing += u64::from(differs && newer);
        if newer {
            history.last = Some(found);
        }
    }
}

/// The settings table, and the array weights folded away.
pub(super) fn settings(run: &Run<'_>) -> String {
    let histories = &run.histories.settings;
    if histories.is_empty() {
        return "<p>No setting was made.</p>\n".to_owned();
    }
    let differing = histories.values().filter(|history| history.differing > 0).count();
    let summary = match differing {
        0 => "Every setting read back as asked.".to_owned(),
        1 => "1 setting read back differently from what was asked at least once.".to_owned(),
        n => format!("{n} settings read back differently from what was asked at least once."),
    };
    let (weights, plain): (Vec<_>, Vec<_>) =
        histories.iter().partition(|(name, _)| is_element(name));
    let head = ["Setting", "Asked", "Read back", "Agreement", "Times set", "Read last (UTC)"];
    let rows = |some: &[(&String, &History)]| -> Vec<Vec<String>> {
        some.iter().map(|(name, history)| row(name, history)).collect()
    };
    let mut html = format!(
        "<p>{summary} The table shows each setting as it was set last, or as a capture found it after \
         that; a beam search tries beams of its own in between.{}</p>\n{}",
        snapshot_words(&run.histories),
        safe_words(run)
    );
    html += &table("Settings, asked and read back", &head, &rows(&plain));
    if !weights.is_empty() {
        let caption = "Array weights, asked and read back";
        let table = table(caption, &head, &rows(&weights));
        html += &format!(
            "<details><summary>{} settings of single elements</summary>\n{table}</details>\n",
            weights.len()
        );
    }
    html
}

/// Name of the setting in an action of the safe state: of `supply.output: off`, `supply.output`.
pub(super) fn action_name(action: &str) -> &str {
    action.split_once(": ").map_or(action, |(name, _)| name)
}

/// From how many captures' snapshots the table has what it tells.
fn snapshot_words(histories: &Histories) -> String {
    match (histories.snapshots, histories.kept.count()) {
        (0, _) => String::new(),
        (read, all) if read >= all => {
            " Settings that the run never made are as its captures found them.".to_owned()
        }
        (read, all) => format!(
            " Settings that the run never made are as {} of its {} captures found them, chosen evenly.",
            count(read as u64),
            count(all as u64)
        ),
    }
}

/// Which settings the end of the run switched, so that nobody takes the run's values for present.
fn safe_words(run: &Run<'_>) -> String {
    let histories = &run.histories.settings;
    let words = |wanted: bool| {
        let safe = |(name, history): (&'_ String, &'_ History)| {
            let safe = history.safe.as_ref().filter(|safe| safe.done == wanted)?;
            Some(format!("{} {}", code(name), breakable(&safe.value)))
        };
        let words: Vec<String> = histories.iter().filter_map(safe).collect();
        words.join(", ")
    };
    let (done, failed) = (words(true), words(false));
    let mut html = String::new();
    if !done.is_empty() {
        html += &format!(
            "<p>The end of the run brought the bench to its safe state and switched these: {done}.\
             </p>\n"
        );
    }
    if !failed.is_empty() {
        html += &format!(
            "<p><strong class=\"differs\">The safe state failed</strong> for: {failed}. What these \
             stand at is not known.</p>\n"
        );
    }
    if run.safe_state.is_none() {
        html += "<p>No safe state is recorded: the bench may still stand as the table shows.</p>\n";
    }
    html
}

/// Whether a name is that of one element of an array: `dut.rx.phase.3`.
pub(super) fn is_element(name: &str) -> bool {
    let last = name.rsplit('.').next().unwrap_or_default();
    name.contains('.') && !last.is_empty() && last.chars().all(|c| c.is_ascii_digit())
}

fn row(name: &str, history: &History) -> Vec<String> {
    let none = || "–".to_owned();
    let asked = match (&history.safe, &history.last) {
        (Some(safe), _) => format!("{} (safe state)", safe.value),
        (None, Some(last)) => last.asked.as_ref().map_or("not set".to_owned(), recorded),
        (None, None) => none(),
    };
    let (read_back, at) = match (history.safe_alone(), &history.last) {
        // Done means that it read back as asked; what it read has no line of its own.
        (Some(safe), _) => (none(), Some(safe.at)),
        (None, Some(last)) => (read_words(last), Some(last.at)),
        (None, None) => (none(), None),
    };
    vec![
        code(name),
        escape(asked),
        escape(read_back),
        agreement(history),
        count(history.made),
        at.map_or_else(none, |at| at.strftime("%H:%M:%S").to_string()),
    ]
}

/// What a setting read, and after the capture where that differs.
fn read_words(setting: &SettingRecord) -> String {
    match &setting.after {
        Some(after) => {
            format!("{}, after the capture {}", recorded(&setting.read_back), recorded(after))
        }
        None => recorded(&setting.read_back),
    }
}

fn agreement(history: &History) -> String {
    if history.safe.as_ref().is_some_and(|safe| !safe.done) {
        return "<strong class=\"differs\">safe state failed</strong>".to_owned();
    }
    let safe = history.safe_alone().is_some();
    let last = history.last.as_ref();
    if !safe && last.is_some_and(|last| last.asked.is_none() && last.after.is_none()) {
        return "–".to_owned();
    }
    match (safe || last.is_some_and(|last| last.matched), history.differing) {
        (true, 0) => "as asked".to_owned(),
        (true, n) => format!("as asked; differed {} times before", count(n)),
        (false, _) => "<strong class=\"differs\">differs</strong>".to_owned(),
    }
}
