//! Runs that nobody watches, at random: sequences of every kind of step, under fault plans of every
//! kind of fault, from many seeds. Each run ends; nothing was ever set beyond a limit; the safe state is
//! reached or the run says that it is not; the journal accounts for every planned point.
//!
//! `BEAMWARDEN_CASES=20000` runs more cases, `BEAMWARDEN_CASE=1234` that one alone, printed.

#![allow(clippy::print_stdout, reason = "what was found and from which seed is worth reading")]
#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

#[path = "../common/mod.rs"]
mod common;
mod faults;
mod judge;
mod random;
mod sequences;
mod values;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, Sender};
use std::time::Duration;

use beamwarden::bench::{Bench, BenchPlan};
use beamwarden::clock::Clock;
use beamwarden::record::Outcome;
use beamwarden::run::{Control, Engine, Progress, ProgressEvent, Recorder, RunInputs, Silent};
use beamwarden::sequence::{ReadWith, count, read_sequence_with};
use beamwarden_drivers::fault::Source;
use judge::{Account, Ended};
use random::Random;

/// Seed of the first case; each further case has the next one.
const SEED: u64 = 20_261_128;
const CASES: u64 = 2_000;
/// A run that takes longer than this on the bench's clock does not end.
const LONGEST: Duration = Duration::from_secs(90 * 86_400);
/// A case that takes longer than this by anybody's clock does not end.
const PATIENCE: Duration = Duration::from_secs(120);

const FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 2\n";

/// Fails as a fault of the program would, at the event with this number.
struct PanicsAt(i64);

impl Progress for PanicsAt {
    fn take(&mut self, _event: ProgressEvent<'_>) {
        self.0 -= 1;
        assert!(self.0 != 0, "a fault of the program, made by the test");
    }
}

/// What somebody may want of a run.
type Wish = fn(&Control);

/// What a case is made of.
struct Case {
    number: u64,
    sequence: sequences::Written,
    faults: faults::Faults,
    seed: u64,
    /// What somebody wants of the run after so long.
    wish: Option<(Duration, Wish)>,
    /// The program fails at the event with this number.
    panics_at: Option<i64>,
}

impl Case {
    fn new(number: u64) -> Self {
        let mut random = Random::new(SEED.wrapping_add(number));
        let sequence = sequences::sequence(&mut random);
        let faults = faults::plan(&mut random);
        let wishes: [fn(&Control); 4] =
            [Control::stop_now, Control::stop_now, Control::stop_after_point, Control::pause];
        let wish = random.chance(0.15).then(|| {
            let seconds = *random.one(&[0.05, 1.0, 20.0, 300.0]) * random.share();
            (Duration::from_secs_f64(seconds), *random.one(&wishes))
        });
        let panics_at = random.chance(0.05).then(|| random.whole(1, 60));
        let seed = random.whole(1, 1_000_000) as u64;
        Case { number, sequence, faults, seed, wish, panics_at }
    }

    /// What the operator wants meanwhile.
    fn wishes(&self, control: &Control) {
        let wish = |after: Duration, wish: fn(&Control)| {
            let control = control.clone();
            tokio::spawn(async move {
                tokio::time::sleep(after).await;
                wish(&control);
            });
        };
        if let Some((after, what)) = self.wish {
            wish(after, what);
        }
        // A run that pauses is told to go on now and then.
        let control = control.clone();
        tokio::spawn(async move {
            loop {
                tokio::time::sleep(Duration::from_secs(1800)).await;
                control.go_on();
            }
        });
    }

    fn shown(&self) -> String {
        let Case { number, sequence, faults, seed, wish, panics_at } = self;
        let after = wish.map(|(after, _)| after);
        let faults = &faults.text;
        let sequences::Written { text, called, given } = sequence;
        format!(
            "case {number}, bench seed {seed}, a wish after {after:?}, panics at {panics_at:?}\n\
             --- sequence, given {given:?}\n{text}--- called.yaml\n{called}--- faults\n{faults}---"
        )
    }
}

