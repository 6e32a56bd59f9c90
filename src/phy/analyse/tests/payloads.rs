//! Any payload of any length with any scheme at any delay comes back bit for bit.

use proptest::prelude::*;

use super::super::super::frame::FrameError;
use super::super::super::header::HeaderError;
use super::super::super::mcs::{CHIP_RATE_HZ, Mcs};
use super::super::super::payload::PSDU_OCTETS_MAX;
use super::super::super::waveform::{ShapeConfig, shape};
use super::*;
use crate::phy::testing::Noise;

/// Symbol energy over noise density of every capture here.
const ES_N0_DB: f64 = 35.0;

/// How chips become a capture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Way {
    /// Samples a chip of the receiver's clock.
    pub samples_per_chip: f64,
    /// Empty chips before the frame.
    pub lead_chips: usize,
    /// Samples left out at the beginning, so that the first chip lies anywhere between two samples.
    pub skipped: usize,
    /// The sender's chip clock is fast by this much.
    pub clock_ppm: f64,
    pub cfo_hz: f64,
    pub seed: u64,
}

/// Fast: the pulses are those of `waveform::shape`, which has its own tests against their sum by
/// definition.
pub(super) fn capture(frame_chips: &[Complex32], way: &Way) -> Vec<Complex32> {
    let mut chips = vec![Complex32::default(); way.lead_chips];
    chips.extend_from_slice(frame_chips);
    let sample_rate_hz = way.samples_per_chip * CHIP_RATE_HZ;
    let chip_rate_hz = CHIP_RATE_HZ * (1.0 + way.clock_ppm * 1e-6);
    let config = ShapeConfig { chip_rate_hz, sample_rate_hz, ..ShapeConfig::default() };
    let mut samples = shape(&chips, &config).expect("sound").samples;
    samples.drain(..way.skipped);
    let energy: f64 = samples.iter().map(|z| f64::from(z.norm_sqr())).sum();
    let chip_energy = energy / frame_chips.len() as f64;
    let amplitude = (chip_energy / ratio(ES_N0_DB)).sqrt() as f32;
    let mut noise = Noise::new(way.seed);
    let turn = way.cfo_hz / sample_rate_hz;
    for (n, sample) in samples.iter_mut().enumerate() {
        let angle = std::f64::consts::TAU * (turn * n as f64).fract();
        *sample = *sample * Complex32::from_polar(1.0, angle as f32) + noise.complex() * amplitude;
    }
    samples
}

/// What the receiver makes of a capture of which it is told nothing but that its frames have headers.
pub(super) fn receive(samples: &[Complex32], way: &Way, expected: &Expected<'_>) -> Analysis {
    let sample_rate_hz = way.samples_per_chip * CHIP_RATE_HZ;
    let recording = Recording { samples, sample_rate_hz, full_scale: None, step: None };
    analyse(&recording, expected, &AnalysisConfig::default()).expect("sound input")
}

/// Random octets, or a content that leaves everything to the scrambler.
pub(super) fn content(kind: u8, octets: usize, seed: u64) -> Vec<u8> {
    let mut noise = Noise::new(seed);
    match kind {
        0 => vec![0x00; octets],
        1 => vec![0xFF; octets],
        _ => (0..octets).map(|_| noise.next_u64() as u8).collect(),
    }
}

/// The frame comes back. The header of an extended scheme says how long the PSDU may be, up to 3
/// octets too much (IEEE 802.11-2016 clause 20.6.3.1).
pub(super) fn check_comes_back(mcs: Mcs, psdu: &[u8], way: &Way) {
    let what = format!("MCS {mcs}, {} octets, {way:?}", psdu.len());
    let spec = FrameSpec { kind: FrameKind::Dmg { mcs }, payload: Payload::Octets(psdu.to_vec()) };
    let frame = match build(&spec) {
        Ok(frame) => frame,
        Err(FrameError::Header(HeaderError::Inexpressible { .. })) if mcs.is_extended() => return,
        Err(error) => panic!("{what}: {error}"),
    };
    let samples = capture(&frame.chips, way);
    drop(frame);
    let analysis = receive(&samples, way, &Expected::dmg());
    assert_eq!(analysis.outcome, Outcome::Received, "{what}");
    assert_eq!(analysis.figures.mcs, mcs.name().parse().ok(), "{what}");
    assert_eq!(analysis.figures.codewords_failed, Some(0), "{what}");
    assert_eq!(analysis.psdus.len(), 1, "{what}");
    let received = &analysis.psdus[0];
    assert!(received.starts_with(psdu), "{what}: the octets differ");
    let more = received.len() - psdu.len();
    assert!(more == 0 || (more <= 3 && mcs.is_extended()), "{what}: {more} octets too many");
}

fn schemes() -> impl Strategy<Value = Mcs> {
    (0..Mcs::all().len()).prop_map(|n| Mcs::all().nth(n).expect("as many as there are"))
}

/// Short and long ones equally often: the logarithm is uniform.
fn lengths() -> impl Strategy<Value = usize> {
    (0.0..=(PSDU_OCTETS_MAX as f64).ln())
        .prop_map(|log| (log.exp() as usize).clamp(1, PSDU_OCTETS_MAX))
}

fn ways() -> impl Strategy<Value = Way> {
    (1.3..2.5_f64, 64_usize..3000, 0_usize..12, any::<u64>()).prop_map(
        |(samples_per_chip, lead_chips, skipped, seed)| Way {
            samples_per_chip,
            lead_chips,
            skipped,
            clock_ppm: 0.0,
            cfo_hz: 0.0,
            seed,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_payload_length_scheme_and_delay(
        mcs in schemes(),
        octets in lengths(),
        kind in 0_u8..6,
        way in ways(),
    ) {
        check_comes_back(mcs, &content(kind, octets, way.seed), &way);
    }
}

/// The longest PSDU with the fastest schemes of each constellation and in each header form. MCS 1,
/// whose frame is the longest of all, is among the tests of long frames.
#[test]
fn longest_payloads() {
    for (n, name) in ["5", "9", "9.1", "12", "12.2", "12.6"].into_iter().enumerate() {
        let mcs = name.parse().expect("a scheme");
        let way = Way {
            samples_per_chip: 1.5,
            lead_chips: 200,
            skipped: n,
            clock_ppm: 0.0,
            cfo_hz: 0.0,
            seed: n as u64,
        };
        check_comes_back(mcs, &content(9, PSDU_OCTETS_MAX, way.seed), &way);
    }
}

/// The shortest, with every scheme.
#[test]
fn shortest_payloads() {
    for (n, mcs) in Mcs::all().enumerate() {
        for octets in 1..=4 {
            let way = Way {
                samples_per_chip: 1.77,
                lead_chips: 100,
                skipped: n,
                clock_ppm: 0.0,
                cfo_hz: 0.0,
                seed: (4 * n + octets) as u64,
            };
            check_comes_back(mcs, &content(9, octets, way.seed), &way);
        }
    }
}
