//! The chips, the source and the scope, one setting or error at a time: levels, noise, temperature,
//! lock, limits and timing, on codes of the scope and by the back door.
//!
//! Formulas: thermal noise kTB (ITU-R P.372), noise figure over 290 K (IEEE), image rejection
//! (T. Schenk, RF Imperfections in High-rate Wireless Systems, ch. 5, from memory), zero-order hold
//! (Oppenheim and Schafer, Discrete-Time Signal Processing, sec. 4.8, from memory).

mod common;
#[path = "common/tones.rs"]
mod tones;

use std::f64::consts::PI;
use std::time::Duration;

use beamwarden_sim::{
    ChipModel, CompressionModel, ImpairmentKind, Model, PhaseNoiseModel, ReflectionModel,
    SaturationModel, SourceModel,
};
use common::{Lab, shaped_noise};
use num_complex::Complex64;
use tokio::time::Instant;
use tones::{
    PASS, SOURCE_HZ, Tones, capture, check_db, clean, db, fit, lab_at, line, power, samples_at,
};

/// Two-sided noise bandwidth of the default receiver filter: the integral of its squared Kaiser
/// response, evaluated apart from the program, Hz.
const NOISE_HZ: f64 = 3.032_390_925e9;

/// Level of a tone in dB of volts of envelope.
async fn level_db(model: Model, hz: f64) -> f64 {
    let samples = capture(model, &Tones::one(hz, 0.9), PASS).await;
    db(line(&samples, hz).norm_sqr())
}

/// Thermal noise of the receiver at the scope with nothing transmitted.
async fn check_noise(gain_code: u16, noise_figure_db: f64, per_step_db: f64) {
    let mut model = Model::default();
    model.rx.noise_figure_db = noise_figure_db;
    model.rx.noise_figure_db_per_step = per_step_db;
    (model.scope.noise_of_range, model.scope.bits) = (0.0, 16);
    let mut lab = Lab::new(model);
    lab.wake().await;
    assert_eq!(lab.dut.ask(&format!("w 1003 {gain_code:04X}")).await, "ok");
    lab.aim(400_000).await;
    lab.scope.set("TRIG:SOUR IMM").await;
    let got_w = power(&samples_at(&mut lab).await) / 100.0;
    // kTB F G: 8 receive elements of weight 1 over a combiner of 8, envelope on 50 ohm.
    let below = f64::from(31 - gain_code);
    let figure_db = noise_figure_db + per_step_db * below;
    let expected_db = db(1.380_649e-23 * 290.0 * NOISE_HZ) + figure_db + 55.0 - below;
    // 150,000 independent values: 4 sigma are 0.05 dB.
    check_db(&format!("code {gain_code}"), db(got_w), expected_db, 0.05);
}

#[tokio::test(start_paused = true)]
async fn the_receiver_adds_ktb_times_noise_figure_times_gain() {
    check_noise(20, 8.0, 0.0).await;
    check_noise(31, 3.0, 0.0).await;
    check_noise(31, 5.0, 0.4).await;
    check_noise(12, 5.0, 0.4).await;
}

/// Noise of 2 % of full scale on each line, its waveform silent: power at the scope over its power
/// at the source, in dB, with thermal noise 60 dB down.
async fn source_noise_db(model: &Model, clock_hz: f64, points: usize) -> f64 {
    let mut model = model.clone();
    model.source.noise_of_amplitude = 0.02;
    model.rx.noise_figure_db = 0.0;
    let mut lab = Lab::new(model);
    lab.play(&[[0, 0]; 64]).await;
    lab.source.set(&format!("CLOC {clock_hz}")).await;
    lab.wake().await;
    lab.aim(points).await;
    // Both lines, of 0.4 V; the link's gain is that of the clean bench, 0.36 V of envelope.
    let tone_v2 = power(&capture(clean(), &Tones::one(101e6, 0.9), PASS).await);
    let gain = tone_v2 / 0.36f64.powi(2);
    db(power(&samples_at(&mut lab).await) / gain / (2.0 * (0.02f64 * 0.4).powi(2)))
}

