//! Recordings of other shapes: codes by their definition, the converter against tones and a
//! modulated signal.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};
use proptest::prelude::*;

use super::*;
use crate::phy::constellation::Constellation;
use crate::phy::link_testing::{Link, Noise, db};
use crate::phy::recording::widen;

#[track_caller]
fn check_codes(codes: Codes<'_>, expected: &[(f32, bool)]) {
    assert_eq!(codes.len(), expected.len());
    for (n, expected) in expected.iter().enumerate() {
        assert_eq!(codes.get(n), *expected, "{codes:?}, sample {n}");
    }
    assert_eq!(codes.get(codes.len()).0, 0.0);
}

/// Two's complement and offset binary by their definitions (IEEE Std 1241, from memory).
#[test]
fn codes_are_fractions_of_full_scale() {
    check_codes(
        Codes::I8(&[-128, 0, 64, 127]),
        &[(-1.0, true), (0.0, false), (0.5, false), (127.0 / 128.0, true)],
    );
    check_codes(
        Codes::U8(&[0, 128, 192, 255]),
        &[(-1.0, true), (0.0, false), (0.5, false), (127.0 / 128.0, true)],
    );
    let ends = [(-1.0, true), (-1.0 / 2048.0, false), (0.5, false), (2047.0 / 2048.0, true)];
    check_codes(Codes::I12Right(&[-2048, -1, 1024, 2047]), &ends);
    // Without extended sign, and with something in the bits that are not used.
    check_codes(Codes::I12Right(&[0x0800, 0x0FFF, 0x0400, 0x37FF]), &ends);
    check_codes(Codes::I12Left(&[i16::MIN, -16, 0x4000, 0x7FF0]), &ends);
    check_codes(Codes::I12Left(&[i16::MIN + 15, -1, 0x400F, 0x7FFF]), &ends);
    check_codes(
        Codes::I16(&[i16::MIN, 0, 0x4000, i16::MAX]),
        &[(-1.0, true), (0.0, false), (0.5, false), (32767.0 / 32768.0, true)],
    );
    let values = [-0.2, 0.05, 0.2];
    let volts = Codes::Float { values: &values, full_scale: 0.2 };
    check_codes(volts, &[(-1.0, true), (0.25, false), (1.0, true)]);
    assert!(!volts.is_empty() && Codes::I8(&[]).is_empty());
}

#[test]
fn channels_become_complex() {
    let i = [-128_i8, 0, 64];
    let q = [128_u8, 192, 255];
    let both = two_channels(&Codes::I8(&i), &Codes::U8(&q)).expect("as long");
    let expected = [(-1.0, 0.0), (0.0, 0.5), (0.5, 127.0 / 128.0)];
    let expected = expected.map(|(re, im)| Complex32::new(re, im));
    assert_eq!(both.samples, expected);
    assert!((both.clipped_fraction - 2.0 / 3.0).abs() < 1e-12);
    let turns = [-128_i8, 0, 0, 64, 64, 126];
    let turned = interleaved(&Codes::I8(&turns)).expect("pairs");
    assert_eq!(turned.samples[..2], expected[..2]);
    assert!((turned.clipped_fraction - 1.0 / 3.0).abs() < 1e-12);
    assert_eq!(interleaved(&Codes::I16(&[])).expect("nothing"), Converted::default());
}

#[test]
fn what_does_not_fit_together_is_refused() {
    let two = two_channels(&Codes::I8(&[1, 2]), &Codes::I8(&[1]));
    assert_eq!(two, Err(InputError::Lengths { i: 2, q: 1 }));
    assert_eq!(interleaved(&Codes::I8(&[1])), Err(InputError::Odd(1)));
    for bad in [f32::NAN, f32::INFINITY] {
        let values = [0.0, 0.0, bad, 0.0];
        let codes = Codes::Float { values: &values, full_scale: 1.0 };
        assert_eq!(interleaved(&codes), Err(InputError::NotFinite(2)));
        assert_eq!(two_channels(&codes, &codes), Err(InputError::NotFinite(2)));
        assert_eq!(from_intermediate(&codes, &shape(2e9)), Err(InputError::NotFinite(2)));
    }
}

