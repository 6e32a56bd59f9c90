//! Judges one run that ended: by the simulator's back door and by the journal.

use std::collections::BTreeMap;
use std::time::Duration;

use beamwarden::record::{Event, Outcome, RunFolder, verify};
use beamwarden_sim::{Post, SettingSeen, SimBench};

/// Limits of the bench file, held against what clients ever made of a setting.
const LIMITS: [(Post, &str, f64, f64); 4] = [
    (Post::Supply, "voltage", 0.0, 1.25),
    (Post::Supply, "current_limit", 0.0, 0.8),
    (Post::Source, "amplitude", 0.0, 0.5),
    (Post::Turntable, "angle", -90.0, 90.0),
];
/// Rounding of a value on its way through text, relative.
const ROUNDING: f64 = 1e-9;
/// Faults so long before the end can keep the safe state from being reached: longest timeout of the
/// bench (60 s at the turntable), reopened several times.
const LAST: Duration = Duration::from_secs(600);

/// A run that ended.
pub struct Ended<'a> {
    pub folder: &'a RunFolder,
    pub bench: &'a SimBench,
    /// Points that the sequence has.
    pub planned: u64,
    /// What the engine says of the safe state.
    pub safe: bool,
    pub outcome: Outcome,
    /// The longest that a fault lasts, s.
    pub longest_fault_s: f64,
}

/// What became of the points of a run.
#[derive(Clone, Copy, Debug, Default)]
pub struct Account {
    pub finished: u64,
    pub skipped: u64,
    pub not_reached: u64,
}

impl Ended<'_> {
    /// All that is wrong.
    pub fn judge(&self) -> (Account, Vec<String>) {
        let mut wrong = Vec::new();
        self.limits(&mut wrong);
        self.safe_state(&mut wrong);
        let account = self.journal(&mut wrong);
        (account, wrong)
    }

    fn limits(&self, wrong: &mut Vec<String>) {
        let seen = self.bench.settings_seen();
        for (post, setting, least, most) in LIMITS {
            let is_it = |one: &&SettingSeen| one.instrument == post && one.setting == setting;
            let Some(one) = seen.iter().find(is_it) else {
                wrong.push(format!("the back door knows no {post}.{setting}"));
                continue;
            };
            let Some((low, high)) = one.set else { continue };
            let beyond = |value: f64, limit: f64| (value - limit) > ROUNDING * limit.abs();
            if beyond(high, most) || beyond(least, low) {
                wrong.push(format!("{post}.{setting} was set between {low} and {high}"));
            }
        }
    }

    fn safe_state(&self, wrong: &mut Vec<String>) {
        let truth = self.bench.truth();
        let (source, supply) = (truth.source.output, truth.supply.output);
        if self.safe && (source || supply) {
            wrong.push(format!("called safe, and source.output {source}, supply.output {supply}"));
        }
        let lasting = Duration::from_secs_f64(self.longest_fault_s) + LAST;
        let late = |at: Duration| at + lasting > truth.at;
        let concerned = |post: Post| matches!(post, Post::Source | Post::Supply);
        let faults = self.bench.faults_so_far();
        let hindered = faults.iter().any(|done| concerned(done.instrument) && late(done.at));
        if !self.safe && !hindered {
            let last: Vec<_> = faults.iter().rev().take(5).collect();
            wrong.push(format!("not safe without a fault of source or supply: {last:?}"));
        }
    }

    fn journal(&self, wrong: &mut Vec<String>) -> Account {
        let mut account = Account::default();
        let reading = match self.folder.read_journal() {
            Ok(reading) => reading,
            Err(error) => {
                wrong.push(format!("the journal cannot be read: {error}"));
                return account;
            }
        };
        let (mut done, mut last_started) = (BTreeMap::<u64, Vec<&str>>::new(), None);
        let mut ends = Vec::new();
        let mut safe_states = 0;
        for entry in &reading.entries {
            match &entry.event {
                Event::PointStarted(started) => last_started = Some(started.point),
                Event::PointFinished(p) => done.entry(p.point).or_default().push("finished"),
                Event::PointSkipped(p) => {
                    if p.why.is_empty() {
                        wrong.push(format!("point {} was given up without a reason", p.point));
                    }
                    done.entry(p.point).or_default().push("skipped");
                }
                Event::SafeState(state) => {
                    safe_states += 1;
                    if state.failed.is_empty() != self.safe && is_last(&reading.entries, entry.seq)
                    {
                        wrong.push(format!("safe: {}, and the journal has {state:?}", self.safe));
                    }
                }
                Event::RunEnded(end) => ends.push(end.clone()),
                _ => {}
            }
        }
        for (point, what) in &done {
            if what.len() > 1 || *point == 0 || *point > self.planned {
                wrong.push(format!("point {point} of {}: {what:?}", self.planned));
            }
        }
        let of = |kind: &str| done.values().filter(|what| what[0] == kind).count() as u64;
        account.finished = of("finished");
        account.skipped = of("skipped");
        account.not_reached = self.planned.saturating_sub(account.finished + account.skipped);
        let [end] = ends.as_slice() else {
            wrong.push(format!("{} ends in the journal", ends.len()));
            return account;
        };
        if safe_states == 0 {
            wrong.push("no safe state in the journal".into());
        }
        self.end(end, account, last_started, wrong);
        match verify(self.folder) {
            Ok(findings) if findings.is_empty() => {}
            Ok(findings) => wrong.push(format!("verify: {}", findings[0])),
            Err(error) => wrong.push(format!("verify: {error}")),
        }
        account
    }

    fn end(
        &self,
        end: &beamwarden::record::RunEnded,
        account: Account,
        last_started: Option<u64>,
        wrong: &mut Vec<String>,
    ) {
        let counted = (end.points, end.points_skipped);
        if counted != (account.finished, account.skipped) {
            wrong.push(format!("the end counts {counted:?}, the journal has {account:?}"));
        }
        if end.outcome != self.outcome {
            wrong.push(format!("{:?} in the journal, {:?} told", end.outcome, self.outcome));
        }
        let whole = account.not_reached == 0;
        let message = end.message.clone().unwrap_or_default();
        let fits = match end.outcome {
            Outcome::Completed | Outcome::ExpectationFailed => whole && account.skipped == 0,
            Outcome::Incomplete => whole && account.skipped > 0,
            Outcome::Failed | Outcome::Stopped => !message.is_empty(),
        };
        if !fits {
            let outcome = end.outcome.name();
            wrong.push(format!(
                "{outcome} ('{message}') with {account:?} of {}, point {last_started:?} begun last",
                self.planned
            ));
        }
    }
}

/// Whether no safe state follows this line.
fn is_last(entries: &[beamwarden::record::Entry], number: u64) -> bool {
    let later = entries.iter().filter(|entry| entry.seq > number);
    !later.into_iter().any(|entry| matches!(entry.event, Event::SafeState(_)))
}
