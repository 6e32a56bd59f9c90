//! Runs that are cut off: killed without warning at random instants, ended by signals, by a fault of the
//! program, by a full disk, by a folder that cannot be written. Each time the bench comes to its safe
//! state before anything else is set again, and the run goes on until every point is done exactly once.
//!
//! `BEAMWARDEN_KILLS=2000` kills more often than the 500 times of the gate.

#![allow(clippy::print_stdout, reason = "what was found and from which seed is worth reading")]
#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]
#![cfg(unix)]

#[path = "../common/mod.rs"]
mod common;
mod ends;
mod files;
mod journal;
#[path = "../unattended/random.rs"]
#[allow(dead_code, reason = "used in part")]
mod random;
mod told;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::{Child, ExitStatus, Stdio};
use std::time::Duration;

use files::{Files, POINTS};
use random::Random;
use told::Told;

const SEED: u64 = 20_261_129;
/// Kills in the gate, all together.
const KILLS: u64 = 500;
/// Of ten kills so many are on the bench that outlives them.
const SERVED_OF_TEN: u64 = 2;
/// Longest time between the start of the program and its end by force, on a machine that starts it at
/// once.
const GAP: Duration = Duration::from_millis(400);
/// Share of the kills that may come before the program is where its points begin.
const EARLY: f64 = 0.3;
/// After so many kills without a point done the machine is taken to be slow, and the gaps grow.
const FRUITLESS: u32 = 12;
/// A program that takes longer to end hangs.
const PATIENCE: Duration = Duration::from_secs(120);

/// Waits on the real clock.
fn pass(time: Duration) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    runtime.block_on(async { tokio::time::sleep(time).await });
}

/// Waits for the end of a program; `None` when it still runs then.
fn ended_within(child: &mut Child, time: Duration) -> Option<ExitStatus> {
    let step = Duration::from_millis(5);
    let mut passed = Duration::ZERO;
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            return Some(status);
        }
        if passed >= time {
            return None;
        }
        let wait = step.min(time - passed);
        pass(wait);
        passed += wait;
    }
}

/// What a thread that kills has done.
#[derive(Debug, Default)]
struct Tally {
    kills: u64,
    runs: u64,
    /// In which event's wake the program was killed.
    after: BTreeMap<String, u64>,
    longest_gap: Duration,
}

/// One run, killed again and again until it is complete.
struct Killer<'f> {
    files: &'f Files,
    told: Option<&'f Told>,
    random: Random,
    /// From the start of the program to its first point on this machine now.
    startup: Duration,
    gap: Duration,
    tally: Tally,
}

impl Killer<'_> {
    /// Starts, kills and goes on until the run is complete; yields its folder.
    fn drive_to_the_end(&mut self, kills_left: &mut u64) -> PathBuf {
        let mut run: Option<PathBuf> = None;
        let (mut fruitless, mut done_before) = (0, 0);
        loop {
            let mut child = self.start(run.as_deref());
            let last = *kills_left == 0;
            let gap = if last { PATIENCE } else { self.next_gap() };
            let status = ended_within(&mut child, gap);
            if let Some(status) = status {
                let output = child.wait_with_output().unwrap();
                let told = String::from_utf8_lossy(&output.stderr);
                assert_eq!(status.code(), Some(0), "{run:?}: {told}");
                let run = run.unwrap_or_else(|| self.files.newest_run().unwrap());
                self.tally.runs += 1;
                return run;
            }
            assert!(!last, "the program hangs");
            child.kill().unwrap();
            child.wait().unwrap();
            *kills_left -= 1;
            self.tally.kills += 1;
            if let Some(told) = self.told {
                told.note_kill();
            }
            run = self.files.newest_run().filter(|run| journal::has_begun(run));
            let state = run.as_deref().map(journal::State::read);
            let after = state.as_ref().map_or("nothing", |state| state.last.as_str());
            *self.tally.after.entry(after.to_owned()).or_default() += 1;
            if let Some(state) = &state {
                if state.ended {
                    // Killed while it wrote the report; the record is complete.
                    self.tally.runs += 1;
                    return run.unwrap();
                }
                fruitless = if state.done > done_before { 0 } else { fruitless + 1 };
                done_before = state.done;
            } else {
                fruitless += 1;
                self.files.clear_runs();
            }
            if fruitless >= FRUITLESS {
                (self.gap, fruitless) = (self.gap.mul_f64(1.5), 0);
                self.tally.longest_gap = self.gap;
            }
        }
    }

    /// At random: some kills anywhere, the others once the points have begun.
    fn next_gap(&mut self) -> Duration {
        let anywhere = self.gap.mul_f64(self.random.share());
        // Going on takes longer than beginning: the bench is made safe first.
        let begun = self.startup.mul_f64(1.5);
        if self.random.chance(EARLY) { anywhere } else { begun + anywhere }
    }

    fn start(&self, run: Option<&std::path::Path>) -> Child {
        let mut command = match run {
            None => self.files.run(),
            Some(run) => self.files.resume(run),
        };
        command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
    }
}

/// How long the program takes to its first point; stopped then, so that the bench is safe.
fn startup_of(files: &Files) -> Duration {
    let clock = tokio::time::Instant::now();
    let (mut child, lines) = ends::run_until_point(files.run(), 1);
    let startup = clock.elapsed();
    ends::send(&child, "TERM");
    let lines: Vec<String> = lines.collect();
    assert_eq!(child.wait().unwrap().code(), Some(5), "{lines:?}");
    files.clear_runs();
    startup
}

/// So many kills on one bench; as many runs as that takes.
fn kill(files: &Files, told: Option<&Told>, seed: u64, kills: u64) -> Tally {
    let (random, startup) = (Random::new(seed), startup_of(files));
    println!("the first point begins {startup:?} after the start");
    let mut killer = Killer { files, told, random, startup, gap: GAP, tally: Tally::default() };
    let mut left = kills;
    while left > 0 {
        let run = killer.drive_to_the_end(&mut left);
        journal::check_complete(&run, POINTS);
        if told.is_none() {
            journal::check_traces(&run);
        }
        let verified = common::run(&["verify", &run.display().to_string()]);
        common::expect_status(&verified, 0);
        files.clear_runs();
    }
    if let Some(told) = told {
        told.check_safe_first();
    }
    killer.tally
}

#[test]
fn killed_at_any_instant_a_run_is_safe_first_and_then_done_exactly_once() {
    let kills = std::env::var("BEAMWARDEN_KILLS").ok().and_then(|text| text.parse().ok());
    let kills: u64 = kills.unwrap_or(KILLS);
    let served = kills * SERVED_OF_TEN / 10;
    println!("seed {SEED}, {kills} kills, {served} of them on a served bench");
    let tallies = std::thread::scope(|scope| {
        let simulated = scope.spawn(|| {
            let files = Files::simulated();
            kill(&files, None, SEED, kills - served)
        });
        let served = scope.spawn(|| {
            let told = Told::serve();
            let files = Files::served(&told);
            kill(&files, Some(&told), SEED + 1, served)
        });
        [simulated.join(), served.join()]
            .map(|joined| joined.unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    });
    println!("{tallies:#?}");
    assert_eq!(tallies.iter().map(|tally| tally.kills).sum::<u64>(), kills);
}
