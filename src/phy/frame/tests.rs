//! The frame against its published layout and against itself.

use serde::Deserialize;

use super::*;
use crate::phy::constellation::derotate_half_pi;
use crate::phy::golay::ga32;
use crate::phy::header;
use crate::phy::testing::{ReferenceBits, ReferenceChips, ReferenceSymbols, read, reference_file};

#[test]
fn fields_follow_one_another() {
    for (header, guards) in [(false, true), (true, true), (false, false)] {
        let layout =
            FrameLayout { header, guards, data_blocks: 5, constellation: Constellation::Qpsk };
        let mut ranges = vec![layout.stf_range(), layout.cef_range()];
        ranges.extend(layout.header_blocks_ranges());
        ranges.extend(layout.data_block_ranges());
        ranges.push(layout.closing_guard_range());
        assert_eq!(ranges[0].start, 0);
        assert!(ranges.windows(2).all(|pair| pair[0].end == pair[1].start));
        assert_eq!(ranges.last().map(|range| range.end), Some(layout.total_chips()));
        // Clause 21.3.6: 2176 + 1152 chips, then 1024 of header, 512 a block, a closing 64.
        let data = if guards { 5 * 512 + 64 } else { 5 * 448 };
        let expected = 2176 + 1152 + if header { 1024 } else { 0 } + data;
        assert_eq!(layout.total_chips(), expected);
        assert_eq!(layout.data_block_range(4), layout.data_block_ranges().last());
        assert_eq!(layout.data_block_range(5), None);
    }
}

/// Numbers of blocks that no recording holds make long frames, not a panic.
#[test]
fn no_number_of_blocks_overflows() {
    for data_blocks in [usize::MAX, usize::MAX / 512, usize::MAX / 448 + 1] {
        for (header, guards) in [(false, true), (true, true), (false, false)] {
            let layout =
                FrameLayout { header, guards, data_blocks, constellation: Constellation::Qam64 };
            assert!(layout.total_chips() > usize::MAX / 2);
            assert!(layout.data_symbols() > usize::MAX / 2);
            assert_eq!(layout.coded_bits(), usize::MAX);
            assert!(layout.closing_guard_range().len() <= GUARD_CHIPS);
            let last = layout.data_block_range(data_blocks - 1).expect("the last block");
            assert!(last.end <= layout.total_chips());
            assert_eq!(layout.data_block_range(data_blocks), None);
        }
    }
}

#[test]
fn every_named_frame_is_built_as_its_layout_says() {
    for name in spec::known_names().split(", ") {
        let spec = FrameSpec::parse(name).expect("a known name");
        assert_eq!(spec.to_string(), name);
        let frame = build(&spec).expect("the defaults fit");
        assert_eq!(frame.chips.len(), frame.layout.total_chips(), "{name}");
        assert_eq!(frame.coded_bits.len(), frame.layout.coded_bits(), "{name}");
        let power: f32 = frame.chips.iter().map(Complex32::norm_sqr).sum();
        // Random QAM symbols: the mean of 1e4 symbols or more strays by less than a per cent.
        assert!((power / frame.chips.len() as f32 - 1.0).abs() < 0.02, "{name}");
    }
}

#[test]
fn names_are_read_in_any_case_and_spacing() {
    assert_eq!(FrameSpec::parse("  MCS   12 "), FrameSpec::parse("mcs 12"));
    assert_eq!(FrameSpec::parse("QPSK uncoded"), FrameSpec::parse("qpsk uncoded"));
}

#[test]
fn an_unknown_name_is_answered_with_the_nearest() {
    let check_nearest = |name: &str, expected: Option<&str>| {
        let Err(FrameError::UnknownName { nearest, .. }) = FrameSpec::parse(name) else {
            panic!("'{name}' names no frame")
        };
        assert_eq!(nearest.as_deref(), expected, "{name}");
    };
    check_nearest("qpks uncoded", Some("qpsk uncoded"));
    check_nearest("16qam uncoded", Some("16-qam uncoded"));
    check_nearest("mcs12", Some("mcs 12"));
    check_nearest("qpsk uncoded no guards", Some("qpsk uncoded without guards"));
    check_nearest("something else entirely", None);
    check_nearest(&"x".repeat(100_000), None);
    let message = FrameSpec::parse("mcs 12.9").expect_err("no such MCS").to_string();
    assert!(
        message.contains("did you mean 'mcs 12") && message.contains("64-qam uncoded"),
        "{message}"
    );
}

