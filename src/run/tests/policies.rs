//! What is done about failures, by policy.

use crate::record::Outcome;
use crate::run::Control;
use crate::run::scene::{Ran, Scene};

/// Three points of one capture each.
const POINTS: &str = "
steps:
  - sweep: {dut.tx.gain: [20, 21, 22]}
    do: [{wait: 1 s}, {measure: {as: one}}]
";

fn with_policy(policy: &str, faults: &[&str]) -> Scene {
    Scene::new(faults, &format!("{POINTS}on failure: {policy}\n"))
}

#[track_caller]
fn check_story(ran: &Ran, wanted: &[&str], outcome: Outcome) {
    let story = ran.story();
    assert_eq!(story, wanted);
    assert_eq!(ran.summary.outcome, outcome, "{:?}", ran.summary.error);
    ran.check_safe();
}

/// Every answer of the supply is lost for so long; the capture of each point reads it.
fn silent_supply(at_s: f64, for_s: f64) -> String {
    format!("{{instrument: supply, fault: no answer, at_s: {at_s}, for_s: {for_s}}}")
}

#[tokio::test(start_paused = true)]
async fn a_retry_succeeds_as_soon_as_the_cause_is_gone() {
    let policy = "{transient: {retries: 5, wait: 2 s, factor: 2}}";
    let ran = with_policy(policy, &[&silent_supply(2.0, 60.0)]).run().await;
    let story = ran.story();
    let retried = story.iter().filter(|told| told.starts_with("failure")).count();
    println!("{story:?}, {:?}", ran.took);
    assert!((2..=5).contains(&retried), "{story:?}");
    for attempt in 1..=retried {
        assert!(story.contains(&format!("failure {attempt} Retried")), "{story:?}");
    }
    assert_eq!(ran.summary.tally.retries, retried as u64);
    assert_eq!(ran.summary.outcome, Outcome::Completed);
    assert_eq!((ran.summary.tally.points, ran.summary.measurements.len()), (3, 3));
    assert!(ran.took.as_secs() >= 62);
    ran.check_safe();
}

#[tokio::test(start_paused = true)]
async fn a_point_is_given_up_after_the_last_try_and_the_next_ones_are_done() {
    let policy = "{transient: {retries: 1, wait: 1 s, then: skip point}}";
    let points = POINTS.replace("[20, 21, 22]", "{from: 11, to: 20, count: 10}");
    let steps = format!("{points}on failure: {policy}\n");
    let ran = Scene::new(&[&silent_supply(2.0, 40.0)], &steps).run().await;
    let story = ran.story();
    println!("{story:?}, {:?}", ran.took);
    let at = story.iter().position(|told| told == "failure 1 Retried").unwrap();
    assert_eq!(story[at + 1..at + 4], ["failure 2 PointSkipped", "skipped 2", "point 3"]);
    let tally = &ran.summary.tally;
    assert!(tally.points_skipped >= 1 && tally.points >= 5, "{story:?}");
    assert_eq!(tally.points + tally.points_skipped, 10);
    assert_eq!(ran.summary.outcome, Outcome::Incomplete);
    ran.check_safe();
}

#[tokio::test(start_paused = true)]
async fn a_run_that_shall_stop_stops() {
    let policy = "{transient: {retries: 0, then: stop}}";
    let ran = with_policy(policy, &[&silent_supply(2.0, 3.0)]).run().await;
    let wanted = ["point 1", "done 1", "point 2", "failure 1 RunEnded", "safe state"];
    check_story(&ran, &wanted, Outcome::Failed);
}

#[tokio::test(start_paused = true)]
async fn points_given_up_in_a_row_or_a_share_of_them_stop_a_run() {
    let cases = [("{in a row: 2}", 2), ("{in a row: 0, share: 50 %, of the last: 3}", 3)];
    for (stop, given_up) in cases {
        let policy = format!("{{transient: {{retries: 0}}, stop after: {stop}}}");
        // The source is heard only when points are set, so that the safe state is reached.
        let fault = "{instrument: dut, fault: no answer, at_s: 0.5, for_s: 30}";
        let ran = with_policy(&policy, &[fault]).run().await;
        let told = ran.summary.error.as_ref().map(ToString::to_string).unwrap_or_default();
        println!("{told}");
        assert!(told.contains("given up"), "{told}: {:?}", ran.story());
        assert_eq!(ran.summary.tally.points_skipped, given_up);
        assert_eq!(ran.summary.outcome, Outcome::Failed);
        ran.check_safe();
    }
}

