//! One impairment of known size at a time, and all together.

use num_complex::Complex64;

use super::super::super::link_testing::table;
use super::*;
use crate::phy::link_testing::mmse_bound_db;

#[test]
fn carrier_offset_is_found_up_to_80_ppm_of_69_ghz() {
    let frame = uncoded(Constellation::Qpsk, 64);
    for cfo_hz in [-5.52e6, -1.7e6, -40e3, 0.0, 911.0, 3.3e6, 5.52e6] {
        let link = Link { cfo_hz, es_n0_db: Some(15.0), ..Link::default() };
        let figures = run(&link, &frame).figures;
        let error = have(figures.cfo_hz) - cfo_hz;
        println!("offset {cfo_hz} Hz: error {error:.1} Hz, EVM {:.2} dB", have(figures.evm_db));
        // 10 times the bound for 36000 symbols at 15 dB (Rife and Boorstyn 1974, from memory).
        let bound = (6.0 / (ratio(15.0) * 36_000_f64.powi(3))).sqrt() / std::f64::consts::TAU;
        assert!(error.abs() < 10.0 * bound * 1.76e9, "{cfo_hz}: {error}");
        assert!((have(figures.evm_db) + 15.0).abs() < 0.15);
        assert_eq!(figures.bit_errors, Some(0));
    }
}

#[test]
fn clock_offset_is_found_and_corrected() {
    let frame = uncoded(Constellation::Qam16, 128);
    for clock_ppm in [-80.0, -20.0, 0.5, 40.0, 80.0] {
        let link = Link { clock_ppm, es_n0_db: Some(25.0), ..Link::default() };
        let figures = run(&link, &frame).figures;
        let found = have(figures.clock_offset_ppm);
        println!("clock {clock_ppm} ppm: {found:.3} ppm, EVM {:.2} dB", have(figures.evm_db));
        assert!((found - clock_ppm).abs() < 0.1, "{clock_ppm}: {found}");
        assert!((have(figures.evm_db) + 25.0).abs() < 0.1, "{clock_ppm}: {:?}", figures.evm_db);
    }
}

#[test]
fn any_sample_rate_will_do() {
    let frame = uncoded(Constellation::Qam16, 24);
    // A rate with less than 1.25 samples a chip cuts the pulse's band edges off.
    let rates = [8e9, 7.04e9, 5.28e9, 3.3333e9, 2.64e9, 2.2e9, 40e9, 1.2 * 1.76e9];
    for sample_rate_hz in rates {
        let link = Link { sample_rate_hz, es_n0_db: Some(30.0), ..Link::default() };
        let figures = run(&link, &frame).figures;
        let evm = have(figures.evm_db);
        println!("{sample_rate_hz:e} Hz: EVM {evm:.2} dB");
        assert!((evm + 30.0).abs() < 0.3, "{sample_rate_hz}: {evm}");
        assert_eq!(figures.bit_errors, Some(0));
    }
}

#[test]
fn other_chip_rates_and_roll_offs_will_do() {
    let frame = uncoded(Constellation::Qpsk, 16);
    for (chip_rate_hz, rolloff) in [(1e6, 0.5), (250e6, 0.1), (1.76e9, 0.05), (2.2e9, 0.35)] {
        let sample_rate_hz = 3.1 * chip_rate_hz;
        let link =
            Link { chip_rate_hz, sample_rate_hz, rolloff, es_n0_db: Some(25.0), ..Link::default() };
        let config = AnalysisConfig { chip_rate_hz, rolloff, ..AnalysisConfig::default() };
        let samples = link.receive(&frame.chips);
        let evm = have(run_on(&samples, &link, &frame, &config).figures.evm_db);
        println!("roll-off {rolloff}: EVM {evm:.2} dB");
        assert!((evm + 25.0).abs() < 0.3, "roll-off {rolloff}: {evm}");
    }
}

