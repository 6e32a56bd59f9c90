//! Figures beyond errors and link.

use super::super::super::link_testing::Noise;
use super::super::super::waveform::{ShapeConfig, shape};
use super::*;

/// Decisions hide errors: at 4 dB QPSK shows an EVM of 0.5808 instead of 0.631 (published formula of
/// Mahmoud and Arslan, see `evm_theory`).
#[test]
fn what_decisions_hide_is_said() {
    let frame = uncoded(Constellation::Qpsk, 200);
    let figures = run(&Link { es_n0_db: Some(4.0), ..Link::default() }, &frame).figures;
    let bias = have(figures.evm_by_decision_bias_db);
    assert!((bias + 0.72).abs() < 0.1, "{bias}");
    let undone = have(figures.evm_by_decision_db) - bias;
    assert!((undone - have(figures.evm_data_aided_db)).abs() < 0.15, "{undone}");
    let clean = run(&Link { es_n0_db: Some(25.0), ..Link::default() }, &frame).figures;
    assert!(have(clean.evm_by_decision_bias_db).abs() < 1e-3);
}

/// Three estimators that share neither reference nor field agree.
#[test]
fn signal_to_noise_ratios_agree() {
    for (constellation, es_n0_db) in [(Constellation::Qpsk, 12.0), (Constellation::Qam16, 14.0)] {
        let frame = uncoded(constellation, 128);
        let link = Link { es_n0_db: Some(es_n0_db), ..Link::default() };
        let figures = run(&link, &frame).figures;
        let found = [figures.snr_db, figures.snr_from_evm_db, figures.snr_from_moments_db];
        println!("{constellation} at {es_n0_db} dB: {found:?}, {:?}", figures.evm_gain_fitted_db);
        // The moments of several levels scatter most: 0.4 dB here.
        assert!(found.iter().all(|snr| (have(*snr) - es_n0_db).abs() < 1.0), "{found:?}");
        assert!((have(figures.evm_gain_fitted_db) + es_n0_db).abs() < 0.4);
    }
}

/// A phase that walks by `w` a chip over `n` chips has the variance `w^2 n / 15` around its best
/// straight line on average (Brownian motion without its trend, own integration); one frame scatters
/// around it.
#[test]
fn phase_noise_is_measured_and_not_invented() {
    let frame = uncoded(Constellation::Qam16, 128);
    let quiet = run(&Link { es_n0_db: Some(20.0), ..Link::default() }, &frame).figures;
    assert_eq!(quiet.phase_noise_deg, None);
    for walk in [5e-4, 1e-3, 2e-3] {
        let (mut sum, count) = (0.0, 6);
        for seed in 0..count {
            let link = Link { es_n0_db: Some(30.0), phase_walk_rad: walk, seed, ..Link::default() };
            let samples = link.receive(&frame.chips);
            let figures = run_on(&samples, &link, &frame, &AnalysisConfig::default()).figures;
            sum += have(figures.phase_noise_deg).powi(2) / count as f64;
        }
        let expected = walk * (128.0 * 512.0 / 15.0_f64).sqrt().to_degrees();
        println!("walk {walk}: {:.3} deg, expected {expected:.3}", sum.sqrt());
        // The variance of one frame scatters by about 70 %, of six by 30 %.
        assert!((sum.sqrt() / expected - 1.0).abs() < 0.4, "{} {expected}", sum.sqrt());
    }
}

/// One capture after the other, as one recording.
fn analyse_all(captures: &[Vec<Complex32>], expected: &Expected<'_>) -> Analysis {
    let samples = captures.concat();
    let recording =
        Recording { samples: &samples, sample_rate_hz: 8e9, full_scale: None, step: None };
    analyse(&recording, expected, &AnalysisConfig::default()).expect("sound input")
}

