//! Names within a run folder, and what is refused.

use super::*;
use crate::record::fixture;

#[test]
fn a_folder_is_named_by_time_and_sequence_and_never_shared() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let now = "2026-03-14T21:40:07.9Z".parse().expect("a literal RFC 3339 time");
    let check = |sequence: &str, name: &str| {
        let folder = RunFolder::create(root.path(), sequence, now).expect("a temporary folder");
        assert_eq!(folder.name(), name);
        assert!(folder.path().join(CAPTURES_FOLDER).is_dir());
    };
    check("angle-map", "2026-03-14T21-40-07_angle-map");
    check("angle-map", "2026-03-14T21-40-07_angle-map_2");
    check("../../etc/cron d", "2026-03-14T21-40-07_etc-cron-d");
    check("..", "2026-03-14T21-40-07_run");
    check("", "2026-03-14T21-40-07_run_2");
    check("Größe 1.2", "2026-03-14T21-40-07_Größe-1.2");
}

#[test]
fn inputs_are_frozen_once_and_inside() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = RunFolder::create(root.path(), "x", fixture::start()).expect("a folder");
    let frozen = folder.freeze("profiles/scope.yaml", "abc").expect("a new file");
    assert_eq!(frozen.file, "profiles/scope.yaml");
    // SHA-256 of "abc": FIPS 180-4 example, as printed by NIST.
    let wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(frozen.sha256, wanted);
    assert!(folder.freeze("profiles/scope.yaml", "again").is_err());
    for name in [
        "",
        "/etc/passwd",
        "..",
        "../x",
        "a/../../x",
        "./a",
        "journal.jsonl",
        "captures/1",
        "report.html",
        "trace/x",
        "a\nb",
        "a\\b",
        "c:x",
        "a\0b",
    ] {
        assert!(folder.freeze(name, "text").is_err(), "{name:?} must be refused");
    }
}

#[test]
fn only_a_folder_with_a_journal_or_captures_is_a_run() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = RunFolder::create(root.path(), "x", fixture::start()).expect("a folder");
    assert!(RunFolder::open(folder.path()).is_err());
    folder.start_journal(fixture::start()).expect("a new journal");
    let opened = RunFolder::open(folder.path()).expect("a run folder");
    assert_eq!(opened.name(), folder.name());
    fs::create_dir(root.path().join("notes")).expect("a temporary folder");
    assert_eq!(RunFolder::list(root.path()).expect("a readable folder").len(), 1);

    fs::remove_file(opened.journal_path()).expect("the journal");
    assert!(RunFolder::open(folder.path()).is_err(), "nothing of a run is left");
    let captures = folder.path().join(CAPTURES_FOLDER);
    for name in ["000007.sigmf-data", "000002.sigmf-meta", ".000009.sigmf-data.part", "notes.txt"] {
        fs::write(captures.join(name), "").expect("room on the disk");
    }
    let left = RunFolder::open(folder.path()).expect("captures are left");
    let numbers = left.captures_on_disk().expect("a readable folder");
    assert_eq!(numbers, [CaptureNo(2), CaptureNo(7)]);
    assert_eq!(RunFolder::list(root.path()).expect("a readable folder").len(), 1);
    let why = left.read_journal().expect_err("there is none").to_string();
    assert!(why.contains("journal.jsonl is missing"), "{why}");
}

#[test]
fn a_refusal_says_what_to_do() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let file = root.path().join("file");
    fs::write(&file, "").expect("room on the disk");
    let check = |error: RecordError, advice: &str| {
        let told = error.to_string();
        assert!(told.contains(advice), "{told}");
    };
    let create = |root: &Path| RunFolder::create(root, "x", fixture::start()).map(|_| ());
    check(create(&file.join("runs")).expect_err("below a file"), "name a folder");
    check(RunFolder::open(&root.path().join("none")).expect_err("nothing there"), "No such file");
}

#[test]
fn the_next_capture_follows_every_file_even_an_unfinished_one() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = RunFolder::create(root.path(), "x", fixture::start()).expect("a folder");
    assert_eq!(folder.next_capture().expect("a folder"), CaptureNo(1));
    let captures = folder.path().join(CAPTURES_FOLDER);
    for name in ["000004.sigmf-data", ".000009.sigmf-data.part", "notes.txt"] {
        fs::write(captures.join(name), "").expect("room on the disk");
    }
    assert_eq!(folder.next_capture().expect("a folder"), CaptureNo(10));
}
