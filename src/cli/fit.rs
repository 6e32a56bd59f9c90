//! `fit`: a model of the bench from a run.

use std::path::PathBuf;

use serde_json::{Value as Json, json};

use super::benches_at_hand::read_source;
use super::figures_table::{significant, table};
use super::live::stop_on_signals;
use super::replay::replay_failure;
use super::show::find_run;
use super::{Ended, Failure, Terminal};
use crate::replay::{Fitted, Parameter, Recorded, fit_model};

/// Estimate the main parameters of a model from a run, so that the next sequence can be rehearsed on
/// a model of the real bench.
///
/// The sequence is rehearsed three times on the simulated bench; what its captures differ in from
/// those of the run tells path loss, carrier offset, noise figure, and the gain and phase errors of
/// elements whose codes the run varied. Each estimate has its standard uncertainty (one standard
/// deviation), the rms of what it leaves unexplained and the number of points it rests on. What the
/// data do not support is refused with the reason and stays as the model has it. Exit status 1 when
/// nothing could be estimated.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// The model to begin with; that of the run's bench file when absent.
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
    /// Write the fitted model to this file, for 'simulated: {model: FILE}' in a bench file and for
    /// 'sim --model FILE'. Never over an existing one.
    #[arg(long, value_name = "MODEL.yaml")]
    out: Option<PathBuf>,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    if let Some(out) = arguments.out.as_ref().filter(|out| out.exists()) {
        let what = format!("{} exists; give --out another name", out.display());
        return Err(Failure::usage(anyhow::anyhow!(what)));
    }
    let model = arguments.model.as_deref().map(|path| read_source(path, "model file"));
    let model = model.transpose()?;
    let recorded = Recorded::read(&folder).map_err(replay_failure)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(Failure::internal)?;
    let quiet = arguments.json;
    let fitted = runtime.block_on(async {
        // Every instrument is simulated, so that waits pass at once.
        tokio::time::pause();
        let stop = stop_on_signals();
        let tell = |what: &str| {
            if !quiet {
                // Standard error may be gone; the fit does not stop for that.
                let line = format_args!("{what}\n");
                let _ = std::io::Write::write_fmt(&mut std::io::stderr(), line);
            }
        };
        fit_model(&recorded, model, &stop, &tell).await
    });
    let fitted = fitted.map_err(replay_failure)?;
    if let (Some(out), Some(yaml)) = (&arguments.out, &fitted.yaml) {
        let text = format!("# Fitted to run {}.\n{yaml}", folder.name());
        std::fs::write(out, text).map_err(|error| {
            let context = format!("failed to write {}", out.display());
            Failure::usage(anyhow::Error::new(error).context(context))
        })?;
    }
    if arguments.json {
        terminal.line(as_json(&fitted).to_string())?;
    } else {
        print(arguments, &fitted, terminal)?;
    }
    Ok(if fitted.yaml.is_some() { Ended::Done } else { Ended::ExpectationFailed })
}

fn print(arguments: &Arguments, fitted: &Fitted, terminal: &mut Terminal) -> Result<(), Failure> {
    let mut table =
        table(&["parameter", "model", "fitted", "uncertainty", "residual rms", "points", "unit"]);
    let mut refused = Vec::new();
    for Parameter { key, unit, before, found } in &fitted.parameters {
        match found {
            Ok(found) => {
                table.add_row([
                    key.clone(),
                    significant(*before),
                    significant(found.value),
                    significant(found.uncertainty),
                    significant(found.residual_rms),
                    found.points.to_string(),
                    (*unit).to_owned(),
                ]);
            }
            Err(refusal) => refused.push(format!("{key} is not estimated: {refusal}")),
        }
    }
    terminal.line(table.to_string())?;
    for line in refused.iter().chain(&fitted.remarks) {
        terminal.line(line.clone())?;
    }
    let (all, compared) = fitted.captures;
    terminal.line(format!("{compared} of {all} captures could be held against a rehearsal"))?;
    match (&arguments.out, &fitted.yaml) {
        (Some(out), Some(_)) => terminal.line(format!("model   {}", out.display()))?,
        (None, Some(_)) => terminal.line("--out FILE writes the model")?,
        (_, None) => terminal.line("nothing could be estimated; no model is written")?,
    }
    Ok(())
}

fn as_json(fitted: &Fitted) -> Json {
    let parameters: Vec<Json> = fitted
        .parameters
        .iter()
        .map(|Parameter { key, unit, before, found }| match found {
            Ok(found) => json!({
                "key": key,
                "unit": unit,
                "model": before,
                "fitted": found.value,
                "uncertainty": found.uncertainty,
                "residual_rms": found.residual_rms,
                "points": found.points,
            }),
            Err(refusal) => json!({
                "key": key,
                "unit": unit,
                "model": before,
                "fitted": null,
                "refused": refusal.to_string(),
            }),
        })
        .collect();
    json!({
        "parameters": parameters,
        "captures": fitted.captures.0,
        "captures_compared": fitted.captures.1,
        "remarks": fitted.remarks,
    })
}
