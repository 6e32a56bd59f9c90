//! What a run has asked of the bench so far, to make it again after an instrument lost it.

use crate::bench::knob::KnobValue;

/// Each setting with the value last asked for, in the order in which they were last made.
///
/// Holds only what the sequence asked for by itself: a beam, not the phase codes that follow from it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ledger {
    made: Vec<(String, KnobValue)>,
}

impl Ledger {
    /// Notes that a setting was made.
    pub fn note(&mut self, setting: &str, value: &KnobValue) {
        self.made.retain(|(made, _)| made != setting);
        self.made.push((setting.to_string(), value.clone()));
    }

    /// All of it in the order in which it is made again: what belongs to the same instrument as an output
    /// that is on comes before that output is switched on, as a supply's limit that was changed since.
    pub fn in_safe_order(
        &self,
        is_output: impl Fn(&str) -> bool,
        same_instrument: impl Fn(&str, &str) -> bool,
    ) -> Vec<(String, KnobValue)> {
        let mut ordered = self.made.clone();
        let outputs: Vec<String> = self
            .made
            .iter()
            .filter(|(setting, value)| *value == KnobValue::Switch(true) && is_output(setting))
            .map(|(setting, _)| setting.clone())
            .collect();
        for output in outputs {
            let Some(at) = ordered.iter().position(|(made, _)| *made == output) else { continue };
            let later = ordered.split_off(at);
            let belongs = |one: &(String, KnobValue)| {
                one.0 != output && !is_output(&one.0) && same_instrument(&one.0, &output)
            };
            let (before, after): (Vec<_>, Vec<_>) = later.into_iter().partition(belongs);
            ordered.extend(before);
            ordered.extend(after);
        }
        ordered
    }

    /// What a setting was last asked to be.
    pub fn value(&self, setting: &str) -> Option<&KnobValue> {
        self.made.iter().find(|(made, _)| made == setting).map(|(_, value)| value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_setting_stands_once_where_it_was_last_made() {
        let mut ledger = Ledger::default();
        for (setting, value) in [("a.x", 1), ("b.y", 2), ("a.x", 3)] {
            ledger.note(setting, &KnobValue::Whole(value));
        }
        let wanted =
            [("b.y".to_string(), KnobValue::Whole(2)), ("a.x".into(), KnobValue::Whole(3))];
        assert_eq!(ledger.in_safe_order(|_| false, |_, _| false), wanted);
        assert_eq!(ledger.value("a.x"), Some(&KnobValue::Whole(3)));
        assert_eq!(ledger.value("c.z"), None);
    }

    #[track_caller]
    fn check_order(made: &[(&str, bool)], wanted: &[&str]) {
        let mut ledger = Ledger::default();
        for (setting, on) in made {
            ledger.note(setting, &KnobValue::Switch(*on));
        }
        let owner = |setting: &str| setting.split_once('.').unwrap().0.to_string();
        let ordered = ledger
            .in_safe_order(|one| one.ends_with(".output"), |one, other| owner(one) == owner(other));
        let names: Vec<&str> = ordered.iter().map(|(setting, _)| setting.as_str()).collect();
        assert_eq!(names, wanted);
    }

    #[test]
    fn an_output_comes_on_after_all_that_its_instrument_was_set_to() {
        check_order(
            &[("s.limit", false), ("s.output", true), ("chip.gain", false), ("s.voltage", false)],
            &["s.limit", "s.voltage", "s.output", "chip.gain"],
        );
        // One that is off hurts nobody.
        check_order(
            &[("s.output", false), ("chip.gain", false), ("s.voltage", false)],
            &["s.output", "chip.gain", "s.voltage"],
        );
        check_order(
            &[("s.output", true), ("g.output", true), ("g.level", false), ("s.voltage", false)],
            &["s.voltage", "s.output", "g.level", "g.output"],
        );
    }
}