#[derive(Deserialize)]
struct Example {
    #[serde(default)]
    mcs: String,
    coded: ReferenceBits,
    field: ReferenceChips,
}

#[derive(Deserialize)]
struct QamExample {
    coded: ReferenceBits,
    guard: ReferenceChips,
    field: ReferenceSymbols,
}

#[derive(Deserialize)]
struct Preamble {
    preamble: ReferenceChips,
}

#[derive(Deserialize)]
struct Spreading {
    symbols: ReferenceBits,
    field: ReferenceChips,
}

/// The frame of the worked example (IEEE 802.11 submission 11-12/0077r0, data in 11-12/0078r0):
/// 1000 octets, octet i of value i modulo 256.
fn example_frame(mcs: &str) -> Frame {
    let kind = FrameKind::Dmg { mcs: mcs.parse().expect("a known MCS") };
    let payload = Payload::Octets((0..1000).map(|i| (i % 256) as u8).collect());
    build(&FrameSpec { kind, payload }).expect("a valid frame")
}

fn check_chips(chips: &[Complex32], expected: &[Complex32], what: &str) {
    assert_eq!(chips.len(), expected.len(), "{what}");
    for (k, (chip, reference)) in chips.iter().zip(expected).enumerate() {
        // Levels of QAM are rounded to single precision twice.
        assert!((chip - reference).norm() < 2e-7, "{what}, chip {k}: {chip} {reference}");
    }
}

#[test]
fn preamble_is_that_of_the_worked_example() {
    let Preamble { preamble } = read(reference_file!("dmg-preamble.yaml"));
    check_chips(preamble_chips(), &preamble.chips(), "preamble");
    let frame = example_frame("2");
    check_chips(&frame.chips[..PREAMBLE_CHIPS], &preamble.chips(), "start of the frame");
}

#[test]
fn header_field_is_that_of_the_worked_example() {
    let example: Example = read(reference_file!("dmg-header.yaml"));
    let frame = example_frame("2");
    let ranges: Vec<_> = frame.layout.header_blocks_ranges().collect();
    let header = &frame.chips[ranges[0].start..ranges[1].end];
    check_chips(header, &example.field.chips(), "header");
}

#[test]
fn data_fields_are_those_of_the_worked_example() {
    for text in [
        reference_file!("dmg-payload-mcs-1.yaml"),
        reference_file!("dmg-payload-mcs-5.yaml"),
        reference_file!("dmg-payload-mcs-7.yaml"),
    ] {
        let example: Example = read(text);
        let frame = example_frame(&example.mcs);
        assert!(frame.coded_bits == example.coded.bits(), "MCS {}", example.mcs);
        let data = &frame.chips[frame.layout.data_start()..];
        check_chips(data, &example.field.chips(), &format!("MCS {}", example.mcs));
    }
}

#[test]
fn data_field_of_16_qam_is_that_of_the_worked_example() {
    let example: QamExample = read(reference_file!("dmg-payload-mcs-12.yaml"));
    let frame = example_frame("12");
    assert!(frame.coded_bits == example.coded.bits());
    let (guard, symbols) = (example.guard.chips(), example.field.symbols());
    let mut expected = Vec::new();
    for block in symbols.chunks(DATA_SYMBOLS_PER_BLOCK) {
        expected.extend_from_slice(&guard);
        expected.extend_from_slice(block);
    }
    expected.extend_from_slice(&guard);
    check_chips(&frame.chips[frame.layout.data_start()..], &expected, "MCS 12");
    assert_eq!(frame.report().codewords, 16);
}

/// The control PHY's example, for the sequence that single-carrier frames do not use.
#[test]
fn ga32_is_the_spreading_sequence_of_the_worked_example() {
    let example: Spreading = read(reference_file!("dmg-ga32-spreading.yaml"));
    let signs = example.symbols.bits().into_iter().map(|bit| 2 * bit as i8 - 1);
    let mut chips: Vec<Complex32> =
        signs.flat_map(|sign| ga32().iter().map(move |chip| real(chip * sign))).collect();
    rotate_half_pi(&mut chips, 0);
    check_chips(&chips, &example.field.chips(), "control PHY");
}

