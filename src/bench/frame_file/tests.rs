//! Frame files: what they make, and what is wrong with them.

use super::*;
use crate::phy::bits::bits_to_octets;

fn read(text: &str, near: &Path) -> Result<FrameFile, String> {
    FrameFile::read(&Source::new("own.frame.yaml", text), near).map_err(|f| f.render(false))
}

#[track_caller]
fn good(text: &str) -> NamedFrame {
    read(text, Path::new("")).unwrap_or_else(|faults| panic!("{faults}")).frame
}

/// Wants all of these texts among the faults, each of which names its place.
#[track_caller]
fn check_faults(text: &str, expected: &[&str]) {
    let shown = read(text, Path::new("")).expect_err("the file is at fault");
    for part in expected {
        assert!(shown.contains(part), "{part} is not in\n{shown}");
    }
}

#[test]
fn every_key_reaches_the_frame() {
    let frame = good(
        "frame: long\nmodulation: 64-qam\nblocks: 7\nguards: off\nsymbol_rate: 880 MHz\n\
         roll_off: 0.05\npayload: {bits: 31, seed: 0x55}\n",
    );
    assert_eq!(frame.name, "long");
    assert_eq!((frame.symbol_rate_hz, frame.roll_off), (Some(0.88e9), Some(0.05)));
    let kind = FrameKind::Uncoded { constellation: Constellation::Qam64, blocks: 7, guards: false };
    assert_eq!(frame.spec.kind, kind);
    let payload = Payload::Prbs { order: PrbsOrder::Order31, seed: 0x55, octets: 4096 };
    assert_eq!(frame.spec.payload, payload);
    let coded = good("frame: short\nmcs: 12.6\noctets: 100\n");
    assert_eq!(coded.spec.to_string(), "mcs 12.6");
    assert_eq!((coded.symbol_rate_hz, coded.roll_off), (None, None));
    assert!(matches!(coded.spec.payload, Payload::Prbs { octets: 100, seed: 0x7f_ffff, .. }));
}

#[test]
fn every_sequence_and_modulation_is_offered() {
    for order in PrbsOrder::ALL {
        for modulation in MODULATIONS {
            let bits = order.stages();
            let text = format!("frame: f\nmodulation: {modulation}\npayload: {{bits: {bits}}}");
            let frame = good(&text);
            assert!(matches!(frame.spec.payload, Payload::Prbs { order: o, .. } if o == order));
        }
    }
}

/// The least significant bit of an octet is sent first, and a file that is not as long as the frame
/// is repeated to its end.
#[test]
fn user_bits_come_from_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let octets: Vec<u8> = (0..100).collect();
    std::fs::write(folder.path().join("user.bin"), &octets).unwrap();
    let text = "frame: own\nmodulation: qpsk\npayload: {file: user.bin}";
    let file = read(text, folder.path()).unwrap();
    assert_eq!(file.payload, Some(("user.bin".into(), octets.clone())));
    let built = frame::build(&file.frame.spec).unwrap();
    // 800 bits need one block of 896.
    assert_eq!((built.layout.data_blocks, built.coded_bits.len()), (1, 896));
    assert_eq!(built.coded_bits[8..16], [1, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!(bits_to_octets(&built.coded_bits), [&octets[..], &octets[..12]].concat());
    let coded = read("frame: own\nmcs: 4\npayload: {file: user.bin}", folder.path()).unwrap();
    assert_eq!(frame::build(&coded.frame.spec).unwrap().psdu, octets);
    // Longer than the blocks that were asked for.
    let text = "frame: own\nmodulation: bpsk\nblocks: 1\npayload: {file: user.bin}";
    let shown = read(text, folder.path()).unwrap_err();
    assert!(shown.contains("the payload has 100 octets, the frame carries 1 to 56"), "{shown}");
    assert!(shown.contains("^^^^^^^^"), "{shown}");
}

#[test]
fn faults_are_told_together_and_underlined() {
    check_faults(
        "frame: mcs 9\nmodulation: qpks\nsymbol_rate: 1.76 V\nroll_off: 0.6\nguard: off\n",
        &[
            "'mcs 9' is a frame already",
            "did you mean 'qpsk'?",
            "'V' is a unit of another kind",
            "a roll-off is between 0.05 and 0.5",
            "unknown key 'guard' in frame",
        ],
    );
    check_faults(
        "frame: f\nmcs: 13\nblocks: 3\nguards: on\nsymbol_rate: 1 Hz\n",
        &[
            "there is no MCS '13'; there are 1 to 12, 9.1 and 12.1 to 12.6",
            "'blocks' goes with 'modulation' only",
            "'guards' goes with 'modulation' only",
            "a symbol rate is between 1 kHz and 100 GHz",
        ],
    );
    check_faults("frame: ''\nmcs: 1\n", &["a name has 1 to 64 letters"]);
    check_faults("frame: f\n", &["the frame is not determined", "give either mcs or modulation"]);
    check_faults(
        "frame: f\nmodulation: qpsk\npayload: {bits: 9, seed: 512}\n",
        &["the seed 0x200 leaves the register of prbs9 at zero", "^^^"],
    );
    check_faults(
        "frame: f\nmcs: 1\noctets: 5\npayload: {file: absent.bin}\n",
        &["failed to read the user bits in absent.bin", "'octets' goes with a test sequence only"],
    );
    check_faults(
        "frame: f\nmcs: 1\npayload: {bits: 9, file: user.bin}\n",
        &["one payload cannot be both 'bits' and 'file'"],
    );
    check_faults("frame: f\nmcs: 1\npayload: {bits: 10}\n", &["'10' is not known here"]);
}