/// The imbalances of the published table (Schenk ch. 5) are found and taken off.
#[test]
fn imbalance_of_the_channels_is_found_and_corrected() {
    let frame = uncoded(Constellation::Qam16, 40);
    let rows = table(include_str!("../../../../tests/reference/phy_rf/iq_imbalance.csv"));
    for (n, row) in rows.iter().enumerate().step_by(4) {
        let link = Link {
            iq_gain_db: row[0],
            iq_phase_deg: row[1],
            cfo_hz: [0.0, 2e3, 1.1e6][n % 3],
            rays: vec![(0.0, Complex64::from_polar(1.0, n as f64))],
            es_n0_db: Some(30.0),
            ..Link::default()
        };
        let figures = run(&link, &frame).figures;
        let gain_error = have(figures.iq_gain_db) - row[0];
        let phase_error = have(figures.iq_phase_deg) - row[1];
        // 17900 symbols at 30 dB: the image ratio is known to 2e-4, with its self-noise 1e-3.
        assert!(gain_error.abs() < 0.03, "{row:?}: {gain_error} dB");
        assert!(phase_error.abs() < 0.15, "{row:?}: {phase_error} deg");
        assert!(have(figures.evm_db) < -29.6, "{row:?}: EVM {:?}", figures.evm_db);
    }
}

#[test]
fn offset_of_both_channels_is_found_and_taken_off() {
    let frame = uncoded(Constellation::Qam16, 32);
    let dc = Complex64::new(0.3, -0.12);
    for cfo_hz in [0.0, 700e3] {
        let link = Link { dc, cfo_hz, gain: 0.5, es_n0_db: Some(30.0), ..Link::default() };
        let figures = run(&link, &frame).figures;
        let error = Complex64::new(have(figures.dc_i), have(figures.dc_q)) - dc;
        assert!(error.norm() < 2e-3, "{error}");
        assert!(have(figures.evm_db) < -29.7, "{:?}", figures.evm_db);
    }
}

#[test]
fn level_is_measured() {
    let frame = uncoded(Constellation::Qpsk, 16);
    let link = Link { gain: 0.01, es_n0_db: Some(10.0), ..Link::default() };
    let samples = link.receive(&frame.chips);
    let recording =
        Recording { samples: &samples, sample_rate_hz: 8e9, full_scale: Some(0.1), step: None };
    let config = AnalysisConfig::default();
    let figures = analyse(&recording, &Expected::frame(&frame), &config).expect("sound").figures;
    assert!((have(figures.power_db) + 40.0).abs() < 0.15, "{:?}", figures.power_db);
    assert!((have(figures.power_dbfs) + 20.0).abs() < 0.15, "{:?}", figures.power_dbfs);
    assert_eq!(figures.clipped_fraction, Some(0.0));
}

/// Two taps against the unbiased MMSE bound for blocks of 512 (Proakis and Salehi ch. 9).
#[test]
fn two_taps_are_equalised_to_the_bound() {
    let frame = uncoded(Constellation::Qpsk, 96);
    for row in table(include_str!("../../../../tests/reference/phy_rf/mmse_block.csv")) {
        let (a, es_n0_db, bound_db) = (row[0], row[1], row[2]);
        let rays = vec![(0.0, Complex64::new(1.0, 0.0)), (1.0, Complex64::new(a, 0.0))];
        let link = Link { rays, es_n0_db: Some(es_n0_db), cfo_hz: 3e5, ..Link::default() };
        let snr = have(run(&link, &frame).figures.snr_from_evm_db);
        println!("a = {a}, {es_n0_db} dB: {snr:.3} dB, bound {bound_db:.3} dB");
        // The band edges of the pulse give two looks at half the frequencies, which may gain a
        // little on the bound for a chip-rate receiver.
        assert!((bound_db - snr) < 0.3 && (bound_db - snr) > -0.7, "{a} {es_n0_db}: {snr}");
    }
}

/// Channels of two, three and thirty rays: the last ones with falling power over 30 ns, 52.8 chips.
pub(super) fn channels() -> Vec<(&'static str, Vec<(f64, Complex64)>)> {
    let one = (0.0, Complex64::new(1.0, 0.0));
    let two = vec![one, (1.0, Complex64::new(0.5, 0.0))];
    let three = vec![
        one,
        (1.37, Complex64::from_polar(0.6, 2.0)),
        (22.6, Complex64::from_polar(0.4, -1.0)),
    ];
    let mut source = super::super::super::link_testing::Noise::new(8);
    let thirty = (0..30)
        .map(|n| {
            let z = source.complex((-f64::from(n) / 10.0).exp() / 10.0);
            (52.8 / 29.0 * f64::from(n), Complex64::new(f64::from(z.re), f64::from(z.im)))
        })
        .collect();
    vec![("two", two), ("three", three), ("thirty", thirty)]
}

