//! Runs on the simulated bench for tests: a sequence, a fault plan, wishes of an operator at given times,
//! and what the journal and the back door say afterwards.

use std::collections::VecDeque;
use std::time::Duration;

use beamwarden_drivers::fault::Source;
use tokio::time::{Instant, sleep};

use super::desk::{Desk, Later, Question};
use super::{Control, Engine, Recorder, RunInputs, RunSummary, Silent};
use crate::bench::{Acquired, Bench, BenchPlan, Truth};
use crate::clock::Clock;
use crate::record::{Entry, Event, Value};
use crate::sequence::read_sequence;

const BENCH: &str = include_str!("../../sequences/packing-arm.bench.yaml");
/// A frame that is analysed in no time.
const FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 4\n";
/// A link that carries it.
pub const PREPARE: &str = "
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}
  - set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}
  - set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}
  - set: {beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}
  - wait: 100 ms
";

/// Something that an operator does after some seconds.
pub type Wish = (u64, fn(&Control));

/// What is run.
pub struct Scene {
    pub faults: String,
    pub sequence: String,
    pub wishes: Vec<Wish>,
    /// After how many seconds each question is answered, and how.
    pub answers: VecDeque<(u64, &'static str)>,
}

impl Scene {
    /// A sequence that begins with [`PREPARE`], under a list of faults, one a line.
    pub fn new(faults: &[&str], steps: &str) -> Self {
        let faults: Vec<String> = faults.iter().map(|fault| format!("  - {fault}\n")).collect();
        let faults =
            if faults.is_empty() { String::new() } else { format!("faults:\n{}", faults.concat()) };
        let sequence = format!("sequence: scene\n{PREPARE}{steps}");
        Scene { faults, sequence, wishes: Vec::new(), answers: VecDeque::new() }
    }

    pub fn with_wishes(mut self, wishes: &[Wish]) -> Self {
        self.wishes = wishes.to_vec();
        self
    }

