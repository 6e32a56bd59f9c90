//! Faults of benches that only show when their files come together.

use super::*;

const BENCH: &str = include_str!("../../../sequences/packing-arm.bench.yaml");

/// Loads the bench of the demonstration with one line changed; wants a fault with this text.
#[track_caller]
fn check_fault(from: &str, to: &str, near: Option<&Path>, expected: &str) {
    assert!(BENCH.contains(from), "{from}");
    let source = Source::new("bench.yaml", BENCH.replace(from, to));
    let files = BenchPlan::load(&source, near).unwrap_err();
    let shown: String = files.iter().map(|file| file.render(false)).collect();
    assert!(shown.contains(expected), "{shown}");
}

#[test]
fn no_beam_of_a_codebook_may_pass_a_limit() {
    let limits = "limits:\n  beam.rx: {at most: 30 deg}";
    let expected = "beam.rx: 32.77 deg is above the limit of 30 deg (limits of bench packing-arm)";
    check_fault("limits:", limits, None, expected);
}

#[test]
fn deadlines_cannot_overflow_the_clock() {
    for timeout in ["1e18 s", "1e300 s", "-3 s", "0 s"] {
        let expected = "a timeout is more than 0 s and at most 1 h";
        check_fault("timeout: 60 s", &format!("timeout: {timeout}"), None, expected);
    }
}

#[test]
fn a_faulty_model_is_a_fault_of_the_bench() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("model.yaml"), "{path: {distance_m: -1}}").unwrap();
    let to = "simulated: {seed: 1, model: model.yaml}";
    let expected = "model.yaml: the model cannot be simulated";
    check_fault("simulated: {seed: 1}", to, Some(folder.path()), expected);
}

#[test]
fn files_of_one_name_from_two_folders_are_both_kept() {
    let folder = tempfile::tempdir().unwrap();
    let supply = profile::load("scpi-supply.yaml", None).unwrap().text;
    for (name, text) in [("a", supply.clone()), ("b", format!("{supply}# changed\n"))] {
        std::fs::create_dir(folder.path().join(name)).unwrap();
        std::fs::write(folder.path().join(name).join("supply.yaml"), text).unwrap();
    }
    let two = "
  supply2: {role: supply, profile: b/supply.yaml, at: simulated}
  supply:
    role: supply
    profile: a/supply.yaml";
    let one = "
  supply:
    role: supply
    profile: scpi-supply.yaml";
    let source = Source::new("bench.yaml", BENCH.replace(one, two));
    let plan = BenchPlan::load(&source, Some(folder.path())).unwrap();
    let files: Vec<_> = plan.files().into_iter().map(|(name, text)| (name, text.len())).collect();
    for expected in
        [("profiles/supply.yaml", supply.len() + 10), ("profiles/2-supply.yaml", supply.len())]
    {
        assert!(files.contains(&(expected.0.into(), expected.1)), "{files:?}");
    }
}
