//! The parts of the reference that no table holds: what holds across keys, and examples.

/// Before the tables.
pub(super) const BEGINNING: &str = "\
# The language of sequences

Made by `beamwarden schema sequence --reference` from the tables that files are checked with; a test
compares this file with them and reads every example. Editors complete the keys with the JSON Schema of
`beamwarden schema sequence`. `beamwarden check FILE` tells every fault of a sequence, of what it calls, of
its bench, profiles and register maps in one go, with the line underlined, and sends nothing.

A sequence is a YAML file: `prepare` is done once, then `steps`, and in any case `finally`, after which the
bench is brought to its safe state. Settings and readings are called by their full names
(`supply.voltage`, `dut.rx.temperature`); `beamwarden bench --settings` lists them. Numbers carry units.
Besides the instruments' own there are the settings `frame`, `beam.tx` and `beam.rx`.

Interlocks and limits here protect a chip or an instrument, and only while this program runs. They protect
no person: that needs hardware and the rules of the site, which prevail.
";

/// Behind the tables of a sweep.
pub(super) const SWEEPS: &str = "
A point is one combination of the values of all nested sweeps. Points are numbered from 1 in the order in
which they are done; combinations that `skip when` leaves out have no number. At each turn those settings
are made whose values differ from the turn before, and those that a step or a search has set elsewhere since:
every point begins with all axes as planned. What a point measures after its own steps set an axis elsewhere
is noted as measured beside the plan, and `check` remarks on such steps. A setting is an axis of one of nested
sweeps only. A random order is the same for the same seed, takes no memory and goes through each combination
once. `skip when` takes sweep axes, also those of outer sweeps, and
parameters; of several rules one that holds is enough. Sweeps stand under `steps` only, and not inside
`repeat` or `when`: the points of a run are counted before it begins.
";

/// How sequences call others.
pub(super) const CALLS: &str = "
## Called sequences

`call` names a file in the folder of the sequence that is run, also where a called sequence calls another:
a plain file name, no path. In place of the call stand its `prepare` and its `steps`, with its own
parameters: their defaults, or what `with` gives. A called sequence has no `finally`, `interlocks`,
`on failure`, `deadlines`, `reference` or `test capture`: these belong to the sequence that is run. Calls in a
circle are refused, and more than 8 within each other. The run folder keeps every called file under
`sequences/`, so that a run can be resumed and replayed from what it keeps.
";

/// How expressions are written.
pub(super) const EXPRESSIONS: &str = "
## Expressions

A value that begins with `=` is an expression: `supply.voltage: = volts + 0.05 V`. Conditions (`when`,
`until` of a repetition, `skip when`) are expressions without that sign, and `{expressions}` stand in the
texts of `note`, `notify` and `ask` (`{{` and `}}` for the brackets themselves). Within `{…}` and `[…]` of YAML
an expression with a comma, or a text with brackets, stands in quotes.

- **Parameters** alone may stand wherever a value stands, also in lists, ranges, bounds and counts; the value
  is known when the file is read and checked at once against limits. `run` and `check` take
  `--with name=value`, which may be repeated; the record keeps the values.
- **Settings** may also be computed during the run: from figures of the last measurement, readings and
  settings as they stand (`supply.current`), the answer to a question (`answer.NAME`) and the turn of the
  innermost repetition (`turn`, from 1). Units are checked when the file is read, limits before anything is
  sent.
- **Values**: numbers with units (`0.4 A`, `-16 dB`, `3 %`, `200 k`), words in quotes (`'mcs 9'`), `on` and
  `off`.
- **Signs**: `+ - * / ^`, `< <= > >= == !=`, `and`, `or`, `not`, brackets. `not` binds closer than a
  comparison: `not (evm < -16 dB)`.
- **Functions**: `abs`, `min`, `max`, `round`, `floor`, `ceil`, `sqrt`, `log10`.
- **Units** go together as in physics: sums and comparisons take one kind, a number times a quantity is such a
  quantity, the quotient of two of a kind is a bare number. dBm plus or minus dB is dBm, dBm minus dBm is dB;
  two levels in dBm have no sum. Volt times ampere is watt, degrees over seconds a speed. There is no integer
  division: `1 / 2` is 0.5.
- `found` is whether the last measurement found a frame in each of its captures; it can always be had.
- Of a condition in which something cannot be had, such as the EVM where no frame was found, nobody knows
  whether it holds: `when` then does neither its `do` nor its `otherwise`, which is noted, and `repeat` goes
  on. `and` and `or` do not mend that: everything an expression names must be there. Ask for the worst case
  by itself: `when: not found`.
