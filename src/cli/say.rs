//! `say`: one message to one instrument.

use std::path::PathBuf;

use beamwarden_drivers::instrument::RawAnswer;
use beamwarden_drivers::pattern::Pattern;
use beamwarden_drivers::profile::{Profile, Recognised, RegisterPort};
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
    profile: &Profile,
) -> Result<(), Failure> {
    match recognised {
        Recognised::Query => Ok(()),
        Recognised::Unknown if profile.frames().is_some() => Err(Failure::usage(anyhow::anyhow!(
            "{} speaks in binary frames, in which nothing can be said by hand; set its fields in a \
             sequence, and read all of them with `bench --dump-registers`. Nothing was sent",
            arguments.instrument
        ))),
        Recognised::Unknown if profile.why_unknown(&arguments.message).is_some() => {
            let why = profile.why_unknown(&arguments.message).unwrap_or_default();
            Err(Failure::usage(anyhow::anyhow!(
                "'{}' cannot be said: {why}. Nothing was sent",
                arguments.message
            )))
        }
        Recognised::Unknown => Err(Failure::usage(anyhow::anyhow!(
            "'{}' is no query that only asks, and profile {} knows no setting of that form, so its \
             limits cannot be checked; nothing was sent. It knows:\n{}",
            arguments.message,
            profile.name,
            known_forms(profile)
        ))),
        Recognised::Setting { .. } | Recognised::Register { .. } if arguments.write => Ok(()),
        _ => Err(Failure::usage(anyhow::anyhow!(
            "'{}' changes the instrument; say so with --write. Nothing was sent",
            arguments.message
        ))),
    }
}

/// What can be said to an instrument, a line each: settings by name with their shortest spelling,
/// or how registers are read and written.
fn known_forms(profile: &Profile) -> String {
    let mut rows: Vec<(String, String)> =
        profile.settings.iter().map(|setting| (setting.name.clone(), setting.shortest())).collect();
    if let Some(RegisterPort::Text(port)) = &profile.port {
        rows.push(("read a register".into(), with_example(&port.read)));
        rows.push(("write a register".into(), with_example(&port.write)));
    }
    let width = rows.iter().map(|(name, _)| name.len()).max().unwrap_or_default();
    let lines = rows.iter().map(|(name, form)| format!("  {name:width$}  {form}"));
    lines.collect::<Vec<_>>().join("\n")
}

/// A form and the same filled in: `r {address:4X}, such as 'r 0003'`.
fn with_example(form: &Pattern) -> String {
    let slot = |name: &str| Some(if name == "address" { "3" } else { "20" }.into());
    match form.emit(slot) {
        Ok(example) => format!("{form}, such as '{example}'"),
        Err(_) => form.to_string(),
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
            let answer = bench.ask(name, arguments.message.trim()).await?;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_refused(profile: &str, message: &str, write: bool, expected: &str) {
        let profile = beamwarden_drivers::profile::load(profile, None).unwrap();
        let recognised = profile.recognise(message);
        let arguments = Arguments {
            instrument: "it".into(),
            message: message.into(),
            write,
            bench: None,
            json: false,
        };
        let failure = refuse(&arguments, &recognised, &profile).unwrap_err();
        assert_eq!((failure.ended, failure.to_string().as_str()), (Ended::Usage, expected));
    }

    #[test]
    fn a_refusal_says_what_can_be_said() {
        check_refused(
            "scpi-supply.yaml",
            "*RST",
            true,
            "error: '*RST' is no query that only asks, and profile scpi-supply knows no setting of \
             that form, so its limits cannot be checked; nothing was sent. It knows:
  voltage             VOLT <V>
  current_limit       CURR <A>
  protection_voltage  VOLT:PROT <V>
  output              OUTP ON|OFF",
        );
        check_refused(
            "register-port.yaml",
            "reboot",
            true,
            "error: 'reboot' is no query that only asks, and profile register-port knows no setting \
             of that form, so its limits cannot be checked; nothing was sent. It knows:
  read a register   r {address:4X}, such as 'r 0003'
  write a register  w {address:4X} {value:4X}, such as 'w 0003 0014'",
        );
        check_refused(
            "scpi-supply.yaml",
            "VOLT 1.1 A",
            true,
            "error: 'VOLT 1.1 A' cannot be said: voltage takes a voltage such as 1.2 V, not '1.1 A': \
             VOLT <V>. Nothing was sent",
        );
        check_refused(
            "scpi-supply.yaml",
            "VOLT 1.1",
            false,
            "error: 'VOLT 1.1' changes the instrument; say so with --write. Nothing was sent",
        );
    }
}