/// A naive reading of the published layout, against the builder.
#[test]
fn uncoded_frames_carry_their_bits_between_guards() {
    for constellation in Constellation::ALL {
        let spec = FrameSpec::parse(&format!("{constellation} uncoded")).expect("a known name");
        let frame = build(&spec).expect("valid");
        let mut decided = Vec::new();
        for range in frame.layout.data_block_ranges() {
            let mut block = frame.chips[range.clone()].to_vec();
            derotate_half_pi(&mut block, range.start);
            let guard: Vec<i8> = block[..GUARD_CHIPS].iter().map(|chip| chip.re as i8).collect();
            assert_eq!(guard, ga64());
            block[GUARD_CHIPS..].iter().for_each(|z| constellation.demap_hard(*z, &mut decided));
        }
        assert!(decided == frame.coded_bits, "{constellation}");
        assert!(decided == octets_to_bits(&frame.psdu), "{constellation}");
        assert_eq!(frame.chips[frame.layout.closing_guard_range()], *guard_chips());
    }
}

/// Without guards: 448 symbols a block right after the preamble, and nothing else, the rotation going
/// on from the preamble's.
#[test]
fn frames_without_guards_are_nothing_but_preamble_and_data() {
    for constellation in Constellation::ALL {
        let name = format!("{constellation} uncoded without guards");
        let frame = build(&FrameSpec::parse(&name).expect("a known name")).expect("valid");
        assert_eq!(frame.chips[..PREAMBLE_CHIPS], *preamble_chips());
        assert_eq!(frame.chips.len(), 3328 + 128 * 448);
        let mut data = frame.chips[PREAMBLE_CHIPS..].to_vec();
        derotate_half_pi(&mut data, PREAMBLE_CHIPS);
        let mut decided = Vec::new();
        data.iter().for_each(|z| constellation.demap_hard(*z, &mut decided));
        assert!(decided == frame.coded_bits, "{constellation}");
        // The same bits as with guards: only the guards differ.
        let guarded = FrameSpec::parse(&format!("{constellation} uncoded")).expect("known");
        assert!(build(&guarded).expect("valid").coded_bits == decided, "{constellation}");
    }
}

/// Every sequence fills every uncoded frame, with its polynomial's recurrence (ITU-T O.150: the bit
/// sent is the sum of two earlier ones, inverted twice where the signal is).
#[test]
fn every_test_sequence_is_offered() {
    let taps = [(7, 6), (9, 5), (11, 9), (15, 14), (23, 18), (31, 28)];
    for (order, (high, low)) in PrbsOrder::ALL.into_iter().zip(taps) {
        let kind =
            FrameKind::Uncoded { constellation: Constellation::Qam16, blocks: 2, guards: false };
        let payload = Payload::Prbs { order, seed: 5, octets: 0 };
        let bits = build(&FrameSpec { kind, payload }).expect("valid").coded_bits;
        let inverted = u8::from(matches!(high, 15 | 23 | 31));
        let raw: Vec<u8> = bits.iter().map(|bit| bit ^ inverted).collect();
        assert!((high..raw.len()).all(|n| raw[n] == raw[n - high] ^ raw[n - low]), "{order}");
    }
}

#[test]
fn a_test_sequence_fills_an_uncoded_frame_and_octets_repeat() {
    let kind = FrameKind::Uncoded { constellation: Constellation::Bpsk, blocks: 1, guards: true };
    let payload = Payload::Prbs { order: PrbsOrder::Order7, seed: 1, octets: 0 };
    let frame = build(&FrameSpec { kind, payload }).expect("valid");
    let sequence = Prbs::new(PrbsOrder::Order7, 1).expect("not zero");
    assert!(sequence.take(448).eq(frame.coded_bits));
    let frame = build(&FrameSpec { kind, payload: Payload::Octets(vec![1, 2, 3]) }).expect("valid");
    assert_eq!(frame.psdu, [1, 2, 3].repeat(19)[..56]);
}

/// Figures worked by hand from the layout and the chip rate of 1.76 GHz.
#[test]
fn report_states_rate_duration_and_sizes() {
    let report = example_frame("12").report();
    let chips = 3328 + 1024 + 6 * 512 + 64;
    assert_eq!((report.chips, report.blocks, report.psdu_octets), (chips, 6, 1000));
    assert_eq!(report.data_rate_bps, 4.62e9);
    // Rounding only.
    assert!((report.duration_s / (chips as f64 / 1.76e9) - 1.0).abs() < 1e-12);
    assert!((report.net_rate_bps * report.duration_s - 8000.0).abs() < 1e-6);
    let uncoded = build(&FrameSpec::parse("qpsk uncoded").expect("known")).expect("valid").report();
    assert_eq!((uncoded.data_rate_bps, uncoded.codewords, uncoded.blocks), (3.08e9, 0, 128));
    assert_eq!(uncoded.psdu_octets, 128 * 448 * 2 / 8);
}

