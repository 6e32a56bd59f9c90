//! Faults of sequence files, and what a good one becomes.

use super::super::step::{Action, Sweep};
use super::*;
use crate::bench::knob::{BEAM_RX, Bound, FRAME, KnobKind, KnobSteps};
use beamwarden_drivers::profile::{BetweenSteps, Grid, Steps};
use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::value::Kind;

fn knobs() -> KnobTable {
    let mut table = KnobTable::default();
    let mut add = |name: &str, kind: KnobKind, at_most: Option<f64>| {
        let origin = "limits of bench b".to_string();
        let at_most =
            at_most.map(|value| Bound { value, origin, protects: false }).into_iter().collect();
        table.add(Knob { name: name.into(), kind, at_least: vec![], at_most, steps: None });
    };
    add("supply.voltage", KnobKind::Number(Dimension::Voltage), Some(1.25));
    add("supply.output", KnobKind::Switch, None);
    add("turntable.angle", KnobKind::Number(Dimension::Angle), Some(90.0));
    add("dut.tx.gain", KnobKind::Whole, Some(31.0));
    add(FRAME, KnobKind::Frame(Vec::new()), None);
    add(BEAM_RX, KnobKind::Number(Dimension::Angle), None);
    table
}

fn read(text: &str) -> Result<Sequence, Faults> {
    read_sequence(&Source::new("s.yaml", text), &knobs())
}

#[track_caller]
fn check_faults(text: &str, expected: &[&str]) {
    let faults = read(text).unwrap_err().to_string();
    let lines: Vec<_> = faults.lines().collect();
    assert_eq!(lines, expected);
}

/// Values that a profile's steps refuse, alone, in a list and within a range.
#[test]
fn values_between_steps_are_underlined() {
    let kind = Kind::Whole { at_least: 0, at_most: 31 };
    let steps = Steps { grid: Grid::Every { of: 2.0, from: 0.0 }, between: BetweenSteps::Refuse };
    let mut knobs = knobs();
    let gain = knobs.get_mut("dut.tx.gain").unwrap();
    gain.steps = Some(KnobSteps { steps, kind, origin: "profile p".into() });
    let text = "sequence: s\nsteps:\n  - set: {dut.tx.gain: 3}\n  - sweep: {dut.tx.gain: [2, 5]}\n    \
                do: [{wait: 1 s}]\n  - sweep: {dut.tx.gain: {from: 0, to: 4, count: 5}}\n    do: \
                [{wait: 1 s}]\n  - sweep: {dut.tx.gain: {from: 0, to: 4, step: 2}}\n    do: [{wait: 1 s}]\n";
    let faults = read_sequence(&Source::new("s.yaml", text), &knobs).unwrap_err().to_string();
    let told = |place: &str, value: u32, near: &str| {
        format!(
            "s.yaml:{place}: dut.tx.gain: {value} is not one of its steps; near it: {near} (profile \
             p) (take one of them; 'between steps: nearest' in the profile rounds)"
        )
    };
    let expected =
        [told("3:24", 3, "2 and 4"), told("4:30", 5, "4 and 6"), told("6:26", 1, "0 and 2")];
    assert_eq!(faults.lines().collect::<Vec<_>>(), expected);
}

/// An unknown key, a wrong unit and a value beyond a limit: three faults in one go.
#[test]
fn three_kinds_of_fault_at_once() {
    check_faults(
        "sequence: s\nsteps:\n  - set: {supply.voltage: 3.3 V}\n  - wiat: 2 s\n  - set: {turntable.angle: 5 V}\n",
        &[
            "s.yaml:3:27: supply.voltage: 3.3 V is above the limit of 1.25 V (limits of bench b) \
             (limits protect the bench; they are changed in the bench file only)",
            "s.yaml:4:5: unknown step 'wiat' (did you mean 'wait'?)",
            "s.yaml:5:28: turntable.angle: 'V' is a unit of another kind; wanted an angle such as 5 deg",
        ],
    );
}

