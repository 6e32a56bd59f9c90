//! A night in one paragraph: what counts, counted.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::record::{Entry, Event, Numbers, Outcome, Remedy};
use crate::report::number::{count, duration};

/// Most instruments whose failures are named.
const INSTRUMENTS_MAX: usize = 3;
/// Longest wait for an answer that is believed, seconds.
const WAITED_MAX_S: f64 = 86_400.0;
/// Most instruments and interlocks that are counted apart.
const APART_MAX: usize = 200;

/// How the driver's remarks begin that a link was lost, that it works again, that an instrument lost its
/// settings; the journal keeps them in words.
const OUT_OF_STEP: &str = "the link is out of step";
const IN_STEP: &str = "the link is in step again";
const RESTARTED: &str = "the instrument has restarted";

/// Counts of a night.
#[derive(Clone, Debug, Default)]
pub(super) struct Night {
    planned: Option<u64>,
    finished: Numbers,
    skipped: Numbers,
    retries: u64,
    /// Failures at each instrument.
    outages: BTreeMap<String, Outage>,
    interlocks: BTreeMap<String, (u64, Timestamp)>,
    pauses: u64,
    paused_s: f64,
    resumed: u64,
    /// How often the bench was made safe after a cut, and no step was done.
    made_safe: u64,
    /// Restarts of each instrument, and the first of them.
    restarts: BTreeMap<String, (u64, Timestamp)>,
    made_again: u64,
    questions: u64,
    by_default: u64,
    untold: u64,
    references: u64,
    outside: u64,
    doubtful: u64,
    preflight: Option<(u64, u64)>,
    outcome: Option<Outcome>,
    safe: Option<bool>,
}

/// Failures at one instrument.
#[derive(Clone, Debug)]
struct Outage {
    times: u64,
    first: Timestamp,
    /// Since when it fails now.
    since: Option<Timestamp>,
    /// Longest time until it worked again, seconds.
    longest_s: Option<f64>,
}

impl Night {
    pub(super) fn take(&mut self, entry: &Entry, counts: bool) {
        let at = entry.at;
        match &entry.event {
            Event::RunStarted(start) => self.planned = start.points_planned,
            Event::RunResumed(_) => {
                (self.outcome, self.safe) = (None, None);
            }
            Event::RunEnded(end) => self.outcome = Some(end.outcome),
            Event::SafeState(state) => self.safe = Some(state.failed.is_empty()),
            Event::PointFinished(point) => {
                if counts {
                    self.finished.insert(point.point);
                    self.skipped.remove(point.point);
                }
                self.works_again(at, |_| true);
            }
            Event::PointSkipped(point) if counts => {
                self.skipped.insert(point.point);
            }
            Event::Failure(failure) => {
                self.retries += u64::from(failure.remedy == Remedy::Retried);
                if let Some(name) = &failure.instrument {
                    self.failed(name, began(at, &failure.message));
                }
            }
            Event::Note(note) => {
                if let Some(name) = &note.instrument {
                    self.noted(name, at, &note.message);
                }
            }
            // Every instrument took part in it.
            Event::Search(search) => {
                if search.found {
                    self.works_again(at, |_| true);
                }
            }
            Event::Setting(done) => {
                let name = &done.setting.name;
                self.works_again(at, |failed| name.split('.').next() == Some(failed));
            }
            Event::Instrument(found) => self.works_again(at, |failed| failed == found.name),
            Event::Reestablished(_) => {
                self.made_again += 1;
                self.works_again(at, |_| true);
            }
            Event::Measurement(done) => {
                self.doubtful += u64::from(counts && !done.doubts.is_empty());
                self.works_again(at, |_| true);
            }
            Event::Interlock(tripped) => {
                let known = self.interlocks.contains_key(&tripped.name);
                if known || self.interlocks.len() < APART_MAX {
                    let entry = self.interlocks.entry(tripped.name.clone());
                    entry.or_insert((0, at)).0 += 1;
                }
            }
            Event::Paused(_) => self.pauses += 1,
            Event::WentOn(on) => self.paused_s += on.after_s,
            Event::Answered(answered) => {
                self.questions += 1;
                self.by_default += u64::from(!answered.by_a_person);
            }
            Event::Notified(notified) => self.untold += u64::from(notified.failed.is_some()),
            Event::Reference(taken) => {
                self.references += 1;
                self.outside += u64::from(!taken.within);
            }
            Event::Preflight(preflight) => {
                let failed = preflight.checks.iter().filter(|check| !check.passed).count();
                self.preflight = Some((preflight.checks.len() as u64, failed as u64));
            }
            _ => {}
        }
    }

    pub(super) fn end(&mut self) {
        // What still fails at the end never worked again.
        self.outages.values_mut().for_each(|outage| outage.since = None);
    }

    /// A remark of the driver on an instrument that nobody asked for.
    fn noted(&mut self, name: &str, at: Timestamp, message: &str) {
        if message.starts_with(OUT_OF_STEP) {
            self.failed(name, began(at, message));
        } else if message.starts_with(IN_STEP) {
            self.works_again(at, |failed| failed == name);
        } else if message.starts_with(RESTARTED)
            && (self.restarts.contains_key(name) || self.restarts.len() < APART_MAX)
        {
            self.restarts.entry(name.to_owned()).or_insert((0, at)).0 += 1;
        }
    }

