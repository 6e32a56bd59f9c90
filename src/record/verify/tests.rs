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
            "journal.jsonl has no end: the run is open, it was cut off".to_owned(),
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

/// Events of points in a run that plans five; what `verify` finds about them.
fn check_points(events: &[&str], end: Option<(Outcome, u64, u64)>, wanted: &[&str]) -> Account {
    let root = tempfile::tempdir().expect("a temporary folder");
    let mut writer = fixture::Writer::begin_planned(root.path(), "points", Some(5));
    for event in events {
        writer.log(fixture::point_event(event));
    }
    let folder = writer.folder.clone();
    if let Some((outcome, points, points_skipped)) = end {
        writer.end_with(outcome, points, points_skipped);
    } else {
        drop(writer);
    }
    let verified = verify_whole(&folder).expect("a readable journal");
    let found: Vec<String> = verified.findings.iter().map(Finding::to_string).collect();
    let wanted: Vec<String> = wanted.iter().map(|text| format!("journal.jsonl{text}")).collect();
    assert_eq!(found, wanted, "{events:?}");
    verified.account
}

#[test]
fn every_planned_point_is_accounted_for() {
    let all = ["start 1", "finish 1", "start 2", "finish 2", "start 3", "skip 3", "start 4"];
    let whole = [&all[..], &["finish 4", "start 5", "finish 5"]].concat();
    let account = check_points(&whole, Some((Outcome::Incomplete, 4, 1)), &[]);
    let wanted =
        Account { planned: Some(5), finished: 4, skipped: 1, not_reached: Some(0), ..account };
    assert_eq!(account, wanted);
    assert_eq!((account.unfinished, account.abandoned, account.open), (0, 0, false));

    // A run that was stopped need not have reached them all, one that says it was completed must.
    let account = check_points(&all, Some((Outcome::Stopped, 2, 1)), &[]);
    assert_eq!((account.unfinished, account.not_reached), (1, Some(1)));
    let short = ": plans 5 points and ran to its end, and tells of 2 that were finished and 1 that were \
                 given up";
    check_points(&all, Some((Outcome::Incomplete, 2, 1)), &[short]);
    check_points(
        &whole,
        Some((Outcome::Incomplete, 5, 0)),
        &[": counts 5 points and tells of 4", ": counts 0 points given up and tells of 1"],
    );

    // Begun anew counts once; finished twice does not pass.
    let anew = [
        "start 1",
        "abandon 1",
        "start 1",
        "finish 1",
        "start 2",
        "finish 2",
        "abandon 2",
        "start 2",
        "finish 2",
    ];
    let account = check_points(&anew, Some((Outcome::Stopped, 2, 0)), &[]);
    assert_eq!((account.finished, account.abandoned, account.not_reached), (2, 2, Some(3)));
    let twice = ["start 1", "finish 1", "start 1", "finish 1"];
    let told = ": point 1 is finished though it had ended before, and was not abandoned between";
    check_points(&twice, Some((Outcome::Stopped, 1, 0)), &[told]);
    let never = ": point 3 is finished and was never begun";
    check_points(&["finish 3"], Some((Outcome::Stopped, 1, 0)), &[never]);

    let account = check_points(&all, None, &[" has no end: the run is open, it was cut off"]);
    assert!(account.open);
}

#[test]
fn a_run_that_is_being_written_is_open_and_live() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let writer = fixture::Writer::begin(root.path(), "now");
    let told = "journal.jsonl has no end: the run is open, and a process writes it now";
    assert_eq!(findings(&writer.folder), [told]);
}
