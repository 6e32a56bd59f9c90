//! `check`: everything that can be known about a sequence or a profile without touching an
//! instrument.

use std::path::{Path, PathBuf};

use beamwarden_drivers::profile::{self, LoadError, Preview, Profile, Section};
use beamwarden_drivers::quantity::{Dimension, Quantity};
use beamwarden_drivers::registers::{self, Access, Part};
use beamwarden_drivers::value::{Kind, Value};
use serde_json::json;

use super::benches_at_hand::{load_bench, load_sequence, sequence_faults};
use super::failure::FailureKind;
use super::figures_table::table;
use super::{Ended, Failure, Terminal, tell};
use crate::bench::BenchPlan;
use crate::run::looks_at_files;
use crate::sequence::{Estimate, Phase, Sequence, Walk, WalkItem, estimate, parameter_text};

mod exposure;
mod learned;

/// Check a sequence and its bench, a profile or a register map, without touching any instrument.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The sequence file.
    #[arg(required_unless_present_any = ["profile", "registers"])]
    sequence: Option<PathBuf>,
    /// A profile, as a file or by the name of a shipped one: print every message that it would
    /// send.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["sequence", "bench", "plan"])]
    profile: Option<PathBuf>,
    /// A register map, as a file or by the name of a shipped one: print every field with its bits.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["sequence", "bench", "plan", "profile"])]
    registers: Option<PathBuf>,
    /// The bench file; the simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// A parameter of the sequence, such as volts="1.1 V"; may be repeated.
    #[arg(long, value_name = "NAME=VALUE", conflicts_with_all = ["profile", "registers"])]
    with: Vec<String>,
    /// The folder that holds the runs; what actions take is learned from those of the same bench.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// Where the power density is predicted.
    #[arg(long, value_name = "LENGTH", default_value = "1 m")]
    distance: String,
    /// Also print every point.
    #[arg(long)]
    plan: bool,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    if let Some(path) = &arguments.profile {
        return check_profile(path, arguments.json, terminal);
    }
    if let Some(path) = &arguments.registers {
        return check_registers(path, arguments.json, terminal);
    }
    let plan = bench_or_all_faults(arguments)?;
    let sequence = load_sequence(arguments.sequence.as_deref(), &plan, &arguments.with)?;
    refuse_what_no_run_would_begin(&plan, &sequence)?;
    let remarks: Vec<String> = plan.model_remarks().into_iter().chain(sequence.remarks()).collect();
    let (costs, learned) = learned::costs(&arguments.runs, plan.name());
    let cost = estimate(&sequence, &costs);
    let distance = read_distance(&arguments.distance)?;
    let exposure = exposure::predicted(&plan, &sequence, distance);
    let told = tell::remark(tell::ways(&plan, arguments.bench.as_deref()).as_ref(), &sequence);
    let remarks: Vec<String> = plan.model_remarks().iter().cloned().chain(told).collect();
    if arguments.json {
        let shown = json!({
            "sequence": sequence.name,
            "bench": plan.name(),
            "parameters": sequence.parameters.iter()
                .map(|parameter| (parameter.name.clone(), parameter_text(&parameter.value).into()))
                .collect::<serde_json::Map<_, serde_json::Value>>(),
            "points": cost.points,
            "points_exact": cost.points_exact,
            "measurements": cost.measurements,
            "searches": cost.searches,
            "captures_estimated": cost.captures,
            "disk_bytes_estimated": cost.disk_bytes.round(),
            "time_s_estimated": cost.time_s,
            "learned_from_runs": learned,
            "eirp_dbm_predicted": exposure.map(|exposure| exposure.eirp_dbm),
            "power_density_w_m2_predicted": exposure.map(|exposure| exposure.density_w_m2),
            "distance_m": distance,
            "remarks": remarks,
            "faults_planned": plan.planned_faults().map_or(0, |(count, _)| count),
        });
        terminal.line(shown.to_string())?;
        return Ok(Ended::Done);
    }
    print_costs(&plan, &sequence, &cost, learned, terminal)?;
    for line in exposure::lines(exposure, distance) {
        terminal.line(line)?;
    }
    if let Some((count, name)) = plan.planned_faults() {
        terminal.line(format!("faults        {count} planned for the simulated bench ({name})"))?;
    }
    for remark in &remarks {
        terminal.line(format!("remark        {remark}"))?;
    }
    if arguments.plan {
        print_plan(&sequence, terminal)?;
    }
    terminal.line("no fault found; nothing was sent to any instrument")?;
    Ok(Ended::Done)
}

