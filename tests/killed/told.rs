//! The bench in another process, which outlives the program that is killed, and what it tells of every
//! change of a setting.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader};
use std::process::{Child, Stdio};
use std::sync::Mutex;
use std::time::Duration;

use serde_json::Value as Json;
use tempfile::TempDir;

use crate::common;

/// `beamwarden sim` on free ports.
pub struct Told {
    child: Child,
    folder: TempDir,
    /// Roles and addresses.
    instruments: Vec<(String, String)>,
    /// Numbers of the last change before each kill.
    kills: Mutex<Vec<u64>>,
}

/// What a line of the file tells.
pub enum Line {
    Setting { setting: String, now: f64, by_client: bool },
    Opened,
    Closed,
}

impl Told {
    pub fn serve() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("told.jsonl");
        let mut command = common::program();
        command.args(["sim", "--port", "0", "--json", "--seed", "1", "--tell"]).arg(file);
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let mut first = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
        let shown: Json = serde_json::from_str(&first).unwrap();
        let instruments = shown["instruments"].as_array().unwrap().iter().map(|one| {
            let text = |key: &str| one[key].as_str().unwrap().to_owned();
            (text("role"), text("address"))
        });
        let instruments = instruments.collect();
        Told { child, folder, instruments, kills: Mutex::new(Vec::new()) }
    }

    /// A bench file at whose simulated instruments these addresses stand.
    pub fn addressed(&self, mut bench: String) -> String {
        for (role, address) in self.instruments.iter().filter(|(_, a)| a.starts_with("tcp:")) {
            let at = bench.find(&format!("role: {role}\n")).unwrap();
            let place = at + bench[at..].find("at: simulated").unwrap();
            let range = place..place + "at: simulated".len();
            bench.replace_range(range, &format!("at: \"{address}\""));
        }
        bench
    }

    /// All that was told so far, with their numbers.
    pub fn lines(&self) -> Vec<(u64, Line)> {
        let text = std::fs::read_to_string(self.folder.path().join("told.jsonl")).unwrap();
        // The last line may be half written.
        let whole = &text[..text.rfind('\n').map_or(0, |end| end + 1)];
        let lines = whole.lines().map(|line| serde_json::from_str::<Json>(line).unwrap());
        lines
            .filter_map(|line| {
                let number = line["number"].as_u64()?;
                let told = match (line["setting"].as_str(), line["is"].as_str()) {
                    (Some(setting), _) => Line::Setting {
                        setting: setting.to_owned(),
                        now: line["now"].as_f64().unwrap(),
                        by_client: line["by"] == "client",
                    },
                    (None, Some("opened")) => Line::Opened,
                    _ => Line::Closed,
                };
                Some((number, told))
            })
            .collect()
    }

    /// A client was killed: waits until the bench has seen all of its links end, and remembers where.
    pub fn note_kill(&self) {
        for _ in 0..2000 {
            let lines = self.lines();
            let count =
                |wanted: fn(&Line) -> bool| lines.iter().filter(|(_, line)| wanted(line)).count();
            let opened = count(|line| matches!(line, Line::Opened));
            // The serial line of the control port is held open by the bench itself.
            if opened == count(|line| matches!(line, Line::Closed)) + 1 {
                let last = lines.last().map_or(0, |(number, _)| *number);
                self.kills.lock().unwrap().push(last);
                return;
            }
            crate::pass(Duration::from_millis(5));
        }
        panic!("the links of a client that was killed stay open");
    }

    /// After each kill both outputs were off before a client changed anything else; and nothing was ever
    /// set beyond the bench's limits.
    #[track_caller]
    pub fn check_safe_first(&self) {
        let kills: BTreeSet<u64> = self.kills.lock().unwrap().iter().copied().collect();
        let mut stands: BTreeMap<String, f64> = BTreeMap::new();
        let (mut safe_wanted, mut checked) = (false, 0);
        let mut last = 0;
        for (number, line) in self.lines() {
            assert_eq!(number, last + 1, "a change was not told");
            if let Line::Setting { setting, now, by_client } = line {
                let is_output = setting == "source.output" || setting == "supply.output";
                let off = |name: &str| stands.get(name).copied().unwrap_or(0.0) == 0.0;
                if safe_wanted && by_client && !(is_output && now == 0.0) {
                    let safe = off("source.output") && off("supply.output");
                    assert!(safe, "{setting} became {now} (change {number}) before the safe state");
                    safe_wanted = false;
                    checked += 1;
                }
                let most = match setting.as_str() {
                    "supply.voltage" => 1.25,
                    "supply.current_limit" => 0.8,
                    "source.amplitude" => 0.5,
                    "turntable.angle" => 90.0,
                    _ => f64::INFINITY,
                };
                assert!(!by_client || now.abs() <= most, "{setting} became {now}");
                stands.insert(setting, now);
            }
            safe_wanted |= kills.contains(&number);
            last = number;
        }
        println!("{} kills, after {checked} of them something was set again", kills.len());
        assert!(checked > kills.len() / 4, "most programs got as far as setting something");
    }

    /// Whether both outputs are off now.
    pub fn is_safe(&self) -> bool {
        let mut outputs = BTreeMap::new();
        // What is told comes some milliseconds later.
        crate::pass(Duration::from_millis(50));
        for (_, line) in self.lines() {
            if let Line::Setting { setting, now, .. } = line
                && (setting == "source.output" || setting == "supply.output")
            {
                outputs.insert(setting, now);
            }
        }
        outputs.len() == 2 && outputs.values().all(|now| *now == 0.0)
    }
}

impl Drop for Told {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
