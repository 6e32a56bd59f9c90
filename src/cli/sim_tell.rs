//! `sim --tell FILE`: what was changed at served benches, for rehearsals and tests.
//!
//! Lines of JSON, each one object. Knows nothing of how the benches are served.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use beamwarden_sim::{By, Change, Changed, SettingSeen, SimBench};
use serde_json::{Value as Json, json};

/// Changes that a bench keeps until they are told.
const CHANGES_KEPT: usize = 100_000;

/// The file, and what of each bench is in it.
pub(super) struct Tell {
    path: PathBuf,
    file: BufWriter<File>,
    benches: Vec<(SimBench, u64)>,
}

impl Tell {
    /// Begins the file with where everything stands.
    pub(super) fn begin(path: &Path, benches: Vec<SimBench>) -> anyhow::Result<Self> {
        let file = File::create(path).with_context(|| format!("failed to make {path:?}"))?;
        let benches = benches.into_iter().map(|bench| (bench, 0)).collect();
        let mut tell = Tell { path: path.to_path_buf(), file: BufWriter::new(file), benches };
        tell.each_setting("stands", |seen| json!(seen.now))?;
        for (bench, _) in &tell.benches {
            bench.keep_changes(CHANGES_KEPT);
        }
        Ok(tell)
    }

    /// Writes what changed since the last time.
    pub(super) fn go_on(&mut self) -> anyhow::Result<()> {
        let mut lines = Vec::new();
        for (place, (bench, told)) in self.benches.iter_mut().enumerate() {
            for change in bench.changes_after(*told) {
                *told = change.number;
                lines.push(line(place + 1, &change));
            }
        }
        self.write(&lines)
    }

    /// Ends the file with the values between which every setting ever stood.
    pub(super) fn end(mut self) -> anyhow::Result<()> {
        self.go_on()?;
        self.each_setting("ranges", |seen| json!({"stood": seen.stood, "set": seen.set}))
    }

    fn each_setting(
        &mut self,
        key: &str,
        shown: impl Fn(&SettingSeen) -> Json,
    ) -> anyhow::Result<()> {
        let benches = self.benches.iter().enumerate();
        let line = |(place, (bench, _)): (usize, &(SimBench, u64))| {
            let seen = bench.settings_seen();
            let all: serde_json::Map<String, Json> =
                seen.iter().map(|one| (name(one), shown(one))).collect();
            json!({"bench": place + 1, key: all})
        };
        let lines: Vec<Json> = benches.map(line).collect();
        self.write(&lines)
    }

    fn write(&mut self, lines: &[Json]) -> anyhow::Result<()> {
        let mut all = || {
            lines.iter().try_for_each(|line| writeln!(self.file, "{line}"))?;
            self.file.flush()
        };
        all().with_context(|| format!("failed to write {:?}", self.path))
    }
}

/// As in a fault plan, with its instrument; elements are counted from 0.
fn name(seen: &SettingSeen) -> String {
    named(seen.instrument.name(), seen.setting, seen.element)
}

fn named(instrument: &str, setting: &str, element: Option<usize>) -> String {
    let element = element.map_or(String::new(), |element| format!(".{element}"));
    format!("{instrument}.{setting}{element}")
}

fn line(bench: usize, change: &Change) -> Json {
    let (number, at_s) = (change.number, change.at.as_secs_f64());
    let instrument = change.instrument.name();
    match change.what {
        Changed::Setting { setting, element, before, now, by } => {
            let setting = named(instrument, setting, element);
            let by = match by {
                By::Client => "client",
                By::Itself => "itself",
            };
            json!({"bench": bench, "number": number, "at_s": at_s, "setting": setting,
                   "before": before, "now": now, "by": by})
        }
        Changed::Opened => {
            json!({"bench": bench, "number": number, "at_s": at_s, "link": instrument,
                   "is": "opened"})
        }
        Changed::Closed => {
            json!({"bench": bench, "number": number, "at_s": at_s, "link": instrument,
                   "is": "closed"})
        }
    }
}