/// The rates of the standard's table at its chip rate, and in proportion at others.
#[test]
fn report_follows_the_symbol_rate() {
    let close = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
    // IEEE 802.11ad-2012 Table 21-18: MCS 1 385 Mbit/s, MCS 9 2502.5, MCS 12 4620.
    for (mcs, rate_bps) in [("1", 385e6), ("9", 2502.5e6), ("12", 4620e6)] {
        let frame = example_frame(mcs);
        let (standard, half) = (frame.report(), frame.report_at(0.88e9));
        assert!(close(standard.data_rate_bps, rate_bps), "MCS {mcs}");
        assert!(close(half.data_rate_bps, rate_bps / 2.0) && half.symbol_rate_hz == 0.88e9);
        assert!(close(half.duration_s, 2.0 * standard.duration_s));
        assert!(close(half.net_rate_bps, standard.net_rate_bps / 2.0));
        assert_eq!((half.blocks, half.codewords), (standard.blocks, standard.codewords));
    }
    let named = |name| build(&FrameSpec::parse(name).expect("known")).expect("valid");
    // 6 bits a symbol, of which 448 in 512 carry data, or all.
    let report = named("64-qam uncoded").report_at(1e6);
    assert!(close(report.data_rate_bps, 6e6 * 448.0 / 512.0));
    let report = named("64-qam uncoded without guards").report_at(1e6);
    assert!(close(report.data_rate_bps, 6e6));
    assert!(close(report.duration_s, f64::from(3328 + 128 * 448) / 1e6));
}

#[test]
fn frames_that_cannot_be_are_refused() {
    let prbs = |seed, octets| Payload::Prbs { order: PrbsOrder::Order9, seed, octets };
    let uncoded =
        |blocks| FrameKind::Uncoded { constellation: Constellation::Qpsk, blocks, guards: true };
    let coded = FrameKind::Dmg { mcs: "4".parse().expect("a known MCS") };
    let empty = |octets| FrameError::Header(HeaderError::Length(octets));
    let cases = [
        (uncoded(0), prbs(1, 1), FrameError::Blocks(0)),
        (uncoded(usize::MAX), prbs(1, 1), FrameError::Blocks(usize::MAX)),
        (uncoded(1), prbs(0, 1), FrameError::PrbsSeed { order: PrbsOrder::Order9, seed: 0 }),
        (uncoded(1), Payload::Octets(vec![]), FrameError::PayloadSize { octets: 0, capacity: 112 }),
        (
            uncoded(1),
            Payload::Octets(vec![0; 113]),
            FrameError::PayloadSize { octets: 113, capacity: 112 },
        ),
        (coded, prbs(1, 0), empty(0)),
        (coded, prbs(1, usize::MAX), empty(usize::MAX)),
        (coded, Payload::Octets(vec![0; 1 << 18]), empty(1 << 18)),
        (coded, prbs(512, 10), FrameError::PrbsSeed { order: PrbsOrder::Order9, seed: 512 }),
    ];
    for (kind, payload, expected) in cases {
        assert_eq!(build(&FrameSpec { kind, payload }), Err(expected));
    }
}

/// The whole way from a frame's chips to the PSDU, header first, for every scheme.
#[test]
fn every_frame_is_read_back_from_its_chips() {
    for mcs in Mcs::all() {
        let frame = example_frame(mcs.name());
        let soft = |range: std::ops::Range<usize>, constellation: Constellation| {
            let mut block = frame.chips[range.clone()].to_vec();
            derotate_half_pi(&mut block, range.start);
            let mut out = Vec::new();
            block[GUARD_CHIPS..].iter().for_each(|z| constellation.demap_soft(*z, 0.1, &mut out));
            out
        };
        let blocks: Vec<[f32; 448]> = frame
            .layout
            .header_blocks_ranges()
            .map(|range| soft(range, Constellation::Bpsk).try_into().expect("448 symbols"))
            .collect();
        let header = header::decode(&blocks[0], &blocks[1]).expect("a clean header");
        assert_eq!(header.mcs(), Some(mcs));
        let data: Vec<f32> =
            frame.layout.data_block_ranges().flat_map(|r| soft(r, mcs.constellation())).collect();
        let decoded = payload::decode_announced(&header, &data, &crate::phy::workers::Alone)
            .expect("all soft bits");
        assert_eq!((decoded.codewords_failed, decoded.raw_bit_errors), (0, 0), "MCS {mcs}");
        assert_eq!(decoded.psdu[..1000], frame.psdu, "MCS {mcs}");
    }
}
