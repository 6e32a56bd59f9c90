//! What the elements of an array do: patterns, errors, codes, power-up, drift, places in space.
//!
//! Sources are named in `reference/array.yaml`: Ruze; Mailloux, Phased Array Antenna Handbook,
//! sec. 7.2; Balanis, Antenna Theory, 4th ed. Where none is named, the expected value is arithmetic on
//! the model's own numbers.

mod common;

use std::time::Duration;

use beamwarden_sim::{
    ArrayModel, CodeErrorModel, Direction, DriftModel, ElementCode, ElementModel, End, Model,
    Place, PowerUpModel, Truth,
};
use common::figures::{Worst, peak_between};
use common::{Lab, beam, codes, half_wave, truth_of};
use serde::Deserialize;

#[derive(Deserialize)]
struct Reference {
    random_phase_errors: Vec<RandomPhase>,
}

#[derive(Deserialize)]
struct RandomPhase {
    sigma_deg: f64,
    n: usize,
    mean_peak_power_factor: f64,
    mean_sidelobe_re_error_free_peak_db: f64,
    pointing_rms_deg: f64,
}

fn rows() -> Vec<RandomPhase> {
    let reference: Reference = serde_yaml::from_str(include_str!("reference/array.yaml"))
        .expect("the reference is well formed");
    reference.random_phase_errors
}

/// The receive array of a half-wave bench.
fn with_rx(elements: usize, change: impl FnOnce(&mut ArrayModel)) -> Model {
    let mut model = half_wave(elements, 5);
    change(&mut model.rx.array);
    model
}

fn rx_db(truth: &Truth, phases: &[u8], theta_deg: f64) -> f64 {
    truth.array_gain_db(End::Rx, &codes(phases), theta_deg)
}

fn power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Mean and spread of the mean over benches of many seeds.
fn over_seeds(benches: u64, model: &Model, figure: impl Fn(&Truth) -> f64) -> (f64, f64) {
    let values: Vec<f64> =
        (0..benches).map(|seed| figure(&truth_of(Model { seed, ..model.clone() }))).collect();
    let n = benches as f64;
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
}

#[test]
fn element_errors_cost_what_ruze_says() {
    // Mean |AF|^2 at the peak: exp(-s^2) + (1 - exp(-s^2))/N; far from it (1 - exp(-s^2))/N.
    let mut sigmas = Worst::new("random phase errors, standard deviations of the ensemble", 4.5);
    let mut peaks = Worst::new("mean peak under random phase errors, dB", 0.05);
    for row in rows() {
        let model = with_rx(row.n, |array| array.phase_error_rms_deg = row.sigma_deg);
        let whose = || format!("N {}, {} deg", row.n, row.sigma_deg);
        let broadside = vec![0; row.n];
        let benches = if row.sigma_deg > 25.0 { 3000 } else { 800 };
        let (mean, spread) =
            over_seeds(benches, &model, |truth| power(rx_db(truth, &broadside, 0.0)));
        sigmas.note((mean - row.mean_peak_power_factor) / spread, 0.0, whose);
        peaks.note(10.0 * (mean / row.mean_peak_power_factor).log10(), 0.0, whose);
        // A null of the perfect array shows the floor alone: sin(theta) = 2/N.
        let null_deg = (2.0 / row.n as f64).asin().to_degrees();
        let (mean, spread) =
            over_seeds(benches, &model, |truth| power(rx_db(truth, &broadside, null_deg)));
        let floor = power(row.mean_sidelobe_re_error_free_peak_db);
        sigmas.note((mean - floor) / spread, 0.0, whose);
    }
    println!("{}\n{}", sigmas.checked(), peaks.checked());
}