    /// The record was opened again, and the run went on.
    pub(super) fn went_on(&mut self) {
        self.resumed += 1;
    }

    /// The record was opened again, and the bench only made safe.
    pub(super) fn made_safe(&mut self) {
        self.made_safe += 1;
    }

    pub(super) fn resumed(&self) -> u64 {
        self.resumed
    }

    fn failed(&mut self, name: &str, at: Timestamp) {
        if let Some(outage) = self.outages.get_mut(name) {
            outage.times += u64::from(outage.since.is_none());
            outage.since = outage.since.or(Some(at));
        } else if self.outages.len() < APART_MAX {
            let outage = Outage { times: 1, first: at, since: Some(at), longest_s: None };
            self.outages.insert(name.to_owned(), outage);
        }
    }

    fn works_again(&mut self, at: Timestamp, which: impl Fn(&str) -> bool) {
        for (name, outage) in &mut self.outages {
            if !which(name) {
                continue;
            }
            if let Some(since) = outage.since.take() {
                let span_s = at.duration_since(since).as_secs_f64();
                outage.longest_s = Some(outage.longest_s.unwrap_or(0.0).max(span_s));
            }
        }
    }

    /// The night in one paragraph.
    pub(super) fn paragraph(&self, seconds: Option<f64>) -> String {
        let mut parts: Vec<String> = vec![self.points_words(seconds)];
        parts.extend(self.failures_words());
        parts.extend(self.interruptions_words());
        parts.extend(self.other_words());
        let mut text = parts.join("; ");
        text += ".";
        if let Some((checks, failed)) = self.preflight {
            text += &match failed {
                0 => format!(" The preflight passed ({checks} checks)."),
                failed => format!(" The preflight failed at {failed} of {checks} checks."),
            };
        }
        text += match (self.outcome, self.safe) {
            (None, _) => " The record has no end: the run goes on, or was cut off.",
            (Some(_), Some(true)) => " The bench was brought to its safe state at the end.",
            (Some(_), Some(false)) => " The safe state was NOT reached at the end.",
            (Some(_), None) => " No safe state is recorded.",
        };
        text
    }

    fn points_words(&self, seconds: Option<f64>) -> String {
        let took = seconds.map(|s| format!(" in {}", duration(s))).unwrap_or_default();
        let finished = count(self.finished.len());
        match self.planned {
            Some(0) => format!("The run went on for {}", duration(seconds.unwrap_or(0.0))),
            Some(planned) => {
                format!("{finished} of {} were finished{took}", many(planned, "point", "points"))
            }
            None if self.finished.is_empty() => {
                format!("The run went on for {}", duration(seconds.unwrap_or(0.0)))
            }
            None => format!("{} finished{took}", many(self.finished.len(), "point", "points")),
        }
    }

    fn failures_words(&self) -> Vec<String> {
        let mut parts = Vec::new();
        if self.retries > 0 || !self.skipped.is_empty() || self.planned.is_some_and(|n| n > 0) {
            let retried = many(self.retries, "action was tried again", "actions were tried again");
            let skipped = many(self.skipped.len(), "point was given up", "points were given up");
            parts.push(format!("{retried}, {skipped}"));
        }
        let mut outages: Vec<(&String, &Outage)> = self.outages.iter().collect();
        outages.sort_by_key(|(_, outage)| std::cmp::Reverse(outage.times));
        for (name, outage) in outages.iter().take(INSTRUMENTS_MAX) {
            let first = outage.first.strftime("%H:%M");
            let times = outage.times;
            parts.push(match (times, outage.longest_s) {
                (1, Some(s)) => {
                    format!(
                        "the {name} failed at {first} UTC and worked again {} later",
                        duration(s)
                    )
                }
                (1, None) => format!("the {name} failed at {first} UTC"),
                (n, Some(s)) => format!(
                    "the {name} failed {}, first at {first} UTC, for {} at most",
                    self::times(n),
                    duration(s)
                ),
                (n, None) => format!("the {name} failed {}, first at {first} UTC", self::times(n)),
            });
        }
        let more = outages.len().saturating_sub(INSTRUMENTS_MAX);
        if more > 0 {
            parts.push(many(more as u64, "other instrument failed", "other instruments failed"));
        }
        for (name, (times, first)) in self.restarts.iter().take(INSTRUMENTS_MAX) {
            let at = first.strftime("%H:%M");
            parts.push(match times {
                1 => format!("the {name} restarted at {at} UTC and lost its settings"),
                n => format!(
                    "the {name} restarted {} and lost its settings, first at {at} UTC",
                    self::times(*n)
                ),
            });
        }
        if self.made_again > 0 {
            parts.push(format!("settings were made again {}", times(self.made_again)));
        }
        parts
    }

