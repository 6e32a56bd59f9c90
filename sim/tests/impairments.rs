//! Each error of the signal chain alone against the published formulas, measured on codes that the
//! simulated scope handed out.
//!
//! Sources are named in `reference/detection.yaml`. The analysis is this test's own: a known periodic
//! waveform evaluated at the sampling instants, a least-squares complex gain, and the power of what
//! is left. A bench without noise, offsets and jitter ("clean") carries one error at a time.

mod common;
#[path = "common/tones.rs"]
mod tones;

use beamwarden_sim::{
    AmPmModel, CompressionModel, ImbalanceModel, ImpairmentKind, Model, PhaseNoiseModel,
    SaturationModel,
};
use num_complex::Complex64;
use serde::Deserialize;
use tones::{
    PASS, SOURCE_HZ, Tones, capture, check_db, clean, db, evm_db, fit, lab_at, line, samples_at,
};

/// Between what a formula says and what the codes show, dB (the project's demand).
const TOLERANCE_DB: f64 = 0.3;

#[derive(Deserialize)]
struct Reference {
    phase_noise: Vec<PhaseRow>,
    iq_imbalance: Vec<ImbalanceRow>,
    quantiser: Vec<QuantiserRow>,
    clock_jitter: Vec<JitterRow>,
    rapp: Vec<RappCurve>,
    one_db_compression: Vec<OneDb>,
}

#[derive(Deserialize)]
struct PhaseRow {
    phase_rms_deg: f64,
    evm_exact_after_ls_gain: f64,
}

#[derive(Deserialize)]
struct ImbalanceRow {
    gain_imbalance_db: f64,
    phase_imbalance_deg: f64,
    irr_db: f64,
    evm_from_image: f64,
}

#[derive(Deserialize)]
struct QuantiserRow {
    bits: u32,
    sqnr_exact_db: f64,
}

#[derive(Deserialize)]
struct JitterRow {
    f_hz: f64,
    jitter_s: f64,
    snr_db: f64,
}

#[derive(Deserialize)]
struct RappCurve {
    p: f64,
    points: Vec<RappPoint>,
}

#[derive(Deserialize)]
struct RappPoint {
    vin_over_vsat: f64,
    gain_compression_db: f64,
}

#[derive(Deserialize)]
struct OneDb {
    p: f64,
    vin_over_vsat_at_1db: f64,
}

fn reference() -> Reference {
    serde_yaml::from_str(include_str!("reference/detection.yaml")).expect("the reference is read")
}

#[tokio::test(start_paused = true)]
async fn without_errors_the_codes_are_the_waveform() {
    for tones in [Tones::comb(150, 0.9), Tones::comb(1100, 0.9), Tones::one(1009e6, 0.9)] {
        let floor_db = evm_db(clean(), &tones, PASS).await;
        assert!(floor_db < -62.0, "{floor_db} dB");
    }
}

#[tokio::test(start_paused = true)]
async fn errors_of_no_size_change_nothing() {
    let plain = Model::default();
    let mut idle = plain.clone();
    let noise =
        PhaseNoiseModel { rms_deg: 0.0, loop_hz: 1e6, band_hz: [1e3, 1e8], floor_dbc_per_hz: None };
    (idle.tx.phase_noise, idle.rx.phase_noise) = (Some(noise), Some(noise));
    idle.tx.compression =
        Some(CompressionModel { smoothness: 2.0, saturation_dbm: 100.0, am_pm: None });
    idle.tx.carrier_leakage_dbv = Some(-200.0);
    idle.rx.output_saturation = Some(SaturationModel { volts: 50.0, smoothness: None });
    idle.scope.aperture_jitter_s = 1e-21;
    let tones = Tones::comb(150, 0.9);
    let codes = |model: Model| async {
        let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
        assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
        lab.scope.codes("CH1").await
    };
    let (first, second) = (codes(plain).await, codes(idle).await);
    let apart = first.iter().zip(&second).filter(|(a, b)| a != b).count();
    // Rounding in another order moves a sample over a step now and then, never by two.
    assert!(first.iter().zip(&second).all(|(a, b)| (a - b).abs() <= 1));
    assert!(apart < PASS / 500, "{apart} of {PASS}");
}