#[test]
fn element_errors_turn_the_beam() {
    // sigma_u = (s/(k d)) sqrt(12/(N (N^2 - 1))), small errors (Mailloux sec. 7.2). The rms of 400
    // benches spreads by 3.5 %.
    let mut worst = Worst::new("rms pointing error over the formula, share", 0.14);
    for row in rows().into_iter().filter(|row| (5.0..=10.0).contains(&row.sigma_deg)) {
        let model = with_rx(row.n, |array| array.phase_error_rms_deg = row.sigma_deg);
        let broadside = vec![0; row.n];
        let (square, _) = over_seeds(400, &model, |truth| {
            peak_between(-8.0, 8.0, |theta| rx_db(truth, &broadside, theta)).powi(2)
        });
        let place = || format!("N {}, {} deg", row.n, row.sigma_deg);
        worst.note(square.sqrt() / row.pointing_rms_deg, 1.0, place);
    }
    println!("{}", worst.checked());
}

#[test]
fn gain_errors_and_failures_cost_what_the_handbook_says() {
    // N elements, gain spread a in dB: mean amplitude m = exp(b^2/2), mean square exp(2 b^2),
    // b = a ln(10)/20; mean |AF|^2 = m^2 + (exp(2 b^2) - m^2)/N, own derivation (log-normal moments).
    let model = with_rx(8, |array| array.gain_error_rms_db = 1.5);
    let b = 1.5 * 10f64.ln() / 20.0;
    let (m2, square) = ((b * b).exp(), (2.0 * b * b).exp());
    let expected = m2 + (square - m2) / 8.0;
    let (mean, spread) = over_seeds(2000, &model, |truth| power(rx_db(truth, &[0; 8], 0.0)));
    assert!((mean - expected).abs() < 4.5 * spread, "{mean} {expected} {spread}");
    // Dead elements are missing: 20 log10(6/8).
    let truth = truth_of(with_rx(8, |array| array.dead_elements = vec![0, 5]));
    assert!((rx_db(&truth, &[0; 8], 0.0) - 20.0 * 0.75f64.log10()).abs() < 1e-9);
    // An element that is switched off is missing too.
    let mut off = codes(&[0; 8]);
    off[2] = ElementCode { on: false, ..off[2] };
    let gain_db = truth.array_gain_db(End::Rx, &off, 0.0);
    assert!((gain_db - 20.0 * 0.625f64.log10()).abs() < 1e-9);
}

#[test]
fn listed_errors_add_to_the_drawn_ones() {
    // Two elements in antiphase cancel; 6.0206 dB more on one of two leaves half of it: 20 log10(1/2).
    let truth = truth_of(with_rx(2, |array| {
        array.phase_errors_deg = vec![0.0, 180.0];
        array.gain_errors_db = vec![20.0 * 2f64.log10()];
    }));
    assert!((rx_db(&truth, &[0; 2], 0.0) - 20.0 * 0.5f64.log10()).abs() < 1e-9);
}

#[test]
fn every_code_has_its_error() {
    // Errors of the codes are as random as the elements': Ruze's formula again, drawn anew for each
    // set of codes of one bench.
    let s = 12f64.to_radians();
    let expected = (-s * s).exp() + (1.0 - (-s * s).exp()) / 16.0;
    let truth = truth_of(with_rx(16, |array| {
        array.phase_bits = 6;
        array.code_errors = CodeErrorModel { phase_rms_deg: 12.0, ..CodeErrorModel::default() };
    }));
    let all: Vec<f64> = (0..64u8).map(|code| power(rx_db(&truth, &[code; 16], 0.0))).collect();
    let mean = all.iter().sum::<f64>() / 64.0;
    // One set spreads by 2 (s/sqrt(16)) s or so, 64 of them by an eighth of that: 1.5 % is plenty.
    assert!((mean / expected - 1.0).abs() < 0.015, "{mean} {expected}");
    assert!(all.iter().any(|p| (p - all[0]).abs() > 1e-3));
    // Attenuators: one code, many elements; 8 steps of 0.5 dB on average.
    let truth = truth_of(with_rx(256, |array| {
        array.code_errors = CodeErrorModel { attenuation_rms_db: 0.3, ..CodeErrorModel::default() };
    }));
    for attenuation in 0..8 {
        let codes = vec![ElementCode { phase: 0, attenuation, on: true }; 256];
        let gain_db = truth.array_gain_db(End::Rx, &codes, 0.0);
        assert!((gain_db + 0.5 * f64::from(attenuation)).abs() < 0.1, "{gain_db}");
    }
}

