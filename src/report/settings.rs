//! Settings as asked for and as read back; what differs is said in words.

use std::collections::BTreeMap;

use super::html::{escape, table};
use super::number::{count, recorded};
use super::run::Run;
use crate::record::{SettingDone, SettingRecord};

/// A setting over the whole run.
struct History<'a> {
    last: &'a SettingRecord,
    made: u64,
    differing: u64,
}

/// The settings table, and the array weights folded away.
pub(super) fn settings(run: &Run<'_>) -> String {
    if run.settings.is_empty() {
        return "<p>No setting was made.</p>\n".to_owned();
    }
    let mut histories: BTreeMap<&str, History<'_>> = BTreeMap::new();
    for SettingDone { setting, .. } in &run.settings {
        let history = histories.entry(&setting.name).or_insert(History {
            last: setting,
            made: 0,
            differing: 0,
        });
        history.last = setting;
        history.made += 1;
        history.differing += u64::from(!setting.matched);
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
        "<p>{summary} The table shows each setting as the run set it last; a beam search sets beams of its own.</p>\n"
    );
    html += &table("Settings, asked and read back", &head, &rows(&plain));
    if !weights.is_empty() {
        let caption = "Array weights, asked and read back";
        let table = table(caption, &head, &rows(&weights));
        html += &format!(
            "<details><summary>{} settings of single elements</summary>{table}</details>\n",
            weights.len()
        );
    }
    html
}

/// Whether a name is that of one element of an array: `dut.rx.phase.3`.
pub(super) fn is_element(name: &str) -> bool {
    let last = name.rsplit('.').next().unwrap_or_default();
    name.contains('.') && !last.is_empty() && last.chars().all(|c| c.is_ascii_digit())
}

fn row(name: &str, history: &History<'_>) -> Vec<String> {
    let last = history.last;
    let asked = last.asked.as_ref().map_or("never".to_owned(), recorded);
    let agreement = match (last.matched, history.differing) {
        (true, 0) => "as asked".to_owned(),
        (true, n) => format!("as asked; differed {} times before", count(n)),
        (false, _) => "<strong class=\"differs\">differs</strong>".to_owned(),
    };
    vec![
        format!("<code>{}</code>", escape(name)),
        escape(asked),
        escape(recorded(&last.read_back)),
        agreement,
        count(history.made),
        last.at.strftime("%H:%M:%S").to_string(),
    ]
}
