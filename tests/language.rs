//! The language of sequences: its reference, every example, every file, and that no text does harm.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use beamwarden::bench::BenchPlan;
use beamwarden::sequence::{ReadWith, language_reference, read_sequence_with};
use beamwarden_drivers::fault::{Faults, Source};
use common::{expect_status, only_run, root, run, write};
use proptest::prelude::*;

/// Called by an example of the reference.
const WARM_UP: &str = "sequence: warm-up
parameters: {volts: 1.2 V}
prepare: [{set: {supply.voltage: = volts}}]
steps: [{wait: 1 s}]
";

fn plan() -> &'static BenchPlan {
    static PLAN: OnceLock<BenchPlan> = OnceLock::new();
    PLAN.get_or_init(|| {
        let text = fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
        BenchPlan::load(&Source::new("bench", text), None).unwrap()
    })
}

/// Reads a sequence on the shipped bench.
fn read(
    text: &str,
    given: &[(String, String)],
) -> Result<beamwarden::sequence::Sequence, Vec<Faults>> {
    let texts = |name: &str| match name {
        "warm-up.yaml" => Ok(Source::new(name, WARM_UP)),
        "circle.yaml" => Ok(Source::new(name, "sequence: c\nsteps: [{call: circle.yaml}]\n")),
        "faulty.yaml" => Ok(Source::new(
            name,
            "sequence: f\nparameters: {volts: 1 V}\nsteps:\n  - set: {supply.voltage: = volts + 1 A}\nfinally: []\n",
        )),
        other => Err(format!("there is no {other}")),
    };
    let with = ReadWith { knobs: Some(plan().knobs()), given, texts: &texts };
    read_sequence_with(&Source::new("s.yaml", text), &with)
}

#[track_caller]
fn check_faults(text: &str, given: &[(&str, &str)], expected: &[&str]) {
    let given: Vec<_> = given.iter().map(|(n, v)| (n.to_string(), v.to_string())).collect();
    let faults = read(text, &given).unwrap_err();
    let shown: Vec<String> = faults
        .iter()
        .flat_map(|file| file.to_string().lines().map(str::to_string).collect::<Vec<_>>())
        .collect();
    assert_eq!(shown.len(), expected.len(), "{shown:#?}");
    for (shown, expected) in shown.iter().zip(expected) {
        assert!(shown.contains(expected), "{shown:?} lacks {expected:?}");
    }
}

/// A whole file around a part of one.
fn whole(part: &str) -> String {
    let text = if part.starts_with("- ") {
        format!("sequence: example\nsteps:\n{part}\n")
    } else {
        format!("sequence: example\n{part}\nsteps: [{{measure: {{}}}}]\n")
    };
    // An example of `expect` may name a figure of a frame that the shipped bench has.
    text
}

#[test]
fn the_reference_is_the_one_of_this_version() {
    let kept = fs::read_to_string(root().join("sequences/LANGUAGE.md")).unwrap();
    let made = language_reference();
    assert_eq!(
        kept.trim_end(),
        made.trim_end(),
        "write it anew: beamwarden schema sequence --reference > sequences/LANGUAGE.md"
    );
}

