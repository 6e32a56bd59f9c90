//! `sim`: serves the simulated instruments of one or several benches to any client.

use std::path::PathBuf;
use std::time::Duration;

use anyhow::anyhow;
use beamwarden_sim::{Address, FaultPlan, HislipPorts, Model, Post, ServePlan, Serving, SimBench};
use serde_json::{Value as Json, json};
use tokio::runtime::Builder;

use super::benches_at_hand::read_source;
use super::figures_table::table;
use super::live::stop_on_signals;
use super::sim_tell::Tell;
use super::{Ended, Failure, Terminal};
use crate::bench::{read_faults, read_model};

/// The port registered for HiSLIP.
const HISLIP_PORT: u16 = 4880;
/// Ports that a bench takes in a row, one an instrument.
const PORTS_EACH: u16 = Post::ALL.len() as u16;

/// Serve the simulated instruments on TCP ports, over HiSLIP and on a serial pseudo-terminal, in
/// real time, until interrupted.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// Port of the first instrument, the others following; 0 for any free ports.
    #[arg(long, default_value_t = 5025)]
    port: u16,
    /// HiSLIP port of the first instrument, the others following; 0 for any free ports [default:
    /// 4880, or free ones with `--port 0`].
    #[arg(long, value_name = "PORT")]
    hislip_port: Option<u16>,
    /// Address to listen at. Whoever reaches it can steer the instruments.
    #[arg(long, default_value = "127.0.0.1")]
    host: String,
    /// Model file; the demonstration's bench when absent. `--print-model` shows every key of one.
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
    /// Fault plan: what goes wrong at which instrument, and when. Nothing does when absent. `schema
    /// faults` tells every key of one.
    #[arg(long, value_name = "FILE")]
    faults: Option<PathBuf>,
    /// Print the default model as a model file, every key with its meaning, and end.
    #[arg(long, conflicts_with_all = ["model", "faults", "seed", "benches", "json", "tell"])]
    print_model: bool,
    /// Seed of everything random; the model's when absent. Each further bench has the next one.
    #[arg(long)]
    seed: Option<u64>,
    /// How many benches to serve at once, each with its own instruments, ports and seed; the ports of
    /// one follow those of the one before.
    #[arg(long, value_name = "NUMBER", default_value_t = 1,
          value_parser = clap::value_parser!(u16).range(1..=1000))]
    benches: u16,
    /// One JSON object as soon as everything is served, for programs: `seed` and `instruments`, or
    /// with several benches such objects in a list `benches`. Then one more for each fault as it
    /// strikes.
    #[arg(long)]
    json: bool,
    /// For rehearsals and tests: a file of JSON lines that tells what was changed, begun anew. First
    /// where every setting stands (`stands`); then each change of a setting, by a `client` or by the
    /// instrument `itself`, and each link opened or closed, numbered in order, some 10 ms later; at the
    /// end the values between which every setting ever `stood`, and was `set` by clients (`ranges`).
    /// Numbers in base units, switches 0 or 1.
    #[arg(long, value_name = "FILE")]
    tell: Option<PathBuf>,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    if arguments.print_model {
        let text = Model::default().explained().map_err(Failure::internal)?;
        return terminal.line(text.trim_end()).map(|()| Ended::Done);
    }
    let model = arguments.model.as_deref();
    let model = model.map(|path| Ok::<_, Failure>(read_model(&read_source(path, "model file")?)?));
    let mut model = model.transpose()?.unwrap_or_default();
    let faults = arguments.faults.as_deref();
    let faults =
        faults.map(|path| Ok::<_, Failure>(read_faults(&read_source(path, "fault plan")?)?));
    let faults = faults.transpose()?.unwrap_or_default();
    model.seed = arguments.seed.unwrap_or(model.seed);
    let runtime = Builder::new_current_thread().enable_all().build().map_err(Failure::internal)?;
    runtime.block_on(serve(arguments, &model, &faults, terminal))
}

/// How often it is looked for faults that struck.
const LOOK: Duration = Duration::from_millis(100);
/// How often it is looked for changes.
const LOOK_FOR_CHANGES: Duration = Duration::from_millis(10);

/// One bench that is served.
struct Served {
    seed: u64,
    bench: SimBench,
    serving: Serving,
    /// How many of its faults were told.
    told: u64,
}