#[test]
fn meanings_are_checked_wherever_they_stand() {
    check_faults(
        "sequence: s
prepare:
  - sweep: {dut.tx.gain: [1, 2, 40]}
    do: []
steps:
  - sweep: {turntable.angle: {from: -60 deg, to: 60 deg, step: 7 deg}}
    do:
      - measure: {until: {}}
        expect: {emv: at most -16 dB, evm: -16 dB, snr: at least 3 deg}
      - set: {suply.output: on, supply.output: maybe, frame: qpks uncoded}
      - sweep: {supply.output: {from: off, to: on, count: 2}, dut.tx.gain: {from: 1, to: 3}}
        do: []
",
        &[
            "s.yaml:3:12: a sweep belongs under 'steps' ('prepare' and 'finally' run once, without points)",
            "s.yaml:3:33: dut.tx.gain: 40 is above the limit of 31 (limits of bench b) (limits protect the \
             bench; they are changed in the bench file only)",
            "s.yaml:4:9: nothing to do (write the steps to do at each point, such as do: [{measure: {}}])",
            "s.yaml:6:64: the step does not end on the last value: 17.143 steps",
            "s.yaml:8:26: say when to stop: bits, bit errors, captures, ber below, ber within or time",
            "s.yaml:9:18: there is no figure 'emv' (did you mean 'evm'?)",
            "s.yaml:9:44: '-16 dB' is no bound; write at most X, at least X, or between X and Y",
            "s.yaml:9:57: 'deg' is a unit of another kind; wanted a ratio in decibels such as -16 dB",
            "s.yaml:10:15: there is no setting 'suply.output' on this bench (did you mean 'supply.output'?)",
            "s.yaml:10:48: supply.output: 'maybe' is not on or off",
            "s.yaml:10:62: frame: no frame is called 'qpks uncoded', did you mean 'qpsk uncoded'?; there are \
             bpsk uncoded, qpsk uncoded, 16-qam uncoded, 64-qam uncoded, bpsk uncoded without guards, qpsk uncoded without guards, \
             16-qam uncoded without guards, 64-qam uncoded without guards, mcs 1, mcs 2, mcs 3, mcs 4, mcs 5, mcs 6, \
             mcs 7, mcs 8, mcs 9, mcs 9.1, mcs 10, mcs 11, mcs 12, mcs 12.1, mcs 12.2, mcs 12.3, mcs 12.4, \
             mcs 12.5, mcs 12.6",
            "s.yaml:11:32: supply.output takes no range; write a list of its values",
            "s.yaml:11:76: a range needs either step or count (write one of the two)",
            "s.yaml:12:13: nothing to do (write the steps to do at each point, such as do: [{measure: {}}])",
        ],
    );
}

#[test]
fn what_cannot_be_done_is_said_before_it_is_tried() {
    check_faults(
        "sequence: s
sequence: t
steps:
  - wait: -3 s
  - wait: 1e300 s
  - sweep: {turntable.angle: {from: -60 deg, to: 60 deg, step: -5 deg}}
    do: [{wiat: 1 s}]
  - sweep: {turntable.angle: {from: 60 deg, to: -60 deg, step: 5 deg}, dut.tx.gain: []}
    do: [{note: x}]
",
        &[
            "s.yaml:2:1: key 'sequence' stands twice (keep one of the two)",
            "s.yaml:4:11: 'wait' cannot be negative",
            "s.yaml:5:11: 'wait' is at most a year",
            "s.yaml:6:64: this step leads away from the last value; the range goes up, so write a positive step",
            "s.yaml:7:11: unknown step 'wiat' (did you mean 'wait'?)",
            "s.yaml:8:64: this step leads away from the last value; the range goes down, so write a negative step",
            "s.yaml:8:85: no values to go through",
        ],
    );
    check_faults(
        "",
        &["s.yaml:1:1: the file is empty (a mapping (sequence) is wanted, which begins with \
           'sequence: text')"],
    );
}

#[test]
fn a_good_file_becomes_steps() {
    let sequence = read(
        "sequence: s
steps:
  - sweep: {turntable.angle: {from: -60 deg, to: 60 deg, step: 5 deg}, frame: [qpsk uncoded, mcs 9]}
    do:
      - search beams: {side: rx}
      - measure: {as: here, until: {bit errors: 100, bits: 10 M}, keep: figures}
        expect: {evm: at most -16 dB}
finally:
  - set: {supply.output: off}
",
    )
    .unwrap();
    let Action::Sweep(Sweep { axes, body, .. }) = &sequence.steps[0].action else {
        panic!("no sweep")
    };
    assert_eq!((axes[0].values.len(), axes[1].values.len()), (25, 2));
    assert_eq!(axes[0].values.get(1).unwrap().to_string(), "-55 deg");
    let Action::Measure(measure) = &body[1].action else { panic!("no measurement") };
    assert_eq!(measure.until.bits, Some(10_000_000));
    assert!(!measure.keep_captures);
    assert_eq!(measure.expect[0].to_string(), "at most -16 dB");
    assert_eq!(super::super::count(&sequence.steps).measurements, 50);
}