#[tokio::test(start_paused = true)]
async fn evm_of_phase_noise_is_the_formula() {
    let tones = Tones::comb(150, 0.9);
    for (seed, row) in (1..).zip(reference().phase_noise) {
        for end in ["tx", "rx"] {
            let noise = PhaseNoiseModel {
                rms_deg: row.phase_rms_deg,
                loop_hz: 100e6,
                // The whole process counts: 1e-3 of it lies beyond.
                band_hz: [0.0, 60e9],
                floor_dbc_per_hz: None,
            };
            let mut model = Model { seed, ..clean() };
            if end == "tx" {
                model.tx.phase_noise = Some(noise);
            } else {
                model.rx.phase_noise = Some(noise);
            }
            // 20 us: 6,000 independent values; two sigma of their mean square are 0.16 dB.
            let points = 20 * PASS;
            let samples = capture(model, &tones, points).await;
            let (_, ratio) = fit(&samples, &tones.expected(points, SOURCE_HZ));
            // The formula's share is of all power, which phase noise does not change.
            let share = ratio / (1.0 + ratio);
            let expected_db = 20.0 * row.evm_exact_after_ls_gain.log10();
            check_db(
                &format!("{end} {} deg", row.phase_rms_deg),
                db(share),
                expected_db,
                TOLERANCE_DB,
            );
        }
    }
}

#[tokio::test(start_paused = true)]
async fn slow_phase_noise_costs_what_it_moves_within_the_record() {
    // Variance of a first-order (Ornstein-Uhlenbeck) process about its mean over a record T: by
    // trapezoids from its autocorrelation exp(-a |t - s|/T), a = 2 pi f0 T:
    // 1 - 2 int (1 - u) exp(-a u) du over 0 to 1. Textbook; no part of the program.
    let tones = Tones::comb(150, 0.9);
    let (points, interval_s) = (704, 1e-8);
    for (loop_hz, captures) in [(10e3, 600), (1e6, 100)] {
        let a = std::f64::consts::TAU * loop_hz * points as f64 * interval_s;
        let at = |k: u32| (1.0 - f64::from(k) * 1e-4) * (-a * f64::from(k) * 1e-4).exp();
        let mean = (0..10_000).map(|k| 0.5e-4 * (at(k) + at(k + 1))).sum::<f64>();
        let expected_db = db((2f64.to_radians().powi(2) * (1.0 - 2.0 * mean)).exp_m1());
        let band_hz = [0.0, 100e9];
        let noise = PhaseNoiseModel { rms_deg: 2.0, loop_hz, band_hz, floor_dbc_per_hz: None };
        let mut model = clean();
        model.rx.phase_noise = Some(noise);
        let mut lab = lab_at(model, &tones, points, SOURCE_HZ).await;
        lab.scope.set(&format!("SWE:TINT {interval_s:e}")).await;
        let expected = tones.expected(points, 1.0 / interval_s);
        let mut sum = 0.0;
        for _ in 0..captures {
            sum += fit(&samples_at(&mut lab).await, &expected).1 / f64::from(captures);
        }
        // The wander of one record spreads by 90 %: of 600 records 3 sigma are 0.45 dB.
        check_db(&format!("loop of {loop_hz} Hz"), db(sum), expected_db, 0.45);
        let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
        let said = truth.link.impairments[0].error_ratio.expect("closed form");
        check_db(&format!("loop of {loop_hz} Hz, back door"), db(said), expected_db, 0.01);
    }
}