#[test]
fn element_patterns_multiply_the_array_factor() {
    // Pattern multiplication (Balanis sec. 6.2): element times array factor, floor to the back.
    let element = ElementModel { cosine_exponent: 1.4, back_lobe_db: -20.0, peak_dbi: 5.0 };
    let plain = truth_of(half_wave(8, 5));
    let patterned = truth_of(with_rx(8, |array| array.element = element));
    let mut worst = Worst::new("element patterns, dB", 1e-9);
    for scan_deg in [0.0, 30.0] {
        let beam = beam(8, 5, scan_deg);
        for theta in (-179..=180).map(|t| f64::from(t) + 0.3) {
            let cos = theta.to_radians().cos().max(0.0);
            let element_db = (14.0 * cos.log10()).max(-20.0);
            let expected = rx_db(&plain, &beam, theta) + element_db;
            worst.note(rx_db(&patterned, &beam, theta), expected, || format!("{theta}"));
        }
    }
    println!("{}", worst.checked());
    // Scan loss of such an array: the element's pattern at the scan angle (Mailloux ch. 1).
    let loss_db = rx_db(&patterned, &beam(8, 5, 30.0), 30.0);
    assert!((loss_db - 14.0 * 30f64.to_radians().cos().log10()).abs() < 1e-9, "{loss_db}");
}

#[test]
fn elements_stand_anywhere_in_space() {
    // A ring of eight, steered by errors that undo the wave's phase: everything adds up there, and
    // elsewhere it is the plain sum over the places.
    let places: Vec<[f64; 3]> = (0..8)
        .map(|n| f64::from(n) * std::f64::consts::FRAC_PI_4)
        .map(|turn| [1.3 * turn.cos(), 1.3 * turn.sin(), 0.2 * (3.0 * turn).sin()])
        .collect();
    let toward = Direction { azimuth_deg: 25.0, elevation_deg: -40.0 };
    let waves = |place: &[f64; 3], direction: Direction| -> f64 {
        place.iter().zip(direction.cosines()).map(|(x, u)| x * u).sum()
    };
    let steer: Vec<f64> = places.iter().map(|place| -360.0 * waves(place, toward)).collect();
    let truth = truth_of(with_rx(8, |array| {
        array.positions_wavelengths = Some(places.iter().map(|p| Place::InSpace(*p)).collect());
        array.phase_errors_deg = steer.clone();
    }));
    let mut worst = Worst::new("ring of elements, amplitude", 1e-9);
    for (azimuth_deg, elevation_deg) in [(25.0, -40.0), (0.0, 0.0), (-70.0, 12.0), (170.0, 85.0)] {
        let direction = Direction { azimuth_deg, elevation_deg };
        let (mut re, mut im) = (0.0, 0.0);
        for (place, steer) in places.iter().zip(&steer) {
            let phase = (360.0 * waves(place, direction) + steer).to_radians();
            (re, im) = (re + phase.cos(), im + phase.sin());
        }
        let got_db = truth.array_gain_toward_db(End::Rx, &codes(&[0; 8]), direction);
        let place = || format!("{direction:?}");
        worst.note(10f64.powf(got_db / 20.0), f64::hypot(re, im) / 8.0, place);
    }
    println!("{}", worst.checked());
    let text = "{rx: {array: {positions_wavelengths: [[0, 0], [0.5, 0.1, 0]]}}}";
    let places = Model::from_yaml(text).expect("both forms").rx.array.positions_wavelengths;
    assert_eq!(places.expect("given")[1], Place::InSpace([0.5, 0.1, 0.0]));
}

