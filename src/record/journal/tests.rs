//! The journal against literal lines, damage and interruption.

use proptest::prelude::*;

use super::*;
use crate::record::RecordError;

use crate::record::event::{Event, Level, Note, Outcome, RunEnded};
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
    let body = r#"{"seq":9,"at":"2026-03-14T21:40:07.5Z","event":"run_ended","outcome":"expectation_failed","message":null,"points":3,"points_skipped":0,"retries":0,"captures":4,"expectations_failed":1"#;
    // The sum was computed apart from this code: printf '%s}' "$body" | sha256sum | cut -c1-16
    assert_eq!(line, format!("{body},\"sum\":\"454d7dcc2d14e69a\"}}\n"));
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
        r#"{"seq":0,"at":"2026-03-14T21:40:07Z","event":"journal_started","format":"1.1","#
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
    format!("{open},\"sum\":\"{}\"}}\n", &crate::record::sha256_hex(body.as_bytes())[..16])
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
    let refused = JournalReading::parse(start("2.0").as_bytes()).expect_err("another major");
    assert!(refused.to_string().contains("has format 2.0; this version reads 1.1"), "{refused}");
}

#[test]
fn an_interrupted_run_goes_on_after_its_last_whole_line() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    let sound = sample();
    std::fs::write(&path, &sound[..sound.len() - 9]).expect("room on the disk");
    let (mut journal, reopened) = Journal::reopen(&path).expect("a readable journal");
    assert!(reopened.torn_bytes > 0);
    assert_eq!((reopened.entries, reopened.faults), (3, 0));
    assert_eq!(journal.append(fixture::start(), note("again")).expect("room"), 3);
    drop(journal);
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

/// What a power cut leaves of lines that were appended and not flushed: in whatever order their bytes
/// came to the disk, the journal is sound again up to the last line before them.
#[test]
fn lines_that_never_came_to_the_disk_are_cut_off() {
    let check = |spoil: &dyn Fn(&mut Vec<u8>), kept: u64, faults: u64| {
        let root = tempfile::tempdir().expect("a temporary folder");
        let path = root.path().join("journal.jsonl");
        let mut bytes = sample();
        let sound = bytes.clone();
        spoil(&mut bytes);
        std::fs::write(&path, &bytes).expect("room on the disk");
        let (mut journal, reopened) = Journal::reopen(&path).expect("a readable journal");
        assert_eq!((reopened.entries, reopened.faults), (kept, faults), "{reopened:?}");
        journal.append(fixture::start(), note("on")).expect("room on the disk");
        drop(journal);
        let reading = JournalReading::read(&path).expect("a readable journal");
        let left = sound.split_inclusive(|byte| *byte == b'\n').take(kept as usize);
        if faults == 0 {
            let left: usize = left.map(<[u8]>::len).sum();
            assert_eq!(reopened.torn_bytes as usize, bytes.len() - left);
            assert_eq!(reading.faults, []);
            assert_eq!(reading.entries.len() as u64, kept + 1);
        }
    };
    let line_starts = |bytes: &[u8]| -> Vec<usize> {
        let ends = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n');
        std::iter::once(0).chain(ends.map(|(at, _)| at + 1)).collect()
    };
    // Nothing of the last two lines but their length.
    check(
        &|bytes| {
            let from = line_starts(bytes)[2] + 20;
            bytes[from..].fill(0);
        },
        2,
        0,
    );
    // The last line came, the beginning of the one before did not.
    check(
        &|bytes| {
            let starts = line_starts(bytes);
            bytes[starts[2]..starts[2] + 30].fill(0);
        },
        3,
        1,
    );
    // The ends of both came.
    check(
        &|bytes| {
            let starts = line_starts(bytes);
            bytes[starts[2] + 3..starts[2] + 30].fill(0);
            bytes[starts[3] + 3..starts[3] + 30].fill(0);
        },
        2,
        0,
    );
    // Damage that is no hole stays, for whoever looks into it.
    check(
        &|bytes| {
            let at = bytes.len() - 40;
            bytes[at] ^= 1;
        },
        3,
        1,
    );
}

#[test]
fn one_process_writes_a_journal() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    assert!(!is_being_written(&path));
    let journal = Journal::create(&path, fixture::start()).expect("a new journal");
    assert!(is_being_written(&path));
    let refused = Journal::reopen(&path).expect_err("it is being written").to_string();
    assert!(refused.contains("another process writes this run"), "{refused}");
    drop(journal);
    assert!(!is_being_written(&path));
    Journal::reopen(&path).expect("nobody writes it");
}

/// A disk of a test's own: so much room, and so much more in the reserve.
#[derive(Clone, Debug, Default)]
struct SmallDisk(std::sync::Arc<std::sync::Mutex<SmallDiskState>>);

#[derive(Debug, Default)]
struct SmallDiskState {
    bytes: Vec<u8>,
    room: usize,
    reserve: usize,
    syncs: usize,
}

