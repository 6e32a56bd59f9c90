//! What practitioners expect of a small array (common practice, no source): turned from the peak to
//! the first sidelobe, a uniform array of 4 elements loses about 11 dB, and a QPSK link that had 17 dB
//! and no errors in a capture then shows raw bit errors of a few per cent.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use common::{expect_status, root, run, write};
use serde_json::Value as Json;

/// The first sidelobe of 4 elements at half-wave spacing: its level, and where it is (array factor of
/// C. A. Balanis, Antenna Theory, 4th ed., section 6.3; psi of the peak 2.30052398302 rad, so
/// u = psi/pi; sim/tests/reference/array.yaml).
const SIDELOBE_DB: f64 = -11.303;
const SIDELOBE_DEG: f64 = 47.08;

/// 17 dB at the peak with the shipped bench's figures but for the number of elements.
const MODEL: &str = "
path: {extra_loss_db: -1.4}
tx: {array: {elements: 4}}
rx: {array: {elements: 4}}
";

fn sequence() -> String {
    format!(
        "
sequence: rule-of-thumb
prepare:
  - set: {{supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}}
  - set: {{dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.gain: 31, dut.rx.gain: 16}}
  - set: {{dut.tx.enable: on, dut.rx.enable: on}}
  - wait: 1 ms
  - set: {{source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}}
  - set: {{scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}}
  - set: {{frame: qpsk uncoded, source.output: on}}
steps:
  - measure: {{as: peak}}
    expect: {{bit errors: at most 0}}
  - set: {{turntable.angle: {SIDELOBE_DEG} deg}}
  - measure: {{as: first sidelobe}}
"
    )
}

/// Raw bit error rate of Gray-coded QPSK at Es/N0 (J. G. Proakis, Digital Communications, section 4.3,
/// from memory): `Q(sqrt(Es/N0))`.
fn qpsk_ber(es_n0_db: f64) -> f64 {
    0.5 * libm::erfc((10f64.powf(es_n0_db / 10.0) / 2.0).sqrt())
}

#[test]
fn four_elements_lose_eleven_decibels_and_a_few_per_cent_of_the_bits() {
    let folder = tempfile::tempdir().unwrap();
    let benches = root().join("tests/external/benches");
    let read = |name: &str| std::fs::read_to_string(benches.join(name)).unwrap();
    write(folder.path(), "four-element.registers.yaml", &read("four-element.registers.yaml"));
    write(folder.path(), "four-element.model.yaml", MODEL);
    let bench = write(folder.path(), "bench.yaml", &read("four-element.bench.yaml"));
    let sequence = write(folder.path(), "sequence.yaml", &sequence());
    let runs = folder.path().join("runs").display().to_string();
    let output = run(&["run", &sequence, "--bench", &bench, "--runs", &runs, "--json"]);
    let summary: Json = serde_json::from_str(&expect_status(&output, 0)).unwrap();
    let figure =
        |at: usize, name: &str| summary["measurements"][at]["figures"][name].as_f64().unwrap();

    let (peak_db, sidelobe_db) = (figure(0, "snr_db"), figure(1, "snr_db"));
    println!(
        "peak {peak_db:.2} dB, sidelobe {sidelobe_db:.2} dB, BER {}",
        figure(1, "raw_bit_errors") / figure(1, "raw_bits")
    );
    assert!((peak_db - 17.0).abs() < 0.3, "{peak_db}");
    // The SNR of one preamble is known to some 0.1 dB; the scope's own noise does not fall with the
    // signal's, which is 0.02 dB.
    assert!((sidelobe_db - peak_db - SIDELOBE_DB).abs() < 0.3, "{sidelobe_db} {peak_db}");
    assert_eq!(figure(0, "raw_bit_errors"), 0.0);
    let ber = figure(1, "raw_bit_errors") / figure(1, "raw_bits");
    assert!((0.01..0.05).contains(&ber), "{ber}");
    // Of some 3000 errors the standard deviation is 2 %; 0.3 dB are another 20 %.
    let expected = qpsk_ber(17.0 + SIDELOBE_DB);
    assert!((ber / expected - 1.0).abs() < 0.3, "{ber} {expected}");
}