#[tokio::test(start_paused = true)]
async fn sixteen_by_sixteen_elements_of_six_bits_have_their_registers() {
    let array = ArrayModel { elements: 16, rows: 16, phase_bits: 6, ..ArrayModel::default() };
    let mut model = Model::default();
    (model.tx.array, model.rx.array) = (array.clone(), array);
    let mut lab = Lab::new(model);
    lab.wake().await;
    // Toward u = 1/4, v = -1/8: steps of 8 and -4 of 64 states a column and row.
    for n in 0..256i32 {
        let code = (-8 * (n % 16) + 4 * (n / 16)).rem_euclid(64);
        let write = format!("w {:04X} {:04X}", 0x1100 + n, 0x8000 | code);
        assert_eq!(lab.dut.ask(&write).await, "ok", "{write}");
    }
    assert_eq!(lab.dut.ask("w 11FF 8040").await, "no 4 value out of range");
    assert_eq!(lab.dut.ask("r 1200").await, "no 2 no such register");
    let truth = lab.bench.truth();
    let elevation_deg = (-0.125f64).asin().to_degrees();
    let azimuth_deg = (0.25 / elevation_deg.to_radians().cos()).asin().to_degrees();
    let toward = Direction { azimuth_deg, elevation_deg };
    // The carrier is 4.1 ppm off the frequency of the spacing.
    let gain_db = truth.array_gain_toward_db(End::Rx, &truth.rx.codes, toward);
    assert!(gain_db.abs() < 1e-6, "{gain_db}");
}

/// A receiver whose arrays start anew at each power-up.
fn restless() -> Model {
    let mut model = with_rx(8, |array| {
        array.power_up = PowerUpModel { codes: 2, phase_rms_deg: 5.0 };
    });
    model.seed = 4;
    model
}

async fn gains_over_power_ups(model: Model, count: usize) -> Vec<f64> {
    let mut lab = Lab::new(model);
    let mut gains = Vec::new();
    for _ in 0..count {
        lab.wake().await;
        gains.push(rx_db(&lab.bench.truth(), &[0; 8], 0.0));
        // Nothing but power moves them.
        assert_eq!(lab.dut.ask("w 1001 0000").await, "ok");
        assert_eq!(lab.dut.ask("w 1001 0001").await, "ok");
        assert_eq!(gains.last().copied(), Some(rx_db(&lab.bench.truth(), &[0; 8], 0.0)));
        lab.supply.set("OUTP OFF;*WAI").await;
        assert_eq!(lab.supply.ask("*OPC?").await, "1");
    }
    gains
}

#[tokio::test(start_paused = true)]
async fn each_power_up_moves_the_phase_shifters() {
    let gains = gains_over_power_ups(restless(), 40).await;
    assert!(gains.windows(2).all(|pair| pair[0] != pair[1]));
    assert_eq!(gains, gains_over_power_ups(restless(), 40).await);
    let mean = gains.iter().map(|gain| power(*gain)).sum::<f64>() / 40.0;
    // Offsets of -2 to 2 codes, equally likely, 11.25 deg each, and 5 deg rms: mean phasor
    // c = (1 + 2 cos 11.25 + 2 cos 22.5)/5 exp(-s^2/2); mean power c^2 + (1 - c^2)/8. One power-up
    // spreads by some 4 %, 40 of them by 0.7 %.
    let step = 11.25f64.to_radians();
    let s = 5f64.to_radians();
    let c = (1.0 + 2.0 * step.cos() + 2.0 * (2.0 * step).cos()) / 5.0 * (-0.5 * s * s).exp();
    let expected = c * c + (1.0 - c * c) / 8.0;
    assert!((mean / expected - 1.0).abs() < 0.03, "{mean} {expected}");
    let steady = gains_over_power_ups(half_wave(8, 5), 3).await;
    assert_eq!(steady, [steady[0]; 3]);
}

