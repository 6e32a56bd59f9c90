//! What the whole receiver loses against theory on frames of the DMG PHY when everything about the
//! link is unknown and wrong.

use num_complex::Complex64;

use super::super::super::frame::FrameSpec;
use super::super::super::interval::Ber;
use super::super::super::link_testing::Noise;
use super::super::super::theory::required_es_n0_db;
use super::*;

/// Frames over which errors are counted: each has its own random impairments.
const FRAMES: u64 = 8;
/// Octets of each: 87000 coded bits, so that all frames together have some 700 errors at a rate of
/// 1e-3. That is an interval of 8 % to either side, or 0.1 dB.
const OCTETS: usize = 8192;

/// Anything that a receiver has to find out: carrier within 80 ppm of 69 GHz, clock within 80 ppm,
/// any delay and phase, an untidy mixer.
fn untidy(seed: u64, es_n0_db: f64) -> Link {
    let mut noise = Noise::new(seed);
    let mut within = |limit: f64| limit * (2.0 * noise.uniform() - 1.0);
    Link {
        sample_rate_hz: 5.28e9,
        es_n0_db: Some(es_n0_db),
        delay_chips: 400.0 + within(300.0),
        cfo_hz: within(5.52e6),
        clock_ppm: within(80.0),
        rays: vec![(0.0, Complex64::from_polar(1.0, within(std::f64::consts::PI)))],
        iq_gain_db: within(0.5),
        iq_phase_deg: within(3.0),
        skew_chips: within(0.03),
        dc: Complex64::new(within(0.1), within(0.1)),
        seed,
        ..Link::default()
    }
}

/// Raw errors of all frames at the Es/N0 where theory (Proakis and Salehi ch. 4; Cho and Yoon 2002)
/// expects `wanted`: even the upper end of their 95 % interval costs less than 0.5 dB.
fn check_loss(mcs: &str, wanted: f64) {
    let mut spec = FrameSpec::parse(&format!("mcs {mcs}")).expect("a known name");
    spec.payload = Payload::Prbs { order: PrbsOrder::Order23, seed: 4711, octets: OCTETS };
    let frame = build(&spec).expect("sound");
    let constellation = frame.layout.constellation;
    let es_n0_db = required_es_n0_db(constellation, wanted).expect("a rate of theory");
    let (mut errors, mut bits) = (0, 0);
    for seed in 1..=FRAMES {
        let link = untidy(100 * seed + frame.layout.data_blocks as u64, es_n0_db);
        let analysis = run(&link, &frame);
        assert_eq!(analysis.outcome, Outcome::Received, "MCS {mcs}, frame {seed}");
        errors += analysis.figures.raw_bit_errors.expect("the PSDU is known");
        bits += analysis.figures.raw_bits.expect("the PSDU is known");
    }
    assert_eq!(bits, FRAMES * frame.coded_bits.len() as u64, "MCS {mcs}: every frame counts");
    let rate = Ber::new(errors, bits).expect("there are bits");
    let loss_db = |rate| es_n0_db - required_es_n0_db(constellation, rate).expect("of theory");
    let (loss, most) = (loss_db(rate.ber), loss_db(rate.high));
    println!(
        "MCS {mcs}, {constellation}, theory {wanted:e}: {rate}, loss {loss:.3} dB ({most:.3})"
    );
    assert!(most < 0.5, "MCS {mcs} at {es_n0_db} dB: {rate}, loss {loss} dB, at most {most} dB");
    // Nobody beats theory: a negative loss beyond chance would be a mistake of the count.
    assert!(loss_db(rate.low) > -0.1, "MCS {mcs}: {rate} is better than theory");
}

#[test]
fn bpsk_frames_lose_little() {
    check_loss("4", 1e-2);
    check_loss("4", 1e-3);
}

#[test]
fn qpsk_frames_lose_little() {
    check_loss("8", 1e-2);
    check_loss("8", 1e-3);
}

#[test]
fn qam16_frames_lose_little() {
    check_loss("12", 1e-2);
    check_loss("12", 1e-3);
}

#[test]
fn qam64_frames_lose_little() {
    check_loss("12.4", 1e-2);
    check_loss("12.4", 1e-3);
}
