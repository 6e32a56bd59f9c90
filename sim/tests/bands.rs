//! What limits the band of a wide signal: level and error of the back door against formulas on a
//! raised-cosine spectrum, and against codes.
//!
//! Formulas: a Gaussian low-pass 3 dB down at B has `|H|^2 = 2^-(f/B)^2`; a hold of 1/fs has
//! `|H| = sin(x)/x`, `x = pi f/fs` (Oppenheim and Schafer, sec. 4.8, from memory). Over a spectrum S
//! the level is `int S H^2`, the error after a least-squares gain `int S H^2/(int S H)^2 - 1`.

mod common;
#[path = "common/tones.rs"]
mod tones;

use std::f64::consts::PI;

use beamwarden_sim::{ImpairmentKind, Model, Truth};
use common::{Lab, shaped_noise};
use num_complex::Complex64;
use tones::{SOURCE_HZ, check_db, clean, db, fit, power, samples_at};

const SYMBOLS: usize = 4096;

/// One pass of QPSK of roll-off 0.25 at 1.76 GHz, sample by sample of the source.
async fn capture(model: Model) -> (Vec<Complex64>, Truth) {
    let mut lab = Lab::new(model);
    lab.play(&shaped_noise(SYMBOLS)).await;
    lab.wake().await;
    lab.aim(4 * SYMBOLS).await;
    lab.scope.set(&format!("SWE:TINT {:e}", 1.0 / SOURCE_HZ)).await;
    let samples = samples_at(&mut lab).await;
    (samples, lab.bench.truth_at_last_trigger().expect("just acquired"))
}

/// Level and error of a response, dB, by the midpoint rule over a raised-cosine spectrum.
fn formula_db(response: impl Fn(f64) -> f64) -> (f64, f64) {
    let (mut whole, mut once, mut twice) = (0.0, 0.0, 0.0);
    for k in 0..20_000 {
        let x = (f64::from(k) + 0.5) / 20_000.0 * 0.625;
        let s = if x < 0.375 { 1.0 } else { 0.5 + 0.5 * (PI * (x - 0.375) / 0.25).cos() };
        let h = response(x * 1.76e9);
        (whole, once, twice) = (whole + s, once + s * h, twice + s * h * h);
    }
    (db(twice / whole), db(twice * whole / (once * once) - 1.0))
}

/// The back door's level below the clean bench's, and its distortion.
async fn check(what: &str, model: Model, formula: Option<(f64, f64)>) -> Truth {
    let (plain, clear) = capture(clean()).await;
    assert!(clear.link.impairments.is_empty(), "{:?}", clear.link.impairments);
    check_db("clean level", db(power(&plain)), db(clear.link.signal_v2), 0.005);
    let (ill, truth) = capture(model).await;
    let [impairment] = truth.link.impairments[..] else { panic!("{:?}", truth.link.impairments) };
    assert_eq!(impairment.kind, ImpairmentKind::LinearDistortion);
    let level_db = db(truth.link.signal_v2 / clear.link.signal_v2);
    let error_db = db(impairment.error_ratio.expect("it plays"));
    check_db(&format!("{what}, level on codes"), level_db, db(power(&ill) / power(&plain)), 0.02);
    check_db(&format!("{what}, error on codes"), error_db, db(fit(&ill, &plain).1), 0.1);
    if let Some((due_db, due_error_db)) = formula {
        // 4096 symbols: their spectrum is the raised cosine's within a few percent.
        check_db(&format!("{what}, level"), level_db, due_db, 0.1);
        check_db(&format!("{what}, error"), error_db, due_error_db, 0.3);
    }
    let lost =
        truth.es_n0_db(1.76e9).expect("it plays") - clear.es_n0_db(1.76e9).expect("it plays");
    check_db(&format!("{what}, Es/N0"), lost, level_db, 1e-9);
    truth
}

#[tokio::test(start_paused = true)]
async fn narrow_sources_scopes_and_receivers_cost_level_and_shape() {
    let gaussian = |b: f64| move |f: f64| 2f64.powf(-0.5 * (f / b).powi(2));
    for hz in [1e9, 300e6] {
        let mut model = clean();
        model.source.bandwidth_hz = Some(hz);
        let due = formula_db(gaussian(hz));
        let truth = check(&format!("source {hz} Hz"), model, Some(due)).await;
        let eirp_dbm = |truth: &Truth| truth.link.eirp_dbm.expect("it radiates");
        let (_, clear) = capture(clean()).await;
        check_db("EIRP", eirp_dbm(&truth) - eirp_dbm(&clear), due.0, 0.1);
        let sent_db = db(truth.source.mean_square_v2 / clear.source.mean_square_v2);
        check_db("at the source", sent_db, due.0, 0.1);
    }
    let mut model = clean();
    model.scope.bandwidth_hz = Some(800e6);
    check("scope 0.8 GHz", model, Some(formula_db(gaussian(800e6)))).await;
    let mut model = clean();
    model.source.sinc_droop = true;
    let held = |f: f64| (PI * f / SOURCE_HZ).sin() / (PI * f / SOURCE_HZ);
    check("hold", model, Some(formula_db(held))).await;
    let mut model = clean();
    (model.rx.pass_hz, model.rx.stop_hz) = (300e6, 600e6);
    check("receiver 0.3 GHz", model, None).await;
}