#[tokio::test(start_paused = true)]
async fn elements_drift_as_the_chip_warms() {
    let mut model = with_rx(2, |array| {
        array.drift = DriftModel {
            phase_deg_per_k: vec![0.0, 2.0],
            gain_db_per_k: -0.03,
            reference_c: 24.0,
            ..DriftModel::default()
        };
    });
    (model.chips.warming_s, model.chips.heating_c_per_w) = (30.0, 150.0);
    let chips = model.chips.clone();
    let mut lab = Lab::new(model);
    lab.wake().await;
    let start = lab.bench.truth();
    // Two elements, gain code 20, at 1.2 V; each chip bears half of the stand-by current.
    let drive = 0.5 + 0.5 * 20.0 / 31.0;
    let amperes = chips.enabled_a + 2.0 * chips.element_a * drive + 0.5 * chips.standby_a;
    let rise_k = 1.2 * amperes * chips.heating_c_per_w;
    let mut temperature = Worst::new("temperature of a warming chip, K", 2e-3);
    let mut gain = Worst::new("gain of drifting elements, dB", 1e-9);
    // It warmed a little while it was woken: from there on exponentially.
    let first_k = start.rx.temperature_c - 24.0;
    for seconds in [0.0, 5.0, 30.0, 90.0, 600.0] {
        let since = lab.bench.truth().at - start.at;
        tokio::time::sleep(Duration::from_secs_f64(seconds) - since).await;
        let truth = lab.bench.truth();
        let left = (-seconds / 30.0f64).exp();
        let excess_k = rise_k + (first_k - rise_k) * left;
        let place = || format!("{seconds} s");
        temperature.note(truth.rx.temperature_c, 24.0 + excess_k, place);
        // |1 + exp(j 2 deg/K T)|/2 = cos(1 deg/K T), and -0.03 dB/K.
        let excess_k = truth.rx.temperature_c - 24.0;
        let expected = 20.0 * excess_k.to_radians().cos().log10() - 0.03 * excess_k;
        gain.note(rx_db(&truth, &[0; 2], 0.0), expected, place);
        let sensor = lab.dut.ask("r 1011").await;
        let read = i64::from_str_radix(&sensor[2..], 16).expect("a register") as f64 / 16.0;
        assert!((read - truth.rx.temperature_c).abs() <= 0.5 / 16.0 + 1e-9, "{sensor}");
    }
    println!("{}\n{}", temperature.checked(), gain.checked());
    // Without power it cools again.
    lab.supply.set("OUTP OFF;*WAI").await;
    tokio::time::sleep(Duration::from_secs(600)).await;
    assert!((lab.bench.truth().rx.temperature_c - 24.0).abs() < 1e-3);
}

#[tokio::test(start_paused = true)]
async fn a_warming_chip_ends_where_its_own_current_brings_it() {
    // The current grows with the temperature that it makes; where that ends is the same whether the
    // chip takes its time or not, and however rarely anybody looks.
    let mut model = half_wave(8, 5);
    (model.chips.current_per_k, model.chips.heating_c_per_w) = (0.004, 120.0);
    let mut ends = Vec::new();
    for warming_s in [0.0, 40.0] {
        model.chips.warming_s = warming_s;
        let mut lab = Lab::new(model.clone());
        lab.wake().await;
        tokio::time::sleep(Duration::from_secs(3600)).await;
        let truth = lab.bench.truth();
        ends.push((truth.tx.temperature_c, truth.rx.temperature_c, truth.supply.current_a));
    }
    let (at_once, in_time) = (ends[0], ends[1]);
    assert!((at_once.0 - in_time.0).abs() < 1e-6, "{ends:?}");
    assert!((at_once.1 - in_time.1).abs() < 1e-6, "{ends:?}");
    assert!((at_once.2 - in_time.2).abs() < 1e-9 && at_once.0 > 40.0, "{ends:?}");
}
