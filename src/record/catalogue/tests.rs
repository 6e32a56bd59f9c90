//! The catalogue: indexing twice, rebuilding, reading beside a writer, and the queries.

use super::*;
use crate::record::fixture::{self, Writer};
use crate::record::{Against, CaptureNo, Outcome, RecordedValue, ReplayOf, Value, figure_names};

#[test]
fn a_run_is_found_with_what_its_journal_tells() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let story = fixture::story(root.path(), 16, 16);
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    catalogue.index_run(&story).expect("a sound run");
    let run = catalogue.run(story.name()).expect("a query").expect("the run just indexed");
    assert_eq!(run.sequence, "rotate-and-recover");
    assert_eq!(run.bench, "packing-arm");
    assert_eq!(run.outcome, Some(Outcome::Completed));
    assert_eq!(run.seed, Some(7));
    assert!(run.simulated);
    assert_eq!((run.captures, run.points, run.expectations_failed), (4, 0, 0));

    let captures = catalogue.captures(story.name()).expect("a query");
    let labels: Vec<_> = captures.iter().filter_map(|row| row.label.as_deref()).collect();
    assert_eq!(labels, ["aligned", "rotated", "rotated", "recovered", "coded"]);
    let kept: Vec<bool> = captures.iter().map(|row| row.file.is_some()).collect();
    assert_eq!(kept, [true, true, false, true, true]);
    let errors = |figures| crate::record::figure(figures, figure_names::BIT_ERRORS);
    assert_eq!(errors(&captures[1].figures), Some(2930.0));
    let measurements = catalogue.measurements(story.name()).expect("a query");
    let labels: Vec<_> = measurements.iter().filter_map(|row| row.label.as_deref()).collect();
    assert_eq!(labels, ["aligned", "rotated", "recovered", "coded"]);
    assert_eq!((measurements[1].first_capture, measurements[1].captures), (Some(CaptureNo(2)), 2));
    assert_eq!(errors(&measurements[1].figures), Some(5861.0));

    let at = |capture| {
        let rows = catalogue.settings(story.name(), capture).expect("a query");
        let angle = rows.into_iter().find(|row| row.name == "turntable.angle");
        angle.and_then(|row| row.asked)
    };
    assert_eq!(at(Some(CaptureNo(1))), Some(RecordedValue::number(0.0, "deg")));
    assert_eq!(at(Some(CaptureNo(2))), Some(RecordedValue::number(21.0, "deg")));
    assert_eq!(at(None), Some(RecordedValue::number(21.0, "deg")));
    let expectations = catalogue.expectations(story.name()).expect("a query");
    assert_eq!(expectations.len(), 3);
    assert!(expectations.iter().all(|row| row.passed));
}

#[test]
fn what_was_abandoned_is_left_out_and_what_was_given_up_is_known() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let mut writer = Writer::begin_planned(root.path(), "night", Some(3));
    let point = |writer: &mut Writer, text: &str| writer.log(fixture::point_event(text));
    point(&mut writer, "start 1");
    let lost = writer.measure(&fixture::STORY[1], Some(1));
    writer.expect(lost, -3.0);
    point(&mut writer, "abandon 1");
    point(&mut writer, "start 1");
    let kept = writer.measure(&fixture::STORY[0], Some(1));
    writer.expect(kept, -16.0);
    point(&mut writer, "finish 1");
    point(&mut writer, "start 2");
    point(&mut writer, "abandon 2");
    point(&mut writer, "skip 2");
    let folder = writer.end(Outcome::Stopped, 1, 0);
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    catalogue.index_run(&folder).expect("a sound run");
    let run = catalogue.run(folder.name()).expect("a query").expect("the run just indexed");
    assert_eq!((run.points, run.points_finished, run.points_skipped), (2, 1, 1));
    assert_eq!((run.points_planned, run.captures, run.expectations_failed), (Some(3), 1, 0));
    let points = catalogue.points(folder.name()).expect("a query");
    assert_eq!(points[1].skipped.as_deref(), Some("no answer"));
    let captures = catalogue.captures(folder.name()).expect("a query");
    assert_eq!(captures.iter().map(|row| row.capture).collect::<Vec<_>>(), [kept]);
    let measurements = catalogue.measurements(folder.name()).expect("a query");
    assert_eq!(measurements.len(), 1);
    assert_eq!(measurements[0].first_capture, Some(kept));
    assert_eq!(catalogue.expectations(folder.name()).expect("a query").len(), 1);
}

#[test]
fn captures_and_measurements_come_in_parts_too_with_their_spread() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let story = fixture::story(root.path(), 16, 16);
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    catalogue.index_run(&story).expect("a sound run");
    let all = catalogue.captures(story.name()).expect("a query");
    let first = catalogue.captures_after(story.name(), None, 2).expect("a query");
    let rest = catalogue.captures_after(story.name(), Some(first[1].capture), 9).expect("a query");
    assert_eq!([first, rest].concat(), all);
    let measurements = catalogue.measurements(story.name()).expect("a query");
    let first = catalogue.measurements_of(story.name(), 2).expect("a query");
    assert_eq!(first, measurements[..2]);
    let spread = |row: usize| crate::record::figure(&measurements[row].spread, "evm_db");
    assert_eq!((spread(0), spread(1)), (None, Some(0.25)));
}

