//! The noise figure that `fit` tells of whole runs, with and without noise that goes with the signal.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::Path;

use common::{expect_status, only_run, root, run, short_sequence, write};
use serde_json::Value as Json;

/// The shipped bench with a frame of some microseconds, fewer beams and another model.
fn bench(folder: &Path) -> String {
    write(folder, "short.frame.yaml", "frame: short\nmodulation: qpsk\nblocks: 12\n");
    let text = fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let text = text.replace("simulated: {seed: 1}", "simulated: {seed: 4, model: truth.yaml}");
    let text = text.replace("count: 17}", "count: 5}");
    write(folder, "bench.yaml", &format!("{text}\nframes: [short.frame.yaml]\n"))
}

/// What `fit` says of the noise figure of a run on a model like the standard one but for `model`, at
/// these amplitudes of the source, three captures each.
fn fitted_noise_figure(model: &str, amplitudes: &str) -> Json {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path();
    write(path, "truth.yaml", model);
    let bench_file = bench(path);
    let steps = format!(
        "  - sweep: {{source.amplitude: {amplitudes}}}\n    do:\n      - measure: {{until: \
         {{captures: 3}}}}\n"
    );
    let sequence = short_sequence(&steps).replace("frame: qpsk uncoded", "frame: short");
    let runs = path.join("recorded").display().to_string();
    let sequence = write(path, "levels.yaml", &sequence);
    run(&["run", &sequence, "--bench", &bench_file, "--runs", &runs]);
    let run_folder = only_run(Path::new(&runs));
    let nominal = write(path, "nominal.yaml", "{}\n");
    let run_text = run_folder.display().to_string();
    let found = serde_json::from_str::<Json>(&expect_status(
        &run(&["fit", &run_text, "--model", &nominal, "--json"]),
        0,
    ))
    .unwrap();
    let all = found["parameters"].as_array().unwrap();
    all.iter().find(|one| one["key"] == "rx.noise_figure_db").unwrap().clone()
}

/// A noise figure is refused for this reason, or the truth, 9.5 dB, is within three of its
/// uncertainties, which are small enough to mean something.
#[track_caller]
fn check_noise_figure(others: &str, amplitudes: &str, refused: Option<&str>) {
    let model = format!("rx: {{noise_figure_db: 9.5}}\n{others}\n");
    let one = fitted_noise_figure(&model, amplitudes);
    if let Some(refused) = refused {
        let reason = one["refused"].as_str().unwrap_or_else(|| panic!("{others}: {one}"));
        assert!(reason.contains(refused), "{others}: {reason}");
        return;
    }
    let number = |name: &str| one[name].as_f64().unwrap_or_else(|| panic!("{others}: {one}"));
    let off = (number("fitted") - 9.5).abs();
    assert!(off < 3.0 * number("uncertainty") && number("uncertainty") < 0.15, "{others}: {one}");
}

const LEVELS: &str = "[0.4 V, 0.3 V, 0.2 V, 0.14 V, 0.1 V]";
const ONE_LEVEL: &str = "[0.4 V, 0.4001 V, 0.4002 V]";

#[test]
fn noise_that_goes_with_the_signal_makes_no_noise_figure_wrong() {
    check_noise_figure("", LEVELS, None);
    check_noise_figure("", ONE_LEVEL, Some("take captures at several levels"));
    let phase = "tx: {phase_noise: {rms_deg: 4, loop_hz: 1.0e+6, band_hz: [1.0e+4, 1.0e+9]}}";
    check_noise_figure(phase, LEVELS, Some("phase_noise_deg is "));
    check_noise_figure(phase, ONE_LEVEL, Some("phase_noise_deg is "));
    // 20 ps of jitter are noise 28 dB below the signal or less, and make no figure of their own.
    let jitter = "scope: {aperture_jitter_s: 20.0e-12}";
    check_noise_figure(jitter, LEVELS, None);
    check_noise_figure(jitter, ONE_LEVEL, Some("take captures at several levels"));
    let more = "scope: {aperture_jitter_s: 60.0e-12}";
    check_noise_figure(more, LEVELS, Some("the noise scales with the signal"));
    let transmitter = "tx: {iq_imbalance: {gain_db: 0.8, phase_deg: 4}}";
    // Its image turns with the carrier offset, so that no I/Q figure shows it.
    check_noise_figure(transmitter, LEVELS, Some("the noise scales with the signal"));
}