#[test]
fn the_bound_used_here_agrees_with_the_published_one() {
    for row in table(include_str!("../../../../tests/reference/phy_rf/mmse_block.csv")) {
        let rays = [(0.0, Complex64::new(1.0, 0.0)), (1.0, Complex64::new(row[0], 0.0))];
        // The smallest roll-off comes nearest to the chip-rate receiver of the closed form.
        let bound = mmse_bound_db(&rays, 1e-3, row[1]);
        assert!((bound - row[2]).abs() < 0.02, "{row:?}: {bound}");
    }
}

#[test]
fn many_rays_at_any_delay_are_equalised_to_the_bound() {
    let frame = uncoded(Constellation::Qpsk, 40);
    // An early ray before the strongest one.
    let early = vec![(0.0, Complex64::new(0.0, 0.5)), (30.5, Complex64::new(1.0, 0.0))];
    for (name, rays) in channels().into_iter().chain([("early", early)]) {
        let base = Link { rays: rays.clone(), ..Link::default() };
        let signal = base.transmit(&frame.chips, &[base.delay_chips]);
        for es_n0_db in [10.0, 20.0] {
            let bound = mmse_bound_db(&rays, 0.25, es_n0_db);
            let link = Link { es_n0_db: Some(es_n0_db), ..base.clone() };
            let samples = link.impair(&signal);
            let figures = run_on(&samples, &link, &frame, &AnalysisConfig::default()).figures;
            let snr = have(figures.snr_from_evm_db);
            println!("{name} at {es_n0_db} dB: {snr:.3} dB, bound {bound:.3} dB");
            assert!((bound - snr).abs() < 1.0, "{name} at {es_n0_db} dB: {snr}, bound {bound}");
            let energy: f64 = rays.iter().map(|ray| ray.1.norm_sqr()).sum();
            assert!((have(figures.snr_db) - es_n0_db - db(energy)).abs() < 1.0, "{name}");
        }
    }
}

/// The delay of one channel against the other, at no and at a large carrier offset.
#[test]
fn skew_of_the_channels_is_found_and_corrected() {
    let frame = uncoded(Constellation::Qam16, 64);
    for (skew_chips, cfo_hz) in [(0.05, 0.0), (-0.03, 5.5e6), (0.2, -2e6)] {
        let link = Link { skew_chips, cfo_hz, es_n0_db: Some(35.0), ..Link::default() };
        let samples = link.receive(&frame.chips);
        let figures = run_on(&samples, &link, &frame, &AnalysisConfig::default()).figures;
        let found = have(figures.iq_skew_s) * link.chip_rate_hz;
        println!("skew {skew_chips}: {found:.4} chips, EVM {:.2} dB", have(figures.evm_db));
        assert!((found - skew_chips).abs() < 2e-3, "{skew_chips}: {found}");
        assert!((have(figures.evm_db) + 35.0).abs() < 0.4, "{:?}", figures.evm_db);
        let config = AnalysisConfig { correct_skew: false, ..AnalysisConfig::default() };
        let without = run_on(&samples, &link, &frame, &config).figures;
        // The image of a skew t at frequency f stands pi f t below the signal (rms over the
        // band, on which it depends somewhat how the receiver weighs it).
        let image_db = 20.0 * (std::f64::consts::PI * 0.29 * skew_chips.abs()).log10();
        let expected = db(ratio(-35.0) + ratio(image_db));
        assert!((have(without.evm_db) - expected).abs() < 2.0, "{:?} {expected}", without.evm_db);
        assert_eq!(without.iq_skew_s, None);
    }
}

