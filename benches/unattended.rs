//! A hundred thousand points on a bench that answers at once: what the engine itself takes, in time and
//! in memory, report and catalogue included. The journal's flushes stand beside as many bare ones.
//!
//! `cargo bench --bench unattended`. Goals: less than 150 MB of memory at the peak, less than 1 ms a point.
//! It needs some 400 MB of disk for a while, in the folder for temporary files.

#![allow(clippy::print_stdout, reason = "a benchmark prints its result")]

#[path = "../tests/common/mod.rs"]
mod common;

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::{Command, ExitCode};

use anyhow::{Context, Result, ensure};
use tokio::time::Instant;

/// Says that this process is the measured one, and where it leaves what it took of memory.
const CHILD: &str = "BEAMWARDEN_BENCH_CHILD";
const POINTS: u64 = 100_000;
const POINTS_WITH_CAPTURE: u64 = 10_000;
const MEMORY_MAX_MB: f64 = 150.0;
const POINT_MAX_MS: f64 = 1.0;

/// Largest time of a check of a million points, s.
const CHECK_MAX_S: f64 = 2.0;

/// A million points of two nested sweeps in random order with a rule, to be checked.
const MILLION: &str = "
sequence: million
prepare: [{set: {frame: qpsk uncoded}}]
steps:
  - sweep: {supply.voltage: {from: 0.9 V, to: 1.2 V, count: 1250}}
    order: random
    do:
      - sweep: {turntable.angle: {from: -60 deg, to: 60 deg, count: 1000}}
        order: random
        skip when: turntable.angle > 30 deg and supply.voltage > 0.96 V
        do: [{measure: {}}]
";
const FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 2\n";

/// Two settings at most and a reading at each point, nothing else.
const BARE: &str = "
sequence: bare-points
test capture: off
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.enable: on, dut.rx.enable: on}
steps:
  - sweep: {source.amplitude: {from: 0.1 V, to: 0.4 V, count: 5000}, dut.tx.gain: {from: 1, to: 20, step: 1}}
    do:
      - expect: {supply.current: at most 0.6 A}
finally:
  - set: {source.output: off}
";

/// A capture at each point.
const CAPTURES: &str = "
sequence: points-with-captures
prepare:
  - set: {supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}
  - set: {dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}
  - set: {source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}
  - set: {scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}
  - set: {beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}
  - wait: 10 ms
steps:
  - sweep: {source.amplitude: {from: 0.2 V, to: 0.4 V, count: 500}, dut.tx.gain: {from: 1, to: 20, step: 1}}
    do:
      - measure: {}
finally:
  - set: {source.output: off}
";

fn main() -> Result<ExitCode> {
    if let Ok(file) = std::env::var(CHILD) {
        let status = beamwarden::cli::main();
        std::fs::write(file, std::fs::read_to_string("/proc/self/status")?)?;
        return Ok(status);
    }
    let folder = tempfile::tempdir()?;
    let bench = std::fs::read_to_string(common::root().join("sequences/packing-arm.bench.yaml"))?;
    let bench = bench.replace("\nsignal:", "\nframes: [short.frame.yaml]\n\nsignal:");
    common::write(folder.path(), "bench.yaml", &bench);
    common::write(folder.path(), "short.frame.yaml", FRAME);
    let bare = measure(folder.path(), BARE, POINTS)?;
    let (points, check_s) = check_million(folder.path())?;
    println!("check of {points} points: {check_s:.2} s, the fastest of five");
    println!("without captures: {}", bare.shown());
    let with_captures = measure(folder.path(), CAPTURES, POINTS_WITH_CAPTURE)?;
    println!("with a capture each: {}", with_captures.shown());
    let (memory, time) = (bare.memory_mb, bare.point_ms);
    ensure!(memory < MEMORY_MAX_MB, "{memory:.0} MB, the goal is {MEMORY_MAX_MB:.0} MB");
    ensure!(time < POINT_MAX_MS, "{time:.3} ms a point, the goal is {POINT_MAX_MS} ms");
    ensure!(check_s < CHECK_MAX_S, "{check_s:.2} s a check, the goal is {CHECK_MAX_S} s");
    Ok(ExitCode::SUCCESS)
}

