//! Settings as asked for and as read back; what differs is said in words.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::html::{breakable, code, escape, table};
use super::number::{count, recorded};
use super::run::Run;
use crate::record::{Event, RecordedValue, SafeState, SettingRecord};

/// A setting over the whole run.
#[derive(Default)]
struct History<'a> {
    /// As the run set it last; none when only the safe state did.
    last: Option<&'a SettingRecord>,
    made: u64,
    differing: u64,
    /// What the safe state did to it after that.
    safe: Option<Safe<'a>>,
}

/// An action of the safe state on one setting.
#[derive(Clone, Copy)]
struct Safe<'a> {
    /// Value that was set, in words.
    value: &'a str,
    done: bool,
    at: Timestamp,
}

impl History<'_> {
    /// The safe state's action when no line of its own tells what was read back after it.
    fn safe_alone(&self) -> Option<&Safe<'_>> {
        let of_it = |asked: &RecordedValue, safe: &Safe<'_>| {
            asked.to_string() == safe.value || recorded(asked) == safe.value
        };
        let asked = self.last.and_then(|last| last.asked.as_ref());
        self.safe.as_ref().filter(|safe| asked.is_none_or(|asked| !of_it(asked, safe)))
    }
}

/// The settings table, and the array weights folded away.
pub(super) fn settings(run: &Run<'_>) -> String {
    let histories = histories(run);
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
    let rows = |some: &[(&&str, &History<'_>)]| -> Vec<Vec<String>> {
        some.iter().map(|(name, history)| row(name, history)).collect()
    };
    let mut html = format!(
        "<p>{summary} The table shows each setting as it was set last; a beam search tries beams of \
         its own in between.</p>\n{}",
        safe_words(run, &histories)
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

fn histories<'a>(run: &'a Run<'_>) -> BTreeMap<&'a str, History<'a>> {
    let mut histories: BTreeMap<&str, History<'_>> = BTreeMap::new();
    for entry in &run.entries {
        match &entry.event {
            Event::Setting(done) => {
                let history = histories.entry(&done.setting.name).or_default();
                history.last = Some(&done.setting);
                history.made += 1;
                history.differing += u64::from(!done.setting.matched);
                // Whatever a safe state before did, as in a run that was resumed, is over.
                history.safe = None;
            }
            Event::SafeState(state) => take_safe_state(state, entry.at, &mut histories),
            _ => {}
        }
    }
    histories
}

fn take_safe_state<'a>(
    state: &'a SafeState,
    at: Timestamp,
    histories: &mut BTreeMap<&'a str, History<'a>>,
) {
    let done = state.done.iter().map(|action| (action, true));
    let failed = state.failed.iter().map(|fault| (&fault.action, false));
    for (action, done) in done.chain(failed) {
        if let Some((name, value)) = action.split_once(": ") {
            histories.entry(name).or_default().safe = Some(Safe { value, done, at });
        }
    }
}

/// Name of the setting in an action of the safe state: of `supply.output: off`, `supply.output`.
pub(super) fn action_name(action: &str) -> &str {
    action.split_once(": ").map_or(action, |(name, _)| name)
}

/// Which settings the end of the run switched, so that nobody takes the run's values for present.
fn safe_words(run: &Run<'_>, histories: &BTreeMap<&str, History<'_>>) -> String {
    let words = |wanted: bool| {
        let some = histories.iter().filter_map(|(name, history)| Some((name, history.safe?)));
        let some = some.filter(|(_, safe)| safe.done == wanted);
        let words: Vec<String> =
            some.map(|(name, safe)| format!("{} {}", code(name), breakable(safe.value))).collect();
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
    if run.safe_states.is_empty() {
        html += "<p>No safe state is recorded: the bench may still stand as the table shows.</p>\n";
    }
    html
}

/// Whether a name is that of one element of an array: `dut.rx.phase.3`.
pub(super) fn is_element(name: &str) -> bool {
    let last = name.rsplit('.').next().unwrap_or_default();
    name.contains('.') && !last.is_empty() && last.chars().all(|c| c.is_ascii_digit())
}

fn row(name: &str, history: &History<'_>) -> Vec<String> {
    let none = || "–".to_owned();
    let asked = match (&history.safe, history.last) {
        (Some(safe), _) => format!("{} (safe state)", safe.value),
        (None, Some(last)) => last.asked.as_ref().map_or("never".to_owned(), recorded),
        (None, None) => none(),
    };
    let (read_back, at) = match (history.safe_alone(), history.last) {
        // Done means that it read back as asked; what it read has no line of its own.
        (Some(safe), _) => (none(), Some(safe.at)),
        (None, Some(last)) => (recorded(&last.read_back), Some(last.at)),
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

fn agreement(history: &History<'_>) -> String {
    if history.safe.is_some_and(|safe| !safe.done) {
        return "<strong class=\"differs\">safe state failed</strong>".to_owned();
    }
    let matched = history.safe_alone().is_some() || history.last.is_some_and(|last| last.matched);
    match (matched, history.differing) {
        (true, 0) => "as asked".to_owned(),
        (true, n) => format!("as asked; differed {} times before", count(n)),
        (false, _) => "<strong class=\"differs\">differs</strong>".to_owned(),
    }
}