#[tokio::test(start_paused = true)]
async fn noise_of_the_source_lies_within_its_own_band() {
    // White noise over the rate fs through a low-pass of noise bandwidth B <= fs keeps B/fs (Parseval).
    // The reconstruction ends at 0.4 to 0.6 of the rate where that is narrower than the receiver: a
    // Kaiser design of the same attenuation, B = 2 fc - 0.2095 (stop - pass), from NOISE_HZ.
    let lost_hz = (3.2e9 - NOISE_HZ) / 0.8e9;
    for (clock_hz, kept) in [
        (SOURCE_HZ, NOISE_HZ / SOURCE_HZ),
        (2e9, 1.0 - 0.2 * lost_hz),
        (100e6, 1.0 - 0.2 * lost_hz),
    ] {
        // At 100 MHz: 4000 independent values, 4 sigma are 0.27 dB.
        let got_db = source_noise_db(&clean(), clock_hz, 320_000).await;
        check_db(&format!("{clock_hz} Hz"), got_db, db(kept), 0.27);
    }
    // A Gaussian low-pass 3 dB down at B has the two-sided noise bandwidth B sqrt(pi/ln 2).
    let mut narrow = clean();
    narrow.source.bandwidth_hz = Some(300e6);
    let kept = 300e6 * (PI / std::f64::consts::LN_2).sqrt() / SOURCE_HZ;
    check_db("300 MHz", source_noise_db(&narrow, SOURCE_HZ, 320_000).await, db(kept), 0.1);
}

#[tokio::test(start_paused = true)]
async fn noise_of_the_source_takes_the_ways_of_the_signal() {
    // Two ways 2 or 2.5 wavelengths apart, the second 2 dB down: the noise at the scope goes up and
    // down with the signal, so their ratio, 2.5e-2 of full scale to that of two tones, stays.
    for half_waves in [4.0, 5.0] {
        let mut model = clean();
        (model.source.noise_of_amplitude, model.path.extra_loss_db) = (2.5e-2, -74.0);
        // Of noise bandwidth 279.05 MHz, within which the ways' difference is the carrier's.
        (model.rx.pass_hz, model.rx.stop_hz) = (100e6, 200e6);
        let extra_m = 0.5 * half_waves * 299_792_458.0 / 62.64e9;
        model.path.reflections = vec![ReflectionModel {
            departure_deg: 0.0,
            arrival_deg: 0.0,
            departure_elevation_deg: 0.0,
            arrival_elevation_deg: 0.0,
            extra_m: Some(extra_m),
            extra_delay_s: None,
            loss_db: 2.0,
            phase_deg: 0.0,
        }];
        // So narrow that the ways do not bend it.
        let tones = Tones::comb(3, 0.9);
        let mut lab = lab_at(model, &tones, 10 * PASS, SOURCE_HZ).await;
        let (_, ratio) = fit(&samples_at(&mut lab).await, &tones.expected(10 * PASS, SOURCE_HZ));
        let codes = tones.codes(SOURCE_HZ);
        let sent = codes.iter().flatten().map(|c| (f64::from(*c) / 32_767.0).powi(2)).sum::<f64>()
            / PASS as f64;
        let expected_db = db(2.0 * 2.5e-2f64.powi(2) / sent * 279.05e6 / SOURCE_HZ);
        // 2800 independent values: 4 sigma are 0.33 dB.
        check_db(&format!("{half_waves} half waves"), db(ratio), expected_db, 0.33);
        let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
        let said_db = truth.es_n0_db(SOURCE_HZ).expect("a signal arrives");
        let due_db = db(sent / (2.0 * 2.5e-2f64.powi(2)));
        check_db(&format!("{half_waves} half waves, back door"), said_db, due_db, 0.05);
    }
}

