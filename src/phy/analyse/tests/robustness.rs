//! Arbitrary input: no panic, no hang, a value or an error.

use proptest::prelude::*;

use super::super::super::frame::FrameLayout;
use super::super::super::probe::{ProbeConfig, probe};
use super::*;

fn rates() -> impl Strategy<Value = f64> {
    prop_oneof![
        Just(0.0),
        Just(-8e9),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(1e-300),
        Just(1e300),
        Just(2.112e9),
        1e9..1e11_f64,
        any::<f64>(),
    ]
}

fn samples_of(bytes: &[u8]) -> Vec<Complex32> {
    let values: Vec<f32> =
        bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
    values.chunks_exact(2).map(|pair| Complex32::new(pair[0], pair[1])).collect()
}

fn check_survives(samples: &[Complex32], rate: f64, config: &AnalysisConfig, blocks: usize) {
    let recording = Recording { samples, sample_rate_hz: rate, full_scale: Some(1.0), step: None };
    let layout = FrameLayout {
        header: false,
        guards: true,
        data_blocks: blocks,
        constellation: Constellation::Qam16,
    };
    for expected in [Expected::dmg(), Expected::uncoded(layout), Expected::dmg().with_psdu(&[1, 2])]
    {
        if let Ok(analysis) = analyse(&recording, &expected, config) {
            assert_eq!(analysis.points.is_empty(), analysis.bits.is_empty());
        }
    }
    let _ = probe(samples, rate, &ProbeConfig::default());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_bytes_and_rates(
        bytes in proptest::collection::vec(any::<u8>(), 0..4000),
        rate in rates(),
        chip_rate_hz in rates(),
        rolloff in prop_oneof![Just(0.25), any::<f64>()],
        blocks in 0_usize..1_000_000,
    ) {
        let config = AnalysisConfig { chip_rate_hz, rolloff, ..AnalysisConfig::default() };
        check_survives(&samples_of(&bytes), rate, &config, blocks);
        check_survives(&samples_of(&bytes), rate, &AnalysisConfig::default(), blocks);
    }

    /// A frame with arbitrary bytes over parts of it, and cut anywhere.
    #[test]
    fn damaged_frames(
        bytes in proptest::collection::vec(any::<u8>(), 0..2000),
        at in 0_usize..30_000,
        from in 0_usize..12_000,
        keep in 0_usize..60_000,
        scale in prop_oneof![Just(1.0_f32), Just(1e-30), Just(1e18), Just(f32::MIN_POSITIVE)],
    ) {
        let frame = uncoded(Constellation::Qam16, 4);
        let mut samples = Link { es_n0_db: Some(10.0), ..Link::default() }.receive(&frame.chips);
        let damage: Vec<Complex32> =
            samples_of(&bytes).into_iter().filter(|z| z.is_finite()).collect();
        for (sample, value) in samples.iter_mut().skip(at).zip(damage) {
            *sample = value;
        }
        let kept: Vec<Complex32> =
            samples.into_iter().skip(from).take(keep).map(|z| z * scale).collect();
        check_survives(&kept, 8e9, &AnalysisConfig::default(), 4);
    }
}

#[test]
fn samples_that_are_no_numbers_are_an_error() {
    let mut samples = vec![Complex32::new(0.1, 0.2); 20_000];
    samples[777] = Complex32::new(0.0, f32::INFINITY);
    let recording =
        Recording { samples: &samples, sample_rate_hz: 8e9, full_scale: None, step: None };
    let error =
        analyse(&recording, &Expected::dmg(), &AnalysisConfig::default()).expect_err("not finite");
    assert_eq!(error, AnalysisError::Recording(RecordingError::NotFinite(777)));
}

/// Who asks for a frame longer than any recording is told that it is cut.
#[test]
fn any_number_of_blocks_can_be_expected() {
    let frame = uncoded(Constellation::Qpsk, 4);
    let samples = Link { es_n0_db: Some(20.0), ..Link::default() }.receive(&frame.chips);
    let recording =
        Recording { samples: &samples, sample_rate_hz: 8e9, full_scale: None, step: None };
    for (data_blocks, outcome) in
        [(usize::MAX, Outcome::OnlyCutFrames), (6, Outcome::OnlyCutFrames), (0, Outcome::Received)]
    {
        for guards in [true, false] {
            let layout = FrameLayout { data_blocks, guards, ..frame.layout };
            let expected = Expected::uncoded(layout).with_psdu(&[1, 2, 3]);
            let found = analyse(&recording, &expected, &AnalysisConfig::default()).expect("sound");
            assert_eq!(found.outcome, outcome, "{data_blocks} {guards}");
        }
    }
}

#[test]
fn level_does_not_matter() {
    let frame = uncoded(Constellation::Qpsk, 4);
    let samples = Link { es_n0_db: Some(20.0), ..Link::default() }.receive(&frame.chips);
    for scale in [1e-18_f32, 1e-6, 1.0, 1e6, 1e18] {
        let scaled: Vec<Complex32> = samples.iter().map(|z| z * scale).collect();
        let link = Link::default();
        let figures = run_on(&scaled, &link, &frame, &AnalysisConfig::default()).figures;
        assert_eq!(figures.bit_errors, Some(0), "at {scale}");
        let expected = 20.0 * f64::from(scale).log10();
        assert!((have(figures.power_db) - expected).abs() < 0.2, "at {scale}");
    }
}
