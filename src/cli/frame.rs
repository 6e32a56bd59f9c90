//! `frame`: what a frame amounts to, before it is sent.

use std::path::{Path, PathBuf};

use beamwarden_drivers::profile::Role;
use beamwarden_drivers::quantity::{Dimension, Quantity};
use serde_json::{Map, Value as Json, json};

use super::analyse::{frequency, named_frame};
use super::benches_at_hand::load_bench;
use super::figures_table::{significant, table};
use super::now::knob_failure;
use super::{Ended, Failure, Terminal};
use crate::bench::frame_file::NamedFrame;
use crate::bench::knob::{FRAME, KnobValue};
use crate::bench::{BenchPlan, OnAir};
use crate::record::write_waveform;

/// Samples a symbol when no sample rate is asked for.
const SAMPLES_PER_SYMBOL: f64 = 4.0;

/// Build a frame without sending it; print its rates, duration, sizes and level.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The frame: a name such as qpsk uncoded, 16-qam uncoded without guards or mcs 9, a frame that
    /// the bench file adds, or a frame file.
    #[arg(required = true)]
    frame: Vec<String>,
    /// The bench file, for symbol rate, roll-off, level, correction and the source's limits; the
    /// simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// The source's samples a second; 4 a symbol when absent.
    #[arg(long, value_name = "FREQUENCY")]
    sample_rate: Option<String>,
    /// Rms level relative to full scale, such as "-3 dB", even if peaks are clipped; when absent that
    /// of the bench file, or -6 dB and less where a peak would be clipped.
    #[arg(long, value_name = "LEVEL", allow_hyphen_values = true)]
    level: Option<String>,
    /// Also write one pass of the waveform as a SigMF recording of this name.
    #[arg(long, value_name = "NAME")]
    out: Option<PathBuf>,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let plan = load_bench(arguments.bench.as_deref())?;
    let named = frame_of(&arguments.frame.join(" "), &plan)?;
    let sample_rate_hz = match &arguments.sample_rate {
        Some(text) => frequency(text)?,
        None => SAMPLES_PER_SYMBOL * plan.symbol_rate_and_roll_off(&named).0,
    };
    within_limits(sample_rate_hz, &plan)?;
    let level = arguments.level.as_deref().map(level_dbfs).transpose()?;
    let on_air = plan.on_air(&named, sample_rate_hz, level).map_err(Failure::usage)?;
    // First, so that a refusal is all that is said.
    let written = arguments.out.as_deref().map(|base| write(base, &on_air)).transpose()?;
    let facts = facts(&on_air);
    if arguments.json {
        let mut object = Map::new();
        object.insert("frame".into(), json!(named.name));
        object.extend(facts.iter().map(|fact| (fact.name.into(), fact.value.clone())));
        terminal.line(Json::Object(object).to_string())?;
    } else {
        print(&on_air, &facts, terminal)?;
    }
    for warning in on_air.warnings() {
        terminal.tell(format!("warning: {warning}"));
    }
    if let Some(path) = written {
        terminal.tell(format!("written: {}", path.display()));
    }
    Ok(Ended::Done)
}

/// Writes one pass of the waveform; yields the data file.
fn write(base: &Path, on_air: &OnAir) -> Result<PathBuf, Failure> {
    let codes = on_air.waveform.to_codes();
    let version = env!("CARGO_PKG_VERSION");
    let rate_hz = on_air.waveform.sample_rate_hz;
    let [data, _] =
        write_waveform(base, &codes, rate_hz, on_air.record(), version).map_err(Failure::usage)?;
    Ok(data)
}

/// A frame that the bench knows by name, or one from a file.
fn frame_of(name: &str, plan: &BenchPlan) -> Result<NamedFrame, Failure> {
    if let Ok(knob) = plan.knobs().get(FRAME)
        && let Ok(KnobValue::Frame(frame)) = knob.read(name)
    {
        return Ok(*frame);
    }
    named_frame(name)
}

/// A waveform that the bench's source could not play is of no use.
fn within_limits(sample_rate_hz: f64, plan: &BenchPlan) -> Result<(), Failure> {
    let Some(source) = plan.of_role(Role::WaveformSource) else { return Ok(()) };
    let Ok(knob) = plan.knobs().get(&format!("{}.sample_rate", source.name)) else {
        return Ok(());
    };
    let rate = Quantity { value: sample_rate_hz, dimension: Dimension::Frequency };
    knob.check(&KnobValue::Number(rate)).map_err(|error| knob_failure(&error))
}

