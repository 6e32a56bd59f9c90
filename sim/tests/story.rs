//! The demonstration's story on the bench: aligned, rotated, recovered; captured codes against the
//! truth of the back door.

mod common;

use beamwarden_sim::{Model, Truth};
use common::{Lab, beam, power, shaped_noise};

/// DMG single-carrier chip rate, Hz (IEEE Std 802.11-2020, clause 20).
const CHIP_HZ: f64 = 1.76e9;

async fn lab() -> Lab {
    let mut lab = Lab::new(Model::default());
    lab.play(&shaped_noise(4096)).await;
    lab.wake().await;
    lab.aim(40_000).await;
    lab
}

fn es_n0_db(truth: &Truth) -> f64 {
    truth.es_n0_db(CHIP_HZ).expect("a signal arrives")
}

/// The captured power is that of signal, receiver noise in its band, and scope noise.
fn check_power(samples: &[[f64; 2]], truth: &Truth) {
    let link = &truth.link;
    // Two-sided noise bandwidth: the integral of the squared Kaiser response, evaluated apart from the
    // program.
    let band_hz = 3.0324e9;
    let expected = link.signal_v2
        + link.receiver_noise_v2_per_hz * band_hz
        + link.scope_noise_v2_per_hz / truth.scope.interval_s;
    let got = power(samples);
    // Noise: some 12,000 independent values; signal: a record that is not whole passes.
    assert!((got / expected - 1.0).abs() < 0.03, "{got} {expected}");
}

#[tokio::test(start_paused = true)]
async fn aligned_rotated_recovered() {
    let mut lab = lab().await;
    let aligned = lab.acquire().await;
    let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
    let aligned_db = es_n0_db(&truth);
    let peak = aligned.iter().flatten().fold(0.0f64, |peak, x| peak.max(x.abs()));
    check_power(&aligned, &truth);
    assert!((0.5..0.7).contains(&(peak / 0.25)), "{peak} V of the range of 0.25 V");
    assert!((aligned_db - 17.5).abs() < 0.3, "{aligned_db}");

    lab.rotate(21.0).await;
    let rotated = lab.acquire().await;
    let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
    check_power(&rotated, &truth);
    // First sidelobe of 8 half-wave elements, -12.797 dB at 21.07 deg (Balanis, Antenna Theory,
    // eq. (6-15) to (6-17), exact value computed).
    assert!((aligned_db - es_n0_db(&truth) - 12.797).abs() < 0.02);

    lab.steer_rx(&beam(8, 5, -21.0)).await;
    let recovered = lab.acquire().await;
    let truth = lab.bench.truth_at_last_trigger().expect("just acquired");
    check_power(&recovered, &truth);
    assert!(aligned_db - es_n0_db(&truth) < 0.1);
}
