//! What arbitrary bytes are put through: the same functions serve the fuzz targets in `fuzz/` and the
//! ordinary tests. A body ends without panic whatever it is given; what it asserts holds for every
//! input. Knows no fuzzer.

use std::sync::LazyLock;

use num_complex::Complex32;

use super::analyse::{AnalysisConfig, Expected, analyse};
use super::constellation::Constellation;
use super::frame::{FrameLayout, FrameSpec, build};
use super::header::{self, HEADER_BITS, HEADER_CODED_BITS, Header};
use super::input::{Codes, interleaved};
use super::payload::PSDU_OCTETS_MAX;
use super::probe::{ProbeConfig, probe};
use super::recording::Recording;
use super::waveform::{ShapeConfig, shape};

/// Samples a second of the frame into which bytes are mixed.
const FRAME_RATE_HZ: f64 = 2.64e9;
/// Bytes that say how the others are meant.
const CHOICES: usize = 12;

/// The header decoder: bytes are soft values, first as they are, then as disturbance of a true header.
pub fn header(bytes: &[u8]) {
    check_bits(bytes);
    let Some((choice, values)) = bytes.split_first() else { return };
    let floats = |at: usize| {
        let four = std::array::from_fn(|k| values.get(4 * at + k).copied().unwrap_or(0));
        f32::from_le_bytes(four)
    };
    let small = |at: usize| f32::from(values.get(at).copied().unwrap_or(0) as i8) / 16.0;
    let soft = |at: usize| if choice & 1 == 0 { small(at) } else { floats(at) };
    let mut blocks = [[0.0_f32; HEADER_CODED_BITS]; 2];
    for (n, value) in blocks.iter_mut().flatten().enumerate() {
        *value = soft(n);
    }
    if let Some(header) = header::decode(&blocks[0], &blocks[1]) {
        check_header(&header);
    }
    let mcs = super::mcs::Mcs::all().nth(usize::from(choice >> 3) % 19);
    let sent = mcs.and_then(|mcs| Header::new(mcs, 1 + values.len(), choice & 0x7F).ok());
    let Some(sent) = sent else { return };
    for (n, bit) in sent.encode().into_iter().enumerate() {
        let sign = 1.0 - 2.0 * f32::from(bit);
        blocks[0][n] += 8.0 * sign;
        blocks[1][n] -= 8.0 * sign;
    }
    if let Some(header) = header::decode(&blocks[0], &blocks[1]) {
        check_header(&header);
    }
}

/// Header bits from bytes, with the check sequence left wrong and put right.
fn check_bits(bytes: &[u8]) {
    let mut bits = [0; HEADER_BITS];
    for (n, bit) in bits.iter_mut().enumerate() {
        *bit = bytes.get(n / 8).map_or(0, |byte| byte >> (n % 8) & 1);
    }
    if let Some(header) = Header::from_bits(&bits) {
        check_header(&header);
    }
    let number = |range: std::ops::Range<usize>| {
        bits[range].iter().rev().fold(0_u32, |number, bit| number << 1 | u32::from(*bit))
    };
    check_header(&Header {
        scrambler_seed: number(0..7).max(1) as u8,
        base_mcs: number(7..12) as u8,
        length: number(12..30),
        additional_ppdu: bits[30] == 1,
        packet_type: bits[31] == 1,
        training_length: number(32..37) as u8,
        aggregation: bits[37] == 1,
        beam_tracking_request: bits[38] == 1,
        last_rssi: number(39..43) as u8,
        turnaround: bits[43] == 1,
        extended_mcs: bits[44] == 1,
    });
}

/// What holds for every header that was read.
fn check_header(header: &Header) {
    let again = Header::from_bits(&header.bits());
    assert_eq!(again.map(|read| read.bits()), Some(header.bits()), "{header:?}");
    if let Some(octets) = header.psdu_octets() {
        assert!((1..=PSDU_OCTETS_MAX).contains(&octets), "{header:?}: {octets}");
    }
}