#[tokio::test(start_paused = true)]
async fn the_y_factor_gives_the_noise_figure_back() {
    // Hot and cold source at the receiver's input, here the source's own noise over the air and none:
    // F = ENR / (Y - 1) (IEEE; common practice). The added noise is known from a tone over the same
    // way: 0.02 of full scale on each line, white over the source's rate, against 0.1.
    let mut model = Model::default();
    (model.rx.noise_figure_db, model.path.extra_loss_db) = (6.0, -40.0);
    (model.rx.gain_db, model.scope.noise_of_range, model.scope.bits) = (30.0, 0.0, 16);
    let mut noise_v2 = [0.0; 2];
    for (slot, share) in noise_v2.iter_mut().zip([0.0, 0.02]) {
        model.source.noise_of_amplitude = share;
        let mut lab =
            lab_at(model.clone(), &Tones(vec![(0.0, Complex64::ZERO)]), 200_000, SOURCE_HZ).await;
        *slot = power(&samples_at(&mut lab).await);
    }
    model.source.noise_of_amplitude = 0.0;
    let tone_v2 = power(&capture(model, &Tones::one(101e6, 0.1), PASS).await);
    let added = (tone_v2 - noise_v2[0]) / 0.1f64.powi(2) * 2.0 * 0.02f64.powi(2) / SOURCE_HZ;
    let kt0_at_scope = 1.380_649e-23 * 290.0 * 100.0 * 10f64.powf((30.0 - 11.0) / 10.0);
    let figure = added / kt0_at_scope / (noise_v2[1] / noise_v2[0] - 1.0);
    check_db("noise figure", db(figure), 6.0, 0.1);
}

#[tokio::test(start_paused = true)]
async fn the_carrier_leaks_at_its_level() {
    let mut model = clean();
    model.tx.carrier_leakage_dbv = Some(-40.0);
    let tones = Tones::one(101e6, 0.9);
    let samples = capture(model.clone(), &tones, PASS).await;
    let ratio_db = db((line(&samples, 0.0) / line(&samples, 101e6)).norm_sqr());
    // The tone's envelope is 0.9 of 0.4 V.
    check_db("leakage", ratio_db, -40.0 - 20.0 * 0.36f64.log10(), 0.01);
    // It is there without a waveform too.
    let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
    lab.source.set("FUNC DC").await;
    lab.scope.set("TRIG:SOUR IMM").await;
    let alone = samples_at(&mut lab).await;
    check_db("alone", db(line(&alone, 0.0).norm_sqr() / line(&samples, 0.0).norm_sqr()), 0.0, 0.01);
    assert_eq!(lab.bench.truth().link.signal_v2, 0.0);
}

#[tokio::test(start_paused = true)]
async fn gain_steps_err_as_drawn_and_the_truth_knows() {
    let mut model = Model { seed: 4, ..clean() };
    (model.tx.gain_step_error_rms_db, model.rx.gain_step_error_rms_db) = (0.5, 0.3);
    let mut lab = lab_at(model, &Tones::one(101e6, 0.9), PASS, SOURCE_HZ).await;
    let mut errors_db = Vec::new();
    for chip in ["0003", "1003"] {
        let mut last_db: Option<f64> = None;
        for code in 8..=20 {
            assert_eq!(lab.dut.ask(&format!("w {chip} {code:04X}")).await, "ok");
            let got_db = db(line(&samples_at(&mut lab).await, 101e6).norm_sqr());
            let truth_db = db(lab.bench.truth().link.signal_v2);
            check_db(&format!("{chip} code {code}"), got_db, truth_db, 0.01);
            errors_db.extend(last_db.map(|last| got_db - last - 1.0));
            last_db = Some(got_db);
        }
    }
    let rms = (errors_db.iter().map(|e| e * e).sum::<f64>() / errors_db.len() as f64).sqrt();
    // Differences of two steps each: sqrt(2) of 0.5 and 0.3 together, 24 of them.
    assert!(rms > 0.3 && rms < 0.9, "{rms}");
}