    pub fn with_answers(mut self, answers: &[(u64, &'static str)]) -> Self {
        self.answers = answers.iter().copied().collect();
        self
    }

    /// Runs it to its end, in simulated time.
    #[track_caller]
    pub fn run(self) -> impl Future<Output = Ran> {
        let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
        std::fs::write(folder.path().join("short.yaml"), FRAME).unwrap();
        let mut bench = format!("{BENCH}\nframes: [short.yaml]\n");
        if !self.faults.is_empty() {
            std::fs::write(folder.path().join("f.faults.yaml"), &self.faults).unwrap();
            bench = bench
                .replace("simulated: {seed: 1}", "simulated: {seed: 1, faults: f.faults.yaml}");
        }
        let plan = BenchPlan::load(&Source::new("bench.yaml", bench), Some(folder.path()))
            .map_err(|files| files[0].render(false))
            .unwrap_or_else(|told| panic!("{told}"));
        let source = Source::new("scene.yaml", self.sequence.clone());
        let sequence = read_sequence(&source, plan.knobs())
            .map_err(|faults| faults.render(false))
            .unwrap_or_else(|told| panic!("{told}"));
        async move {
            let inputs = RunInputs { sequence: &sequence, plan: &plan, seed: None, replay: None };
            let mut recorder =
                Recorder::begin(&folder.path().join("runs"), inputs, Clock::start()).unwrap();
            let control = Control::default();
            let began = Instant::now();
            for (seconds, wish) in self.wishes {
                let control = control.clone();
                tokio::spawn(async move {
                    sleep(Duration::from_secs(seconds)).await;
                    wish(&control);
                });
            }
            let mut bench = Bench::open(plan.clone()).await.unwrap();
            let mut silent = Silent;
            let mut engine =
                Engine::new(&sequence, &mut bench, &mut recorder, &mut silent, control);
            engine.ask_at(Answers(self.answers));
            let summary = engine.execute().await;
            let took = began.elapsed();
            let journal = recorder.folder().read_journal().unwrap();
            assert!(journal.faults.is_empty(), "{:?}", journal.faults);
            let door = bench.simulated_back_door().unwrap();
            let (truth, acquired) = (door.truth(), door.acquisitions());
            Ran { summary, entries: journal.entries, took, truth, acquired }
        }
    }
}

struct Answers(VecDeque<(u64, &'static str)>);

impl Desk for Answers {
    fn ask<'a>(&'a mut self, _question: &'a Question) -> Later<'a, String> {
        let answer = self.0.pop_front();
        Box::pin(async move {
            match answer {
                Some((seconds, answer)) => {
                    sleep(Duration::from_secs(seconds)).await;
                    answer.to_string()
                }
                None => std::future::pending().await,
            }
        })
    }
}

/// A run that ended.
pub struct Ran {
    pub summary: RunSummary,
    pub entries: Vec<Entry>,
    pub took: Duration,
    /// The bench at the end.
    pub truth: Truth,
    pub acquired: Vec<Acquired>,
}

impl Ran {
    /// The story of the run by its events, in a few words each; settings, captures and figures are left
    /// out, and so is what every run begins and ends with.
    pub fn story(&self) -> Vec<String> {
        self.entries.iter().filter_map(|entry| told(&entry.event)).collect()
    }

    /// The settings made, in order, as `name value`, those of the safe state left out.
    pub fn settings(&self) -> Vec<String> {
        let settings = self.entries.iter().filter_map(|entry| match &entry.event {
            Event::Setting(done) if done.part_of.as_deref() != Some("safe state") => {
                Some(format!("{} {}", done.setting.name, done.setting.read_back))
            }
            _ => None,
        });
        settings.collect()
    }

    /// Notes and failures that hold a text.
    pub fn messages(&self, part: &str) -> Vec<&str> {
        let all = self.entries.iter().filter_map(|entry| match &entry.event {
            Event::Note(note) => Some(note.message.as_str()),
            Event::Failure(failure) => Some(failure.message.as_str()),
            _ => None,
        });
        all.filter(|message| message.contains(part)).collect()
    }

    /// Seconds since the run began at which an event first stands in the journal.
    pub fn at(&self, name: &str) -> f64 {
        let first = self.entries.iter().find(|entry| entry.event.name() == name);
        let first = first.unwrap_or_else(|| panic!("no {name} in {:?}", self.story()));
        first.at.duration_since(self.entries[0].at).as_secs_f64()
    }

    /// Points with a measurement that counts: each as `point label value`, by a figure.
    pub fn figures(&self, name: &str) -> Vec<f64> {
        let measured = self.summary.measurements.iter();
        let value = |figures: &[crate::record::Figure]| {
            let found = figures.iter().find(|figure| figure.name == name);
            found.and_then(|figure| figure.value.as_ref()).and_then(Value::as_f64)
        };
        measured.map(|one| value(&one.figures).unwrap_or(f64::NAN)).collect()
    }

    /// However it ended: the safe state is reached and true, the last line is there, and no output was on
    /// with a value beyond the bench's limits at any trigger.
    #[track_caller]
    pub fn check_safe(&self) {
        assert!(self.summary.safe, "{:?}", self.story());
        assert!(
            !self.truth.supply.output && !self.truth.source.output && !self.truth.turntable.moving
        );
        assert_eq!(self.entries.last().unwrap().event.name(), "run_ended");
        for one in &self.acquired {
            let (supply, source) = (&one.truth.supply, &one.truth.source);
            assert!(supply.voltage_v <= 1.25 && supply.current_limit_a <= 0.8);
            assert!(source.amplitude_v <= 0.5);
        }
    }
}

fn told(event: &Event) -> Option<String> {
    Some(match event {
        Event::PointStarted(point) => format!("point {}", point.point),
        Event::PointFinished(point) => format!("done {}", point.point),
        Event::PointSkipped(point) => format!("skipped {}", point.point),
        Event::Abandoned(abandoned) => match abandoned.point {
            Some(point) => format!("abandoned {point}"),
            None => "abandoned step".to_string(),
        },
        Event::Failure(failure) => format!("failure {} {:?}", failure.attempt, failure.remedy),
        Event::Reestablished(made) => format!("made again {}", made.settings.join(" ")),
        Event::Interlock(tripped) => format!("interlock {}", tripped.name),
        Event::Paused(_) => "paused".to_string(),
        Event::WentOn(_) => "went on".to_string(),
        Event::SafeState(_) => "safe state".to_string(),
        Event::Answered(answered) => {
            let who = if answered.by_a_person { "answered" } else { "by default" };
            format!("{who} {}", answered.answer)
        }
        Event::Reference(reference) => format!(
            "reference {} after {} {}",
            reference.number,
            reference.after_point.unwrap_or(0),
            if reference.within { "within" } else { "beyond" }
        ),
        Event::Notified(_) => "notified".to_string(),
        Event::Expectation(expectation) => {
            let word = if expectation.passed { "passed" } else { "failed" };
            format!("{word} {}", expectation.figure)
        }
        _ => return None,
    })
}
