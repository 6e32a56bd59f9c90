//! The grammar of profiles as data.

use serde_json::{Map as JsonMap, Value as Json, json};

use super::{BinaryFormat, ErrorPolicy, Role};
use crate::quantity::Dimension;
use crate::shape::{self, Field, MapShape, Shape, TaggedShape, Variant};

const TIME: &Shape = &Shape::Quantity(Dimension::Time);
const TEXT: &Shape = &Shape::Text;
const SWITCH: &Shape = &Shape::Switch;
const FORMAT: &Shape = &Shape::Word(BinaryFormat::NAMES);

const fn required(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: true, shape, about }
}

const fn optional(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

/// Kinds of values, shared with register maps.
pub(crate) const KIND: &Shape = &Shape::Word(&["number", "whole", "switch", "word"]);
const KIND_ABOUT: &str = "Kind of value.";
const UNIT_ABOUT: &str = "Unit in which messages carry the number, such as Hz.";
const WORDS_ABOUT: &str = "For words: each word, and its spelling in messages such as IMMediate.";
const ANSWER_ABOUT: &str = "Form of the answer when it is more than the value: text with {value}.";
const SKIP_ABOUT: &str =
    "A value that was set and read back in this session is not sent again; off.";
const TIMEOUT_ABOUT: &str = "Longest time for it, when it differs from the profile's.";

const POLL: &Shape = &Shape::Map(&MapShape {
    name: "poll",
    about: "Asks a status register until some of its bits are clear.",
    fields: &[
        required("query", TEXT, "Query for the register."),
        required(
            "bits clear",
            &Shape::List(&Shape::Whole { at_least: 0, at_most: 15 }),
            "Numbers of the bits that must be 0.",
        ),
        optional("every", TIME, "Time from one query to the next, 50 ms."),
    ],
});

const TOLERANCE: &Shape = &Shape::Map(&MapShape {
    name: "tolerance",
    about: "How far the read-back may differ from what was asked for.",
    fields: &[
        optional("absolute", &Shape::Scalar, "With the setting's unit."),
        optional("relative", &Shape::Quantity(Dimension::Ratio), "Fraction, in % or ppm."),
    ],
});

const SETTING: &Shape = &Shape::Map(&MapShape {
    name: "setting",
    about: "One knob: how it is set and how it is read back.",
    fields: &[
        optional("about", TEXT, "What it does."),
        required("type", KIND, KIND_ABOUT),
        optional("unit", TEXT, UNIT_ABOUT),
        optional("range", &Shape::List(&Shape::Scalar), "[lowest, highest], with units."),
        optional("steps", STEPS, "The values that it takes: a distance, such as 10 mV, or a list."),
        optional(
            "between steps",
            &Shape::Word(&["refuse", "nearest"]),
            "What becomes of a value between two steps; it is refused when this is missing.",
        ),
        optional("words", &Shape::Table { key: "word", value: TEXT }, WORDS_ABOUT),
        required(
            "set",
            TEXT,
            "The command, with {value}; [:LEVel] is a node that may be left out.",
        ),
        required("query", TEXT, "The query that reads it back; brackets as in set."),
        optional("answer", TEXT, ANSWER_ABOUT),
        optional("tolerance", TOLERANCE, "How far the read-back may differ, 1 ppm."),
        optional("overlapped", SWITCH, "The command returns early; the completion query is asked."),
        optional("poll", POLL, "Status that says when it has taken effect."),
        optional("settle", TIME, "Time to wait before it is read back."),
        optional("timeout", TIME, TIMEOUT_ABOUT),
        optional(
            "after",
            &Shape::Either(&[TEXT, &Shape::List(TEXT)]),
            "Settings that decide what this one may be: they are set first, and this one is read \
             again after one of them was set.",
        ),
        optional("skip when equal", SWITCH, SKIP_ABOUT),
    ],
});

const STEPS: &Shape = &Shape::Either(&[
    &Shape::Scalar,
    &Shape::List(&Shape::Scalar),
    &Shape::Map(&MapShape {
        name: "steps",
        about: "Values at equal distances.",
        fields: &[
            required("of", &Shape::Scalar, "The distance, with unit."),
            optional("from", &Shape::Scalar, "One of the values, from which they count; 0."),
        ],
    }),
]);

const READING: &Shape = &Shape::Map(&MapShape {
    name: "reading",
    about: "A quantity that can only be read.",
    fields: &[
        optional("about", TEXT, "What it is."),
        required("type", KIND, KIND_ABOUT),
        optional("unit", TEXT, UNIT_ABOUT),
        optional("words", &Shape::Table { key: "word", value: TEXT }, WORDS_ABOUT),
        required("query", TEXT, "The query; [:DC] is a node that may be left out."),
        optional("answer", TEXT, ANSWER_ABOUT),
        optional("timeout", TIME, TIMEOUT_ABOUT),
    ],
});

const STEP: &Shape = &Shape::Tagged(&TaggedShape {
    name: "step",
    about: "One message of an action. Inputs fill slots such as {name}.",
    variants: &[
        Variant { field: required("send", TEXT, "Sends a command."), companions: &[] },
        Variant {
            field: required("send block", TEXT, "Sends a command that ends in a block of samples."),
            companions: &[
                required("from", TEXT, "The input that holds the samples."),
                required("format", FORMAT, "How they are written."),
                optional(
                    "full scale",
                    &Shape::Number,
                    "In floats, what the largest code becomes; 1.",
                ),
            ],
        },
        Variant {
            field: required("ask", TEXT, "Asks for numbers."),
            companions: &[required("answer", TEXT, "Form of the answer; slots become numbers.")],
        },
        Variant {
            field: required(
                "fetch block",
                TEXT,
                "Asks for a block of codes, or of volts as floats.",
            ),
            companions: &[
                required("format", FORMAT, "How they are written."),
                optional("timeout", TIME, "Longest time until it moves on."),
            ],
        },
        Variant {
            field: required(
                "complete",
                &Shape::Either(&[TIME, COMPLETE]),
                "Waits until nothing is pending, at most so long.",
            ),
            companions: &[],
        },
        Variant {
            field: required("poll", POLL, "Asks a status register until it is clear."),
            companions: &[optional("timeout", TIME, "Longest time for it.")],
        },
        Variant { field: required("wait", TIME, "Waits."), companions: &[] },
    ],
});

const COMPLETE: &Shape = &Shape::Map(&MapShape {
    name: "complete",
    about: "Waits until nothing is pending, in another way than the profile's.",
    fields: &[
        required("within", TIME, "The longest time for it."),
        required("by", COMPLETION_WAYS, "How it is waited for."),
    ],
});

const COMPLETION_WAYS: &Shape = &Shape::Word(&["query", "service request"]);

const COMPLETION: &Shape = &Shape::Map(&MapShape {
    name: "completion",
    about: "How the end of what is pending is learnt.",
    fields: &[
        required("by", COMPLETION_WAYS, "A query that answers late, or a service request."),
        optional("query", TEXT, "The query that answers 1 once nothing is pending, *OPC?."),
        optional("arm", TEXT, "Has the end noted and a service requested, *ESE 1;*SRE 32;*OPC."),
        optional("status", TEXT, "Query for the status byte where the link cannot read it, *STB?."),
        optional("status bit", BIT, "Its bit that says that an event was noted, 5."),
        optional("events", TEXT, "Query for the event register, which reading clears, *ESR?."),
        optional("event bit", BIT, "Its bit that says that the end was noted, 0."),
        optional("every", TIME, "Time from one look at the status byte to the next, 50 ms."),
    ],
});

const BIT: &Shape = &Shape::Whole { at_least: 0, at_most: 15 };

const ACTION: &Shape = &Shape::Map(&MapShape {
    name: "action",
    about: "Something that the instrument can do.",
    fields: &[
        optional("about", TEXT, "What it does."),
        optional(
            "takes",
            &Shape::Table {
                key: "input",
                value: &Shape::Either(&[
                    &Shape::Word(&["word", "iq samples"]),
                    &Shape::List(&Shape::Text),
                ]),
            },
            "What it needs: a word, one of a list of words, or iq samples.",
        ),
        optional(
            "numbers",
            &Shape::Table { key: "number", value: &Shape::Number },
            "Numbers of the outcome that no query gives, such as bits.",
        ),
        required("steps", &Shape::List(STEP), "The messages, in order."),
        optional("if it fails", &Shape::List(STEP), "What is sent when a step failed."),
    ],
});

const PORT: &Shape = &Shape::Map(&MapShape {
    name: "register port",
    about: "How registers are read and written, each a message and an answer.",
    fields: &[
        required("read", TEXT, "Asks for a register, with {address}; {address:4X} is hexadecimal."),
        required("read answer", TEXT, "Form of the answer, with {value}."),
        required("write", TEXT, "Writes a register, with {address} and {value}."),
        required("write answer", TEXT, "Form of the answer."),
        required("refusal", TEXT, "Form of the answer when it refuses, with {code} and {text}."),
    ],
});

const NAME: Field = required("profile", TEXT, "Name of the profile.");
const ABOUT: Field = optional("about", TEXT, "What it is for.");
const ROLE: &Shape = &Shape::Word(Role::NAMES);
const BASED_ON: &str = "Name of the profile that this one differs from, such as scpi-scope.";
const MODELS_ABOUT: &str = "What differs from model to model, told apart by the identity.";
const COMPLETION_WAY: &Shape = &Shape::Either(&[TEXT, COMPLETION]);
const COMPLETION_ABOUT: &str = "Query that answers 1 once nothing is pending, or another way.";

/// The grammar of a profile that stands by itself.
pub(super) const PROFILE: &Shape = &Shape::Map(&MapShape {
    name: "profile",
    about: "How an instrument's settings, readings and actions become messages.",
    fields: &[
        NAME,
        ABOUT,
        optional("based on", TEXT, BASED_ON),
        required("role", ROLE, "What the instrument is for."),
        required("identity", IDENTITY, "How the instrument says who it is."),
        optional("session", SESSION, "How a session begins."),
        optional("errors", ERRORS, "How the error queue is read."),
        optional("completion", COMPLETION_WAY, COMPLETION_ABOUT),
        optional("timeout", TIME, "Longest time for an exchange, 5 s."),
        optional("skip when equal", SWITCH, SKIP_ABOUT),
        optional(
            "registers",
            PORT,
            "How registers travel, where a register map gives the settings.",
        ),
        optional("settings", &Shape::Table { key: "setting", value: SETTING }, "The knobs."),
        optional("readings", &Shape::Table { key: "reading", value: READING }, "What can be read."),
        optional("actions", &Shape::Table { key: "action", value: ACTION }, "What can be done."),
        optional("models", &Shape::List(MODEL), MODELS_ABOUT),
    ],
});

const SETTING_CHANGES: &Shape = &Shape::Table { key: "setting", value: &Shape::Change(SETTING) };
const READING_CHANGES: &Shape = &Shape::Table { key: "reading", value: &Shape::Change(READING) };
const ACTION_CHANGES: &Shape = &Shape::Table { key: "action", value: &Shape::Change(ACTION) };

/// The grammar of a profile that says only what differs from another one.
pub(super) const DERIVED: &Shape = &Shape::Map(&MapShape {
    name: "derived profile",
    about: "What differs from the profile that it is based on; all else is taken over.",
    fields: &[
        NAME,
        ABOUT,
        required("based on", TEXT, BASED_ON),
        optional("role", ROLE, "What the instrument is for."),
        optional("identity", &Shape::Change(IDENTITY), "How the instrument says who it is."),
        optional("session", &Shape::Change(SESSION), "How a session begins."),
        optional("errors", &Shape::Change(ERRORS), "How the error queue is read."),
        optional("completion", &Shape::Change(COMPLETION_WAY), COMPLETION_ABOUT),
        optional("timeout", &Shape::Change(TIME), "Longest time for an exchange."),
        optional("skip when equal", SWITCH, SKIP_ABOUT),
        optional("registers", &Shape::Change(PORT), "How registers travel."),
        optional("settings", SETTING_CHANGES, "The knobs that differ."),
        optional("readings", READING_CHANGES, "What can be read and differs."),
        optional("actions", ACTION_CHANGES, "What can be done and differs."),
        optional("models", &Shape::Change(&Shape::List(MODEL)), MODELS_ABOUT),
    ],
});

const MODEL: &Shape = &Shape::Map(&MapShape {
    name: "model",
    about: "What differs in instruments whose identity has this form; * stands for any text.",
    fields: &[
        required("called", TEXT, "Its name in records and messages."),
        optional("maker", TEXT, "Form of the identity's maker."),
        optional("model", TEXT, "Form of the identity's model, such as WS-7*."),
        optional("serial", TEXT, "Form of the identity's serial number."),
        optional("firmware", TEXT, "Form of the identity's firmware, such as 2.*."),
        optional("settings", SETTING_CHANGES, "The knobs that differ."),
        optional("readings", READING_CHANGES, "What can be read and differs."),
        optional("actions", ACTION_CHANGES, "What can be done and differs."),
    ],
});

const IDENTITY: &Shape = &Shape::Map(&MapShape {
    name: "identity",
    about: "How the instrument says who it is.",
    fields: &[
        required("query", TEXT, "The query."),
        optional("answer", TEXT, "Form of the answer: {maker}, {model}, {serial}, {firmware}."),
    ],
});

const SESSION: &Shape = &Shape::Map(&MapShape {
    name: "session",
    about: "How a session begins.",
    fields: &[
        optional("quiet", TIME, "The line must be silent that long first, 20 ms."),
        optional("clear", TEXT, "Command that clears status and errors once they were read."),
        optional(
            "restart",
            &Shape::Map(&MapShape {
                name: "restart",
                about: "How a restart of the instrument shows.",
                fields: &[
                    required("query", TEXT, "Query for the status register."),
                    required("bit", &Shape::Whole { at_least: 0, at_most: 15 }, "Its bit."),
                ],
            }),
            "How a restart of the instrument shows after a reconnect.",
        ),
    ],
});

const ERRORS: &Shape = &Shape::Map(&MapShape {
    name: "errors",
    about: "How the error queue is read.",
    fields: &[
        required("query", TEXT, "Query for the next entry."),
        optional(
            "none",
            &Shape::Whole { at_least: -32768, at_most: 32767 },
            "The number that says that there is none, 0.",
        ),
        optional(
            "bound",
            &Shape::Whole { at_least: 1, at_most: 10_000 },
            "The most entries read at one go, 100.",
        ),
        optional(
            "classes",
            &Shape::List(ERROR_RULE),
            "What numbers mean where it differs from the standard; the first that fits counts.",
        ),
    ],
});

const NUMBER: &Shape = &Shape::Whole { at_least: -32768, at_most: 32767 };

const ERROR_RULE: &Shape = &Shape::Map(&MapShape {
    name: "error class",
    about: "What some numbers of the error queue mean.",
    fields: &[
        required(
            "codes",
            &Shape::Either(&[NUMBER, &Shape::List(NUMBER)]),
            "One number, or [lowest, highest].",
        ),
        required(
            "mean",
            &Shape::Word(ErrorPolicy::NAMES),
            "The step may be repeated, the instrument is at fault, it is only noted, or it restarted.",
        ),
    ],
});

/// The JSON Schema of profiles: of one that stands by itself, or is based on another.
#[must_use]
pub fn json_schema() -> Json {
    let mut definitions = JsonMap::new();
    let whole = shape::schema_of(PROFILE, &mut definitions);
    let derived = shape::schema_of(DERIVED, &mut definitions);
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "beamwarden profile",
        "type": "object",
        "if": {"required": ["based on"]},
        "then": derived,
        "else": whole,
        "$defs": definitions,
    })
}