/// An instrument starts anew in the middle of a point: what it had is made again in order, limits before
/// outputs, and the figures are those of a run without the restart.
async fn check_restart(instrument: &str, in_order: &[&str]) {
    let steps = "
steps:
  - sweep: {dut.tx.gain: [20, 21, 22]}
    do:
      - set: {supply.voltage: 1.21 V, source.amplitude: 0.41 V, scope.range: 0.26 V}
      - wait: 2 s
      - measure: {as: one}
";
    let without = Scene::new(&[], steps).run().await;
    let fault = format!("{{instrument: {instrument}, fault: restart, at_s: 4, times: 1}}");
    let ran = Scene::new(&[&fault], steps).run().await;
    let story = ran.story();
    println!("{instrument}: {story:?}");
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{story:?} {:?}", ran.summary.error);
    assert_eq!((ran.summary.tally.points, ran.summary.measurements.len()), (3, 3));
    let made = story.iter().find_map(|told| told.strip_prefix("made again ")).expect("made again");
    let places: Vec<Option<usize>> =
        in_order.iter().map(|name| made.split(' ').position(|one| one == *name)).collect();
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{made}");
    for (found, wanted) in ran.figures("snr_db").iter().zip(without.figures("snr_db")) {
        // Noise differs from capture to capture: some tenths of a dB over a short frame.
        assert!((found - wanted).abs() < 1.0, "{found} {wanted}");
    }
    assert_eq!(ran.figures("bit_errors"), without.figures("bit_errors"));
    ran.check_safe();
}

#[tokio::test(start_paused = true)]
async fn a_restart_of_the_supply_costs_no_point() {
    let order =
        ["supply.current_limit", "supply.voltage", "supply.output", "dut.tx.enable", "beam.tx"];
    check_restart("supply", &order).await;
}

#[tokio::test(start_paused = true)]
async fn a_restart_of_the_source_costs_no_point() {
    let order = ["source.sample_rate", "frame", "source.output"];
    check_restart("source", &order).await;
    check_restart("source", &["source.amplitude", "source.output"]).await;
}

#[tokio::test(start_paused = true)]
async fn a_restart_of_the_scope_costs_no_point() {
    check_restart("scope", &["scope.trigger_source", "scope.range"]).await;
}

/// An outer turn whose own setting fails loses its points, each of which is accounted for, and no others.
#[tokio::test(start_paused = true)]
async fn a_turn_of_an_outer_sweep_that_fails_loses_its_points_only() {
    let steps = "
steps:
  - sweep: {turntable.angle: [0 deg, 80 deg, 5 deg]}
    do:
      - sweep: {dut.tx.gain: [20, 21]}
        do: [{measure: {as: one}}]
on failure: {transient: {retries: 0}}
deadlines: {action: 3 s}
";
    let ran = Scene::new(&[], steps).run().await;
    let wanted = [
        "point 1",
        "done 1",
        "point 2",
        "done 2",
        "failure 1 PointSkipped",
        "point 3",
        "skipped 3",
        "point 4",
        "skipped 4",
        "point 5",
        "done 5",
        "point 6",
        "done 6",
        "safe state",
    ];
    check_story(&ran, &wanted, Outcome::Incomplete);
    let angles: Vec<f64> =
        ran.acquired.iter().map(|one| one.truth.turntable.encoder_deg.round()).collect();
    assert_eq!(angles, [0.0, 0.0, 5.0, 5.0]);
}

