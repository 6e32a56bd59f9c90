//! What the back door tells of everything that was ever set: order, who did it, how far it went.

mod common;

use std::time::Duration;

use beamwarden_sim::{
    By, Change, Changed, FaultKind, Model, Post, ServePlan, SettingSeen, SimBench,
};
use common::{Client, Lab};

fn seen(bench: &SimBench, post: Post, setting: &str) -> SettingSeen {
    let all = bench.settings_seen();
    let found = all.into_iter().find(|s| s.instrument == post && s.setting == setting);
    found.unwrap_or_else(|| panic!("{post} has no {setting}"))
}

/// Changes of settings, as `supply.voltage 0 -> 1.2 by Client`.
fn told(changes: &[Change]) -> Vec<String> {
    let line = |change: &Change| match change.what {
        Changed::Setting { setting, element, before, now, by } => {
            let element = element.map_or(String::new(), |element| format!(".{element}"));
            Some(format!("{}.{setting}{element} {before} -> {now} by {by:?}", change.instrument))
        }
        _ => None,
    };
    changes.iter().filter_map(line).collect()
}

#[tokio::test(start_paused = true)]
async fn changes_come_in_order_with_who_made_them() {
    let mut lab = Lab::new(Model::default());
    lab.supply.set("VOLT 1.2;OUTP ON;*WAI").await;
    lab.dut.send("w 1101 8005").await;
    lab.dut.line().await;
    // What stands there already is no change, and neither is what is refused.
    lab.supply.set("VOLT 1.2").await;
    lab.supply.refused("VOLT 9", -222).await;
    lab.bench.put_fault(Post::DutPort, FaultKind::Restart, None).expect("it can");
    assert_eq!(
        told(&lab.bench.changes()),
        [
            "supply.voltage 0 -> 1.2 by Client",
            "supply.output 0 -> 1 by Client",
            "dut.rx.elements.1 32768 -> 32773 by Client",
            "dut.rx.elements.1 32773 -> 32768 by Itself",
        ]
    );
    let numbers: Vec<u64> = lab.bench.changes().iter().map(|change| change.number).collect();
    assert_eq!(numbers, (1..=numbers.len() as u64).collect::<Vec<_>>());
    assert_eq!(lab.bench.changes_after(numbers.len() as u64 - 1).len(), 1);
}

#[tokio::test(start_paused = true)]
async fn what_a_setting_ever_was_is_not_forgotten() {
    let mut lab = Lab::new(Model::default());
    assert_eq!(seen(&lab.bench, Post::Supply, "voltage").set, None);
    // For an instant only, within one message.
    lab.supply.set("VOLT 2.5;VOLT 1.1").await;
    let voltage = seen(&lab.bench, Post::Supply, "voltage");
    assert_eq!((voltage.now, voltage.stood, voltage.set), (1.1, (0.0, 2.5), Some((1.1, 2.5))));
    // The limit of the current stands at 1 A when the supply wakes; no client set that.
    let current = seen(&lab.bench, Post::Supply, "current_limit");
    assert_eq!((current.stood, current.set), ((1.0, 1.0), None));
}

#[tokio::test(start_paused = true)]
async fn what_moves_by_itself_is_no_clients_doing() {
    let mut lab = Lab::new(Model::default());
    lab.source.set("VOLT 0.4").await;
    let drift = FaultKind::Drift { setting: "amplitude".to_owned(), per_hour: 36.0 };
    lab.bench.put_fault(Post::Source, drift, Some(10.0)).expect("it can");
    tokio::time::sleep(Duration::from_secs(60)).await;
    let amplitude = seen(&lab.bench, Post::Source, "amplitude");
    assert_eq!(amplitude.set, Some((0.4, 0.4)));
    assert!((amplitude.stood.1 - 0.5).abs() < 1e-9, "{amplitude:?}");
    let by_itself =
        |change: &&Change| matches!(change.what, Changed::Setting { by: By::Itself, .. });
    assert_eq!(lab.bench.changes().iter().filter(by_itself).count(), 10);
}

#[tokio::test(start_paused = true)]
async fn a_setting_that_does_not_take_was_never_there() {
    let mut lab = Lab::new(Model::default());
    let fault = FaultKind::NotTaken { setting: None };
    lab.bench.put_fault(Post::Supply, fault, None).expect("it can");
    lab.supply.send("VOLT 1.2").await;
    assert_eq!(lab.supply.number("VOLT?").await, 0.0);
    assert_eq!(seen(&lab.bench, Post::Supply, "voltage").set, None);
    assert_eq!(told(&lab.bench.changes()), Vec::<String>::new());
}

#[tokio::test(start_paused = true)]
async fn a_protection_that_trips_is_the_instruments_doing() {
    let mut lab = Lab::new(Model::default());
    lab.supply.set("VOLT:PROT 1;:VOLT 0.9;OUTP ON;*WAI").await;
    lab.supply.set("VOLT 1.2;*WAI").await;
    let last = told(&lab.bench.changes()).pop();
    assert_eq!(last.as_deref(), Some("supply.output 1 -> 0 by Itself"));
}

#[tokio::test(start_paused = true)]
async fn a_bounded_number_is_kept() {
    let mut lab = Lab::new(Model::default());
    lab.bench.keep_changes(3);
    for volts in 1..=9 {
        lab.supply.set(&format!("VOLT 0.{volts}")).await;
    }
    let last: Vec<String> = told(&lab.bench.changes());
    assert_eq!(last.len(), 3);
    assert_eq!(last[2], "supply.voltage 0.8 -> 0.9 by Client");
}

#[tokio::test]
async fn a_client_that_goes_leaves_the_served_bench_as_it_stands() {
    let bench = SimBench::new(Model::default()).expect("the default model holds");
    let serving = bench.serve(ServePlan::default()).await.expect("free ports and a pty");
    let address = serving.addresses().into_iter().find_map(|(post, address)| match address {
        beamwarden_sim::Address::Tcp(address) if post == Post::Supply => Some(address),
        _ => None,
    });
    let connect = || tokio::net::TcpStream::connect(address.expect("served"));
    let mut first = Client { stream: connect().await.expect("it listens") };
    first.set("VOLT 1.2;OUTP ON;*WAI").await;
    drop(first);
    let links = || -> Vec<Changed> {
        let of_supply = |change: &Change| change.instrument == Post::Supply;
        let changes = bench.changes().into_iter().filter(of_supply).map(|change| change.what);
        changes.filter(|what| matches!(what, Changed::Opened | Changed::Closed)).collect()
    };
    while links().len() < 2 {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert_eq!(links(), [Changed::Opened, Changed::Closed]);
    let mut second = Client { stream: connect().await.expect("it listens") };
    assert_eq!(second.ask("VOLT?;OUTP?").await, "1.20000000000E+00;1");
}