impl SmallDisk {
    fn state(&self) -> std::sync::MutexGuard<'_, SmallDiskState> {
        self.0.lock().expect("no test panics while it holds this")
    }
}

impl writing::Disk for SmallDisk {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        let mut state = self.state();
        let fit = bytes.len().min(state.room);
        state.bytes.extend_from_slice(&bytes[..fit]);
        state.room -= fit;
        if fit < bytes.len() { Err(std::io::ErrorKind::StorageFull.into()) } else { Ok(()) }
    }

    fn sync(&mut self) -> std::io::Result<()> {
        self.state().syncs += 1;
        Ok(())
    }

    fn cut(&mut self, length: u64) -> std::io::Result<()> {
        let mut state = self.state();
        state.room += state.bytes.len() - length as usize;
        state.bytes.truncate(length as usize);
        Ok(())
    }

    fn make_room(&mut self) -> bool {
        let mut state = self.state();
        let reserve = std::mem::take(&mut state.reserve);
        state.room += reserve;
        reserve > 0
    }
}

fn run_ended() -> Event {
    Event::RunEnded(RunEnded {
        outcome: Outcome::Failed,
        message: None,
        points: 0,
        points_skipped: 0,
        retries: 0,
        captures: 0,
        expectations_failed: 0,
    })
}

#[test]
fn on_a_full_disk_the_end_of_the_record_still_fits() {
    for room in 600..900 {
        let disk = SmallDisk::default();
        (disk.state().room, disk.state().reserve) = (room, 4096);
        let mut journal = Journal::on(Box::new(disk.clone()));
        let start = Event::JournalStarted(crate::record::JournalStarted { format: JOURNAL_FORMAT });
        journal.append(fixture::start(), start).expect("room for the first line");
        let mut done = 0;
        let full = loop {
            match journal.append(fixture::start(), note(&"x".repeat(done % 7))) {
                Ok(_) => done += 1,
                Err(error) => break error,
            }
        };
        assert!(full.is_full(), "{full}");
        journal.append(fixture::start(), note("safe")).expect("room of the reserve");
        journal.append(fixture::start(), run_ended()).expect("room of the reserve");
        let reading = JournalReading::parse(&disk.state().bytes).expect("a known format");
        assert_eq!(reading.faults, [], "room {room}");
        // The start, what had room, the note, the line that had none, and the two after it.
        assert_eq!(reading.entries.len(), 1 + done + 4, "room {room}");
        let Event::Note(told) = &reading.entries[1 + done].event else { panic!("no note") };
        assert!(told.message.contains("disk with the run folder is full"), "{}", told.message);
    }
}

#[test]
fn the_last_line_itself_may_find_the_disk_full_and_without_a_reserve_nothing_is_torn() {
    let disk = SmallDisk::default();
    (disk.state().room, disk.state().reserve) = (50, 4096);
    let mut journal = Journal::on(Box::new(disk.clone()));
    journal.append(fixture::start(), run_ended()).expect("room of the reserve");
    let lines = |disk: &SmallDisk| disk.state().bytes.iter().filter(|b| **b == b'\n').count();
    assert_eq!(lines(&disk), 2);

    let disk = SmallDisk::default();
    disk.state().room = 200;
    let mut journal = Journal::on(Box::new(disk.clone()));
    journal.append(fixture::start(), note("fits")).expect("room");
    let refused = journal.append(fixture::start(), note("does not")).expect_err("no room");
    assert!(refused.to_string().contains("make room"), "{refused}");
    assert_eq!(lines(&disk), 1);
    assert_eq!(disk.state().bytes.last(), Some(&b'\n'));
}

#[test]
fn a_flush_reaches_the_disk_once_however_many_lines_there_are() {
    let disk = SmallDisk::default();
    disk.state().room = 1 << 20;
    let mut journal = Journal::on(Box::new(disk.clone()));
    for _ in 0..5 {
        journal.append(fixture::start(), note("line")).expect("room");
    }
    assert_eq!(disk.state().syncs, 0);
    journal.flush().expect("a sound disk");
    journal.flush().expect("a sound disk");
    assert_eq!(disk.state().syncs, 1);
    journal.append(fixture::start(), run_ended()).expect("room");
    assert_eq!(disk.state().syncs, 2, "the last line is on disk at once");
}

#[test]
fn the_reserve_is_there_while_a_run_goes_on_and_gone_after_its_end() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    let size = || std::fs::metadata(root.path().join(RESERVE_FILE)).map(|data| data.len());
    let journal = Journal::create(&path, fixture::start()).expect("a new journal");
    assert_eq!(size().ok(), Some(256 << 10));
    drop(journal);
    let (mut journal, _) = Journal::reopen(&path).expect("nobody writes it");
    assert_eq!(size().ok(), Some(256 << 10), "made anew");
    journal.append(fixture::start(), run_ended()).expect("room on the disk");
    assert!(size().is_err());
}

