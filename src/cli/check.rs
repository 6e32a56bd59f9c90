//! `check`: everything that can be known about a sequence without touching an instrument.

use std::path::PathBuf;

use beamwarden_drivers::quantity::{Dimension, Quantity};
use serde_json::json;

use super::benches_at_hand::{load_bench, load_sequence};
use super::{Ended, Failure, Terminal};
use crate::sequence::{Phase, Walk, WalkItem, estimate};

/// Check a sequence and its bench without touching any instrument.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The sequence file.
    sequence: PathBuf,
    /// The bench file; the simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// Also print every point.
    #[arg(long)]
    plan: bool,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let plan = load_bench(arguments.bench.as_deref())?;
    let sequence = load_sequence(Some(&arguments.sequence), &plan)?;
    let cost = estimate(&sequence);
    if arguments.json {
        let shown = json!({
            "sequence": sequence.name,
            "bench": plan.name(),
            "points": cost.points,
            "measurements": cost.measurements,
            "searches": cost.searches,
            "captures_estimated": cost.captures,
            "disk_bytes_estimated": cost.disk_bytes.round(),
            "time_s_estimated": cost.time_s,
        });
        terminal.line(shown.to_string())?;
        return Ok(Ended::Done);
    }
    terminal.line(format!("sequence      {}", sequence.name))?;
    let simulated = if plan.is_simulated() { " (simulated, needs no hardware)" } else { "" };
    terminal.line(format!("bench         {}{simulated}", plan.name()))?;
    terminal.line(format!("points        {}", cost.points))?;
    terminal.line(format!("measurements  {}", cost.measurements))?;
    terminal.line(format!("beam searches {}", cost.searches))?;
    let megabytes = (cost.disk_bytes / 1e6).ceil() * 1e6;
    let disk = Quantity { value: megabytes, dimension: Dimension::Bytes };
    terminal.line(format!("disk          about {disk} in {} captures", cost.captures))?;
    terminal.line(format!("time          about {} on hardware, roughly", duration(cost.time_s)))?;
    if arguments.plan {
        for item in Walk::of(&sequence, Phase::Steps) {
            if let WalkItem::Enter { point: Some(point), position, .. } = item {
                let axes: Vec<_> =
                    position.iter().map(|(axis, value)| format!("{axis} {value}")).collect();
                terminal.line(format!("point {point}: {}", axes.join(", ")))?;
            }
        }
    }
    terminal.line("no fault found; nothing was sent to any instrument")?;
    Ok(Ended::Done)
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
