//! Grammars checked against texts, and their schemas.

use serde_json::json;

use super::*;
use crate::fault::{Faults, Source};
use crate::marked;

static STEP: Shape = Shape::Tagged(&TaggedShape {
    name: "step",
    about: "One thing to do.",
    variants: &[
        Variant {
            field: Field {
                name: "wait",
                required: true,
                shape: &Shape::Quantity(Dimension::Time),
                about: "Waits.",
            },
            companions: &[],
        },
        Variant {
            field: Field {
                name: "repeat",
                required: true,
                shape: &Shape::Whole { at_least: 1, at_most: 10 },
                about: "Repeats.",
            },
            companions: &[Field {
                name: "do",
                required: true,
                shape: &Shape::List(&STEP),
                about: "What to repeat.",
            }],
        },
    ],
});
static ROOT: Shape = Shape::Map(&MapShape {
    name: "file",
    about: "A file.",
    fields: &[
        Field { name: "name", required: true, shape: &Shape::Text, about: "Its name." },
        Field { name: "steps", required: true, shape: &Shape::List(&STEP), about: "Steps." },
    ],
});

#[track_caller]
fn check_file(text: &str, expected: &[&str]) {
    let source = Source::new("f", text);
    let (node, mut faults) = marked::parse(&source).unwrap();
    check(&node, &ROOT, &mut faults);
    let shown: Vec<_> = faults.iter().map(|fault| fault.message.as_str()).collect();
    assert_eq!(shown, expected);
}

#[test]
fn all_faults_of_a_file_at_once() {
    check_file("name: x\nsteps: [{wait: 2 s}, {repeat: 2, do: [{wait: 1 h}]}]\n", &[]);
    check_file(
        "nmae: x\nsteps: [{wait: 2 V}, {repeat: 20, do: [{wiat: 1 s}]}, {wait: 1 s, repeat: 2}]\n",
        &[
            "unknown key 'nmae' in file",
            "'V' is a unit of another kind; wanted a time such as 250 ms",
            "20 is too large; at most 10 is wanted",
            "unknown step 'wiat'",
            "one step cannot be both 'wait' and 'repeat'",
            "key 'name' is missing in file",
        ],
    );
    check_file(
        "name:\nsteps: 3\n",
        &["a text is wanted here, not nothing", "a list is wanted here, not '3'"],
    );
    check_file(
        "name: [a]\nsteps: [{repeat: 1.5, do: []}]\n",
        &["a text is wanted here, not a list", "'1.5' is not a whole number"],
    );
}

#[track_caller]
fn check_help(text: &str, message: &str, help: &str) {
    let (node, mut faults) = marked::parse(&Source::new("f", text)).unwrap();
    check(&node, &ROOT, &mut faults);
    let [fault] = &faults[..] else { panic!("{faults:?}") };
    assert_eq!((fault.message.as_str(), fault.help.as_deref()), (message, Some(help)));
}

#[test]
fn faults_say_what_to_write() {
    check_help(
        "steps: []\n",
        "key 'name' is missing in file",
        "Its name. Write it as 'name: text'",
    );
    check_help(
        "name: x\n",
        "key 'steps' is missing in file",
        "Steps. Write it as 'steps: [{wait: 250 ms}]'",
    );
    check_help(
        "# nothing\n",
        "the file is empty",
        "a mapping (file) is wanted, which begins with 'name: text'",
    );
    check_help("name: x\nsteps: 9\n", "a list is wanted here, not '9'", "such as [{wait: 250 ms}]");
    check_help(
        "name: x\nsteps: {wait: 1 s}\n",
        "a list is wanted here, not a mapping",
        "begin each item of the list with '- '",
    );
    check_help(
        "name: x\nsteps: [{repeat: eight, do: []}]\n",
        "'eight' is not a whole number",
        "write it with digits, such as 8 or 200 k",
    );
    check_help(
        "name: x\nsteps: [{}]\n",
        "a mapping (step) is wanted here, not a mapping",
        "such as {wait: 250 ms}",
    );
}

#[test]
fn bounds_and_lists_and_words_are_said_plainly() {
    let faults_of = |text: &str, shape: &'static Shape| {
        let source = Source::new("f", text);
        let (node, mut faults) = marked::parse(&source).unwrap();
        check(&node, shape, &mut faults);
        Faults::new(source, faults).to_string()
    };
    static COUNT: Shape = Shape::Whole { at_least: 1, at_most: 1_000_000_000_000 };
    static ROLES: Shape = Shape::Word(&["waveform source", "scope", "supply"]);
    static BITS: Shape = Shape::List(&COUNT);
    assert_eq!(faults_of("0", &COUNT), "f:1:1: 0 is too small; at least 1 is wanted");
    assert_eq!(faults_of("9", &BITS), "f:1:1: a list is wanted here, not '9' (write [9])");
    assert_eq!(
        faults_of("oscilloscope", &ROLES),
        "f:1:1: 'oscilloscope' is not known here (did you mean 'scope'? known here: waveform \
         source, scope, supply)"
    );
    assert_eq!(
        faults_of("meter", &ROLES),
        "f:1:1: 'meter' is not known here (known here: waveform source, scope, supply)"
    );
}

#[test]
fn the_schema_is_closed_and_recursive() {
    let schema = json_schema("file", &ROOT);
    assert_eq!(schema["$ref"], "#/$defs/file");
    assert_eq!(schema["$defs"]["file"]["additionalProperties"], false);
    assert_eq!(
        schema["$defs"]["step"]["oneOf"][1]["properties"]["do"]["items"]["$ref"],
        "#/$defs/step"
    );
    assert_eq!(schema["$defs"]["step"]["oneOf"][1]["required"], json!(["repeat", "do"]));
}

#[test]
fn whole_numbers_have_multiples() {
    assert_eq!(whole("200 k"), Some(200_000));
    assert_eq!(whole("0x7A11"), Some(0x7A11));
    assert_eq!(whole("-3"), Some(-3));
    assert_eq!(whole("1e300"), None);
}