/// Starts, ends and abandonments in a row; the numbers of the entries that count.
fn check_counts(events: &[Event], wanted: &[u64]) {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join("journal.jsonl");
    let mut journal = Journal::create(&path, fixture::start()).expect("a new journal");
    for event in events {
        journal.append(fixture::start(), event.clone()).expect("room on the disk");
    }
    let counted = Counted::open(&path).expect("a readable journal");
    let counts: Vec<u64> = counted
        .map(|line| line.expect("a readable journal"))
        .filter_map(|(line, counts)| match line {
            JournalLine::Entry(entry) => counts.then_some(entry.seq),
            JournalLine::Fault(fault) => panic!("{fault}"),
        })
        .collect();
    assert_eq!(counts, wanted);
    let reading = JournalReading::read(&path).expect("a readable journal");
    let whole = Uncounted::of(&reading.entries);
    let again = reading.entries.iter().map(|entry| entry.seq).filter(|seq| whole.counts(*seq));
    assert_eq!(again.collect::<Vec<_>>(), wanted);
}

#[test]
fn what_was_abandoned_does_not_count() {
    use crate::record::{Abandoned, PointFinished, PointSkipped, PointStarted, StepMark};
    let start = |point| Event::PointStarted(PointStarted { point, position: Vec::new() });
    let finish = |point| Event::PointFinished(PointFinished { point });
    let why = || "again".to_owned();
    let abandon = |point, step| Event::Abandoned(Abandoned { point, step, why: why() });
    let skip = |point| {
        let class = crate::record::FaultClass::Transient;
        Event::PointSkipped(PointSkipped { point, class, why: why() })
    };
    let mark = |step| StepMark { step, place: "sequence.yaml:3".to_owned() };
    let step = |step| Event::StepStarted(mark(step));
    let done = |step| Event::StepFinished(mark(step));
    // The first line of each journal is number 0.
    check_counts(&[start(1), note("a"), finish(1), start(2), finish(2)], &[0, 1, 2, 3, 4, 5]);
    check_counts(
        &[start(1), note("a"), abandon(Some(1), None), start(1), note("b"), finish(1)],
        &[0, 4, 5, 6],
    );
    // Twice, and another point before and after.
    check_counts(
        &[
            start(1),
            finish(1),
            start(2),
            abandon(Some(2), None),
            start(2),
            abandon(Some(2), None),
            note("between"),
            start(2),
            skip(2),
            start(3),
        ],
        &[0, 1, 2, 7, 8, 9, 10],
    );
    // A step, and a point that was finished and must be done again all the same.
    check_counts(&[step(4), note("a"), abandon(None, Some(4)), step(4), done(4)], &[0, 4, 5]);
    check_counts(&[start(1), finish(1), abandon(Some(1), None), start(1), finish(1)], &[0, 4, 5]);
    // As older journals have it: begun anew, and nothing says so.
    check_counts(&[start(1), note("a"), start(1), note("b"), finish(1)], &[0, 3, 4, 5]);
    // What was never begun cannot be abandoned.
    check_counts(&[note("a"), abandon(Some(7), Some(8)), note("b")], &[0, 1, 2, 3]);
}

#[test]
fn a_line_without_end_is_read_in_constant_memory() {
    let mut bytes = sample();
    bytes.extend(std::iter::repeat_n(b'x', (64 << 20) + 9));
    let torn = JournalReading::parse(&bytes).expect("a known format");
    assert_eq!(torn.torn_bytes, (64 << 20) + 9);
    bytes.push(b'\n');
    assert_eq!(faults(&bytes), [(5, LineProblem::TooLong(64 << 20))]);
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

/// Also where only the limit of a file's size is reached, nothing was lost but the line itself.
#[test]
fn a_file_that_may_not_grow_counts_as_full() {
    let error = std::io::Error::from(std::io::ErrorKind::FileTooLarge);
    let error = RecordError::io(std::path::Path::new("journal.jsonl"), "append to")(error);
    assert!(error.is_full());
    assert!(error.to_string().contains("raise that limit (ulimit -f)"), "{error}");
}

#[cfg(unix)]
#[test]
fn a_journal_that_is_taken_away_is_noticed_at_the_next_flush() {
    type Takes = fn(&std::path::Path) -> std::io::Result<()>;
    let cases: [(&str, Takes); 3] = [
        ("deleted", |path| std::fs::remove_file(path)),
        ("moved", |path| std::fs::rename(path, path.with_extension("away"))),
        ("replaced", |path| {
            std::fs::remove_file(path)?;
            std::fs::write(path, "other")
        }),
    ];
    for (how, takes) in cases {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.jsonl");
        let mut journal = Journal::create(&path, fixture::start()).unwrap();
        journal.append(fixture::start(), note("before")).unwrap();
        journal.flush().unwrap();
        takes(&path).unwrap();
        journal.append(fixture::start(), note("after")).unwrap();
        let error = journal.flush().unwrap_err().to_string();
        let told = "the file was deleted, moved or replaced while it was written";
        assert!(error.contains(told), "{how}: {error}");
        // And at every flush after it: nobody may take the record for whole.
        assert!(journal.flush().is_err(), "{how}");
    }
}
