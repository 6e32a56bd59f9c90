//! `bench --dump-registers` and `--compare-registers`: what all registers of a chip hold, and what
//! differs from earlier.

use std::path::{Path, PathBuf};

use beamwarden_drivers::registers::{Difference, Dump, RegisterMap, parse_dump};
use serde_json::json;

use super::benches_at_hand::read_source;
use super::figures_table::table;
use super::live::{bench_failure, runtime};
use super::{Ended, Failure, Terminal};
use crate::bench::{Bench, BenchError, BenchPlan};

/// What stands for a file where registers are compared with their reset values.
const RESET: &str = "reset";

/// What to do with registers.
#[derive(Debug, clap::Args)]
pub struct RegisterArguments {
    /// Read every register of a chip, and print or write what they hold and the fields in them.
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-")]
    dump_registers: Option<PathBuf>,
    /// Read every register and list the fields that differ from an earlier dump, or with the word
    /// reset from the reset values of the register map. Fields that can only be read may differ.
    #[arg(long, value_name = "FILE or reset")]
    compare_registers: Option<PathBuf>,
    /// The instrument whose registers are meant, where several have some.
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
}

impl RegisterArguments {
    /// Whether there is anything to do.
    pub fn wanted(&self) -> bool {
        self.dump_registers.is_some() || self.compare_registers.is_some()
    }

    /// Refuses the name of an instrument where nothing is done with its registers.
    pub fn refuse_idle(&self) -> Result<(), Failure> {
        if self.instrument.is_some() && !self.wanted() {
            let message = "--instrument says whose registers are meant: add --dump-registers or \
                           --compare-registers";
            return Err(Failure::usage(anyhow::anyhow!(message)));
        }
        Ok(())
    }
}

/// Dumps, compares, or both from one reading.
pub fn run(
    arguments: &RegisterArguments,
    plan: BenchPlan,
    json: bool,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let before = arguments.compare_registers.as_deref().map(read_before).transpose()?;
    let (name, map) = chosen(arguments, &plan, before.as_ref().and_then(Option::as_ref))?;
    let runtime = runtime(&plan)?;
    let dump = runtime.block_on(read(plan, &name)).map_err(bench_failure)?;
    if let Some(path) = &arguments.dump_registers {
        give_dump(&dump, &map, path, json, terminal)?;
    }
    let Some(before) = before else { return Ok(Ended::Done) };
    let differences = match &before {
        Some(before) => dump.since(before, &map),
        None => dump.since_reset(&map),
    };
    show(&differences, json, terminal)?;
    let as_before = differences.iter().all(|difference| difference.read_only);
    Ok(if as_before { Ended::Done } else { Ended::ExpectationFailed })
}

/// The dump of a file; `None` for the reset values.
fn read_before(path: &Path) -> Result<Option<Dump>, Failure> {
    if path == Path::new(RESET) {
        return Ok(None);
    }
    parse_dump(&read_source(path, "register dump")?)
        .map(Some)
        .map_err(|faults| Failure::faults(vec![faults]))
}

/// The instrument and its register map.
fn chosen(
    arguments: &RegisterArguments,
    plan: &BenchPlan,
    before: Option<&Dump>,
) -> Result<(String, RegisterMap), Failure> {
    let with_map = plan.instruments.iter().filter_map(|planned| {
        planned.driver.registers.as_ref().map(|map| (planned.name.as_str(), map))
    });
    let all: Vec<_> = with_map.collect();
    let names = || all.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ");
    let named = arguments.instrument.as_deref();
    // A dump says itself where it comes from.
    let from_dump = before.map(|dump| dump.instrument.as_str());
    let wanted = named.or(from_dump.filter(|from| all.iter().any(|(name, _)| name == from)));
    let found = match (wanted, all.as_slice()) {
        (Some(wanted), _) => all.iter().find(|(name, _)| *name == wanted),
        (None, [only]) => Some(only),
        (None, _) => None,
    };
    let Some((name, map)) = found else {
        return Err(Failure::usage(match all.len() {
            0 => anyhow::anyhow!("no instrument of this bench has a register map"),
            _ => anyhow::anyhow!("say whose registers are meant: --instrument, one of {}", names()),
        }));
    };
    if let Some(before) = before.filter(|before| before.map != map.name) {
        return Err(Failure::usage(anyhow::anyhow!(
            "the dump is one of register map '{}', and {name} has '{}'",
            before.map,
            map.name
        )));
    }
    Ok(((*name).to_owned(), (***map).clone()))
}

/// Reads all registers. Other instruments need not answer.
async fn read(plan: BenchPlan, name: &str) -> Result<Dump, BenchError> {
    let (mut bench, failures) = Bench::open_what_answers(plan, None).await?;
    if let Some((_, error)) = failures.into_iter().find(|(failed, _)| failed == name) {
        return Err(error);
    }
    bench.dump_registers(name).await
}

fn give_dump(
    dump: &Dump,
    map: &RegisterMap,
    path: &Path,
    json: bool,
    terminal: &mut Terminal,
) -> Result<(), Failure> {
    if path != Path::new("-") {
        return std::fs::write(path, dump.emit(map)).map_err(|error| {
            let context = format!("failed to write the register dump {}", path.display());
            Failure::usage(anyhow::Error::new(error).context(context))
        });
    }
    if !json {
        return terminal.line(dump.emit(map).trim_end());
    }
    let fields: serde_json::Map<_, _> = dump
        .fields(map)
        .into_iter()
        .map(|(field, value)| (field.name.clone(), value.into()))
        .collect();
    let by_address = |registers: &std::collections::BTreeMap<u32, u32>| {
        let entries = registers.iter().map(|(at, bits)| (format!("{at:#06x}"), (*bits).into()));
        serde_json::Value::Object(entries.collect())
    };
    let refused: serde_json::Map<_, _> =
        dump.refused.iter().map(|(at, why)| (format!("{at:#06x}"), why.clone().into())).collect();
    terminal.line(
        json!({"register_map": dump.map, "instrument": dump.instrument,
               "read": by_address(&dump.read), "written": by_address(&dump.written),
               "refused": refused, "fields": fields})
        .to_string(),
    )
}

fn show(differences: &[Difference], json: bool, terminal: &mut Terminal) -> Result<(), Failure> {
    let mut shown = table(&["field", "before", "now", "can be set"]);
    for one in differences {
        if json {
            terminal.line(
                json!({"field": one.name, "before": one.before, "now": one.now,
                       "read_only": one.read_only})
                .to_string(),
            )?;
        } else {
            let settable = if one.read_only { "no" } else { "yes" };
            shown.add_row([&one.name, &one.before, &one.now, settable]);
        }
    }
    match (json, differences.is_empty()) {
        (true, _) => Ok(()),
        (false, true) => terminal.line("no field differs"),
        (false, false) => terminal.line(shown.to_string()),
    }
}