- An expression has at most 2000 characters and 24 brackets within each other.
";

/// Examples by the key or step that they show. One that begins with `- ` is a list of steps, another one
/// keys of a file. The files that are called are those of the tests.
pub(super) const EXAMPLES: &[(&str, &str)] = &[
    (
        "parameters",
        "parameters:
  volts: {default: 1.2 V, at least: 0.9 V, at most: 1.25 V, about: Supply of the chips}
  which: {default: mcs 9, one of: [qpsk uncoded, mcs 9, mcs 12]}
  settle: 2 s
prepare:
  - set: {supply.voltage: = volts, frame: = which}
  - wait: = 2 * settle",
    ),
    (
        "reference",
        "reference:
  every: [20 points, 30 min]
  set: {turntable.angle: 0 deg, beam.rx: 0 deg}
  measure: {as: reference, until: {captures: 3}}
  within: {evm: 1 dB}
  beyond: pause",
    ),
    (
        "interlocks",
        "interlocks:
  - {watch: supply.current, to be: at most 0.7 A, every: 1 s, within: 10 s}
  - {watch: dut.rx.lock, to be: on, then: pause, settle: 10 s, at most: 30 min}",
    ),
    (
        "on failure",
        "on failure:
  transient: {retries: 5, wait: 2 s, factor: 2, then: skip point}
  doubt: {retries: 1, then: go on}
  stop after: {in a row: 3, share: 20 %, of the last: 50}",
    ),
    ("deadlines", "deadlines: {action: 2 min, point: 20 min, run: 12 h}"),
    ("test capture", "test capture: off"),
    (
        "set",
        "- set: {supply.voltage: 1.2 V, supply.output: on}
- set: {dut.rx.gain: \"= min(31, round(16 + (-12 dB - snr) / 1 dB))\"}",
    ),
    (
        "wait",
        "- wait: 5 s
- wait:
    for: supply.current
    to be: between 0.05 A and 0.6 A
    stable: 10 s
    every: 1 s
    at most: 5 min
    otherwise: skip point",
    ),
    (
        "sweep",
        "- sweep:
    turntable.angle: {from: -60 deg, to: 60 deg, step: 5 deg}
    frame: [qpsk uncoded, mcs 9, mcs 12]
  order: random
  seed: 7
  skip when: abs(turntable.angle) > 45 deg and frame == 'mcs 12'
  do:
    - sweep: {dut.tx.gain: [16, 20, 24], dut.rx.gain: [20, 16, 12]}
      axes: together
      do: [{measure: {}}]
- sweep: {source.amplitude: {from: 0.05 V, to: 0.5 V, count: 11, spacing: logarithmic}}
  do: [{measure: {until: {bits: 10 M}}}]",
    ),
    ("search beams", "- search beams: {side: rx, by: exhaustive, as: after turning}"),
    (
        "measure",
        "- measure: {as: aligned, until: {bit errors: 100, ber below: 1e-6, time: 10 min}, keep: figures}
  expect: {evm: at most -16 dB, ber: at most 1e-4}
- measure: {until: {ber within: 3, captures: 200}}",
    ),
    ("expect", "- expect: {evm: at most -16 dB, supply.current: between 0.05 A and 0.6 A, dut.rx.lock: on}"),
    (
        "repeat",
        "- repeat: {until: evm < -16 dB, times: 5, at most: 10 min}
  do:
    - set: {dut.rx.gain: = 10 + turn}
    - measure: {keep: figures}",
    ),
    (
        "when",
        "- when: not found
  do: [{note: no frame was found}]
- when: evm > -14 dB or supply.current > 0.5 A
  do: [{search beams: {side: both}}]
  otherwise: [{note: the link is good}]",
    ),
    (
        "ask",
        "- ask:
    question: \"Is the absorber in place? The arm stands at {turntable.angle}.\"
    answers: [yes, no]
    within: 10 min
    default: no
    as: absorber
- when: answer.absorber == 'yes'
  do: [{measure: {as: with absorber}}]",
    ),
    ("call", "- call: warm-up.yaml\n  with: {volts: 1.1 V}"),
    ("notify", "- notify: \"EVM is {evm} at {turntable.angle}\""),
    ("note", "- note: \"half of the supply: {supply.voltage / 2}\""),
];
