//! What the page says of captures that are not trusted, and of points that were given up.

use super::*;
use crate::record::{
    Abandoned, Failure, FaultClass, MeasurementDone, PointFinished, PointSkipped, Remedy,
    RunResumed, SafeState, StepMark,
};

fn begin(writer: &mut Writer, point: u64) {
    let value = RecordedValue::number(point as f64, "deg");
    let position = vec![AxisValue { axis: "turntable.angle".to_owned(), value }];
    writer.log(Event::PointStarted(PointStarted { point, position }));
}

fn measured(writer: &mut Writer, point: u64, capture: CaptureNo, doubts: Vec<String>) {
    let evm = Figure::number(figure_names::EVM_DB, Some(-14.2), Some("dB"));
    writer.log(Event::Measurement(MeasurementDone {
        label: Some("aligned".to_owned()),
        point: Some(point),
        frame: None,
        captures: vec![capture],
        figures: vec![evm],
        spread: Vec::new(),
        doubts: doubts.clone(),
    }));
    writer.log(Event::Expectation(Expectation {
        capture: Some(capture),
        point: Some(point),
        figure: figure_names::EVM_DB.to_owned(),
        wanted: "at most -14 dB".to_owned(),
        measured: Some(RecordedValue::number(-14.2, "dB")),
        passed: doubts.is_empty(),
    }));
}

/// Point 1: a capture is tried again. Point 2: one is doubtful, and the run goes on with it. Point 3 is
/// given up.
fn troubled(root: &Path) -> RunFolder {
    let mut writer = Writer::begin_planned(root, "troubled", Some(3));
    begin(&mut writer, 1);
    let first = writer.shoot(&STORY[1], Some(1));
    writer.log(Event::Failure(Failure {
        class: FaultClass::Transient,
        instrument: None,
        message: format!("s.yaml:4: capture {first} is doubtful: scope.range moved"),
        point: Some(1),
        attempt: 1,
        remedy: Remedy::Retried,
        wait_s: None,
    }));
    let second = writer.shoot(&STORY[0], Some(1));
    measured(&mut writer, 1, second, Vec::new());
    writer.log(Event::PointFinished(PointFinished { point: 1 }));
    begin(&mut writer, 2);
    let third = writer.shoot(&STORY[0], Some(2));
    measured(&mut writer, 2, third, vec!["source.amplitude <moved>".to_owned()]);
    writer.log(Event::PointFinished(PointFinished { point: 2 }));
    begin(&mut writer, 3);
    let why = format!("s.yaml:4: no answer, '{}'", "\\xff".repeat(400));
    writer.log(Event::PointSkipped(PointSkipped { point: 3, class: FaultClass::Transient, why }));
    writer.end(Outcome::Incomplete, 2, 0)
}

#[test]
fn what_is_doubtful_or_tried_again_or_given_up_says_so_wherever_it_stands() {
    let page = page_of(troubled);
    check_balance(&page);
    assert_holds(
        &page,
        &[
            "<dt>Measurements</dt><dd>2</dd>",
            "<dt>Captures</dt><dd>3</dd>",
            "2 measurements, 0 beam searches",
            "Besides, 1 measurement is doubtful",
            "<strong class=\"differs\">tried again, does not count: scope.<wbr>range moved</strong>",
            "<strong class=\"differs\">doubtful: source.<wbr>amplitude &lt;moved&gt;</strong>",
            "<td data-head=\"Point\">2</td><td data-head=\"Frame\">",
            "<td data-head=\"Verdict\">sound</td>",
            "point 1 · turntable.<wbr>angle 1",
            "does not hold</strong>: the measurement is doubtful",
            "tried again and does not count",
            "Points given up: nothing of them counts",
            "given up: s.<wbr>yaml:4: no answer",
            "doubt: s.<wbr>yaml:4: capture",
        ],
    );
    // Of four hundred bytes the first ten are shown.
    assert!(!page.contains(&"\\xff".repeat(11)), "long bytes are cut short");
    assert_eq!(page.matches("data-head=\"Verdict\">sound").count(), 1);
}

#[test]
fn a_sound_run_has_no_column_of_doubts() {
    let page = story_page();
    for absent in ["data-head=\"Verdict\">sound", "doubtful", "Points given up"] {
        assert!(!page.contains(absent), "{absent}");
    }
}

#[test]
fn to_go_on_is_told_apart_from_being_made_safe() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let mut writer = Writer::begin_planned(root.path(), "cut", Some(2));
    begin(&mut writer, 1);
    let safe = || Event::SafeState(SafeState { done: Vec::new(), failed: Vec::new() });
    let resumed = || Event::RunResumed(RunResumed { version: "0.1.0".to_owned(), torn_bytes: 0 });
    writer.log(resumed());
    writer.log(safe());
    writer.log(resumed());
    let why = "the run was cut off in it".to_owned();
    writer.log(Event::Abandoned(Abandoned { point: Some(1), step: None, why }));
    writer.log(Event::StepStarted(StepMark { step: 3, place: "s.yaml:4".to_owned() }));
    writer.log(resumed());
    writer.log(safe());
    let told = happened(&writer.folder).expect("a readable journal");
    for part in ["went on once", "the bench was made safe twice"] {
        assert!(told.summary.contains(part), "{part:?} in {}", told.summary);
    }
    let of = |what: &str| told.lines.iter().filter(|line| line.contains(what)).count();
    assert_eq!((of(" Made safe: "), of(" Resumed: ")), (2, 1), "{:#?}", told.lines);
    assert_holds(&page(&writer.folder).expect("readable"), &["was interrupted and went on once"]);
}
