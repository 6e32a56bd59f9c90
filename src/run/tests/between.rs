//! Between two points: the operator's wishes, and the reference.

use crate::record::{Event, Outcome};
use crate::run::Control;
use crate::run::scene::{Scene, Wish};

const POINTS: &str = "
steps:
  - sweep: {dut.tx.gain: [20, 21, 22, 23]}
    do: [{wait: 2 s}, {measure: {as: one, keep: figures}}]
";

#[tokio::test(start_paused = true)]
async fn a_stop_after_the_point_lets_it_end() {
    let ran = Scene::new(&[], POINTS).with_wishes(&[(3, Control::stop_after_point)]).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Stopped);
    assert_eq!(ran.story(), ["point 1", "done 1", "point 2", "done 2", "safe state"]);
    ran.check_safe();
}

#[tokio::test(start_paused = true)]
async fn a_pause_holds_the_bench_and_goes_on() {
    let wishes: [Wish; 2] = [(3, Control::pause), (1000, Control::go_on)];
    let ran = Scene::new(&[], POINTS).with_wishes(&wishes).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Completed);
    let wanted = [
        "point 1",
        "done 1",
        "point 2",
        "done 2",
        "paused",
        "went on",
        "point 3",
        "done 3",
        "point 4",
        "done 4",
        "safe state",
    ];
    assert_eq!(ran.story(), wanted);
    assert!(ran.took.as_secs() > 1000);
    ran.check_safe();
}

#[tokio::test(start_paused = true)]
async fn a_stop_ends_a_pause() {
    let wishes: [Wish; 2] = [(3, Control::pause), (50, Control::stop_now)];
    let ran = Scene::new(&[], POINTS).with_wishes(&wishes).run().await;
    assert_eq!(ran.summary.outcome, Outcome::Stopped);
    assert_eq!(ran.took.as_secs(), 50);
    ran.check_safe();
}

fn with_reference(beyond: &str, faults: &[&str]) -> Scene {
    let reference = format!(
        "reference:\n  every: 2 points\n  set: {{dut.tx.gain: 25, beam.rx: 3 deg}}\n  measure: {{keep: figures}}\n  \
         within: {{snr: 1.5 dB}}\n  beyond: {beyond}\n"
    );
    Scene::new(faults, &format!("{reference}{POINTS}"))
}

#[tokio::test(start_paused = true)]
async fn the_reference_is_measured_and_the_settings_before_stand_again() {
    let ran = with_reference("stop", &[]).run().await;
    let wanted = [
        "reference 1 after 0 within",
        "point 1",
        "done 1",
        "point 2",
        "done 2",
        "reference 2 after 2 within",
        "point 3",
        "done 3",
        "point 4",
        "done 4",
        "safe state",
    ];
    assert_eq!(ran.story(), wanted, "{:?}", ran.summary.error);
    // Its measurements count nowhere, and its label says what they are.
    assert_eq!((ran.summary.tally.measurements, ran.summary.measurements.len()), (4, 4));
    let labels: Vec<_> = ran
        .entries
        .iter()
        .filter_map(|entry| match &entry.event {
            Event::Measurement(done) => Some((done.label.clone().unwrap(), done.point)),
            _ => None,
        })
        .collect();
    assert_eq!(labels[0], ("reference".to_string(), None));
    assert_eq!(labels[3], ("reference".to_string(), None));
    // What the points were measured with, by the back door: gains of the sweep, the beam of prepare.
    let gains: Vec<u16> = ran.acquired.iter().map(|one| one.truth.tx.gain).collect();
    assert_eq!(gains, [25, 20, 21, 25, 22, 23]);
    let codes = |n: usize| -> Vec<u8> {
        ran.acquired[n].truth.rx.codes.iter().map(|code| code.phase).collect()
    };
    assert_eq!(codes(1), codes(2));
    assert_eq!(codes(1), codes(4));
    assert_ne!(codes(0), codes(1));
    ran.check_safe();
}

/// The transmitter's gain creeps away.
const DRIFT: &str = "{instrument: source, fault: drift, setting: amplitude, rate_per_hour: -150, at_s: 2, for_s: 5}";

#[tokio::test(start_paused = true)]
async fn drift_beyond_its_band_stops_a_run_or_is_told() {
    let ran = with_reference("stop", &[DRIFT]).run().await;
    println!("{:?} {:?}", ran.story(), ran.summary.error);
    assert_eq!(ran.summary.outcome, Outcome::Failed);
    let error = ran.summary.error.as_ref().unwrap();
    assert!(error.to_string().contains("snr_db moved by -"), "{error}");
    assert!(ran.story().contains(&"reference 2 after 2 beyond".to_string()));
    ran.check_safe();
    let ran = with_reference("go on", &[DRIFT]).run().await;
    assert_eq!(ran.summary.tally.points, 4);
}

#[tokio::test(start_paused = true)]
async fn drift_beyond_its_band_pauses_a_run() {
    let ran = with_reference("pause", &[DRIFT]).with_wishes(&[(500, Control::go_on)]).run().await;
    assert_eq!(ran.summary.tally.points, 4, "{:?}", ran.summary.error);
    let story = ran.story();
    let at = story.iter().position(|told| told == "paused").unwrap();
    assert_eq!(story[at - 1], "reference 2 after 2 beyond");
    assert_eq!(story[at + 1], "went on");
}