#[tokio::test(start_paused = true)]
async fn the_output_lines_end_hard_or_softly_and_have_an_offset() {
    let tones = Tones::one(101e6, 0.9);
    let free = power(&capture(clean(), &tones, PASS).await).sqrt();
    let mut model = clean();
    model.rx.output_saturation = Some(SaturationModel { volts: 0.5 * free, smoothness: None });
    let hard = capture(model.clone(), &tones, PASS).await;
    let most = hard.iter().map(|s| s.re.abs().max(s.im.abs())).fold(0.0, f64::max);
    assert!((most / (0.5 * free) - 1.0).abs() < 1e-3, "{most}");
    model.rx.output_saturation = Some(SaturationModel { volts: free, smoothness: Some(1.0) });
    let soft = capture(model, &tones, PASS).await;
    let most = soft.iter().map(|s| s.re.abs()).fold(0.0, f64::max);
    // At its saturation a line of p = 1 gives 1/sqrt(2) (Rapp).
    assert!((most / free - 0.5f64.sqrt()).abs() < 2e-3, "{most}");
    let mut model = clean();
    model.rx.dc_offset_v = [0.01, -0.02];
    let shifted = capture(model, &tones, PASS).await;
    assert!((line(&shifted, 0.0) - Complex64::new(0.01, -0.02)).norm() < 2e-5);
}

#[tokio::test(start_paused = true)]
async fn channels_err_in_gain_offset_and_time() {
    let hz = 401e6;
    let tones = Tones::one(hz, 0.9);
    let irr_db = |samples: &[Complex64]| db((line(samples, hz) / line(samples, -hz)).norm_sqr());
    // Image of a gain g: (1 + g)^2/(1 - g)^2; of a delay t at f: cot^2(pi f t).
    let g = 10f64.powf(0.5 / 20.0);
    let of_gain_db = 20.0 * ((1.0 + g) / (g - 1.0)).log10();
    let of_skew_db = -20.0 * (PI * hz * 5e-12).tan().log10();
    let mut model = clean();
    model.scope.gain_error_db = [0.0, 0.5];
    check_db("scope gain", irr_db(&capture(model, &tones, PASS).await), of_gain_db, 0.02);
    let mut model = clean();
    model.source.gain_error_db = [0.25, -0.25];
    check_db("source gain", irr_db(&capture(model, &tones, PASS).await), of_gain_db, 0.02);
    let mut model = clean();
    model.scope.skew_s = 5e-12;
    check_db("scope skew", irr_db(&capture(model, &tones, PASS).await), of_skew_db, 0.05);
    for skew_s in [5e-12, -5e-12] {
        let mut model = clean();
        model.source.skew_s = skew_s;
        let got = capture(model, &tones, PASS).await;
        check_db("source skew", irr_db(&got), of_skew_db, 0.05);
    }
    let mut model = clean();
    model.scope.offset_of_range = [0.05, -0.1];
    model.source.offset_of_amplitude = [0.0, 0.0];
    let shifted = line(&capture(model, &tones, PASS).await, 0.0);
    assert!((shifted - Complex64::new(0.05, -0.1) * 0.25).norm() < 2e-5, "{shifted}");
    let mut model = clean();
    model.source.offset_of_amplitude = [0.03, 0.04];
    let samples = capture(model, &tones, PASS).await;
    let ratio = line(&samples, 0.0).norm() / line(&samples, hz).norm();
    assert!((ratio - 0.05 / 0.9).abs() < 1e-4, "{ratio}");
}

#[tokio::test(start_paused = true)]
async fn the_back_door_sees_the_scope_from_its_input() {
    // Behind a gain of g the same volts at the converter are 1/g at the input: 3 dB of gain on both
    // lines make signal over the scope's own noise and offset 3 dB better.
    let mut model = clean();
    (model.scope.noise_of_range, model.scope.offset_of_range) = (0.01, [0.05, 0.05]);
    let tones = Tones::one(101e6, 0.5);
    let mut links = Vec::new();
    for gain_db in [0.0, 3.0] {
        model.scope.gain_error_db = [gain_db; 2];
        let mut lab = lab_at(model.clone(), &tones, PASS, SOURCE_HZ).await;
        let samples = samples_at(&mut lab).await;
        let link = lab.bench.truth_at_last_trigger().expect("just acquired").link;
        let (_, ratio) = fit(&samples, &tones.expected(PASS, SOURCE_HZ));
        let noise = link.scope_noise_v2_per_hz * SOURCE_HZ / link.signal_v2;
        let offset = link.impairments[0].error_ratio.expect("it plays");
        check_db(&format!("{gain_db} dB, all on codes"), db(noise + offset), db(ratio), 0.1);
        links.push((noise, offset));
    }
    check_db("noise", db(links[0].0 / links[1].0), 3.0, 1e-6);
    check_db("offset", db(links[0].1 / links[1].1), 3.0, 1e-6);
}

