//! `search`: one beam search now.

use serde_json::json;

use super::figures_table::table;
use super::now::Now;
use super::{Ended, Failure, Terminal};
use crate::beam::search::{BeamPair, Sides, StrategyKind};
use crate::run::SearchFound;
use crate::sequence::{Action, Search};

/// Widest bar of a one-sided map, in characters.
const BAR_CHARS: f64 = 40.0;

/// Search the best beams now; print the map, the choice and what it gained. Recorded like any run.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    #[command(flatten)]
    now: Now,
    /// Whose beams may change: tx, rx or both.
    #[arg(long, default_value = "both", value_parser = ["tx", "rx", "both"])]
    side: String,
    /// The strategy.
    #[arg(long, default_value = "exhaustive", value_parser = ["exhaustive", "alternating sides"])]
    by: String,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let search = Search {
        sides: Sides::parse(&arguments.side).unwrap_or(Sides::Both),
        strategy: StrategyKind::parse(&arguments.by).unwrap_or(StrategyKind::Exhaustive),
        label: None,
    };
    let sides = search.sides;
    let action = Action::Search(search);
    let summary = arguments.now.act("search", action, arguments.json, terminal)?;
    for found in &summary.searches {
        if arguments.json {
            terminal.line(as_json(found).to_string())?;
        } else {
            terminal.line(map(found, sides))?;
            terminal.line(words(found))?;
        }
    }
    let nothing = summary.searches.iter().any(|found| found.chosen().is_none());
    Ok(if nothing { Ended::ExpectationFailed } else { Ended::Done })
}

fn as_json(found: &SearchFound) -> serde_json::Value {
    let probes: Vec<_> =
        found.result.probes.iter().map(|probe| json!(found.probe(probe))).collect();
    json!({
        "probes": probes,
        "before": found.before,
        "chosen": found.chosen(),
        "runner_up": found.result.runner_up.map(|probe| found.probe(&probe)),
        "gain_db": found.gain_db(),
    })
}

/// The choice and what it gained, in words.
fn words(found: &SearchFound) -> String {
    let show = |snr: Option<f64>| {
        snr.map_or_else(|| "nothing received".to_string(), |snr| format!("{snr:.1} dB"))
    };
    let before = format!(
        "before  tx {:.1} deg, rx {:.1} deg: {}",
        found.before.tx_deg,
        found.before.rx_deg,
        show(found.before.snr_db)
    );
    let Some(chosen) = found.chosen() else {
        return format!("{before}\nchosen  none: no beam rises above noise; beams left as before");
    };
    let gain = found.gain_db().map(|gain| format!(", gained {gain:+.1} dB")).unwrap_or_default();
    let mut text = format!(
        "{before}\nchosen  tx {:.1} deg, rx {:.1} deg: {}{gain}",
        chosen.tx_deg,
        chosen.rx_deg,
        show(chosen.snr_db)
    );
    if let Some(next) = found.result.runner_up.map(|probe| found.probe(&probe)) {
        text += &format!(
            "\nnext    tx {:.1} deg, rx {:.1} deg: {}",
            next.tx_deg,
            next.rx_deg,
            show(next.snr_db)
        );
    }
    text + &format!("\nprobes  {}", found.result.probes.len())
}

/// The probes as a map: bars over the angle, or a grid when both sides were searched.
fn map(found: &SearchFound, sides: Sides) -> String {
    match sides {
        Sides::Both => grid(found),
        Sides::Rx => bars(found, "rx deg", |pair| found.rx_deg[pair.rx]),
        Sides::Tx => bars(found, "tx deg", |pair| found.tx_deg[pair.tx]),
    }
}

fn bars(found: &SearchFound, heading: &str, angle: impl Fn(BeamPair) -> f64) -> String {
    let best = found.result.chosen.and_then(|probe| probe.snr_db).unwrap_or(0.0);
    let mut shown = table(&[heading, "probe SNR", ""]);
    for probe in &found.result.probes {
        let chosen = found.result.chosen.is_some_and(|chosen| chosen.pair == probe.pair);
        let (snr, bar) = match probe.snr_db {
            None => ("-".to_string(), String::new()),
            // 30 dB fill the bar; less than that below the best is an empty one.
            Some(snr) => {
                let length = ((snr - best + 30.0) / 30.0 * BAR_CHARS).clamp(0.0, BAR_CHARS);
                (format!("{snr:.1} dB"), "#".repeat(length as usize))
            }
        };
        let mark = if chosen { " chosen" } else { "" };
        shown.add_row([format!("{:.1}", angle(probe.pair)), snr, bar + mark]);
    }
    shown.to_string()
}

/// Transmit beams down, receive beams across, SNR in whole dB; the chosen pair in brackets.
fn grid(found: &SearchFound) -> String {
    let mut text = String::from("probe SNR in dB; transmit beams down, receive beams across\n");
    text += "  tx\\rx";
    for angle in &found.rx_deg {
        text += &format!("{angle:>6.0}");
    }
    for (tx, tx_deg) in found.tx_deg.iter().enumerate() {
        text += &format!("\n{tx_deg:>7.0}");
        for rx in 0..found.rx_deg.len() {
            let pair = BeamPair { tx, rx };
            // A pair may be probed more than once; the last word counts.
            let probe = found.result.probes.iter().rev().find(|probe| probe.pair == pair);
            let cell = match probe.map(|probe| probe.snr_db) {
                None => " ".to_string(),
                Some(None) => ".".to_string(),
                Some(Some(snr)) => format!("{snr:.0}"),
            };
            let chosen = found.result.chosen.is_some_and(|chosen| chosen.pair == pair);
            text +=
                &if chosen { format!("{:>6}", format!("[{cell}]")) } else { format!("{cell:>6}") };
        }
    }
    text + "\n. nothing above noise"
}
