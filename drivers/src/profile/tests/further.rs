//! Steps, order, completion, error classes and formats in profiles; what a profile would send.

use super::*;

#[track_caller]
fn setting(line: &str) -> Setting {
    let text = format!("{BASE}settings:\n  a: {{{line}, set: \"A {{value}}\", query: \"A?\"}}\n");
    let profile = parse(&Source::new("p", text)).unwrap_or_else(|faults| panic!("{faults}"));
    profile.settings[0].clone()
}

#[test]
fn steps_are_a_distance_or_a_list() {
    let fit = |setting: &Setting, volts: f64| setting.fit(&Value::Number(volts));
    let tenths = setting("type: number, unit: V, range: [0 V, 3 V], steps: 100 mV");
    assert!(fit(&tenths, 0.3).is_ok() && fit(&tenths, 0.35).is_err());
    let from = setting("type: number, unit: V, steps: {of: 100 mV, from: 50 mV}");
    assert!(fit(&from, 0.35).is_ok() && fit(&from, 0.3).is_err());
    let nearest = setting("type: number, unit: V, steps: 100 mV, between steps: nearest");
    assert_eq!(fit(&nearest, 0.36), Ok(Value::Number(0.4)));
    let list = setting("type: number, unit: V, steps: [10 mV, 100 mV, 1 V]");
    let Kind::Number { at_least, at_most, .. } = list.form.kind else { panic!() };
    assert_eq!((at_least, at_most), (0.01, 1.0));
    let even = setting("type: whole, range: [0, 8 k], steps: 16");
    assert!(even.fit(&Value::Whole(4096)).is_ok() && even.fit(&Value::Whole(4097)).is_err());
}