#[tokio::test(start_paused = true)]
async fn the_scopes_clock_counts_its_offset_too() {
    // 1 ms by a clock that is 15 ppm fast ends 15 ns early. Two tones 20 MHz apart tell the delay
    // within 50 ns.
    let (low_hz, high_hz) = (-10e6, 10e6);
    let tones =
        Tones(vec![(low_hz, Complex64::new(0.4, 0.0)), (high_hz, Complex64::new(0.4, 0.0))]);
    let mut turns = Vec::new();
    for clock_ppm in [0.0, 15.0] {
        let mut model = clean();
        model.scope.clock_ppm = clock_ppm;
        let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
        lab.scope.set("SWE:OFFS:TIME 1 MS").await;
        let samples = samples_at(&mut lab).await;
        turns.push(line(&samples, high_hz) * line(&samples, low_hz).conj());
    }
    let early_s = -(turns[1] * turns[0].conj()).arg() / std::f64::consts::TAU / 20e6;
    assert!((early_s - 15e-9).abs() < 0.1e-9, "{early_s}");
}

#[tokio::test(start_paused = true)]
async fn bandwidths_and_the_hold_take_what_their_formulas_say() {
    let at = |model: Model, hz: f64| async move {
        level_db(model, hz).await - level_db(clean(), hz).await
    };
    let mut narrow = clean();
    narrow.scope.bandwidth_hz = Some(1e9);
    check_db("scope at its bandwidth", at(narrow, 1e9).await, -3.0103, 0.02);
    let mut narrow = clean();
    narrow.source.bandwidth_hz = Some(800e6);
    check_db("source at half", at(narrow, 400e6).await, -0.7526, 0.02);
    let mut held = clean();
    held.source.sinc_droop = true;
    let x = PI * 1.1e9 / SOURCE_HZ;
    check_db("hold", at(held, 1.1e9).await, 20.0 * (x.sin() / x).log10(), 0.02);
}

#[tokio::test(start_paused = true)]
async fn temperature_acts_on_gain_reference_and_current() {
    let mut model = clean();
    (model.tx.gain_db_per_k, model.rx.gain_db_per_k) = (-0.02, -0.03);
    (model.tx.reference_ppm_per_k, model.rx.reference_ppm_per_k) = (0.1, 0.05);
    model.chips.current_per_k = 2e-3;
    let mut lab = lab_at(model, &Tones::one(101e6, 0.9), PASS, SOURCE_HZ).await;
    let truth = lab.bench.truth();
    let (tx_k, rx_k) = (truth.tx.temperature_c - 25.0, truth.rx.temperature_c - 25.0);
    assert!(tx_k > 5.0 && rx_k > 5.0, "{tx_k} {rx_k}");
    let got_db = db(power(&samples_at(&mut lab).await));
    let cold = lab_at(clean(), &Tones::one(101e6, 0.9), PASS, SOURCE_HZ).await.bench.truth();
    let expected_db = db(cold.link.signal_v2) - 0.02 * tx_k - 0.03 * rx_k;
    check_db("gain", got_db, expected_db, 0.01);
    let ppm = truth.link.carrier_offset_hz / 62.64e9 * 1e6;
    assert!((ppm - (0.1 * tx_k - 0.05 * rx_k)).abs() < 1e-6, "{ppm}");
    // An enabled chip at code 20: 0.11 A and 8 elements of 0.022 A times 0.5 + 0.5 * 20/31, at 1.2 V;
    // stand-by of 0.02 A does not follow the temperature.
    let chip_a = 0.11 + 8.0 * 0.022 * (0.5 + 0.5 * 20.0 / 31.0);
    let expected_a = 0.02 + chip_a * (2.0 + 2e-3 * (tx_k + rx_k));
    assert!((truth.supply.current_a / expected_a - 1.0).abs() < 1e-6);
    // The temperature is the one that this current makes: 38 K/W over 24 degC.
    let watts = 1.2 * (0.01 + chip_a * (1.0 + 2e-3 * tx_k));
    assert!((truth.tx.temperature_c - 24.0 - 38.0 * watts).abs() < 1e-6);
}

