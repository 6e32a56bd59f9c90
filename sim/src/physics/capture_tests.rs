//! Tests of the acquisition: noise and signal power, carrier offset, interpolation, clipping,
//! repetition.

use std::sync::Arc;

use num_complex::Complex64;

use super::capture::{Codes, Ray, Scene, Signal, Start, Waveform, capture};
use super::converters::{Digitiser, volts_per_code};
use super::filter::{Band, Bank, LowPass};
use super::receive::Receiver;
use super::transmit::{Played, Transmission};

const FILTER: LowPass = LowPass { pass_hz: 1.2e9, stop_hz: 2.0e9 };

fn quiet(points: usize) -> Scene {
    Scene {
        seed: 11,
        index: 0,
        signal: None,
        receiver: Receiver {
            shaper: Bank::default().shaper(&FILTER.into(), 125e-12),
            noise_v2_per_hz: 0.0,
            phase_noise: [None; 2],
            imbalance: None,
            offset_v: [0.0; 2],
            saturation: None,
        },
        start: Start::Marker,
        trigger_jitter_s: 0.0,
        offset_s: 0.0,
        points,
        interval_s: 125e-12,
        digitiser: Digitiser {
            range_v: 0.25,
            bits: 10,
            noise_v: 0.0,
            gain: [1.0; 2],
            offset_v: [0.0; 2],
            skew_s: 0.0,
            aperture_jitter_s: 0.0,
        },
    }
}

/// A tone of `cycles` per pass of `length` points, at `amplitude` of full scale.
fn tone(length: usize, cycles: f64, amplitude: f64) -> Waveform {
    let codes: Vec<[i16; 2]> = (0..length)
        .map(|n| {
            let turn = std::f64::consts::TAU * cycles * n as f64 / length as f64;
            let scale = amplitude * Waveform::FULL_SCALE;
            [(scale * turn.cos()).round() as i16, (scale * turn.sin()).round() as i16]
        })
        .collect();
    Waveform::from_codes(codes)
}

fn signal(waveform: Waveform) -> Signal {
    Signal {
        played: Arc::new(Played::new(&waveform, &Transmission::default())),
        rate_hz: 7.04e9,
        interpolator: Bank::default().interpolator(&FILTER.into(), 7.04e9),
        rays: vec![Ray { gain: Complex64::new(0.2, 0.0), delay_s: 0.0 }],
        carrier_offset_hz: 0.0,
        noise: 0.0,
    }
}

fn volts(codes: &Codes, scene: &Scene) -> Vec<Complex64> {
    let step = volts_per_code(scene.digitiser.range_v, scene.digitiser.bits);
    let pair = |(i, q): (&i16, &i16)| Complex64::new(f64::from(*i) * step, f64::from(*q) * step);
    codes.i.iter().zip(&codes.q).map(pair).collect()
}

fn power(samples: &[Complex64]) -> f64 {
    samples.iter().map(Complex64::norm_sqr).sum::<f64>() / samples.len() as f64
}

#[test]
fn noise_power_is_density_times_noise_bandwidth() {
    for interval_s in [50e-12, 125e-12, 1e-9] {
        let mut scene = quiet(200_000);
        scene.receiver.noise_v2_per_hz = 1e-12;
        scene.interval_s = interval_s;
        scene.receiver.shaper = Bank::default().shaper(&FILTER.into(), interval_s);
        let got = power(&volts(&capture(&scene), &scene));
        // Quantisation adds step^2/12 on each line (Bennett; common practice).
        let step = volts_per_code(scene.digitiser.range_v, scene.digitiser.bits);
        let expected = 1e-12 * Band::from(FILTER).noise_bandwidth_hz() + step * step / 6.0;
        // At least a fifth of the samples are independent: 4 sigma of 40,000 is 2 %.
        assert!((got / expected - 1.0).abs() < 0.02, "{interval_s}: {got} {expected}");
    }
}

#[test]
fn noise_is_flat_in_the_band_and_gone_outside() {
    let mut scene = quiet(1 << 16);
    scene.receiver.noise_v2_per_hz = 1e-12;
    scene.digitiser.bits = 16;
    let samples = volts(&capture(&scene), &scene);
    // Averaged periodogram by direct summation over segments of 64: bins of 125 MHz.
    let density = |bin: i32| {
        let turn = -std::f64::consts::TAU * f64::from(bin) / 64.0;
        let segments = samples.as_chunks::<64>().0;
        let sum: f64 = segments
            .iter()
            .map(|s| {
                let dft = |(n, x): (usize, &Complex64)| x * Complex64::cis(turn * n as f64);
                s.iter().enumerate().map(dft).sum::<Complex64>().norm_sqr()
            })
            .sum();
        sum / segments.len() as f64 / 64.0 * scene.interval_s
    };
    for bin in [-8, -3, 0, 3, 8] {
        // 1024 segments: 4 sigma is 12.5 %.
        let got = density(bin);
        assert!((got / 1e-12 - 1.0).abs() < 0.15, "bin {bin}: {got}");
    }
    assert!(density(26) < 0.02e-12 && density(-30) < 0.02e-12);
}

