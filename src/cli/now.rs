//! What `search` and `measure` share: one action now, recorded like any run.

use std::path::PathBuf;

use beamwarden_drivers::fault::Source;

use super::analyse::{is_frame_file, read_frame_file};
use super::benches_at_hand::{load_bench, preparation};
use super::failure::FailureKind;
use super::live::{bench_failure, run_failure, runtime, stop_on_signals};
use super::run::{NOT_SAFE, not_begun};
use super::watch::Watch;
use super::{Ended, Failure, Terminal};
use crate::bench::knob::{FRAME, KnobError};
use crate::bench::policy::Policy;
use crate::bench::{Bench, BenchPlan, TraceKeeper};
use crate::clock::Clock;
use crate::record::TRACE_FOLDER;
use crate::run::{Engine, Recorder, RunInputs, RunSummary};
use crate::sequence::{Action, Assignment, Deadlines, Given, Sequence, Step, read_value_text};

/// Where and after what the action happens.
#[derive(Debug, clap::Args)]
pub(super) struct Now {
    /// The bench file; the simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// First do what this sequence prepares, and end in the safe state. The simulated bench has
    /// nobody else to prepare it and does this by itself.
    #[arg(long, value_name = "SEQUENCE")]
    prepare: Option<PathBuf>,
    /// Then set this, such as turntable.angle="21 deg"; may be repeated.
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// Then load this frame: a name such as "qpsk uncoded" or "mcs 9", or a frame file.
    #[arg(long)]
    frame: Option<String>,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
}

impl Now {
    /// Does one action and yields what came of it.
    pub(super) fn act(
        &self,
        name: &str,
        action: Action,
        quiet: bool,
        terminal: &mut Terminal,
    ) -> Result<RunSummary, Failure> {
        let mut plan = load_bench(self.bench.as_deref())?;
        let frame = self.frame.as_deref().map(|name| own_frame(name, &mut plan)).transpose()?;
        let (sequence, prepared) = self.sequence(name, action, frame.as_deref(), &plan)?;
        let runtime = runtime(&plan)?;
        let summary = runtime.block_on(async {
            let clock = Clock::start();
            let seed = plan.is_simulated().then_some(plan.simulated.seed);
            let inputs = RunInputs { sequence: &sequence, plan: &plan, seed, replay: None };
            let mut recorder = Recorder::begin(&self.runs, inputs, clock).map_err(not_begun)?;
            let folder = recorder.folder().path().join(TRACE_FOLDER);
            let trace = TraceKeeper::in_folder(folder).map_err(Failure::internal)?;
            let stop = stop_on_signals();
            let (mut bench, failures) =
                Bench::open_what_answers(plan, Some(&trace)).await.map_err(bench_failure)?;
            let mut watch = Watch::new(terminal.interactive, quiet);
            let mut engine = Engine::new(&sequence, &mut bench, &mut recorder, &mut watch, stop);
            if !prepared {
                engine.leave_as_it_stands();
            }
            Ok::<RunSummary, Failure>(if failures.is_empty() {
                engine.execute().await
            } else {
                engine.give_up(failures).await
            })
        })?;
        if !summary.safe {
            terminal.tell(NOT_SAFE);
        }
        match summary.error {
            Some(error) => Err(run_failure(error)),
            None if !summary.safe => {
                let error = anyhow::anyhow!("{} was done, the safe state not reached", name);
                let error = FailureKind::Error(error);
                Err(Failure { ended: Ended::Instrument, error })
            }
            None => Ok(summary),
        }
    }

    /// A sequence of the preparation and the one action; whether anything was prepared.
    fn sequence(
        &self,
        name: &str,
        action: Action,
        frame: Option<&str>,
        plan: &BenchPlan,
    ) -> Result<(Sequence, bool), Failure> {
        let base = preparation(self.prepare.as_deref(), plan)?;
        let mut assignments = Vec::new();
        for text in &self.set {
            assignments.push(assignment(text, plan)?);
        }
        if let Some(frame) = frame {
            assignments.push(assignment(&format!("{FRAME}={frame}"), plan)?);
        }
        let step = |action| Step { place: "command line:1".into(), action };
        let sequence = Sequence {
            source: base
                .as_ref()
                .map_or_else(|| Source::new("command line", ""), |base| base.source.clone()),
            name: name.to_string(),
            about: None,
            parameters: Vec::new(),
            called: Vec::new(),
            policy: Some(Policy::STOP_AT_ONCE),
            deadlines: Deadlines::default(),
            interlocks: Vec::new(),
            reference: None,
            test_capture: false,
            prepare: base.as_ref().map(|base| base.prepare.clone()).unwrap_or_default(),
            steps: vec![step(Action::Set(assignments)), step(action)],
            finally: Vec::new(),
        };
        Ok((sequence, base.is_some()))
    }
}

/// The name by which the bench knows a frame; a frame file is added to the bench.
fn own_frame(name: &str, plan: &mut BenchPlan) -> Result<String, Failure> {
    let knob = plan.knobs().get(FRAME).map_err(|error| knob_failure(&error))?;
    match knob.read(name) {
        Err(_) if is_frame_file(name) => {
            let file = read_frame_file(name)?;
            let known_as = file.frame.name.clone();
            plan.add_frame(file);
            Ok(known_as)
        }
        read => read.map(|_| name.to_string()).map_err(|error| knob_failure(&error)),
    }
}

/// Reads `name=value` and checks it against the bench.
fn assignment(text: &str, plan: &BenchPlan) -> Result<Assignment, Failure> {
    let Some((name, value)) = text.split_once('=') else {
        let message = format!("'{text}' is not NAME=VALUE, such as turntable.angle=\"21 deg\"");
        return Err(Failure::usage(anyhow::anyhow!(message)));
    };
    let knob = plan.knobs().get(name.trim()).map_err(|error| knob_failure(&error))?;
    let value = read_value_text(knob, value.trim()).map_err(|error| knob_failure(&error))?;
    Ok(Assignment { setting: knob.name.clone(), value: Given::Fixed(value) })
}

/// A refused value: wrong usage, or a limit.
pub(super) fn knob_failure(error: &KnobError) -> Failure {
    let help = error.help().map(|help| format!(" ({help})")).unwrap_or_default();
    let mut failure = Failure::usage(anyhow::anyhow!("{error}{help}"));
    if matches!(error, KnobError::BeyondLimit { .. }) {
        failure.ended = Ended::Limit;
    }
    failure
}