/// What came of a case.
struct Verdict {
    account: Account,
    outcome: Outcome,
    reason: String,
    faults: Vec<&'static str>,
    wrong: Vec<String>,
}

async fn run(case: &Case, plan: &BenchPlan, folder: &Path) -> Verdict {
    let mut plan = plan.clone();
    plan.simulated.seed = case.seed;
    plan.faults = Some(Source::new("random.faults.yaml", case.faults.text.clone()));
    let source = Source::new("random.yaml", case.sequence.text.clone());
    let texts = |name: &str| Ok(Source::new(name, case.sequence.called.clone()));
    let with = ReadWith { knobs: Some(plan.knobs()), given: &case.sequence.given, texts: &texts };
    let read = read_sequence_with(&source, &with);
    let sequence = read.unwrap_or_else(|faults| panic!("{}", faults[0].render(false)));
    let planned = count(&sequence.steps).points;
    let inputs =
        RunInputs { sequence: &sequence, plan: &plan, seed: Some(case.seed), replay: None };
    let mut recorder = Recorder::begin(folder, inputs, Clock::start()).unwrap();
    let (mut bench, failures) = Bench::open_what_answers(plan.clone(), None).await.unwrap();
    let door = bench.simulated_back_door().unwrap().clone();
    let control = Control::default();
    case.wishes(&control);
    let mut watcher: Box<dyn Progress> = match case.panics_at {
        Some(number) => Box::new(PanicsAt(number)),
        None => Box::new(Silent),
    };
    let mut engine = Engine::new(&sequence, &mut bench, &mut recorder, watcher.as_mut(), control);
    if case.seed.is_multiple_of(2) {
        engine.look_first();
    }
    let work = async {
        if failures.is_empty() { engine.execute().await } else { engine.give_up(failures).await }
    };
    let summary = tokio::time::timeout(LONGEST, work).await;
    let faults = door.faults_so_far().iter().map(|done| done.fault).collect();
    let Ok(summary) = summary else {
        let (account, reason) = (Account::default(), "no end".to_owned());
        let wrong = vec![format!("does not end in {LONGEST:?}")];
        return Verdict { account, outcome: Outcome::Failed, reason, faults, wrong };
    };
    let ended = Ended {
        folder: recorder.folder(),
        bench: &door,
        planned,
        safe: summary.safe,
        outcome: summary.outcome,
        longest_fault_s: case.faults.longest_s,
    };
    let (account, wrong) = ended.judge();
    let reason = summary.error.map(|error| kind_of(&error.to_string())).unwrap_or_default();
    Verdict { account, outcome: summary.outcome, reason, faults, wrong }
}

/// What is alike in the messages of many failures: the beginning, without numbers and quoted words.
fn kind_of(message: &str) -> String {
    let plain = |c: char| if c.is_ascii_digit() { '0' } else { c };
    let mut kind: String = message.chars().take(90).map(plain).collect();
    while kind.contains("00") {
        kind = kind.replace("00", "0");
    }
    kind
}

/// Takes one case after the other.
fn work(
    slot: &AtomicU64,
    next: &AtomicU64,
    last: u64,
    plan: &BenchPlan,
    out: &Sender<(Case, Option<Verdict>)>,
) {
    // Every line of a journal is flushed; in memory that takes no time.
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    loop {
        let number = next.fetch_add(1, Ordering::SeqCst);
        if number >= last {
            return;
        }
        slot.store(number, Ordering::SeqCst);
        let case = Case::new(number);
        let runs: PathBuf = folder.path().join(number.to_string());
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .start_paused(true)
            .build()
            .unwrap();
        let judged = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            runtime.block_on(run(&case, plan, &runs))
        }));
        drop(runtime);
        let _ = std::fs::remove_dir_all(&runs);
        if out.send((case, judged.ok())).is_err() {
            return;
        }
    }
}

