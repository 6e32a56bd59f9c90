//! `show`: one run, or one capture of it.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::figures_table::{ber, bit_errors, table};
use super::runs::{as_json, fresh_catalogue, outcome_words};
use super::{Ended, Failure, Terminal};
use crate::record::{
    CaptureRow, Catalogue, DATA_ENDING, RunFolder, SettingRecord, figure, read_recording,
};

/// Show one run, or one capture of it with every setting.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// A capture of it, by number.
    capture: Option<u32>,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    match arguments.capture {
        Some(number) => show_capture(&folder, number, arguments.json, terminal),
        None => show_run(&folder, arguments.json, terminal),
    }
}

/// A run by its folder or by its name below the folder of runs.
pub(super) fn find_run(run: &Path, runs: &Path) -> Result<RunFolder, Failure> {
    let below = runs.join(run);
    let path = if run.is_dir() { run } else { &below };
    RunFolder::open(path).map_err(|error| {
        Failure::usage(anyhow::Error::new(error).context(format!(
            "failed to open run '{}'; 'beamwarden runs' lists them",
            run.display()
        )))
    })
}

fn show_run(folder: &RunFolder, json: bool, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let root = folder.path().parent().unwrap_or(Path::new("."));
    let catalogue: Catalogue = fresh_catalogue(root)?;
    let run = catalogue.run(folder.name()).map_err(Failure::internal)?;
    let run = run.ok_or_else(|| {
        Failure::internal(anyhow::anyhow!("run {} is not in the catalogue", folder.name()))
    })?;
    let captures = catalogue.captures(folder.name()).map_err(Failure::internal)?;
    if json {
        let captures: Vec<_> = captures
            .iter()
            .map(|row| {
                json!({"capture": row.capture, "label": row.label, "point": row.point,
                              "file": row.file, "figures": row.figures})
            })
            .collect();
        let mut shown = as_json(&run);
        shown["captures"] = json!(captures);
        terminal.line(shown.to_string())?;
        return Ok(Ended::Done);
    }
    terminal.line(format!("run      {}", run.run))?;
    let simulated = if run.simulated { ", simulated" } else { "" };
    terminal.line(format!("bench    {}{simulated}", run.bench))?;
    terminal.line(format!("ended    {}", outcome_words(run.outcome)))?;
    if let Some(message) = &run.message {
        terminal.line(format!("because  {message}"))?;
    }
    terminal.line(format!("software beamwarden {}", run.version))?;
    terminal.line("")?;
    let mut shown = table(&["capture", "label", "EVM", "SNR", "bit errors", "bit error rate"]);
    for row in &captures {
        shown.add_row(capture_cells(row));
    }
    terminal.line(shown.to_string())?;
    Ok(Ended::Done)
}

fn capture_cells(row: &CaptureRow) -> [String; 6] {
    let decibels = |name| {
        figure(&row.figures, name).map_or_else(|| "-".to_string(), |value| format!("{value:.1} dB"))
    };
    [
        row.capture.to_string(),
        row.label.clone().unwrap_or_default(),
        decibels("evm_db"),
        decibels("snr_db"),
        bit_errors(&row.figures),
        ber(&row.figures),
    ]
}

fn show_capture(
    folder: &RunFolder,
    number: u32,
    json: bool,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let capture = crate::record::CaptureNo(number);
    let path = folder.capture_path(capture, DATA_ENDING);
    let recording = read_recording(&path).map_err(|error| {
        Failure::usage(
            anyhow::Error::new(error).context(format!("failed to read capture {number}")),
        )
    })?;
    if json {
        let meta = serde_json::to_string(&recording.meta).map_err(Failure::internal)?;
        terminal.line(meta)?;
        return Ok(Ended::Done);
    }
    let rate = recording.sample_rate_hz.map_or_else(
        || "an unknown rate".to_string(),
        |rate| format!("{} samples a second", crate::report::number(rate, "")),
    );
    terminal.line(format!("capture {capture}: {} samples at {rate}", recording.samples.len()))?;
    let mut shown = table(&["setting", "asked for", "read back", "agrees", "read at"]);
    for setting in settings_of(&recording.meta) {
        shown.add_row([
            setting.name.clone(),
            setting.asked.as_ref().map_or_else(|| "not set".into(), ToString::to_string),
            setting.read_back.to_string(),
            if setting.matched { "yes".into() } else { "NO".to_string() },
            setting.at.to_string(),
        ]);
    }
    terminal.line(shown.to_string())?;
    Ok(Ended::Done)
}

fn settings_of(meta: &crate::record::SigmfMeta) -> &[SettingRecord] {
    meta.captures.first().map_or(&[], |segment| &segment.settings)
}