/// Whichever frame comes first, the figures are those of all: mean noise, mean square of the phase.
#[test]
fn every_frame_counts() {
    let frame = uncoded(Constellation::Qpsk, 160);
    let good = Link { es_n0_db: Some(28.0), ..Link::default() };
    let bad = Link { es_n0_db: Some(14.0), phase_walk_rad: 1.5e-3, seed: 3, ..Link::default() };
    let alone = run(&bad, &frame).figures;
    let (good, bad) = (good.receive(&frame.chips), bad.receive(&frame.chips));
    for captures in [[good.clone(), bad.clone(), good.clone()], [bad, good.clone(), good]] {
        let figures = analyse_all(&captures, &Expected::frame(&frame)).figures;
        assert_eq!(figures.frames_found, 3);
        let snr = -db((2.0 * ratio(-28.0) + ratio(-14.0)) / 3.0);
        let (moments, fitted) = (figures.snr_from_moments_db, figures.evm_gain_fitted_db);
        let phase = have(figures.phase_noise_deg) / have(alone.phase_noise_deg) * 3_f64.sqrt();
        println!("{snr:.2} dB expected: {moments:?} {fitted:?}, phase {phase:.3}");
        assert!((have(moments) - snr).abs() < 0.4, "{moments:?}");
        // The walk adds what tracking leaves of it.
        assert!((have(fitted) - have(figures.evm_db)).abs() < 0.3, "{fitted:?}");
        // A choice of each frame's blocks instead of all.
        assert!((phase - 1.0).abs() < 0.05, "{phase}");
    }
}

/// Frames of several schemes have one SNR, but no common bias of the decisions.
#[test]
fn frames_of_different_schemes_have_a_common_ratio() {
    let capture = |name: &str| {
        let frame = build(&FrameSpec::parse(name).expect("known")).expect("a sound frame");
        Link { es_n0_db: Some(16.0), ..Link::default() }.receive(&frame.chips)
    };
    let captures = [capture("mcs 12"), capture("mcs 4"), capture("mcs 9")];
    let figures = analyse_all(&captures, &Expected::dmg()).figures;
    assert_eq!((figures.frames_found, figures.header_ok), (3, Some(true)));
    assert_eq!(figures.evm_by_decision_bias_db, None);
    assert!((have(figures.snr_from_moments_db) - 16.0).abs() < 0.6, "{figures:?}");
    assert!((have(figures.evm_gain_fitted_db) + 16.0).abs() < 0.4, "{figures:?}");
}

/// A root-raised-cosine spectrum stays below the transmit mask; the same chips twice as fast for the
/// mask's rate do not.
#[test]
fn spectrum_is_held_against_the_mask() {
    let frame = uncoded(Constellation::Qpsk, 64);
    let link = Link { es_n0_db: Some(40.0), ..Link::default() };
    let samples = link.receive(&frame.chips);
    let analysis = run_on(&samples, &link, &frame, &AnalysisConfig::default());
    let margin = have(analysis.figures.mask_margin_db);
    println!("margin {margin:.2} dB");
    assert!((3.0..7.0).contains(&margin), "{margin}");
    assert!(have(analysis.figures.mask_covered_hz) > 3.06e9);
    assert!(analysis.spectrum.is_some_and(|spectrum| spectrum.points.len() > 100));
    // Clipping spreads the spectrum.
    let clipped: Vec<Complex32> = samples
        .iter()
        .map(|z| Complex32::new(z.re.clamp(-0.4, 0.4), z.im.clamp(-0.4, 0.4)))
        .collect();
    let spread = run_on(&clipped, &link, &frame, &AnalysisConfig::default()).figures;
    assert!(have(spread.mask_margin_db) < margin - 2.0, "{:?}", spread.mask_margin_db);
}

/// MCS 12 carries 4096 octets in 3328 + 1024 + 20 blocks of 512 + 64 chips.
#[test]
fn throughput_counts_what_arrived() {
    let frame = build(&FrameSpec::parse("mcs 12").expect("known")).expect("a sound frame");
    let link = Link { es_n0_db: Some(25.0), ..Link::default() };
    let samples = link.receive(&frame.chips);
    let recording =
        Recording { samples: &samples, sample_rate_hz: 8e9, full_scale: None, step: None };
    let net = 8.0 * 4096.0 / frame.chips.len() as f64 * 1.76e9;
    for expected in [Expected::dmg(), Expected::frame(&frame)] {
        let figures =
            analyse(&recording, &expected, &AnalysisConfig::default()).expect("sound").figures;
        assert!((have(figures.throughput_bps) / net - 1.0).abs() < 1e-9);
        assert_eq!(figures.frames_failed, Some(0));
    }
}

