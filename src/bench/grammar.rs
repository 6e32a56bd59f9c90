//! The grammar of a bench file, as data.

use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape::{Field, MapShape, Shape};

/// The words for the roles of instruments.
pub const ROLE_WORDS: &[&str] =
    &["waveform source", "scope", "dut control port", "turntable", "supply"];

const fn required(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: true, shape, about }
}

const fn optional(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

static RECONNECT: Shape = Shape::Map(&MapShape {
    name: "reconnect",
    about: "How often and how patiently a lost link is opened again.",
    fields: &[
        optional("tries", &Shape::Whole { at_least: 1, at_most: 100 }, "Tries in all, 4."),
        optional("wait", &Shape::Quantity(Dimension::Time), "Wait before the second try, 150 ms."),
        optional(
            "factor",
            &Shape::Whole { at_least: 1, at_most: 10 },
            "Each further wait is so many times the one before, 4; none is longer than 1 min.",
        ),
        optional(
            "jitter",
            &Shape::Whole { at_least: 0, at_most: 100 },
            "Each wait is longer or shorter by up to so many percent, 10: those who lost a link \
             together shall not come back together.",
        ),
        optional(
            "seed",
            &Shape::Whole { at_least: 0, at_most: i64::MAX },
            "Seed of the jitter, 0; the instrument's name and address go into it as well. Computers \
             that share an instrument take different ones.",
        ),
    ],
});

static INSTRUMENT: Shape = Shape::Map(&MapShape {
    name: "instrument",
    about: "One instrument of the bench.",
    fields: &[
        required("role", &Shape::Word(ROLE_WORDS), "What the instrument is for."),
        required(
            "profile",
            &Shape::Text,
            "The profile that turns settings into messages: a shipped one by name, or a file beside \
             this one.",
        ),
        optional(
            "registers",
            &Shape::Text,
            "The register map of the device behind a control port: shipped or a file beside this \
             one.",
        ),
        required(
            "at",
            &Shape::Text,
            "Where it is: simulated, tcp://host:port (5025 when no port is given), \
             hislip://host/hislip0, serial:///dev/device?baud=115200 or usbtmc:///dev/usbtmc0.",
        ),
        optional(
            "timeout",
            &Shape::Quantity(Dimension::Time),
            "Longest time without progress in one exchange; the profile's when absent.",
        ),
        optional(
            "reconnect",
            &RECONNECT,
            "How often and how patiently a lost link is opened again.",
        ),
        optional(
            "identity",
            &Shape::Text,
            "Text that the instrument's identity must contain; another instrument is refused.",
        ),
    ],
});

static SCAN: Shape = Shape::Map(&MapShape {
    name: "beams of an array",
    about: "The beams that a search may choose from, equally spaced in the sine of the angle.",
    fields: &[
        required("from", &Shape::Quantity(Dimension::Angle), "First beam, from broadside."),
        required("to", &Shape::Quantity(Dimension::Angle), "Last beam, from broadside."),
        required("count", &Shape::Whole { at_least: 1, at_most: 1024 }, "How many beams."),
    ],
});

static ARRAY: Shape = Shape::Map(&MapShape {
    name: "array",
    about: "A uniform linear array and the settings that hold its weights.",
    fields: &[
        required("elements", &Shape::Whole { at_least: 1, at_most: 1024 }, "Number of elements."),
        required(
            "spacing",
            &Shape::Quantity(Dimension::Wavelengths),
            "Distance between neighbouring elements.",
        ),
        required(
            "phase_bits",
            &Shape::Whole { at_least: 1, at_most: 12 },
            "Bits of each phase shifter.",
        ),
        required(
            "weights",
            &Shape::Text,
            "Where the phase codes are set: dut.tx means dut.tx.phase.0 and so on.",
        ),
        required("beams", &SCAN, "The codebook."),
        optional(
            "element_power",
            &Shape::Quantity(Dimension::PowerLevel),
            "Largest conducted power of one element; 'check' predicts the radiated power from it.",
        ),
        optional(
            "element_gain",
            &Shape::Quantity(Dimension::Decibel),
            "Gain of one element over an isotropic one, such as 5 dB.",
        ),
    ],
});

static ARRAYS: Shape = Shape::Map(&MapShape {
    name: "arrays",
    about: "The two arrays of the link.",
    fields: &[
        required("tx", &ARRAY, "The transmitter's array."),
        required("rx", &ARRAY, "The receiver's array."),
    ],
});

static SIGNAL: Shape = Shape::Map(&MapShape {
    name: "signal",
    about: "What the link carries.",
    fields: &[
        optional(
            "symbol_rate",
            &Shape::Quantity(Dimension::Frequency),
            "Symbols a second; 1.76 GHz when absent.",
        ),
        optional(
            "roll_off",
            &Shape::Number,
            "Roll-off of the root-raised-cosine; 0.25 when absent.",
        ),
        optional(
            "level",
            &Shape::Quantity(Dimension::Decibel),
            "Rms level of every frame relative to full scale of the source; peaks beyond full scale \
             are clipped and told. When absent -6 dB, or less where a peak would be clipped.",
        ),
        optional(
            "correction",
            &Shape::Text,
            "A measured frequency response of the source and what follows it, undone in every \
             waveform: a file beside this one with the columns offset_hz,gain_db,phase_deg.",
        ),
        optional(
            "channel",
            &Shape::Text,
            "The setting that holds the channel number, from which the carrier frequency follows \
             (56.16 GHz + 2.16 GHz times the number).",
        ),
    ],
});

static LIMIT: Shape = Shape::Map(&MapShape {
    name: "limit",
    about: "Bounds that nothing may pass, whoever asks.",
    fields: &[
        optional("at least", &Shape::Scalar, "Smallest value, in the setting's unit."),
        optional("at most", &Shape::Scalar, "Largest value, in the setting's unit."),
    ],
});

/// Remedies of one class of failure.
const REMEDY_FIELDS: &[Field] = &[
    optional("retries", &Shape::Whole { at_least: 0, at_most: 100 }, "Tries after the first."),
    optional("wait", &Shape::Quantity(Dimension::Time), "Wait before the first of them."),
    optional("factor", &Shape::Number, "Each further wait is so many times the one before; 3."),
    optional(
        "then",
        &Shape::Word(&["skip point", "stop", "go on"]),
        "When all tries failed: give the point up, end the run, or for doubts go on all the same.",
    ),
];

static REMEDY: Shape = Shape::Map(&MapShape {
    name: "remedy",
    about: "What is done about it.",
    fields: REMEDY_FIELDS,
});

static STOP_AFTER: Shape = Shape::Map(&MapShape {
    name: "stop after",
    about: "When so much failed that nobody believes in the rest.",
    fields: &[
        optional(
            "in a row",
            &Shape::Whole { at_least: 0, at_most: 1_000_000 },
            "So many points given up in a row, 5; 0 never stops.",
        ),
        optional("share", &Shape::Number, "A share of points given up, such as 20 %."),
        optional(
            "of the last",
            &Shape::Whole { at_least: 1, at_most: 100_000 },
            "Of how many points the share is taken, 50; no share is taken of fewer.",
        ),
    ],
});

/// What is done about failures, in a bench file or a sequence.
pub static ON_FAILURE: Shape = Shape::Map(&MapShape {
    name: "on failure",
    about: "What is done when something fails, by class of failure.",
    fields: &[
        optional(
            "transient",
            &REMEDY,
            "Lost and garbled answers, lost links, actions beyond their deadline: 3 retries after \
             1 s, 3 s, 9 s, then the next point.",
        ),
        optional(
            "instrument",
            &REMEDY,
            "Instruments that refuse, restart or report errors: 1 retry after 2 s, then the next \
             point.",
        ),
        optional("doubt", &REMEDY, "Captures that cannot be trusted: none, then go on."),
        optional("stop after", &STOP_AFTER, "When the run ends for too many failures."),
    ],
});

static INTERLOCK: Shape = Shape::Map(&MapShape {
    name: "interlock",
    about: "A condition on a reading that is watched during the whole run. It protects nobody: that \
            needs hardware, by the rules of the site.",
    fields: &[
        required("watch", &Shape::Text, "The reading, or a setting that is read back."),
        required(
            "to be",
            &WANTED,
            "What it must be: at most X, at least X, between X and Y, on, off, a word or several.",
        ),
        optional("as", &Shape::Text, "A name for messages; the reading's when absent."),
        optional("every", &Shape::Quantity(Dimension::Time), "How often it is looked at, 2 s."),
        optional(
            "within",
            &Shape::Quantity(Dimension::Time),
            "A reading that was not had for so long counts as out of bounds, 10 s.",
        ),
        optional(
            "then",
            &Shape::Word(&["stop", "pause"]),
            "stop: safe state and the end of the run, as for a current that is too high. pause: safe state \
             until the condition has held for 'settle', then everything is switched on again, outputs too, \
             and the point begins anew. In the safe state a current is 0, so that the condition holds \
             there, and a chip with a fault is switched on into it again: as often as 'comes back' says. \
             stop when absent.",
        ),
        optional(
            "settle",
            &Shape::Quantity(Dimension::Time),
            "Of a pause: how long the condition must hold before the run goes on, 30 s.",
        ),
        optional(
            "at most",
            &Shape::Quantity(Dimension::Time),
            "Of a pause: after so long the run ends, 1 h.",
        ),
        optional(
            "comes back",
            &Shape::Whole { at_least: 0, at_most: 10 },
            "Of a pause: how often the condition may fail again before a point or step is done; then the \
             run ends, 3.",
        ),
    ],
});

/// What a reading must be.
pub static WANTED: Shape = Shape::Either(&[&Shape::Scalar, &Shape::List(&Shape::Text)]);

/// Conditions that are watched, in a bench file or a sequence.
pub static INTERLOCKS: Shape = Shape::List(&INTERLOCK);

static NOTIFY: Shape = Shape::Map(&MapShape {
    name: "notify",
    about: "How somebody is told at the end of a run and by 'notify' in sequences.",
    fields: &[
        optional(
            "command",
            &Shape::List(&Shape::Text),
            "A program and its arguments, run without a shell; the text comes at its standard input.",
        ),
        optional(
            "webhook",
            &Shape::Text,
            "Address that the text is posted to: http://host:port/path.",
        ),
        optional("timeout", &Shape::Quantity(Dimension::Time), "Longest time for either, 10 s."),
    ],
});

static ASSIGNMENTS: Shape = Shape::Table { key: "settings to values", value: &Shape::Scalar };

static SIMULATED: Shape = Shape::Map(&MapShape {
    name: "simulated",
    about: "The simulated bench behind instruments whose address is 'simulated'.",
    fields: &[
        optional("seed", &Shape::Whole { at_least: 0, at_most: i64::MAX }, "Seed of its noise."),
        optional("model", &Shape::Text, "A model file beside this one."),
        optional(
            "faults",
            &Shape::Text,
            "A fault plan beside this one: what goes wrong, and when.",
        ),
    ],
});

/// A bench file.
pub static BENCH: Shape = Shape::Map(&MapShape {
    name: "bench",
    about: "The instruments of a bench, its arrays, limits and safe state.",
    fields: &[
        required("bench", &Shape::Text, "Name of the bench."),
        optional("about", &Shape::Text, "What it is, for people."),
        required(
            "instruments",
            &Shape::Table { key: "names to instruments", value: &INSTRUMENT },
            "The instruments by name; the name begins the names of their settings.",
        ),
        optional("simulated", &SIMULATED, "How the simulated instruments are set up."),
        optional("arrays", &ARRAYS, "The two arrays; without them no beam can be steered."),
        optional(
            "signal",
            &SIGNAL,
            "Symbol rate, pulse shape, level, correction and carrier of the link.",
        ),
        optional(
            "frames",
            &Shape::List(&Shape::Text),
            "Frame files beside this one; sequences call their frames by name.",
        ),
        optional(
            "limits",
            &Shape::Table { key: "settings to limits", value: &LIMIT },
            "Hard limits, refused before anything is sent.",
        ),
        optional("interlocks", &INTERLOCKS, "Conditions watched during every run."),
        optional(
            "on failure",
            &ON_FAILURE,
            "What is done when something fails, where the sequence does not say.",
        ),
        optional("notify", &NOTIFY, "How somebody is told."),
        required(
            "safe state",
            &Shape::List(&ASSIGNMENTS),
            "What the bench is brought to whenever a run ends, in this order.",
        ),
    ],
});
