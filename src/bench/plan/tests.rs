//! Faults of benches that only show when their files come together.

use std::time::Duration;

use beamwarden_drivers::instrument::Reconnect;

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
fn how_a_lost_link_is_opened_again_stands_in_the_bench_file() {
    let with = |reconnect: &str| format!("timeout: 60 s\n    reconnect: {reconnect}");
    let text = BENCH.replace("timeout: 60 s", &with("{tries: 7, wait: 2 s, jitter: 25, seed: 9}"));
    let plan = BenchPlan::load(&Source::new("bench.yaml", text), None).unwrap();
    let table = plan.of_role(Role::Turntable).unwrap().driver.reconnect;
    assert_eq!((table.tries, table.first_wait, table.factor), (7, Duration::from_secs(2), 4));
    assert_eq!((table.jitter_percent, table.seed), (25, 9));
    let supply = plan.of_role(Role::Supply).unwrap().driver.reconnect;
    assert_eq!((supply, supply.jitter_percent), (Reconnect::default(), 10));
    check_fault("timeout: 60 s", &with("{jitter: 101}"), None, "jitter");
    let long = with("{wait: 1e300 s}");
    check_fault("timeout: 60 s", &long, None, "a wait is at least 0 s and at most 1 min");
    check_fault("timeout: 60 s", &with("{tries: 0}"), None, "tries");
}

/// Codes without their scale are no volts; known before anything is measured.
#[test]
fn a_scope_has_a_scale() {
    let folder = tempfile::tempdir().unwrap();
    let own = "profile: own\nbased on: scpi-scope\nactions:\n  fetch trace:\n    takes: {channel: \
               [CH1]}\n    steps:\n      - ask: \"SCAL?\"\n        answer: \"{volts_per_cod},{bits}\"\n      \
               - fetch block: \"TRAC? {channel}\"\n        format: int8\n";
    std::fs::write(folder.path().join("own.yaml"), own).unwrap();
    for number in ["volts_per_code", "offset_volts"] {
        let expected = format!("it lacks the number {number} in 'fetch trace'");
        check_fault("scpi-scope.yaml", "own.yaml", Some(folder.path()), &expected);
    }
}

/// A profile says how long an exchange may take, unless the bench file does.
#[test]
fn the_bench_file_and_then_the_profile_say_how_long_an_exchange_may_take() {
    let plan = BenchPlan::load(&Source::new("bench.yaml", BENCH), None).unwrap();
    let timeout = |role| plan.of_role(role).unwrap().driver.timeout;
    assert_eq!(timeout(Role::Turntable), Some(Duration::from_secs(60)));
    let port = plan.of_role(Role::DutControlPort).unwrap();
    assert_eq!((port.driver.timeout, port.driver.profile.timeout), (None, Duration::from_secs(2)));
}

/// A safe state, and limits by what a profile rounds to: known before anything is opened.
#[test]
fn a_safe_state_is_one_of_the_steps() {
    let folder = tempfile::tempdir().unwrap();
    let own = "profile: own\nbased on: scpi-supply\nsettings:\n  voltage: {steps: 0.5 V}\n";
    std::fs::write(folder.path().join("own.yaml"), own).unwrap();
    let text = BENCH
        .replace("profile: scpi-supply.yaml", "profile: own.yaml")
        .replace("  - {supply.output: off}", "  - {supply.voltage: 0.2 V}");
    let faults = BenchPlan::load(&Source::new("bench.yaml", text), Some(folder.path()));
    let shown = faults.unwrap_err()[0].to_string();
    let expected = "supply.voltage: 200 mV is not one of its steps; near it: 0 V and 500 mV \
                    (profile own)";
    assert!(shown.starts_with("bench.yaml:") && shown.contains(expected), "{shown}");
}

/// What a profile is based on decides as much as the profile itself. Before the model is known, a
/// setting may be whatever it may be with the widest model.
#[test]
fn the_record_keeps_what_a_profile_is_based_on() {
    let folder = tempfile::tempdir().unwrap();
    let own = "profile: own\nbased on: scpi-supply\nmodels:\n  - called: strong\n    model: S-*\n    \
               settings: {voltage: {range: [0 V, 9 V]}}\n";
    std::fs::write(folder.path().join("own.yaml"), own).unwrap();
    let bench = "bench: b\ninstruments:\n  supply: {role: supply, profile: own.yaml, at: \
                 \"tcp://127.0.0.1:1\"}\nsafe state:\n  - {supply.output: off}\n";
    let plan = BenchPlan::load(&Source::new("bench.yaml", bench), Some(folder.path())).unwrap();
    let files = plan.files();
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["bench.yaml", "profiles/own.yaml", "profiles/scpi-supply.yaml"]);
    assert_eq!(files[1].1, own.as_bytes());
    assert!(files[2].1.starts_with(b"# A supply with one output."));
    let voltage = plan.knobs().get("supply.voltage").unwrap();
    assert!(voltage.read("9 V").and_then(|value| voltage.check(&value)).is_ok());
    assert!(voltage.read("10 V").and_then(|value| voltage.check(&value)).is_err());
}