/// A doubtful capture stays in the record and does not count.
#[tokio::test(start_paused = true)]
async fn a_doubtful_capture_is_taken_again() {
    let stale = "{instrument: scope, fault: stale trace, at_capture: 2}";
    let check = async |policy: &str, wanted: &[&str], captures: usize| {
        let ran = with_policy(policy, &[stale]).run().await;
        let story = ran.story();
        assert_eq!(story, wanted);
        let kept = ran.entries.iter().filter(|entry| entry.event.name() == "capture").count();
        assert_eq!(kept, captures);
        ran.check_safe();
        ran
    };
    let again = "{doubt: {retries: 2, wait: 1 s, then: stop}}";
    let wanted = [
        "point 1",
        "done 1",
        "point 2",
        "failure 1 Retried",
        "made again frame beam.tx beam.rx",
        "done 2",
        "point 3",
        "done 3",
        "safe state",
    ];
    let mut story: Vec<&str> = wanted.to_vec();
    story[4] = "made again beam.tx beam.rx frame";
    let ran = check(again, &story, 4).await;
    assert!(ran.summary.measurements.iter().all(|one| one.doubts.is_empty()));
    assert_eq!(ran.summary.measurements[1].captures.len(), 1);
    let skip = "{doubt: {retries: 0, then: skip point}}";
    let wanted = [
        "point 1",
        "done 1",
        "point 2",
        "failure 1 PointSkipped",
        "skipped 2",
        "point 3",
        "done 3",
        "safe state",
    ];
    check(skip, &wanted, 3).await;
    let stop = "{doubt: {retries: 0, then: stop}}";
    let wanted = ["point 1", "done 1", "point 2", "failure 1 RunEnded", "safe state"];
    check(stop, &wanted, 2).await;
}

#[tokio::test(start_paused = true)]
async fn deadlines_of_action_point_and_run_are_kept() {
    let slow = "{instrument: supply, fault: late answer, late_s: 4, at_s: 2, times: 1}";
    let deadline = |deadlines: &str, faults: &[&str]| {
        Scene::new(faults, &format!("{POINTS}deadlines: {deadlines}\n"))
    };
    let ran = deadline("{action: 2 s}", &[slow]).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Completed);
    assert_eq!(ran.messages("an action took longer than its deadline of 2 s").len(), 1);
    let ran = deadline("{point: 1500 ms}", &[slow]).run().await;
    println!("{:?}", ran.story());
    assert_eq!(ran.summary.outcome, Outcome::Incomplete);
    assert_eq!(ran.messages("the point took longer than its deadline of 1.5 s").len(), 1);
    ran.check_safe();
    let ran = deadline("{run: 3 s}", &[]).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Failed);
    let error = ran.summary.error.as_ref().unwrap();
    assert_eq!(error.class(), beamwarden_drivers::Class::Limit);
    assert!(error.to_string().contains("the run took longer than its deadline of 3 s"), "{error}");
    assert!(ran.took.as_secs_f64() < 3.5, "{:?}", ran.took);
    ran.check_safe();
}

/// A motion that a deadline cuts off is halted, and the table can be used afterwards.
#[tokio::test(start_paused = true)]
async fn a_motion_that_takes_too_long_is_halted() {
    let steps = "
steps:
  - sweep: {turntable.angle: [2 deg, 80 deg, 3 deg]}
    do: [{note: there}]
on failure: {transient: {retries: 0}}
deadlines: {action: 3 s}
";
    let ran = Scene::new(&[], steps).run().await;
    let story = ran.story();
    println!("{story:?} {:?} {:?}", ran.took, ran.truth.turntable);
    assert!(story.contains(&"skipped 2".to_string()), "{story:?}");
    ran.check_safe();
    assert!((ran.truth.turntable.target_deg - 80.0).abs() > 1.0, "it does not go on to 80 deg");
}

#[tokio::test(start_paused = true)]
async fn a_chip_that_does_not_answer_names_its_supply() {
    let steps = "
steps:
  - set: {supply.output: off}
  - set: {dut.tx.gain: 20}
";
    let ran = Scene::new(&[], steps).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Failed);
    assert!(!ran.messages("supply.output is off: the chips have no supply").is_empty());
}