#[test]
fn a_replay_is_known_as_one() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let told = |replay: Option<ReplayOf>| {
        let folder = Writer::begin_replay(root.path(), "night", replay).folder;
        let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
        catalogue.index_run(&folder).expect("a sound run");
        catalogue.run(folder.name()).expect("a query").expect("the run just indexed").replay
    };
    let check = |against, model: Option<&str>| {
        let model = model.map(str::to_owned);
        let replay = ReplayOf { run: "yesterday".to_owned(), against, model };
        assert_eq!(told(Some(replay.clone())), Some(replay));
    };
    check(Against::Trace, None);
    check(Against::Model, Some("models/far.yaml"));
    assert_eq!(told(None), None);
}

#[test]
fn points_carry_their_axes_outermost_first() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let sweep = fixture::sweep(root.path(), 16);
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    catalogue.index_run(&sweep).expect("a sound run");
    let points = catalogue.points(sweep.name()).expect("a query");
    assert_eq!(points.len(), 18);
    let position = &points[3].position;
    assert_eq!(position[0].axis, "turntable.angle");
    assert_eq!(position[0].value, RecordedValue::number(-45.0, "deg"));
    assert_eq!(position[1].value.value, Value::Word("16-qam mcs 12".to_owned()));
    assert!(points.iter().all(|point| point.finished));
    let failed = RunsWanted { outcome: Some(Outcome::ExpectationFailed), ..RunsWanted::default() };
    assert_eq!(catalogue.runs(&failed).expect("a query").len(), 1);
    let other = RunsWanted { sequence: Some("other".to_owned()), ..RunsWanted::default() };
    assert_eq!(catalogue.runs(&other).expect("a query"), []);
}

#[test]
fn indexing_twice_and_rebuilding_change_nothing() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let story = fixture::story(root.path(), 16, 16);
    fixture::sweep(root.path(), 16);
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    let first = catalogue.refresh().expect("readable runs");
    assert_eq!((first.runs, first.dropped), (2, 0));
    let look = |catalogue: &Catalogue| {
        let runs = catalogue.runs(&RunsWanted::default()).expect("a query");
        let captures = catalogue.captures(story.name()).expect("a query");
        (runs, captures)
    };
    let before = look(&catalogue);
    catalogue.index_run(&story).expect("a sound run");
    assert_eq!(look(&catalogue), before);
    assert_eq!(catalogue.refresh().expect("readable runs"), Indexed::default());
    assert_eq!(catalogue.rebuild().expect("readable runs").runs, 2);
    assert_eq!(look(&catalogue), before);
    std::fs::remove_dir_all(story.path()).expect("a temporary folder");
    assert_eq!(catalogue.refresh().expect("readable runs").dropped, 1);
    assert_eq!(catalogue.runs(&RunsWanted::default()).expect("a query").len(), 1);
}

#[test]
fn a_second_reader_sees_the_last_whole_state_while_a_run_is_written() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let story = fixture::story(root.path(), 16, 16);
    let mut writer = Catalogue::open(root.path()).expect("a new catalogue");
    writer.index_run(&story).expect("a sound run");
    let reader = Catalogue::open_to_read(root.path()).expect("an existing catalogue");
    let transaction = writer.connection.transaction().expect("no other writer");
    transaction.execute("DELETE FROM runs", []).expect("no other writer");
    assert_eq!(reader.runs(&RunsWanted::default()).expect("a query").len(), 1);
    transaction.commit().expect("no other writer");
    assert_eq!(reader.runs(&RunsWanted::default()).expect("a query").len(), 0);
}

#[test]
fn a_catalogue_of_another_version_is_made_anew() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let path = root.path().join(CATALOGUE_FILE);
    let old = Connection::open(&path).expect("a new database");
    old.execute_batch("CREATE TABLE runs (x); PRAGMA user_version = 99;").expect("a new database");
    drop(old);
    assert!(Catalogue::open_to_read(root.path()).is_err());
    let mut catalogue = Catalogue::open(root.path()).expect("a rebuilt catalogue");
    fixture::story(root.path(), 16, 16);
    assert_eq!(catalogue.refresh().expect("readable runs").runs, 1);
}

#[test]
fn a_run_that_cannot_be_read_does_not_hide_the_others() {
    let root = tempfile::tempdir().expect("a temporary folder");
    fixture::story(root.path(), 16, 16);
    let broken = fixture::sweep(root.path(), 16);
    std::fs::remove_file(broken.journal_path()).expect("a file of the run");
    std::fs::create_dir(broken.journal_path()).expect("a temporary folder");
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    assert_eq!(catalogue.refresh().expect("readable runs").runs, 1);
    std::fs::remove_dir(broken.journal_path()).expect("a temporary folder");
    std::fs::write(broken.journal_path(), "{}\nnonsense").expect("room on the disk");
    let indexed = catalogue.refresh().expect("readable runs");
    assert_eq!(indexed.runs, 1);
    let run = catalogue.run(broken.name()).expect("a query").expect("indexed all the same");
    assert_eq!((run.journal_faults, run.outcome), (2, None));
}

