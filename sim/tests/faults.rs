//! Every kind of fault by its name: at a time, at a count, at a rate; what it does at the front door,
//! and what the back door tells of it.

mod common;

use std::time::Duration;

use beamwarden_sim::{FaultPlan, Model, Post, SimBench};
use common::{Client, Lab, shaped_noise};
use tokio::io::AsyncReadExt;
use tokio::time::{Instant, timeout};

fn planned(lines: &str) -> SimBench {
    let text = format!("seed: 7\nfaults:\n{lines}");
    let plan = FaultPlan::from_yaml(&text).unwrap_or_else(|error| panic!("{text}: {error}"));
    SimBench::with_faults(Model::default(), &plan).expect("the plan can be carried out")
}

/// A bench with one planned fault.
fn with(fault: &str) -> Lab {
    Lab::of(planned(&format!("  - {{{fault}}}\n")))
}

/// The faults applied so far, by name.
fn names(bench: &SimBench) -> Vec<&'static str> {
    bench.faults_so_far().iter().map(|done| done.fault).collect()
}

/// Whether the next bytes are the end of the link.
async fn is_closed(client: &mut Client) -> bool {
    matches!(client.stream.read(&mut [0; 64]).await, Ok(0) | Err(_))
}

async fn is_silent(client: &mut Client) -> bool {
    timeout(Duration::from_secs(60), client.stream.read_u8()).await.is_err()
}

#[tokio::test(start_paused = true)]
async fn no_answer_at_a_command_count() {
    let mut lab = with("instrument: supply, fault: no answer, at_command: 3");
    assert_eq!(lab.supply.number("VOLT?").await, 0.0);
    lab.supply.send("VOLT 1").await;
    // The third command and the first answer from there on.
    lab.supply.send("VOLT?").await;
    assert!(is_silent(&mut lab.supply).await);
    assert_eq!(lab.supply.number("VOLT?").await, 1.0);
    let done = lab.bench.faults_so_far();
    assert_eq!((done.len(), done[0].fault, done[0].commands), (1, "no answer", 3));
}

