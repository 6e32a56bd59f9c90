//! What the scope shows against the truth: noise, carrier offset, silence, clipping, repetition.

mod common;

use beamwarden_sim::{ArrayModel, Model};
use common::{Lab, power, shaped_noise};

/// A steady tone of one cycle in 704 points: 10 MHz at the story's clock.
fn tone() -> Vec<[i16; 2]> {
    (0..704)
        .map(|n| {
            let turn = std::f64::consts::TAU * f64::from(n) / 704.0;
            [(30_000.0 * turn.cos()).round() as i16, (30_000.0 * turn.sin()).round() as i16]
        })
        .collect()
}

async fn tone_lab(model: Model) -> Lab {
    let mut lab = Lab::new(model);
    lab.play(&tone()).await;
    lab.wake().await;
    lab.aim(20_000).await;
    lab
}

/// Frequency of a noisy tone in Hz: turn over a span of samples, averaged.
fn frequency_hz(samples: &[[f64; 2]], interval_s: f64) -> f64 {
    let span = 32;
    let (mut re, mut im) = (0.0, 0.0);
    for pair in samples.windows(span + 1) {
        let ([a, b], [c, d]) = (pair[0], pair[span]);
        re += c * a + d * b;
        im += d * a - c * b;
    }
    im.atan2(re) / std::f64::consts::TAU / (span as f64 * interval_s)
}

#[tokio::test(start_paused = true)]
async fn the_carrier_offset_turns_a_captured_tone() {
    let mut lab = tone_lab(Model::default()).await;
    let samples = lab.acquire().await;
    let offset = lab.bench.truth().link.carrier_offset_hz;
    // 6.9 ppm of 62.64 GHz.
    assert!((offset - 432_216.0).abs() < 1.0, "{offset}");
    let got = frequency_hz(&samples, 125e-12) - 10e6;
    assert!((got - offset).abs() < 20e3, "{got}");
}

/// Nothing but noise arrives; its power is the truth's.
async fn check_noise_only(lab: &mut Lab, what: &str) {
    lab.scope.set("TRIG:SOUR IMM").await;
    let samples = lab.acquire().await;
    let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
    assert_eq!(truth.link.signal_v2, 0.0, "{what}");
    assert_eq!(truth.es_n0_db(1.76e9), None, "{what}");
    // Two-sided noise bandwidth of the default filter, 1.2 to 2.0 GHz: the integral of the squared
    // Kaiser response, evaluated apart from the program.
    let expected = truth.link.receiver_noise_v2_per_hz * 3.0324e9
        + truth.link.scope_noise_v2_per_hz / truth.scope.interval_s;
    let got = power(&samples);
    // 8,000 independent values of receiver noise: 5 sigma.
    assert!((got / expected - 1.0).abs() < 0.06, "{what}: {got} {expected}");
}

#[tokio::test(start_paused = true)]
async fn without_a_live_link_there_is_noise_only() {
    let mut lab = tone_lab(Model::default()).await;
    let breaks = [
        ("w 0001 0000", "w 0001 0001", "transmitter disabled"),
        ("w 1001 0000", "w 1001 0001", "receiver disabled"),
        ("w 0002 0004", "w 0002 0003", "channels differ"),
    ];
    for (away, back, what) in breaks {
        assert_eq!(lab.dut.ask(away).await, "ok");
        tokio::time::sleep(std::time::Duration::from_millis(2)).await;
        check_noise_only(&mut lab, what).await;
        assert_eq!(lab.dut.ask(back).await, "ok");
    }
    lab.source.set("OUTP OFF").await;
    check_noise_only(&mut lab, "source off").await;
    lab.source.set("OUTP ON").await;
    lab.supply.set("OUTP OFF;*WAI").await;
    check_noise_only(&mut lab, "no power").await;
}

#[tokio::test(start_paused = true)]
async fn a_chip_that_just_changed_channel_is_not_locked() {
    let mut lab = tone_lab(Model::default()).await;
    assert!(lab.bench.truth().link.linked);
    assert_eq!(lab.dut.ask("w 0002 0004").await, "ok");
    assert_eq!(lab.dut.ask("w 0002 0003").await, "ok");
    assert!(!lab.bench.truth().link.linked);
    tokio::time::sleep(std::time::Duration::from_millis(1)).await;
    assert!(lab.bench.truth().link.linked);
}