#[test]
fn a_faulty_model_is_a_fault_of_the_bench() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("model.yaml"), "{path: {distance_m: -1}}").unwrap();
    let to = "simulated: {seed: 1, model: model.yaml}";
    for expected in ["path.distance_m is -1, must be 0.01 to 100000", "model.yaml:1:21"] {
        check_fault("simulated: {seed: 1}", to, Some(folder.path()), expected);
    }
}

#[test]
fn a_model_of_another_size_than_the_bench_file_is_remarked() {
    let folder = tempfile::tempdir().unwrap();
    let bench = BENCH.replace("simulated: {seed: 1}", "simulated: {seed: 1, model: m.yaml}");
    for (model, expected) in [
        ("{}", Vec::new()),
        (
            "rx: {array: {elements: 4}}",
            vec!["the rx array has 8 elements in the bench file and 4 in"],
        ),
    ] {
        std::fs::write(folder.path().join("m.yaml"), model).unwrap();
        let source = Source::new("bench.yaml", bench.clone());
        let remarks = BenchPlan::load(&source, Some(folder.path())).unwrap().model_remarks();
        assert_eq!(remarks.len(), expected.len(), "{remarks:?}");
        for (remark, part) in remarks.iter().zip(expected) {
            assert!(remark.starts_with(part), "{remark}");
        }
    }
}

