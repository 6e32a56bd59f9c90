//! The shipped overnight run: eight hours in which a good deal goes wrong, in simulated time. It ends
//! complete, and in the morning the report says what happened in the night.

#![allow(clippy::print_stdout, reason = "what was found and from which seed is worth reading")]
#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use beamwarden::record::{Event, Outcome, RunFolder};
use beamwarden::report::happened;

/// A planned fault and what the report must tell of it.
struct Planned {
    /// When it strikes, s after the bench began, as in `overnight.faults.yaml`.
    at_s: u64,
    /// How much later its consequence shows at most, s.
    within_s: u64,
    /// Words of one line of "What happened".
    words: &'static [&'static str],
}

const PLANNED: [Planned; 9] = [
    Planned { at_s: 4_500, within_s: 60, words: &["supply", "not a number"] },
    Planned { at_s: 8_100, within_s: 120, words: &["scope", "restarted", "tried again"] },
    Planned { at_s: 11_400, within_s: 120, words: &["scope", "external trigger"] },
    Planned { at_s: 15_000, within_s: 120, words: &["dut", "tried again"] },
    Planned { at_s: 17_400, within_s: 60, words: &["supply current", "the run paused"] },
    Planned { at_s: 18_600, within_s: 7_200, words: &["source.amplitude", "doubtful"] },
    Planned { at_s: 23_400, within_s: 900, words: &["turntable", "tried again"] },
    Planned { at_s: 23_400, within_s: 1_500, words: &["turntable", "restarted"] },
    Planned { at_s: 26_400, within_s: 60, words: &["receiver locked", "the run paused"] },
];

fn run(folder: &Path) -> RunFolder {
    let runs = folder.join("runs");
    let (sequence, bench) = ("sequences/overnight.yaml", "sequences/overnight.bench.yaml");
    let runs_shown = runs.display().to_string();
    let output = common::run(&["run", sequence, "--bench", bench, "--runs", &runs_shown, "--json"]);
    common::expect_status(&output, 0);
    RunFolder::open(&common::only_run(&runs)).unwrap()
}

/// The time of day at the beginning of a line, s after midnight.
fn time_of_day_s(line: &str) -> u64 {
    let clock = line.split(' ').find(|word| word.matches(':').count() == 2);
    let parts = clock.unwrap().trim_end_matches([',', ':']).split(':');
    parts.fold(0, |sum, part| sum * 60 + part.parse::<u64>().unwrap())
}

#[test]
fn a_night_in_which_much_goes_wrong_ends_complete_and_is_told_in_the_morning() {
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    let run = run(folder.path());
    let entries = run.read_journal().unwrap().entries;
    let (first, last) = (entries.first().unwrap(), entries.last().unwrap());
    let took = last.at.duration_since(first.at).unsigned_abs();
    let hours = took.as_secs_f64() / 3600.0;
    assert!((7.5..9.0).contains(&hours), "{hours} h");
    let Event::RunEnded(end) = &last.event else { panic!("no end: {last:?}") };
    println!("{hours:.2} h, {end:?}");
    assert_eq!(end.outcome, Outcome::Completed);
    let finished: BTreeSet<u64> = entries
        .iter()
        .filter_map(|entry| match &entry.event {
            Event::PointFinished(point) => Some(point.point),
            _ => None,
        })
        .collect();
    assert_eq!(finished.len() as u64, end.points);
    assert!((500..=1000).contains(&end.points), "{end:?}");
    assert_eq!(end.points_skipped, 0);
    check_told(&run, first.at);
    let verified = common::run(&["verify", &run.path().display().to_string()]);
    common::expect_status(&verified, 0);
}

/// Every planned fault's consequence is told with its time of day, here and on the page.
fn check_told(run: &RunFolder, began: jiff::Timestamp) {
    let told = happened(run).unwrap();
    println!("{}\n{}", told.summary, told.lines.join("\n"));
    let midnight = Duration::from_secs(86_400).as_secs();
    let began_s = began.as_second().rem_euclid(86_400) as u64;
    for Planned { at_s, within_s, words } in PLANNED {
        let due_s = began_s + at_s;
        let is_told = |line: &&String| {
            let late_s = (time_of_day_s(line) + 2 * midnight - due_s) % midnight;
            late_s <= within_s && words.iter().all(|word| line.contains(word))
        };
        let lines: Vec<&String> = told.lines.iter().filter(is_told).collect();
        assert!(!lines.is_empty(), "nothing of {words:?} {at_s} s after the beginning");
    }
    let page = std::fs::read_to_string(run.path().join("report.html")).unwrap();
    assert!(page.contains("What happened"), "the page has the section");
    for Planned { words, .. } in PLANNED {
        assert!(words.iter().all(|word| page.contains(word)), "{words:?} on the page");
    }
}
