//! Which settings a sequence makes, wherever in it that is.

use std::collections::BTreeSet;

use super::step::{Action, Sequence, Step};

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
