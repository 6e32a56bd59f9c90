//! Time on tokio's paused clock: moves, settling, acquisition, synchronisation across connections.

mod common;

use std::time::Duration;

use beamwarden_sim::{Model, Post, SimBench};
use common::{Client, Lab, shaped_noise};
use tokio::time::Instant;

#[tokio::test(start_paused = true)]
async fn a_move_takes_angle_over_speed_plus_settling() {
    let mut lab = Lab::new(Model::default());
    let start = Instant::now();
    lab.turntable.set("AXIS:POS 21").await;
    assert_eq!(lab.turntable.ask("STAT:OPER:COND?").await, "258");
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert!((lab.turntable.number("AXIS:POS?").await - 10.0).abs() < 0.01);
    assert_eq!(lab.turntable.ask("*OPC?").await, "1");
    // 21 deg at 20 deg/s, and 0.2 s.
    let took = start.elapsed().as_secs_f64();
    assert!((took - 1.25).abs() < 0.01, "{took}");
    assert_eq!(lab.turntable.number("AXIS:POS?").await, 21.0);
    assert_eq!(lab.turntable.ask("STAT:OPER:COND?;EVEN?").await, "0;258");
}

#[tokio::test(start_paused = true)]
async fn a_new_target_replaces_the_old_and_stop_stops() {
    let mut lab = Lab::new(Model::default());
    lab.turntable.set("AXIS:POS 40").await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    lab.turntable.set("AXIS:POS 0;*WAI").await;
    assert_eq!(lab.turntable.number("AXIS:POS?").await, 0.0);
    lab.turntable.set("AXIS:POS 40").await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    lab.turntable.set("AXIS:STOP;*WAI").await;
    let angle = lab.turntable.number("AXIS:POS?").await;
    assert!((angle - 20.0).abs() < 0.01, "{angle}");
    assert!((lab.turntable.number("AXIS:POS:TARG?").await - angle).abs() < 0.01);
}

#[tokio::test(start_paused = true)]
async fn opc_event_comes_with_the_end_of_the_move() {
    let mut lab = Lab::new(Model::default());
    lab.turntable.set("*CLS;*ESE 1;AXIS:POS 20;*OPC").await;
    let mut polls = 0;
    while lab.turntable.ask("*STB?").await == "0" {
        polls += 1;
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    // 1 s of motion and 0.2 s of settling.
    assert!((11..=13).contains(&polls), "{polls}");
    assert_eq!(lab.turntable.ask("*ESR?").await, "1");
}

#[tokio::test(start_paused = true)]
async fn supply_slews_and_the_chips_wake_on_the_way() {
    let mut lab = Lab::new(Model::default());
    let start = Instant::now();
    lab.supply.set("VOLT 1.2;OUTP ON").await;
    assert_eq!(lab.dut.ask("r 0000").await, "no 5 chip has no power");
    assert_eq!(lab.supply.ask("STAT:OPER:COND?;*OPC?").await, "2;1");
    // 1.2 V at 60 V/s.
    let took = start.elapsed().as_secs_f64();
    assert!((took - 0.020).abs() < 0.002, "{took}");
    assert_eq!(lab.dut.ask("w 0002 0005").await, "ok");
    // Off and on again: registers are lost even if nobody looked in between.
    lab.supply.set("OUTP OFF;*WAI;OUTP ON;*WAI").await;
    assert_eq!(lab.dut.ask("r 0002").await, "= 0002");
}

#[tokio::test(start_paused = true)]
async fn a_dip_above_the_least_voltage_is_survived() {
    let mut lab = Lab::new(Model::default());
    lab.supply.set("VOLT 1.2;OUTP ON;*WAI").await;
    assert_eq!(lab.dut.ask("w 0002 0005").await, "ok");
    lab.supply.set("OUTP OFF").await;
    // 3 ms at 60 V/s are 0.18 V.
    tokio::time::sleep(Duration::from_millis(3)).await;
    lab.supply.set("OUTP ON;*WAI").await;
    assert_eq!(lab.dut.ask("r 0002").await, "= 0005");
}

#[tokio::test(start_paused = true)]
async fn an_acquisition_takes_arming_record_and_readout() {
    let mut lab = Lab::new(Model::default());
    lab.scope.set("SWE:POIN 1000000;TINT 1US").await;
    let start = Instant::now();
    assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
    // 2 ms, 1,000,000 points of 1 us, 20 ns each to read out.
    let took = start.elapsed().as_secs_f64();
    assert!((took - 1.022).abs() < 0.002, "{took}");
}

#[tokio::test(start_paused = true)]
async fn a_waiting_scope_is_triggered_by_the_source_that_starts() {
    let mut lab = Lab::new(Model::default());
    lab.play(&shaped_noise(64)).await;
    lab.source.set("OUTP OFF").await;
    lab.scope.set("TRIG:SOUR EXT;:INIT").await;
    lab.scope.send("*OPC?").await;
    tokio::time::sleep(Duration::from_secs(100)).await;
    assert!(lab.bench.truth_at_last_trigger().is_none());
    lab.source.set("OUTP ON").await;
    assert_eq!(lab.scope.line().await, "1");
    let at = lab.bench.truth_at_last_trigger().expect("acquired").at;
    assert!((at.as_secs_f64() - 100.0).abs() < 0.01, "{at:?}");
}

#[tokio::test(start_paused = true)]
async fn abort_from_another_connection_answers_the_waiting_opc_query() {
    let bench = SimBench::new(Model::default()).expect("the default model holds");
    let mut waiting = Client::pipe(&bench, Post::Scope);
    let mut other = Client::pipe(&bench, Post::Scope);
    waiting.send("TRIG:SOUR EXT;:INIT;*OPC?").await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    other.set("ABOR").await;
    assert_eq!(waiting.line().await, "1");
    // Cleared instead: no 1 comes, and the next query is answered.
    waiting.send("INIT;*OPC?").await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    other.set("*CLS").await;
    assert_eq!(waiting.ask("*TST?").await, "0");
}

#[tokio::test(start_paused = true)]
async fn a_record_shows_the_bench_at_its_trigger() {
    let mut lab = Lab::new(Model::default());
    lab.play(&shaped_noise(64)).await;
    lab.wake().await;
    lab.aim(64).await;
    lab.turntable.set("AXIS:POS 40").await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    // Triggered 2 ms from here at 20.04 deg; asked for only when the table stands at 40 deg.
    lab.scope.set("INIT").await;
    assert_eq!(lab.turntable.ask("*OPC?").await, "1");
    let truth = lab.bench.truth_at_last_trigger().expect("acquired");
    assert!((truth.turntable.angle_deg - 20.04).abs() < 0.01, "{}", truth.turntable.angle_deg);
    assert!(truth.turntable.moving && !lab.bench.truth().turntable.moving);
}