#[tokio::test(start_paused = true)]
async fn no_answer_for_a_time() {
    let mut lab = with("instrument: dut, fault: no answer, at_s: 10, for_s: 5");
    assert_eq!(lab.dut.ask("r 0000").await, "no 5 chip has no power");
    tokio::time::sleep(Duration::from_secs(11)).await;
    lab.dut.send("r 0000").await;
    lab.dut.send("r 0000").await;
    tokio::time::sleep(Duration::from_secs(5)).await;
    assert_eq!(lab.dut.ask("id").await.split(' ').next(), Some("id"));
    assert_eq!(names(&lab.bench), ["no answer", "no answer"]);
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_comes_by_so_much_later() {
    let mut lab = with("instrument: scope, fault: late answer, late_s: 2.5, at_command: 2");
    lab.scope.ask("*IDN?").await;
    let start = Instant::now();
    assert_eq!(lab.scope.ask("*TST?").await, "0");
    assert!((start.elapsed().as_secs_f64() - 2.5).abs() < 0.01);
    let start = Instant::now();
    lab.scope.ask("*TST?").await;
    assert!(start.elapsed() < Duration::from_millis(1));
}

#[tokio::test(start_paused = true)]
async fn a_link_closes_at_a_time_although_nobody_speaks() {
    let mut lab = with("instrument: source, fault: closed link, at_s: 30, every: 30, times: 2");
    let start = Instant::now();
    assert!(is_closed(&mut lab.source).await);
    assert!((start.elapsed().as_secs_f64() - 30.0).abs() < 0.01, "{:?}", start.elapsed());
    let mut again = Client::pipe(&lab.bench, Post::Source);
    assert!(again.ask("*IDN?").await.contains("SIM-SOURCE"));
    assert!(is_closed(&mut again).await);
    assert!((start.elapsed().as_secs_f64() - 60.0).abs() < 0.01);
    // Settings stay, and so do the others' links.
    assert_eq!(lab.supply.ask("*TST?").await, "0");
    let mut last = Client::pipe(&lab.bench, Post::Source);
    tokio::time::sleep(Duration::from_secs(100)).await;
    assert_eq!(last.ask("*TST?").await, "0");
    assert_eq!(names(&lab.bench), ["closed link"; 2]);
}

#[tokio::test(start_paused = true)]
async fn a_link_closes_at_a_command_that_is_lost_then() {
    let mut lab = with("instrument: supply, fault: closed link, at_command: 2");
    lab.supply.send("VOLT 1").await;
    lab.supply.send("VOLT 2").await;
    assert!(is_closed(&mut lab.supply).await);
    let mut again = Client::pipe(&lab.bench, Post::Supply);
    assert_eq!(again.number("VOLT?").await, 1.0);
}

#[tokio::test(start_paused = true)]
async fn a_link_closes_within_a_block() {
    let mut lab = with("instrument: scope, fault: closed link, answer_share: 0.5, at_capture: 1");
    lab.scope.set("SWE:POIN 1000").await;
    lab.scope.send("INIT").await;
    tokio::time::sleep(Duration::from_millis(100)).await;
    lab.scope.send("TRAC? CH1").await;
    let mut all = Vec::new();
    lab.scope.stream.read_to_end(&mut all).await.expect("it ends");
    // #42000 and 2000 bytes and the end of line: 2007.
    assert_eq!((all.len(), &all[..6]), (1003, &b"#42000"[..]));
}

#[tokio::test(start_paused = true)]
async fn garbage_comes_before_an_answer() {
    let mut lab = with("instrument: turntable, fault: garbage, bytes: 40, at_command: 1");
    lab.turntable.send("*TST?").await;
    let mut all = [0; 42];
    lab.turntable.stream.read_exact(&mut all).await.expect("42 bytes");
    assert_eq!(&all[40..], b"0\n");
    assert!(all[..40].iter().any(|byte| *byte >= 128), "{all:?}");
    assert_eq!(lab.turntable.ask("*TST?").await, "0");
}

#[tokio::test(start_paused = true)]
async fn an_entry_in_the_error_queue() {
    let mut lab = with("instrument: scope, fault: error entry, code: -310, text: fan, at_s: 1");
    assert_eq!(lab.scope.ask("*ESR?").await, "128");
    tokio::time::sleep(Duration::from_secs(1)).await;
    // -3xx sets the bit of a device-dependent error (IEEE 488.2 ch. 11.5.1).
    assert_eq!(lab.scope.ask("*ESR?").await, "8");
    assert!(lab.scope.ask("SYST:ERR?").await.starts_with("-310,"));
    assert_eq!(lab.scope.ask("SYST:ERR?").await, "0,\"No error\"");
}

#[tokio::test(start_paused = true)]
async fn a_setting_does_not_take() {
    let mut lab =
        with("instrument: supply, fault: setting not taken, setting: voltage, at_command: 2");
    lab.supply.set("VOLT 0.5").await;
    // Another setting does, and this one is the next opportunity.
    lab.supply.set("CURR 0.7").await;
    lab.supply.set("VOLT 1.2").await;
    assert_eq!(lab.supply.number("VOLT?").await, 0.5);
    assert_eq!(lab.supply.number("CURR?").await, 0.7);
    lab.supply.set("VOLT 1.2").await;
    assert_eq!(lab.supply.number("VOLT?").await, 1.2);
    let told = lab.bench.faults_so_far()[0].told.clone();
    assert_eq!(told, "voltage stays as it was");
}

#[tokio::test(start_paused = true)]
async fn a_register_does_not_take() {
    let mut lab =
        with("instrument: dut, fault: setting not taken, setting: rx.elements, at_command: 1");
    lab.wake().await;
    lab.steer_rx(&[1, 2, 3, 4, 5, 6, 7, 8]).await;
    let phases: Vec<u8> = lab.bench.truth().rx.codes.iter().map(|code| code.phase).collect();
    assert_eq!(phases, [0, 2, 3, 4, 5, 6, 7, 8]);
}

/// Half a volt in an hour is so much in six minutes; whole numbers move by whole steps.
#[tokio::test(start_paused = true)]
async fn settings_drift() {
    let mut lab = Lab::of(planned(
        "  - {instrument: supply, fault: drift, setting: voltage, rate_per_hour: -0.5, at_s: 0}
  - {instrument: turntable, fault: drift, setting: angle, rate_per_hour: 2, at_s: 0, for_s: 180}
  - {instrument: scope, fault: drift, setting: trigger_offset, rate_per_hour: 1e-9, at_s: 0}
  - {instrument: scope, fault: drift, setting: range, rate_per_hour: 0.1, at_s: 0}
  - {instrument: dut, fault: drift, setting: tx.gain, rate_per_hour: 25, at_s: 0}
",
    ));
    lab.wake().await;
    lab.rotate(10.0).await;
    lab.scope.set("VOLT:RANG 0.25").await;
    tokio::time::sleep(Duration::from_secs(360)).await;
    assert!((lab.supply.number("VOLT?").await - 1.15).abs() < 1e-3);
    assert!((lab.bench.truth().supply.terminal_v - 1.15).abs() < 1e-3);
    assert!((lab.turntable.number("AXIS:POS?").await - 10.1).abs() < 2e-3);
    assert!((lab.scope.number("SWE:OFFS:TIME?").await - 1e-10).abs() < 1e-12);
    assert!((lab.scope.number("VOLT:RANG?").await - 0.26).abs() < 1e-4);
    assert_eq!(lab.bench.truth().tx.gain, 22);
    // Set again it stands where it was asked to, and goes on drifting.
    lab.supply.set("VOLT 1.2").await;
    assert!((lab.supply.number("VOLT?").await - 1.2).abs() < 1e-3);
    tokio::time::sleep(Duration::from_secs(360)).await;
    assert!((lab.supply.number("VOLT?").await - 1.15).abs() < 1e-3);
}

#[tokio::test(start_paused = true)]
async fn a_restart_forgets_everything() {
    let mut lab = Lab::of(planned(
        "  - {instrument: source, fault: restart, at_s: 10, for_s: 20}
  - {instrument: dut, fault: restart, at_s: 10}
",
    ));
    lab.play(&shaped_noise(64)).await;
    lab.wake().await;
    lab.source.ask("*ESR?").await;
    assert!(is_closed(&mut lab.source).await);
    let truth = lab.bench.truth();
    assert_eq!((truth.source.amplitude_v, truth.source.playing), (0.1, None));
    assert!(!truth.tx.enabled && truth.powered);
    // Away: whoever connects is hung up on.
    assert!(is_closed(&mut Client::pipe(&lab.bench, Post::Source)).await);
    tokio::time::sleep(Duration::from_secs(20)).await;
    let mut again = Client::pipe(&lab.bench, Post::Source);
    assert_eq!(again.ask("*ESR?").await, "128");
    assert_eq!(again.ask("TRAC:CAT?").await, "\"\"");
    let mut again = Client::pipe(&lab.bench, Post::DutPort);
    assert_eq!(again.ask("r 0002").await, "= 0002");
}

#[tokio::test(start_paused = true)]
async fn a_turntable_stops_short() {
    let mut lab = with("instrument: turntable, fault: stuck, short_deg: 3, at_command: 1");
    lab.rotate(20.0).await;
    assert_eq!(lab.turntable.number("AXIS:POS?").await, 17.0);
    lab.rotate(10.0).await;
    assert_eq!(lab.turntable.number("AXIS:POS?").await, 10.0);
    assert_eq!(names(&lab.bench), ["stuck"]);
}

#[tokio::test(start_paused = true)]
async fn a_chip_loses_lock_and_finds_it_again_or_not() {
    let mut lab = Lab::of(planned(
        "  - {instrument: dut, fault: lost lock, chip: tx, at_s: 10, for_s: 2}
  - {instrument: dut, fault: lost lock, chip: rx, at_s: 20}
",
    ));
    lab.wake().await;
    assert_eq!(lab.dut.ask("r 0010").await, "= 0003");
    tokio::time::sleep(Duration::from_secs(11)).await;
    assert_eq!(
        (lab.dut.ask("r 0010").await, lab.bench.truth().link.linked),
        ("= 0002".into(), false)
    );
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert_eq!(
        (lab.dut.ask("r 0010").await, lab.bench.truth().link.linked),
        ("= 0003".into(), true)
    );
    tokio::time::sleep(Duration::from_secs(100)).await;
    assert_eq!(lab.dut.ask("r 1010").await, "= 0002");
    lab.dut.ask("w 1001 0000").await;
    lab.dut.ask("w 1001 0001").await;
    tokio::time::sleep(Duration::from_millis(2)).await;
    assert_eq!(lab.dut.ask("r 1010").await, "= 0003");
}

#[tokio::test(start_paused = true)]
async fn the_supply_goes_into_current_limit() {
    let mut lab =
        with("instrument: supply, fault: current limit, to_share: 0.9, at_s: 10, for_s: 5");
    lab.wake().await;
    assert_eq!(lab.supply.ask("STAT:QUES:COND?").await, "0");
    tokio::time::sleep(Duration::from_secs(11)).await;
    assert_eq!(lab.supply.ask("STAT:QUES:COND?").await, "1");
    assert!((lab.supply.number("MEAS:VOLT?").await - 1.08).abs() < 2e-3);
    // It gives what the limit of 1.5 A allows.
    assert!((lab.supply.number("MEAS:CURR?").await - 1.5).abs() < 2e-3);
    assert_eq!(lab.supply.number("VOLT?").await, 1.2);
    tokio::time::sleep(Duration::from_secs(5)).await;
    assert_eq!(lab.supply.ask("STAT:QUES:COND?").await, "0");
    assert!((lab.supply.number("MEAS:VOLT?").await - 1.2).abs() < 2e-3);
}

#[tokio::test(start_paused = true)]
async fn a_stale_trace_is_the_record_before() {
    let mut lab = with("instrument: scope, fault: stale trace, at_capture: 2");
    lab.play(&shaped_noise(64)).await;
    lab.wake().await;
    lab.aim(200).await;
    let records = [lab.acquire().await, lab.acquire().await, lab.acquire().await];
    assert_eq!(records[0], records[1]);
    assert_ne!(records[1], records[2]);
    let kept = lab.bench.acquisitions();
    let handed: Vec<(u64, u64)> = kept.iter().map(|one| (one.index, one.hands_out)).collect();
    assert_eq!(handed, [(1, 1), (2, 1), (3, 3)]);
}

#[tokio::test(start_paused = true)]
async fn a_waveform_has_a_hole_or_ends() {
    let mut lab = Lab::of(planned(
        "  - {instrument: source, fault: dropped segment, share: 0.25, at_s: 10, for_s: 10}
  - {instrument: source, fault: stopped playing, at_s: 30}
",
    ));
    let codes = shaped_noise(64);
    lab.play(&codes).await;
    let silent = async |lab: &mut Lab| {
        let bytes = lab.source.block("TRAC? W").await;
        bytes.as_chunks::<4>().0.iter().filter(|point| **point == [0; 4]).count()
    };
    assert_eq!(silent(&mut lab).await, 0);
    tokio::time::sleep(Duration::from_secs(11)).await;
    assert_eq!(silent(&mut lab).await, codes.len() / 4);
    assert!(lab.bench.truth().source.has_hole);
    tokio::time::sleep(Duration::from_secs(10)).await;
    assert_eq!((silent(&mut lab).await, lab.bench.truth().source.has_hole), (0, false));
    tokio::time::sleep(Duration::from_secs(10)).await;
    assert_eq!(lab.bench.truth().source.playing, None);
    assert_eq!(lab.source.ask("FUNC?;:OUTP?").await, "USER;1");
    lab.source.set("FUNC USER").await;
    assert_eq!(lab.bench.truth().source.playing.as_deref(), Some("W"));
}

/// A night of queries: the faults come at the rates of the plan, and the same seed gives the same.
async fn night(seed: u64) -> Vec<beamwarden_sim::FaultDone> {
    let text = format!(
        "seed: {seed}
faults:
  - {{instrument: supply, fault: error entry, code: 7, per_command: 0.02}}
  - {{instrument: scope, fault: error entry, code: 8, per_hour: 20, times: 60}}
  - {{instrument: turntable, fault: late answer, late_s: 0.1, per_hour: 30}}
"
    );
    let plan = FaultPlan::from_yaml(&text).expect("a plan");
    let mut lab = Lab::of(SimBench::with_faults(Model::default(), &plan).expect("it holds"));
    for _ in 0..4000 {
        lab.supply.send("*CLS").await;
        lab.turntable.ask("*TST?").await;
        tokio::time::sleep(Duration::from_secs(7)).await;
    }
    lab.bench.faults_so_far()
}

#[tokio::test(start_paused = true)]
async fn random_rates_hold_and_the_seed_repeats_them() {
    let first = night(3).await;
    let count = |name: &str, post| {
        first.iter().filter(|done| done.fault == name && done.instrument == post).count()
    };
    // 80 of 4000 commands and 233 in 7.8 h; five standard deviations of each count.
    let errors = count("error entry", Post::Supply) as f64;
    assert!((errors - 80.0).abs() < 5.0 * 80f64.sqrt(), "{errors}");
    let late = count("late answer", Post::Turntable) as f64;
    assert!((late - 233.0).abs() < 5.0 * 233f64.sqrt(), "{late}");
    assert_eq!(count("error entry", Post::Scope), 60, "no more often than the plan says");
    assert_eq!(first, night(3).await);
    assert_ne!(first, night(4).await);
}

#[tokio::test(start_paused = true)]
async fn a_fault_by_hand_and_what_makes_no_sense() {
    use beamwarden_sim::{FaultKind, SetUpError};
    let mut lab = Lab::new(Model::default());
    lab.bench.put_fault(Post::Supply, FaultKind::NoAnswer, None).expect("it makes sense");
    lab.supply.send("*TST?").await;
    assert!(is_silent(&mut lab.supply).await);
    assert_eq!(names(&lab.bench), ["no answer"]);
    let error = lab.bench.put_fault(Post::Supply, FaultKind::StaleTrace, None);
    assert!(error.is_err_and(|error| error.to_string().contains("only these can have it: scope")));
    let plan = FaultPlan {
        faults: vec![beamwarden_sim::PlannedFault::new(
            Post::Scope,
            FaultKind::NoAnswer,
            beamwarden_sim::When::PerCommand(2.0),
        )],
        seed: None,
    };
    let refused = SimBench::with_faults(Model::default(), &plan);
    assert!(matches!(refused, Err(SetUpError::Faults(_))));
}

#[tokio::test(start_paused = true)]
async fn the_log_of_acquisitions_is_bounded() {
    let mut lab = Lab::new(Model::default());
    lab.bench.keep_acquisitions(3);
    lab.scope.set("SWE:POIN 16").await;
    for _ in 0..5 {
        assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
    }
    let indices: Vec<u64> = lab.bench.acquisitions().iter().map(|one| one.index).collect();
    assert_eq!(indices, [3, 4, 5]);
    let last = lab.bench.acquisitions().pop().map(|one| one.truth);
    assert_eq!(last, lab.bench.truth_at_last_trigger());
}
