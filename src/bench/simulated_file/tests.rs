//! What a user is told of model files and fault plans.

use beamwarden_drivers::fault::{Faults, Source};

use crate::bench::{read_faults, read_model};

#[track_caller]
fn check_told(told: Option<Faults>, expected: &[&str]) {
    let told = told.map(|faults| faults.to_string()).unwrap_or_default();
    let lines: Vec<&str> = told.lines().collect();
    assert_eq!(lines, expected, "{told}");
}

#[test]
fn a_models_faults_are_told_with_their_places() {
    let of = |text: &str| read_model(&Source::new("m.yaml", text)).err();
    check_told(
        of(
            "path:\n  distance_m: 3 m\n  gas: 5\nrx: {noise_figur_db: 3, dc_offset_v: [1]}\nscope: {bits: 1.5}\n",
        ),
        &[
            "m.yaml:2:15: a number is wanted here, not '3 m' (give a plain number in m, as the end of the \
             key says)",
            "m.yaml:3:8: a mapping from keys to values is wanted here, not '5' (such as {pressure_hpa: …})",
            "m.yaml:4:6: unknown key 'noise_figur_db' (did you mean 'noise_figure_db'?)",
            "m.yaml:4:38: 2 values are wanted here, not 1",
            "m.yaml:5:15: a whole number is wanted here, not '1.5' (write it with digits alone, without \
             unit or point)",
        ],
    );
    check_told(
        of(
            "path:\n  distance_m: -1\n  reflections:\n  - {departure_deg: 1, arrival_deg: 1, extra_m: 1, \
            loss_db: -8}\nscope: {bits: 40}\n",
        ),
        &[
            "m.yaml:2:15: path.distance_m is -1, must be 0.01 to 100000",
            "m.yaml:4:61: path.reflections[0].loss_db is -8, must be 0 to 400",
            "m.yaml:5:15: scope.bits is 40, must be 2 to 16",
        ],
    );
    check_told(
        of("path: {reflections: [{departure_deg: 1, arrival_deg: 1, extra_m: 1}]}"),
        &[
            "m.yaml:1:22: key 'loss_db' is missing here (Loss at the reflector, dB, besides that of the \
             way's length.)",
        ],
    );
    check_told(
        of("tx: {array: {positions_wavelengths: [[0, 1], [0, x]]}}"),
        &[
            "m.yaml:1:50: a number is wanted here, not 'x' (give a plain number in wavelengths, as the end \
           of the key says)",
        ],
    );
}

#[test]
fn a_plans_faults_are_told_with_their_places() {
    let of = |text: &str| read_faults(&Source::new("p.yaml", text)).err();
    let entry = |line: &str| of(&format!("faults:\n  - {line}\n"));
    check_told(
        entry("{instrument: scop, fault: late answr, late_s: 2 s, at: 1}"),
        &[
            "p.yaml:2:18: 'scop' is not known here (did you mean 'scope'? known here: source, scope, dut, \
             turntable, supply)",
            "p.yaml:2:31: 'late answr' is not known here (did you mean 'late answer'? known here: no \
             answer, late answer, closed link, garbage, error entry, setting not taken, drift, restart, \
             stuck, lost lock, current limit, stale trace, dropped segment, stopped playing)",
            "p.yaml:2:51: a number is wanted here, not '2 s' (give a plain number in s, as the end of the \
             key says)",
            "p.yaml:2:56: unknown key 'at' (did you mean 'at_s'?)",
        ],
    );
    check_told(
        entry("{instrument: scope, fault: stuck, at_command: 0}"),
        &[
            "p.yaml:2:5: fault 1 (stuck at the scope): short_deg is missing",
            "p.yaml:2:18: fault 1 (stuck at the scope): instrument does not fit, only these can have it: \
             turntable",
            "p.yaml:2:51: fault 1 (stuck at the scope): at_command is 0, must be 1 to 1e15",
        ],
    );
    check_told(
        entry("{instrument: dut, fault: lost lock, chip: mx, at_s: 1}"),
        &["p.yaml:2:47: 'mx' is not known here (did you mean 'tx'? known here: tx, rx)"],
    );
}

/// What the program writes itself, with nothing where something is left out, passes.
#[test]
fn what_is_written_reads_back() {
    let model = beamwarden_sim::Model::default();
    for text in [model.to_yaml(), model.explained()] {
        let source = Source::new("m.yaml", text.unwrap());
        assert_eq!(read_model(&source).map_err(|faults| faults.to_string()), Ok(model.clone()));
    }
    assert!(read_faults(&Source::new("p.yaml", "{}")).is_ok());
}

/// The examples of the README are a model and a plan, and the model has what its text promises.
#[test]
fn the_examples_of_the_readme_read() {
    let readme = include_str!("../../../README.md");
    let block = |name: &str| {
        let text = readme.split(&format!("```yaml\n# {name}\n")).nth(1).expect(name);
        Source::new(name, text.split("```").next().unwrap())
    };
    let model = read_model(&block("bench.model.yaml")).unwrap_or_else(|faults| panic!("{faults}"));
    assert!(model.path.gas.is_some() && model.tx.phase_noise.is_some());
    assert_eq!(model.path.blockages[0].loss_db.len(), model.path.reflections.len() + 1);
    assert_eq!(model.rx.array.dead_elements, [3]);
    let plan = read_faults(&block("night.faults.yaml")).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(plan.faults.len(), 5);
}
