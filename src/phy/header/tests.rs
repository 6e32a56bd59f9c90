//! The header against the published worked example (IEEE 802.11 submission 11-12/0077r0, data in
//! 11-12/0078r0), its length rule against arithmetic, its decoder against noise and garbage.

use proptest::prelude::*;
use serde::Deserialize;

use super::*;
use crate::phy::constellation::Constellation;
use crate::phy::testing::{Noise, ReferenceBits, noise_variance, read, reference_file};

#[derive(Deserialize)]
struct Example {
    scrambler_start_x1_to_x7: [u8; 7],
    header: ReferenceBits,
    scrambled: ReferenceBits,
    codeword: ReferenceBits,
    first_copy: ReferenceBits,
    second_copy: ReferenceBits,
    coded: ReferenceBits,
}

fn example() -> Example {
    read(reference_file!("dmg-header.yaml"))
}

/// The example's header: MCS 2, 1000 octets.
fn example_header() -> Header {
    Header::new(mcs("2"), 1000, 0x42).expect("a valid header")
}

fn mcs(name: &str) -> Mcs {
    name.parse().expect("a known MCS")
}

#[test]
fn header_bits_are_those_of_the_worked_example() {
    let example = example();
    assert_eq!(example_header().bits()[..CLEAR_BITS], example.scrambler_start_x1_to_x7);
    assert_eq!(example_header().bits()[..], example.header.bits());
    assert_eq!(example_header().encode()[..], example.coded.bits());
}

#[test]
fn each_encoding_step_is_that_of_the_worked_example() {
    let example = example();
    let mut bits = example_header().bits();
    Scrambler::new(0x42).apply(&mut bits[CLEAR_BITS..]);
    assert_eq!(bits[..], example.scrambled.bits());
    let mut codeword = Vec::new();
    encode_codeword(CodeRate::ThreeQuarters, &bits, &mut codeword);
    assert_eq!(codeword, example.codeword.bits());
    let copy = |positions: fn(usize) -> usize| -> Vec<u8> {
        (0..COPY_BITS).map(|n| codeword[positions(n)]).collect()
    };
    assert_eq!(copy(first_copy), example.first_copy.bits());
    assert_eq!(copy(second_copy), example.second_copy.bits());
}

/// CRC-16 with this polynomial, preset and complement: the check value 0xD64E for "123456789" of
/// the CRC catalogues (CRC-16/GENIBUS; from memory) confirms polynomial, preset and complement.
#[test]
fn check_sequence_has_the_published_values() {
    let bits: Vec<u8> =
        b"123456789".iter().flat_map(|octet| (0..8).rev().map(move |k| octet >> k & 1)).collect();
    assert_eq!(check_sequence(&bits), 0xD64E);
    // Printed with the worked example.
    assert_eq!(check_sequence(&example().header.bits()[..CHECKED_BITS]), 0x9579);
}

/// Every error of one, two or three bits and every burst up to 16 bits is found, as the polynomial
/// promises for words this short.
#[test]
fn check_sequence_finds_small_errors_and_bursts() {
    let sent = example_header().bits();
    let flipped = |positions: &[usize]| {
        let mut bits = sent;
        positions.iter().for_each(|n| bits[*n] ^= 1);
        Header::from_bits(&bits)
    };
    assert_eq!(flipped(&[]), Some(example_header()));
    for a in 0..HEADER_BITS {
        assert_eq!(flipped(&[a]), None);
        for b in 0..a {
            assert_eq!(flipped(&[a, b]), None);
            assert!((0..b).all(|c| flipped(&[a, b, c]).is_none()));
        }
    }
    for start in 0..=HEADER_BITS - 16 {
        let burst: Vec<usize> = (start..start + 16).collect();
        assert_eq!(flipped(&burst), None);
    }
}

/// The closed forms of IEEE 802.11-2016 clause 20.6.3.1, in exact integer arithmetic: numerators
/// and denominators of codewords per block and octets per codeword.
#[test]
fn base_lengths_follow_the_closed_forms() {
    // (base field, (blocks factor, octets factor) of Base_Length1, the same of Base_Length2)
    type Ratio = (usize, usize);
    let rows: [(u8, [Ratio; 2], [Ratio; 2]); 7] = [
        (6, [(4, 3), (42, 1)], [(56, 39), (273, 4)]),
        (7, [(4, 3), (105, 2)], [(8, 3), (273, 4)]),
        (8, [(4, 3), (63, 1)], [(112, 39), (273, 4)]),
        (9, [(4, 3), (273, 4)], [(1, 1), (210, 1)]),
        (10, [(8, 3), (42, 1)], [(1, 1), (252, 1)]),
        (11, [(8, 3), (105, 2)], [(1, 1), (273, 1)]),
        (12, [(8, 3), (63, 1)], [(56, 13), (273, 4)]),
    ];
    for (field, first, second) in rows {
        let mcs = Mcs::from_header(field, true).expect("an extended MCS");
        for blocks in 1..600 {
            let form = |[(a, b), (c, d)]: [Ratio; 2]| blocks * a / b * c / d;
            assert_eq!(base_lengths(mcs, blocks), Some((form(first), form(second))), "MCS {mcs}");
        }
    }
}