/// The bench; where it is at fault, its faults and those of the sequence that any bench would refuse.
fn bench_or_all_faults(arguments: &Arguments) -> Result<BenchPlan, Failure> {
    match load_bench(arguments.bench.as_deref()) {
        Err(Failure { error: FailureKind::Faults(mut faults), .. }) => {
            faults.extend(sequence_faults(arguments.sequence.as_deref(), &arguments.with)?);
            Err(Failure::faults(faults))
        }
        loaded => loaded,
    }
}

/// What the preflight of a run would find in the files is found here already.
fn refuse_what_no_run_would_begin(plan: &BenchPlan, sequence: &Sequence) -> Result<(), Failure> {
    let failed: Vec<String> = looks_at_files(plan, sequence)
        .iter()
        .filter(|look| !look.passed)
        .map(|look| format!("{}: {}", look.what, look.found))
        .collect();
    match failed.as_slice() {
        [] => Ok(()),
        failed => Err(Failure::usage(anyhow::anyhow!(
            "a run would not begin: {}; nothing was sent to any instrument",
            failed.join("; ")
        ))),
    }
}

fn read_distance(text: &str) -> Result<f64, Failure> {
    match Quantity::parse(text, Dimension::Length) {
        Ok(distance) if distance.value > 0.0 => Ok(distance.value),
        Ok(_) => Err(Failure::usage(anyhow::anyhow!("--distance is more than 0 m"))),
        Err(error) => Err(Failure::usage(anyhow::anyhow!("--distance: {error}"))),
    }
}

fn print_costs(
    plan: &BenchPlan,
    sequence: &Sequence,
    cost: &Estimate,
    learned: usize,
    terminal: &mut Terminal,
) -> Result<(), Failure> {
    terminal.line(format!("sequence      {}", sequence.name))?;
    for parameter in &sequence.parameters {
        let given = if parameter.given { "given" } else { "default" };
        let value = parameter_text(&parameter.value);
        terminal.line(format!("parameter     {} = {value} ({given})", parameter.name))?;
    }
    for called in &sequence.called {
        terminal.line(format!("calls         {}", called.name))?;
    }
    let simulated = if plan.is_simulated() { " (simulated, needs no hardware)" } else { "" };
    terminal.line(format!("bench         {}{simulated}", plan.name()))?;
    terminal.line(match (cost.points, cost.points_exact) {
        (0, true) => "points        none: no sweep, the steps are done once".to_string(),
        (points, true) => format!("points        {points}"),
        (points, false) => format!("points        about {points}"),
    })?;
    terminal.line(format!("measurements  {}", cost.measurements))?;
    terminal.line(format!("beam searches {}", cost.searches))?;
    let watched = sequence.interlocks.len() + plan.interlocks.len();
    if watched > 0 {
        terminal.line(format!("interlocks    {watched} watched during the run"))?;
    }
    let megabytes = (cost.disk_bytes / 1e6).ceil() * 1e6;
    let disk = Quantity { value: megabytes, dimension: Dimension::Bytes };
    terminal.line(format!("disk          about {disk} in {} captures", cost.captures))?;
    let how = match learned {
        0 => "on hardware, assumed: no earlier run of this bench".to_string(),
        1 => "learned from 1 run".to_string(),
        runs => format!("learned from {runs} runs"),
    };
    terminal.line(format!("time          about {}, {how}", duration(cost.time_s)))
}

fn print_plan(sequence: &Sequence, terminal: &mut Terminal) -> Result<(), Failure> {
    for item in Walk::of(sequence, Phase::Steps) {
        if let WalkItem::Enter { point: Some(point), position, .. } = item {
            let axes: Vec<_> =
                position.iter().map(|(axis, value)| format!("{axis} {value}")).collect();
            terminal.line(format!("point {point}: {}", axes.join(", ")))?;
        }
    }
    Ok(())
}

fn unsound(what: &str, error: LoadError) -> Failure {
    match error {
        LoadError::Faults(faults) => Failure::from(faults),
        error => {
            Failure::usage(anyhow::Error::new(error).context(format!("failed to check the {what}")))
        }
    }
}

