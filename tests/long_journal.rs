//! A run of many points: what indexing, reporting and checking it hold in memory, counted by the
//! allocator. One test only, because the count is that of the whole process.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test that measures says what it found"
)]

use std::fs;
use std::io::Write;
use std::path::Path;

use beamwarden::record::{
    Abandoned, AxisValue, CaptureNo, Catalogue, Entry, Event, Expectation, Figure, FiguresFound,
    JOURNAL_FORMAT, JournalStarted, MeasurementDone, Outcome, PointFinished, PointStarted,
    RecordedValue, RunEnded, RunFolder, RunStarted, SettingDone, SettingRecord, verify_whole,
};
use jiff::{SignedDuration, Timestamp};
use peak_alloc::PeakAlloc;

#[global_allocator]
static ALLOCATOR: PeakAlloc = PeakAlloc;

/// Points of the run; `BEAMWARDEN_LONG_POINTS` names another number.
const POINTS: u64 = 5_000;
/// Most bytes that any of the readers may hold, whatever the number of points.
const BYTES_MAX: usize = 60 << 20;

/// Most of the whole process, resident.
const RESIDENT_KIB_MAX: u64 = 150 << 10;

/// Most bytes that `work` held at a time beyond those held before, and how long it took.
fn measured<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let before = ALLOCATOR.current_usage();
    ALLOCATOR.reset_peak_usage();
    let done = work();
    let peak = ALLOCATOR.peak_usage().saturating_sub(before);
    println!("{what}: at most {:.1} MiB", peak as f64 / f64::from(1 << 20));
    assert!(peak < BYTES_MAX, "{what} held {peak} bytes");
    done
}

/// About as many figures as an analysis gives.
fn figures(k: u64) -> Vec<Figure> {
    let mut figures = vec![
        Figure::number("evm_db", Some(-16.0 + (k % 7) as f64 * 0.1), Some("dB")),
        Figure::number("snr_db", Some(17.0), Some("dB")),
        Figure::count("bits", 1_000_000),
        Figure::count("bit_errors", k % 3),
        Figure::number("ber", Some((k % 3) as f64 * 1e-6), None),
        Figure::number("ber_low_95", Some(0.0), None),
        Figure::number("ber_high_95", Some(5e-6), None),
    ];
    figures.extend((0..20).map(|n| {
        Figure::number(
            &format!("figure_{n}_hz"),
            Some(k as f64 * 1.234_567 + f64::from(n)),
            Some("Hz"),
        )
    }));
    figures
}

fn setting(name: &str, value: f64, at: Timestamp) -> Event {
    let value = RecordedValue::number(value, "dB");
    Event::Setting(SettingDone {
        setting: SettingRecord {
            name: name.to_owned(),
            asked: Some(value.clone()),
            read_back: value,
            at,
            age_s: None,
            after: None,
            matched: true,
        },
        skipped: false,
        part_of: None,
    })
}

/// What a point leaves in the journal; every hundredth one is begun anew once.
fn point(k: u64, at: Timestamp) -> Vec<Event> {
    let (point, capture) = (Some(k), CaptureNo(k as u32));
    let axis = AxisValue {
        axis: "turntable.angle".to_owned(),
        value: RecordedValue::number(k as f64 / 1000.0, "deg"),
    };
    let start = Event::PointStarted(PointStarted { point: k, position: vec![axis] });
    let mut events = Vec::new();
    if k.is_multiple_of(100) {
        let why = "the link was lost".to_owned();
        events.push(start.clone());
        events.push(Event::Abandoned(Abandoned { point, step: None, why }));
    }
    events.push(start);
    events.extend((0..4).map(|n| setting(&format!("dut.rx.gain_{n}"), k as f64, at)));
    events.push(Event::Figures(FiguresFound {
        capture,
        label: Some("swept".to_owned()),
        point,
        analysis_version: "1".to_owned(),
        figures: figures(k),
    }));
    events.push(Event::Measurement(MeasurementDone {
        label: Some("swept".to_owned()),
        point,
        frame: Some("qpsk uncoded".to_owned()),
        captures: vec![capture],
        figures: figures(k),
        spread: Vec::new(),
        doubts: Vec::new(),
    }));
    events.push(Event::Expectation(Expectation {
        capture: Some(capture),
        point,
        figure: "evm_db".to_owned(),
        wanted: "at most -12 dB".to_owned(),
        measured: Some(RecordedValue::number(-16.0, "dB")),
        passed: true,
    }));
    events.push(Event::PointFinished(PointFinished { point: k }));
    events
}

