//! How long the simulated bench takes for one acquisition of 20,000 points with the default model,
//! from INITiate to both channels' codes, beside one of 16 points.

#![allow(missing_docs, reason = "criterion's macros")]

#[path = "../tests/common/mod.rs"]
mod common;

use beamwarden_sim::{CompressionModel, Model, PhaseNoiseModel};
use common::{Lab, shaped_noise};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

/// Both synthesisers, both mixers, the amplifiers and the scope err.
fn everything() -> Model {
    let noise =
        PhaseNoiseModel { rms_deg: 1.0, loop_hz: 1e6, band_hz: [1e4, 1e8], floor_dbc_per_hz: None };
    let mut model = Model::default();
    (model.tx.phase_noise, model.rx.phase_noise) = (Some(noise), Some(noise));
    model.tx.compression =
        Some(CompressionModel { smoothness: 2.0, saturation_dbm: 5.0, am_pm: None });
    (model.tx.iq_imbalance.gain_db, model.rx.iq_imbalance.gain_db) = (0.3, 0.3);
    (model.scope.aperture_jitter_s, model.scope.skew_s) = (0.2e-12, 1e-12);
    model
}

fn captures(criterion: &mut Criterion) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(true)
        .build()
        .expect("a runtime");
    let mut group = criterion.benchmark_group("capture");
    let cases = [
        ("default model", Model::default(), 20_000u64),
        ("default model", Model::default(), 16),
        ("everything on", everything(), 20_000),
    ];
    for (name, model, points) in cases {
        let mut lab = runtime.block_on(async {
            let mut lab = Lab::new(model);
            lab.play(&shaped_noise(4096)).await;
            lab.wake().await;
            lab.aim(points as usize).await;
            lab
        });
        group.throughput(Throughput::Elements(points));
        group.bench_function(format!("{name}, {points} points"), |bencher| {
            bencher.iter(|| runtime.block_on(lab.acquire()));
        });
    }
    group.finish();
}

criterion_group!(benches, captures);
criterion_main!(benches);
