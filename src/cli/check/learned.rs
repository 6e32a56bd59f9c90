//! What a bench took for each action in earlier runs, from their journals.
//!
//! A bounded number of runs and lines is looked at; a journal that cannot be read teaches nothing. The
//! journal has no line for a wait of fixed length, so that it lies in the time of what came after it: the
//! waits of the run's own frozen sequence are taken out again, for whoever estimates adds them.

use std::fs;
use std::path::Path;

use beamwarden_drivers::fault::Source;
use beamwarden_drivers::marked::{self, Node};
use beamwarden_drivers::quantity::{Dimension, Quantity};

use crate::record::{Entry, Event, RunFolder};
use crate::sequence::{CALLED_FOLDER, Costs};

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
    let waits = waits_of(folder);
    let mut before = None;
    let mut taught = false;
    for entry in lines.entries().take(LINES_MAX) {
        let Ok(Entry { at, event, .. }) = entry else { break };
        let took_s = before.map_or(0.0, |before| at.duration_since(before).as_secs_f64().max(0.0));
        let took_s = without_wait(took_s, &waits);
        // Nobody knows for how long something else was waited for after these.
        let idle = matches!(
            event,
            Event::Failure(_) | Event::Paused(_) | Event::WentOn(_) | Event::RunResumed(_)
        );
        before = (!idle).then_some(at);
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

/// Waits of fixed length in the sequences that a run keeps, seconds: whatever stands behind 'wait' as a
/// time, and its parameters that are times.
fn waits_of(folder: &RunFolder) -> Vec<f64> {
    let called = fs::read_dir(folder.path().join(CALLED_FOLDER)).into_iter().flatten().flatten();
    let files = called.map(|file| file.path());
    let files = std::iter::once(folder.path().join("sequence.yaml")).chain(files);
    let mut waits = Vec::new();
    for file in files {
        let Ok(source) = Source::read(&file) else { continue };
        if let Ok((root, _)) = marked::parse(&source) {
            gather_waits(&root, &mut waits);
        }
    }
    let start = folder.run_started();
    let parameters = start.iter().flat_map(|start| &start.parameters);
    let times = parameters.filter(|parameter| parameter.value.unit.as_deref() == Some("s"));
    waits.extend(times.filter_map(|parameter| parameter.value.value.as_f64()));
    waits.retain(|wait| *wait > 0.0);
    waits
}

fn gather_waits(node: &Node, waits: &mut Vec<f64>) {
    for item in node.items() {
        gather_waits(item, waits);
    }
    for (_, value) in node.entries() {
        gather_waits(value, waits);
    }
    let wait = node.get("wait").and_then(Node::text);
    let wait = wait.and_then(|text| Quantity::parse(text, Dimension::Time).ok());
    waits.extend(wait.map(|wait| wait.value));
}

/// What an action took by itself: without the longest wait that fits into its time.
fn without_wait(took_s: f64, waits: &[f64]) -> f64 {
    let within = waits.iter().copied().filter(|wait| *wait <= took_s);
    took_s - within.fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;
    use crate::record::fixture::{STORY, Writer};
    use crate::record::{Outcome, RecordedValue};

    #[test]
    fn waits_are_not_learned_as_the_time_of_what_comes_after_them() {
        let root = tempfile::tempdir().unwrap();
        let mut writer = Writer::begin(root.path(), "settling");
        for _ in 0..5 {
            let volts = RecordedValue::number(1.2, "V");
            writer.set("supply.voltage", volts.clone(), volts);
            writer.now += SignedDuration::from_secs(40);
            writer.shoot(&STORY[0], None);
        }
        let folder = writer.end(Outcome::Completed, 0, 0);
        // The fixture writes a line every 0.73 s; a capture has two.
        let near = |found: f64, wanted: f64| assert!((found - wanted).abs() < 1e-6, "{found}");
        near(costs(root.path(), "packing-arm").0.capture_s, 41.46);
        let text = "sequence: x\nsteps:\n  - sweep: {turntable.angle: [1, 2]}\n    do:\n      \
                    - wait: 40 s\n      - measure: {}\n  - wait: {reading: a.b, at most: 3 s}\n";
        fs::write(folder.path().join("sequence.yaml"), text).unwrap();
        assert_eq!(waits_of(&folder), [40.0]);
        let (costs, learned) = costs(root.path(), "packing-arm");
        near(costs.capture_s, 1.46);
        near(costs.setting_s, 0.73);
        assert_eq!(learned, 1);
    }
}
