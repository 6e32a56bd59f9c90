//! Conditions that are watched: how soon they act, and how a pause ends.

use crate::record::{Event, Outcome};
use crate::run::scene::{Ran, Scene};

/// A long wait, a long motion and points, of which each alone may be under way when a condition trips.
fn scene(faults: &[&str], interlock: &str, steps: &str) -> Scene {
    Scene::new(faults, &format!("interlocks:\n  - {interlock}\nsteps:\n{steps}"))
}

/// Runs, and checks that a condition that trips at `at_s` stops the run within `within_s`.
async fn check_stop(ran: Ran, at_s: f64, within_s: f64) {
    let (tripped, safe) = (ran.at("interlock"), ran.at("safe_state"));
    println!("tripped at {tripped:.3} s, safe at {safe:.3} s of a cause at {at_s} s");
    assert!(tripped >= at_s && safe <= at_s + within_s, "{tripped} {safe}");
    assert_eq!(ran.summary.outcome, Outcome::Failed);
    let error = ran.summary.error.as_ref().unwrap();
    assert_eq!(error.class(), beamwarden_drivers::Class::Limit, "{error}");
    ran.check_safe();
}

const LOCK: &str = "{watch: dut.rx.lock, to be: on, as: lock, every: 500 ms, within: 4 s}";

#[tokio::test(start_paused = true)]
async fn a_lost_lock_stops_a_long_wait() {
    let fault = "{instrument: dut, fault: lost lock, chip: rx, at_s: 100}";
    let ran = scene(&[fault], LOCK, "  - wait: 1 h\nfinally: [{set: {source.amplitude: 0.1 V}}]\n");
    let ran = ran.run().await;
    assert!(!ran.settings().contains(&"source.amplitude 0.1 V".to_string()), "no finally");
    check_stop(ran, 100.0, 0.7).await;
}

#[tokio::test(start_paused = true)]
async fn a_lost_lock_stops_a_motion() {
    let fault = "{instrument: dut, fault: lost lock, chip: rx, at_s: 4}";
    let steps = "  - set: {turntable.angle: 90 deg}\n  - set: {turntable.angle: -90 deg}\n";
    let ran = scene(&[fault], LOCK, steps).run().await;
    println!("{:?}", ran.truth.turntable);
    assert!(!ran.truth.turntable.moving);
    assert!((ran.truth.turntable.angle_deg + 90.0).abs() > 5.0, "it stopped on its way");
    check_stop(ran, 4.0, 1.0).await;
}

#[tokio::test(start_paused = true)]
async fn a_lost_lock_stops_points() {
    let fault = "{instrument: dut, fault: lost lock, chip: tx, at_s: 10}";
    let lock = LOCK.replace("dut.rx", "dut.tx");
    let steps = "  - sweep: {source.amplitude: {from: 0.3 V, to: 0.4 V, count: 200}}\n    do: [{wait: 200 ms}, {measure: {keep: figures}}]\n";
    let ran = scene(&[fault], &lock, steps).run().await;
    check_stop(ran, 10.0, 1.0).await;
}

/// What keeps the bench from being looked at is cut off, and a reading that does not come counts.
#[tokio::test(start_paused = true)]
async fn a_reading_that_does_not_come_stops_a_run_in_time() {
    let fault = "{instrument: dut, fault: no answer, at_s: 20, for_s: 100}";
    let ran = scene(&[fault], LOCK, "  - wait: 1 h\n").run().await;
    let found = ran.entries.iter().find_map(|entry| match &entry.event {
        Event::Interlock(tripped) => Some(tripped.clone()),
        _ => None,
    });
    let found = found.unwrap();
    assert!(found.value.is_none() && found.why.is_some(), "{found:?}");
    check_stop(ran, 20.0, 4.5).await;
}

#[tokio::test(start_paused = true)]
async fn an_action_that_keeps_from_looking_is_cut_off_and_tried_again() {
    let slow = "{instrument: supply, fault: late answer, late_s: 4.5, at_s: 2, times: 1}";
    let steps = "  - sweep: {dut.tx.gain: [20, 21]}\n    do: [{wait: 1 s}, {measure: {as: one}}]\n";
    let ran = scene(&[slow], LOCK, steps).run().await;
    println!("{:?}", ran.story());
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
    ran.check_safe();
}

/// A lock bit is not set before the chip has its supply: that trips nothing.
#[tokio::test(start_paused = true)]
async fn what_cannot_hold_before_prepare_is_done_trips_nothing() {
    let slow_prepare = "steps: [{measure: {as: one}}]\n";
    let ran = Scene::new(&[], &format!("interlocks: [{LOCK}]\n{slow_prepare}")).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
}

