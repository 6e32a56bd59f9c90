//! The journal against literal lines, damage and interruption.

use proptest::prelude::*;

use super::*;
use crate::record::event::{Level, Note, Outcome, RunEnded};
use crate::record::fixture;

fn note(message: &str) -> Event {
    Event::Note(Note {
        level: Level::Info,
        class: None,
        instrument: None,
        message: message.to_owned(),
    })
}

fn sample() -> Vec<u8> {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    let mut journal = Journal::create(&path, fixture::start()).expect("a new journal");
    for message in ["one", "two", "three"] {
        journal.append(fixture::start(), note(message)).expect("room on the disk");
    }
    std::fs::read(&path).expect("the journal just written")
}

fn faults(bytes: &[u8]) -> Vec<(usize, LineProblem)> {
    let reading = JournalReading::parse(bytes).expect("a known format");
    reading.faults.into_iter().map(|fault| (fault.line, fault.problem)).collect()
}

#[test]
fn a_line_is_what_its_description_says() {
    let at = "2026-03-14T21:40:07.5Z".parse().expect("a literal RFC 3339 time");
    let event = Event::RunEnded(RunEnded {
        points_skipped: 0,
        retries: 0,
        outcome: Outcome::ExpectationFailed,
        message: None,
        points: 3,
        captures: 4,
        expectations_failed: 1,
    });
    let line = Entry { seq: 9, at, event }.emit().expect("plain values");
    let body = r#"{"seq":9,"at":"2026-03-14T21:40:07.5Z","event":"run_ended","outcome":"expectation_failed","message":null,"points":3,"captures":4,"expectations_failed":1"#;
    // The sum was computed apart from this code: printf '%s}' "$body" | sha256sum | cut -c1-16
    assert_eq!(line, format!("{body},\"sum\":\"5c83cd8b62e2c828\"}}\n"));
}

#[test]
fn every_event_comes_back_as_it_was() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::story(root.path(), 16, 16);
    let reading = folder.read_journal().expect("the journal just written");
    assert_eq!(reading.faults, []);
    assert_eq!(reading.format, Some(JOURNAL_FORMAT));
    let text = std::fs::read_to_string(folder.journal_path()).expect("the journal just written");
    let again: String =
        reading.entries.iter().map(|entry| entry.emit().expect("plain values")).collect();
    assert_eq!(again, text);
    assert!(text.starts_with(
        r#"{"seq":0,"at":"2026-03-14T21:40:07Z","event":"journal_started","format":"1.0","#
    ));
}

#[test]
fn damage_is_reported_by_line_and_the_rest_is_kept() {
    let sound = sample();
    assert_eq!(faults(&sound), []);
    assert_eq!(faults(b""), [(1, LineProblem::NoFormat)]);
    let text = String::from_utf8(sound.clone()).expect("UTF-8");

    let changed = text.replace("\"two\"", "\"2wo\"");
    assert_eq!(faults(changed.as_bytes()), [(3, LineProblem::Checksum)]);
    let reading = JournalReading::parse(changed.as_bytes()).expect("a known format");
    assert_eq!(reading.entries.len(), 3);

    let torn = &sound[..sound.len() - 5];
    assert_eq!(faults(torn), [(4, LineProblem::Torn)]);
    let last_line = text.lines().last().expect("four lines").len() as u64;
    let reading = JournalReading::parse(torn).expect("a known format");
    assert_eq!(reading.torn_bytes, last_line + 1 - 5);

    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    let missing = [lines[0], lines[1], lines[3]].concat();
    let gap = LineProblem::Sequence { expected: 2, found: 3 };
    assert_eq!(faults(missing.as_bytes()), [(3, gap)]);
    assert_eq!(faults(b"hello\n"), [(1, LineProblem::NoChecksum)]);
    assert_eq!(faults(b"\xff\xfe\n"), [(1, LineProblem::NotText)]);
    let headless = lines[1..].concat();
    assert_eq!(
        faults(headless.as_bytes()),
        [(1, LineProblem::NoFormat), (1, LineProblem::Sequence { expected: 0, found: 1 })]
    );
}

/// A sound line with this body.
fn line(body: &str) -> String {
    let open = body.strip_suffix('}').expect("a JSON object");
    format!("{open},\"sum\":\"{}\"}}\n", line_sum(body.as_bytes()))
}

#[test]
fn a_newer_minor_is_read_and_a_newer_major_refused() {
    let start = |format: &str| {
        line(&format!(
            r#"{{"seq":0,"at":"2026-03-14T21:40:07Z","event":"journal_started","format":"{format}","new":1}}"#
        ))
    };
    let newer = start("1.7")
        + &line(r#"{"seq":1,"at":"2026-03-14T21:40:08Z","event":"moon_phase","phase":"full"}"#);
    let reading = JournalReading::parse(newer.as_bytes()).expect("the same major");
    assert_eq!(reading.entries.len(), 1);
    assert_eq!(reading.faults.len(), 1);
    let fault = reading.faults[0].to_string();
    assert!(fault.starts_with("line 2 is not an event this version knows"), "{fault}");
    let refused = JournalReading::parse(start("2.0").as_bytes());
    assert_eq!(refused, Err(FormatVersion { major: 2, minor: 0 }));
}

#[test]
fn an_interrupted_run_goes_on_after_its_last_whole_line() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    let sound = sample();
    std::fs::write(&path, &sound[..sound.len() - 9]).expect("room on the disk");
    let (mut journal, reading) = Journal::reopen(&path).expect("a readable journal");
    assert!(reading.torn_bytes > 0);
    assert_eq!(journal.append(fixture::start(), note("again")).expect("room"), 3);
    let reading = JournalReading::read(&path).expect("a readable journal");
    assert_eq!(reading.faults, []);
    assert_eq!(reading.entries.len(), 4);
}

#[test]
fn a_journal_is_never_started_over_another() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    std::fs::write(&path, "mine").expect("room on the disk");
    assert!(Journal::create(&path, fixture::start()).is_err());
    assert_eq!(std::fs::read(&path).expect("still there"), b"mine");
}

proptest! {
    #[test]
    fn no_bytes_make_the_reader_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = JournalReading::parse(&bytes);
    }

    #[test]
    fn one_flipped_bit_never_passes(at in 0_usize..10_000, bit in 0_u8..8) {
        let mut bytes = sample();
        let at = at % bytes.len();
        bytes[at] ^= 1 << bit;
        prop_assert!(!is_sound(&bytes));
    }
}

/// True when the bytes read as a sound journal.
fn is_sound(bytes: &[u8]) -> bool {
    JournalReading::parse(bytes).is_ok_and(|reading| reading.faults.is_empty())
}
