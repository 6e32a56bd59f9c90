//! What the back door says of the ratio at a matched filter, against a matched filter on codes.
//!
//! A capture with one error and one without it, same seed: all else is alike, so their difference is
//! the error. Both go through a root-raised-cosine filter of this test's own.

mod common;
#[path = "common/tones.rs"]
mod tones;

use beamwarden_sim::{ImpairmentKind, Model, PhaseNoiseModel, Truth};
use common::{Lab, root_raised_cosine, shaped_noise};
use num_complex::Complex64;
use tones::{check_db, clean, db, delay_s, power, samples_at};

/// Symbols of four points each at 7.04 GHz.
const SYMBOL_HZ: f64 = 1.76e9;
const SYMBOLS: usize = 2048;

/// One capture of QPSK of roll-off 0.25, and the truth at its trigger.
async fn capture(model: Model, interval_s: f64) -> (Vec<Complex64>, Truth) {
    let mut lab = Lab::new(model);
    lab.play(&shaped_noise(SYMBOLS)).await;
    lab.wake().await;
    lab.aim((1200.0 / SYMBOL_HZ / interval_s) as usize).await;
    lab.scope.set(&format!("SWE:TINT {interval_s:e}")).await;
    let samples = samples_at(&mut lab).await;
    (samples, lab.bench.truth_at_last_trigger().expect("just acquired"))
}

/// The matched filter's output at the symbols' instants.
fn matched(samples: &[Complex64], interval_s: f64) -> Vec<Complex64> {
    let per_symbol = 1.0 / SYMBOL_HZ / interval_s;
    // The first symbol's instant, in samples, and away from the record's ends.
    let first = (delay_s() * SYMBOL_HZ).rem_euclid(1.0) + 13.0;
    (0..1170)
        .map(|n| {
            let middle = (first + f64::from(n)) * per_symbol;
            let reach = 12.0 * per_symbol;
            ((middle - reach).ceil() as usize..(middle + reach) as usize)
                .map(|k| samples[k] * root_raised_cosine((k as f64 - middle) / per_symbol, 0.25))
                .sum::<Complex64>()
        })
        .collect()
}

/// Error over signal behind the matched filter, after a least-squares gain, and the back door's word.
async fn ratio_db(model: Model, interval_s: f64) -> (f64, f64) {
    let (plain, _) = capture(clean(), interval_s).await;
    let (ill, truth) = capture(model, interval_s).await;
    let (plain, ill) = (matched(&plain, interval_s), matched(&ill, interval_s));
    let (_, ratio) = tones::fit(&ill, &plain);
    assert!(power(&plain) > 0.0);
    (db(ratio), -truth.snr_db(SYMBOL_HZ).expect("a signal arrives"))
}

#[tokio::test(start_paused = true)]
async fn a_matched_filter_sees_its_share_of_sampling_jitter() {
    // Mean square frequency of a raised-cosine spectrum of roll-off a: (1/12 + a^2/4 (1 - 8/pi^2))/T^2
    // (own integral: a rectangle smeared by half a cosine). White over the scope's rate, of which the
    // matched filter has the symbol rate.
    let square = 1.0 / 12.0 + 0.0625 / 4.0 * (1.0 - 8.0 / std::f64::consts::PI.powi(2));
    let angle = std::f64::consts::TAU * square.sqrt() * SYMBOL_HZ * 5e-12;
    for interval_s in [125e-12, 25e-12] {
        let mut model = clean();
        model.scope.aperture_jitter_s = 5e-12;
        let expected_db = db(angle * angle * SYMBOL_HZ * interval_s);
        let (got_db, said_db) = ratio_db(model, interval_s).await;
        // 1170 independent errors: 3 sigma are 0.4 dB.
        check_db(&format!("jitter at {interval_s:e} s"), got_db, expected_db, 0.5);
        check_db("back door", said_db, expected_db, 0.3);
    }
}

#[tokio::test(start_paused = true)]
async fn a_matched_filter_sees_its_share_of_a_phase_floor() {
    // White phase of L rad^2/Hz: L times the symbol rate.
    let expected_db = db(1e-12 * SYMBOL_HZ);
    for interval_s in [125e-12, 25e-12] {
        let mut model = clean();
        let rms_deg = 2e-3f64.sqrt().to_degrees() * (1.0 + 1e-9);
        let (band_hz, floor_dbc_per_hz) = ([0.0, 1e9], Some(-120.0));
        model.tx.phase_noise =
            Some(PhaseNoiseModel { rms_deg, loop_hz: 1.0, band_hz, floor_dbc_per_hz });
        let (got_db, said_db) = ratio_db(model, interval_s).await;
        check_db(&format!("floor at {interval_s:e} s"), got_db, expected_db, 0.5);
        check_db("back door", said_db, expected_db, 0.1);
    }
}

#[tokio::test(start_paused = true)]
async fn errors_within_the_band_pass_whole() {
    let mut model = clean();
    model.rx.iq_imbalance.phase_deg = 3.0;
    let (got_db, said_db) = ratio_db(model.clone(), 125e-12).await;
    // 3 deg: IRR of 31.639 dB (detection.yaml); QPSK's own images are as large as itself.
    check_db("image", got_db, -31.639, 0.3);
    check_db("back door", said_db, -31.639, 0.1);
    let (_, truth) = capture(model, 125e-12).await;
    assert_eq!(truth.link.impairments[0].kind, ImpairmentKind::RxImbalance);
    assert_eq!(truth.link.impairments[0].spread_hz, None);
}
