//! What is due when: counts of commands and captures, times, random rates; what waits for its
//! opportunity; links that were closed; the log.

use std::collections::VecDeque;
use std::time::Duration;

use super::plan::{FaultKind, FaultPlan, PlannedFault, When};
use crate::instruments::dut::Dut;
use crate::instruments::scope::Scope;
use crate::instruments::source::Source;
use crate::instruments::supply::Supply;
use crate::instruments::turntable::Turntable;
use crate::physics::gaussian::{Purpose, Stream};
use crate::post::Post;
use crate::scpi::session::Step;

/// Faults that the log holds; beyond that the oldest go.
pub const FAULTS_KEPT: usize = 100_000;
/// A drift moves once in this time.
pub(super) const DRIFT_STEP: Duration = Duration::from_secs(1);
/// The random numbers of what is put in by hand, beyond those of any line of a plan.
const BY_HAND: u64 = u64::MAX;

/// A fault that was applied.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultDone {
    /// When, since the bench began.
    pub at: Duration,
    /// At which instrument.
    pub instrument: Post,
    /// Its name, as in a plan.
    pub fault: &'static str,
    /// What it did.
    pub told: String,
    /// Commands that the instrument had got until then.
    pub commands: u64,
    /// Acquisitions that had been triggered on the bench until then.
    pub captures: u64,
}

/// One line of the plan with what is left of it.
#[derive(Debug)]
struct Line {
    planned: PlannedFault,
    random: Stream,
    /// When it is due next, for those that go by time.
    next: Option<Duration>,
    left: u64,
}

/// A fault that waits for its opportunity.
#[derive(Debug, Clone)]
struct Waiting {
    post: Post,
    kind: FaultKind,
    /// Takes every opportunity until then; without it the next one only.
    until: Option<Duration>,
}

/// A fault in force that ends by itself, or moves on.
#[derive(Debug, Clone)]
pub(super) struct Lasting {
    pub post: Post,
    pub kind: FaultKind,
    pub until: Option<Duration>,
    /// When a drift moves next.
    pub step: Option<Duration>,
    /// What a drift of whole numbers has saved up.
    pub saved: f64,
}

/// An instrument as it stood before a command that may change a setting.
#[derive(Debug)]
pub(crate) enum Held {
    Source(Source),
    Scope(Scope),
    Dut(Dut),
    Turntable(Turntable),
    Supply(Supply),
}

/// An answer that a fault has changed on its way.
#[derive(Debug)]
pub(crate) struct Disturbed {
    /// It comes later by this.
    pub late: Duration,
    /// What comes.
    pub bytes: Vec<u8>,
    /// The link is closed after it.
    pub close: bool,
}

/// All faults of one bench.
#[derive(Debug)]
pub(crate) struct Faults {
    lines: Vec<Line>,
    waiting: Vec<Waiting>,
    pub(super) lasting: Vec<Lasting>,
    random: Stream,
    commands: [u64; 5],
    captures: u64,
    /// Counts how often the links of each instrument were closed.
    links: [u64; 5],
    /// Until when each instrument cannot be reached.
    pub(super) away_until: [Duration; 5],
    /// The instrument before the command under way, when something may happen to it.
    pub(super) held: Option<(Held, Vec<Vec<f64>>)>,
    log: VecDeque<FaultDone>,
    /// How many were ever written down.
    noted: u64,
}

fn seconds(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or(Duration::MAX)
}

impl Line {
    fn new(planned: PlannedFault, seed: u64, place: u64) -> Self {
        let left = match (planned.times, planned.when) {
            (Some(times), _) => times,
            (None, When::AtTime { every_s: None, .. })
            | (None, When::AtCommand { every: None, .. })
            | (None, When::AtCapture { every: None, .. }) => 1,
            (None, _) => u64::MAX,
        };
        let random = Stream::new(seed, Purpose::Faults, place);
        let mut line = Self { planned, random, next: None, left };
        line.next = match line.planned.when {
            When::AtTime { at_s, .. } => Some(seconds(at_s)),
            When::PerHour(_) => line.draw(Duration::ZERO),
            _ => None,
        };
        line
    }

