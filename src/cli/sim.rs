//! `sim`: serves the simulated instruments to any client.

use std::path::PathBuf;

use beamwarden_sim::{Address, HislipPorts, Model, Post, ServePlan, SimBench};
use serde_json::json;
use tokio::runtime::Builder;

use super::benches_at_hand::read_source;
use super::figures_table::table;
use super::live::stop_on_signals;
use super::{Ended, Failure, Terminal};

/// The port registered for HiSLIP.
const HISLIP_PORT: u16 = 4880;

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
    /// Model file; the demonstration's bench when absent.
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
    /// Seed of everything random; the model's when absent.
    #[arg(long)]
    seed: Option<u64>,
    /// One JSON object as soon as everything is served, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let mut model = match &arguments.model {
        Some(path) => {
            Model::from_yaml(&read_source(path, "model file")?.text).map_err(|error| {
                let context = format!("failed to read the model file {}", path.display());
                Failure::usage(anyhow::Error::new(error).context(context))
            })?
        }
        None => Model::default(),
    };
    model.seed = arguments.seed.unwrap_or(model.seed);
    let runtime = Builder::new_current_thread().enable_all().build().map_err(Failure::internal)?;
    runtime.block_on(serve(arguments, model, terminal))
}

async fn serve(
    arguments: &Arguments,
    model: Model,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let seed = model.seed;
    let bench = SimBench::new(model).map_err(Failure::usage)?;
    let ports = Some(arguments.port).filter(|port| *port != 0);
    let hislip = match (arguments.hislip_port, ports) {
        (Some(0), _) | (None, None) => HislipPorts::Free,
        (Some(port), _) => HislipPorts::From(port),
        (None, Some(_)) => HislipPorts::From(HISLIP_PORT),
    };
    let plan = ServePlan { host: arguments.host.clone(), ports, pty: true, hislip };
    let stop = stop_on_signals();
    let serving = bench.serve(plan).await.map_err(Failure::usage)?;
    let addresses = serving.addresses();
    tell(&addresses, seed, arguments.json, terminal)?;
    while !stop.asked() {
        stop.sleep(std::time::Duration::from_secs(3600)).await;
    }
    serving.stop().await;
    Ok(Ended::Done)
}

fn tell(
    addresses: &[(Post, Address)],
    seed: u64,
    json: bool,
    terminal: &mut Terminal,
) -> Result<(), Failure> {
    let is_hislip = |address: &Address| matches!(address, Address::Hislip(_));
    let hislip_of = |post: Post| {
        let own = addresses.iter().find(|(at, address)| *at == post && is_hislip(address));
        own.map(|(_, address)| address.to_string())
    };
    if json {
        let instruments: Vec<_> = addresses
            .iter()
            .filter(|(_, address)| !is_hislip(address))
            .map(|(post, address)| {
                let (role, address) = (post.role(), address.to_string());
                json!({"role": role, "address": address, "hislip": hislip_of(*post)})
            })
            .collect();
        return terminal.line(json!({"seed": seed, "instruments": instruments}).to_string());
    }
    let mut shown = table(&["role", "address"]);
    for (post, address) in addresses {
        shown.add_row([post.role().to_string(), address.to_string()]);
    }
    terminal.line(shown.to_string())?;
    terminal.line(format!("seed {seed}; nothing radiates: every instrument is simulated"))?;
    terminal.line("interrupt to end")
}
