//! What the record of a run that was cut off must say.

use std::collections::BTreeMap;
use std::path::Path;

use beamwarden::record::{Event, Outcome, RunFolder};

/// Whether the journal's first lines are on disk, so that the run can go on.
pub fn has_begun(run: &Path) -> bool {
    let journal = std::fs::read_to_string(run.join("journal.jsonl")).unwrap_or_default();
    journal.matches('\n').count() >= 2
}

/// How far a run has come.
pub struct State {
    /// Points finished.
    pub done: u64,
    /// The last event.
    pub last: String,
    /// It has an end.
    pub ended: bool,
}

impl State {
    pub fn read(run: &Path) -> Self {
        let events = events(run);
        let finished = |event: &&Event| matches!(event, Event::PointFinished(_));
        let ended = matches!(events.last(), Some(Event::RunEnded(_)));
        let done = events.iter().filter(finished).count() as u64;
        let last = events.last().map_or("nothing", Event::name).to_owned();
        State { done, last, ended }
    }
}

pub fn events(run: &Path) -> Vec<Event> {
    let folder = RunFolder::open(run).unwrap();
    let reading = folder.read_journal().unwrap();
    reading.entries.into_iter().map(|entry| entry.event).collect()
}

/// Every point is finished exactly once, with one capture that counts; after each interruption the safe
/// state came first.
#[track_caller]
pub fn check_complete(run: &Path, points: u64) {
    let events = events(run);
    check_points(&events, points);
    let mut resumed = 0;
    for (place, event) in events.iter().enumerate() {
        if matches!(event, Event::RunResumed(_)) {
            resumed += 1;
            check_safe_first(&events[place + 1..]);
        }
    }
    let Some(Event::RunEnded(end)) = events.last() else { panic!("no end: {:?}", events.last()) };
    assert_eq!(end.outcome, Outcome::Completed, "{end:?} after {resumed} interruptions");
    assert_eq!((end.points, end.points_skipped), (points, 0));
}

fn check_points(events: &[Event], points: u64) {
    let mut finished: BTreeMap<u64, u64> = BTreeMap::new();
    let mut captures: BTreeMap<u64, u64> = BTreeMap::new();
    for event in events {
        match event {
            // What was taken before the point began anew does not count.
            Event::PointStarted(started) => {
                assert!(!finished.contains_key(&started.point), "point {} again", started.point);
                captures.insert(started.point, 0);
            }
            Event::Capture(taken) => {
                if let Some(point) = taken.point {
                    *captures.entry(point).or_default() += 1;
                }
            }
            Event::PointFinished(point) => *finished.entry(point.point).or_default() += 1,
            _ => {}
        }
    }
    let once: BTreeMap<u64, u64> = (1..=points).map(|point| (point, 1)).collect();
    assert_eq!(finished, once, "each point is finished once");
    assert_eq!(captures, once, "each point has the captures of one go");
}

/// Between an interruption and the next setting that is made lies the safe state.
#[track_caller]
fn check_safe_first(after: &[Event]) {
    for event in after {
        match event {
            Event::SafeState(state) => {
                assert!(state.failed.is_empty(), "{state:?}");
                return;
            }
            Event::Setting(done) if done.part_of.as_deref() == Some("safe state") => {}
            // Cut off once more before it was reached.
            Event::RunResumed(_) => return,
            Event::Setting(_)
            | Event::PointStarted(_)
            | Event::StepStarted(_)
            | Event::Capture(_)
            | Event::RunEnded(_) => panic!("{event:?} before the safe state"),
            _ => {}
        }
    }
}

/// From the messages to the supply, as far as they can tell: whenever its link was opened by a program
/// that went on, the first that is set is its output, off.
#[track_caller]
pub fn check_traces(run: &Path) {
    let resumed = events(run).iter().filter(|event| matches!(event, Event::RunResumed(_))).count();
    let trace = std::fs::read_to_string(run.join("trace/supply.jsonl")).unwrap();
    let (mut opened, mut wanted) = (0, false);
    for line in trace.lines() {
        // The last line of a program that was killed may be torn.
        let Ok(line) = serde_json::from_str::<serde_json::Value>(line) else { continue };
        let text = line["text"].as_str().unwrap_or_default();
        match line["direction"].as_str() {
            // The first program begins, all others go on.
            Some("opened") => (opened, wanted) = (opened + 1, opened > 0),
            Some("sent") if is_setting(text) && wanted => {
                assert!(text.starts_with("OUTPut:STATe 0"), "{}: first {text}", run.display());
                wanted = false;
            }
            _ => {}
        }
    }
    assert!(opened <= resumed + 1, "{opened} opened, {resumed} times gone on");
}

fn is_setting(message: &str) -> bool {
    let query = message.contains('?');
    let common = message.starts_with('*');
    !query && !common
}