/// A receiver that knows only the base MCS still computes the number of blocks, and one that knows
/// the extended MCS gets the length rounded up by at most three octets.
#[test]
fn extended_length_keeps_blocks_and_length() {
    for mcs in Mcs::all().filter(|mcs| mcs.is_extended()) {
        let base = Mcs::from_header(mcs.base_field(), false).expect("the base MCS");
        for octets in (1..3000).chain((4000..262_000).step_by(1009)) {
            let header = Header::new(mcs, octets, 1).expect("expressible");
            let blocks = PayloadSizes::new(mcs, octets).blocks;
            assert_eq!(PayloadSizes::new(base, header.length as usize).blocks, blocks, "{octets}");
            let announced = header.psdu_octets().expect("consistent");
            assert!((octets..octets + 4).contains(&announced), "MCS {mcs}: {octets} {announced}");
        }
    }
}

#[test]
fn impossible_headers_are_refused() {
    assert_eq!(Header::new(mcs("1"), 0, 1), Err(HeaderError::Length(0)));
    assert_eq!(Header::new(mcs("1"), 1 << 18, 1), Err(HeaderError::Length(1 << 18)));
    assert_eq!(Header::new(mcs("1"), 1, 0), Err(HeaderError::Seed(0)));
    assert_eq!(Header::new(mcs("1"), 1, 128), Err(HeaderError::Seed(128)));
    let reserved = Header { base_mcs: 31, ..example_header() };
    assert_eq!((reserved.mcs(), reserved.psdu_octets()), (None, None));
    let empty = Header { length: 0, ..example_header() };
    assert_eq!(empty.psdu_octets(), None);
    // Extended headers whose Length field cannot have come from the rule.
    for (base_mcs, length) in (6..=12).flat_map(|field| [(field, 0), (field, 1), (field, 262_143)])
    {
        let header = Header { base_mcs, length, extended_mcs: true, ..example_header() };
        assert!(header.psdu_octets().is_none_or(|octets| octets <= PSDU_OCTETS_MAX));
    }
}

/// Soft values of both header blocks over noise.
fn received(header: &Header, es_n0_db: f64, noise: &mut Noise) -> [[f32; HEADER_CODED_BITS]; 2] {
    let variance = noise_variance(es_n0_db);
    let symbols = Constellation::Bpsk.map(&header.encode());
    [1.0, -1.0].map(|sign| {
        let mut soft = Vec::new();
        for symbol in &symbols {
            let z = symbol * sign + noise.complex() * variance.sqrt();
            Constellation::Bpsk.demap_soft(z, variance, &mut soft);
        }
        soft.try_into().expect("one value per symbol")
    })
}

/// The header has 64 bits in 896 symbols, so it must hold well below the sensitivity of MCS 1,
/// whose two copies carry 168 bits in 672.
#[test]
fn header_is_decoded_at_low_snr() {
    let mut noise = Noise::new(64);
    let missed = |es_n0_db: f64, noise: &mut Noise| {
        let results = (0..200).map(|n| {
            let header = Header::new(mcs("7"), 1 + 1000 * n, 1 + (n % 127) as u8).expect("valid");
            let [first, second] = received(&header, es_n0_db, noise);
            let decoded = decode(&first, &second);
            assert!(decoded.is_none_or(|found| found == header), "a wrong header was accepted");
            usize::from(decoded.is_none())
        });
        results.sum::<usize>()
    };
    assert_eq!(missed(-3.0, &mut noise), 0);
    // Far below, headers are lost but never invented.
    assert!(missed(-12.0, &mut noise) > 150);
}

#[test]
fn one_block_alone_is_enough() {
    let header = example_header();
    let [first, second] = received(&header, 20.0, &mut Noise::new(1));
    let nothing = [0.0; HEADER_CODED_BITS];
    assert_eq!(decode(&first, &nothing), Some(header));
    assert_eq!(decode(&nothing, &second), Some(header));
    assert_eq!(decode(&second, &first), None, "the second block has the opposite sign");
}

#[test]
fn garbage_is_no_header() {
    let mut noise = Noise::new(3);
    for _ in 0..2000 {
        let [first, second] = [(); 2].map(|()| std::array::from_fn(|_| noise.complex().re));
        assert_eq!(decode(&first, &second), None);
    }
    for value in [0.0, 1.0, -1.0, f32::NAN, f32::INFINITY, f32::MAX] {
        let same = [value; HEADER_CODED_BITS];
        assert_eq!(decode(&same, &same), None, "{value}");
        assert_eq!(decode(&same, &[0.0; HEADER_CODED_BITS]), None, "{value}");
    }
}

proptest! {
    #[test]
    fn any_header_comes_back(
        scrambler_seed in 1_u8..128,
        base_mcs in 0_u8..32,
        length in 0_u32..1 << 18,
        flags in any::<[bool; 6]>(),
        training_length in 0_u8..32,
        last_rssi in 0_u8..16,
    ) {
        let header = Header {
            scrambler_seed,
            base_mcs,
            length,
            additional_ppdu: flags[0],
            packet_type: flags[1],
            training_length,
            aggregation: flags[2],
            beam_tracking_request: flags[3],
            last_rssi,
            turnaround: flags[4],
            extended_mcs: flags[5],
        };
        prop_assert_eq!(Header::from_bits(&header.bits()), Some(header));
        let [first, second] = received(&header, 6.0, &mut Noise::new(u64::from(length)));
        prop_assert_eq!(decode(&first, &second), Some(header));
        // Whatever a header says, its length is refused or bounded.
        prop_assert!(header.psdu_octets().is_none_or(|n| (1..=PSDU_OCTETS_MAX).contains(&n)));
    }
}
