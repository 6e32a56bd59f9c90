//! The frame against its published layout and against itself.

use super::*;

#[test]
fn fields_follow_one_another() {
    for header in [false, true] {
        let layout = FrameLayout { header, data_blocks: 5, constellation: Constellation::Qpsk };
        let mut ranges = vec![layout.stf_range(), layout.cef_range()];
        ranges.extend(layout.header_blocks_ranges());
        ranges.extend(layout.data_block_ranges());
        ranges.push(layout.closing_guard_range());
        assert_eq!(ranges[0].start, 0);
        assert!(ranges.windows(2).all(|pair| pair[0].end == pair[1].start));
        assert_eq!(ranges.last().map(|range| range.end), Some(layout.total_chips()));
        // Clause 21.3.6: 2176 + 1152 chips, then 1024 of header, 512 a block, a closing 64.
        let expected = 2176 + 1152 + if header { 1024 } else { 0 } + 5 * 512 + 64;
        assert_eq!(layout.total_chips(), expected);
        assert_eq!(layout.data_block_range(4), layout.data_block_ranges().last());
        assert_eq!(layout.data_block_range(5), None);
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
    check_nearest("something else entirely", None);
    check_nearest(&"x".repeat(100_000), None);
    let message = FrameSpec::parse("mcs 12.9").expect_err("no such MCS").to_string();
    assert!(
        message.contains("did you mean 'mcs 12") && message.contains("64-qam uncoded"),
        "{message}"
    );
}