/// The points of [`MILLION`] as `check` counts them, and the fastest of five times.
fn check_million(folder: &Path) -> Result<(u64, f64)> {
    let sequence = common::write(folder, "million.yaml", MILLION);
    let (mut points, mut fastest_s) = (0, f64::INFINITY);
    for _ in 0..5 {
        let mut command = Command::new(std::env::current_exe()?);
        command.env(CHILD, folder.join("status")).args(["check", &sequence, "--json"]);
        let began = Instant::now();
        let output = command.output()?;
        fastest_s = began.elapsed().as_secs_f64().min(fastest_s);
        let told: serde_json::Value = serde_json::from_slice(&output.stdout)?;
        points = told["points"].as_u64().context("no points")?;
    }
    ensure!(points >= 1_000_000, "{points} points");
    Ok((points, fastest_s))
}

/// What a run took.
struct Taken {
    points: u64,
    point_ms: f64,
    memory_mb: f64,
    lines: f64,
    bytes: f64,
    /// A bare write of as many bytes and one flush.
    flush_ms: f64,
}

impl Taken {
    fn shown(&self) -> String {
        let Taken { points, point_ms, memory_mb, lines, bytes, flush_ms } = self;
        format!(
            "{points} points, {point_ms:.3} ms and {lines:.1} journal lines of {bytes:.0} bytes in all \
             each; a bare write and fdatasync of as many bytes {flush_ms:.3} ms, ratio {:.2}; \
             {memory_mb:.0} MB at the peak",
            point_ms / flush_ms
        )
    }
}

fn measure(folder: &Path, sequence: &str, points: u64) -> Result<Taken> {
    let shown = |path: &Path| path.display().to_string();
    let runs = folder.join("runs");
    let status = folder.join("status");
    let sequence = common::write(folder, "sequence.yaml", sequence);
    let bench = shown(&folder.join("bench.yaml"));
    let mut command = Command::new(std::env::current_exe()?);
    command.env(CHILD, &status).args(["run", &sequence, "--bench", &bench, "--runs"]);
    command.arg(&runs).arg("--json");
    let began = Instant::now();
    let output = command.output()?;
    let took_s = began.elapsed().as_secs_f64();
    let told = String::from_utf8_lossy(&output.stderr);
    let end = told.lines().rev().take(5).collect::<Vec<_>>().join("; ");
    ensure!(matches!(output.status.code(), Some(0 | 1)), "{end}");
    let journal = std::fs::read_to_string(common::only_run(&runs).join("journal.jsonl"))?;
    let finished = journal.matches("\"event\":\"point_finished\"").count() as u64;
    ensure!(finished == points, "{finished} points");
    let (lines, bytes) = (journal.lines().count() as f64, journal.len() as f64);
    drop(journal);
    let bytes = bytes / points as f64;
    let taken = Taken {
        points,
        point_ms: 1e3 * took_s / points as f64,
        memory_mb: peak_mb(&std::fs::read_to_string(&status)?)?,
        lines: lines / points as f64,
        bytes,
        flush_ms: flushes_ms(folder, bytes as usize, (points / 10) as usize)?,
    };
    std::fs::remove_dir_all(&runs)?;
    Ok(taken)
}

/// The largest resident memory, from the text of `/proc/self/status`.
fn peak_mb(status: &str) -> Result<f64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.trim().strip_suffix("kB")).context("no VmHWM")?;
    Ok(kib.trim().parse::<f64>()? * 1024.0 / 1e6)
}

/// Time of a write of so many bytes with a flush behind it, ms.
fn flushes_ms(folder: &Path, bytes: usize, times: usize) -> Result<f64> {
    let mut file = File::create(folder.join("bare"))?;
    let line = vec![b'x'; bytes];
    let began = Instant::now();
    for _ in 0..times {
        file.write_all(&line)?;
        file.sync_data()?;
    }
    Ok(1e3 * began.elapsed().as_secs_f64() / times as f64)
}