    fn interruptions_words(&self) -> Vec<String> {
        let mut parts = Vec::new();
        for (name, (times, first)) in self.interlocks.iter().take(INSTRUMENTS_MAX) {
            let at = first.strftime("%H:%M");
            parts.push(match times {
                1 => format!("the interlock '{name}' tripped at {at} UTC"),
                n => {
                    format!("the interlock '{name}' tripped {}, first at {at} UTC", self::times(*n))
                }
            });
        }
        if self.pauses > 0 {
            let for_s = match self.paused_s {
                0.0 => String::new(),
                s => format!(", for {} in all", duration(s)),
            };
            parts.push(format!("the run paused {}{for_s}", times(self.pauses)));
        }
        if self.resumed > 0 {
            parts.push(format!("it was interrupted and went on {}", times(self.resumed)));
        }
        if self.made_safe > 0 {
            let safe = times(self.made_safe);
            parts.push(format!("after a cut the bench was made safe {safe}, before anything else"));
        }
        parts
    }

    fn other_words(&self) -> Vec<String> {
        let mut parts = Vec::new();
        match (self.references, self.outside) {
            (0, _) => {}
            (n, 0) => parts.push(format!(
                "the reference was measured {} and stayed within its bands",
                times(n)
            )),
            (n, outside) => parts.push(format!(
                "the reference was measured {}, {outside} of these beyond its bands",
                times(n)
            )),
        }
        if self.questions > 0 {
            let questions = many(self.questions, "question was asked", "questions were asked");
            parts.push(match self.by_default {
                0 => questions,
                n if n == self.questions => format!("{questions} and answered by default"),
                n => format!("{questions}, {n} of these answered by default"),
            });
        }
        if self.doubtful > 0 {
            parts.push(many(self.doubtful, "measurement is doubtful", "measurements are doubtful"));
        }
        if self.untold > 0 {
            let what = ["notification did not get through", "notifications did not get through"];
            parts.push(many(self.untold, what[0], what[1]));
        }
        parts
    }
}

/// When a failure began that is told of at `at`: what says `(after 2 s)` was waited for so long.
fn began(at: Timestamp, message: &str) -> Timestamp {
    let waited = message.rsplit_once("(after ").and_then(|(_, rest)| rest.split_once(" s)"));
    let waited = waited.and_then(|(seconds, _)| seconds.parse::<f64>().ok());
    let waited = waited.filter(|seconds| (0.0..=WAITED_MAX_S).contains(seconds)).unwrap_or(0.0);
    let waited = jiff::SignedDuration::from_millis((waited * 1e3) as i64);
    at.checked_sub(waited).unwrap_or(at)
}

/// `once`, `twice`, `3 times`.
fn times(n: u64) -> String {
    match n {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{} times", count(n)),
    }
}

/// `1 point`, `12 points`.
fn many(n: u64, one: &str, more: &str) -> String {
    format!("{} {}", count(n), if n == 1 { one } else { more })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture;
    use crate::record::{Failure, FaultClass, Level, Note, Probe, SearchDone, SearchSide};

    #[test]
    fn who_failed_and_for_how_long_is_told_of_each() {
        let mut night = Night::default();
        let mut seq = 0;
        let mut take = |seconds: i64, event: Event| {
            let at = fixture::start() + jiff::SignedDuration::from_secs(seconds);
            night.take(&Entry { seq, at, event }, true);
            seq += 1;
        };
        let failure = |name: &str, message: &str| {
            Event::Failure(Failure {
                class: FaultClass::Transient,
                instrument: Some(name.to_owned()),
                message: message.to_owned(),
                point: None,
                attempt: 1,
                remedy: Remedy::Retried,
                wait_s: None,
            })
        };
        let note = |name: &str, message: &str| {
            Event::Note(Note {
                level: Level::Warning,
                class: None,
                instrument: Some(name.to_owned()),
                message: message.to_owned(),
            })
        };
        let chosen = Probe { tx_deg: 0.0, rx_deg: 3.0, snr_db: Some(9.0) };
        let search = Event::Search(SearchDone {
            point: None,
            position: Vec::new(),
            label: None,
            side: SearchSide::Rx,
            strategy: "all pairs".to_owned(),
            probes: vec![chosen],
            before: None,
            chosen: Some(chosen),
            runner_up: None,
            gain_db: None,
            found: true,
        });
        take(10, failure("scope", "x.yaml:3: scope: nothing came in time (after 4 s)"));
        take(12, search);
        // Hours later it fails once more, and the search has ended the first outage.
        take(9000, failure("scope", "x.yaml:3: scope: it refuses: 5"));
        take(9001, note("supply", "the link is out of step: nothing came in time (after 2 s)"));
        take(9004, note("supply", "the link is in step again after 21 ms"));
        take(9005, note("supply", "the instrument has restarted, its settings are gone"));
        night.end();
        let told = night.paragraph(Some(9005.0));
        for part in [
            "the scope failed twice, first at 21:40 UTC, for 6 s at most",
            "the supply failed at 00:10 UTC and worked again 5 s later",
            "the supply restarted at 00:10 UTC and lost its settings",
        ] {
            assert!(told.contains(part), "{part:?} in {told}");
        }
    }
}
