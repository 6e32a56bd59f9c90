//! What random sequences are made of: settings and values within the limits of the bench, conditions,
//! what stands at the head of a file.

/// Keys of the file with the share of files that have them, and what they may say.
pub const HEADS: &[(f64, &[&str])] = &[
    (
        0.5,
        &[
            "on failure: {transient: {retries: 2, wait: 1 s, factor: 2, then: skip point}}",
            "on failure: {transient: {retries: 1, wait: 0 s, then: stop}, stop after: {in a row: 2}}",
            "on failure: {instrument: {retries: 3, wait: 5 s, factor: 4, then: skip point}, stop after: {in a row: 0}}",
            "on failure: {doubt: {retries: 2, wait: 1 s, then: skip point}, stop after: {share: 30 %, of the last: 4}}",
            "on failure: {doubt: {retries: 1, wait: 100 ms, then: stop}}",
        ],
    ),
    (
        0.4,
        &[
            "deadlines: {action: 5 s}",
            "deadlines: {point: 1 min}",
            "deadlines: {run: 10 min}",
            "deadlines: {action: 20 s, point: 10 min, run: 3 h}",
        ],
    ),
    (
        0.3,
        &[
            "interlocks: [{watch: supply.current, to be: at most 0.7 A, every: 1 s, then: stop}]",
            "interlocks: [{watch: supply.current, to be: at most 0.21 A, as: draw, then: pause, settle: 5 s, at most: 5 min}]",
            "interlocks: [{watch: dut.rx.temperature, to be: at most 60 degC, every: 10 s, within: 30 s, then: pause}]",
            "interlocks: [{watch: supply.protection_tripped, to be: off, every: 3 s}, {watch: dut.tx.lock, to be: on, then: pause, settle: 1 s, at most: 1 min}]",
        ],
    ),
    (
        0.2,
        &[
            "reference: {every: 7 points, within: {evm: 3 dB}, beyond: go on}",
            "reference: {every: [20 points, 20 min], set: {turntable.angle: 0 deg}, measure: {keep: figures}, within: {snr: 2 dB}, beyond: pause}",
            "reference: {every: 5 min, set: {dut.tx.gain: 20, source.amplitude: 0.3 V}, within: {power: 1 dB}}",
        ],
    ),
    (0.3, &["test capture: off", "test capture: on"]),
];

pub const PREPARE: [&str; 6] = [
    "- set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}",
    "- set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}",
    "- set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}",
    "- set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}",
    "- set: {beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}",
    "- wait: 10 ms",
];

/// Values that begin with = are computed; some come to lie beyond a limit then, and must be refused.
pub const SETTINGS: &[(&str, &[&str])] = &[
    (
        "supply.voltage",
        &[
            "1.2 V",
            "1.2 V",
            "1.25 V",
            "1.1 V",
            "1.15 V",
            "= supply.voltage",
            "0 V",
            "= supply.voltage * 1.1",
        ],
    ),
    (
        "supply.current_limit",
        &[
            "0.6 A",
            "0.8 A",
            "0.7 A",
            "0.6 A",
            "'= min(supply.current + 0.5 A, 0.8 A)'",
            "0.05 A",
            "= supply.current + 0.5 A",
        ],
    ),
    ("supply.output", &["on", "on", "on", "off"]),
    (
        "source.amplitude",
        &[
            "0.5 V",
            "0.2 V",
            "0.01 V",
            "= source.amplitude * 1.3",
            "'= min(source.amplitude * 2, 0.5 V)'",
        ],
    ),
    ("source.output", &["on", "on", "off"]),
    ("dut.tx.gain", &["0", "31", "20", "= gain", "= gain", "= dut.tx.gain + 7"]),
    ("dut.rx.enable", &["on", "on", "off"]),
    (
        "turntable.angle",
        &[
            "90 deg",
            "-90 deg",
            "0 deg",
            "5 deg",
            "= angle",
            "= angle",
            "= turntable.angle - 40 deg",
        ],
    ),
    ("beam.rx", &["0 deg", "10 deg"]),
    ("frame", &["short", "short", "qpsk uncoded"]),
];

pub const AXES: &[(&str, &[(&str, u32)])] = &[
    (
        "turntable.angle",
        &[
            ("[-10 deg, 0 deg, 10 deg]", 3),
            ("{from: -90 deg, to: 90 deg, count: 2}", 2),
            ("[4 deg, = angle]", 2),
        ],
    ),
    ("dut.tx.gain", &[("[20, 22]", 2), ("{from: 16, to: 24, step: 4}", 3)]),
    (
        "source.amplitude",
        &[
            ("[0.5 V]", 1),
            ("{from: 0.1 V, to: 0.5 V, count: 3}", 3),
            ("{from: 50 mV, to: 0.5 V, count: 3, spacing: logarithmic}", 3),
        ],
    ),
    ("supply.voltage", &[("[1.15 V, 1.25 V]", 2), ("{from: 1.1 V, to: 1.2 V, step: 50 mV}", 3)]),
    ("beam.rx", &[("[0 deg, 5 deg]", 2)]),
];

pub const READINGS: &[(&str, &[&str])] = &[
    ("supply.current", &["at least 0.05 A", "between 0.1 A and 0.2 A", "at most 0.8 A"]),
    ("dut.tx.temperature", &["between 20 degC and 60 degC", "at most 10 degC"]),
    ("dut.rx.lock", &["on", "off"]),
    ("turntable.position", &["between -90 deg and 90 deg", "between -1 deg and 1 deg"]),
    ("supply.voltage", &["at least 1.15 V", "at least 0 V"]),
];

pub const CONDITIONS: &[(&str, &[&str])] = &[
    ("evm", &["at most -10 dB", "at most -90 dB", "at least -90 dB"]),
    ("bit errors", &["at most 0", "at least 0"]),
    ("supply.current", &["at most 0.8 A", "between 0.1 A and 0.15 A"]),
    ("dut.tx.lock", &["on", "off"]),
    ("turntable.angle", &["between -90 deg and 90 deg"]),
];

pub const EXPRESSIONS: &[&str] = &[
    "evm < -10 dB",
    "supply.current > 0.1 A and dut.tx.lock",
    "not (supply.output)",
    "bit_errors > 0 or snr < 10 dB",
    "turntable.angle >= 0 deg",
    "gain > 10",
];

pub const TEXTS: &[&str] = &[
    "something was done",
    "\"draws {supply.current} at {turntable.angle}\"",
    "\"EVM {evm}, gain {gain}\"",
];
