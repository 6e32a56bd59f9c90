//! What the whole-program tests share: the binary, a served simulated bench, bench files for it.

#![allow(dead_code, reason = "each test file uses its part")]
#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

pub mod night;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use beamwarden_sim::{Address, HislipPorts, Model, Post, ServePlan, Serving, SimBench};

/// Every kind of fault that a plan can hold.
pub const FAULT_KINDS: [&str; 14] = [
    "no answer",
    "late answer",
    "closed link",
    "garbage",
    "error entry",
    "setting not taken",
    "drift",
    "restart",
    "stuck",
    "lost lock",
    "current limit",
    "stale trace",
    "dropped segment",
    "stopped playing",
];

/// The root of the project.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The program, to be run from the project's root.
pub fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_beamwarden"));
    command.current_dir(root());
    command
}

/// Runs the program to its end.
pub fn run(arguments: &[&str]) -> Output {
    program().args(arguments).output().unwrap()
}

/// The one folder below a folder of runs.
pub fn only_run(runs: &Path) -> PathBuf {
    let folders: Vec<PathBuf> = std::fs::read_dir(runs)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    assert_eq!(folders.len(), 1, "{folders:?}");
    folders[0].clone()
}

/// Standard output as text, after checking the exit status.
#[track_caller]
pub fn expect_status(output: &Output, status: i32) -> String {
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(status), "{stderr}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// A sequence that brings the simulated bench up, with these steps (a YAML list).
pub fn short_sequence(steps: &str) -> String {
    format!("{SHORT}{steps}")
}

const SHORT: &str = "
sequence: short
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}
  - set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}
  - set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}
  - set: {beam.tx: 0 deg, beam.rx: 0 deg, frame: qpsk uncoded, source.output: on}
  - set: {turntable.angle: 5 deg}
  - wait: 10 ms
steps:
";

/// A simulated bench behind sockets and a pseudo-terminal, in real time.
pub struct Served {
    pub bench: SimBench,
    pub serving: Serving,
}

impl Served {
    pub async fn start() -> Self {
        Self::as_planned(ServePlan::default()).await
    }

    /// The same over HiSLIP, too.
    pub async fn with_hislip() -> Self {
        Self::as_planned(ServePlan { hislip: HislipPorts::Free, ..ServePlan::default() }).await
    }

    async fn as_planned(plan: ServePlan) -> Self {
        let bench = SimBench::new(Model::default()).unwrap();
        let serving = bench.serve(plan).await.unwrap();
        Served { bench, serving }
    }

    /// The shipped bench file with these addresses; the control port on the serial line.
    pub fn bench_file(&self) -> String {
        let mut text =
            std::fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
        for name in ["source", "scope", "dut", "turntable", "supply"] {
            let at = text.find(&format!("\n  {name}:\n")).unwrap();
            let place = at + text[at..].find("at: simulated").unwrap();
            let address = self.address(name);
            text.replace_range(place..place + "at: simulated".len(), &format!("at: \"{address}\""));
        }
        text
    }

    fn address(&self, name: &str) -> String {
        let post = match name {
            "source" => Post::Source,
            "scope" => Post::Scope,
            "dut" => Post::DutPort,
            "turntable" => Post::Turntable,
            _ => Post::Supply,
        };
        let serial = |address: &Address| matches!(address, Address::Serial(_));
        let all = self.serving.addresses();
        let mut own: Vec<_> = all.iter().filter(|(p, _)| *p == post).map(|(_, a)| a).collect();
        own.sort_by_key(|address| !serial(address));
        let address = own[0];
        if serial(address) { format!("{address}?baud=115200") } else { address.to_string() }
    }
}

/// Writes a file into a folder and gives its path as text.
pub fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}
