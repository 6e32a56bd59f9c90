//! The grammar of a sequence file, as data.

use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape::{Field, MapShape, Shape, TaggedShape, Variant};

use crate::beam::search::{Sides, StrategyKind};

const fn required(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: true, shape, about }
}

const fn optional(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

static ASSIGNMENTS: Shape = Shape::Table { key: "settings to values", value: &Shape::Scalar };

static RANGE: Shape = Shape::Map(&MapShape {
    name: "range",
    about: "Equally spaced values; both ends belong to it.",
    fields: &[
        required("from", &Shape::Scalar, "First value."),
        required("to", &Shape::Scalar, "Last value."),
        optional("step", &Shape::Scalar, "Distance between values; or give count."),
        optional("count", &Shape::Whole { at_least: 1, at_most: 10_000_000 }, "How many values."),
    ],
});

static AXIS: Shape = Shape::Either(&[&Shape::List(&Shape::Scalar), &RANGE]);

static SEARCH: Shape = Shape::Map(&MapShape {
    name: "search beams",
    about: "An automatic search for the best beams.",
    fields: &[
        required("side", &Shape::Word(Sides::WORDS), "Whose beams may change."),
        optional("by", &Shape::Word(StrategyKind::WORDS), "The strategy; exhaustive when absent."),
        optional("as", &Shape::Text, "A name for the report."),
    ],
});

static UNTIL: Shape = Shape::Map(&MapShape {
    name: "until",
    about: "When a measurement has seen enough: whichever comes first.",
    fields: &[
        optional(
            "bit errors",
            &Shape::Whole { at_least: 1, at_most: 1_000_000_000 },
            "So many bit errors.",
        ),
        optional(
            "bits",
            &Shape::Whole { at_least: 1, at_most: 1_000_000_000_000 },
            "So many bits compared.",
        ),
        optional("captures", &Shape::Whole { at_least: 1, at_most: 100_000 }, "So many captures."),
    ],
});

static MEASURE: Shape = Shape::Map(&MapShape {
    name: "measure",
    about: "Captures the received signal and analyses it.",
    fields: &[
        optional("as", &Shape::Text, "A name for tables and the report."),
        optional("until", &UNTIL, "When to stop; one capture when absent."),
        optional(
            "keep",
            &Shape::Word(&["capture", "figures"]),
            "Whether the raw captures are kept or only their figures; capture when absent.",
        ),
    ],
});

static EXPECT: Shape = Shape::Table { key: "figures to bounds", value: &Shape::Text };

static STEP: Shape = Shape::Tagged(&TaggedShape {
    name: "step",
    about: "One thing to do.",
    variants: &[
        Variant {
            field: required(
                "set",
                &ASSIGNMENTS,
                "Sets settings in the order written; each is read back.",
            ),
            companions: &[],
        },
        Variant {
            field: required("wait", &Shape::Quantity(Dimension::Time), "Waits."),
            companions: &[],
        },
        Variant {
            field: required(
                "sweep",
                &Shape::Table { key: "settings to values", value: &AXIS },
                "Runs steps for every combination of values; the last axis changes fastest.",
            ),
            companions: &[required("do", &Shape::List(&STEP), "What to do at each.")],
        },
        Variant {
            field: required("search beams", &SEARCH, "Finds the best beams and stays on them."),
            companions: &[],
        },
        Variant {
            field: required("measure", &MEASURE, "Captures and analyses."),
            companions: &[optional(
                "expect",
                &EXPECT,
                "Bounds on figures: at most X, at least X, between X and Y.",
            )],
        },
        Variant {
            field: required("note", &Shape::Text, "Writes a line into the record."),
            companions: &[],
        },
    ],
});

static STEPS: Shape = Shape::List(&STEP);

/// A sequence file.
pub static SEQUENCE: Shape = Shape::Map(&MapShape {
    name: "sequence",
    about: "What to do with a bench, in what order, and what to leave behind.",
    fields: &[
        required("sequence", &Shape::Text, "Name of the sequence."),
        optional("about", &Shape::Text, "What it is for, for people."),
        optional("prepare", &STEPS, "Done once before the steps."),
        required("steps", &STEPS, "The work."),
        optional("finally", &STEPS, "Done after the steps, also when they failed."),
    ],
});
