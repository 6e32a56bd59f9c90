//! The grammar of profiles as data.

use serde_json::Value as Json;

use super::{BinaryFormat, Role};
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
    ],
});

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
            ],
        },
        Variant {
            field: required("ask", TEXT, "Asks for numbers."),
            companions: &[required("answer", TEXT, "Form of the answer; slots become numbers.")],
        },
        Variant {
            field: required("fetch block", TEXT, "Asks for a block of codes."),
            companions: &[
                required("format", FORMAT, "How they are written."),
                optional("timeout", TIME, "Longest time until it moves on."),
            ],
        },
        Variant {
            field: required("complete", TIME, "Waits until nothing is pending, at most so long."),
            companions: &[],
        },
        Variant {
            field: required("poll", POLL, "Asks a status register until it is clear."),
            companions: &[optional("timeout", TIME, "Longest time for it.")],
        },
        Variant { field: required("wait", TIME, "Waits."), companions: &[] },
    ],
});

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

/// The grammar of a profile.
pub(super) const PROFILE: &Shape = &Shape::Map(&MapShape {
    name: "profile",
    about: "How an instrument's settings, readings and actions become messages.",
    fields: &[
        required("profile", TEXT, "Name of the profile."),
        optional("about", TEXT, "What it is for."),
        required("role", &Shape::Word(Role::NAMES), "What the instrument is for."),
        required("identity", IDENTITY, "How the instrument says who it is."),
        optional("session", SESSION, "How a session begins."),
        optional("errors", ERRORS, "How the error queue is read."),
        optional("completion", TEXT, "Query that answers 1 once nothing is pending."),
        optional("timeout", TIME, "Longest time for an exchange, 5 s."),
        optional(
            "registers",
            PORT,
            "How registers travel, where a register map gives the settings.",
        ),
        optional("settings", &Shape::Table { key: "setting", value: SETTING }, "The knobs."),
        optional("readings", &Shape::Table { key: "reading", value: READING }, "What can be read."),
        optional("actions", &Shape::Table { key: "action", value: ACTION }, "What can be done."),
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
    ],
});

/// The JSON Schema of profiles.
#[must_use]
pub fn json_schema() -> Json {
    shape::json_schema("beamwarden profile", PROFILE)
}
