//! Ends of runs on the simulated bench: failures, stops and panics, and what is done after them.

use std::time::Duration;

use beamwarden_drivers::fault::Source;
use tokio::time::{Instant, sleep};

use super::*;
use crate::bench::BenchPlan;
use crate::clock::Clock;
use crate::run::{RunInputs, Silent};
use crate::sequence::read_sequence;

const BENCH: &str = include_str!("../../../sequences/packing-arm.bench.yaml");
/// A link that carries a frame, as short as it gets.
const PREPARE: &str = "
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.enable: on, dut.rx.enable: on}
  - set: {source.sample_rate: 7.04 GHz, scope.sample_interval: 125 ps, frame: qpsk uncoded}
";

/// A run that ended, and its journal.
struct Ran {
    summary: RunSummary,
    events: Vec<Event>,
    took: Duration,
}

impl Ran {
    /// The settings made, in order, as `name value`.
    fn settings(&self) -> Vec<String> {
        let settings = self.events.iter().filter_map(|event| match event {
            Event::Setting(done) => Some(&done.setting),
            _ => None,
        });
        let mut settings: Vec<String> =
            settings.map(|one| format!("{} {}", one.name, one.read_back)).collect();
        // Every run ends with the settings of the safe state; the tests look at those before.
        let safe = settings.split_off(settings.len().saturating_sub(2));
        assert_eq!(safe, ["source.output off", "supply.output off"]);
        settings
    }

    #[track_caller]
    fn check_complete(&self) {
        let count = self.events.len();
        assert!(matches!(self.events[count - 2], Event::SafeState(_)), "{:?}", self.events);
        assert!(matches!(self.events[count - 1], Event::RunEnded(_)), "{:?}", self.events);
    }
}

/// Runs a sequence; requests to stop come at the times given.
async fn run(bench: &str, sequence: &str, progress: &mut dyn Progress, stops: &[u64]) -> Ran {
    let plan = BenchPlan::load(&Source::new("bench.yaml", bench), None).unwrap();
    let text = format!("sequence: ends\n{sequence}");
    let sequence = read_sequence(&Source::new("ends.yaml", text), plan.knobs()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let inputs = RunInputs { sequence: &sequence, plan: &plan, seed: None, replay: None };
    let mut recorder = Recorder::begin(folder.path(), inputs, Clock::start()).unwrap();
    let stop = Control::default();
    for seconds in stops.iter().copied() {
        let stop = stop.clone();
        tokio::spawn(async move {
            sleep(Duration::from_secs(seconds)).await;
            stop.stop_now();
        });
    }
    let began = Instant::now();
    let mut bench = Bench::open(plan).await.unwrap();
    let engine = Engine::new(&sequence, &mut bench, &mut recorder, progress, stop);
    let summary = engine.execute().await;
    let journal = recorder.folder().read_journal().unwrap();
    assert!(journal.faults.is_empty(), "{:?}", journal.faults);
    let events = journal.entries.into_iter().map(|entry| entry.event).collect();
    Ran { summary, events, took: began.elapsed() }
}

#[tokio::test(start_paused = true)]
async fn a_failure_in_finally_does_not_keep_the_rest_from_being_done() {
    // Without supply the chip refuses its registers.
    let sequence = "
steps: [{note: nothing}]
finally:
  - set: {supply.output: off, dut.tx.gain: 3, source.amplitude: 0.1 V}
  - set: {dut.rx.gain: 3}
  - set: {source.output: off}
";
    let ran = run(BENCH, sequence, &mut Silent, &[]).await;
    assert_eq!(
        ran.settings(),
        ["supply.output off", "source.amplitude 0.1 V", "source.output off"]
    );
    assert_eq!(ran.summary.outcome, Outcome::Failed);
    let error = ran.summary.error.as_ref().unwrap().to_string();
    assert!(error.contains("tx.gain"), "the first failure is the one reported: {error}");
    ran.check_complete();
}

#[tokio::test(start_paused = true)]
async fn finally_is_done_in_full_after_a_stop() {
    let sequence = format!(
        "{PREPARE}
steps: [{{wait: 1 h}}]
finally:
  - wait: 20 s
  - measure: {{as: last}}
  - set: {{source.amplitude: 0.1 V}}
"
    );
    let ran = run(BENCH, &sequence, &mut Silent, &[30]).await;
    assert_eq!(ran.summary.outcome, Outcome::Stopped);
    assert_eq!(ran.summary.measurements.len(), 1);
    assert_eq!(ran.settings().last().unwrap(), "source.amplitude 0.1 V");
    assert!((50..70).contains(&ran.took.as_secs()), "{:?}", ran.took);
    ran.check_complete();
}

#[tokio::test(start_paused = true)]
async fn a_second_stop_leaves_out_the_rest_of_finally_but_not_the_safe_state() {
    let sequence = "
prepare: [{set: {source.output: off}}]
steps: [{wait: 1 h}]
finally: [{wait: 1 h}, {set: {source.amplitude: 0.1 V}}]
";
    let ran = run(BENCH, sequence, &mut Silent, &[30, 40]).await;
    assert_eq!(ran.summary.outcome, Outcome::Stopped);
    assert!(ran.summary.safe);
    assert_eq!(ran.settings(), ["source.output off"]);
    assert_eq!(ran.took.as_secs(), 40);
    ran.check_complete();
}

/// Fails as a fault of the program would.
struct Panics;

impl Progress for Panics {
    fn take(&mut self, event: ProgressEvent<'_>) {
        assert!(!matches!(event, ProgressEvent::Set { .. }), "a fault of the program");
    }
}

#[tokio::test(start_paused = true)]
async fn a_panic_ends_in_the_safe_state_with_a_complete_record() {
    let sequence = "steps: [{set: {source.output: on}}, {set: {source.amplitude: 0.2 V}}]";
    let ran = run(BENCH, sequence, &mut Panics, &[]).await;
    assert_eq!(ran.settings(), ["source.output on"]);
    assert!(ran.summary.safe);
    let error = ran.summary.error.as_ref().unwrap();
    assert_eq!(error.class(), Class::Internal);
    assert!(error.to_string().contains("a fault of the program"), "{error}");
    ran.check_complete();
}
