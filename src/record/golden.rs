//! A small run folder of each format version, kept in `tests/reference/`: readers of today must
//! read it, and the writer of today must write the newest one to the byte.
//!
//! Every figure in it is invented. After a deliberate change of format, write it anew with
//! `BEAMWARDEN_WRITE_GOLDEN=1 cargo test --lib golden` and look at the difference.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::*;

fn golden_root(version: &str) -> PathBuf {
    let name = format!("tests/reference/run-format-{version}");
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// The version that the writer of today writes.
fn newest() -> PathBuf {
    golden_root(&JOURNAL_FORMAT.to_string())
}

/// Every file below `folder` with its bytes, by relative path.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut todo = vec![folder.to_owned()];
    while let Some(next) = todo.pop() {
        for entry in fs::read_dir(&next).expect("a folder of the run") {
            let path = entry.expect("a folder of the run").path();
            if path.is_dir() {
                todo.push(path);
            } else {
                let name = path.strip_prefix(folder).expect("below the folder").to_owned();
                if name.ends_with(LOCK_FILE) {
                    continue; // empty, and only of use while the run is written
                }
                found.insert(name, fs::read(&path).expect("a file of the run"));
            }
        }
    }
    found
}

/// One run that somebody watched, and one with an event of every kind.
fn write_small_runs(root: &Path) -> [RunFolder; 2] {
    [fixture::story(root, 16, 8), fixture::night(root)]
}

#[test]
fn the_writer_still_writes_the_golden_run_to_the_byte() {
    let root = tempfile::tempdir().expect("a temporary folder");
    if std::env::var_os("BEAMWARDEN_WRITE_GOLDEN").is_some() {
        fs::remove_dir_all(newest()).ok();
        for golden in write_small_runs(&newest()) {
            fs::remove_file(golden.path().join(LOCK_FILE)).expect("a file of the run");
        }
    }
    for written in write_small_runs(root.path()) {
        let golden = files(&newest().join(written.name()));
        let now = files(written.path());
        let names = |files: &BTreeMap<PathBuf, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
        assert_eq!(names(&now), names(&golden));
        for (name, bytes) in &now {
            let same = golden[name] == *bytes;
            assert!(same, "{} is not written as before: a new format version?", name.display());
        }
    }
}

#[test]
fn the_golden_runs_of_format_1_1_are_sound_and_hold_every_event() {
    let mut tags = std::collections::BTreeSet::new();
    for run in RunFolder::list(&golden_root("1.1")).expect("the golden runs") {
        assert_eq!(verify(&run).expect("a sound run"), []);
        let reading = run.read_journal().expect("a sound journal");
        tags.extend(reading.entries.iter().map(|entry| entry.event.name()));
    }
    assert_eq!(tags.len(), event::NAMES.len(), "{tags:?}");
}

#[test]
fn the_golden_run_of_format_1_0_is_read_whole() {
    let runs = RunFolder::list(&golden_root("1.0")).expect("the golden run");
    let [run] = runs.as_slice() else { panic!("one golden run, found {}", runs.len()) };
    assert_eq!(run.name(), "2026-03-14T21-40-07_rotate-and-recover");
    assert_eq!(verify(run).expect("a sound run"), []);
    let reading = run.read_journal().expect("a sound journal");
    assert_eq!(reading.format, Some(FormatVersion { major: 1, minor: 0 }));
    let tags: Vec<&str> = reading.entries.iter().map(|entry| entry.event.name()).collect();
    assert_eq!(tags.first(), Some(&"journal_started"));
    assert_eq!(tags.last(), Some(&"run_ended"));
    assert_eq!(tags.iter().filter(|tag| **tag == "capture").count(), 4);
    let analysis = run.read_analysis(CaptureNo(2)).expect("a sound analysis");
    assert_eq!(analysis.label.as_deref(), Some("rotated"));
    assert_eq!(analysis.figure(figure_names::SNR_DB), Some(4.3));
    let recording = read_recording(&run.capture_path(CaptureNo(2), META_ENDING));
    assert_eq!(recording.expect("a sound recording").samples.len(), 16);
}
