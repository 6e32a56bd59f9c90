//! Frames without guards, through the time-domain equaliser.

use num_complex::Complex64;

use super::impairments::channels;
use super::*;
use crate::phy::link_testing::mmse_bound_db;

fn frame(constellation: Constellation, blocks: usize) -> Frame {
    let payload = Payload::Prbs { order: PrbsOrder::Order15, seed: 77, octets: 0 };
    let kind = FrameKind::Uncoded { constellation, blocks, guards: false };
    build(&FrameSpec { kind, payload }).expect("a sound frame")
}

/// Every constellation with every impairment at once.
#[test]
fn everything_wrong_at_once_is_undone() {
    for (n, constellation) in Constellation::ALL.into_iter().enumerate() {
        let frame = frame(constellation, 100);
        for clock_ppm in [-80.0, 80.0] {
            let link = Link {
                es_n0_db: Some(30.0),
                cfo_hz: 5.4e6 - 3e6 * n as f64,
                clock_ppm,
                iq_gain_db: 0.4,
                iq_phase_deg: -2.0,
                skew_chips: 0.02,
                dc: Complex64::new(0.1, -0.05),
                seed: n as u64 + 1,
                ..Link::default()
            };
            let figures = run(&link, &frame).figures;
            println!("{constellation} {clock_ppm} ppm: {:?} dB", figures.evm_db);
            assert_eq!(figures.bit_errors, Some(0), "{constellation} {clock_ppm}");
            assert!((have(figures.evm_db) + 30.0).abs() < 0.35, "{:?}", figures.evm_db);
            assert!((have(figures.clock_offset_ppm) - clock_ppm).abs() < 0.5);
            assert!((have(figures.cfo_hz) - link.cfo_hz).abs() < 200.0, "{:?}", figures.cfo_hz);
            assert!((have(figures.iq_gain_db) - 0.4).abs() < 0.05);
        }
    }
}

/// Published bound for two taps (Proakis and Salehi ch. 9), the same by integration for others: 30
/// rays over 30 ns are 52.8 chips.
#[test]
fn channels_are_equalised_to_the_bound() {
    let frame = frame(Constellation::Qpsk, 60);
    for (name, rays) in channels() {
        for es_n0_db in [10.0, 20.0] {
            let link = Link { rays: rays.clone(), es_n0_db: Some(es_n0_db), ..Link::default() };
            let snr = have(run(&link, &frame).figures.snr_from_evm_db);
            let bound = mmse_bound_db(&rays, 0.25, es_n0_db);
            println!("{name} at {es_n0_db} dB: {snr:.2} dB, bound {bound:.2} dB");
            assert!((bound - snr).abs() < 1.0, "{name} at {es_n0_db} dB: {snr}, bound {bound}");
        }
    }
}

/// Other symbol rates, roll-offs and sample rates.
#[test]
fn any_rate_will_do() {
    for (chip_rate_hz, sample_rate_hz, rolloff) in
        [(880e6, 3.2e9, 0.25), (1.3e9, 2.0e9, 0.35), (440e6, 8e9, 0.5)]
    {
        let frame = frame(Constellation::Qam16, 30);
        let link =
            Link { chip_rate_hz, sample_rate_hz, rolloff, es_n0_db: Some(25.0), ..Link::default() };
        let config = AnalysisConfig { chip_rate_hz, rolloff, ..AnalysisConfig::default() };
        let samples = link.receive(&frame.chips);
        let figures = run_on(&samples, &link, &frame, &config).figures;
        assert_eq!(figures.bit_errors, Some(0), "{chip_rate_hz}");
        assert!((have(figures.evm_db) + 25.0).abs() < 0.4, "{:?}", figures.evm_db);
    }
}
