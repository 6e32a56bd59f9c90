//! Tests of profiles: those shipped are sound, and what is wrong with others is said.

mod derived;
mod further;

use super::*;
use crate::fault::Source;
use proptest::prelude::*;

#[test]
fn every_shipped_profile_is_sound() {
    let mut roles = Vec::new();
    for name in shipped_profiles() {
        let profile = load(name, None).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(format!("{}.yaml", profile.name), name);
        assert!(profile.settings.iter().all(|setting| !setting.about.is_empty()), "{name}");
        assert!(profile.port.is_some() || profile.action("stop").is_some(), "{name}");
        roles.push(profile.role);
    }
    assert!(Role::ALL.iter().all(|(role, _)| roles.contains(role)), "a profile for every role");
    for ((role, name), listed) in Role::ALL.iter().zip(Role::NAMES) {
        assert_eq!((Role::parse(name), *name), (Some(*role), *listed));
        assert_eq!(role.to_string(), *name);
    }
}

#[test]
fn the_settings_that_sequences_name_are_there() {
    for (profile, settings, readings) in [
        ("scpi-source.yaml", &["sample_rate", "amplitude", "output"][..], &[][..]),
        (
            "scpi-scope.yaml",
            &["range", "points", "sample_interval", "trigger_offset", "trigger_source"],
            &[],
        ),
        (
            "scpi-supply.yaml",
            &["voltage", "current_limit", "output"],
            &["voltage_measured", "current"],
        ),
        ("scpi-turntable.yaml", &["angle", "speed"], &["position"]),
    ] {
        let loaded = load(profile, None).unwrap();
        assert!(settings.iter().all(|name| loaded.setting(name).is_some()), "{profile}");
        assert!(readings.iter().all(|name| loaded.reading(name).is_some()), "{profile}");
    }
}

/// A sound profile to which tests add lines.
const BASE: &str = "profile: p\nrole: supply\nidentity: {query: \"*IDN?\"}\n";

#[track_caller]
fn check_faults(text: &str, expected: &[&str]) {
    let source = Source::new("p.yaml", format!("{BASE}{text}"));
    let shown: Vec<_> = match parse(&source) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.faults.into_iter().map(|fault| fault.message).collect(),
    };
    assert_eq!(shown, expected);
}

