//! What is allowed in a sequence and seldom meant.

use super::step::{Action, Axis, Sequence, Step};
use crate::beam::search::Sides;
use crate::bench::knob::{BEAM_RX, BEAM_TX};

impl Sequence {
    /// Each with its place and what follows from it.
    #[must_use]
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        look(&self.steps, &mut Vec::new(), &mut remarks);
        remarks
    }
}

/// Looks for steps that set an axis of a sweep around them.
fn look<'s>(steps: &'s [Step], around: &mut Vec<&'s Axis>, remarks: &mut Vec<String>) {
    for step in steps {
        let mut moved: Vec<&str> = Vec::new();
        match &step.action {
            Action::Set(assignments) => {
                moved.extend(assignments.iter().map(|one| one.setting.as_str()));
            }
            Action::Search(search) => {
                moved.extend((search.sides != Sides::Rx).then_some(BEAM_TX));
                moved.extend((search.sides != Sides::Tx).then_some(BEAM_RX));
            }
            Action::Sweep(sweep) => {
                around.extend(&sweep.axes);
                look(&sweep.body, around, remarks);
                around.truncate(around.len() - sweep.axes.len());
            }
            Action::Call(call) => look(&call.steps, around, remarks),
            Action::Repeat(repeat) => look(&repeat.body, around, remarks),
            Action::When(when) => {
                look(&when.then, around, remarks);
                look(&when.otherwise, around, remarks);
            }
            _ => {}
        }
        for axis in around.iter().filter(|axis| moved.contains(&axis.setting.as_str())) {
            remarks.push(format!(
                "{}: {} is an axis of the sweep around this step: what is measured from here on is \
                 measured beside the plan, and the next point sets it again",
                step.place, axis.setting
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::read_sequence;
    use crate::bench::BenchPlan;
    use beamwarden_drivers::fault::Source;

    const BENCH: &str = include_str!("../../sequences/packing-arm.bench.yaml");

    #[track_caller]
    fn check_remarks(steps: &str, wanted: &[&str]) {
        let plan = BenchPlan::load(&Source::new("bench.yaml", BENCH), None).unwrap();
        let source = Source::new("s.yaml", format!("sequence: s\nsteps:\n{steps}"));
        let sequence = read_sequence(&source, plan.knobs())
            .map_err(|faults| faults.render(false))
            .unwrap_or_else(|told| panic!("{told}"));
        let remarks = sequence.remarks();
        assert_eq!(remarks.len(), wanted.len(), "{remarks:?}");
        for (remark, wanted) in remarks.iter().zip(wanted) {
            assert!(remark.starts_with(wanted), "{remark}");
        }
    }

    #[test]
    fn steps_that_set_an_axis_around_them_are_told() {
        let sweep = |body: &str| {
            format!("  - sweep: {{beam.rx: [0 deg], dut.tx.gain: [12, 24]}}\n    do:\n{body}")
        };
        let set = "      - when: turntable.angle < 1 deg\n        do: [{set: {dut.tx.gain: 28}}]\n";
        check_remarks(&sweep(set), &["s.yaml:6: dut.tx.gain is an axis"]);
        let search = "      - search beams: {side: both}\n";
        check_remarks(&sweep(search), &["s.yaml:5: beam.rx is an axis"]);
        check_remarks(&sweep("      - search beams: {side: tx}\n"), &[]);
        check_remarks(&sweep("      - set: {dut.rx.gain: 3}\n"), &[]);
        // Outside the sweep it is a setting like any other.
        let before = format!("  - set: {{dut.tx.gain: 3}}\n{}", sweep("      - measure: {}\n"));
        check_remarks(&before, &[]);
    }
}