fn level_dbfs(text: &str) -> Result<f64, Failure> {
    let level = Quantity::parse(text, Dimension::Decibel).map_err(Failure::usage)?.value;
    if (-60.0..=20.0).contains(&level) {
        Ok(level)
    } else {
        let message = format!("a level is between -60 dB and 20 dB of full scale, not {level} dB");
        Err(Failure::usage(anyhow::anyhow!(message)))
    }
}

/// One figure of the waveform.
struct Fact {
    name: &'static str,
    value: Json,
    unit: &'static str,
}

fn facts(on_air: &OnAir) -> Vec<Fact> {
    let (report, waveform) = (on_air.report(), &on_air.waveform);
    let fact = |name, value, unit| Fact { name, value, unit };
    let record = on_air.record();
    let correction = waveform.correction;
    vec![
        fact("modulation", json!(record.modulation), ""),
        fact("code", json!(record.code), ""),
        fact("data_rate_bps", json!(report.data_rate_bps), "bit/s"),
        fact("net_rate_bps", json!(report.net_rate_bps), "bit/s"),
        fact("symbol_rate_hz", json!(report.symbol_rate_hz), "Hz"),
        fact("roll_off", json!(on_air.roll_off), ""),
        fact("duration_s", json!(report.duration_s), "s"),
        fact("chips", json!(report.chips), ""),
        fact("blocks", json!(report.blocks), ""),
        fact("guards", json!(on_air.frame.layout.guards), ""),
        fact("codewords", json!(report.codewords), ""),
        fact("psdu_octets", json!(report.psdu_octets), ""),
        fact("payload", json!(record.payload_generator), ""),
        fact("payload_seed", json!(record.payload_seed), ""),
        fact("payload_sha256", json!(record.payload_sha256), ""),
        fact("sample_rate_hz", json!(waveform.sample_rate_hz), "Hz"),
        fact("samples", json!(waveform.samples.len()), ""),
        fact("pass_s", json!(waveform.duration_s()), "s"),
        fact("idle_chips", json!(waveform.idle_chips), ""),
        fact("rms_dbfs", json!(on_air.rms_dbfs), "dB"),
        fact("crest_factor_db", json!(waveform.crest_factor_db), "dB"),
        fact("clipped_fraction", json!(waveform.clipped_fraction), ""),
        fact("folded_fraction", json!(waveform.folded_fraction), ""),
        fact("response_spread_db", json!(correction.map(|c| c.spread_db)), "dB"),
        fact("correction_boost_db", json!(correction.map(|c| c.boost_db)), "dB"),
        fact("response_delay_s", json!(correction.map(|c| c.delay_s)), "s"),
    ]
}

fn print(on_air: &OnAir, facts: &[Fact], terminal: &mut Terminal) -> Result<(), Failure> {
    terminal.line(format!("{}: built, nothing was sent to any instrument", on_air.named.name))?;
    let mut table = table(&["figure", "value", "unit"]);
    for fact in facts {
        if let Some(shown) = shown(fact) {
            table.add_row([fact.name, &shown, fact.unit]);
        }
    }
    terminal.line(table.to_string())
}

/// A figure's value in its unit, the one that its name ends in, as in the table of `analyse`; none where
/// there is none.
fn shown(fact: &Fact) -> Option<String> {
    let Some(number) = fact.value.as_f64().filter(|_| fact.value.is_f64()) else {
        return match &fact.value {
            Json::Null => None,
            Json::String(text) => Some(text.clone()),
            Json::Bool(yes) => Some(if *yes { "yes" } else { "no" }.to_string()),
            other => Some(other.to_string()),
        };
    };
    Some(match fact.unit {
        // Six digits, as the standard's table of rates has them.
        "bit/s" | "Hz" => {
            let text = format!("{number:.5e}");
            match text.split_once('e') {
                Some((digits, exponent)) => {
                    format!("{}e{exponent}", digits.trim_end_matches('0').trim_end_matches('.'))
                }
                None => text,
            }
        }
        "dB" => format!("{number:.2}"),
        _ => significant(number),
    })
}