#[tokio::test(start_paused = true)]
async fn gain_codes_and_attenuators_are_in_decibels() {
    let mut lab = tone_lab(Model::default()).await;
    let level_db = |lab: &Lab| 10.0 * lab.bench.truth().link.signal_v2.log10();
    let before = level_db(&lab);
    assert_eq!(lab.dut.ask("w 0003 0011").await, "ok");
    assert!((level_db(&lab) - before + 3.0).abs() < 1e-9);
    assert_eq!(lab.dut.ask("w 1003 0016").await, "ok");
    assert!((level_db(&lab) - before + 1.0).abs() < 1e-9);
    for n in 0..8 {
        assert_eq!(lab.dut.ask(&format!("w 110{n} 8400")).await, "ok");
    }
    assert!((level_db(&lab) - before + 3.0).abs() < 1e-9);
    lab.source.set("VOLT 0.2").await;
    assert!((level_db(&lab) - before + 3.0 + 20.0 * 2f64.log10()).abs() < 1e-9);
}

#[tokio::test(start_paused = true)]
async fn too_small_a_range_clips() {
    let mut lab = tone_lab(Model::default()).await;
    lab.scope.set("VOLT:RANG 0.02").await;
    assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
    let codes = lab.scope.codes("CH1").await;
    assert_eq!((codes.iter().min(), codes.iter().max()), (Some(&-512), Some(&511)));
    let stuck = codes.iter().filter(|c| **c == 511 || **c == -512).count();
    assert!(stuck > codes.len() / 2, "{stuck}");
}

#[tokio::test(start_paused = true)]
async fn external_trigger_repeats_immediate_does_not() {
    let mut model = Model::default();
    // No noise to speak of, no offset: what is left is where the record begins.
    (model.rx.noise_figure_db, model.path.extra_loss_db) = (0.0, -40.0);
    (model.tx.reference_ppm, model.rx.reference_ppm) = (0.0, 0.0);
    (model.scope.noise_of_range, model.rx.gain_db) = (0.0, 15.0);
    let mut lab = Lab::new(model);
    lab.play(&shaped_noise(256)).await;
    lab.wake().await;
    lab.aim(2_000).await;
    let alike = |a: &[[f64; 2]], b: &[[f64; 2]]| {
        let dot =
            |f: fn([f64; 2], [f64; 2]) -> f64| a.iter().zip(b).map(|(x, y)| f(*x, *y)).sum::<f64>();
        let (re, im) =
            (dot(|x, y| x[0] * y[0] + x[1] * y[1]), dot(|x, y| x[1] * y[0] - x[0] * y[1]));
        (re * re + im * im).sqrt() / (power(a) * power(b)).sqrt() / a.len() as f64
    };
    let (first, second) = (lab.acquire().await, lab.acquire().await);
    assert!(alike(&first, &second) > 0.99, "{}", alike(&first, &second));
    lab.scope.set("TRIG:SOUR IMM").await;
    let free = lab.acquire().await;
    assert!(alike(&first, &free) < 0.5, "{}", alike(&first, &free));
}

/// Codes of both channels of two acquisitions, and a few readings.
async fn session(seed: u64) -> (Vec<Vec<i16>>, String) {
    let model = Model {
        seed,
        tx: beamwarden_sim::TransmitterModel {
            array: ArrayModel { phase_error_rms_deg: 5.0, ..ArrayModel::default() },
            ..Default::default()
        },
        ..Model::default()
    };
    let mut lab = Lab::new(model);
    lab.play(&shaped_noise(512)).await;
    lab.wake().await;
    lab.aim(3_000).await;
    let mut codes = Vec::new();
    for source in ["EXT", "IMM"] {
        lab.scope.set(&format!("TRIG:SOUR {source}")).await;
        assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
        codes.push(lab.scope.codes("CH1").await);
        codes.push(lab.scope.codes("CH2").await);
    }
    let readings = lab.supply.ask("MEAS:VOLT?;:MEAS:CURR?;:MEAS:CURR?").await;
    (codes, readings)
}

#[tokio::test(start_paused = true)]
async fn same_seed_and_commands_same_bytes() {
    let first = session(1).await;
    assert_eq!(first, session(1).await);
    let other = session(2).await;
    assert!(first.0 != other.0 && first.1 != other.1);
}

#[tokio::test(start_paused = true)]
async fn a_large_record_is_computed_beside_the_connection() {
    let mut lab = tone_lab(Model::default()).await;
    lab.scope.set("SWE:POIN 300000").await;
    assert_eq!(lab.acquire().await.len(), 300_000);
    // The unit that waits for the samples is found again from the path at which it was met, with
    // a header of two nodes and behind another unit of its message.
    assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
    assert_eq!(lab.scope.block("TRACe:DATA? CH1").await.len(), 600_000);
    assert_eq!(lab.scope.ask("INIT;*OPC?").await, "1");
    assert_eq!(lab.scope.block("FORM:DATA INT,16;:TRAC:DATA? CH2").await.len(), 600_000);
}