#[test]
fn the_likeliest_slips_are_answered_with_what_was_meant() {
    check_faults(
        "sequence: s
parameters: {volts: 1.1 V}
steps:
  - set: {supply.voltage: volts}
  - set: {supply.voltage: 400 mv}
  - wait: {for: supply.voltage, to be: at most 75 v, at most: 5 min}
  - measure: {}
    expect: {evm: < -16 dB}
  - when: codewords failed > 3
    do: [{note: x}]
",
        &[
            "s.yaml:4:27: supply.voltage: 'volts' does not begin with a number (to use the parameter, \
             write = volts)",
            "s.yaml:5:27: supply.voltage: 'mv' is not a known unit; wanted a voltage such as 1.2 V \
             (did you mean 'mV'?)",
            "s.yaml:6:40: 'v' is not a known unit; wanted a voltage such as 1.2 V (did you mean 'V'?)",
            "s.yaml:8:19: '< -16 dB' is no bound; write at most X, at least X, or between X and Y (write \
             at most -16 dB)",
            "s.yaml:9:21: a sign such as + or 'and' is missing before this (a name of several words is \
             written with '_': codewords_failed)",
        ],
    );
}

#[test]
fn what_would_never_end_or_never_come_about_is_refused() {
    check_faults(
        "sequence: s
deadlines: {point: 20 s}
steps:
  - sweep: {dut.tx.gain: [20, 21]}
    do:
      - wait: 1 min
      - sweep: {turntable.angle: [0 deg], dut.tx.gain: [3]}
        do: [{wait: 15 s}, {repeat: {times: 2}, do: [{wait: 5 s}]}]
  - sweep: {dut.tx.gain: [20, 21]}
    do:
      - wait: 10 s
      - repeat: {until: evm < -16 dB}
        do: [{measure: {}}]
",
        &[
            "s.yaml:7:16: each point waits for 20 s, and may take 20 s (give 'point' under 'deadlines' \
             more, or wait outside)",
            "s.yaml:7:43: dut.tx.gain is an axis of a sweep around this one (a point has one value of \
             each axis; name it once)",
            "s.yaml:12:17: where the condition never comes to hold, or cannot be had, this never ends \
             (write times or at most beside it)",
        ],
    );
}

/// Files that call each other many times over: reading ends at the first call too many, and says it once.
#[test]
fn a_heap_of_calls_is_refused_at_once() {
    let read_texts = std::cell::Cell::new(0);
    let many = |calls: usize, name: &str| {
        format!("sequence: s\nsteps:\n{}", format!("  - call: {name}\n").repeat(calls))
    };
    let long = format!("sequence: long\nsteps:\n{}", "  - note: a word or two\n".repeat(2000));
    for (calls, filler, told) in [
        (30, "sequence: z\nsteps: [{note: a}]\n", "more than 1000 calls"),
        (30, long.as_str(), "calls of more than 2 MiB of text in all"),
    ] {
        let texts = |name: &str| {
            read_texts.set(read_texts.get() + 1);
            let text = match name {
                "a.yaml" => many(calls, "b.yaml"),
                "b.yaml" => many(calls, "c.yaml"),
                _ => filler.to_string(),
            };
            Ok(Source::new(name, text))
        };
        let knobs = knobs();
        let with = ReadWith { knobs: Some(&knobs), given: &[], texts: &texts };
        let source = Source::new("s.yaml", many(calls, "a.yaml"));
        let faults = read_sequence_with(&source, &with).unwrap_err();
        let all: Vec<_> = faults.iter().flat_map(|file| &file.faults).collect();
        assert!(all.len() == 1 && all[0].message == told, "{all:?}");
    }
    // Each file is fetched once.
    assert_eq!(read_texts.get(), 6);
}