/// Bits that are right by chance were not delivered. Coded, valid codewords count, whether what was sent is
/// known or not; uncoded, `1 - 2 BER` of the bits.
#[test]
fn throughput_does_not_count_what_is_right_by_chance() {
    let frame = build(&FrameSpec::parse("mcs 12").expect("known")).expect("a sound frame");
    for es_n0_db in [7.0, 9.5] {
        let samples = Link { es_n0_db: Some(es_n0_db), ..Link::default() }.receive(&frame.chips);
        let [unknown, known] = [Expected::dmg(), Expected::frame(&frame)]
            .map(|expected| analyse_all(std::slice::from_ref(&samples), &expected).figures);
        let (failed, words) = (known.codewords_failed.expect("coded"), 66.0);
        println!("{es_n0_db} dB: {failed} codewords failed, {:?}", known.throughput_bps);
        assert_eq!(failed == 66, es_n0_db == 7.0, "{failed}");
        assert!(failed > 0 && known.frames_failed == Some(1));
        assert_eq!(unknown.throughput_bps, known.throughput_bps);
        let net = 8.0 * 4096.0 / frame.chips.len() as f64 * 1.76e9;
        let valid = net * (words - failed as f64) / words;
        assert!((have(known.throughput_bps) - valid).abs() < 1e-9 * net, "{es_n0_db}");
    }
    // Another payload: every codeword is valid, half of the bits are right.
    let samples = Link { es_n0_db: Some(25.0), ..Link::default() }.receive(&frame.chips);
    let other: Vec<u8> = frame.psdu.iter().map(|octet| !octet).collect();
    let wrong = analyse_all(std::slice::from_ref(&samples), &Expected::dmg().with_psdu(&other));
    assert_eq!(wrong.figures.throughput_bps, Some(0.0));

    let frame = uncoded(Constellation::Qpsk, 32);
    let figures = run(&Link { es_n0_db: Some(6.0), ..Link::default() }, &frame).figures;
    let bits = 896.0 * 32.0 * (1.0 - 2.0 * have(figures.ber));
    let expected = bits / frame.chips.len() as f64 * 1.76e9;
    assert!((have(figures.throughput_bps) / expected - 1.0).abs() < 1e-9);
    assert!(have(figures.ber) > 0.01);
    let mut inverted = frame.clone();
    inverted.psdu.iter_mut().for_each(|octet| *octet = !*octet);
    assert_eq!(run(&Link::default(), &inverted).figures.throughput_bps, Some(0.0));
}

/// Few symbols of several levels at a high SNR: the moments show how the payload uses the levels. Then
/// nothing is said; where it is, it holds to 2 dB.
#[test]
fn moments_of_few_symbols_are_no_figure() {
    let frame = build(&FrameSpec::parse("mcs 12").expect("known")).expect("a sound frame");
    for es_n0_db in [20.0, 30.0] {
        let figures = run(&Link { es_n0_db: Some(es_n0_db), ..Link::default() }, &frame).figures;
        assert_eq!(figures.snr_from_moments_db, None, "{es_n0_db} dB");
    }
    for es_n0_db in [8.0, 12.0, 16.0] {
        let link = Link { es_n0_db: Some(es_n0_db), ..Link::default() };
        let snr = run(&link, &frame).figures.snr_from_moments_db;
        println!("{es_n0_db} dB: {snr:?}");
        assert!(snr.is_none_or(|snr| (snr - es_n0_db).abs() < 2.0), "{es_n0_db}: {snr:?}");
    }
    let frame = uncoded(Constellation::Qpsk, 20);
    let figures = run(&Link { es_n0_db: Some(20.0), ..Link::default() }, &frame).figures;
    assert!((have(figures.snr_from_moments_db) - 20.0).abs() < 1.0, "{figures:?}");
}

