//! Whether frames are found where there are any, and nothing where there is none.

use super::super::super::link_testing::Noise;
use super::super::super::waveform::{ShapeConfig, shape};
use super::*;

fn analyse_unknown(samples: &[Complex32]) -> Analysis {
    let recording = Recording { samples, sample_rate_hz: 8e9, full_scale: None, step: None };
    analyse(&recording, &Expected::dmg(), &AnalysisConfig::default()).expect("sound input")
}

fn check_nothing(samples: &[Complex32], what: &str) {
    let analysis = analyse_unknown(samples);
    assert_eq!(analysis.outcome, Outcome::NoFrame, "{what}");
    let figures = analysis.figures;
    assert!(!figures.detected, "{what}");
    assert_eq!((figures.frames_found, figures.frames_cut), (0, 0), "{what}");
    assert_eq!(
        (figures.evm_db, figures.snr_db, figures.cfo_hz, figures.ber),
        (None, None, None, None)
    );
    assert!(analysis.points.is_empty());
    assert!(!analysis.missed.mirrored, "{what}");
}

#[test]
fn noise_is_no_frame() {
    for seed in 0..200 {
        let mut noise = Noise::new(seed);
        let samples: Vec<Complex32> = (0..30_000).map(|_| noise.complex(0.3)).collect();
        check_nothing(&samples, &format!("noise of seed {seed}"));
    }
}

#[test]
fn tone_offset_and_silence_are_no_frame() {
    for n in 0..40 {
        let cycles = f64::from(n) / 61.0 - 0.3;
        let tone: Vec<Complex32> = (0..30_000)
            .map(|k| {
                Complex32::from_polar(
                    0.2,
                    (std::f64::consts::TAU * (cycles * f64::from(k)).fract()) as f32,
                )
            })
            .collect();
        check_nothing(&tone, &format!("tone of {cycles} cycles a sample"));
    }
    check_nothing(&[Complex32::new(0.7, -0.1); 30_000], "an offset");
    check_nothing(&[Complex32::default(); 30_000], "silence");
    check_nothing(&[], "an empty recording");
    check_nothing(&[Complex32::new(1.0, 0.0)], "one sample");
}

/// Modulated data without a preamble is not taken for a frame.
#[test]
fn data_without_preamble_is_no_frame() {
    for constellation in Constellation::ALL {
        let frame = uncoded(constellation, 20);
        let link = Link { es_n0_db: Some(25.0), ..Link::default() };
        let samples = link.receive(&frame.chips[3328..]);
        check_nothing(&samples, constellation.name());
    }
}

#[test]
fn frames_are_found_at_0_db() {
    let frame = uncoded(Constellation::Qpsk, 4);
    let mut found = 0;
    for seed in 0..200 {
        let mut place = Noise::new(seed);
        let link = Link {
            es_n0_db: Some(0.0),
            seed: seed + 1000,
            delay_chips: 3000.0 * place.uniform(),
            cfo_hz: (place.uniform() - 0.5) * 11e6,
            clock_ppm: (place.uniform() - 0.5) * 160.0,
            ..Link::default()
        };
        let analysis = run(&link, &frame);
        let start = analysis.frame_starts_s.first().map_or(-1.0, |s| s * 1.76e9);
        found += usize::from(analysis.figures.detected && (start - link.delay_chips).abs() < 0.5);
    }
    println!("found {found} of 200 at 0 dB");
    assert!(found >= 198, "{found}");
}

#[test]
fn frames_are_found_anywhere_in_a_long_recording() {
    let frame = uncoded(Constellation::Qam16, 6);
    for delay_chips in [0.0, 0.4, 17.9, 6_000.5, 41_234.75, 60_000.0] {
        let link =
            Link { delay_chips, capture_chips: 66_600.0, es_n0_db: Some(20.0), ..Link::default() };
        let analysis = run(&link, &frame);
        assert_eq!(analysis.figures.frames_found, 1, "at {delay_chips}");
        assert_eq!(analysis.figures.bit_errors, Some(0), "at {delay_chips}");
        let start = analysis.frame_starts_s[0] * 1.76e9;
        assert!((start - delay_chips).abs() < 0.05, "at {delay_chips}: {start}");
    }
}

#[test]
fn all_whole_frames_are_used_and_cut_ones_counted() {
    let frame = uncoded(Constellation::Qpsk, 5);
    let chips = frame.chips.len() as f64;
    // The first begins before the recording, the last ends after it.
    let delays = [-1500.0, chips, 2.5 * chips, 4.0 * chips, 5.4 * chips];
    let link = Link { capture_chips: 5.9 * chips, es_n0_db: Some(16.0), ..Link::default() };
    let samples = link.receive_at(&frame.chips, &delays);
    let analysis = run_on(&samples, &link, &frame, &AnalysisConfig::default());
    let figures = &analysis.figures;
    assert_eq!((figures.frames_found, figures.frames_cut), (3, 2));
    assert_eq!(figures.bits, Some(3 * 5 * 896));
    assert_eq!(figures.bit_errors, Some(0));
    assert_eq!(analysis.points.len(), 3 * 5 * 448);
    assert_eq!(analysis.psdus, vec![frame.psdu.clone(); 3]);
    let config = AnalysisConfig { frames_max: Some(1), ..AnalysisConfig::default() };
    let analysis = run_on(&samples, &link, &frame, &config);
    assert_eq!(analysis.figures.frames_found, 1);
    assert_eq!(analysis.figures.bits, Some(5 * 896));
}

