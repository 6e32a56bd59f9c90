//! Every file that is shipped loads, and what it says works against the simulated instruments.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::PathBuf;

use beamwarden::bench::knob::{KnobKind, KnobValue};
use beamwarden::bench::{Bench, BenchPlan};
use beamwarden_drivers::fault::Source;
use beamwarden_drivers::{profile, registers};
use common::{expect_status, root, run};

fn files(folder: &str, ending: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = fs::read_dir(root().join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.to_string_lossy().ends_with(ending))
        .collect();
    files.sort();
    assert!(!files.is_empty(), "{folder}");
    files
}

fn shipped_bench() -> BenchPlan {
    let path = root().join("sequences/packing-arm.bench.yaml");
    let source = Source::new("bench", fs::read_to_string(path).unwrap());
    BenchPlan::load(&source, None).unwrap()
}

#[test]
fn every_profile_and_register_map_loads() {
    for path in files("drivers/profiles", ".yaml") {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        assert!(profile::shipped_profiles().contains(&name.as_str()), "{name} is not listed");
        profile::load(&name, None).unwrap();
    }
    for path in files("drivers/registers", ".yaml") {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        assert!(registers::shipped_register_maps().contains(&name.as_str()), "{name}");
        registers::load(&name, None).unwrap();
    }
}

/// The sequences on them are checked by `tests/language.rs`.
#[test]
fn every_shipped_bench_loads() {
    for path in files("sequences", ".bench.yaml") {
        let source = Source::new("bench", fs::read_to_string(&path).unwrap());
        if let Err(faults) = BenchPlan::load(&source, path.parent()) {
            panic!("{}: {faults:?}", path.display());
        }
    }
}

/// Every setting of every shipped profile: set to its ends within all limits, read back, agreeing;
/// and no error is left in any queue.
#[tokio::test(start_paused = true)]
async fn every_setting_works_on_the_simulated_bench() {
    let plan = shipped_bench();
    let knobs: Vec<_> = plan.knobs().iter().cloned().collect();
    let mut bench = Bench::open(plan).await.unwrap();
    for (setting, value) in [
        ("supply.voltage", "1.2 V"),
        ("supply.current_limit", "0.8 A"),
        ("supply.output", "on"),
        ("source.sample_rate", "7.04 GHz"),
    ] {
        let knob = knobs.iter().find(|knob| knob.name == setting).unwrap();
        bench.set(setting, &knob.read(value).unwrap()).await.unwrap();
    }
    // The supply's own settings come last: without power the chips have no registers.
    let (supply, rest): (Vec<_>, Vec<_>) =
        knobs.iter().partition(|knob| knob.name.starts_with("supply."));
    let mut tried = 0;
    for knob in rest.into_iter().chain(supply) {
        for value in ends(knob) {
            let settled = bench.set(&knob.name, &value).await;
            let settled = settled.unwrap_or_else(|error| panic!("{} {value}: {error}", knob.name));
            assert!(settled.iter().all(|one| one.matched), "{settled:?}");
            tried += 1;
        }
    }
    assert!(tried > 120, "{tried}");
    for name in ["source", "scope", "turntable", "supply"] {
        let answer = bench.ask(name, "SYST:ERR?").await.unwrap();
        let shown = format!("{answer:?}");
        assert!(shown.contains("No error"), "{name}: {shown}");
    }
}

/// The values at the ends of a knob's range, or all of its words.
fn ends(knob: &beamwarden::bench::knob::Knob) -> Vec<KnobValue> {
    let low = knob.at_least.iter().map(|bound| bound.value).max_by(f64::total_cmp);
    let high = knob.at_most.iter().map(|bound| bound.value).min_by(f64::total_cmp);
    match &knob.kind {
        KnobKind::Number(_) => [low, high]
            .into_iter()
            .flatten()
            .map(|value| knob.read(&knob.show(value)).unwrap())
            .filter(|value| knob.check(value).is_ok())
            .collect(),
        KnobKind::Whole => {
            [low, high].into_iter().flatten().map(|value| KnobValue::Whole(value as i64)).collect()
        }
        KnobKind::Switch => vec![KnobValue::Switch(true), KnobValue::Switch(false)],
        KnobKind::Word(words) => words.iter().cloned().map(KnobValue::Word).collect(),
        KnobKind::Frame(_) => vec![knob.read("bpsk uncoded").unwrap(), knob.read("mcs 1").unwrap()],
    }
}

#[test]
fn schemas_print_and_are_closed() {
    for of in ["sequence", "bench", "profile", "registers", "frame"] {
        let shown = expect_status(&run(&["schema", of]), 0);
        let schema: serde_json::Value = serde_json::from_str(&shown).unwrap();
        assert!(schema["$defs"].as_object().is_some_and(|defs| !defs.is_empty()), "{of}");
    }
}
