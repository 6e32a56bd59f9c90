//! The bench's physics against published formulas: arrays, path loss, thermal noise.
//!
//! Sources are named in `reference/*.yaml`: Balanis, Antenna Theory, 4th ed., sec. 6.3; Mailloux,
//! Phased Array Antenna Handbook, sec. 7.3; ITU-R P.525; ITU-R P.372.

mod common;

use beamwarden_sim::{ArrayModel, ElementCode, End, Model, SimBench, Truth};
use common::{Lab, beam};
use serde::Deserialize;

#[derive(Deserialize)]
struct ArrayReference {
    first_sidelobes: Vec<Sidelobe>,
    half_wave: Vec<HalfWave>,
    patterns: Vec<Pattern>,
    quantised: Vec<Quantised>,
    squint: Vec<Squint>,
}

#[derive(Deserialize)]
struct Sidelobe {
    n: usize,
    first_sidelobe_db: f64,
}

#[derive(Deserialize)]
struct HalfWave {
    n: usize,
    scan_deg: f64,
    null_deg: Vec<f64>,
    half_power_lower_deg: f64,
    half_power_upper_deg: f64,
    first_sidelobe_visible_at_deg: Vec<f64>,
}

#[derive(Deserialize)]
struct Pattern {
    n: usize,
    scan_deg: f64,
    theta_deg: Vec<f64>,
    af_db: Vec<Option<f64>>,
}

#[derive(Deserialize)]
struct Quantised {
    n: usize,
    scan_deg: f64,
    bits: u8,
    states: Vec<u8>,
    gain_loss_at_scan_db: f64,
    peak_deg: f64,
    peak_loss_db: f64,
}

#[derive(Deserialize)]
struct Squint {
    f0_ghz: f64,
    scan_at_f0_deg: f64,
    f_ghz: f64,
    beam_deg: f64,
}

#[derive(Deserialize)]
struct LinkReference {
    path_loss: Vec<PathLoss>,
    thermal_noise: Vec<ThermalNoise>,
}

#[derive(Deserialize)]
struct PathLoss {
    channel: u16,
    f_ghz: f64,
    d_m: f64,
    fspl_db: f64,
}

#[derive(Deserialize)]
struct ThermalNoise {
    bandwidth_hz: f64,
    watt: f64,
}

fn array_reference() -> ArrayReference {
    serde_yaml::from_str(include_str!("reference/array.yaml"))
        .expect("the reference is well formed")
}

fn link_reference() -> LinkReference {
    serde_yaml::from_str(include_str!("reference/link.yaml")).expect("the reference is well formed")
}

/// A model whose arrays are half-wave at channel 2, where a chip wakes, with perfect references.
fn half_wave(elements: usize, phase_bits: u8) -> Model {
    let array = ArrayModel { elements, phase_bits, design_hz: 60.48e9, ..ArrayModel::default() };
    let mut model = Model::default();
    (model.tx.array, model.rx.array) = (array.clone(), array);
    (model.tx.reference_ppm, model.rx.reference_ppm) = (0.0, 0.0);
    model
}

fn truth_of(model: Model) -> Truth {
    SimBench::new(model).expect("the model holds").truth()
}

fn codes(phases: &[u8]) -> Vec<ElementCode> {
    phases.iter().map(|phase| ElementCode::with_phase(*phase)).collect()
}

/// Gain of the receive array; both arrays are alike.
fn gain_db(truth: &Truth, phases: &[u8], theta_deg: f64) -> f64 {
    let gain = truth.array_gain_db(End::Rx, &codes(phases), theta_deg);
    assert_eq!(gain, truth.array_gain_db(End::Tx, &codes(phases), theta_deg));
    gain
}

#[test]
fn nulls_half_power_points_and_sidelobes() {
    let reference = array_reference();
    for row in &reference.half_wave {
        let truth = truth_of(half_wave(row.n, 5));
        // Scan angles of 0 and 30 deg need no rounding of 5-bit phases.
        let beam = beam(row.n, 5, row.scan_deg);
        for null in &row.null_deg {
            assert!(gain_db(&truth, &beam, *null) < -150.0, "N {} null at {null}", row.n);
        }
        for half in [row.half_power_lower_deg, row.half_power_upper_deg] {
            // Half power is 10 log10(1/2); angles are given to 1e-10 deg.
            let got = gain_db(&truth, &beam, half);
            assert!((got + 3.010_299_956_64).abs() < 1e-7, "N {} at {half}: {got}", row.n);
        }
        let sidelobe = reference.first_sidelobes.iter().find(|s| s.n == row.n).expect("a row each");
        for at in &row.first_sidelobe_visible_at_deg {
            let got = gain_db(&truth, &beam, *at);
            assert!((got - sidelobe.first_sidelobe_db).abs() < 1e-8, "N {} at {at}: {got}", row.n);
        }
    }
}

#[test]
fn patterns_over_angle() {
    for row in array_reference().patterns.iter().filter(|row| row.scan_deg <= 30.0) {
        let truth = truth_of(half_wave(row.n, 5));
        let beam = beam(row.n, 5, row.scan_deg);
        for (theta, level) in row.theta_deg.iter().zip(&row.af_db) {
            let got = gain_db(&truth, &beam, *theta);
            match level {
                Some(level) => assert!((got - level).abs() < 1e-8, "N {} at {theta}: {got}", row.n),
                None => assert!(got < -150.0, "N {} at {theta}: {got}", row.n),
            }
        }
    }
}

