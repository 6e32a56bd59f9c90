//! Steps that depend on what was found.

use crate::record::Outcome;
use crate::run::scene::{Ran, Scene};

#[track_caller]
fn check(ran: &Ran, outcome: Outcome, wanted: &[&str]) {
    assert_eq!(ran.story(), wanted, "{:?}", ran.summary.error);
    assert_eq!(ran.summary.outcome, outcome, "{:?}", ran.summary.error);
    ran.check_safe();
}

#[tokio::test(start_paused = true)]
async fn a_wait_ends_when_the_reading_has_been_in_its_band_for_long_enough() {
    let wait = "
steps:
  - wait: {for: dut.rx.lock, to be: on, stable: 5 s, every: 1 s, at most: 60 s}
";
    let fault = "{instrument: dut, fault: lost lock, chip: rx, at_s: 2.6, for_s: 10}";
    let ran = Scene::new(&[fault], wait).run().await;
    check(&ran, Outcome::Completed, &["safe state"]);
    println!("{:?} {:?}", ran.took, ran.messages("dut.rx.lock"));
    assert!((16.0..20.0).contains(&ran.took.as_secs_f64()), "{:?}", ran.took);
    assert_eq!(ran.messages("and was on for 5 s").len(), 1);
}

#[tokio::test(start_paused = true)]
async fn a_wait_in_vain_stops_skips_or_goes_on() {
    let scene = |otherwise: &str| {
        let steps = format!(
            "
steps:
  - sweep: {{dut.tx.gain: [20, 21]}}
    do:
      - wait: {{for: supply.current, to be: at least 1 A, every: 1 s, at most: 10 s, otherwise: {otherwise}}}
      - note: after
"
        );
        Scene::new(&[], &steps)
    };
    let ran = scene("stop").run().await;
    check(&ran, Outcome::Failed, &["point 1", "failure 1 RunEnded", "safe state"]);
    let told = ran.summary.error.as_ref().unwrap().to_string();
    assert!(told.contains("supply.current is") && told.contains("at least 1 A"), "{told}");
    let ran = scene("skip point").run().await;
    let skipped = [
        "point 1",
        "failure 1 PointSkipped",
        "skipped 1",
        "point 2",
        "failure 1 PointSkipped",
        "skipped 2",
        "safe state",
    ];
    check(&ran, Outcome::Incomplete, &skipped);
    let ran = scene("go on").run().await;
    check(&ran, Outcome::Completed, &["point 1", "done 1", "point 2", "done 2", "safe state"]);
    assert_eq!(ran.messages("the run goes on").len(), 2);
}

#[tokio::test(start_paused = true)]
async fn expectations_hold_figures_and_readings_against_bounds() {
    let steps = "
steps:
  - expect: {evm: at most -5 dB}
  - measure: {as: one}
  - expect: {evm: at most -5 dB, supply.current: at least 1 A, dut.rx.lock: on}
";
    let ran = Scene::new(&[], steps).run().await;
    let wanted = [
        "failed evm_db",
        "passed evm_db",
        "failed supply.current",
        "passed dut.rx.lock",
        "safe state",
    ];
    check(&ran, Outcome::ExpectationFailed, &wanted);
    assert_eq!(ran.summary.tally.expectations_failed, 2);
}

#[tokio::test(start_paused = true)]
async fn repetitions_end_by_condition_count_or_time() {
    let check_turns = async |repeat: &str, turns: usize| {
        let steps = format!(
            "
steps:
  - repeat: {{{repeat}}}
    do:
      - set: {{dut.tx.gain: =10 + turn}}
      - wait: 1 s
"
        );
        let ran = Scene::new(&[], &steps).run().await;
        let set: Vec<String> =
            (1..=turns).map(|turn| format!("dut.tx.gain {}", 10 + turn)).collect();
        let found = ran.settings();
        let found = &found[found.len() - turns.min(found.len())..];
        assert_eq!(found, set, "{repeat}");
        assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
        ran
    };
    check_turns("times: 3", 3).await;
    check_turns("until: dut.tx.gain >= 15, times: 100", 5).await;
    check_turns("at most: 3500 ms", 4).await;
    // A figure that nobody measured leaves the condition open: told once.
    let ran = check_turns("until: evm < -5 dB, times: 3", 3).await;
    assert_eq!(ran.messages("counts as not fulfilled").len(), 1);
}

