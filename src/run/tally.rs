//! What a run counts, and when too much of it has failed.

use std::collections::VecDeque;

use crate::bench::policy::{Policy, StopShare};

/// The counts of a run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    /// Points finished.
    pub points: u64,
    /// Points given up.
    pub points_skipped: u64,
    /// Actions tried again.
    pub retries: u64,
    /// Measurements finished.
    pub measurements: u64,
    /// Expectations that did not hold.
    pub expectations_failed: u64,
    /// Points given up in a row.
    in_a_row: u64,
    /// Whether each of the last points was given up.
    last: VecDeque<bool>,
}

impl Tally {
    /// Counts a point that is finished.
    pub fn finished(&mut self, policy: &Policy) {
        self.points += 1;
        self.in_a_row = 0;
        self.look_back(policy, false);
    }

    /// Counts points that were given up for one reason; why the run must stop, if it must.
    pub fn given_up(&mut self, policy: &Policy) -> Option<String> {
        self.in_a_row += 1;
        self.look_back(policy, true);
        if policy.stop_in_a_row.is_some_and(|most| self.in_a_row >= most) {
            let points = if self.in_a_row == 1 { "point was" } else { "points in a row were" };
            return Some(format!("{} {points} given up", self.in_a_row));
        }
        let StopShare { share, of_the_last } = policy.stop_share?;
        let failed = self.last.iter().filter(|failed| **failed).count() as u64;
        // A share is told of a full window only: the first failure is not all of them.
        let full = self.last.len() as u64 >= of_the_last;
        (full && failed as f64 >= share * of_the_last as f64)
            .then(|| format!("{failed} of the last {of_the_last} points were given up"))
    }

    fn look_back(&mut self, policy: &Policy, failed: bool) {
        let Some(StopShare { of_the_last, .. }) = policy.stop_share else { return };
        self.last.push_back(failed);
        while self.last.len() as u64 > of_the_last {
            self.last.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn policy(in_a_row: Option<u64>, share: Option<(f64, u64)>) -> Policy {
        Policy {
            stop_in_a_row: in_a_row,
            stop_share: share.map(|(share, of_the_last)| StopShare { share, of_the_last }),
            ..Policy::default()
        }
    }

    /// `+` is a point finished, `-` one given up; yields after how many the run must stop.
    #[track_caller]
    fn check(policy: &Policy, story: &str, stops_after: Option<usize>) {
        let mut tally = Tally::default();
        let stopped = story.chars().position(|point| match point {
            '+' => {
                tally.finished(policy);
                false
            }
            _ => tally.given_up(policy).is_some(),
        });
        assert_eq!(stopped.map(|index| index + 1), stops_after, "{story}");
    }

    #[test]
    fn too_many_in_a_row_stop_a_run() {
        check(&policy(Some(3), None), "+--+--+---", Some(10));
        check(&policy(Some(1), None), "++-", Some(3));
        check(&policy(None, None), "-----------", None);
    }

    #[test]
    fn too_large_a_share_stops_a_run() {
        check(&policy(None, Some((0.5, 4))), "---", None);
        check(&policy(None, Some((0.5, 4))), "+-+-", Some(4));
        check(&policy(None, Some((0.5, 4))), "-+++-+++-", None);
    }
}