async fn serve(
    arguments: &Arguments,
    model: &Model,
    faults: &FaultPlan,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let stop = stop_on_signals();
    let mut served = Vec::new();
    for place in 0..arguments.benches {
        let seed = model.seed.wrapping_add(u64::from(place));
        let model = Model { seed, ..model.clone() };
        let bench = SimBench::with_faults(model, faults).map_err(Failure::usage)?;
        let plan = plan_of(arguments, place)?;
        let serving = bench.serve(plan).await.map_err(Failure::usage)?;
        served.push(Served { seed, bench, serving, told: 0 });
    }
    let benches = || served.iter().map(|one| one.bench.clone()).collect();
    let changes = arguments.tell.as_deref().map(|path| Tell::begin(path, benches()));
    let mut changes = changes.transpose().map_err(Failure::usage)?;
    tell(&served, arguments.json, terminal)?;
    let mut any_to_tell = !faults.faults.is_empty();
    while !stop.stopping() {
        let look = if any_to_tell { LOOK } else { Duration::from_secs(3600) };
        stop.sleep(if changes.is_some() { LOOK_FOR_CHANGES } else { look }).await;
        // Whoever reads no further is still served.
        any_to_tell = any_to_tell && tell_faults(&mut served, arguments.json, terminal).is_ok();
        if let Some(changes) = &mut changes {
            changes.go_on().map_err(Failure::internal)?;
        }
    }
    if let Some(changes) = changes {
        changes.end().map_err(Failure::internal)?;
    }
    for one in served {
        one.serving.stop().await;
    }
    Ok(Ended::Done)
}

/// Where the bench in this place is served, counted from 0.
fn plan_of(arguments: &Arguments, place: u16) -> Result<ServePlan, Failure> {
    let shifted = |port: u16| {
        let shifted = place.checked_mul(PORTS_EACH).and_then(|shift| port.checked_add(shift));
        let message = || {
            anyhow!("the ports of bench {} go beyond 65535; choose a lower first port", place + 1)
        };
        shifted.ok_or_else(|| Failure::usage(message()))
    };
    let ports = Some(arguments.port).filter(|port| *port != 0);
    let hislip = match (arguments.hislip_port, ports) {
        (Some(0), _) | (None, None) => HislipPorts::Free,
        (Some(port), _) => HislipPorts::From(shifted(port)?),
        (None, Some(_)) => HislipPorts::From(shifted(HISLIP_PORT)?),
    };
    let ports = ports.map(shifted).transpose()?;
    Ok(ServePlan { host: arguments.host.clone(), ports, pty: true, hislip })
}

/// A bench and its instruments, for programs.
fn shown(bench: &Served) -> Json {
    let addresses = bench.serving.addresses();
    let is_hislip = |address: &Address| matches!(address, Address::Hislip(_));
    let hislip_of = |post: Post| {
        let own = addresses.iter().find(|(at, address)| *at == post && is_hislip(address));
        own.map(|(_, address)| address.to_string())
    };
    let instruments: Vec<_> = addresses
        .iter()
        .filter(|(_, address)| !is_hislip(address))
        .map(|(post, address)| {
            let (role, address) = (post.role(), address.to_string());
            json!({"role": role, "address": address, "hislip": hislip_of(*post),
                   "speaks": post.speaks()})
        })
        .collect();
    json!({"seed": bench.seed, "instruments": instruments})
}

/// A line for each fault that struck since the last look.
fn tell_faults(served: &mut [Served], json: bool, terminal: &mut Terminal) -> Result<(), Failure> {
    let several = served.len() > 1;
    for (place, one) in served.iter_mut().enumerate() {
        let (struck, told) = one.bench.faults_after(one.told);
        one.told = told;
        for fault in struck {
            let (at_s, place) = (fault.at.as_secs_f64(), place + 1);
            let (instrument, name, what) = (fault.instrument.name(), fault.fault, fault.told);
            if json {
                let shown = json!({"fault": name, "instrument": instrument, "bench": place,
                                   "at_s": at_s, "told": what, "commands": fault.commands,
                                   "captures": fault.captures});
                terminal.line(shown.to_string())?;
                continue;
            }
            let bench = if several { format!("bench {place}, ") } else { String::new() };
            let what = if what.is_empty() { what } else { format!(": {what}") };
            terminal.line(format!("{at_s:.3} s  {bench}{instrument}  {name}{what}"))?;
        }
    }
    Ok(())
}

fn tell(served: &[Served], json: bool, terminal: &mut Terminal) -> Result<(), Failure> {
    if json {
        let mut benches: Vec<Json> = served.iter().map(shown).collect();
        return match (benches.len(), benches.pop()) {
            (1, Some(only)) => terminal.line(only.to_string()),
            (_, last) => {
                benches.extend(last);
                terminal.line(json!({"benches": benches}).to_string())
            }
        };
    }
    let several = served.len() > 1;
    let mut shown = match several {
        true => table(&["bench", "seed", "role", "address"]),
        false => table(&["role", "address"]),
    };
    for (place, bench) in served.iter().enumerate() {
        for (post, address) in bench.serving.addresses() {
            let own = [post.role().to_string(), address.to_string()];
            match several {
                true => {
                    let [role, address] = own;
                    let (bench, seed) = ((place + 1).to_string(), bench.seed.to_string());
                    shown.add_row([bench, seed, role, address])
                }
                false => shown.add_row(own),
            };
        }
    }
    terminal.line(shown.to_string())?;
    let seeds: Vec<String> = served.iter().map(|bench| bench.seed.to_string()).collect();
    let seeds = match seeds.as_slice() {
        [only] => format!("seed {only}"),
        [first, .., last] => format!("seeds {first} to {last}"),
        [] => String::new(),
    };
    terminal.line(format!("{seeds}; nothing radiates: every instrument is simulated"))?;
    terminal.line("interrupt to end")
}