#[test]
fn all_faults_of_a_profile_come_at_once() {
    check_faults("", &[]);
    check_faults(
        "settings:
  voltage: {type: number, unit: Vv, set: \"V {value}\", query: \"V?\"}
  Current: {type: number, unit: A, range: [2 A, 1 A], set: \"C\", query: \"C?;D?\"}
  output: {type: switch, unit: V, set: \"O {valeu}\", query: \"O?\", overlapped: on}
  mode: {type: word, set: \"M {value}\", query: \"M?\", sett: 1}
readings:
  output: {type: number, query: \"X {value}?\"}
actions:
  go:
    takes: {name: word}
    steps:
      - send block: \"A {nmae},\"
        from: samples
        format: int16 low first
      - complete: 1 s
      - wait: -1 s
",
        &[
            "'Vv' is not a known unit",
            "'Current' is no name",
            "a range has two ends, the lower first",
            "the place for the value, {value}, is missing here",
            "a message holds one query",
            "only numbers have a unit",
            "nothing fills '{valeu}' here",
            "this profile has no completion query",
            "the words are missing here",
            "unknown key 'sett' in setting",
            "'output' is a setting as well",
            "nothing fills '{value}' here",
            "nothing fills '{nmae}' here",
            "'samples' is no input with samples",
            "this profile has no completion query",
            "a time from 0 s to 24 h is wanted here",
        ],
    );
    let source = Source::new("p.yaml", "role: supply\n");
    assert_eq!(parse(&source).unwrap_err().faults.len(), 2);
}

/// What YAML allows and we do not hides nothing else.
#[test]
fn a_key_that_stands_twice_hides_nothing() {
    check_faults(
        "timeout: 1 s\ntimeout: &t 2 V\nsettings:\n  a: {type: *t, query: \"A?\"}\n",
        &[
            "key 'timeout' stands twice",
            "anchors are not accepted",
            "'V' is a unit of another kind; wanted a time such as 250 ms",
            "key 'set' is missing in setting",
            "aliases are not accepted",
        ],
    );
    check_faults(
        "settings: [\n",
        &["not YAML: while parsing a node, did not find expected node content"],
    );
}

/// Brackets are for recognition; what is sent has every node.
#[test]
fn brackets_are_dropped_from_what_is_sent() {
    let profile = load("scpi-supply.yaml", None).unwrap();
    let voltage = profile.setting("voltage").unwrap();
    assert_eq!(voltage.set.to_string(), "SOURce:VOLTage:LEVel:IMMediate:AMPLitude {value}");
    assert_eq!(voltage.query.message, "SOURce:VOLTage:LEVel:IMMediate:AMPLitude?");
    assert_eq!(voltage.shortest(), "VOLT <V>");
    assert_eq!(profile.setting("output").unwrap().shortest(), "OUTP ON|OFF");
    let current = &profile.reading("current").unwrap().query;
    assert_eq!(current.message, "MEASure:SCALar:CURRent:DC?");
    let scope = load("scpi-scope.yaml", None).unwrap();
    let shown: Vec<String> = scope.settings.iter().map(Setting::shortest).collect();
    assert_eq!(shown[2], "SWE:POIN <whole number>");
    assert_eq!(shown[4], "TRIG:SOUR IMMediate|EXTernal");
    check_faults(
        "settings:\n  a: {type: switch, set: \"OUTP[STATe] {value}\", query: \"OUTP[:STATe?\"}\n",
        &["brackets stand around whole nodes of a header"; 2],
    );
}

#[test]
fn units_of_messages_are_scaled_to_the_base() {
    let text = "settings:\n  rate: {type: number, unit: GHz, set: \"R {value}\", query: \"R?\"}\n";
    let profile = parse(&Source::new("p", format!("{BASE}{text}"))).unwrap();
    let form = &profile.setting("rate").unwrap().form;
    assert_eq!(form.emit(&Value::Number(7.04e9)), "7.04E+00");
    assert_eq!(form.parse(b"7.04").unwrap(), Value::Number(7.04e9));
    assert_eq!(form.parse(b"9.91E37").unwrap_err().fault, MessageFault::Flag);
}

/// SCPI-99 vol. 1: a device answers the short form in capitals; leniently, either spelling is read.
#[test]
fn words_have_two_spellings_in_answers() {
    let profile = load("scpi-scope.yaml", None).unwrap();
    let form = &profile.setting("trigger_source").unwrap().form;
    let external = Value::Word("external".into());
    assert_eq!(form.emit(&external), "EXTernal");
    assert_eq!(form.parse(b"EXT\r").unwrap(), external);
    assert_eq!(form.parse(b"external").unwrap(), external);
    assert_eq!(form.parse(b"EXTE").unwrap_err().fault, MessageFault::UnknownWord);
}

#[test]
fn a_profile_beside_the_bench_file_comes_before_the_shipped_one() {
    let folder = std::env::temp_dir().join(format!("beamwarden-profile-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("scpi-supply.yaml"), BASE).unwrap();
    let near = load("scpi-supply.yaml", Some(&folder)).unwrap();
    let shipped = load("scpi-scope.yaml", Some(&folder)).unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    assert_eq!((near.name.as_str(), shipped.name.as_str()), ("p", "scpi-scope"));
    let error = load("missing.yaml", None).unwrap_err().to_string();
    assert!(error.contains("shipped are scpi-source.yaml, "), "{error}");
}

#[test]
fn the_schema_is_closed() {
    let schema = json_schema();
    assert_eq!(schema["$defs"]["setting"]["additionalProperties"], false);
}

proptest! {
    #[test]
    fn no_damaged_profile_panics(from in 0..1500usize, length in 0..40usize, with in "[a-z:{}\\[\\]0-9 \n-]{0,10}") {
        let shipped = shipped_profiles().into_iter().map(|name| load(name, None).unwrap().text);
        for mut text in shipped.chain([derived::DEEP.into(), derived::MODELS.into()]) {
            let from = from.min(text.len());
            let to = (from + length).min(text.len());
            text.replace_range(from..to, &with);
            if let Ok(profile) = parse(&Source::new("damaged", text)) {
                let _ = profile.preview();
            }
        }
    }
}
