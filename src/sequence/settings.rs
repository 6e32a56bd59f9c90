//! Which settings a sequence makes, wherever in it that is.

use std::collections::BTreeSet;

use super::step::{Action, Assignment, AxisValues, Given, Sequence, Step};
use crate::bench::knob::KnobValue;

impl Sequence {
    /// The full names of all settings that the sequence may make.
    #[must_use]
    pub fn settings(&self) -> BTreeSet<&str> {
        let mut found = BTreeSet::new();
        for steps in [&self.prepare, &self.steps, &self.finally] {
            gather(steps, &mut found);
        }
        if let Some(reference) = &self.reference {
            found.extend(reference.set.iter().map(|assignment| assignment.setting.as_str()));
        }
        found
    }

    /// The full names of all switches that the sequence may switch on; a value that is computed during
    /// the run may be that.
    #[must_use]
    pub fn switched_on(&self) -> BTreeSet<&str> {
        let mut found = BTreeSet::new();
        for steps in [&self.prepare, &self.steps, &self.finally] {
            gather_on(steps, &mut found);
        }
        let reference = self.reference.iter().flat_map(|reference| &reference.set);
        found.extend(reference.filter_map(may_switch_on));
        found
    }
}

impl Sequence {
    /// Whether it measures or searches anywhere.
    #[must_use]
    pub fn captures(&self) -> bool {
        self.reference.is_some()
            || [&self.prepare, &self.steps, &self.finally].into_iter().any(|steps| capture(steps))
    }
}

fn capture(steps: &[Step]) -> bool {
    steps.iter().any(|step| match &step.action {
        Action::Measure(_) | Action::Search(_) => true,
        Action::Sweep(sweep) => capture(&sweep.body),
        Action::Call(call) => capture(&call.steps),
        Action::Repeat(repeat) => capture(&repeat.body),
        Action::When(when) => capture(&when.then) || capture(&when.otherwise),
        _ => false,
    })
}

const ON: KnobValue = KnobValue::Switch(true);

fn may_switch_on(assignment: &Assignment) -> Option<&str> {
    let may = !matches!(&assignment.value, Given::Fixed(value) if *value != ON);
    may.then_some(assignment.setting.as_str())
}

fn gather_on<'s>(steps: &'s [Step], found: &mut BTreeSet<&'s str>) {
    for step in steps {
        match &step.action {
            Action::Set(assignments) => found.extend(assignments.iter().filter_map(may_switch_on)),
            Action::Sweep(sweep) => {
                let on = |values: &AxisValues| matches!(values, AxisValues::List(all) if all.contains(&ON));
                let axes = sweep.axes.iter().filter(|axis| on(&axis.values));
                found.extend(axes.map(|axis| axis.setting.as_str()));
                gather_on(&sweep.body, found);
            }
            Action::Call(call) => gather_on(&call.steps, found),
            Action::Repeat(repeat) => gather_on(&repeat.body, found),
            Action::When(when) => {
                gather_on(&when.then, found);
                gather_on(&when.otherwise, found);
            }
            _ => {}
        }
    }
}

/// The settings that a step makes, with those of the steps in it, in order and each once.
#[must_use]
pub fn settings_of(step: &Step) -> Vec<&str> {
    let mut ordered = Ordered(Vec::new());
    gather(std::slice::from_ref(step), &mut ordered);
    let mut met = BTreeSet::new();
    ordered.0.into_iter().filter(|setting| met.insert(*setting)).collect()
}

/// Settings in the order in which they are met.
struct Ordered<'s>(Vec<&'s str>);

impl<'s> Extend<&'s str> for Ordered<'s> {
    fn extend<I: IntoIterator<Item = &'s str>>(&mut self, settings: I) {
        self.0.extend(settings);
    }
}

fn gather<'s>(steps: &'s [Step], found: &mut impl Extend<&'s str>) {
    for step in steps {
        match &step.action {
            Action::Set(assignments) => {
                found.extend(assignments.iter().map(|assignment| assignment.setting.as_str()));
            }
            Action::Sweep(sweep) => {
                found.extend(sweep.axes.iter().map(|axis| axis.setting.as_str()));
                gather(&sweep.body, found);
            }
            Action::Call(call) => gather(&call.steps, found),
            Action::Repeat(repeat) => gather(&repeat.body, found),
            Action::When(when) => {
                gather(&when.then, found);
                gather(&when.otherwise, found);
            }
            _ => {}
        }
    }
}
