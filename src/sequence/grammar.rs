//! The grammar of a sequence file, as data.

use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape::{Field, MapShape, Shape, TaggedShape, Variant};

use crate::beam::search::{Sides, StrategyKind};
use crate::bench::grammar::{INTERLOCKS, ON_FAILURE, WANTED};

const fn required(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: true, shape, about }
}

const fn optional(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

static ASSIGNMENTS: Shape = Shape::Table { key: "settings to values", value: &Shape::Scalar };

static TIME: Shape = Shape::Quantity(Dimension::Time);

static RANGE: Shape = Shape::Map(&MapShape {
    name: "range",
    about: "Values from one to another; both ends belong to it.",
    fields: &[
        required("from", &Shape::Scalar, "First value."),
        required("to", &Shape::Scalar, "Last value."),
        optional("step", &Shape::Scalar, "Distance between values; or give count."),
        optional("count", &Shape::Whole { at_least: 1, at_most: 10_000_000 }, "How many values."),
        optional(
            "spacing",
            &Shape::Word(&["equal", "logarithmic"]),
            "Equal distances, or each value the same multiple of the one before (with count); equal \
             when absent.",
        ),
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
        optional(
            "ber below",
            &Shape::Number,
            "The upper end of the bit error rate's 95 % interval is below this.",
        ),
        optional(
            "ber within",
            &Shape::Number,
            "The upper end of that interval is at most so many times the lower one.",
        ),
        optional("time", &TIME, "So much time has passed."),
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

static CONDITIONS: Shape = Shape::Table { key: "figures and readings to bounds", value: &WANTED };

static WAIT_UNTIL: Shape = Shape::Map(&MapShape {
    name: "wait",
    about: "Waits until a reading is where it should be, and stays there.",
    fields: &[
        required("for", &Shape::Text, "The reading, or a setting that is read back."),
        required(
            "to be",
            &WANTED,
            "What it must be: at most X, at least X, between X and Y, on, off, a word or several.",
        ),
        optional("stable", &TIME, "For how long without a break; once is enough when absent."),
        optional("every", &TIME, "How often it is looked at, 1 s."),
        required("at most", &TIME, "Longest wait."),
        optional(
            "otherwise",
            &Shape::Word(&["stop", "skip point", "go on"]),
            "What happens when it did not come to that; stop when absent.",
        ),
    ],
});

static REPEAT: Shape = Shape::Map(&MapShape {
    name: "repeat",
    about: "How often steps are done, whichever comes first; 'until' needs one of the others beside it.",
    fields: &[
        optional("until", &Shape::Text, "An expression, looked at after each turn."),
        optional("times", &Shape::Whole { at_least: 1, at_most: 1_000_000 }, "So many turns."),
        optional("at most", &TIME, "No turn begins after so long."),
    ],
});

static ASK: Shape = Shape::Map(&MapShape {
    name: "ask",
    about: "Asks whoever watches; without an answer in time the default counts.",
    fields: &[
        required("question", &Shape::Text, "The question; {expressions} in it are filled in."),
        optional("answers", &Shape::List(&Shape::Text), "What may be answered; [yes, no]."),
        required("within", &TIME, "How long an answer is waited for."),
        required("default", &Shape::Text, "The answer when none comes."),
        optional("as", &Shape::Text, "Expressions know the answer as answer.NAME."),
    ],
});

static REPEAT_WITH: [Field; 1] = [required("do", &STEPS, "What to do in each turn.")];

static WHEN_WITH: [Field; 2] = [
    required("do", &STEPS, "What to do when it holds."),
    optional("otherwise", &STEPS, "What to do when it does not hold."),
];

const fn alone(field: Field) -> Variant {
    Variant { field, companions: &[] }
}

/// The companions of a sweep.
static SWEEP_WITH: [Field; 5] = [
    optional(
        "axes",
        &Shape::Word(&["nested", "together"]),
        "Every combination, or the first values of all axes, then the second ones, and so on; nested \
         when absent.",
    ),
    optional(
        "order",
        &Shape::Word(&["as written", "random"]),
        "The order of the combinations; the same seed gives the same order.",
    ),
    optional("seed", &Shape::Whole { at_least: 0, at_most: i64::MAX }, "Of a random order, 1."),
    optional(
        "skip when",
        &Shape::Either(&[&Shape::Text, &Shape::List(&Shape::Text)]),
        "Expressions over sweep axes and parameters; combinations for which one holds are left out.",
    ),
    required("do", &STEPS, "What to do at each."),
];

pub(super) static STEP: Shape = Shape::Tagged(&TaggedShape {
    name: "step",
    about: "One thing to do.",
    variants: &[
        alone(required(
            "set",
            &ASSIGNMENTS,
            "Sets settings in the order written; each is read back. A value that begins with '=' is \
             an expression.",
        )),
        alone(required(
            "wait",
            &Shape::Either(&[&TIME, &WAIT_UNTIL]),
            "Waits: so long, or until a reading is where it should be.",
        )),
        Variant {
            field: required(
                "sweep",
                &Shape::Table { key: "settings to values", value: &AXIS },
                "Runs steps for every combination of values; the last axis changes fastest.",
            ),
            companions: &SWEEP_WITH,
        },
        alone(required("search beams", &SEARCH, "Finds the best beams and stays on them.")),
        Variant {
            field: required("measure", &MEASURE, "Captures and analyses."),
            companions: &[optional(
                "expect",
                &EXPECT,
                "Bounds on figures: at most X, at least X, between X and Y.",
            )],
        },
        alone(required(
            "expect",
            &CONDITIONS,
            "Holds bounds against the last measurement's figures and against readings now.",
        )),
        Variant {
            field: required("repeat", &REPEAT, "Runs steps again and again; no sweep is in them."),
            companions: &REPEAT_WITH,
        },
        Variant {
            field: required(
                "when",
                &Shape::Text,
                "Runs steps when an expression holds; no sweep is in them. Where it cannot be had, as the EVM \
                 of no frame, none are done.",
            ),
            companions: &WHEN_WITH,
        },
        alone(required("ask", &ASK, "Asks whoever watches.")),
        Variant {
            field: required(
                "call",
                &Shape::Text,
                "Does what another sequence, a file beside the one that is run, prepares and does.",
            ),
            companions: &[optional(
                "with",
                &Shape::Table { key: "parameters to values", value: &Shape::Scalar },
                "Values of its parameters.",
            )],
        },
        alone(required(
            "notify",
            &Shape::Text,
            "Tells whoever the bench file names under 'notify'; {expressions} are filled in.",
        )),
        alone(required(
            "note",
            &Shape::Text,
            "Writes a line into the record; {expressions} in it are filled in.",
        )),
    ],
});

static STEPS: Shape = Shape::List(&STEP);

static PARAMETER: Shape = Shape::Map(&MapShape {
    name: "parameter",
    about: "A value that may be given for each run: --with name=value.",
    fields: &[
        required("default", &Shape::Scalar, "Its value when none is given; also tells its unit."),
        optional("at least", &Shape::Scalar, "Smallest value."),
        optional("at most", &Shape::Scalar, "Largest value."),
        optional("one of", &Shape::List(&Shape::Scalar), "The only values."),
        optional("about", &Shape::Text, "What it is, for people."),
    ],
});

static PARAMETERS: Shape = Shape::Table {
    key: "names to parameters",
    value: &Shape::Either(&[&PARAMETER, &Shape::Scalar]),
};

static REFERENCE: Shape = Shape::Map(&MapShape {
    name: "reference",
    about: "A point that is measured before the first point and then every so often, to follow drift.",
    fields: &[
        required(
            "every",
            &Shape::Either(&[&Shape::Text, &Shape::List(&Shape::Text)]),
            "How often: 20 points, 30 min, or a list of both: whichever comes first.",
        ),
        optional(
            "set",
            &ASSIGNMENTS,
            "What is set for it; what stood before is set again after it.",
        ),
        optional("measure", &MEASURE, "How it is measured; one capture when absent."),
        optional(
            "within",
            &Shape::Table { key: "figures to differences", value: &Shape::Scalar },
            "How far figures may move from the first time, either way.",
        ),
        optional(
            "beyond",
            &Shape::Word(&["pause", "stop", "go on"]),
            "What happens when one moves further; stop when absent.",
        ),
    ],
});

static DEADLINES: Shape = Shape::Map(&MapShape {
    name: "deadlines",
    about: "What may take how long; no bound where absent.",
    fields: &[
        optional("action", &TIME, "One setting, capture or probe; it then counts as failed."),
        optional("point", &TIME, "One point with all that is tried in it; it is then given up."),
        optional("run", &TIME, "The whole run, pauses included; it then ends."),
    ],
});

/// A sequence file.
pub static SEQUENCE: Shape = Shape::Map(&MapShape {
    name: "sequence",
    about: "What to do with a bench, in what order, and what to leave behind.",
    fields: &SEQUENCE_FIELDS,
});

/// The keys of a sequence file.
pub(super) static SEQUENCE_FIELDS: [Field; 11] = [
    required("sequence", &Shape::Text, "Name of the sequence."),
    optional("about", &Shape::Text, "What it is for, for people."),
    optional("parameters", &PARAMETERS, "Values that may be given for each run."),
    optional("prepare", &STEPS, "Done once before the steps."),
    required("steps", &STEPS, "The work."),
    optional("finally", &STEPS, "Done after the steps, also when they failed."),
    optional("reference", &REFERENCE, "A point that is measured every so often, to follow drift."),
    optional(
        "interlocks",
        &INTERLOCKS,
        "Conditions watched during the run, besides those of the bench file.",
    ),
    optional(
        "on failure",
        &ON_FAILURE,
        "What is done when something fails; the bench file's ways when absent.",
    ),
    optional("deadlines", &DEADLINES, "What may take how long."),
    optional(
        "test capture",
        &Shape::Switch,
        "Whether a capture is looked at before the first step; on when absent.",
    ),
];

/// What a sequence that is called by another may have of these.
pub(super) const CALLED_KEYS: &[&str] = &["sequence", "about", "parameters", "prepare", "steps"];

/// Whether a sequence file has such a key.
pub(super) fn is_key(name: &str) -> bool {
    SEQUENCE_FIELDS.iter().any(|field| field.name == name)
}