/// The best gain cannot leave more than gain 1 does, however little that is; and what decisions hide of
/// an EVM of -78 dB is nothing.
#[test]
fn a_fitted_gain_leaves_no_more() {
    check_fitted_gain(Constellation::Qpsk, 0.01);
    // The fitted EVM is relative to the rms of the symbols that were sent, the plain one to that of
    // the constellation. Of 7168 symbols of 16-QAM the former has a standard deviation of 0.03 dB.
    check_fitted_gain(Constellation::Qam16, 0.12);
}

fn check_fitted_gain(constellation: Constellation, normalised_otherwise_db: f64) {
    let frame = uncoded(constellation, 16);
    for es_n0_db in [70.0, 78.0, 90.0] {
        let config = ShapeConfig { sample_rate_hz: 8e9, ..ShapeConfig::default() };
        let waveform = shape(&frame.chips, &config).expect("sound");
        let mut noise = Noise::new(5);
        // Es of a unit chip is one, sps samples long.
        let power = f64::from(waveform.samples.iter().map(|z| z.norm_sqr()).sum::<f32>())
            / waveform.samples.len() as f64;
        let variance = power * 8.0 / 1.76 * ratio(-es_n0_db);
        let samples: Vec<Complex32> =
            waveform.samples.iter().map(|z| z + noise.complex(variance)).collect();
        let figures = analyse_all(&[samples], &Expected::frame(&frame)).figures;
        let (plain, fitted) = (have(figures.evm_by_decision_db), have(figures.evm_gain_fitted_db));
        println!("{es_n0_db} dB: {plain} {fitted}, bias {:?}", figures.evm_by_decision_bias_db);
        assert!(fitted <= plain + normalised_otherwise_db, "{es_n0_db}: {fitted} {plain}");
        assert!(figures.evm_by_decision_bias_db.is_none_or(|bias| bias == 0.0));
    }
    let clean = run(&Link { es_n0_db: Some(40.0), ..Link::default() }, &frame).figures;
    assert_eq!(clean.evm_by_decision_bias_db, Some(0.0));
}

/// What the amplifier does while it ramps down, over the last 100 symbols of the frame, is not counted
/// (IEEE 802.11ad-2012 clause 21.6.4.1.1, from memory): with guards 64 of them are the closing guard,
/// without all are data. One symbol more is.
#[test]
fn the_ramp_at_the_end_does_not_count() {
    for guards in [true, false] {
        let payload = Payload::Prbs { order: PrbsOrder::Order15, seed: 77, octets: 0 };
        let kind = FrameKind::Uncoded { constellation: Constellation::Qpsk, blocks: 6, guards };
        let frame = build(&FrameSpec { kind, payload }).expect("a sound frame");
        let link = Link { es_n0_db: Some(35.0), ..Link::default() };
        let figures_of = |ramp: usize| {
            let mut chips = frame.chips.clone();
            let end = chips.len() - ramp..;
            chips[end].iter_mut().for_each(|chip| *chip *= 0.6);
            let samples = link.receive(&chips);
            run_on(&samples, &link, &frame, &AnalysisConfig::default()).figures
        };
        let (within, beyond) = (figures_of(100), figures_of(120));
        println!("guards {guards}: {:?} {:?}", within.evm_db, beyond.evm_db);
        // 0.4^2 over 2588 or 2652 symbols: what 10 of them do, -32 dB, is seen.
        for evm in [within.evm_data_aided_db, within.evm_by_decision_db] {
            assert!(have(evm) < -34.0, "guards {guards}: {evm:?}");
        }
        assert!(have(beyond.evm_db) > -29.7, "guards {guards}: {:?}", beyond.evm_db);
    }
}

/// Without an imbalance there is no rejection to report.
#[test]
fn an_image_below_its_noise_is_no_figure() {
    let frame = uncoded(Constellation::Qpsk, 64);
    let clean = run(&Link { es_n0_db: Some(15.0), ..Link::default() }, &frame).figures;
    assert_eq!(clean.image_rejection_db, None);
    let link = Link { es_n0_db: Some(15.0), iq_gain_db: 0.5, ..Link::default() };
    let found = have(run(&link, &frame).figures.image_rejection_db);
    // Schenk ch. 5: 0.5 dB leave 30.8 dB.
    assert!((found - 30.8).abs() < 2.0, "{found}");
}
