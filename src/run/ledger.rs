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

    /// All of it, in order.
    pub fn entries(&self) -> &[(String, KnobValue)] {
        &self.made
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
        assert_eq!(ledger.entries(), wanted);
        assert_eq!(ledger.value("a.x"), Some(&KnobValue::Whole(3)));
        assert_eq!(ledger.value("c.z"), None);
    }
}