/// A signal of the standard's rate and roll-off at 8 GS/s.
fn shape(centre_hz: f64) -> IntermediateFrequency {
    IntermediateFrequency {
        sample_rate_hz: 8e9,
        centre_hz,
        symbol_rate_hz: 1.76e9,
        rolloff: 0.25,
        inverted: false,
    }
}

#[track_caller]
fn check_refused(shape: IntermediateFrequency, expected: &str) {
    let error = Converter::new(&shape).err().expect("refused").to_string();
    assert!(error.contains(expected), "{error}");
}

#[test]
fn messages_say_what_would_fit() {
    // 2.222 GHz wide with room for the carrier: from 1.191 to (8 - 2.222 - 0.08)/2 = 2.849 GHz.
    let fit = "1.191 GHz to 2.849 GHz fit";
    check_refused(shape(1.1e9), fit);
    check_refused(shape(3.0e9), fit);
    check_refused(shape(1.1e9), "at an intermediate frequency of 1.1 GHz a signal 2.222 GHz wide");
    let slow = IntermediateFrequency { sample_rate_hz: 4.4e9, ..shape(1.1e9) };
    check_refused(
        slow,
        "does not fit into a sample rate of 4.4 GHz; record at 4.58145 GHz or more",
    );
    for value in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        check_refused(shape(value), "an intermediate frequency of");
        check_refused(IntermediateFrequency { sample_rate_hz: value, ..shape(2e9) }, "sample rate");
        check_refused(IntermediateFrequency { symbol_rate_hz: value, ..shape(2e9) }, "symbol rate");
    }
    check_refused(IntermediateFrequency { rolloff: f64::NAN, ..shape(2e9) }, "give 0 to 1");
    // What the message says does fit, and just so.
    for shape in [
        shape(1.191e9),
        shape(2.849e9),
        IntermediateFrequency { sample_rate_hz: 4.581_45e9, ..shape(1.156_816e9) },
    ] {
        assert!(Converter::new(&shape).is_ok(), "{shape:?}");
    }
}

fn convert(values: &[f32], shape: &IntermediateFrequency) -> Vec<Complex32> {
    let codes = Codes::Float { values, full_scale: 1.0 };
    let converted = from_intermediate(&codes, shape).expect("fits");
    assert_eq!(converted.samples.len(), values.len());
    converted.samples
}

/// Gain in dB of a tone at `offset_hz` from the centre, and what else comes out relative to it.
fn tone(shape: &IntermediateFrequency, offset_hz: f64) -> (f64, f64) {
    let count = 20_000_usize;
    let turn = |hz: f64, n: usize| TAU * (hz / shape.sample_rate_hz * n as f64).fract();
    let values: Vec<f32> =
        (0..count).map(|n| (0.8 * turn(shape.centre_hz + offset_hz, n).cos()) as f32).collect();
    let out = convert(&values, shape);
    // Away from the ends, where the filter has seen silence.
    let inner = 1000..count - 1000;
    let mean = inner
        .clone()
        .map(|n| widen(out[n]) * Complex64::from_polar(1.0, -turn(offset_hz, n)))
        .sum::<Complex64>()
        / inner.len() as f64;
    // The phase is that of the real tone: the filter's delay is taken off.
    assert!(mean.arg().abs() < 1e-4, "{offset_hz}: {}", mean.arg());
    let rest = inner
        .clone()
        .map(|n| (widen(out[n]) - mean * Complex64::from_polar(1.0, turn(offset_hz, n))).norm_sqr())
        .sum::<f64>()
        / inner.len() as f64;
    (db((mean / 0.8).norm_sqr()), db(rest / mean.norm_sqr()))
}

