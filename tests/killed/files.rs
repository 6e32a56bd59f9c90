//! The files of a run that is cut off, and the program started on them.

use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

use crate::common;
use crate::told::Told;

/// Points of the sequence.
pub const POINTS: u64 = 300;

const FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 2\n";

/// Points with a capture, steps between them that leave something in the record, and settings that are
/// made once an outer turn.
fn sequence(wait: &str, angles: &str) -> String {
    format!(
        "
sequence: cut-off
prepare:
  - set: {{supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}}
  - set: {{dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 23, dut.tx.enable: on, dut.rx.enable: on}}
  - set: {{source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}}
  - set: {{scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}}
  - set: {{beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}}
  - wait: 10 ms
steps:
  - sweep: {{{angles}}}
    do:
      - note: a turn begins
      - measure: {{as: outside the points, keep: figures}}
      - sweep: {{dut.tx.gain: {{from: 16, to: 21, step: 1}}, source.amplitude: {{from: 0.2 V, to: 0.4 V, count: 10}}}}
        do:
          - wait: {wait}
          - measure: {{}}
finally:
  - set: {{source.output: off}}
"
    )
}

/// A folder with everything.
pub struct Files {
    folder: TempDir,
}

impl Files {
    /// On the simulated bench within the program: killed with it.
    pub fn simulated() -> Self {
        let angles = "turntable.angle: [-20 deg, -10 deg, 0 deg, 10 deg, 20 deg]";
        Self::with(&bench("frames: [short.frame.yaml]"), &sequence("100 ms", angles))
    }

    /// On a bench in another process, which outlives the program, in real time.
    pub fn served(told: &Told) -> Self {
        let bench = told.addressed(bench("frames: [short.frame.yaml]"));
        let angles = "scope.range: [0.25 V, 0.26 V, 0.27 V, 0.28 V, 0.29 V]";
        Self::with(&bench, &sequence("1 ms", angles))
    }

    fn with(bench: &str, sequence: &str) -> Self {
        // A journal line is flushed to the disk in any case; its speed is not what is tested here.
        let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
        common::write(folder.path(), "bench.yaml", bench);
        common::write(folder.path(), "sequence.yaml", sequence);
        common::write(folder.path(), "short.frame.yaml", FRAME);
        let files = Self { folder };
        files.clear_runs();
        files
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn runs(&self) -> PathBuf {
        self.path("runs")
    }

    /// The program, to begin a run.
    pub fn run(&self) -> Command {
        self.run_in(&self.runs())
    }

    pub fn run_in(&self, runs: &Path) -> Command {
        let mut command = common::program();
        command.arg("run").arg(self.path("sequence.yaml"));
        command.arg("--bench").arg(self.path("bench.yaml")).arg("--runs").arg(runs);
        command
    }

    /// The program, to go on with a run.
    pub fn resume(&self, run: &Path) -> Command {
        let mut command = common::program();
        command.arg("run").arg("--resume").arg(run);
        command.arg("--runs").arg(run.parent().unwrap());
        command
    }

    pub fn clear_runs(&self) {
        let _ = std::fs::remove_dir_all(self.runs());
        std::fs::create_dir(self.runs()).unwrap();
    }

    pub fn newest_run(&self) -> Option<PathBuf> {
        newest_in(&self.runs())
    }
}

pub fn newest_in(runs: &Path) -> Option<PathBuf> {
    let entries = std::fs::read_dir(runs).unwrap().map(|entry| entry.unwrap().path());
    entries.filter(|path| path.is_dir()).max()
}

/// The shipped bench with a frame of its own.
fn bench(frames: &str) -> String {
    let text = std::fs::read_to_string(common::root().join("sequences/packing-arm.bench.yaml"));
    text.unwrap().replace("\nsignal:", &format!("\n{frames}\n\nsignal:"))
}
