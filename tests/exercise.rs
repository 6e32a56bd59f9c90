//! `bench --exercise`: every setting written and read back, and what does not do what it is told.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use common::{expect_status, program, root, run, write};

/// One line of the outcome by setting.
fn states(shown: &str) -> std::collections::BTreeMap<String, (String, String)> {
    let text = |line: &serde_json::Value, key: &str| line[key].as_str().unwrap().to_owned();
    shown
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .map(|line| (text(&line, "setting"), (text(&line, "state"), text(&line, "told"))))
        .collect()
}

#[test]
fn every_setting_of_the_simulated_bench_does_what_it_is_told() {
    let shown = expect_status(&run(&["bench", "--exercise", "--moving", "--json"]), 0);
    let states = states(&shown);
    assert!(states.len() > 60, "{}", states.len());
    assert!(states.values().all(|(state, _)| state == "well"), "{states:#?}");
    let shown = expect_status(&run(&["bench", "--exercise", "--json"]), 0);
    let left: Vec<String> =
        self::states(&shown).into_iter().filter(|(_, s)| s.0 == "left out").map(|s| s.0).collect();
    assert_eq!(left, ["turntable.angle", "turntable.drive", "turntable.speed"]);
}

/// A profile that promises more than the instrument can: the instrument's own error is told, the other
/// settings are exercised all the same, and the exit status says it.
#[test]
fn a_range_that_the_instrument_does_not_have_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let profile = std::fs::read_to_string(root().join("drivers/profiles/scpi-scope.yaml")).unwrap();
    let wide = profile.replace("range: [5 mV, 2 V]", "range: [5 mV, 200 V]");
    assert_ne!(wide, profile);
    write(folder.path(), "wide-scope.yaml", &wide);
    let bench = std::fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let bench = bench.replace("profile: scpi-scope.yaml", "profile: wide-scope.yaml");
    let bench = write(folder.path(), "bench.yaml", &bench);
    let output = program().args(["bench", "--bench", &bench, "--exercise", "--json"]).output();
    let shown = expect_status(&output.unwrap(), 3);
    let states = states(&shown);
    let (state, told) = &states["scope.range"];
    assert_eq!(state, "failed");
    assert!(told.contains("-222"), "data out of range of SCPI-99: {told}");
    let others = states.iter().filter(|(name, _)| *name != "scope.range");
    assert!(others.clone().count() > 60);
    for (name, (state, told)) in others {
        assert!(state == "well" || state == "left out", "{name}: {told}");
    }
}