#[tokio::test(start_paused = true)]
async fn a_chip_that_is_too_hot_loses_lock() {
    let chips = ChipModel { lock_most_c: Some(34.0), ..ChipModel::default() };
    let mut lab = Lab::new(Model { chips, ..Model::default() });
    lab.wake().await;
    let truth = lab.bench.truth();
    assert!(truth.tx.temperature_c > 34.0 && !truth.tx.locked && !truth.link.linked);
    assert_eq!(lab.dut.ask("r 0010").await, "= 0002");
    // All elements off: it cools and holds its carrier again.
    for n in 0..8 {
        assert_eq!(lab.dut.ask(&format!("w 010{n} 0000")).await, "ok");
    }
    let truth = lab.bench.truth();
    assert!(truth.tx.temperature_c < 34.0 && truth.tx.locked, "{}", truth.tx.temperature_c);
    assert_eq!(lab.dut.ask("r 0010").await, "= 0003");
}

#[tokio::test(start_paused = true)]
async fn limits_are_the_models() {
    let mut model = Model::default();
    model.source.clock_limits_hz = [50e6, 8e9];
    model.scope.interval_limits_s = [100e-12, 1e-7];
    model.scope.points_most = 50_000;
    let mut lab = Lab::new(model);
    lab.source.refused("CLOC 9 GHZ", -222).await;
    lab.source.refused("CLOC 20 MHZ", -222).await;
    lab.scope.refused("SWE:TINT 50 PS", -222).await;
    lab.scope.refused("SWE:POIN 60000", -222).await;
    assert_eq!(lab.source.number("CLOC? MAX").await, 8e9);
    assert_eq!(lab.scope.number("SWE:POIN? MAX").await, 50_000.0);
}

#[tokio::test(start_paused = true)]
async fn a_new_range_settles_before_the_scope_arms() {
    let mut model = Model::default();
    (model.scope.range_settle_s, model.scope.arming_s) = (0.5, 2e-3);
    model.scope.readout_s_per_point = 1e-6;
    let mut lab = Lab::new(model);
    lab.scope.set("SWE:POIN 1000;:TRIG:SOUR IMM").await;
    let mut took = async |message: &str| {
        let begin = Instant::now();
        assert_eq!(lab.scope.ask(message).await, "1");
        begin.elapsed()
    };
    // Arming, 1000 points of 125 ps, and their transfer at 1 us each.
    let plain = Duration::from_micros(3_000);
    let near = |got: Duration, want: Duration| got.abs_diff(want) < Duration::from_millis(2);
    let (same, changed) =
        (took("VOLT:RANG 1;:INIT;*OPC?").await, took("VOLT:RANG 0.5;:INIT;*OPC?").await);
    assert!(near(same, plain), "{same:?}");
    assert!(near(changed, plain + Duration::from_millis(500)), "{changed:?}");
    assert!(near(took("INIT;*OPC?").await, plain));
}

#[tokio::test(start_paused = true)]
async fn the_trigger_jitters_as_it_should() {
    // Two tones 800 MHz apart: the carrier's random phase cancels, the delay does not.
    let (low_hz, high_hz) = (-400e6, 400e6);
    let tones =
        Tones(vec![(low_hz, Complex64::new(0.4, 0.0)), (high_hz, Complex64::new(0.4, 0.0))]);
    let mut model = clean();
    model.scope.trigger_jitter_s = 8e-12;
    let mut lab = lab_at(model, &tones, PASS, SOURCE_HZ).await;
    let mut squares = 0.0;
    for _ in 0..100 {
        let samples = samples_at(&mut lab).await;
        let turn = line(&samples, high_hz) * line(&samples, low_hz).conj();
        let nominal =
            Complex64::cis(-std::f64::consts::TAU * (high_hz - low_hz) * tones::delay_s());
        let late_s = (turn * nominal.conj()).arg() / std::f64::consts::TAU / (high_hz - low_hz);
        squares += late_s * late_s;
    }
    let rms_s = (squares / 100.0).sqrt();
    // 100 values: their rms is known to 7 %, three times that is 21 %.
    assert!((rms_s / 8e-12 - 1.0).abs() < 0.21, "{rms_s}");
}

