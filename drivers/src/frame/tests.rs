//! Tests of frames: literal bytes, and what random and damaged bytes become.

use super::*;
use proptest::prelude::*;

const CRC16: Checksum = Checksum::Crc(Crc {
    bits: 16,
    polynomial: 0x1021,
    initial: 0xFFFF,
    reflected: false,
    final_xor: 0,
});

fn port(checksum: Checksum, high_first: bool) -> FramePort {
    use Part::{Address, Byte, Checksum, Code, Data, Text};
    FramePort {
        high_first,
        address_bytes: 2,
        data_bytes: 2,
        checksum: Some(checksum),
        identify: vec![Byte(0xA5), Byte(3), Checksum],
        identity: vec![Byte(0xA5), Byte(0x83), Text, Checksum],
        read: vec![Byte(0xA5), Byte(1), Address, Checksum],
        read_answer: vec![Byte(0xA5), Byte(0x81), Address, Data, Checksum],
        write: vec![Byte(0xA5), Byte(2), Address, Data, Checksum],
        write_answer: vec![Byte(0xA5), Byte(0x82), Address, Checksum],
        refusal: vec![Byte(0xA5), Byte(0xEE), Address, Code, Checksum],
        codes: BTreeMap::new(),
    }
}

fn write_of(address: u32, data: u32) -> Contents {
    Contents { address: Some(address), data: Some(data), ..Contents::default() }
}

/// Feeds as many bytes as the reader asks for at a time; what it made of them.
fn read(
    port: &FramePort,
    due: Vec<&[Part]>,
    bytes: &[u8],
) -> Result<(FrameStep, usize), FrameFault> {
    let mut reader = FrameReader::new(port, due);
    let mut used = 0;
    loop {
        match reader.advance()? {
            FrameStep::More(more) if used < bytes.len() => {
                let end = (used + more).min(bytes.len());
                reader.room().extend_from_slice(&bytes[used..end]);
                used = end;
            }
            step => return Ok((step, used)),
        }
    }
}

#[test]
fn literal_frames() {
    // By hand: A5^02^01^07^87^1F = 39; the sum is A5+02+01+07+87+1F = 155, 55 modulo 256.
    let bytes = |checksum, high_first| {
        let port = port(checksum, high_first);
        port.emit(&port.write, &write_of(0x0107, 0x871F)).unwrap()
    };
    assert_eq!(bytes(Checksum::Xor, true), [0xA5, 2, 1, 7, 0x87, 0x1F, 0x39]);
    assert_eq!(bytes(Checksum::Xor, false), [0xA5, 2, 7, 1, 0x1F, 0x87, 0x39]);
    assert_eq!(bytes(Checksum::Sum8, true), [0xA5, 2, 1, 7, 0x87, 0x1F, 0x55]);
    let port = port(Checksum::Xor, true);
    let answer = [0xA5, 0x81, 0, 2, 0, 3, 0xA5 ^ 0x81 ^ 2 ^ 3];
    let due = || vec![port.read_answer.as_slice(), port.refusal.as_slice()];
    let done = FrameStep::Done(0, write_of(2, 3));
    assert_eq!(read(&port, due(), &answer), Ok((done.clone(), 7)));
    // What follows stays where it is.
    assert_eq!(read(&port, due(), &[&answer[..], &[0xA5]].concat()), Ok((done, 7)));
    let refusal = [0xA5, 0xEE, 0x20, 0, 2, 0xA5 ^ 0xEE ^ 0x20 ^ 2];
    let contents = Contents { address: Some(0x2000), code: Some(2), ..Contents::default() };
    assert_eq!(read(&port, due(), &refusal), Ok((FrameStep::Done(1, contents), 6)));
    assert_eq!(read(&port, due(), &answer[..5]), Ok((FrameStep::More(2), 5)));
    assert_eq!(read(&port, due(), &[0xA5, 0x82]), Err(FrameFault::OtherForm { at: 2 }));
    assert_eq!(read(&port, due(), b"= 0003\n"), Err(FrameFault::OtherForm { at: 1 }));
    let mut damaged = answer;
    damaged[5] ^= 4;
    assert_eq!(
        read(&port, due(), &damaged),
        Err(FrameFault::Checksum { found: 0x25, wanted: 0x21 })
    );
    let text = [&[0xA5, 0x83, 3][..], b"a b", &[0xA5 ^ 0x83 ^ 3 ^ b'a' ^ b' ' ^ b'b']].concat();
    let contents = Contents { text: Some(b"a b".to_vec()), ..Contents::default() };
    assert_eq!(read(&port, vec![&port.identity], &text), Ok((FrameStep::Done(0, contents), 7)));
    let too_large = port.emit(&port.read, &write_of(0x10000, 0));
    assert_eq!(too_large, Err(FrameFault::TooLarge { value: 0x10000, bytes: 2 }));
    assert_eq!(port.emit(&port.read, &Contents::default()), Err(FrameFault::Incomplete));
}