#[test]
fn phase_noise_is_followed() {
    let frame = uncoded(Constellation::Qam16, 64);
    // A walk of 0.002 rad a chip strays by 0.045 rad rms within a block.
    let link = Link { phase_walk_rad: 0.002, es_n0_db: Some(30.0), ..Link::default() };
    let samples = link.receive(&frame.chips);
    let tracked = run_on(&samples, &link, &frame, &AnalysisConfig::default()).figures;
    let config = AnalysisConfig { track_phase: false, ..AnalysisConfig::default() };
    let untracked = run_on(&samples, &link, &frame, &config).figures;
    let (with, without) = (have(tracked.evm_db), have(untracked.evm_db));
    println!("phase walk: EVM {with:.2} dB tracked, {without:.2} dB not");
    assert!(with < -27.0 && without > with + 6.0, "{with} {without}");
}

#[test]
fn every_correction_can_be_switched_off_and_is_missed() {
    let frame = uncoded(Constellation::Qpsk, 64);
    let base = AnalysisConfig::default();
    let clean = Link { es_n0_db: Some(30.0), ..Link::default() };
    let echo = vec![(0.0, Complex64::new(1.0, 0.0)), (3.0, Complex64::new(0.0, 0.4))];
    let cases = [
        (
            Link { dc: Complex64::new(0.2, 0.0), ..clean.clone() },
            AnalysisConfig { remove_dc: false, ..base.clone() },
        ),
        (
            Link { iq_gain_db: 1.5, ..clean.clone() },
            AnalysisConfig { correct_iq: false, ..base.clone() },
        ),
        (
            Link { cfo_hz: 120e3, ..clean.clone() },
            AnalysisConfig { correct_carrier: false, ..base.clone() },
        ),
        (
            Link { clock_ppm: 40.0, ..clean.clone() },
            AnalysisConfig { correct_clock: false, ..base.clone() },
        ),
        (
            Link { rays: echo, ..clean.clone() },
            AnalysisConfig { equaliser: EqualiserKind::Flat, ..base.clone() },
        ),
    ];
    for (n, (link, without)) in cases.iter().enumerate() {
        let samples = link.receive(&frame.chips);
        let corrected = have(run_on(&samples, link, &frame, &base).figures.evm_db);
        let left = have(run_on(&samples, link, &frame, without).figures.evm_db);
        println!("case {n}: EVM {corrected:.2} dB corrected, {left:.2} dB not");
        assert!(corrected < -25.5 && left > corrected + 4.0, "case {n}: {corrected}, {left}");
    }
}

/// Without correction a large carrier offset spoils the data, not the finding: the frame is there, its
/// header and the link are read, and the figures say what is wrong with it.
#[test]
fn a_frame_is_found_without_carrier_correction() {
    let config = AnalysisConfig { correct_carrier: false, ..AnalysisConfig::default() };
    let coded = build(&FrameSpec::parse("mcs 9").expect("known")).expect("a sound frame");
    let kind = FrameKind::Uncoded { constellation: Constellation::Qpsk, blocks: 40, guards: false };
    let payload = Payload::Prbs { order: PrbsOrder::Order15, seed: 77, octets: 0 };
    let unguarded = build(&FrameSpec { kind, payload }).expect("a sound frame");
    for frame in [coded, uncoded(Constellation::Qpsk, 40), unguarded] {
        for cfo_hz in [5.5e6, -2.2e6, 900e3, 0.0] {
            let link = Link { cfo_hz, es_n0_db: Some(20.0), ..Link::default() };
            let samples = link.receive(&frame.chips);
            let analysis = run_on(&samples, &link, &frame, &config);
            let figures = analysis.figures;
            println!("{cfo_hz} Hz: EVM {:?} dB, BER {:?}", figures.evm_db, figures.ber);
            assert_eq!((analysis.outcome, figures.frames_found), (Outcome::Received, 1));
            assert!((have(figures.cfo_hz) - cfo_hz).abs() < 5e3, "{cfo_hz}: {:?}", figures.cfo_hz);
            assert!((have(figures.snr_db) - 20.0).abs() < 1.0, "{cfo_hz}: {:?}", figures.snr_db);
            assert_eq!(figures.header_ok, frame.layout.header.then_some(true), "{cfo_hz}");
            let lost = figures.bit_errors != Some(0) || have(figures.evm_db) > -10.0;
            assert_eq!(lost, cfo_hz != 0.0, "{cfo_hz}: {:?}", figures.evm_db);
        }
    }
}