#[test]
fn a_recording_of_cut_frames_alone_says_so() {
    let frame = uncoded(Constellation::Qpsk, 20);
    for (delay, capture) in [(200.0, 8_000.0), (-900.0, 14_000.0), (5_000.0, 6_000.0)] {
        let link = Link {
            delay_chips: delay,
            capture_chips: capture,
            es_n0_db: Some(15.0),
            ..Link::default()
        };
        let analysis = run(&link, &frame);
        assert_eq!(analysis.outcome, Outcome::OnlyCutFrames, "at {delay}");
        assert_eq!(analysis.figures.frames_cut, 1, "at {delay}");
        assert!(!analysis.figures.detected);
        assert_eq!(analysis.figures.evm_db, None);
        // 3328 + 20 x 512 + 64 chips of the standard's rate against what was recorded.
        let missed = analysis.missed;
        assert!((have(missed.cut_frame_s) - 13_632.0 / 1.76e9).abs() < 1e-12, "{missed:?}");
        assert!((missed.recorded_s - capture / 1.76e9).abs() < 1e-9, "{missed:?}");
        assert!(!missed.mirrored);
    }
}

/// With I and Q swapped nothing is received, and it is said why; nothing is said of other recordings
/// without a frame.
#[test]
fn a_mirrored_spectrum_is_told() {
    let coded = build(&FrameSpec::parse("mcs 9").expect("known")).expect("a sound frame");
    for (frame, of_another) in
        [(&coded, false), (&uncoded(Constellation::Qam16, 10), false), (&coded, true)]
    {
        for (es_n0_db, cfo_hz) in [(30.0, 0.0), (10.0, 3e6), (6.0, -1e6)] {
            let link = Link { es_n0_db: Some(es_n0_db), cfo_hz, ..Link::default() };
            let straight = link.receive(&frame.chips);
            let swapped: Vec<Complex32> =
                straight.iter().map(|z| Complex32::new(z.im, z.re)).collect();
            // What is looked for need not be what was sent.
            let wanted = uncoded(Constellation::Qpsk, 40);
            let wanted = if of_another { &wanted } else { frame };
            let analysis = run_on(&swapped, &link, wanted, &AnalysisConfig::default());
            assert!(analysis.missed.mirrored, "{es_n0_db} dB: {:?}", analysis.outcome);
            assert_eq!(analysis.outcome, Outcome::NoFrame);
            assert!(!run_on(&straight, &link, wanted, &AnalysisConfig::default()).missed.mirrored);
            // One of the channels alone is as much mirrored as not.
            let alone: Vec<Complex32> =
                straight.iter().map(|z| Complex32::new(z.re, 0.0)).collect();
            assert!(!run_on(&alone, &link, wanted, &AnalysisConfig::default()).missed.mirrored);
        }
    }
}

/// A source that loops the shaped waveform, seen from anywhere: frames follow one another without
/// a seam. Floor and shape come from the product here, the repetition and noise from the test.
#[test]
fn looped_waveform_is_received_from_any_place() {
    let frame = uncoded(Constellation::Qam16, 8);
    let config = ShapeConfig { sample_rate_hz: 8e9, idle_chips: 50.0, ..ShapeConfig::default() };
    let waveform = shape(&frame.chips, &config).expect("sound");
    let count = waveform.samples.len();
    for from in [0, 5_000, count / 2, count - 1] {
        let samples: Vec<Complex32> =
            (0..3 * count).map(|n| waveform.samples[(from + n) % count] * 0.3).collect();
        let recording =
            Recording { samples: &samples, sample_rate_hz: 8e9, full_scale: None, step: None };
        let analysis = analyse(&recording, &Expected::frame(&frame), &AnalysisConfig::default())
            .expect("sound");
        let figures = analysis.figures;
        assert!((2..=3).contains(&figures.frames_found), "from {from}: {figures:?}");
        assert_eq!(figures.bit_errors, Some(0));
        assert!(have(figures.evm_db) < -50.0, "from {from}: {:?}", figures.evm_db);
        let starts = &analysis.frame_starts_s;
        let pass = (starts[1] - starts[0]) * 8e9;
        assert!((pass - count as f64).abs() < 0.1, "from {from}: {pass} of {count}");
    }
}

/// Short frames one after the other: most of the recording is training field.
#[test]
fn short_frames_back_to_back_are_all_found() {
    let payload = Payload::Octets(vec![0x5A; 10]);
    let kind = FrameSpec::parse("mcs 1").expect("known").kind;
    let frame = build(&FrameSpec { kind, payload }).expect("a sound frame");
    let period = frame.chips.len() as f64 + 20.0;
    let delays: Vec<f64> = (0..12).map(|n| 300.3 + period * f64::from(n)).collect();
    let link = Link { es_n0_db: Some(1.0), ..Link::default() };
    let samples = link.receive_at(&frame.chips, &delays);
    let figures = analyse_unknown(&samples).figures;
    assert_eq!((figures.frames_found, figures.frames_cut), (12, 0));
}