#[tokio::test(start_paused = true)]
async fn a_scope_that_gets_no_trigger_says_so() {
    let steps = "
steps:
  - set: {source.output: off}
  - measure: {as: dark}
on failure: {transient: {retries: 0}}
";
    let ran = Scene::new(&[], steps).run().await;
    let told = ran.summary.error.as_ref().unwrap().to_string();
    assert!(told.contains("failed to complete 'acquire'"), "{told}");
    assert_eq!(ran.messages("source.output is off: no trigger comes").len(), 1);
}

/// After a stop behind an instrument that does not answer, `finally` asks it once, for a short time.
#[tokio::test(start_paused = true)]
async fn finally_does_not_wait_again_and_again_for_a_mute_instrument() {
    let steps = format!(
        "{POINTS}finally:\n  - set: {{source.amplitude: 0.1 V}}\n  - set: {{source.output: off}}\n  \
         - set: {{supply.voltage: 1 V}}\n"
    );
    let fault = "{instrument: source, fault: no answer, at_s: 1.5, for_s: 25}";
    let ran = Scene::new(&[fault], &steps).with_wishes(&[(3, Control::stop_now)]).run().await;
    println!("{:?} {:?} {:?}", ran.story(), ran.messages(""), ran.took);
    let left_out = ran.messages("source.output is left out, for source did not answer");
    assert_eq!(left_out.len(), 1, "{:?}", ran.messages(""));
    assert!(ran.settings().contains(&"supply.voltage 1 V".to_string()), "{:?}", ran.settings());
    ran.check_safe();
}

/// The table stops short of where it was sent: it is sent again, and nothing is found or measured at the
/// wrong place.
#[tokio::test(start_paused = true)]
async fn a_setting_that_reads_back_otherwise_is_tried_again() {
    let steps = "
steps:
  - sweep: {turntable.angle: [5 deg, 0 deg]}
    do:
      - search beams: {side: rx}
      - measure: {as: one}
";
    let stuck = "{instrument: turntable, fault: stuck, short_deg: 3, at_s: 0.01, times: 1}";
    let ran = Scene::new(&[stuck], steps).run().await;
    let story = ran.story();
    let wanted = ["point 1", "failure 1 Retried", "done 1", "point 2", "done 2", "safe state"];
    assert_eq!(story, wanted);
    assert_eq!(ran.messages("asked for 5 deg, reads back 2").len(), 2);
    let place = ran.acquired[0].truth.turntable.encoder_deg;
    assert!((place - 5.0).abs() < 0.1, "{place}");
    assert!(ran.summary.measurements.iter().all(|one| one.doubts.is_empty()));
    assert_eq!(ran.summary.outcome, Outcome::Completed);
}

/// Where the setting itself is not tried again, the search is, by the policy for doubts.
#[tokio::test(start_paused = true)]
async fn a_search_where_a_setting_stands_elsewhere_is_doubtful() {
    let steps = |policy: &str| {
        format!(
            "
steps:
  - sweep: {{turntable.angle: [5 deg, 0 deg]}}
    do:
      - search beams: {{side: rx}}
      - measure: {{as: one}}
on failure: {{instrument: {{retries: 0}}, doubt: {policy}}}
"
        )
    };
    let stuck = "{instrument: turntable, fault: stuck, short_deg: 3, at_s: 0.01, times: 1}";
    let told = "turntable.angle stands at 2";
    let ran = Scene::new(&[stuck], &steps("{retries: 1, wait: 1 s}")).run().await;
    let story = ran.story();
    println!("{story:?}");
    assert_eq!(story[..2], ["point 1", "failure 1 Retried"]);
    assert!(story[2].starts_with("made again") && story[2].contains("turntable.angle"));
    assert_eq!(story[3..], ["done 1", "point 2", "done 2", "safe state"]);
    assert!(!ran.messages(told).is_empty());
    assert!(ran.summary.measurements.iter().all(|one| one.doubts.is_empty()));
    let ran = Scene::new(&[stuck], &steps("{retries: 0, then: go on}")).run().await;
    assert!(!ran.messages(told).is_empty(), "{:?}", ran.story());
    assert_eq!(ran.summary.outcome, Outcome::Completed);
    let ran = Scene::new(&[stuck], &steps("{retries: 0, then: skip point}")).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Incomplete, "{:?}", ran.story());
}
