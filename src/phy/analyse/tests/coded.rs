//! Frames of the DMG PHY, of which the receiver is told nothing but that they have a header.

use super::super::super::frame::FrameSpec;
use super::*;

fn coded(name: &str) -> Frame {
    build(&FrameSpec::parse(name).expect("a known name")).expect("sound")
}

fn analyse_dmg(samples: &[Complex32], expected: &Expected<'_>) -> Analysis {
    let recording = Recording { samples, sample_rate_hz: 8e9, full_scale: None, step: None };
    analyse(&recording, expected, &AnalysisConfig::default()).expect("sound input")
}

#[test]
fn every_scheme_comes_back_bit_for_bit() {
    let names = (1..=12).map(|n| n.to_string());
    let extended = ["9.1", "12.1", "12.2", "12.3", "12.4", "12.5", "12.6"].map(String::from);
    for name in names.chain(extended) {
        let frame = coded(&format!("mcs {name}"));
        let link = Link {
            es_n0_db: Some(30.0),
            cfo_hz: 2.1e6,
            clock_ppm: 35.0,
            iq_gain_db: 0.3,
            ..Link::default()
        };
        let samples = link.receive(&frame.chips);
        let analysis = analyse_dmg(&samples, &Expected::dmg());
        let figures = &analysis.figures;
        assert_eq!(analysis.outcome, Outcome::Received, "MCS {name}");
        assert_eq!(figures.mcs, name.parse().ok(), "MCS {name}");
        assert_eq!(figures.header_ok, Some(true), "MCS {name}");
        assert_eq!(figures.codewords_failed, Some(0), "MCS {name}");
        assert_eq!(figures.bits, None, "nothing is known of what was sent");
        let received = analysis.psdus.first().expect("one frame");
        assert_eq!(received[..frame.psdu.len()], frame.psdu, "MCS {name}");
        let known = analyse_dmg(&samples, &Expected::frame(&frame)).figures;
        assert_eq!(known.raw_bits, Some(frame.coded_bits.len() as u64), "MCS {name}");
        assert_eq!(known.raw_bit_errors, Some(0), "MCS {name}");
        assert_eq!(known.bit_errors, Some(0), "MCS {name}");
        assert!(known.evm_data_aided_db.is_some(), "MCS {name}");
    }
}

/// At the edge: raw errors are many, decoded ones few; the counts agree with one another.
#[test]
fn decoder_repairs_what_the_channel_breaks() {
    for (name, es_n0_db) in [("mcs 1", -1.0), ("mcs 4", 3.8), ("mcs 8", 7.0), ("mcs 12", 12.8)] {
        let frame = coded(name);
        let link = Link { es_n0_db: Some(es_n0_db), cfo_hz: -1e6, ..Link::default() };
        let samples = link.receive(&frame.chips);
        let figures = analyse_dmg(&samples, &Expected::frame(&frame)).figures;
        let raw = figures.raw_bit_errors.expect("counted");
        println!(
            "{name} at {es_n0_db} dB: raw {raw} of {:?}, decoded {:?}, failed {:?} of {:?}",
            figures.raw_bits, figures.bit_errors, figures.codewords_failed, figures.codewords
        );
        assert!(raw > 300, "{name}: {raw}");
        assert_eq!(figures.header_ok, Some(true), "{name}");
        assert_eq!(figures.bit_errors, Some(0), "{name}");
        assert_eq!(figures.codewords_failed, Some(0), "{name}");
        assert!(have(figures.ber_high_95) > 0.0);
        let unknown = analyse_dmg(&samples, &Expected::dmg()).figures;
        // All codewords are valid, so what was sent is known after all: the same figures.
        assert_eq!(unknown.bits, None, "{name}");
        assert_eq!(unknown.raw_bits, figures.raw_bits, "{name}");
        assert_eq!(unknown.raw_bit_errors, figures.raw_bit_errors, "{name}");
        assert_eq!(unknown.evm_db, figures.evm_db, "{name}");
        assert!(unknown.evm_db > unknown.evm_by_decision_db, "{name}: decisions flatter");
    }
}

#[test]
fn a_wrong_payload_is_counted_not_believed() {
    let frame = coded("mcs 7");
    let mut other = frame.psdu.clone();
    other[100] ^= 0x41;
    let samples = Link { es_n0_db: Some(25.0), ..Link::default() }.receive(&frame.chips);
    let figures = analyse_dmg(&samples, &Expected::dmg().with_psdu(&other)).figures;
    assert_eq!(figures.bit_errors, Some(2));
    let short = analyse_dmg(&samples, &Expected::dmg().with_psdu(&other[..200])).figures;
    assert!(short.bit_errors.expect("lengths are compared") > 1000);
    assert_eq!(short.raw_bit_errors, None);
}

#[test]
fn an_unreadable_header_is_said_and_the_rest_measured() {
    let mut frame = coded("mcs 9");
    for chip in &mut frame.chips[3328 + 64..3328 + 512] {
        *chip = -*chip;
    }
    let samples = Link { es_n0_db: Some(20.0), ..Link::default() }.receive(&frame.chips);
    let analysis = analyse_dmg(&samples, &Expected::dmg());
    let figures = analysis.figures;
    assert_eq!(analysis.outcome, Outcome::HeaderUnreadable);
    assert_eq!((figures.detected, figures.header_ok), (true, Some(false)));
    assert_eq!((figures.mcs, figures.evm_db, figures.codewords), (None, None, None));
    assert!((have(figures.snr_db) - 20.0).abs() < 0.5);
}
