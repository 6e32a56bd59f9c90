//! `bench`: reaches every instrument.

use std::path::PathBuf;

use beamwarden_drivers::instrument::RawAnswer;
use serde_json::json;

use super::benches_at_hand::load_bench;
use super::exercise::{ExerciseArguments, exercise};
use super::figures_table::table;
use super::live::{bench_failure, runtime};
use super::{Ended, Failure, Terminal, registers};
use crate::bench::knob::{Knob, KnobKind};
use crate::bench::{Bench, BenchPlan};

/// Reach every instrument: identity, self-test, error queue, read-back of every setting.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The bench file; the simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// List every setting with its unit and limits; touches no instrument.
    #[arg(long)]
    settings: bool,
    #[command(flatten)]
    exercise: ExerciseArguments,
    #[command(flatten)]
    registers: registers::RegisterArguments,
    /// One JSON object an instrument or setting, one line each, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    arguments.registers.refuse_idle()?;
    let plan = load_bench(arguments.bench.as_deref())?;
    if arguments.settings {
        return list_settings(&plan, arguments.json, terminal);
    }
    if arguments.exercise.exercise {
        return exercise(&arguments.exercise, plan, arguments.json, terminal);
    }
    if arguments.registers.wanted() {
        return registers::run(&arguments.registers, plan, arguments.json, terminal);
    }
    let runtime = runtime(&plan)?;
    let rows = runtime.block_on(reach(plan)).map_err(bench_failure)?;
    let all_well = rows.iter().all(|row| row.trouble.is_none());
    let state = |row: &Row| {
        row.trouble.clone().or_else(|| row.note.clone()).unwrap_or_else(|| "well".into())
    };
    if arguments.json {
        for row in &rows {
            terminal.line(
                json!({"instrument": row.name, "role": row.role, "identity": row.identity,
                       "model": row.model, "self_test": row.self_test,
                       "settings_read": row.settings,
                       "trouble": row.trouble, "note": row.note})
                .to_string(),
            )?;
        }
    } else {
        let mut shown =
            table(&["instrument", "role", "identity", "self-test", "settings read", "state"]);
        for row in &rows {
            let identity = row.identity.clone().unwrap_or_else(|| "-".into());
            let model = row.model.as_ref().map(|model| format!(" (model {model})"));
            shown.add_row([
                row.name.clone(),
                row.role.clone(),
                identity + &model.unwrap_or_default(),
                row.self_test.clone().unwrap_or_else(|| "-".into()),
                row.settings.to_string(),
                state(row),
            ]);
        }
        terminal.line(shown.to_string())?;
    }
    Ok(if all_well { Ended::Done } else { Ended::Instrument })
}

/// What one instrument showed.
struct Row {
    name: String,
    role: String,
    identity: Option<String>,
    /// The model that its profile knows it as.
    model: Option<String>,
    self_test: Option<String>,
    settings: usize,
    trouble: Option<String>,
    /// Something to know that is no fault of the instrument.
    note: Option<String>,
}

async fn reach(plan: BenchPlan) -> Result<Vec<Row>, crate::bench::BenchError> {
    let (mut bench, failures) = Bench::open_what_answers(plan, None).await?;
    let mut rows = Vec::new();
    for instrument in bench.instruments() {
        let failure = failures.iter().find(|(name, _)| *name == instrument.name);
        let mut row = Row {
            name: instrument.name.clone(),
            role: instrument.role.clone(),
            identity: failure.is_none().then(|| instrument.identity.clone()),
            model: bench.model(&instrument.name).map(str::to_string),
            self_test: None,
            settings: 0,
            trouble: failure.map(|(_, error)| error.to_string()),
            note: None,
        };
        if failure.is_none()
            && let Err(error) = look_closer(&mut bench, &mut row).await
        {
            row.trouble = Some(error.to_string());
        }
        rows.push(row);
    }
    Ok(rows)
}

/// Self-test and read-back. A chip without power refuses its registers, which is no fault of the
/// port; it is told as the state.
async fn look_closer(bench: &mut Bench, row: &mut Row) -> Result<(), crate::bench::BenchError> {
    if bench.has_error_queue(&row.name) {
        let answer = bench.ask(&row.name, "*TST?").await?;
        let answer = match answer {
            RawAnswer::Line(line) => line,
            RawAnswer::Block(_) => "a block".into(),
        };
        row.self_test = Some(if answer.trim() == "0" { "passed".into() } else { answer.clone() });
        if answer.trim() != "0" {
            row.trouble = Some(format!("its self-test answers {}", answer.trim()));
        }
    }
    for setting in bench.writable(&row.name) {
        match bench.ask_setting(&setting).await {
            Ok(_) => row.settings += 1,
            Err(error) => match error.refusal() {
                Some(text) => {
                    row.note = Some(format!("reached, but refuses its settings: {text}"));
                    return Ok(());
                }
                // Nothing is known of what can only be written.
                None if error.is_never_written() => {}
                None => return Err(error),
            },
        }
    }
    Ok(())
}

fn list_settings(plan: &BenchPlan, json: bool, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let mut shown = table(&["setting", "takes", "at least", "at most", "steps"]);
    for knob in plan.knobs().iter() {
        let low = knob.at_least.iter().map(|b| b.value).max_by(f64::total_cmp);
        let high = knob.at_most.iter().map(|b| b.value).min_by(f64::total_cmp);
        let steps = knob.steps.as_ref().map(|taken| taken.steps.describe(&taken.kind));
        if json {
            terminal.line(
                json!({"setting": knob.name, "takes": takes(knob), "at_least": low,
                       "at_most": high, "steps": steps})
                .to_string(),
            )?;
            continue;
        }
        let bound = |bound: Option<f64>| bound.map_or_else(|| "-".into(), |b| knob.show(b));
        let steps = steps.unwrap_or_else(|| "-".into());
        shown.add_row([knob.name.clone(), takes(knob), bound(low), bound(high), steps]);
    }
    if !json {
        terminal.line(shown.to_string())?;
    }
    Ok(Ended::Done)
}

fn takes(knob: &Knob) -> String {
    match &knob.kind {
        KnobKind::Number(dimension) => {
            let unit = dimension.base_unit();
            if unit.is_empty() { "a number".into() } else { format!("a number in {unit}") }
        }
        KnobKind::Whole => "a whole number".into(),
        KnobKind::Switch => "on or off".into(),
        KnobKind::Word(words) => words.join(", "),
        KnobKind::Frame(_) => "a frame, such as qpsk uncoded or mcs 9".into(),
    }
}