/// The pass band is flat within 0.05 dB over the signal's width, and the image is 70 dB down, wherever
/// the signal lies.
#[test]
fn tones_come_out_alone_and_of_their_size() {
    for shape in [
        shape(2e9),
        shape(1.2e9),
        shape(2.8e9),
        IntermediateFrequency { sample_rate_hz: 4.7e9, ..shape(1.17e9) },
        IntermediateFrequency { symbol_rate_hz: 0.1e9, rolloff: 0.5, ..shape(1.3e9) },
    ] {
        let half = (1.0 + shape.rolloff) / 2.0 * shape.symbol_rate_hz;
        for step in -4..=4 {
            let offset = half * f64::from(step) / 4.0;
            let (gain, rest) = tone(&shape, offset);
            assert!(gain.abs() < 0.01, "{shape:?} {offset}: {gain} dB");
            assert!(rest < -75.0, "{shape:?} {offset}: {rest} dB");
        }
    }
}

#[test]
fn the_digitisers_offset_is_taken_off() {
    for shape in [shape(2e9), shape(1.2e9), shape(2.8e9)] {
        let out = convert(&[1.0; 10_000], &shape);
        let worst =
            out[1000..9000].iter().map(|z| db(f64::from(z.norm_sqr()))).fold(-300.0, f64::max);
        assert!(worst < -75.0, "{shape:?}: {worst} dB");
    }
}

/// A modulated signal that is put at an intermediate frequency comes back, upright or inverted.
#[test]
fn a_modulated_signal_comes_back() {
    let mut noise = Noise::new(2);
    let points = Constellation::Qam16.points();
    let chips: Vec<Complex32> = (0..4000).map(|_| points[noise.bits() as usize % 16]).collect();
    let link = Link { cfo_hz: 4e6, gain: 0.3, ..Link::default() };
    let sent = link.receive(&chips);
    for (inverted, centre_hz) in [(false, 2e9), (true, 2.3e9), (false, 1.25e9)] {
        let values: Vec<f32> = sent
            .iter()
            .enumerate()
            .map(|(n, z)| {
                let z = if inverted { widen(*z).conj() } else { widen(*z) };
                let turn = TAU * (centre_hz / 8e9 * n as f64).fract();
                (z * Complex64::from_polar(1.0, turn)).re as f32
            })
            .collect();
        let out = convert(&values, &IntermediateFrequency { inverted, ..shape(centre_hz) });
        let power: f32 = sent.iter().map(Complex32::norm_sqr).sum();
        let error: f32 = sent.iter().zip(&out).map(|(a, b)| (a - b).norm_sqr()).sum();
        let left = db(f64::from(error / power));
        // The simulation cuts its pulses at 32 chips, which leaves that much beside the band.
        assert!(left < -60.0, "{inverted} {centre_hz}: {left} dB");
    }
}

#[test]
fn short_and_empty_recordings_are_converted() {
    for count in [0, 1, 2, 100, 1023, 1024, 1025] {
        let out = convert(&vec![0.5; count], &shape(2e9));
        assert!(out.iter().all(|z| z.is_finite()), "{count}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// However a recording is cut into chunks, not one bit changes.
    #[test]
    fn chunks_do_not_matter(sizes in prop::collection::vec(0_usize..3000, 0..8), seed: u64) {
        let mut noise = Noise::new(seed);
        let count = sizes.iter().sum();
        let values: Vec<f32> = (0..count).map(|_| noise.complex(0.1).re).collect();
        let whole = convert(&values, &shape(2e9));
        let mut converter = Converter::new(&shape(2e9)).expect("fits");
        let (mut out, mut rest) = (Vec::new(), &values[..]);
        for size in sizes {
            let (now, later) = rest.split_at(size);
            converter.push(now, &mut out);
            rest = later;
        }
        converter.finish(&mut out);
        prop_assert_eq!(out, whole);
    }
}
