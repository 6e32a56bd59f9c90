//! What is done when something fails: by class of failure, from the bench file or the sequence.
//!
//! Values only; the run carries them out.

use std::time::Duration;

/// What is done about failures.
#[derive(Clone, Debug, PartialEq)]
pub struct Policy {
    /// About lost and garbled answers, lost links, actions that overran their deadline.
    pub transient: Remedy,
    /// About instruments that refuse, restart, report errors or are not to be found.
    pub instrument: Remedy,
    /// About captures that cannot be trusted.
    pub doubt: Remedy,
    /// Points given up in a row after which the run stops; `None` never stops it.
    pub stop_in_a_row: Option<u64>,
    /// A share of points given up among the last ones, from which on the run stops.
    pub stop_share: Option<StopShare>,
}

/// Tries again, then does something else.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Remedy {
    /// Tries after the first.
    pub retries: u32,
    /// Wait before the first of them.
    pub wait: Duration,
    /// Each further wait is so many times the one before.
    pub factor: f64,
    /// When all tries failed.
    pub then: Then,
}

/// When all tries failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Then {
    /// Give the point up and go on with the next; outside a point, stop.
    SkipPoint,
    /// Stop the run.
    Stop,
    /// Go on all the same, the doubt being in the record; for doubts only.
    GoOn,
}

/// See [`Policy::stop_share`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StopShare {
    /// Share of the points looked at, 0 to 1.
    pub share: f64,
    /// How many points are looked at.
    pub of_the_last: u64,
}

/// Longest wait between two tries.
pub const RETRY_WAIT_MAX: Duration = Duration::from_secs(600);

impl Default for Policy {
    /// Three more tries for what is transient and one for what an instrument refuses, then the next
    /// point; after five points in a row nobody believes in the sixth.
    fn default() -> Self {
        let remedy = |retries, wait_s| Remedy {
            retries,
            wait: Duration::from_secs(wait_s),
            factor: 3.0,
            then: Then::SkipPoint,
        };
        Policy {
            transient: remedy(3, 1),
            instrument: remedy(1, 2),
            doubt: Remedy { then: Then::GoOn, ..remedy(0, 0) },
            stop_in_a_row: Some(5),
            stop_share: None,
        }
    }
}

impl Policy {
    /// Nothing is tried again: somebody sits in front of it.
    pub const STOP_AT_ONCE: Policy = {
        let stop = Remedy { retries: 0, wait: Duration::ZERO, factor: 1.0, then: Then::Stop };
        let go_on = Remedy { retries: 0, wait: Duration::ZERO, factor: 1.0, then: Then::GoOn };
        Policy {
            transient: stop,
            instrument: stop,
            doubt: go_on,
            stop_in_a_row: None,
            stop_share: None,
        }
    };
}

impl Remedy {
    /// The wait before try `number`, the first retry being 1.
    #[must_use]
    pub fn wait_before(&self, number: u32) -> Duration {
        let factor =
            self.factor.max(1.0).powi(i32::try_from(number.saturating_sub(1)).unwrap_or(i32::MAX));
        let seconds = self.wait.as_secs_f64() * factor;
        RETRY_WAIT_MAX.min(Duration::try_from_secs_f64(seconds).unwrap_or(RETRY_WAIT_MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_end() {
        let remedy = Policy::default().transient;
        let waits: Vec<u64> = (1..=4).map(|n| remedy.wait_before(n).as_secs()).collect();
        assert_eq!(waits, [1, 3, 9, 27]);
        assert_eq!(remedy.wait_before(u32::MAX), RETRY_WAIT_MAX);
    }
}