#[test]
fn every_example_of_the_reference_can_be_read() {
    let reference = language_reference();
    let examples: Vec<&str> = reference
        .split("```yaml\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap())
        .collect();
    assert!(examples.len() >= 16, "{}", examples.len());
    for example in examples {
        if let Err(faults) = read(&whole(example), &[]) {
            let shown: String = faults.iter().map(|file| file.render(false)).collect();
            panic!("{example}\n{shown}");
        }
    }
    // Every step has one.
    for step in [
        "set", "wait", "sweep", "measure", "expect", "repeat", "when", "ask", "call", "notify",
        "note",
    ] {
        assert!(reference.contains(&format!("\n- {step}:")), "no example of {step}");
    }
}

/// Each sequence that is shipped, on its own bench or the one that is built in.
#[test]
fn every_shipped_sequence_passes_the_check() {
    let mut seen = 0;
    for entry in fs::read_dir(root().join("sequences")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let Some(stem) = name.strip_suffix(".yaml").filter(|stem| !stem.contains('.')) else {
            continue;
        };
        let path = path.display().to_string();
        let bench = format!("sequences/{stem}.bench.yaml");
        let mut arguments = vec!["check", path.as_str()];
        if root().join(&bench).exists() {
            arguments.extend(["--bench", bench.as_str()]);
        }
        let shown = expect_status(&run(&arguments), 0);
        assert!(shown.contains("no fault found"), "{shown}");
        seen += 1;
    }
    assert!(seen >= 3, "{seen}");
}

#[test]
fn parameters_are_checked_where_they_are_given() {
    let text = "sequence: s
parameters:
  volts: {default: 1.2 V, at most: 1.25 V}
  which: {default: mcs 9, one of: [mcs 9, mcs 12]}
  enough: 100 k
steps:
  - set: {supply.voltage: = volts, frame: = which}
  - measure: {until: {bits: = 2 * enough}}
";
    let given = |name: &str, value: &str| vec![(name.to_string(), value.to_string())];
    let sequence = read(text, &given("volts", "1100 mV")).unwrap();
    assert!(sequence.parameters[0].given && !sequence.parameters[1].given);
    let shown = format!("{:?}", sequence.steps);
    assert!(shown.contains("1.1") && shown.contains("bits: Some(200000)"), "{shown}");
    check_faults(text, &[("volts", "1.3 V")], &["--with:1:7: volts: 1.3 V is above 1.25 V"]);
    check_faults(text, &[("volts", "1.3 A")], &["--with:1:7: 'A' is a unit of another kind"]);
    check_faults(text, &[("which", "mcs 7")], &["which: mcs 7 is none of mcs 9, mcs 12"]);
    check_faults(
        text,
        &[("vols", "1 V"), ("enough", "1"), ("enough", "2")],
        &["no parameter 'vols' (did you mean 'volts'?)", "'enough' is given twice"],
    );
    // What a parameter leads to is held against the limits at once.
    let raised = text.replace(", at most: 1.25 V", "").replace("= volts,", "= volts + 0.2 V,");
    check_faults(
        &raised,
        &[],
        &["s.yaml:7:27: supply.voltage: 1.4 V is above the limit of 1.25 V"],
    );
}

#[test]
fn all_faults_of_all_steps_come_at_once() {
    check_faults(
        "sequence: s
parameters: {bits: 3, 9x: 1 V, volts: 1.2 Vv}
steps:
  - set: {supply.voltage: = 1 A, dut.rx.gain: = evn + 1, dut.tx.gain: = turn}
  - when: evm < -16
    do: [{sweep: {dut.rx.gain: [1]}, do: [{note: x}]}]
  - repeat: {}
    do: []
  - sweep: {dut.rx.gain: [1, 2], dut.tx.gain: [1]}
    axes: together
    seed: 3
    skip when: [dut.rx.gian > 1, evm > 1 dB, dut.rx.gain]
    do: [{note: \"{evm\"}]
  - sweep: {supply.voltage: {from: 0 V, to: 1.2 V, count: 3, spacing: logarithmic}, dut.rx.gain: [= turn]}
    do: [{expect: {}}]
  - wait: {for: supply.curent, to be: at most 1 A, at most: 5 s}
  - ask: {question: \"{answer.x}\", within: 1 s, default: maybe, as: x}
  - notify: \"{answer.x}\"
reference: {every: 0 points, within: {evn: 1 dB, evm: -1 dB}}
interlocks: [{watch: dut.rx.lock, to be: locked}]
deadlines: {point: 0 s}
",
        &[],
        &[
            "'bits' has a meaning already in expressions",
            "'9x' cannot name a parameter",
            "'Vv' is not a known unit",
            "supply.voltage: 'A' is a unit of another kind",
            "there is no parameter or figure 'evn' (did you mean 'evm'?)",
            "'turn' means nothing outside a repetition",
            "a ratio in decibels cannot be compared with a bare number",
            "no sweep can stand inside 'when'",
            "this would never end",
            "nothing to do",
            "axes together have equally many values: dut.rx.gain 2, dut.tx.gain 1",
            "a seed goes with a random order",
            "'dut.rx.gian' is neither a sweep axis here nor a parameter (did you mean 'dut.rx.gain'?)",
            "'evm' is neither a sweep axis here nor a parameter",
            "this yields a count; yes or no is wanted",
            "this bracket is not closed",
            "logarithmic spacing needs both ends on one side of zero",
            "only parameters may stand in an expression here",
            "nothing is expected",
            "there is no reading or setting 'supply.curent' on this bench (did you mean 'supply.current'?)",
            "nothing was asked as 'x' before",
            "'maybe' is none of the answers",
            "this is no number of points",
            "there is no figure 'evn'",
            "a difference either way is not negative",
            "on or off is wanted here, not 'locked'",
            "'point' is more than 0 s",
        ],
    );
}

#[test]
fn faults_of_called_files_are_told_in_them() {
    check_faults(
        "sequence: s
steps:
  - call: faulty.yaml
  - call: faulty.yaml
  - call: circle.yaml
  - call: ../up.yaml
  - call: missing.yaml
  - call: warm-up.yaml
    with: {volts: 1 A, vlots: 1 V, = x: = supply.current}
",
        &[],
        &[
            "s.yaml:6:11: '../up.yaml' cannot be called",
            "s.yaml:7:11: failed to read missing.yaml: there is no missing.yaml",
            "s.yaml:9:19: 'A' is a unit of another kind",
            "s.yaml:9:24: the sequence has no parameter 'vlots' (did you mean 'volts'?)",
            "s.yaml:9:41: only parameters may stand in an expression here",
            "faulty.yaml:4:29: '+' does not go with a voltage and a current",
            "faulty.yaml:5:1: a sequence that is called has no 'finally'",
            "circle.yaml:2:16: circle.yaml calls itself",
        ],
    );
}

/// A bench with a fault does not hide those of the sequence that any bench would refuse.
#[test]
fn bench_and_sequence_are_told_of_together() {
    let folder = tempfile::tempdir().unwrap();
    let bench = fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let bench =
        write(folder.path(), "b.bench.yaml", &bench.replace("scpi-scope.yaml", "scpi-scop.yaml"));
    let sequence = write(
        folder.path(),
        "s.yaml",
        "sequence: s\nsteps:\n  - wiat: 1 s\n  - when: 1 V > 1 A\n    do: [{call: c.yaml}]\n",
    );
    write(folder.path(), "c.yaml", "sequence: c\nsteps: [{wait: -1 s}]\n");
    let output = run(&["check", &sequence, "--bench", &bench]);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{told}");
    for part in [
        "scpi-scop.yaml",
        "unknown step 'wiat'",
        "a voltage cannot be compared",
        "'wait' cannot be negative",
        "4 faults",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
}

/// A run with parameters and a call keeps what it needs to be read again.
#[test]
fn a_run_with_parameters_and_calls_can_be_replayed() {
    let folder = tempfile::tempdir().unwrap();
    let steps = "  - call: gains.yaml\n    with: {gain: = gain - 1}\n";
    let text = common::short_sequence(steps).replace(
        "sequence: short\n",
        "sequence: short\nparameters: {gain: {default: 15, at most: 20}}\n",
    );
    let sequence = write(folder.path(), "s.yaml", &text);
    write(
        folder.path(),
        "gains.yaml",
        "sequence: gains\nparameters: {gain: 10}\nsteps:\n  - set: {dut.rx.gain: = gain}\n  - measure: {as: here}\n",
    );
    let runs = folder.path().join("runs").display().to_string();
    expect_status(&run(&["run", &sequence, "--with", "gain=17", "--runs", &runs]), 0);
    let kept = only_run(Path::new(&runs));
    assert!(kept.join("sequences/gains.yaml").exists());
    let journal = fs::read_to_string(kept.join("journal.jsonl")).unwrap();
    assert!(journal.contains("\"gain\"") && journal.contains("\"given\":true"), "{journal}");
    let shown = expect_status(&run(&["check", &sequence, "--runs", &runs, "--with", "gain=17"]), 0);
    for part in [
        "learned from 1 run",
        "gain = 17 (given)",
        "calls         gains.yaml",
        "points        none",
    ] {
        assert!(shown.contains(part), "{part}: {shown}");
    }
    fs::remove_file(folder.path().join("gains.yaml")).unwrap();
    let kept = kept.display().to_string();
    expect_status(&run(&["replay", &kept, "--against", "model", "--runs", &runs]), 0);
}

/// EIRP by hand: 3 dBm and 5 dB of eight elements in phase, 3 + 5 + 20 log10(8) dBm; the density at 2 m is
/// that over the sphere (ITU-R P.525).
#[test]
fn what_a_bench_may_radiate_is_predicted() {
    let folder = tempfile::tempdir().unwrap();
    let bench = fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let told = bench.replacen(
        "    weights: dut.tx\n",
        "    weights: dut.tx\n    element_power: 3 dBm\n    element_gain: 5 dB\n",
        1,
    );
    let bench = write(folder.path(), "b.bench.yaml", &told);
    let sequence = "sequences/angle-map.yaml";
    let shown = expect_status(
        &run(&["check", sequence, "--bench", &bench, "--distance", "2 m", "--json"]),
        0,
    );
    let shown: serde_json::Value = serde_json::from_str(&shown).unwrap();
    let (eirp, density) = (&shown["eirp_dbm_predicted"], &shown["power_density_w_m2_predicted"]);
    let wanted: f64 = 8.0 + 20.0 * 8f64.log10();
    assert!((eirp.as_f64().unwrap() - wanted).abs() < 1e-9, "{eirp}");
    let sphere = 10f64.powf(wanted / 10.0 - 3.0) / (16.0 * std::f64::consts::PI);
    assert!((density.as_f64().unwrap() / sphere - 1.0).abs() < 1e-9, "{density}");
    let shown = expect_status(&run(&["check", sequence, "--bench", &bench]), 0);
    assert!(shown.contains("no exposure assessment") && shown.contains("62.64 GHz"), "{shown}");
    let shown = expect_status(&run(&["check", sequence]), 0);
    let advice = "{element_power: 3 dBm, element_gain: 5 dB}";
    assert!(shown.contains(advice) != shown.contains("EIRP"), "{shown}");
}

/// A million points of two nested sweeps in random order with a rule; how long that takes is measured by
/// `cargo bench --bench unattended`.
#[test]
fn a_million_points_are_counted() {
    let folder = tempfile::tempdir().unwrap();
    let text = "sequence: million
prepare: [{set: {frame: qpsk uncoded}}]
steps:
  - sweep: {supply.voltage: {from: 0.9 V, to: 1.2 V, count: 1000}}
    order: random
    do:
      - sweep: {turntable.angle: {from: -60 deg, to: 60 deg, count: 1000}}
        order: random
        skip when: turntable.angle > 30 deg and supply.voltage > 1.1 V
        do: [{measure: {}}]
";
    let path = write(folder.path(), "million.yaml", text);
    let shown = expect_status(&run(&["check", &path]), 0);
    // 333 voltages lie above 1.1 V, and 250 angles above 30 deg.
    assert!(shown.contains("points        916750"), "{shown}");
}

/// What is shipped, to be changed at random.
fn shipped() -> Vec<String> {
    ["overnight", "angle-map", "rotate-and-recover"]
        .map(|name| fs::read_to_string(root().join(format!("sequences/{name}.yaml"))).unwrap())
        .to_vec()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn no_bytes_do_harm(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let _ = read(&String::from_utf8_lossy(&bytes), &[]);
    }

    #[test]
    fn no_steps_do_harm(
        text in "((- |  )*(set|wait|sweep|measure|repeat|when|ask|call|note|do|until|expect|skip when|parameters|reference|every|= ?volts|warm-up.yaml|circle.yaml|supply.voltage|dut.rx.gain|frame|from|to|count|1 V|[0-9]{1,6}|evm > 1 dB|[a-z]{1,3}|[-{}\\[\\]:,'\"])(: |, |\n)){0,60}"
    ) {
        let _ = read(&text, &[]);
        let _ = read(&format!("sequence: s\nparameters: {{volts: 1 V}}\nsteps:\n{text}"), &[]);
    }

    /// A shipped file of which a piece is cut out or put elsewhere is read, or told to be at fault.
    #[test]
    fn no_change_of_a_shipped_file_does_harm(
        which in 0usize..3, from in 0usize..3000, length in 0usize..60, to in 0usize..3000,
    ) {
        let text = &shipped()[which];
        let characters: Vec<char> = text.chars().collect();
        let from = from % characters.len();
        let end = (from + length).min(characters.len());
        let piece: Vec<char> = characters[from..end].to_vec();
        let mut changed: Vec<char> = characters[..from].iter().chain(&characters[end..]).copied().collect();
        let to = to % (changed.len() + 1);
        changed.splice(to..to, piece);
        let changed: String = changed.into_iter().collect();
        if let Err(faults) = read(&changed, &[]) {
            prop_assert!(!faults.is_empty() && faults.iter().all(|file| !file.faults.is_empty()));
        }
    }
}