#[test]
fn damage_that_keeps_the_length_is_noticed() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let story = fixture::story(root.path(), 16, 16);
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    catalogue.refresh().expect("readable runs");
    let text = std::fs::read_to_string(story.journal_path()).expect("the journal");
    let damaged = text.replacen("aligned", "al1gned", 1);
    std::fs::write(story.journal_path(), damaged).expect("room on the disk");
    // File systems keep times of some milliseconds at best.
    let journal = std::fs::File::options().append(true).open(story.journal_path());
    let later = std::time::UNIX_EPOCH + Duration::from_secs(2_000_000_000);
    journal.and_then(|file| file.set_modified(later)).expect("a file of ours");
    assert_eq!(catalogue.refresh().expect("readable runs").runs, 1);
    let run = catalogue.run(story.name()).expect("a query").expect("an indexed run");
    assert_eq!((run.journal_faults, run.unreadable), (1, None));
}

#[test]
fn a_run_whose_journal_is_gone_is_listed_with_its_captures() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let story = fixture::story(root.path(), 16, 16);
    fixture::sweep(root.path(), 16);
    std::fs::remove_file(story.journal_path()).expect("a file of the run");
    let mut catalogue = Catalogue::open(root.path()).expect("a new catalogue");
    for _ in 0..2 {
        let indexed = catalogue.refresh().expect("a readable folder");
        assert_eq!(indexed.unreadable.len(), 1);
        assert_eq!(catalogue.runs(&RunsWanted::default()).expect("a query").len(), 2);
    }
    let run = catalogue.run(story.name()).expect("a query").expect("listed all the same");
    assert!(run.unreadable.is_some_and(|why| why.contains("journal.jsonl is missing")));
    assert_eq!((run.captures, run.sequence.as_str()), (4, "rotate-and-recover"));
    let captures = catalogue.captures(story.name()).expect("a query");
    assert_eq!(captures[0].label.as_deref(), Some("aligned"));
}

#[test]
fn a_catalogue_of_rubbish_is_put_aside_and_built_anew() {
    let names = |catalogue: &mut Catalogue| {
        let runs = catalogue.runs(&RunsWanted::default())?;
        Ok(runs.into_iter().map(|run| run.run).collect::<Vec<_>>())
    };
    let check = |spoil: &dyn Fn(&Path), aside: &str| {
        let root = tempfile::tempdir().expect("a temporary folder");
        let story = fixture::story(root.path(), 16, 16);
        let path = root.path().join(CATALOGUE_FILE);
        spoil(&path);
        let before = std::fs::read(&path).expect("the spoilt file");
        let (runs, notices) = Catalogue::with_fresh(root.path(), names).expect("an index");
        assert_eq!(runs, [story.name()]);
        assert!(notices[0].contains("built anew") && notices[0].contains(aside), "{notices:?}");
        let kept = std::fs::read(root.path().join(aside)).expect("the damaged file is kept");
        assert_eq!(kept, before);
        let (runs, notices) = Catalogue::with_fresh(root.path(), names).expect("an index");
        assert_eq!((runs.len(), notices.len()), (1, 0), "mended for good");
    };
    let write = |path: &Path, bytes: &[u8]| {
        std::fs::write(path, bytes).expect("room on the disk");
    };
    check(&|path| write(path, &b"rubbish ".repeat(1000)), "catalogue.sqlite.damaged");
    check(
        &|path| {
            write(path, &b"rubbish ".repeat(1000));
            write(&path.with_file_name("catalogue.sqlite.damaged"), b"an older one");
        },
        "catalogue.sqlite.damaged-2",
    );
    // A database of this version's number without its tables: seen only when it is queried.
    let foreign = |path: &Path| {
        let other = Connection::open(path).expect("a new database");
        let made = format!("CREATE TABLE other (x); PRAGMA user_version = {SCHEMA_VERSION};");
        other.execute_batch(&made).expect("a new database");
    };
    let root = tempfile::tempdir().expect("a temporary folder");
    fixture::story(root.path(), 16, 16);
    foreign(&root.path().join(CATALOGUE_FILE));
    let (runs, notices) = Catalogue::with_fresh(root.path(), names).expect("an index");
    assert_eq!((runs.len(), notices.len()), (1, 1));
}

#[test]
fn where_no_catalogue_can_be_written_it_is_in_memory() {
    let root = tempfile::tempdir().expect("a temporary folder");
    fixture::story(root.path(), 16, 16);
    // A folder in its place stands for every file that cannot be opened: it stops root as well.
    std::fs::create_dir(root.path().join(CATALOGUE_FILE)).expect("a temporary folder");
    let count = |catalogue: &mut Catalogue| Ok(catalogue.runs(&RunsWanted::default())?.len());
    let (runs, notices) = Catalogue::with_fresh(root.path(), count).expect("an index in memory");
    assert_eq!(runs, 1);
    assert!(notices[0].contains("indexed in memory"), "{notices:?}");
}
