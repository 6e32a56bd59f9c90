//! The whole receiver against plain impairments of known size.

use super::super::frame::{Frame, FrameKind, FrameSpec, Payload, build};
use super::super::link_testing::Link;
use super::super::prbs::PrbsOrder;
use super::*;

fn uncoded(constellation: Constellation, blocks: usize) -> Frame {
    let payload = Payload::Prbs { order: PrbsOrder::Order23, seed: 77, octets: 0 };
    build(&FrameSpec { kind: FrameKind::Uncoded { constellation, blocks }, payload })
        .expect("a sound frame")
}

fn run(link: &Link, frame: &Frame) -> Analysis {
    let samples = link.receive(&frame.chips);
    let recording =
        Recording { samples: &samples, sample_rate_hz: link.sample_rate_hz, full_scale: None };
    analyse(&recording, &Expected::frame(frame), &AnalysisConfig::default()).expect("sound input")
}

#[test]
fn explore() {
    for (con, snrs) in [
        (Constellation::Qpsk, [0.0, 5.0, 10.0, 20.0, 35.0]),
        (Constellation::Qam16, [6.0, 10.0, 14.0, 20.0, 35.0]),
    ] {
        let frame = uncoded(con, 32);
        for snr in snrs {
            let (mut evm, mut s, mut dd, mut n, mut cfo, mut ppm) =
                (0.0, 0.0, 0.0, 0.0, 0.0_f64, 0.0_f64);
            for seed in 0..10 {
                let link = Link { es_n0_db: Some(snr), seed, ..Link::default() };
                let f = run(&link, &frame).figures;
                if !f.detected {
                    println!("lost {seed}");
                    continue;
                }
                evm += 10f64.powf(f.evm_data_aided_db.unwrap() / 10.0);
                dd += 10f64.powf(f.evm_by_decision_db.unwrap() / 10.0);
                s += 10f64.powf(f.snr_db.unwrap() / 10.0);
                cfo += f.cfo_hz.unwrap().powi(2);
                ppm += f.clock_offset_ppm.unwrap().powi(2);
                n += 1.0;
            }
            let d = |x: f64| 10.0 * (x / n).log10();
            println!(
                "{con} {snr}: evm {:.3} dd {:.3} snr {:.3} cfo rms {:.1} ppm {:.3}",
                d(evm),
                d(dd),
                d(s),
                (cfo / n).sqrt(),
                (ppm / n).sqrt()
            );
        }
    }
}
#[test]
fn explore_dmg() {
    for n in 1..=12 {
        let frame = build(&FrameSpec::parse(&format!("mcs {n}")).expect("known")).expect("sound");
        let link = Link {
            es_n0_db: Some(25.0),
            cfo_hz: 2e6,
            clock_ppm: 35.0,
            iq_gain_db: 0.3,
            ..Link::default()
        };
        let a = run(&link, &frame);
        let f = a.figures;
        println!(
            "{n}: {:?} mcs {:?} {:?} hdr {:?} ber {:?} {:?} raw {:?} {:?} cw {:?} {:?} evm {:?} psdu {}",
            a.outcome,
            f.mcs,
            f.psdu_octets,
            f.header_ok,
            f.bits,
            f.bit_errors,
            f.raw_bits,
            f.raw_bit_errors,
            f.codewords,
            f.codewords_failed,
            f.evm_db,
            a.psdus.first() == Some(&frame.psdu)
        );
    }
}