#[test]
fn a_tone_arrives_with_its_gain_offset_and_delay() {
    let mut scene = quiet(40_000);
    scene.digitiser.bits = 16;
    // 352 points per cycle: 20 MHz, and a carrier offset on top.
    let mut signal = signal(tone(3520, 10.0, 0.5));
    signal.carrier_offset_hz = 432_216.0;
    signal.rays[0].delay_s = 13.3e-9;
    scene.signal = Some(signal);
    let samples = volts(&capture(&scene), &scene);
    assert!((power(&samples).sqrt() / 0.1 - 1.0).abs() < 1e-3);
    let turn: Complex64 = samples.windows(2).map(|w| w[1] * w[0].conj()).sum();
    let hz = turn.arg() / std::f64::consts::TAU / scene.interval_s;
    // The mean turn of a noise-free tone: only rounding is left.
    assert!((hz - 20e6 - 432_216.0).abs() < 100.0, "{hz}");
    let worst =
        samples.windows(2).map(|w| (w[1] * w[0].conj()).arg()).map(|a| (a - turn.arg()).abs());
    assert!(worst.fold(0.0, f64::max) < 2e-3, "a seam in the loop");
}

#[test]
fn delay_shifts_the_record_within_the_pass() {
    let shape = |delay_s: f64, offset_s: f64| {
        let mut scene = quiet(2_000);
        let mut signal = signal(tone(704, 3.0, 0.5));
        signal.rays[0].delay_s = delay_s;
        scene.signal = Some(signal);
        scene.offset_s = offset_s;
        capture(&scene)
    };
    // Only the difference of delay and offset counts, and a whole pass (100 ns) not at all.
    assert_eq!(shape(0.0, -40e-9), shape(40e-9, 0.0));
    assert_eq!(shape(0.0, 0.0), shape(100e-9, 0.0));
    assert_ne!(shape(0.0, 0.0), shape(40e-9, 0.0));
}

/// Error of a captured band-limited periodic signal against its Fourier series, dB.
#[test]
fn interpolation_floor_is_below_minus_45_db() {
    let length = 704usize;
    // Tones at multiples of 10 MHz up to 1.1 GHz with fixed pseudo-random phases.
    let tones: Vec<(i32, f64)> =
        (-110..=110).map(|k| (k, f64::from(k * k * 7 % 41) / 41.0)).collect();
    let series = |turn: f64| -> Complex64 {
        let term = |(k, phase): &(i32, f64)| {
            Complex64::cis(std::f64::consts::TAU * (f64::from(*k) * turn + phase))
        };
        tones.iter().map(term).sum::<Complex64>() / 60.0
    };
    let codes: Vec<[i16; 2]> = (0..length)
        .map(|n| {
            let z = series(n as f64 / length as f64) * Waveform::FULL_SCALE;
            [z.re.round() as i16, z.im.round() as i16]
        })
        .collect();
    let mut scene = quiet(3_000);
    scene.digitiser.bits = 16;
    scene.signal = Some(signal(Waveform::from_codes(codes)));
    let samples = volts(&capture(&scene), &scene);
    // The carrier's phase is random: take it from the first sample's neighbourhood by projection.
    let wanted: Vec<Complex64> =
        (0..samples.len()).map(|k| series(k as f64 * 125e-12 * 10e6) * 0.2).collect();
    let dot: Complex64 = samples.iter().zip(&wanted).map(|(s, w)| s * w.conj()).sum();
    let turn = Complex64::cis(dot.arg());
    let error: Vec<Complex64> = samples.iter().zip(&wanted).map(|(s, w)| s - w * turn).collect();
    let floor_db = 10.0 * (power(&error) / power(&wanted)).log10();
    assert!(floor_db < -55.0, "{floor_db} dB");
}

#[test]
fn beyond_the_range_the_codes_stand_at_the_rails() {
    let mut scene = quiet(5_000);
    scene.signal = Some(signal(tone(704, 3.0, 1.0)));
    scene.digitiser.range_v = 0.05;
    let codes = capture(&scene);
    assert_eq!(codes.i.iter().max(), Some(&511));
    assert_eq!(codes.i.iter().min(), Some(&-512));
}

#[test]
fn same_seed_and_index_same_codes() {
    let draw = |seed, index| {
        let mut scene = quiet(1_000);
        scene.signal = Some(signal(tone(704, 3.0, 0.5)));
        scene.receiver.noise_v2_per_hz = 1e-12;
        scene.digitiser.noise_v = 1e-3;
        scene.start = Start::Free;
        scene.seed = seed;
        scene.index = index;
        capture(&scene)
    };
    assert_eq!(draw(1, 0), draw(1, 0));
    assert_ne!(draw(1, 0), draw(1, 1));
    assert_ne!(draw(1, 0), draw(2, 0));
}

#[test]
fn a_waveform_shorter_than_the_filter_still_loops() {
    for length in [1, 2, 3, 17] {
        let mut scene = quiet(500);
        scene.signal = Some(signal(tone(length, 0.0, 0.5)));
        let samples = volts(&capture(&scene), &scene);
        let step = volts_per_code(scene.digitiser.range_v, scene.digitiser.bits);
        assert!(samples.iter().all(|s| (s.norm() - 0.1).abs() < step), "{length} points");
    }
}