#[test]
fn a_flat_channel_needs_no_more_than_the_flat_equaliser() {
    let frame = uncoded(Constellation::Qam16, 64);
    for equaliser in [EqualiserKind::Flat, EqualiserKind::ZeroForcing, EqualiserKind::Mmse] {
        for delay_chips in [250.0, 250.25, 250.5, 250.75] {
            let link = Link { delay_chips, es_n0_db: Some(25.0), ..Link::default() };
            let samples = link.receive(&frame.chips);
            let config = AnalysisConfig { equaliser, ..AnalysisConfig::default() };
            let evm = have(run_on(&samples, &link, &frame, &config).figures.evm_db);
            assert!((evm + 25.0).abs() < 0.12, "{equaliser:?} at {delay_chips}: {evm}");
        }
    }
}

/// The shortest frames have but one data block to show the clock by.
#[test]
fn clock_of_the_shortest_frames_is_followed() {
    for name in ["mcs 12", "mcs 12.6", "mcs 4"] {
        for clock_ppm in [-80.0, 80.0] {
            let FrameSpec { kind, .. } = FrameSpec::parse(name).expect("known");
            let payload = Payload::Octets(vec![0x5A; 60]);
            let frame = build(&FrameSpec { kind, payload }).expect("a sound frame");
            let link = Link { clock_ppm, es_n0_db: Some(35.0), ..Link::default() };
            let figures = run(&link, &frame).figures;
            println!("{name} {clock_ppm} ppm: {:?}", figures.evm_db);
            assert_eq!(figures.bit_errors, Some(0), "{name} {clock_ppm}");
            assert!((have(figures.clock_offset_ppm) - clock_ppm).abs() < 8.0, "{name}");
            assert!(have(figures.evm_db) < -27.0, "{name}: {:?}", figures.evm_db);
        }
    }
}

/// Each correction is missed without guards, too.
#[test]
fn corrections_can_be_switched_off_without_guards() {
    let payload = Payload::Prbs { order: PrbsOrder::Order15, seed: 77, octets: 0 };
    let kind =
        FrameKind::Uncoded { constellation: Constellation::Qam16, blocks: 40, guards: false };
    let frame = build(&FrameSpec { kind, payload }).expect("a sound frame");
    let link =
        Link { es_n0_db: Some(30.0), clock_ppm: 40.0, phase_walk_rad: 3e-3, ..Link::default() };
    let samples = link.receive(&frame.chips);
    let evm =
        |config: &AnalysisConfig| have(run_on(&samples, &link, &frame, config).figures.evm_db);
    let all = AnalysisConfig::default();
    let with = evm(&all);
    for without in [
        AnalysisConfig { correct_clock: false, ..all.clone() },
        AnalysisConfig { track_phase: false, ..all.clone() },
    ] {
        assert!(evm(&without) > with + 3.0, "{without:?}: {} {with}", evm(&without));
    }
}

/// A single path has no delay spread wherever the sampling instants fall; of echoes at 5 and 17.5 chips it
/// is the second central moment of the paths' power.
#[test]
fn delay_spread_is_that_of_the_paths() {
    let frame = uncoded(Constellation::Qpsk, 4);
    let spread = |delay_chips: f64, rays: &[(f64, f64)]| {
        let rays = rays.iter().map(|(at, gain)| (*at, Complex64::new(0.0, *gain))).collect();
        let link = Link { delay_chips, rays, es_n0_db: Some(28.0), ..Link::default() };
        have(run(&link, &frame).figures.delay_spread_s) * 1.76e9
    };
    for n in 0..8 {
        let delay = 300.0 + f64::from(n) / 8.0;
        let single = spread(delay, &[(0.0, 1.0)]);
        assert!(single < 0.02, "{delay}: {single}");
        let found = spread(delay, &[(0.0, 1.0), (5.0, 0.5), (17.5, 0.3)]);
        // Powers 1, 0.25, 0.09: mean 2.825/1.34 chips, mean square 33.8125/1.34.
        let closed = (33.8125 / 1.34 - (2.825_f64 / 1.34).powi(2)).sqrt();
        println!("{delay}: {single:.4} {found:.3} of {closed:.3}");
        assert!((found / closed - 1.0).abs() < 0.03, "{delay}: {found} {closed}");
    }
}