/// A fault plan is checked with the bench, and the record keeps it.
#[test]
fn a_fault_plan_is_part_of_the_bench() {
    let folder = tempfile::tempdir().unwrap();
    let to = "simulated: {seed: 1, faults: night.yaml}";
    let plan = |text: &str| std::fs::write(folder.path().join("night.yaml"), text).unwrap();
    plan("faults: [{instrument: scope, fault: late answer, at_s: -1}]");
    for expected in ["night.yaml:1:10", "at_s is -1, must be 0 to 8.64e6", "late_s is missing"] {
        check_fault("simulated: {seed: 1}", to, Some(folder.path()), expected);
    }
    let sound = "faults: [{instrument: scope, fault: stale trace, at_capture: 3}]";
    plan(sound);
    let bench = BENCH.replace("simulated: {seed: 1}", to);
    let loaded = BenchPlan::load(&Source::new("bench.yaml", bench), Some(folder.path())).unwrap();
    assert_eq!(loaded.planned_faults().map(|(count, _)| count), Some(1));
    let kept = loaded.files().into_iter().find(|(name, _)| name == "faults/night.yaml");
    assert_eq!(kept.map(|(_, text)| text), Some(sound.as_bytes().to_vec()));
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

/// A folder with a frame file, its user bits and a response, and the demonstration's bench that
/// names them.
fn own_signal(frame: &str, response: &str) -> (tempfile::TempDir, Source) {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, content: &[u8]| {
        std::fs::write(folder.path().join(name), content).unwrap();
    };
    write("user.bin", &[0xa5; 300]);
    write("own.frame.yaml", frame.as_bytes());
    write("response.csv", response.as_bytes());
    let text = BENCH.replace(
        "signal:\n",
        "frames: [own.frame.yaml]\nsignal:\n  correction: response.csv\n  level: -4 dB\n",
    );
    (folder, Source::new("bench.yaml", text))
}

const OWN_FRAME: &str = "frame: ours\nmodulation: 16-qam\nguards: off\nsymbol_rate: 880 MHz\n\
                         roll_off: 0.1\npayload: {file: user.bin}\n";
const RESPONSE: &str = "offset_hz,gain_db,phase_deg\n0,0,0\n1e9,-3,-30\n2e9,-25,-90\n";

#[test]
fn frames_and_correction_of_the_bench_reach_the_waveform() {
    let (folder, source) = own_signal(OWN_FRAME, RESPONSE);
    let plan = BenchPlan::load(&source, Some(folder.path())).unwrap();
    let knob = plan.knobs().get(FRAME).unwrap();
    let Ok(KnobValue::Frame(ours)) = knob.read("ours") else { panic!("the frame is known") };
    assert_eq!(plan.symbol_rate_and_roll_off(&ours), (0.88e9, 0.1));
    let on_air = plan.on_air(&ours, 7.04e9, None).unwrap();
    assert_eq!(on_air.frame.psdu[..300], [0xa5; 300]);
    assert!(!on_air.frame.layout.guards);
    assert!(on_air.waveform.correction.is_some_and(|done| done.covers_band));
    // 4 bits a symbol at 880 MHz, every symbol carrying data; 8 samples a symbol.
    assert_eq!(on_air.report().data_rate_bps, 3.52e9);
    let samples = on_air.waveform.samples.len();
    assert_eq!(samples, 8 * (3328 + on_air.report().blocks * 448 + 256));
    assert_eq!(on_air.record().roll_off, Some(0.1));
    let names: Vec<String> = plan.files().into_iter().map(|(name, _)| name).collect();
    for kept in ["frames/own.frame.yaml", "frames/user.bin", "corrections/response.csv"] {
        assert!(names.iter().any(|name| name == kept), "{kept}: {names:?}");
    }
    let error = knob.read("theirs").unwrap_err();
    assert_eq!(error.help().as_deref(), Some("the bench file adds ours"));
    // The others keep the bench's own symbol rate.
    let Ok(KnobValue::Frame(named)) = knob.read("mcs 9") else { panic!("a known name") };
    assert_eq!(plan.symbol_rate_and_roll_off(&named), (1.76e9, 0.25));
}

/// A level that the file asks for is reached and costs peaks; without one no peak is clipped.
#[test]
fn levels_and_what_they_cost_are_told() {
    let (folder, source) = own_signal(OWN_FRAME, RESPONSE);
    let mut plan = BenchPlan::load(&source, Some(folder.path())).unwrap();
    let named = |name: &str| super::super::frame_file::NamedFrame::parse(name).unwrap();
    let told = |plan: &BenchPlan, name: &str, rate_hz: f64| {
        let on_air = plan.on_air(&named(name), rate_hz, None).unwrap();
        (on_air.waveform.clipped_fraction, on_air.rms_dbfs, on_air.warnings().join("; "))
    };
    let (clipped, rms_dbfs, warnings) = told(&plan, "64-qam uncoded", 7.04e9);
    assert!(clipped > 1e-4 && (-4.1..-3.9).contains(&rms_dbfs), "{clipped}, {rms_dbfs}");
    assert!(warnings.contains("of the samples are clipped at -4.0 dB"), "{warnings}");
    let (_, _, warnings) = told(&plan, "bpsk uncoded", 2.12e9);
    assert!(warnings.contains("folds back into the band"), "{warnings}");
    plan.signal.level_dbfs = None;
    plan.correction = None;
    let (clipped, rms_dbfs, warnings) = told(&plan, "64-qam uncoded", 7.04e9);
    assert_eq!((clipped, warnings.as_str()), (0.0, ""));
    assert!((rms_dbfs + 6.0).abs() < 1e-3, "{rms_dbfs}");
}

#[test]
fn faults_of_frames_and_responses_are_those_of_their_files() {
    let faults = |frame: &str, response: &str| -> String {
        let (folder, source) = own_signal(frame, response);
        let files = BenchPlan::load(&source, Some(folder.path())).unwrap_err();
        files.iter().map(|file| file.render(false)).collect()
    };
    let shown = faults(&OWN_FRAME.replace("16-qam", "17-qam"), RESPONSE);
    assert!(shown.contains("own.frame.yaml:2") && shown.contains("did you mean '16-qam'"));
    let shown = faults(OWN_FRAME, "offset_hz,gain_db,phase_deg\n0,0,0\n-1,0,0\n");
    assert!(shown.contains("response.csv:3") && shown.contains("above the one before"), "{shown}");
    check_fault("signal:\n", "frames: [absent.yaml]\nsignal:\n", None, "absent.yaml");
    let expected = "a level is between -60 dB and 0 dB of full scale";
    check_fault("signal:\n", "signal:\n  level: 3 dB\n", None, expected);
    let (folder, source) = own_signal(OWN_FRAME, RESPONSE);
    let twice = source.text.replace("[own.frame.yaml]", "[own.frame.yaml, own.frame.yaml]");
    let source = Source::new("bench.yaml", twice);
    let files = BenchPlan::load(&source, Some(folder.path())).unwrap_err();
    assert!(files[0].render(false).contains("a second frame is called 'ours'"));
}
