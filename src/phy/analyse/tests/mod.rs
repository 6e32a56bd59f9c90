//! The whole receiver against plain impairments of known size and published figures.

mod awgn;
mod coded;
mod impairments;
mod presence;
mod quality;
mod robustness;
mod unguarded;

use super::super::frame::{Frame, FrameKind, FrameSpec, Payload, build};
use super::super::link_testing::{Link, db};
use super::super::prbs::PrbsOrder;
use super::*;

/// An uncoded frame with a test sequence.
fn uncoded(constellation: Constellation, blocks: usize) -> Frame {
    let payload = Payload::Prbs { order: PrbsOrder::Order23, seed: 77, octets: 0 };
    build(&FrameSpec { kind: FrameKind::Uncoded { constellation, blocks, guards: true }, payload })
        .expect("a sound frame")
}

/// The analysis of a capture of the frame, which is known.
fn run(link: &Link, frame: &Frame) -> Analysis {
    let samples = link.receive(&frame.chips);
    run_on(&samples, link, frame, &AnalysisConfig::default())
}

fn run_on(samples: &[Complex32], link: &Link, frame: &Frame, config: &AnalysisConfig) -> Analysis {
    let recording =
        Recording { samples, sample_rate_hz: link.sample_rate_hz, full_scale: None, step: None };
    analyse(&recording, &Expected::frame(frame), config).expect("sound input")
}

/// A figure that must be there.
fn have(figure: Option<f64>) -> f64 {
    figure.expect("the figure can be had")
}

fn ratio(db: f64) -> f64 {
    10_f64.powf(db / 10.0)
}
