//! A night of measurements on the simulated bench: angle by gain by gain, seconds of settling at each.

#![allow(dead_code, reason = "each user takes its part")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use beamwarden::record::RunFolder;

/// How many values each axis has.
#[derive(Clone, Copy, Debug)]
pub struct Size {
    pub angles: usize,
    pub tx_gains: usize,
    pub rx_gains: usize,
}

impl Size {
    /// Eight hours of it.
    pub const WHOLE: Self = Self { angles: 100, tx_gains: 10, rx_gains: 10 };

    pub fn points(self) -> usize {
        self.angles * self.tx_gains * self.rx_gains
    }
}

const FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 4\n";

/// Writes sequence, bench and frame files; gives the first two paths.
pub fn write_files(folder: &Path, size: Size) -> (PathBuf, PathBuf) {
    let bench = std::fs::read_to_string(super::root().join("sequences/packing-arm.bench.yaml"))
        .expect("the shipped bench is there");
    let bench = bench.replace("\nsignal:", "\nframes: [short.frame.yaml]\n\nsignal:");
    let write = |name: &str, text: &str| PathBuf::from(super::write(folder, name, text));
    write("short.frame.yaml", FRAME);
    let sequence = write("night.yaml", &sequence(size));
    (sequence, write("night.bench.yaml", &bench))
}

fn sequence(Size { angles, tx_gains, rx_gains }: Size) -> String {
    format!(
        "
sequence: night
prepare:
  - set: {{supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}}
  - set: {{dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.enable: on, dut.rx.enable: on}}
  - wait: 10 ms
  - set: {{source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}}
  - set: {{scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}}
  - set: {{beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}}
steps:
  - sweep: {{turntable.angle: {{from: -20 deg, to: 20 deg, count: {angles}}}}}
    do:
      - sweep:
          dut.tx.gain: {{from: 24, to: {}, step: -1}}
          dut.rx.gain: {{from: 20, to: {}, step: -1}}
        do:
          - wait: 2.8 s
          - measure: {{}}
finally:
  - set: {{source.output: off, supply.output: off}}
",
        25 - tx_gains,
        21 - rx_gains
    )
}

/// Runs the night and gives its folder, opened.
pub fn run_night(files: &(PathBuf, PathBuf), runs: &Path) -> RunFolder {
    let shown = |path: &Path| path.display().to_string();
    let (sequence, bench) = (shown(&files.0), shown(&files.1));
    let output =
        super::run(&["run", &sequence, "--bench", &bench, "--runs", &shown(runs), "--json"]);
    super::expect_status(&output, 0);
    RunFolder::open(&super::only_run(runs)).expect("the run is on disk")
}

/// From the journal's first line to its last, on the bench's clock.
pub fn duration(folder: &RunFolder) -> Duration {
    let reading = folder.read_journal().expect("the journal can be read");
    let times: Vec<_> = reading.entries.iter().map(|entry| entry.at).collect();
    let (first, last) = (times.first().expect("lines"), times.last().expect("lines"));
    last.duration_since(*first).unsigned_abs()
}

/// Hashes of all raw captures, and of all figures without their times, by name.
pub fn content(folder: &RunFolder) -> BTreeMap<String, String> {
    let captures = folder.path().join("captures");
    let entries = std::fs::read_dir(captures).expect("a folder of captures");
    let paths = entries.map(|entry| entry.expect("an entry").path());
    let kept = |path: &PathBuf| {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        name.ends_with(".sigmf-data") || name.ends_with(".analysis.json")
    };
    let hash = |path: PathBuf| {
        let bytes = std::fs::read(&path).expect("a readable file");
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        (name, beamwarden::record::sha256_hex(&bytes))
    };
    paths.filter(kept).map(hash).collect()
}