#[test]
fn what_is_wrong_with_steps_and_order() {
    check_faults(
        "settings:
  a: {type: switch, set: \"A {value}\", query: \"A?\", steps: 1, after: [b, x]}
  b: {type: number, unit: V, set: \"A {value}\", query: \"A?\", steps: 1 A, after: c}
  c: {type: number, unit: V, set: \"A {value}\", query: \"A?\", steps: [2 V, 1 V], after: b}
  d: {type: whole, set: \"A {value}\", query: \"A?\", steps: [], after: d}
  e: {type: whole, range: [5, 7], set: \"A {value}\", query: \"A?\", steps: 4, between steps: round}
  f: {type: whole, set: \"A {value}\", query: \"A?\", steps: 1.5}
  g: {type: whole, set: \"A {value}\", query: \"A?\", between steps: nearest}
  h: {type: number, unit: V, set: \"A {value}\", query: \"A?\", steps: 0 V}
",
        &[
            "only numbers have steps",
            "there is no setting 'x'",
            "'A' is a unit of another kind; wanted a voltage such as 1.2 V",
            "'b' and 'c' come after one another",
            "steps stand in rising order, each once",
            "'c' and 'b' come after one another",
            "a list of steps holds at least one value",
            "'d' and 'd' come after one another",
            "none of the steps lies in the range",
            "'round' is not known here",
            "'1.5' is not a whole number",
            "there are no steps",
            "steps have a distance above 0",
        ],
    );
}

#[test]
fn completion_has_two_ways() {
    let completion = |text: &str| {
        let source = Source::new("p", format!("{BASE}completion: {text}\n"));
        parse(&source).unwrap().completion.unwrap()
    };
    let query = Completion::Query("*OPC?".into());
    assert_eq!(completion("\"*OPC?\""), query);
    assert_eq!(completion("{by: query}"), query);
    let usual = ServiceRequest::default();
    let request = Completion::ServiceRequest(usual.clone());
    assert_eq!(completion("{by: service request}"), request);
    let own = "{by: service request, arm: \"ARM\", status: \"S?\", status bit: 3, events: \"E?\", \
               event bit: 2, every: 10 ms}";
    let expected = ServiceRequest {
        arm: "ARM".into(),
        status: "S?".into(),
        status_bit: 3,
        events: "E?".into(),
        event_bit: 2,
        every: Duration::from_millis(10),
    };
    assert_eq!(completion(own), Completion::ServiceRequest(expected));
    check_faults(
        "completion: {by: query, arm: \"X\", event bit: 99}\n",
        &[
            "this has no meaning by query",
            "99 is too large; at most 15 is wanted",
            "this has no meaning by query",
        ],
    );
    check_faults("completion: \"A?;B?\"\n", &["a message holds one query"]);
    // A step may have its own way, whatever the profile's.
    let text = format!(
        "{BASE}actions:\n  go: {{steps: [{{complete: {{within: 2 s, by: service request}}}}]}}\n"
    );
    let profile = parse(&Source::new("p", text)).unwrap();
    let [ActionStep::Complete(within, way)] = &profile.actions[0].steps[..] else { panic!() };
    assert_eq!((*within, way), (Duration::from_secs(2), &request));
}

#[test]
fn error_classes_are_numbers_or_ranges() {
    let text = "errors: {query: \"E?\", classes: [{codes: -222, mean: retry}, \
                {codes: [1, 99], mean: note}]}\n";
    let profile = parse(&Source::new("p", format!("{BASE}{text}"))).unwrap();
    let rules = profile.errors.unwrap().rules;
    let expected = [
        ErrorRule { lowest: -222, highest: -222, policy: ErrorPolicy::Retry },
        ErrorRule { lowest: 1, highest: 99, policy: ErrorPolicy::Note },
    ];
    assert_eq!(rules, expected);
    check_faults(
        "errors: {query: \"E?\", classes: [{codes: [9, 1], mean: ignore}, {codes: -350, mean: note}]}\n",
        &[
            "a range has two ends, the lower first",
            "'ignore' is not known here",
            "that errors were lost is always a fault",
        ],
    );
}

#[test]
fn what_is_wrong_with_formats() {
    check_faults(
        "actions:
  go:
    takes: {w: iq samples}
    numbers: {bits: eight}
    steps:
      - {send block: \"A \", from: w, format: int8, full scale: 2}
      - {fetch block: \"B?\", format: float32}
",
        &[
            "'eight' is not a number",
            "only floats have a full scale",
            "'float32' is not known here",
        ],
    );
}

/// The lines of one section as they would be shown.
fn shown(preview: &Preview, name: &str) -> Vec<String> {
    let section = preview.sections.iter().find(|section| section.name == name).unwrap();
    let lines = section.messages.iter().map(|m| format!("{}: {}", m.when, m.message));
    std::iter::once(section.takes.clone()).chain(lines).collect()
}

#[test]
fn a_preview_shows_every_message() {
    let preview = load("scpi-turntable.yaml", None).unwrap().preview();
    assert_eq!(
        shown(&preview, "session"),
        [
            "",
            "identity: *IDN?",
            "after a reconnect, bit 7 is a restart: *ESR?",
            "errors, until 0: SYSTem:ERRor:NEXT?",
            "clear: *CLS",
        ]
    );
    assert_eq!(
        shown(&preview, "setting angle"),
        [
            "-180 deg to 180 deg",
            "set to -180 deg: AXIS:POSition -1.8E+02",
            "set to 180 deg: AXIS:POSition 1.8E+02",
            "until it answers 1: *OPC?",
            "until bits 1, 8 are clear, every 50 ms: STATus:OPERation:CONDition?",
            "errors: SYSTem:ERRor:NEXT?",
            "read back, within 0.1 deg: AXIS:POSition?",
            "by hand: AXIS:POS <deg>",
        ]
    );
    let preview = load("scpi-source.yaml", None).unwrap().preview();
    let lines = shown(&preview, "action load waveform");
    assert_eq!(lines[0], "name: a word, waveform: iq samples");
    assert_eq!(
        &lines[5..9],
        [
            "send: TRACe:DEFine NAME,<points>",
            "send block: TRACe:DATA NAME,#<digits><bytes><waveform as int16 low first>",
            "until it answers 1, at most 30 s: *OPC?",
            "send: SOURce:FUNCtion:USER NAME",
        ]
    );
    let port = load("register-port.yaml", None).unwrap().preview();
    assert_eq!(
        shown(&port, "session")[2..],
        ["read register 1: r 0001", "write 1 to register 1: w 0001 0001",]
    );
}

#[test]
fn a_preview_shows_what_differs_between_models() {
    let text = "settings:
  a: {type: whole, range: [1, 9], steps: 4, between steps: nearest, skip when equal: on,
      set: \"A {value}\", query: \"A?\"}
  b: {type: word, words: {slow: SLOW, fast: FAST}, after: a, set: \"B {value}\", query: \"B?\"}
models:
  - {called: wide, model: W, settings: {a: {range: [1, 99]}, b: absent}}
";
    let profile = parse(&Source::new("p", format!("{BASE}{text}"))).unwrap();
    let preview = profile.preview();
    assert_eq!(
        shown(&preview, "setting a")[..3],
        [
            "1 to 9, in steps of 4, others become the nearest, not sent again when equal",
            "set to 4: A 4",
            "set to 8: A 8",
        ]
    );
    assert_eq!(shown(&preview, "setting b")[0], "one of slow, fast, after a");
    let [model] = &preview.models[..] else { panic!() };
    let names: Vec<(&str, usize)> = model
        .differs
        .iter()
        .map(|section| (section.name.as_str(), section.messages.len()))
        .collect();
    assert_eq!((model.called.as_str(), model.known_by.as_str()), ("wide", "model W"));
    assert_eq!(names, [("setting a", 4), ("setting b", 0)]);
}

#[test]
fn every_shipped_profile_has_a_preview() {
    for name in shipped_profiles() {
        let preview = load(name, None).unwrap().preview();
        for section in &preview.sections {
            assert!(!section.messages.is_empty(), "{name} {}", section.name);
            for message in &section.messages {
                assert!(!message.message.contains(['{', '}']), "{name}: {message:?}");
            }
        }
    }
}

#[track_caller]
fn check_mixed_up(from: &str, to: &str, expected: &[&str]) {
    let supply = include_str!("../../../profiles/scpi-supply.yaml");
    assert!(supply.contains(from), "{from}");
    let faults = parse(&Source::new("p", supply.replacen(from, to, 1))).unwrap_err().to_string();
    assert_eq!(faults.lines().collect::<Vec<_>>(), expected);
}

/// What asks nothing would be waited for in vain; what asks where nobody reads spoils the next answer.
#[test]
fn queries_ask_and_commands_do_not() {
    check_mixed_up(
        "query: \"MEASure[:SCALar]:CURRent[:DC]?\"",
        "query: \"MEASure:CURRent\"",
        &[
            "p:55:12: this asks nothing, so no answer would come (a query's header ends in ?, as in \
           \"MEASure:CURRent?\")",
        ],
    );
    check_mixed_up(
        "send: \"OUTPut:STATe 0\"",
        "send: \"OUTPut:STATe 0;*OPC?\"",
        &[
            "p:69:15: this asks, and nobody reads the answer here (ask with 'query' or a step 'ask', \
           or leave out the ?)",
        ],
    );
    // A string may hold a question mark; a port of lines asks with any text.
    for (name, from, to) in [
        ("scpi-supply.yaml", "send: \"OUTPut:STATe 0\"", "send: 'DISP:TEXT \"?\"'"),
        ("register-port.yaml", "timeout: 2 s", "readings: {t: {type: number, unit: V, query: t}}"),
    ] {
        let text = load(name, None).unwrap().text.replacen(from, to, 1);
        parse(&Source::new("p", text)).unwrap();
    }
}

#[test]
fn a_name_nearly_right_is_suggested_and_its_ending_may_be_left_out() {
    assert_eq!(load("scpi-scope", None).unwrap().name, "scpi-scope");
    let error = load("scpi-scop", None).unwrap_err().to_string();
    assert!(error.ends_with("did you mean the shipped scpi-scope.yaml?"), "{error}");
    let error = load("mine", None).unwrap_err().to_string();
    assert!(error.contains("; shipped are scpi-source.yaml, "), "{error}");
}

/// What messages hold and YAML takes for something else.
#[test]
fn a_message_without_quotes_is_explained() {
    for identity in ["{query: *IDN?}", "{query: [SYSTem:]IDN?}"] {
        let text = format!("profile: p\nrole: scope\nidentity: {identity}\n");
        let faults = parse(&Source::new("p", text)).unwrap_err().to_string();
        assert!(faults.contains("put the text in quotes"), "{faults}");
    }
}
