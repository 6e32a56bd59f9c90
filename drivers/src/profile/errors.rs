//! What entries of an error queue mean for whoever has to go on.
//!
//! Knows numbers; their wording differs between devices.

use crate::class::Class;
use crate::message::{ErrorClass, ErrorEntry};

/// The number that says that the queue was full and lost entries (SCPI-99 vol. 2, 21.8.11).
pub const QUEUE_OVERFLOW: i32 = -350;

/// How the error queue is read.
#[derive(Clone, Debug)]
pub struct ErrorQueue {
    /// Query for the next entry.
    pub query: String,
    /// The number that says that there is none.
    pub none: i32,
    /// The most entries read at one go; a queue that goes on is a fault of the instrument.
    pub bound: usize,
    /// What numbers mean where it differs from the standard; the first that fits counts.
    pub rules: Vec<ErrorRule>,
}

/// What a range of numbers means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ErrorRule {
    /// The lowest number.
    pub lowest: i32,
    /// The highest number.
    pub highest: i32,
    /// What they mean.
    pub policy: ErrorPolicy,
}

/// What an entry means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ErrorPolicy {
    /// The step failed and may succeed when it is repeated.
    Retry,
    /// The step failed, and will again.
    Instrument,
    /// The step succeeded; the entry is noted.
    Note,
    /// The instrument has restarted.
    Restart,
}

impl ErrorPolicy {
    /// Names in profiles.
    pub const NAMES: &'static [&'static str] = &["retry", "instrument", "note", "restart"];

    /// The word for it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            ErrorPolicy::Retry => "retry",
            ErrorPolicy::Instrument => "instrument",
            ErrorPolicy::Note => "note",
            ErrorPolicy::Restart => "restart",
        }
    }

    /// The policy of a name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        match name {
            "retry" => Some(ErrorPolicy::Retry),
            "instrument" => Some(ErrorPolicy::Instrument),
            "note" => Some(ErrorPolicy::Note),
            "restart" => Some(ErrorPolicy::Restart),
            _ => None,
        }
    }

    /// What a number means where the profile says nothing: errors of the line (-36x) and of
    /// questions and answers out of step (-4xx) may not come again, -5xx is a restart, the rest of
    /// the events below (-6xx user request, -7xx request control, -8xx operation complete) is no
    /// error at all (SCPI-99 vol. 2, 21.8).
    #[must_use]
    pub fn standard(entry: &ErrorEntry) -> Self {
        match (entry.number, entry.class()) {
            (-363..=-360 | -365, _) | (_, ErrorClass::Query) => ErrorPolicy::Retry,
            (_, ErrorClass::PowerOn) => ErrorPolicy::Restart,
            (-899..=-600, _) => ErrorPolicy::Note,
            _ => ErrorPolicy::Instrument,
        }
    }
}

impl ErrorQueue {
    /// What an entry means. An overflow is always a fault: nobody knows what was lost.
    #[must_use]
    pub fn policy(&self, entry: &ErrorEntry) -> ErrorPolicy {
        if entry.number == QUEUE_OVERFLOW {
            return ErrorPolicy::Instrument;
        }
        let rule =
            self.rules.iter().find(|rule| (rule.lowest..=rule.highest).contains(&entry.number));
        rule.map_or_else(|| ErrorPolicy::standard(entry), |rule| rule.policy)
    }

    /// The class of several entries together: they may pass only if each of them may.
    #[must_use]
    pub fn class(&self, entries: &[ErrorEntry]) -> Class {
        let passing = |entry: &ErrorEntry| {
            matches!(self.policy(entry), ErrorPolicy::Retry | ErrorPolicy::Note)
        };
        if entries.iter().all(passing) { Class::Transient } else { Class::Instrument }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(number: i32) -> ErrorEntry {
        ErrorEntry { number, text: String::new(), detail: None }
    }

    /// Classes of SCPI-99 vol. 2, 21.8.
    #[test]
    fn the_first_rule_that_fits_counts_then_the_standard() {
        use ErrorPolicy as P;
        let rule = |lowest, highest, policy| ErrorRule { lowest, highest, policy };
        let rules =
            vec![rule(-222, -222, P::Retry), rule(-299, -200, P::Note), rule(1, 99, P::Note)];
        let plain = ErrorQueue { query: "E?".into(), none: 0, bound: 9, rules: Vec::new() };
        let own = ErrorQueue { rules, ..plain.clone() };
        for (number, standard, ours) in [
            (-113, P::Instrument, P::Instrument),
            (-222, P::Instrument, P::Retry),
            (-221, P::Instrument, P::Note),
            (-310, P::Instrument, P::Instrument),
            (-350, P::Instrument, P::Instrument),
            (-360, P::Retry, P::Retry),
            (-364, P::Instrument, P::Instrument),
            (-365, P::Retry, P::Retry),
            (-410, P::Retry, P::Retry),
            (-500, P::Restart, P::Restart),
            (-600, P::Note, P::Note),
            (-800, P::Note, P::Note),
            (-900, P::Instrument, P::Instrument),
            (42, P::Instrument, P::Note),
            (100, P::Instrument, P::Instrument),
        ] {
            assert_eq!(
                (plain.policy(&entry(number)), own.policy(&entry(number))),
                (standard, ours)
            );
        }
        assert_eq!(own.class(&[entry(-222), entry(-221)]), Class::Transient);
        assert_eq!(plain.class(&[entry(-410), entry(-222)]), Class::Instrument);
        assert!(P::NAMES.iter().all(|name| P::parse(name).is_some_and(|p| p.name() == *name)));
    }
}