#[test]
fn quantised_beams() {
    for row in &array_reference().quantised {
        let truth = truth_of(half_wave(row.n, row.bits));
        assert_eq!(beam(row.n, u32::from(row.bits), row.scan_deg), row.states);
        let at_scan = -gain_db(&truth, &row.states, row.scan_deg);
        assert!((at_scan - row.gain_loss_at_scan_db).abs() < 1e-8, "{at_scan}");
        let at_peak = -gain_db(&truth, &row.states, row.peak_deg);
        assert!((at_peak - row.peak_loss_db).abs() < 1e-8, "{at_peak}");
    }
}

#[tokio::test(start_paused = true)]
async fn beams_squint_over_the_channels() {
    let mut lab = Lab::new(half_wave(8, 5));
    lab.wake().await;
    // 30 deg is exact with 5-bit phases; other scan angles are not.
    let rows = array_reference().squint;
    for row in rows.iter().filter(|r| r.scan_at_f0_deg == 30.0 && r.f0_ghz == 60.48) {
        let channel = ((row.f_ghz - 56.16) / 2.16).round();
        assert_eq!(lab.dut.ask(&format!("w 0002 {channel:04}")).await, "ok");
        let truth = lab.bench.truth();
        let beam = beam(8, 5, 30.0);
        let peak = peak_near(30.0, |theta| gain_db(&truth, &beam, theta));
        // The peak is flat: a bisection of the derivative finds it to about 1e-6 deg.
        assert!((peak - row.beam_deg).abs() < 1e-5, "{} GHz: {peak}", row.f_ghz);
    }
}

/// The maximum within 6 deg, by bisection of the slope.
fn peak_near(start_deg: f64, level: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (start_deg - 6.0, start_deg + 6.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if level(middle + 1e-4) > level(middle - 1e-4) { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[tokio::test(start_paused = true)]
async fn path_loss_of_every_channel() {
    for row in &link_reference().path_loss {
        let mut model = half_wave(8, 5);
        model.path.distance_m = row.d_m;
        let mut lab = Lab::new(model);
        lab.wake().await;
        assert_eq!(lab.dut.ask(&format!("w 0002 {:04X}", row.channel)).await, "ok");
        let link = lab.bench.truth().link;
        assert!((link.tx_carrier_hz / (row.f_ghz * 1e9) - 1.0).abs() < 1e-12);
        assert!((link.path_loss_db - row.fspl_db).abs() < 1e-8, "{}", link.path_loss_db);
    }
}

#[tokio::test(start_paused = true)]
async fn receiver_noise_is_ktb_times_noise_figure_and_gain() {
    let mut model = half_wave(8, 5);
    (model.rx.noise_figure_db, model.rx.gain_db) = (6.5, 40.0);
    let mut lab = Lab::new(model);
    lab.wake().await;
    assert_eq!(lab.dut.ask("w 1003 001F").await, "ok");
    let density = lab.bench.truth().link.receiver_noise_v2_per_hz;
    for row in &link_reference().thermal_noise {
        // A complex envelope on 50 ohm: v^2 = 2 * 50 ohm * P.
        let power_w = density * row.bandwidth_hz / 100.0 / 10f64.powf((6.5 + 40.0) / 10.0);
        assert!((power_w / row.watt - 1.0).abs() < 1e-9, "{power_w}");
    }
}

#[test]
fn best_pair_is_the_one_that_points_at_each_other() {
    let mut model = half_wave(8, 5);
    (model.path.tx_bearing_deg, model.path.table_zero_deg) = (12.0, -21.0);
    let truth = truth_of(model);
    let angles: Vec<f64> = (-60..=60).step_by(3).map(f64::from).collect();
    let beams: Vec<Vec<ElementCode>> = angles.iter().map(|a| codes(&beam(8, 5, *a))).collect();
    let best = truth.best_pair(&beams, &beams).expect("there are beams");
    assert_eq!((angles[best.tx], angles[best.rx]), (12.0, -21.0));
    // Two arrays of 5-bit phases lose 0.014 dB each on average (Mailloux sec. 7.3).
    assert!(best.gain_db > -0.2 && best.gain_db <= 0.0, "{}", best.gain_db);
    assert_eq!(truth.best_pair(&[], &beams), None);
}

#[test]
fn element_errors_cost_what_ruze_says() {
    // J. Ruze, Antenna tolerance theory, Proc. IEEE 54(4), 1966, with the finite-N term:
    // mean |AF|^2 at the peak = exp(-s^2) + (1 - exp(-s^2)) / N.
    let s = 15f64.to_radians();
    let expected = (-s * s).exp() + (1.0 - (-s * s).exp()) / 8.0;
    let benches = 400;
    let mut sum = 0.0;
    for seed in 0..benches {
        let mut model = half_wave(8, 5);
        model.seed = seed;
        model.rx.array.phase_error_rms_deg = 15.0;
        let gain = truth_of(model).array_gain_db(End::Rx, &codes(&[0; 8]), 0.0);
        sum += 10f64.powf(gain / 10.0);
    }
    // One bench spreads by about 3 %; 400 of them by 0.15 %.
    assert!((sum / benches as f64 / expected - 1.0).abs() < 0.008, "{}", sum / benches as f64);
}

#[test]
fn dead_elements_are_missing() {
    let mut model = half_wave(8, 5);
    model.rx.array.dead_elements = vec![0, 5];
    let gain = truth_of(model).array_gain_db(End::Rx, &codes(&[0; 8]), 0.0);
    assert!((gain - 20.0 * 0.75f64.log10()).abs() < 1e-9);
}
