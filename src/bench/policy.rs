//! What is done when something fails: by class of failure, from the bench file or the sequence.
//!
//! Values only; the run carries them out.

use std::time::Duration;

use beamwarden_drivers::fault::Fault;
use beamwarden_drivers::marked::Node;
use beamwarden_drivers::shape;

use super::durations::duration_of;

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

impl Policy {
    /// Reads what stands under `on failure`; what is not said there is as by default.
    pub fn read(node: &Node, faults: &mut Vec<Fault>) -> Self {
        let default = Policy::default();
        let mut policy = Policy {
            transient: remedy(node.get("transient"), default.transient, false, faults),
            instrument: remedy(node.get("instrument"), default.instrument, false, faults),
            doubt: remedy(node.get("doubt"), default.doubt, true, faults),
            ..default
        };
        let Some(stop) = node.get("stop after") else { return policy };
        if let Some(points) = count(stop, "in a row") {
            policy.stop_in_a_row = (points > 0).then_some(points);
        }
        if let Some(place) = stop.get("share") {
            let share = place.text().and_then(shape::number).unwrap_or(1.0);
            if !(share > 0.0 && share <= 1.0) {
                let message = "a share is more than 0 % and at most 100 %";
                faults.push(Fault::new(place.span.clone(), message));
            }
            let of_the_last = count(stop, "of the last").unwrap_or(SHARE_OF_DEFAULT);
            policy.stop_share = Some(StopShare { share, of_the_last });
        } else if let Some(place) = stop.get("of the last") {
            let fault = Fault::new(place.span.clone(), "'of the last' goes with 'share'");
            faults.push(fault.with_help("write share: 20 % beside it"));
        }
        policy
    }
}

/// Of how many points a share is taken when the file does not say.
const SHARE_OF_DEFAULT: u64 = 50;

fn count(node: &Node, key: &str) -> Option<u64> {
    u64::try_from(shape::whole(node.get(key)?.text()?)?).ok()
}

fn remedy(node: Option<&Node>, default: Remedy, doubt: bool, faults: &mut Vec<Fault>) -> Remedy {
    let Some(node) = node else { return default };
    let mut remedy = default;
    if let Some(retries) = count(node, "retries").and_then(|retries| u32::try_from(retries).ok()) {
        remedy.retries = retries;
    }
    if let Some(wait) = duration_of(node, "wait", faults) {
        if wait > RETRY_WAIT_MAX {
            let span = node.get("wait").map_or(0..0, |place| place.span.clone());
            faults.push(Fault::new(span, "a wait between two tries is at most 10 min"));
        }
        remedy.wait = wait;
    }
    if let Some(place) = node.get("factor")
        && let Some(factor) = place.text().and_then(shape::number)
    {
        if !(1.0..=100.0).contains(&factor) {
            faults.push(Fault::new(place.span.clone(), "a factor is between 1 and 100"));
        }
        remedy.factor = factor;
    }
    if let Some(place) = node.get("then") {
        match place.text() {
            Some("stop") => remedy.then = Then::Stop,
            Some("skip point") => remedy.then = Then::SkipPoint,
            Some("go on") if doubt => remedy.then = Then::GoOn,
            Some("go on") => {
                let fault = Fault::new(place.span.clone(), "'go on' is for doubts only");
                faults.push(fault.with_help("a setting or capture that failed is not there"));
            }
            _ => {}
        }
    }
    remedy
}

#[cfg(test)]
mod tests {
    use super::*;
    use beamwarden_drivers::fault::Source;

    #[track_caller]
    fn read(text: &str) -> (Policy, Vec<String>) {
        let source = Source::new("s.yaml", text);
        let (root, mut faults) = beamwarden_drivers::marked::parse(&source).unwrap();
        let policy = Policy::read(&root, &mut faults);
        (policy, faults.into_iter().map(|fault| fault.message).collect())
    }

    #[test]
    fn what_a_file_does_not_say_is_as_by_default() {
        assert_eq!(read("{}"), (Policy::default(), vec![]));
        let (policy, faults) = read(
            "transient: {retries: 5, wait: 500 ms, factor: 2, then: stop}
doubt: {retries: 1}
stop after: {in a row: 0, share: 20 %}
",
        );
        assert_eq!(faults, Vec::<String>::new());
        let wait = Duration::from_millis(500);
        let transient = Remedy { retries: 5, wait, factor: 2.0, then: Then::Stop };
        assert_eq!(policy.transient, transient);
        assert_eq!(policy.instrument, Policy::default().instrument);
        assert_eq!((policy.doubt.retries, policy.doubt.then), (1, Then::GoOn));
        assert_eq!(policy.stop_in_a_row, None);
        assert_eq!(policy.stop_share, Some(StopShare { share: 0.2, of_the_last: 50 }));
    }

    #[test]
    fn ways_that_lead_nowhere_are_told() {
        let (_, faults) = read(
            "transient: {wait: 11 min, factor: 0.5, then: go on}
stop after: {share: 120 %}
",
        );
        assert_eq!(
            faults,
            [
                "a wait between two tries is at most 10 min",
                "a factor is between 1 and 100",
                "'go on' is for doubts only",
                "a share is more than 0 % and at most 100 %",
            ]
        );
        assert_eq!(read("stop after: {of the last: 9}").1, ["'of the last' goes with 'share'"]);
    }

    #[test]
    fn waits_grow_and_end() {
        let remedy = Policy::default().transient;
        let waits: Vec<u64> = (1..=4).map(|n| remedy.wait_before(n).as_secs()).collect();
        assert_eq!(waits, [1, 3, 9, 27]);
        assert_eq!(remedy.wait_before(u32::MAX), RETRY_WAIT_MAX);
    }
}