    /// The next of events that come at random, so many an hour on average.
    fn draw(&mut self, after: Duration) -> Option<Duration> {
        let When::PerHour(rate) = self.planned.when else { return None };
        let share = 1.0 - self.random.uniform();
        let wait_s = -libm::log(share) * 3600.0 / rate;
        (rate > 0.0 && wait_s.is_finite()).then(|| after.saturating_add(seconds(wait_s)))
    }

    fn due_in(&self) -> Option<Duration> {
        self.next.filter(|_| self.left > 0)
    }

    /// Takes one off, and sets the next.
    fn take(&mut self) -> PlannedFault {
        self.left = self.left.saturating_sub(1);
        self.next = match (self.planned.when, self.next) {
            (When::AtTime { every_s: Some(every), .. }, Some(at)) => {
                Some(at.saturating_add(seconds(every)))
            }
            (When::PerHour(_), Some(at)) => self.draw(at),
            _ => None,
        };
        self.planned.clone()
    }
}

/// Whether a count that begins at `number` and comes again after every `every` is at `now`.
fn is_at(now: u64, number: u64, every: Option<u64>) -> bool {
    now >= number
        && match every {
            Some(every) => (now - number).is_multiple_of(every),
            None => now == number,
        }
}

impl Faults {
    /// Those of a plan, on a bench with this seed.
    pub fn new(plan: &FaultPlan, bench_seed: u64) -> Self {
        let seed = plan.seed.unwrap_or(bench_seed);
        let lines = plan.faults.iter().zip(0..);
        Self {
            lines: lines.map(|(planned, place)| Line::new(planned.clone(), seed, place)).collect(),
            waiting: Vec::new(),
            lasting: Vec::new(),
            random: Stream::new(seed, Purpose::Faults, BY_HAND),
            commands: [0; 5],
            captures: 0,
            links: [0; 5],
            away_until: [Duration::ZERO; 5],
            held: None,
            log: VecDeque::new(),
            noted: 0,
        }
    }

    /// What was applied so far, in order.
    pub fn log(&self) -> Vec<FaultDone> {
        self.log.iter().cloned().collect()
    }

    /// What was applied after so many, as far as it is kept, and how many there are now.
    pub fn log_after(&self, known: u64) -> (Vec<FaultDone>, u64) {
        let new = usize::try_from(self.noted.saturating_sub(known)).unwrap_or(usize::MAX);
        let before = self.log.len().saturating_sub(new);
        (self.log.iter().skip(before).cloned().collect(), self.noted)
    }

    /// When something happens by itself.
    pub fn next_event(&self) -> Option<Duration> {
        let steps = self.lasting.iter().filter_map(|lasting| lasting.step);
        self.next_wake().into_iter().chain(steps).min()
    }

    /// When somebody who waits should look again, for a link may be closed or an instrument go on.
    pub fn next_wake(&self) -> Option<Duration> {
        let lines = self.lines.iter().filter_map(Line::due_in);
        let ends = self.lasting.iter().filter_map(|lasting| lasting.until);
        lines.chain(ends).min()
    }

    /// The next line of the plan that is due by time.
    pub(super) fn take_due(&mut self, now: Duration) -> Option<PlannedFault> {
        let due = |line: &&mut Line| line.due_in().is_some_and(|at| at <= now);
        self.lines.iter_mut().find(due).map(Line::take)
    }

    /// Counts a command; yields what is due at it.
    pub(super) fn count_command(&mut self, post: Post) -> Vec<PlannedFault> {
        let count = &mut self.commands[post.index()];
        *count += 1;
        let now = *count;
        let mut due = Vec::new();
        for line in self.lines.iter_mut().filter(|line| line.planned.instrument == post) {
            let hit = match line.planned.when {
                When::AtCommand { number, every } => is_at(now, number, every),
                When::PerCommand(share) => line.random.uniform() < share,
                _ => false,
            };
            if hit && line.left > 0 {
                due.push(line.take());
            }
        }
        due
    }

    /// Counts an acquisition; yields what is due at it.
    pub(super) fn count_capture(&mut self) -> Vec<PlannedFault> {
        self.captures += 1;
        let now = self.captures;
        let hit = |line: &&mut Line| match line.planned.when {
            When::AtCapture { number, every } => line.left > 0 && is_at(now, number, every),
            _ => false,
        };
        self.lines.iter_mut().filter(hit).map(Line::take).collect()
    }