#[tokio::test(start_paused = true)]
async fn steps_under_a_condition_are_done_when_it_holds() {
    let check_when = async |condition: &str, wanted: &str| {
        let steps = format!(
            "
steps:
  - measure: {{as: one}}
  - when: {condition}
    do: [{{set: {{dut.tx.gain: 11}}}}]
    otherwise: [{{set: {{dut.tx.gain: 12}}}}]
"
        );
        let ran = Scene::new(&[], &steps).run().await;
        assert_eq!(ran.settings().last().unwrap(), wanted, "{condition}");
        assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
    };
    check_when("evm < -5 dB and dut.rx.lock", "dut.tx.gain 11").await;
    check_when("evm > -5 dB", "dut.tx.gain 12").await;
    check_when("supply.current > 2 A", "dut.tx.gain 12").await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_counts_and_without_one_the_default() {
    let steps = "
steps:
  - ask: {question: Is the absorber in place?, within: 60 s, default: no, as: absorber}
  - when: answer.absorber == 'yes'
    do: [{set: {dut.tx.gain: 11}}]
    otherwise: [{set: {dut.tx.gain: 12}}]
";
    let check_answer = async |answers: &[(u64, &'static str)], story: &str, gain: u64| {
        let ran = Scene::new(&[], steps).with_answers(answers).run().await;
        check(&ran, Outcome::Completed, &[story, "safe state"]);
        assert_eq!(ran.settings().last().unwrap(), &format!("dut.tx.gain {gain}"));
    };
    check_answer(&[(5, "yes")], "answered yes", 11).await;
    check_answer(&[(5, "no")], "answered no", 12).await;
    check_answer(&[], "by default no", 12).await;
    check_answer(&[(90, "yes")], "by default no", 12).await;
    // One that was not asked for is put again.
    check_answer(&[(5, "perhaps"), (5, "yes")], "answered yes", 11).await;
}

#[tokio::test(start_paused = true)]
async fn a_notification_without_a_way_is_in_the_record() {
    let ran = Scene::new(&[], "steps: [{notify: half time}]\n").run().await;
    check(&ran, Outcome::Completed, &["notified", "safe state"]);
}

/// As many captures as the rule wants, and the spread of their figures.
#[tokio::test(start_paused = true)]
async fn a_measurement_ends_by_rate_width_or_time() {
    let check_until = async |until: &str, captures: std::ops::RangeInclusive<usize>| {
        let steps = format!("steps:\n  - measure: {{keep: figures, until: {{{until}}}}}\n");
        let ran = Scene::new(&[], &steps).run().await;
        assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
        let found = ran.summary.measurements[0].captures.len();
        println!("{until}: {found} captures, {:?} bits", ran.figures("bits"));
        assert!(captures.contains(&found), "{until}: {found}");
        ran
    };
    check_until("captures: 3", 3..=3).await;
    let ran = check_until("ber below: 0.001", 2..=8).await;
    // 4.51 over the target without an error, in whole captures of 3584 bits.
    assert_eq!(ran.figures("bits"), [7168.0]);
    check_until("time: 1 ms, captures: 1000", 1..=3).await;
    let spread = ran.entries.iter().find_map(|entry| match &entry.event {
        crate::record::Event::Measurement(done) => Some(done.spread.clone()),
        _ => None,
    });
    let spread = spread.unwrap();
    let evm = crate::record::figure(&spread, "evm_db").unwrap();
    println!("spread of EVM {evm:.3} dB");
    assert!(evm > 0.0 && evm < 1.0, "{evm}");
}

/// What a step of a point, or a search between two, leaves elsewhere is set again for the next point.
#[tokio::test(start_paused = true)]
async fn every_point_begins_with_all_axes_as_planned() {
    let steps = "
steps:
  - sweep: {dut.tx.gain: [12, 24], source.amplitude: [0.2 V, 0.3 V]}
    do:
      - measure: {as: planned}
      - when: turntable.angle < 1 deg
        do:
          - set: {dut.tx.gain: 28}
          - measure: {as: beside}
";
    let ran = Scene::new(&[], steps).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
    // What the chip was really set to at each trigger.
    let gains: Vec<_> = ran.acquired.iter().map(|one| one.truth.tx.gain).collect();
    assert_eq!(gains, [12, 28, 12, 28, 24, 28, 24, 28]);
    let told = ran.messages("measured beside the plan: dut.tx.gain was set to 28 since");
    assert_eq!(told.len(), 4, "{told:?}");
}

#[tokio::test(start_paused = true)]
async fn an_axis_that_a_search_moved_is_set_again() {
    let steps = "
steps:
  - sweep: {beam.rx: [30 deg, 37.5 deg], dut.tx.gain: [20, 24]}
    do:
      - search beams: {side: rx}
      - measure: {as: found}
";
    let ran = Scene::new(&[], steps).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
    let begun: Vec<_> = ran.summary.searches.iter().map(|one| one.before.rx_deg).collect();
    assert_eq!(begun, [30.0, 30.0, 37.5, 37.5]);
    assert!(ran.summary.searches.iter().all(|one| one.chosen().unwrap().rx_deg == 0.0));
    assert_eq!(ran.messages("measured beside the plan: beam.rx").len(), 4);
}