fn of_environment(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

fn plan() -> BenchPlan {
    let text = std::fs::read_to_string(common::root().join("sequences/packing-arm.bench.yaml"));
    let text = text.unwrap().replace("simulated: {seed: 1}", "frames: [short.frame.yaml]");
    let folder = tempfile::tempdir().unwrap();
    common::write(folder.path(), "short.frame.yaml", FRAME);
    BenchPlan::load(&Source::new("bench.yaml", text), Some(folder.path()))
        .map_err(|files| files[0].render(false))
        .unwrap()
}

#[test]
fn whatever_happens_a_run_ends_safe_and_accounts_for_every_point() {
    let only = of_environment("BEAMWARDEN_CASE");
    let first = only.unwrap_or(0);
    let last = only.map_or(of_environment("BEAMWARDEN_CASES").unwrap_or(CASES), |only| only + 1);
    println!("seed {SEED}, cases {first} to {}", last - 1);
    if let Some(only) = only {
        println!("{}", Case::new(only).shown());
    }
    let (next, plan) = (AtomicU64::new(first), plan());
    let (sender, verdicts) = mpsc::channel();
    let mut tally = Tally::default();
    let at_hand: [AtomicU64; 2] = Default::default();
    std::thread::scope(|scope| {
        for slot in &at_hand {
            let (sender, next, plan) = (sender.clone(), &next, &plan);
            scope.spawn(move || work(slot, next, last, plan, &sender));
        }
        drop(sender);
        loop {
            match verdicts.recv_timeout(PATIENCE) {
                Ok((case, verdict)) => tally.take(&case, verdict),
                Err(mpsc::RecvTimeoutError::Disconnected) => break,
                Err(mpsc::RecvTimeoutError::Timeout) => {
                    // The threads cannot be ended, so the program is.
                    let numbers = at_hand.each_ref().map(|slot| slot.load(Ordering::SeqCst));
                    println!("of the cases {numbers:?} one does not end; after {tally:#?}");
                    std::process::exit(101);
                }
            }
        }
    });
    println!("{tally:#?}");
    assert_eq!(tally.failed, 0, "of {} cases; the first are printed above", tally.cases);
    assert_eq!(tally.cases, last - first);
    if only.is_none() {
        tally.check_reach();
    }
}

/// Over all cases.
#[derive(Debug, Default)]
struct Tally {
    cases: u64,
    failed: u64,
    finished: u64,
    skipped: u64,
    not_reached: u64,
    outcomes: BTreeMap<&'static str, u64>,
    /// Why runs ended early, as far as the messages are alike.
    reasons: BTreeMap<String, u64>,
    faults: BTreeMap<&'static str, u64>,
}

impl Tally {
    fn take(&mut self, case: &Case, verdict: Option<Verdict>) {
        self.cases += 1;
        let Some(verdict) = verdict else {
            self.failed += 1;
            println!("PANICKED: {}", case.shown());
            return;
        };
        self.finished += verdict.account.finished;
        self.skipped += verdict.account.skipped;
        self.not_reached += verdict.account.not_reached;
        *self.outcomes.entry(verdict.outcome.name()).or_default() += 1;
        *self.reasons.entry(verdict.reason).or_default() += 1;
        for fault in verdict.faults {
            *self.faults.entry(fault).or_default() += 1;
        }
        if verdict.wrong.is_empty() {
            return;
        }
        self.failed += 1;
        if self.failed <= 5 {
            println!("WRONG: {:#?}\n{}", verdict.wrong, case.shown());
        } else {
            println!("WRONG: case {}: {}", case.number, verdict.wrong[0]);
        }
    }

    /// The cases are worth something only when they reach everything.
    fn check_reach(&self) {
        for kind in common::FAULT_KINDS {
            assert!(self.faults.contains_key(kind), "no {kind} among {:?}", self.faults);
        }
        for outcome in Outcome::ALL {
            let name = outcome.name();
            assert!(self.outcomes.contains_key(name), "no {name} among {:?}", self.outcomes);
        }
        let reached = self.finished >= self.cases && self.skipped > 50 && self.not_reached > 50;
        assert!(reached, "{self:?}");
    }
}