/// The analysis of bytes as a recording: the first ones choose rates, format and shape of the samples,
/// the others are the samples, alone or mixed with those of a frame. Yields the number of samples
/// that were analysed, 0 where bytes were too few.
pub fn recording(bytes: &[u8]) -> usize {
    let Some((choices, bytes)) = bytes.split_at_checked(CHOICES) else { return 0 };
    let choice = |n: usize| usize::from(choices[n]);
    let mut samples = match choice(0) % 4 {
        0 => floats(bytes),
        1 => codes(&Codes::U8(&bytes[..bytes.len() & !1])),
        2 => codes(&Codes::I16(&words(bytes))),
        _ => codes(&Codes::I12Left(&words(bytes))),
    };
    let disturb = choice(1) & 1 == 1;
    if disturb {
        samples = disturbed(&samples, choice(2), choice(3));
    }
    let number = u32::from_le_bytes([choices[4], choices[5], choices[6], choices[7]]);
    let (sample_rate_hz, chip_rate_hz) = match choice(1) >> 1 & 3 {
        _ if disturb => (FRAME_RATE_HZ, 1.76e9),
        0 => (f64::from(f32::from_bits(number)), 1.76e9),
        1 => (1.76e9 * (1.2 + f64::from(number) / f64::from(1_u32 << 28)), 1.76e9),
        2 => (8e9, f64::from(f32::from_bits(number))),
        _ => (FRAME_RATE_HZ, 1.76e9),
    };
    let recording = Recording {
        samples: &samples,
        sample_rate_hz,
        full_scale: [None, Some(1.0), Some(0.0), Some(-1.0)][choice(8) % 4],
        step: [None, Some(1.0 / 128.0), Some(f32::NAN)][choice(8) / 4 % 3],
    };
    let config = AnalysisConfig {
        chip_rate_hz,
        rolloff: [0.25, 0.05, 0.5, 0.3][choice(9) % 4],
        frames_max: [None, Some(0), Some(1)][choice(9) / 4 % 3],
        ..AnalysisConfig::default()
    };
    let data_blocks = match choice(10) & 7 {
        0 => number as usize,
        small => small,
    };
    let layout = FrameLayout {
        header: false,
        guards: choice(11) & 1 == 0,
        data_blocks,
        constellation: Constellation::ALL[choice(11) / 2 % 4],
    };
    let known = &bytes[..bytes.len().min(choice(2))];
    let expected = match choice(10) >> 3 & 3 {
        0 => Expected::dmg(),
        1 => Expected::dmg().with_psdu(known),
        2 => Expected::uncoded(layout),
        _ => Expected::uncoded(layout).with_psdu(known),
    };
    if let Ok(analysis) = analyse(&recording, &expected, &config) {
        assert_eq!(analysis.points.is_empty(), analysis.bits.is_empty());
        assert_eq!(analysis.frame_starts_s.len() as u64, analysis.figures.frames_found);
    }
    let _ = probe(&samples, sample_rate_hz, &ProbeConfig::default());
    samples.len()
}

fn floats(bytes: &[u8]) -> Vec<Complex32> {
    let value = |b: &[u8]| f32::from_le_bytes([b[0], b[1], b[2], b[3]]);
    bytes.chunks_exact(8).map(|b| Complex32::new(value(&b[..4]), value(&b[4..]))).collect()
}

fn words(bytes: &[u8]) -> Vec<i16> {
    bytes
        .chunks_exact(4)
        .flat_map(|b| [[b[0], b[1]], [b[2], b[3]]].map(i16::from_le_bytes))
        .collect()
}

fn codes(codes: &Codes<'_>) -> Vec<Complex32> {
    interleaved(codes).map(|converted| converted.samples).unwrap_or_default()
}

/// Samples of a whole frame to which others are added from `at` on, so that what comes after the
/// preamble sees arbitrary bytes as well.
fn disturbed(samples: &[Complex32], at: usize, scale: usize) -> Vec<Complex32> {
    static FRAMES: LazyLock<Vec<Vec<Complex32>>> = LazyLock::new(|| {
        let config = ShapeConfig { sample_rate_hz: FRAME_RATE_HZ, ..ShapeConfig::default() };
        let frames =
            ["mcs 1", "mcs 9.1", "mcs 12.6", "qpsk uncoded", "64-qam uncoded without guards"];
        let built = frames.into_iter().filter_map(|name| {
            let mut spec = FrameSpec::parse(name).ok()?;
            spec.payload = super::frame::Payload::Octets((1..=200).collect());
            if let super::frame::FrameKind::Uncoded { blocks, .. } = &mut spec.kind {
                *blocks = 7;
            }
            let mut chips = vec![Complex32::default(); 300];
            chips.extend_from_slice(&build(&spec).ok()?.chips);
            Some(shape(&chips, &config).ok()?.samples)
        });
        built.collect()
    });
    let Some(frame) = FRAMES.get(scale % FRAMES.len().max(1)) else { return Vec::new() };
    let mut mixed = frame.clone();
    let factor = [0.1, 1.0, 1e-3, 10.0][scale / 5 % 4];
    for (sample, other) in mixed.iter_mut().skip(32 * at).zip(samples) {
        *sample += other * factor;
    }
    mixed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::testing::Noise;

    /// Seed of the random bytes; that of a failing case is told.
    const SEED: u64 = 20_261_125;

    /// Bytes of a length up to `most`, random as a whole or only in their choices.
    fn bytes(seed: u64, most: usize) -> Vec<u8> {
        let mut noise = Noise::new(seed);
        let length = noise.next_u64() as usize % most;
        let calm = noise.next_u64().is_multiple_of(4);
        (0..length).map(|n| if calm && n > CHOICES { 0 } else { noise.next_u64() as u8 }).collect()
    }

    #[test]
    fn headers_of_arbitrary_bytes() {
        header(&[]);
        for seed in SEED..SEED + 3000 {
            println!("seed {seed}");
            header(&bytes(seed, 4000));
        }
    }

    #[test]
    fn recordings_of_arbitrary_bytes() {
        assert_eq!(recording(&[1; CHOICES - 1]), 0);
        for seed in SEED..SEED + 300 {
            println!("seed {seed}");
            recording(&bytes(seed, 100_000));
        }
    }

    /// The frames that bytes are mixed with are received when nothing is mixed in.
    #[test]
    fn frames_reach_the_depth_of_the_receiver() {
        for scale in 0..3 {
            let samples = disturbed(&[], 0, scale);
            let recording = Recording {
                samples: &samples,
                sample_rate_hz: FRAME_RATE_HZ,
                full_scale: None,
                step: None,
            };
            let analysis = analyse(&recording, &Expected::dmg(), &AnalysisConfig::default());
            assert_eq!(analysis.expect("sound input").psdus.len(), 1, "frame {scale}");
        }
    }
}