#[tokio::test(start_paused = true)]
async fn the_floor_of_phase_noise_passes_the_receivers_filter() {
    // sigma^2 = 2 int L df over the filter's half band: L times its two-sided noise bandwidth of
    // 3.0324 GHz, evaluated apart from the program, whatever the scope's interval. After a
    // least-squares gain the error is expm1(sigma^2) of the signal (Gaussian phase).
    let expected_db = db((10f64.powf(-12.0) * 3.032_390_925e9).exp_m1());
    let tones = Tones::comb(150, 0.9);
    for rate_hz in [SOURCE_HZ, 40e9] {
        for end in ["tx", "rx"] {
            // Over 1 GHz the floor alone makes this: nothing wanders.
            let rms_deg = 2e-3f64.sqrt().to_degrees() * (1.0 + 1e-9);
            let (band_hz, floor_dbc_per_hz) = ([0.0, 1e9], Some(-120.0));
            let noise = PhaseNoiseModel { rms_deg, loop_hz: 1.0, band_hz, floor_dbc_per_hz };
            let mut model = clean();
            if end == "tx" {
                model.tx.phase_noise = Some(noise);
            } else {
                model.rx.phase_noise = Some(noise);
            }
            let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
            lab.scope.set(&format!("SWE:TINT {:e}", 1.0 / rate_hz)).await;
            let expected = tones.expected(PASS, rate_hz);
            let mut sum = 0.0;
            for _ in 0..30 {
                sum += fit(&samples_at(&mut lab).await, &expected).1 / 30.0;
            }
            // At 40 GS/s: 16,000 independent values, 4 sigma are 0.14 dB.
            check_db(&format!("{end} at {rate_hz} S/s"), db(sum), expected_db, 0.15);
            let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
            let said: f64 = truth.link.impairments.iter().filter_map(|i| i.error_ratio).sum();
            check_db(&format!("{end}, back door"), db(said), expected_db, 0.02);
        }
    }
}

