//! Every file of a run damaged in turn: `verify` names it.

use super::*;
use crate::record::fixture;

fn findings(folder: &RunFolder) -> Vec<String> {
    verify(folder).expect("a readable journal").iter().map(Finding::to_string).collect()
}

/// Damages one file of a fresh run and compares what is found.
fn check_damage(file: &str, damage: impl FnOnce(&Path), wanted: &[&str]) {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::story(root.path(), 16, 16);
    assert_eq!(findings(&folder), [""; 0]);
    damage(&folder.path().join(file));
    assert_eq!(findings(&folder), wanted, "after damage to {file}");
}

fn flip(path: &Path) {
    let mut bytes = fs::read(path).expect("a file of the run");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(path, bytes).expect("room on the disk");
}

fn delete(path: &Path) {
    fs::remove_file(path).expect("a file of the run");
}

#[test]
fn changed_files_are_named() {
    for file in [
        "sequence.yaml",
        "profiles/scpi-scope.yaml",
        "captures/000002.sigmf-data",
        "captures/000004.sigmf-meta",
    ] {
        let changed = format!("{file} was changed or damaged since it was written");
        check_damage(file, flip, &[&changed]);
        check_damage(file, delete, &[&format!("{file} is missing")]);
    }
    // That of a capture that was not kept as well.
    for analysis in ["captures/000001.analysis.json", "captures/000003.analysis.json"] {
        check_damage(analysis, delete, &[&format!("{analysis} is missing")]);
    }
}

#[test]
fn extra_files_are_named() {
    let note = |path: &Path| fs::write(path, "hello").expect("room on the disk");
    let file = "captures/000009.sigmf-data";
    let wanted = "captures/000009.sigmf-data is there, and the journal does not tell of it";
    check_damage(file, note, &[wanted]);
}

#[test]
fn a_cut_journal_is_told_and_what_is_left_is_checked() {
    let cut = |path: &Path| {
        let bytes = fs::read(path).expect("the journal");
        fs::write(path, &bytes[..bytes.len() - 10]).expect("room on the disk");
    };
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::story(root.path(), 16, 16);
    let lines = fs::read_to_string(folder.journal_path()).expect("the journal").lines().count();
    cut(&folder.journal_path());
    assert_eq!(
        findings(&folder),
        [
            format!("journal.jsonl: line {lines} is unfinished: the writer was interrupted"),
            "journal.jsonl has no end: the run goes on, or was cut off".to_owned(),
        ]
    );
}

#[test]
fn a_missing_point_is_told() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::sweep(root.path(), 16);
    assert_eq!(findings(&folder), [""; 0]);
    let text = fs::read_to_string(folder.journal_path()).expect("the journal");
    let without: String = text
        .split_inclusive('\n')
        .filter(|line| !line.contains("\"point_started\",\"point\":4,"))
        .collect();
    assert_ne!(text, without);
    fs::write(folder.journal_path(), without).expect("room on the disk");
    let found = findings(&folder);
    assert!(found[0].contains("lines are missing or doubled"), "{found:?}");
    assert!(
        found.iter().any(|finding| finding.ends_with("points 1 to 18, and not of 4")),
        "{found:?}"
    );
}
