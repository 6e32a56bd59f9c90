//! `say`: one message to one instrument.

use std::path::PathBuf;

use beamwarden_drivers::instrument::RawAnswer;
use beamwarden_drivers::profile::Recognised;
use serde_json::json;

use super::benches_at_hand::load_bench;
use super::figures_table::table;
use super::live::{bench_failure, runtime};
use super::{Ended, Failure, Terminal};
use crate::bench::{Bench, BenchError, Settled};

/// Bytes of a block that are shown.
const BLOCK_BYTES_SHOWN: usize = 32;

/// Send one message to one instrument and print its answer. A message that changes something
/// needs --write, must be one that the profile knows, and passes the limits of the bench.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The instrument's name in the bench file.
    instrument: String,
    /// The message, such as '*IDN?' or 'OUTPut:STATe OFF'.
    message: String,
    /// Let the message change something.
    #[arg(long)]
    write: bool,
    /// The bench file; the simulated bench when absent.
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

/// What came of a message.
enum Said {
    Answer(RawAnswer),
    Set(Vec<Settled>),
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let plan = load_bench(arguments.bench.as_deref())?;
    let planned = plan.instruments.iter().find(|planned| planned.name == arguments.instrument);
    let planned = planned.ok_or_else(|| {
        let names: Vec<_> = plan.instruments.iter().map(|i| i.name.as_str()).collect();
        Failure::usage(anyhow::anyhow!(
            "the bench has no instrument '{}'; it has {}",
            arguments.instrument,
            names.join(", ")
        ))
    })?;
    let recognised = planned.driver.profile.recognise(&arguments.message);
    refuse(arguments, &recognised, &planned.driver.profile)?;
    let runtime = runtime(&plan)?;
    let said = runtime
        .block_on(async {
            let mut bench = Bench::open(plan).await?;
            say(&mut bench, arguments, recognised).await
        })
        .map_err(bench_failure)?;
    print(said, arguments.json, terminal)
}

/// What must not be sent is refused before anything is opened.
fn refuse(
    arguments: &Arguments,
    recognised: &Recognised,
    profile: &beamwarden_drivers::profile::Profile,
) -> Result<(), Failure> {
    match recognised {
        Recognised::Query => Ok(()),
        Recognised::Unknown => {
            let mut forms: Vec<String> =
                profile.settings.iter().map(|setting| setting.set.to_string()).collect();
            forms.extend(profile.port.iter().map(|port| port.write.to_string()));
            Err(Failure::usage(anyhow::anyhow!(
                "'{}' is no query, and profile {} knows no setting of that form, so its limits \
                 cannot be checked; nothing was sent. It knows: {}",
                arguments.message,
                profile.name,
                forms.join(", ")
            )))
        }
        Recognised::Setting { .. } | Recognised::Register { .. } if arguments.write => Ok(()),
        _ => Err(Failure::usage(anyhow::anyhow!(
            "'{}' changes the instrument; say so with --write. Nothing was sent",
            arguments.message
        ))),
    }
}

async fn say(
    bench: &mut Bench,
    arguments: &Arguments,
    recognised: Recognised,
) -> Result<Said, BenchError> {
    let name = &arguments.instrument;
    match recognised {
        Recognised::Setting { name: setting, value } => {
            bench.set_driver_value(&format!("{name}.{setting}"), &value).await.map(Said::Set)
        }
        Recognised::Register { address, value } => {
            bench.set_register(name, address, value).await.map(Said::Set)
        }
        Recognised::Query | Recognised::Unknown => {
            let answer = bench.instrument(name)?.query_raw(&arguments.message).await?;
            Ok(Said::Answer(answer))
        }
    }
}

fn print(said: Said, json: bool, terminal: &mut Terminal) -> Result<Ended, Failure> {
    match said {
        Said::Answer(RawAnswer::Line(line)) if json => {
            terminal.line(json!({"answer": line}).to_string())?;
        }
        Said::Answer(RawAnswer::Line(line)) => terminal.line(line)?,
        Said::Answer(RawAnswer::Block(bytes)) => {
            let shown: Vec<String> =
                bytes.iter().take(BLOCK_BYTES_SHOWN).map(|byte| format!("{byte:02x}")).collect();
            let more = if bytes.len() > BLOCK_BYTES_SHOWN { " …" } else { "" };
            let text = format!("block of {} bytes: {}{more}", bytes.len(), shown.join(" "));
            terminal.line(if json {
                json!({"block_bytes": bytes.len(), "first_bytes": shown}).to_string()
            } else {
                text
            })?;
        }
        Said::Set(settled) => return print_settled(&settled, json, terminal),
    }
    Ok(Ended::Done)
}

fn print_settled(
    settled: &[Settled],
    json: bool,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let mut shown = table(&["setting", "asked for", "read back", "agrees"]);
    for one in settled {
        let agrees = if one.matched { "yes" } else { "NO" };
        if json {
            terminal.line(
                json!({"setting": one.setting, "asked": one.asked.to_string(),
                       "read_back": one.read_back.to_string(), "matched": one.matched})
                .to_string(),
            )?;
        } else {
            let cells = [one.setting.clone(), one.asked.to_string(), one.read_back.to_string()];
            shown.add_row(cells.into_iter().chain([agrees.to_string()]));
        }
    }
    if !json {
        terminal.line(shown.to_string())?;
    }
    let all = settled.iter().all(|one| one.matched);
    Ok(if all { Ended::Done } else { Ended::Instrument })
}