/// A journal of so many points, written at once: a real one is flushed before each action.
fn long_run(root: &Path, points: u64) -> RunFolder {
    let start: Timestamp = "2026-03-14T21:40:07Z".parse().unwrap();
    let folder = RunFolder::create(root, "long", start).unwrap();
    let mut file = std::io::BufWriter::new(fs::File::create(folder.journal_path()).unwrap());
    let mut seq = 0;
    let mut log = |at: Timestamp, event: Event| {
        file.write_all(Entry { seq, at, event }.emit().unwrap().as_bytes()).unwrap();
        seq += 1;
    };
    log(start, Event::JournalStarted(JournalStarted { format: JOURNAL_FORMAT }));
    log(
        start,
        Event::RunStarted(RunStarted {
            run: folder.name().to_owned(),
            sequence: "long".to_owned(),
            bench: "invented".to_owned(),
            version: "0.1.0".to_owned(),
            seed: None,
            simulated: true,
            inputs: Vec::new(),
            parameters: Vec::new(),
            points_planned: Some(points),
            replay: None,
        }),
    );
    for k in 1..=points {
        let at = start + SignedDuration::from_millis(300 * k as i64);
        point(k, at).into_iter().for_each(|event| log(at, event));
    }
    log(
        start + SignedDuration::from_millis(300 * points as i64 + 1),
        Event::RunEnded(RunEnded {
            outcome: Outcome::Completed,
            message: None,
            points,
            points_skipped: 0,
            retries: 0,
            captures: 0,
            expectations_failed: 0,
        }),
    );
    drop(file);
    folder
}

#[test]
fn readers_of_a_long_journal_hold_little_of_it() {
    let root = tempfile::tempdir().unwrap();
    let points = std::env::var("BEAMWARDEN_LONG_POINTS").ok().and_then(|text| text.parse().ok());
    let points = points.unwrap_or(POINTS);
    let folder = long_run(root.path(), points);
    let bytes = fs::metadata(folder.journal_path()).unwrap().len();
    println!("a journal of {points} points: {:.1} MiB", bytes as f64 / f64::from(1 << 20));

    let page = measured("report", || beamwarden::report::page(&folder).unwrap());
    assert!(page.contains("points were finished in") && page.len() < 10_000_000, "{}", page.len());
    drop(page);

    let mut catalogue = Catalogue::open(root.path()).unwrap();
    measured("catalogue", || catalogue.index_run(&folder).unwrap());
    let run = catalogue.run(folder.name()).unwrap().unwrap();
    assert_eq!((run.points_finished, run.points_planned), (points, Some(points)));
    let rows = measured("show", || catalogue.captures_after(folder.name(), None, 200).unwrap());
    assert_eq!(rows.len(), 200);
    let happened = measured("what happened", || beamwarden::report::happened(&folder).unwrap());
    assert!(!happened.lines.is_empty());

    let verified = measured("verify", || verify_whole(&folder).unwrap());
    assert_eq!(verified.account.finished, points);
    assert_eq!(verified.account.abandoned, points / 100);
    assert_eq!(verified.account.not_reached, Some(0));
    // SQLite does not use the allocator that is counted: the whole process, where the system tells.
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let resident = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let resident_kib =
        resident.and_then(|text| text.trim().strip_suffix(" kB")?.parse::<u64>().ok());
    if let Some(kib) = resident_kib {
        println!("resident at most {:.1} MiB", kib as f64 / 1024.0);
        assert!(kib < RESIDENT_KIB_MAX, "{kib} KiB resident");
    }
    // Of this journal's captures there are no files.
    assert_eq!(verified.findings.len() as u64, points);
}