#[tokio::test(start_paused = true)]
async fn evm_and_image_of_unequal_branches_are_the_table() {
    let tones = Tones::comb(150, 0.9);
    let tone = Tones::one(101e6, 0.9);
    for row in reference().iq_imbalance {
        let imbalance =
            ImbalanceModel { gain_db: row.gain_imbalance_db, phase_deg: row.phase_imbalance_deg };
        for end in ["tx", "rx"] {
            let mut model = clean();
            let slot =
                if end == "tx" { &mut model.tx.iq_imbalance } else { &mut model.rx.iq_imbalance };
            *slot = imbalance;
            let what = format!("{end} {} dB {} deg", imbalance.gain_db, imbalance.phase_deg);
            let got_db = evm_db(model.clone(), &tones, PASS).await;
            check_db(&what, got_db, 20.0 * row.evm_from_image.log10(), 0.05);
            let samples = capture(model, &tone, PASS).await;
            let irr = line(&samples, 101e6).norm_sqr() / line(&samples, -101e6).norm_sqr();
            check_db(&what, db(irr), row.irr_db, 0.05);
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_full_scale_sine_has_the_signal_to_quantisation_ratio() {
    // 1009 cycles in 7040 points: every sample meets another phase.
    let tones = Tones::one(1009e6, 0.9);
    for row in reference().quantiser {
        let mut model = clean();
        model.scope.bits = row.bits;
        let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
        let amplitude_v = lab.bench.truth().link.signal_v2.sqrt();
        // Its peak lies half a step below full scale, where the last code ends: that much less.
        let share = 1.0 - 0.5f64.powi(row.bits as i32);
        let range_v = amplitude_v / share;
        let expected_db = row.sqnr_exact_db + 20.0 * share.log10();
        lab.scope.set(&format!("VOLT:RANG {range_v:e}")).await;
        let samples = samples_at(&mut lab).await;
        let (_, ratio) = fit(&samples, &tones.expected(PASS, SOURCE_HZ));
        check_db(&format!("{} bits", row.bits), -db(ratio), expected_db, TOLERANCE_DB);
    }
}

#[tokio::test(start_paused = true)]
async fn steps_of_the_source_spread_over_its_whole_band() {
    // Of the noise in 7.04 GHz the receiver lets 3.0324 GHz through: 10 log10 of it is gained.
    let gained_db = db(7.04 / 3.0324);
    for row in reference().quantiser {
        let steps = f64::from(1u32 << (row.bits - 1));
        // The largest code that a converter of so many bits has.
        let peak = 32_768.0 / 32_767.0 * (1.0 - 1.0 / steps);
        let tones = Tones::one(1009e6, peak);
        let mut model = clean();
        model.source.bits = row.bits;
        let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
        let (_, ratio) = fit(&samples_at(&mut lab).await, &tones.expected(PASS, SOURCE_HZ));
        let expected_db = row.sqnr_exact_db + 20.0 * (1.0 - 1.0 / steps).log10();
        check_db(&format!("{} bits", row.bits), -db(ratio), expected_db + gained_db, 0.8);
        // The back door counts the whole band.
        let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
        let [impairment] = truth.link.impairments[..] else { panic!("one error is on") };
        assert_eq!(impairment.kind, ImpairmentKind::Transmission);
        let whole_db = -db(impairment.error_ratio.expect("it plays"));
        check_db(&format!("{} bits, whole band", row.bits), whole_db, expected_db, TOLERANCE_DB);
    }
}

#[tokio::test(start_paused = true)]
async fn sampling_jitter_costs_what_the_formula_says() {
    // A source of 12 GS/s and a receiver of 2.6 GHz pass both frequencies of the table.
    let rate_hz = 12e9;
    for row in reference().clock_jitter {
        let cycles = (row.f_hz / rate_hz * PASS as f64).round();
        let hz = cycles * rate_hz / PASS as f64;
        let tones = Tones::one(hz, 0.9);
        let mut model = clean();
        (model.rx.pass_hz, model.rx.stop_hz) = (2.6e9, 4.0e9);
        model.scope.aperture_jitter_s = row.jitter_s;
        let mut lab = lab_at(model, &tones, 10 * PASS, rate_hz).await;
        let (_, ratio) = fit(&samples_at(&mut lab).await, &tones.expected(10 * PASS, rate_hz));
        let rounding_db = 20.0 * (hz / row.f_hz).log10();
        let what = format!("{:e} Hz {:e} s", row.f_hz, row.jitter_s);
        check_db(&what, -db(ratio), row.snr_db - rounding_db, TOLERANCE_DB);
        let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
        let said = truth.link.impairments[0].error_ratio.expect("a tone plays");
        // The back door's rms frequency is a finite difference: 1 % low at a sixth of the rate.
        check_db(&format!("{what}, back door"), -db(said), -db(ratio), TOLERANCE_DB);
    }
}

/// Power of one element in dBm for a source envelope of `envelope_v`, at the story's gain code 20.
fn element_dbm(envelope_v: f64) -> f64 {
    18.4 - 11.0 + 20.0 * envelope_v.log10()
}

/// Compression whose saturation lies so that `envelope_v` drives it to `over_saturation`.
fn compression(smoothness: f64, envelope_v: f64, over_saturation: f64) -> CompressionModel {
    let saturation_dbm = element_dbm(envelope_v) - 20.0 * over_saturation.log10();
    CompressionModel { smoothness, saturation_dbm, am_pm: None }
}

/// Compression of a tone in dB, and its turn in degrees.
async fn tone_through(amplifier: CompressionModel) -> (f64, f64) {
    let tones = Tones::one(101e6, 0.9);
    let expected = tones.expected(PASS, SOURCE_HZ);
    let (linear, _) = fit(&capture(clean(), &tones, PASS).await, &expected);
    let mut model = clean();
    model.tx.compression = Some(amplifier);
    let (bent, _) = fit(&capture(model, &tones, PASS).await, &expected);
    (-db((bent / linear).norm_sqr()), (bent / linear).arg().to_degrees())
}

#[tokio::test(start_paused = true)]
async fn a_tone_is_compressed_as_the_table_says() {
    let reference = reference();
    let rows = reference.rapp.iter().flat_map(|c| c.points.iter().map(|p| (c.p, p)));
    for (p, point) in rows {
        let amplifier = compression(p, 0.4 * 0.9, point.vin_over_vsat);
        let (got_db, _) = tone_through(amplifier).await;
        let what = format!("p {p} at {}", point.vin_over_vsat);
        check_db(&what, got_db, point.gain_compression_db, 0.01);
    }
    for OneDb { p, vin_over_vsat_at_1db } in reference.one_db_compression {
        let amplifier = compression(p, 0.4 * 0.9, vin_over_vsat_at_1db);
        let (got_db, _) = tone_through(amplifier).await;
        check_db(&format!("p {p}, 1 dB point"), got_db, 1.0, 0.01);
    }
}

#[tokio::test(start_paused = true)]
async fn a_tone_is_turned_by_the_amplifier_as_the_form_says() {
    // Invented numbers; the form is the one that the model's key names.
    let am_pm = AmPmModel { alpha_deg: 20.0, beta: 0.5, q1: 2.0, q2: 2.0 };
    let mut amplifier = compression(2.0, 0.4 * 0.9, 0.7);
    amplifier.am_pm = Some(am_pm);
    let (_, turn_deg) = tone_through(amplifier).await;
    let expected_deg = 20.0 * 0.7 * 0.7 / (1.0 + (0.7f64 / 0.5).powi(2));
    assert!((turn_deg - expected_deg).abs() < 0.01, "{turn_deg} {expected_deg}");
}

#[tokio::test(start_paused = true)]
async fn evm_of_compression_is_that_of_the_formula_on_the_waveform() {
    // Narrow enough that the receiver passes products up to the seventh order.
    let tones = Tones::comb(150, 0.9);
    let ideal = tones.expected(PASS, SOURCE_HZ);
    for (p, over_saturation) in [(1.0, 0.5), (2.0, 0.7), (2.0, 1.0), (3.0, 1.2), (10.0, 1.5)] {
        // Rapp's formula, at the waveform's peak of 0.9 driven to over_saturation.
        let bend = |x: &Complex64| {
            let r = x.norm() / 0.9 * over_saturation;
            x / (1.0 + r.powf(2.0 * p)).powf(0.5 / p)
        };
        let bent: Vec<Complex64> = ideal.iter().map(bend).collect();
        let (_, ratio) = fit(&bent, &ideal);
        let mut model = clean();
        model.tx.compression = Some(compression(p, 0.4 * 0.9, over_saturation));
        let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
        let (_, got) = fit(&samples_at(&mut lab).await, &ideal);
        let what = format!("p {p} peak at {over_saturation}");
        check_db(&what, db(got), db(ratio), TOLERANCE_DB);
        let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
        let said = truth.link.impairments[0].error_ratio.expect("it plays");
        check_db(&format!("{what}, back door"), db(said), db(ratio), 0.02);
    }
}

#[tokio::test(start_paused = true)]
async fn the_range_cuts_off_what_lies_beyond_it() {
    let tones = Tones::comb(150, 0.9);
    let ideal = tones.expected(PASS, SOURCE_HZ);
    let peak = ideal.iter().map(|x| x.norm()).fold(0.0, f64::max);
    for share in [1.05, 0.7, 0.5] {
        // Definition: both lines end at the range, whatever the carrier's phase.
        let ratio_at = |k: u32| {
            let turn = Complex64::cis(std::f64::consts::FRAC_PI_2 * f64::from(k) / 60.0);
            let end = |x: f64| x.clamp(-share * peak, share * peak);
            let cut: Vec<Complex64> = ideal
                .iter()
                .map(|x| turn * x)
                .map(|x| Complex64::new(end(x.re), end(x.im)))
                .collect();
            fit(&cut, &ideal).1
        };
        let expected = (0..60).map(ratio_at).sum::<f64>() / 60.0;
        let mut lab = lab_at(clean(), &tones, PASS, SOURCE_HZ).await;
        let truth = lab.bench.truth();
        let codes = tones.codes(SOURCE_HZ);
        let sent = codes.iter().flatten().map(|c| (f64::from(*c) / 32_767.0).powi(2)).sum::<f64>();
        let peak_v = peak * (truth.link.signal_v2 / (sent / PASS as f64)).sqrt();
        lab.scope.set(&format!("VOLT:RANG {:e}", share * peak_v)).await;
        let mut got = 0.0;
        for _ in 0..60 {
            got += fit(&samples_at(&mut lab).await, &ideal).1 / 60.0;
        }
        let found = lab.bench.truth_at_last_trigger().expect("just acquired").link.impairments;
        if share > 1.0 {
            assert!(found.is_empty(), "{found:?}");
            continue;
        }
        check_db(&format!("range of {share}"), db(got), db(expected), TOLERANCE_DB);
        let [clipping] = found[..] else { panic!("{found:?}") };
        assert_eq!(clipping.kind, ImpairmentKind::ScopeClipping);
        let said_db = db(clipping.error_ratio.expect("one ray"));
        check_db(&format!("range of {share}, back door"), said_db, db(expected), 0.1);
    }
}