#[tokio::test(start_paused = true)]
async fn the_truth_counts_noise_and_every_error() {
    let plain = Lab::new(Model::default());
    assert!(plain.bench.truth().link.impairments.is_empty());
    let mut model = Model::default();
    model.tx.phase_noise = Some(PhaseNoiseModel {
        rms_deg: 2.0,
        loop_hz: 1e9,
        band_hz: [0.0, 100e9],
        floor_dbc_per_hz: None,
    });
    model.rx.iq_imbalance.gain_db = 0.5;
    model.rx.output_saturation = Some(SaturationModel { volts: 10.0, smoothness: Some(2.0) });
    model.source = SourceModel { bits: 8, ..SourceModel::default() };
    let mut lab = Lab::new(model);
    let codes = shaped_noise(512);
    lab.play(&codes).await;
    lab.wake().await;
    let truth = lab.bench.truth();
    assert_eq!(truth.source.samples.as_ref().map(|s| s.codes()), Some(codes.as_slice()));
    let found = &truth.link.impairments;
    let kinds: Vec<_> = found.iter().map(|i| i.kind).collect();
    use ImpairmentKind as Kind;
    let expected = [Kind::Transmission, Kind::TxPhaseNoise, Kind::RxImbalance, Kind::RxSaturation];
    assert_eq!(kinds, expected);
    assert_eq!(found[3].error_ratio, None);
    // 2 deg: -29.142 dB; 0.5 dB: 30.820 dB (detection.yaml). 0.6 % of the phase lies beyond 100 GHz.
    check_db("phase noise", db(found[1].error_ratio.expect("closed form")), -29.142, 0.04);
    check_db("imbalance", db(found[2].error_ratio.expect("closed form")), -30.820, 0.001);
    let noise_only = truth.es_n0_db(1.76e9).expect("a signal arrives");
    let errors: f64 = found.iter().filter_map(|i| i.error_ratio).sum();
    let expected = -db(10f64.powf(-noise_only / 10.0) + errors);
    check_db("all", truth.snr_db(1.76e9).expect("a signal arrives"), expected, 1e-9);
    let samples = lab.bench.truth().source.samples.map(|s| s.len());
    assert_eq!(samples, Some(codes.len()));
}

/// The receiver's noise and the signal's power, with everything on at once: what the back door says
/// is what a data-aided analysis finds.
#[tokio::test(start_paused = true)]
async fn the_true_ratio_of_all_errors_together_is_what_a_capture_shows() {
    let tones = Tones::comb(150, 0.9);
    let mut model = clean();
    model.scope.bits = 8;
    model.rx.noise_figure_db = 40.0;
    // One image only: those of two mixers on one carrier add as the carrier's phase has it.
    model.rx.iq_imbalance.phase_deg = 2.0;
    model.tx.compression =
        Some(CompressionModel { smoothness: 2.0, saturation_dbm: 0.0, am_pm: None });
    model.rx.phase_noise = Some(PhaseNoiseModel {
        rms_deg: 1.5,
        loop_hz: 50e6,
        band_hz: [0.0, 60e9],
        floor_dbc_per_hz: None,
    });
    model.scope.aperture_jitter_s = 5e-12;
    let points = 20 * PASS;
    let mut lab = lab_at(model, &tones, points, SOURCE_HZ).await;
    let (_, ratio) = fit(&samples_at(&mut lab).await, &tones.expected(points, SOURCE_HZ));
    let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
    let errors: f64 = truth.link.impairments.iter().filter_map(|i| i.error_ratio).sum();
    assert_eq!(truth.link.impairments.len(), 4);
    let noise = truth.link.receiver_noise_v2_per_hz * NOISE_HZ
        + truth.link.scope_noise_v2_per_hz * SOURCE_HZ;
    check_db("all at once", db(ratio), db(errors + noise / truth.link.signal_v2), 0.3);
    assert!(errors > 1e-4);
}
