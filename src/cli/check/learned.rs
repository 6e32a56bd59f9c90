//! What a bench took for each action in earlier runs, from their journals.
//!
//! A bounded number of runs and lines is looked at; a journal that cannot be read teaches nothing.

use std::fs;
use std::path::Path;

use crate::record::{Entry, Event, RunFolder};
use crate::sequence::Costs;

/// Most runs that are learned from, the latest.
const RUNS_MAX: usize = 10;
/// Most run folders that are looked at for the bench's name.
const FOLDERS_MAX: usize = 200;
/// Most lines of one journal.
const LINES_MAX: usize = 20_000;

/// A mean that is taken bit by bit.
#[derive(Clone, Copy, Default)]
struct Mean {
    sum: f64,
    count: f64,
}

impl Mean {
    fn add(&mut self, value: f64, count: f64) {
        self.sum += value;
        self.count += count;
    }

    fn or(self, default: f64) -> f64 {
        if self.count > 0.0 { self.sum / self.count } else { default }
    }
}

#[derive(Default)]
struct Seen {
    setting: Mean,
    capture: Mean,
    search: Mean,
    bytes: Mean,
}

/// The costs of a bench, and from how many runs they are learned; assumed ones where there is none.
pub(super) fn costs(runs: &Path, bench: &str) -> (Costs, usize) {
    let mut folders = RunFolder::list(runs).unwrap_or_default();
    folders.sort_by(|a, b| b.name().cmp(a.name()));
    let mut seen = Seen::default();
    let mut learned = 0;
    for folder in folders.iter().take(FOLDERS_MAX) {
        if learned == RUNS_MAX {
            break;
        }
        learned += usize::from(look(folder, bench, &mut seen));
    }
    let assumed = Costs::default();
    let costs = Costs {
        setting_s: seen.setting.or(assumed.setting_s),
        capture_s: seen.capture.or(assumed.capture_s),
        search_s: seen.search.or(assumed.search_s),
        capture_bytes: (seen.bytes.count > 0.0).then(|| seen.bytes.or(0.0)),
        ..assumed
    };
    (costs, learned)
}

/// Looks at one run; whether it taught something about this bench.
fn look(folder: &RunFolder, bench: &str, seen: &mut Seen) -> bool {
    let Ok(lines) = folder.journal_lines() else { return false };
    let mut before = None;
    let mut taught = false;
    for entry in lines.entries().take(LINES_MAX) {
        let Ok(Entry { at, event, .. }) = entry else { break };
        let took_s = before.map_or(0.0, |before| at.duration_since(before).as_secs_f64().max(0.0));
        before = Some(at);
        match event {
            // A replay's times are not those of the bench.
            Event::RunStarted(start) if start.bench != bench || start.replay.is_some() => {
                return false;
            }
            // The way of a turntable depends on how far it goes.
            Event::Setting(done) if !done.skipped && !done.setting.name.ends_with(".angle") => {
                seen.setting.add(took_s, 1.0);
                taught = true;
            }
            Event::Capture(taken) => {
                seen.capture.add(took_s, 0.0);
                if let Ok(data) = fs::metadata(folder.path().join(&taken.file)) {
                    seen.bytes.add(data.len() as f64, 1.0);
                }
            }
            Event::Figures(_) => {
                seen.capture.add(took_s, 1.0);
                taught = true;
            }
            Event::Search(_) => seen.search.add(took_s, 1.0),
            _ => {}
        }
    }
    taught
}