    /// Has a fault wait for its opportunity.
    pub(super) fn wait(&mut self, post: Post, kind: FaultKind, until: Option<Duration>) {
        self.waiting.push(Waiting { post, kind, until });
    }

    /// Whether anything of these waits at an instrument.
    pub(super) fn any_waits(
        &mut self,
        post: Post,
        now: Duration,
        which: impl Fn(&FaultKind) -> bool,
    ) -> bool {
        self.waiting.retain(|waiting| waiting.until.is_none_or(|until| until > now));
        self.waiting.iter().any(|waiting| waiting.post == post && which(&waiting.kind))
    }

    /// The first fault of these that waits at an instrument; one without duration waits no longer.
    pub(super) fn take_waiting(
        &mut self,
        post: Post,
        now: Duration,
        which: impl Fn(&FaultKind) -> bool,
    ) -> Option<FaultKind> {
        self.waiting.retain(|waiting| waiting.until.is_none_or(|until| until > now));
        let found = self.waiting.iter().position(|w| w.post == post && which(&w.kind))?;
        match self.waiting[found].until {
            Some(_) => Some(self.waiting[found].kind.clone()),
            None => Some(self.waiting.remove(found).kind),
        }
    }

    /// A restart ends what was under way at an instrument.
    pub(super) fn forget(&mut self, post: Post) {
        self.lasting.retain(|l| l.post != post || matches!(l.kind, FaultKind::Drift { .. }));
    }

    /// Closes the links of an instrument.
    pub(super) fn close_links(&mut self, post: Post) {
        self.links[post.index()] += 1;
    }

    /// Changes whenever the links of an instrument are closed.
    pub fn links(&self, post: Post) -> u64 {
        self.links[post.index()]
    }

    /// Changes whenever any links are closed.
    pub fn closures(&self) -> u64 {
        self.links.iter().sum()
    }

    /// Whether an instrument can be reached.
    pub fn is_there(&self, post: Post, now: Duration) -> bool {
        self.away_until[post.index()] <= now
    }

    /// Writes down what was done.
    pub(super) fn note(&mut self, at: Duration, post: Post, kind: &FaultKind, told: String) {
        if self.log.len() >= FAULTS_KEPT {
            self.log.pop_front();
        }
        tracing::debug!(instrument = post.name(), fault = kind.name(), told, "fault");
        self.noted += 1;
        self.log.push_back(FaultDone {
            at,
            instrument: post,
            fault: kind.name(),
            told,
            commands: self.commands[post.index()],
            captures: self.captures,
        });
    }

    /// What becomes of what a connection is about to do, when a fault waits for an answer.
    pub fn deliver(&mut self, post: Post, now: Duration, step: Step) -> Step {
        let Step::Reply(bytes) = step else { return step };
        let on_answers = |kind: &FaultKind| {
            matches!(
                kind,
                FaultKind::NoAnswer
                    | FaultKind::LateAnswer { .. }
                    | FaultKind::ClosedLink { .. }
                    | FaultKind::Garbage { .. }
            )
        };
        let Some(kind) = self.take_waiting(post, now, on_answers) else {
            return Step::Reply(bytes);
        };
        let whole = bytes.len();
        let (late, bytes, close, told) = match &kind {
            FaultKind::LateAnswer { late_s } => {
                (seconds(*late_s), bytes, false, format!("{whole} bytes come {late_s} s later"))
            }
            FaultKind::ClosedLink { answer_share } => {
                // Never the whole answer, so that the link ends within it.
                let share = answer_share.unwrap_or(0.0) * whole as f64;
                let kept = (share as usize).min(whole.saturating_sub(1));
                let told = format!("closed after {kept} of {whole} bytes");
                (Duration::ZERO, bytes[..kept].to_vec(), true, told)
            }
            FaultKind::Garbage { bytes: count } => {
                let junk = (0..*count).map(|_| (self.random.uniform() * 256.0) as u8);
                let mut all: Vec<u8> = junk.collect();
                all.extend(bytes);
                (Duration::ZERO, all, false, format!("{count} bytes before one of {whole}"))
            }
            _ => (Duration::ZERO, Vec::new(), false, format!("{whole} bytes do not come")),
        };
        self.note(now, post, &kind, told);
        if close {
            self.close_links(post);
        }
        Step::Disturbed(Disturbed { late, bytes, close })
    }
}
