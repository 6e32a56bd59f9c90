//! What can be known before a run from its files alone: `check` tells it, and the preflight looks at the
//! same. Reaches no instrument.

use std::collections::BTreeSet;

use beamwarden_drivers::profile::Role;
use beamwarden_drivers::quantity::Dimension;

use crate::bench::BenchPlan;
use crate::bench::knob::{FRAME, Knob, KnobKind};
use crate::record::PreflightCheck;
use crate::sequence::Sequence;

/// Whether bench file and sequence have what an unattended run needs, each look with what to do where it
/// fails.
#[must_use]
pub fn looks_at_files(plan: &BenchPlan, sequence: &Sequence) -> Vec<PreflightCheck> {
    vec![
        limits_known(plan, &sequence.settings()),
        outputs_end(plan, &sequence.switched_on()),
        frame_is_set(sequence),
    ]
}

pub(super) fn check(what: &str, passed: bool, found: String) -> PreflightCheck {
    PreflightCheck { what: what.to_string(), passed, found }
}

fn role_of(plan: &BenchPlan, knob: &Knob) -> Option<Role> {
    let (name, _) = knob.name.split_once('.')?;
    plan.instruments.iter().find(|planned| planned.name == name).map(|planned| planned.role)
}

/// Whether all that the sequence sets, and that feeds a chip or radiates, has an upper limit in the
/// bench file.
fn limits_known(plan: &BenchPlan, set: &BTreeSet<&str>) -> PreflightCheck {
    let what = "limits of all that feeds a chip or radiates";
    let without: Vec<&str> = plan
        .knobs()
        .iter()
        .filter(|knob| set.contains(knob.name.as_str()))
        .filter(|knob| {
            let KnobKind::Number(dimension) = knob.kind else { return false };
            let hurts = match role_of(plan, knob) {
                Some(Role::Supply) => matches!(dimension, Dimension::Voltage | Dimension::Current),
                Some(Role::WaveformSource) => {
                    matches!(dimension, Dimension::Voltage | Dimension::PowerLevel)
                }
                _ => false,
            };
            hurts && !knob.at_most.iter().any(|bound| bound.protects)
        })
        .map(|knob| knob.name.as_str())
        .collect();
    match without.as_slice() {
        [] => check(what, true, "all have one".to_string()),
        [first, ..] => {
            let all = without.join(", ");
            let told = format!(
                "none for {all}; write in the bench file what the chip bears, such as \
                 limits: {{{first}: {{at most: …}}}}"
            );
            check(what, false, told)
        }
    }
}

/// Whether the safe state says of each output that the sequence may switch on what becomes of it: whoever
/// comes in the morning after a failure finds the bench as the safe state left it.
fn outputs_end(plan: &BenchPlan, switched_on: &BTreeSet<&str>) -> PreflightCheck {
    let what = "the safe state of all that is switched on";
    let left: Vec<&str> = plan
        .knobs()
        .iter()
        .filter(|knob| matches!(knob.kind, KnobKind::Switch))
        .filter(|knob| matches!(role_of(plan, knob), Some(Role::Supply | Role::WaveformSource)))
        .map(|knob| knob.name.as_str())
        .filter(|name| switched_on.contains(name))
        .filter(|name| !plan.safe_state.iter().any(|(setting, _)| setting == name))
        .collect();
    match left.as_slice() {
        [] => check(what, true, "each is in it".to_string()),
        [first, ..] => {
            let all = left.join(", ");
            let told = format!(
                "{all} would stay on at the end of the run, whatever happened; write in the bench \
                 file, under 'safe state', {{{first}: off}}, or {{{first}: on}} where that is meant"
            );
            check(what, false, told)
        }
    }
}

/// Whether anything is on the air where the sequence measures or searches.
fn frame_is_set(sequence: &Sequence) -> PreflightCheck {
    let what = "a frame for what is measured";
    if !sequence.captures() {
        check(what, true, "nothing is measured".to_string())
    } else if sequence.settings().contains(FRAME) {
        check(what, true, "one is set".to_string())
    } else {
        let told = "none is ever set; put the frame on the air first, such as \
                    set: {frame: qpsk uncoded}";
        check(what, false, told.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sequence::read_sequence;
    use beamwarden_drivers::fault::Source;

    const BENCH: &str = include_str!("../../sequences/packing-arm.bench.yaml");

    /// The looks that fail, of a sequence on a bench whose text was changed.
    #[track_caller]
    fn check_looks(change: (&str, &str), steps: &str, wanted: &[(&str, &str)]) {
        let bench = BENCH.replace(change.0, change.1);
        assert!(change.0.is_empty() || bench != BENCH, "{change:?}");
        let plan = BenchPlan::load(&Source::new("bench.yaml", bench), None)
            .map_err(|files| files[0].render(false))
            .unwrap_or_else(|told| panic!("{told}"));
        let source = Source::new("s.yaml", format!("sequence: s\nsteps:\n{steps}"));
        let sequence = read_sequence(&source, plan.knobs())
            .map_err(|faults| faults.render(false))
            .unwrap_or_else(|told| panic!("{told}"));
        let looks = looks_at_files(&plan, &sequence);
        let failed: Vec<_> = looks.iter().filter(|look| !look.passed).collect();
        assert_eq!(failed.len(), wanted.len(), "{failed:?}");
        for (look, (what, found)) in failed.iter().zip(wanted) {
            assert!(look.what.contains(what) && look.found.contains(found), "{look:?}");
        }
    }

    #[test]
    fn files_say_what_an_unattended_run_needs() {
        let on = "  - set: {source.output: on, supply.output: on}\n";
        let none = ("", "");
        check_looks(none, on, &[]);
        let supply = ("  - {supply.output: off}\n", "");
        let left = ("safe state of all", "supply.output would stay on");
        check_looks(supply, on, &[left]);
        check_looks((supply.0, "  - {supply.output: on}\n"), on, &[]);
        // What is not switched on is nobody's business.
        check_looks(supply, "  - set: {source.output: on, supply.output: off}\n", &[]);
        let swept = "  - sweep: {supply.output: [off, on]}\n    do: [{wait: 1 s}]\n";
        check_looks(supply, swept, &[left]);
        let hidden = "  - when: turntable.angle > 1 deg\n    do: [{set: {supply.output: on}}]\n";
        check_looks(supply, hidden, &[left]);
        let frame = ("a frame", "none is ever set");
        check_looks(none, "  - measure: {}\n", &[frame]);
        check_looks(none, "  - search beams: {side: rx}\n", &[frame]);
        check_looks(none, "  - set: {frame: mcs 9}\n  - measure: {}\n", &[]);
    }
}