#[test]
fn forms_are_told_apart_by_fixed_bytes() {
    let port = port(Checksum::Xor, true);
    assert!(FramePort::told_apart(&port.read_answer, &port.refusal));
    assert!(!FramePort::told_apart(&port.read_answer, &port.read_answer));
    assert!(!FramePort::told_apart(
        &[Part::Address, Part::Byte(1)],
        &[Part::Address, Part::Byte(2)]
    ));
    assert!(!FramePort::told_apart(&[Part::Byte(1), Part::Data], &[Part::Byte(1), Part::Byte(2)]));
    assert_eq!(port.most_bytes(&port.identity), 259);
}

proptest! {
    #[test]
    fn what_is_emitted_is_read(address in any::<u16>(), data in any::<u16>(), high_first: bool, crc: bool) {
        let port = port(if crc { CRC16 } else { Checksum::Sum8 }, high_first);
        let contents = write_of(address.into(), data.into());
        let bytes = port.emit(&port.read_answer, &contents).unwrap();
        let due = vec![port.refusal.as_slice(), &port.read_answer];
        prop_assert_eq!(read(&port, due, &bytes), Ok((FrameStep::Done(1, contents), bytes.len())));
    }

    #[test]
    fn a_burst_within_the_checksum_is_seen(address in any::<u16>(), data in any::<u16>(), at in 0..48usize, burst in 1..=0xFFFFu32) {
        // A polynomial of degree 16 with a term of order 0 sees every burst of up to 16 bits.
        let port = port(CRC16, true);
        let contents = write_of(address.into(), data.into());
        let bytes = port.emit(&port.read_answer, &contents).unwrap();
        let whole = bytes.iter().fold(0u64, |all, byte| all << 8 | u64::from(*byte));
        let damaged = (whole ^ u64::from(burst) << at).to_be_bytes();
        prop_assert!(read(&port, vec![&port.read_answer], &damaged).is_err());
    }
}

/// A small generator (xorshift64*), so that the seed alone reproduces the run.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 16
    }
}

/// Random bytes of the right form but for the checksum: accepted as often as chance has it, once in
/// 256 with one byte, once in 65,536 with two; random bytes altogether end and never panic.
#[test]
fn random_bytes_are_accepted_as_rarely_as_the_checksum_promises() {
    let mut random = Random(0x5EED_0003);
    for (checksum, chance) in [(Checksum::Sum8, 1.0 / 256.0), (CRC16, 1.0 / 65_536.0)] {
        let port = port(checksum, true);
        let tries = 400_000;
        let mut accepted = 0;
        for _ in 0..tries {
            let mut bytes = random.next().to_be_bytes().to_vec();
            let due = vec![port.read_answer.as_slice(), &port.refusal];
            let _ = read(&port, due.clone(), &bytes);
            bytes.rotate_left(2);
            bytes[0] = 0xA5;
            bytes[1] = 0x81;
            accepted +=
                usize::from(matches!(read(&port, due, &bytes), Ok((FrameStep::Done(..), _))));
        }
        let expected = chance * f64::from(tries);
        // A count spreads by its root; five times that is beyond chance.
        let beyond = (accepted as f64 - expected).abs() > 5.0 * expected.sqrt();
        assert!(!beyond, "{accepted} accepted where {expected} are expected");
    }
}