const PAUSE: &str = "{watch: dut.rx.lock, to be: on, as: lock, every: 500 ms, within: 4 s, \
                     then: pause, settle: 5 s, at most: 60 s}";
const POINTS: &str =
    "  - sweep: {dut.tx.gain: [20, 21, 22]}\n    do: [{wait: 2 s}, {measure: {as: one}}]\n";

#[tokio::test(start_paused = true)]
async fn after_a_pause_the_point_begins_anew_with_all_settings() {
    let fault = "{instrument: dut, fault: lost lock, chip: rx, at_s: 3.5, for_s: 3}";
    let ran = scene(&[fault], PAUSE, POINTS).run().await;
    let story = ran.story();
    println!("{story:?}");
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
    let at = story.iter().position(|told| told == "interlock lock").unwrap();
    assert_eq!(story[at + 1..at + 3], ["paused", "safe state"]);
    let made = &story[at + 3];
    let place = |name: &str| made.split(' ').position(|one| one == name);
    assert!(place("supply.current_limit") < place("supply.output"), "{made}");
    assert!(place("supply.output") < place("dut.rx.enable"), "{made}");
    assert_eq!(story[at + 4..at + 7], ["went on", "abandoned 2", "point 2"]);
    assert_eq!((ran.summary.tally.points, ran.summary.tally.measurements), (3, 3));
    assert_eq!(ran.figures("bit_errors"), [0.0; 3]);
    ran.check_safe();
}

/// It does not come back, however often the settings are made again: after `at most` the run ends.
#[tokio::test(start_paused = true)]
async fn a_pause_that_takes_too_long_ends_the_run() {
    let fault = "{instrument: supply, fault: current limit, to_share: 0.5, at_s: 3.5}";
    let sags =
        PAUSE.replace("dut.rx.lock, to be: on", "supply.voltage_measured, to be: at least 1 V");
    let often = sags.replace("at most: 60 s", "at most: 60 s, comes back: 10");
    let ran = scene(&[fault], &often, POINTS).run().await;
    println!("{:?} {:?}", ran.story(), ran.took);
    assert_eq!(ran.summary.outcome, Outcome::Failed);
    let error = ran.summary.error.as_ref().unwrap().to_string();
    assert!(error.contains("the pause of 60 s was too short"), "{error}");
    assert!((60.0..120.0).contains(&ran.took.as_secs_f64()), "{:?}", ran.took);
    ran.check_safe();
}

/// A step outside all points begins anew, too, and is in the record once.
#[tokio::test(start_paused = true)]
async fn a_step_outside_the_points_begins_anew() {
    let fault = "{instrument: dut, fault: lost lock, chip: rx, at_s: 3, for_s: 2}";
    let steps = "  - repeat: {times: 4}\n    do: [{wait: 1 s}, {measure: {as: one}}]\n";
    let ran = scene(&[fault], PAUSE, steps).run().await;
    let story = ran.story();
    println!("{story:?}");
    assert_eq!(ran.summary.outcome, Outcome::Completed, "{:?}", ran.summary.error);
    assert!(story.contains(&"abandoned step".to_string()), "{story:?}");
    assert_eq!((ran.summary.tally.measurements, ran.summary.measurements.len()), (4, 4));
}

/// A current that is too high is 0 as soon as the supply is off: the chip is switched on into its fault as
/// often as the file allows, and no more.
#[tokio::test(start_paused = true)]
async fn a_condition_that_comes_back_is_ridden_out_so_often_and_no_more() {
    let check_times = async |comes_back: &str, on: usize| {
        // Below what the chips draw.
        let current = format!(
            "{{watch: supply.current, to be: at most 0.05 A, as: draw, every: 1 s, within: 4 s, \
             then: pause, settle: 5 s, at most: 20 min{comes_back}}}"
        );
        let ran = scene(&[], &current, POINTS).run().await;
        let story = ran.story();
        assert_eq!(ran.summary.outcome, Outcome::Failed, "{story:?}");
        let told = ran.summary.error.as_ref().unwrap().to_string();
        assert!(told.contains("it came back"), "{told}");
        let settings = ran.settings();
        let found = settings.iter().filter(|one| *one == "supply.output on").count();
        assert_eq!(found, on, "{told}: {story:?}");
        ran.check_safe();
    };
    // Once in `prepare`, and once for each return.
    check_times("", 4).await;
    check_times(", comes back: 1", 2).await;
    check_times(", comes back: 0", 1).await;
}
