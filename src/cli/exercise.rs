//! `bench --exercise`: writes every setting within its limits and reads it back.

use std::path::PathBuf;

use serde_json::json;

use super::benches_at_hand::preparation;
use super::figures_table::table;
use super::live::{bench_failure, runtime, stop_on_signals};
use super::run::NOT_SAFE;
use super::terminal::plain;
use super::watch::{begin, progress_bar};
use super::{Ended, Failure, Terminal};
use crate::bench::{Bench, BenchError, BenchPlan, Exercised, Outcome, WhyLeftOut};
use crate::sequence::{Action, Given, Sequence, Wait};

/// The options of an exercise.
#[derive(Debug, clap::Args)]
pub(super) struct ExerciseArguments {
    /// Write every setting at both ends of its limits and read it back, then put back what stood
    /// there. Switches are turned on and off, outputs and voltages reach their limits: make sure
    /// that nobody and nothing can come to harm. Ends in the safe state.
    #[arg(long, conflicts_with = "settings")]
    pub exercise: bool,
    /// Exercise what moves the turntable, too: keep clear of it.
    #[arg(long, requires = "exercise")]
    pub moving: bool,
    /// First do what this sequence prepares. The simulated bench has nobody else to prepare it and
    /// does this by itself.
    #[arg(long, value_name = "SEQUENCE", requires = "exercise")]
    pub prepare: Option<PathBuf>,
}

/// Exercises the bench and prints what became of each setting.
pub(super) fn exercise(
    arguments: &ExerciseArguments,
    plan: BenchPlan,
    json: bool,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let preparation = preparation(arguments.prepare.as_deref(), &plan)?;
    let runtime = runtime(&plan)?;
    let (all, stopped, safe) =
        runtime.block_on(carry_out(arguments, plan, preparation, terminal))?;
    let well = all.iter().all(|one| matches!(one.outcome, Outcome::Well | Outcome::LeftOut(_)));
    print(&all, json, terminal)?;
    if !safe {
        terminal.tell(NOT_SAFE);
    }
    Ok(match (stopped, well && safe) {
        (true, _) if safe => {
            terminal.tell("stopped by the operator; the bench is in its safe state");
            Ended::Stopped
        }
        (_, true) => Ended::Done,
        _ => Ended::Instrument,
    })
}

/// The settings, whether it was stopped, whether the safe state was reached.
async fn carry_out(
    arguments: &ExerciseArguments,
    plan: BenchPlan,
    preparation: Option<Sequence>,
    terminal: &Terminal,
) -> Result<(Vec<Exercised>, bool, bool), Failure> {
    let stop = stop_on_signals();
    let (mut bench, failures) =
        Bench::open_what_answers(plan, None).await.map_err(bench_failure)?;
    let mut outcome = match failures.into_iter().next() {
        Some((_, error)) => Err(error),
        None => prepare(&mut bench, preparation).await,
    };
    let mut all = Vec::new();
    if outcome.is_ok() {
        let names = bench.instruments().into_iter().map(|instrument| instrument.name);
        let count = names.map(|name| bench.writable(&name).len()).sum::<usize>();
        let bar = progress_bar(terminal.interactive);
        begin(&bar, count as u64);
        let follow = |one: Exercised| {
            bar.set_message(plain(&one.setting).into_owned());
            bar.inc(1);
            all.push(one);
            !stop.stopping()
        };
        bench.exercise(arguments.moving, follow).await;
        bar.finish_and_clear();
    }
    let mut safe = true;
    for (entry, reached) in bench.safe_state().await {
        if let Err(error) = reached {
            tracing::warn!("safe state, {entry}: {error}");
            safe = false;
            outcome = outcome.and(Err(error));
        }
    }
    match outcome {
        Err(error) if all.is_empty() => Err(bench_failure(error)),
        _ => Ok((all, stop.stopping(), safe)),
    }
}

/// Does what a sequence prepares, as far as it sets and waits.
async fn prepare(bench: &mut Bench, sequence: Option<Sequence>) -> Result<(), BenchError> {
    for step in sequence.into_iter().flat_map(|sequence| sequence.prepare) {
        match step.action {
            Action::Set(assignments) => {
                let ordered: Vec<_> =
                    bench.in_order(&assignments, |one| &one.setting).into_iter().cloned().collect();
                for one in ordered {
                    // What follows from figures brings nothing up.
                    if let Given::Fixed(value) = &one.value {
                        bench.set(&one.setting, value).await?;
                    }
                }
            }
            Action::Wait(Wait::For(time)) => tokio::time::sleep(time).await,
            // Measurements and searches bring nothing up.
            _ => {}
        }
    }
    Ok(())
}

fn print(all: &[Exercised], json: bool, terminal: &mut Terminal) -> Result<(), Failure> {
    let mut shown = table(&["setting", "written", "state"]);
    for one in all {
        let written: Vec<String> = one.written.iter().map(ToString::to_string).collect();
        let (state, told) = match &one.outcome {
            Outcome::Well => ("well", "well".to_string()),
            Outcome::Differs { asked, read_back } => {
                ("differs", format!("{asked} reads back as {read_back}"))
            }
            Outcome::LeftOut(WhyLeftOut::Moves) => {
                ("left out", "left out, it moves the turntable (--moving)".to_string())
            }
            Outcome::LeftOut(WhyLeftOut::WriteOnly) => {
                ("left out", "left out, it cannot be read and so not be put back".to_string())
            }
            Outcome::Failed(error) => ("failed", error.to_string()),
        };
        if json {
            let line = json!({"setting": one.setting, "written": written, "state": state,
                              "told": told});
            terminal.line(line.to_string())?;
        } else {
            shown.add_row([one.setting.clone(), written.join(", "), told]);
        }
    }
    if !json {
        terminal.line(shown.to_string())?;
        let count =
            |wanted: fn(&Outcome) -> bool| all.iter().filter(|one| wanted(&one.outcome)).count();
        terminal.line(format!(
            "{} of {} settings do what they are told, {} left out",
            count(|outcome| matches!(outcome, Outcome::Well)),
            all.len(),
            count(|outcome| matches!(outcome, Outcome::LeftOut(_))),
        ))?;
    }
    Ok(())
}