/// Prints every field of a register map.
fn check_registers(path: &Path, json: bool, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let map = registers::load(&path.display().to_string(), None)
        .map_err(|error| unsound("register map", error))?;
    let mut shown = table(&["field", "register", "bits", "takes", "access"]);
    for field in &map.fields {
        let part = |part: &Part| {
            let high = part.low_bit + part.bits - 1;
            let bits =
                if part.bits == 1 { high.to_string() } else { format!("{high}..{}", part.low_bit) };
            (format!("{:#06x}", part.address), bits)
        };
        let (registers, bits): (Vec<_>, Vec<_>) = field.parts.iter().map(part).unzip();
        let access = match field.access {
            Access::ReadOnly => "read only",
            Access::WriteOnly => "write only",
            Access::ReadWrite => "both",
        };
        let takes = match &field.kind {
            Kind::Number { at_least, at_most, .. } => {
                let shown = |end: f64| field.kind.show(&Value::Number(end));
                format!("{} to {}", shown(*at_least), shown(*at_most))
            }
            Kind::Whole { at_least, at_most } => format!("{at_least} to {at_most}"),
            other => other.wanted(),
        };
        if json {
            let line = json!({"field": field.name, "registers": registers, "bits": bits,
                              "takes": takes, "access": access});
            terminal.line(line.to_string())?;
            continue;
        }
        let (registers, bits) = (registers.join(", "), bits.join(", "));
        shown.add_row([field.name.clone(), registers, bits, takes, access.into()]);
    }
    if !json {
        terminal.line(format!("register map  {}", map.name))?;
        terminal.line(shown.to_string())?;
        terminal.line("no fault found; nothing was sent to any instrument")?;
    }
    Ok(Ended::Done)
}

/// Prints every message that a profile would send.
fn check_profile(path: &Path, json: bool, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let profile = profile::load(&path.display().to_string(), None)
        .map_err(|error| unsound("profile", error))?;
    let preview = profile.preview();
    if json {
        return terminal.line(profile_json(&profile, &preview).to_string()).map(|()| Ended::Done);
    }
    terminal.line(format!("profile       {}", profile.name))?;
    for base in &profile.based_on {
        terminal.line(format!("based on      {}", base.name))?;
    }
    terminal.line(format!("role          {}", profile.role))?;
    if !profile.about.is_empty() {
        terminal.line(format!("about         {}", profile.about))?;
    }
    print_sections(&preview.sections, terminal)?;
    for model in &preview.models {
        terminal.line(format!("\nmodel {} ({}) differs in", model.called, model.known_by))?;
        print_sections(&model.differs, terminal)?;
    }
    terminal.line("\nno fault found; nothing was sent to any instrument")?;
    Ok(Ended::Done)
}

/// One line a section, one more a message, the messages in one column.
fn print_sections(sections: &[Section], terminal: &mut Terminal) -> Result<(), Failure> {
    let messages = sections.iter().flat_map(|section| &section.messages);
    let width = messages.map(|message| message.when.chars().count()).max().unwrap_or(0);
    for section in sections {
        if section.messages.is_empty() {
            terminal.line(format!("\n{} is absent", section.name))?;
            continue;
        }
        let takes = if section.takes.is_empty() { "" } else { ": " };
        terminal.line(format!("\n{}{takes}{}", section.name, section.takes))?;
        if !section.about.is_empty() {
            terminal.line(format!("  # {}", section.about))?;
        }
        for message in &section.messages {
            let line = format!("  {:width$}  {}", message.when, message.message);
            terminal.line(line.trim_end())?;
        }
    }
    Ok(())
}

fn profile_json(profile: &Profile, preview: &Preview) -> serde_json::Value {
    let section = |section: &Section| {
        let messages = section.messages.iter();
        let messages: Vec<_> =
            messages.map(|m| json!({"when": m.when, "message": m.message})).collect();
        json!({"name": section.name, "about": section.about, "takes": section.takes,
               "messages": messages})
    };
    let sections = |all: &[Section]| all.iter().map(section).collect::<Vec<_>>();
    let based_on: Vec<_> = profile.based_on.iter().map(|source| source.name.to_string()).collect();
    let models: Vec<_> = preview
        .models
        .iter()
        .map(|model| {
            json!({"called": model.called, "known_by": model.known_by,
                   "differs": sections(&model.differs)})
        })
        .collect();
    json!({
        "profile": profile.name,
        "about": profile.about,
        "based_on": based_on,
        "role": profile.role.to_string(),
        "sections": sections(&preview.sections),
        "models": models,
    })
}

/// "2 h 05 min", "40 s".
fn duration(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, s) => format!("{m} min {s:02} s"),
        (h, m, _) => format!("{h} h {m:02} min"),
    }
}
