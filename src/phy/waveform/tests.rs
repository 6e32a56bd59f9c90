//! Waveforms against the sum of pulses, and what they look like to a source that loops.

use std::f64::consts::PI;

use num_complex::Complex64;
use proptest::prelude::*;
use rustfft::FftPlanner;

use super::*;
use crate::phy::link_testing::Noise;
use crate::phy::recording::widen;

fn random_chips(count: usize, seed: u64) -> Vec<Complex32> {
    let mut noise = Noise::new(seed);
    let sign = |bit: bool| if bit { 1.0 } else { -1.0 };
    (0..count)
        .map(|_| {
            let bits = noise.bits();
            Complex32::new(sign(bits & 1 == 0), sign(bits & 2 == 0)) / 2.0_f32.sqrt()
        })
        .collect()
}

/// The cyclic sum of pulses by definition: every chip sounds in every pass.
fn naive(chips: &[Complex32], config: &ShapeConfig, count: usize, n: usize) -> Complex64 {
    let pulse = RootRaisedCosine::new(config.rolloff).expect("in range");
    let chip_samples = config.sample_rate_hz / config.chip_rate_hz;
    // The tail beyond 100/rolloff chips has less than -90 dB of the pulse's power.
    let passes = (100.0 / config.rolloff * chip_samples / count as f64).ceil() as i32;
    let mut sum = Complex64::default();
    for (k, chip) in chips.iter().enumerate() {
        for pass in -passes..=passes {
            let t = (n as f64 + f64::from(pass) * count as f64) / chip_samples - k as f64;
            sum += widen(*chip) * pulse.at(t);
        }
    }
    sum
}

/// Power of the difference between samples and the wanted ones after fitting one real level, in dB of
/// the wanted power.
fn error_db(samples: &[Complex32], wanted: &[Complex64]) -> f64 {
    assert_eq!(samples.len(), wanted.len());
    let pairs = || samples.iter().map(|z| widen(*z)).zip(wanted);
    let power: f64 = wanted.iter().map(Complex64::norm_sqr).sum();
    let own: f64 = samples.iter().map(|z| widen(*z).norm_sqr()).sum();
    let level = pairs().map(|(z, wanted)| (z * wanted.conj()).re).sum::<f64>() / own;
    let error: f64 = pairs().map(|(z, wanted)| (z * level - wanted).norm_sqr()).sum();
    10.0 * (error / power).log10()
}

fn check_shape(sample_rate_hz: f64, rolloff: f64, idle_chips: f64) {
    let config = ShapeConfig { sample_rate_hz, rolloff, idle_chips, ..ShapeConfig::default() };
    let chips = random_chips(200, 5);
    let waveform = shape(&chips, &config).expect("a sound configuration");
    let count = waveform.samples.len();
    let wanted: Vec<Complex64> = (0..count).map(|n| naive(&chips, &config, count, n)).collect();
    // Rounding is near -130 dB; tails that are left out and the interpolator each below -84 dB.
    let error_db = error_db(&waveform.samples, &wanted);
    println!("{sample_rate_hz} Hz, roll-off {rolloff}: {error_db:.1} dB");
    assert!(error_db < -80.0, "{sample_rate_hz} Hz, roll-off {rolloff}: {error_db}");
    // One pass lasts as long as its chips and idle time, to within a sample.
    let chips_of_pass = 200.0 + idle_chips;
    let excess = count as f64 - chips_of_pass * sample_rate_hz / config.chip_rate_hz;
    assert!((-1e-6..1.0).contains(&excess), "{excess}");
    assert!(
        (waveform.idle_chips - idle_chips) * sample_rate_hz / config.chip_rate_hz - excess < 1e-6
    );
    assert_eq!(waveform.clipped_fraction, 0.0);
}

#[test]
fn samples_are_the_cyclic_sum_of_pulses_at_any_rate() {
    for rate in [7.04e9, 8e9, 12e9, 5.28e9, 2.2e9, 3.3333e9, 1.2 * 1.76e9] {
        check_shape(rate, 0.25, 40.0);
    }
    for rate in [2.2e9, 7.04e9, 12e9] {
        check_shape(rate, 0.05, 17.3);
        check_shape(rate, 0.5, 0.0);
    }
    check_shape(1.76e9 * PI, 0.35, 5.5);
}

/// The spectrum of one pass, whose lines stand at multiples of the pass's frequency. What it
/// contains is what a source that loops without end plays.
fn lines(waveform: &Waveform, chip_rate_hz: f64) -> Vec<(f64, Complex64)> {
    let mut spectrum: Vec<Complex64> = waveform.samples.iter().map(|z| widen(*z)).collect();
    let count = spectrum.len();
    FftPlanner::new().plan_fft_forward(count).process(&mut spectrum);
    let line = |n: usize| if 2 * n < count { n as f64 } else { n as f64 - count as f64 };
    let cycles = waveform.sample_rate_hz / chip_rate_hz / count as f64;
    spectrum.into_iter().enumerate().map(|(n, z)| (line(n) * cycles, z)).collect()
}

/// One chip: every line of its spectrum lies on the root raised cosine (Proakis ch. 9), at any rate.
#[test]
fn spectrum_of_a_chip_is_the_root_raised_cosine() {
    for (sample_rate_hz, rolloff) in
        [(12e9, 0.05), (12e9, 0.5), (8e9, 0.05), (8e9, 0.5), (2.2e9, 0.05), (2.2e9, 0.25)]
    {
        let config = ShapeConfig { sample_rate_hz, rolloff, ..ShapeConfig::default() };
        let config = ShapeConfig { idle_chips: 3000.0, ..config };
        let pulse = RootRaisedCosine::new(rolloff).expect("in range");
        let waveform = shape(&[Complex32::new(1.0, 0.0)], &config).expect("sound");
        let lines = lines(&waveform, config.chip_rate_hz);
        let middle = lines[0].1.re;
        for (f, z) in lines {
            let wanted = pulse.root_raised_cosine_spectrum(f);
            let error = (z / middle - wanted).norm();
            // Where the roll-off ends the spectrum has a kink; the tails left out round it off.
            assert!(error < 3e-3, "{sample_rate_hz} Hz, roll-off {rolloff}, {f}: {error}");
        }
    }
}

/// A seam would be a step once a pass, and spread over all lines.
#[test]
fn a_looping_source_has_no_seam() {
    for (sample_rate_hz, rolloff, idle_chips) in [
        (12e9, 0.05, 0.0),
        (12e9, 0.5, 3.3),
        (8e9, 0.05, 0.0),
        (8e9, 0.5, 77.7),
        (2.2e9, 0.05, 0.0),
    ] {
        let config = ShapeConfig { sample_rate_hz, rolloff, idle_chips, ..ShapeConfig::default() };
        let waveform = shape(&random_chips(3001, 3), &config).expect("sound");
        let (mut inside, mut outside) = (0.0, 0.0);
        for (f, z) in lines(&waveform, config.chip_rate_hz) {
            let sum = if f.abs() < (1.0 + rolloff) / 2.0 { &mut inside } else { &mut outside };
            *sum += z.norm_sqr();
        }
        let leak_db = 10.0 * (outside / inside).log10();
        println!("{sample_rate_hz} Hz, roll-off {rolloff}: {leak_db:.1} dB beside the band");
        assert!(leak_db < -80.0, "{sample_rate_hz} Hz, roll-off {rolloff}: {leak_db}");
    }
}

/// The pass turned so that its seam lies in the middle, chips on both sides read by correlating with
/// the pulse by definition: no symbol near the seam is worse than any other.
#[test]
fn chips_across_the_seam_are_as_good_as_any() {
    for (sample_rate_hz, rolloff) in [(12e9, 0.5), (8e9, 0.25), (12e9, 0.25)] {
        // The pass is a whole number of chips long, so that it reads like one endless stream.
        let chips = random_chips(750, 9);
        let config = ShapeConfig { sample_rate_hz, rolloff, ..ShapeConfig::default() };
        let config = ShapeConfig { idle_chips: 0.0, ..config };
        let waveform = shape(&chips, &config).expect("sound");
        let pulse = RootRaisedCosine::new(rolloff).expect("in range");
        let chip_samples = sample_rate_hz / config.chip_rate_hz;
        let count = waveform.samples.len();
        let read = |chip: f64| -> Complex64 {
            let centre = (chip * chip_samples).round() as i64;
            let reach = (200.0 * chip_samples) as i64;
            let at = |n: i64| widen(waveform.samples[n.rem_euclid(count as i64) as usize]);
            let sum: Complex64 = (centre - reach..=centre + reach)
                .map(|n| at(n) * pulse.at(n as f64 / chip_samples - chip))
                .sum();
            sum / chip_samples
        };
        // The idle time that rounding up left, below one sample, follows the last chip.
        let level = read(300.0) / widen(chips[300]);
        for chip in [0, 1, 2, 748, 749] {
            let error = (read(f64::from(chip)) / level - widen(chips[chip as usize])).norm();
            let slack = 4.0 * waveform.idle_chips;
            assert!(error < 2e-3 + slack, "{sample_rate_hz} Hz, chip {chip}: {error}");
        }
        assert!(waveform.idle_chips < 1.0 / chip_samples);
    }
}

/// Folded power against a plain sum over the spectrum.
#[test]
fn folded_power_is_told() {
    let pulse = RootRaisedCosine::new(0.5).expect("in range");
    for samples_per_chip in [1.2, 1.25, 1.4, 1.5, 4.0] {
        let half: f64 = samples_per_chip / 2.0;
        let steps = 100_000;
        let width = (1.0 - half).max(0.0) / f64::from(steps);
        let sum: f64 = (0..steps)
            .map(|n| {
                2.0 * width * pulse.raised_cosine_spectrum(half + (f64::from(n) + 0.5) * width)
            })
            .sum();
        let told = folded_fraction(0.5, samples_per_chip);
        assert!((told - sum).abs() < 1e-8, "{samples_per_chip}: {told}, {sum}");
    }
}

/// A resonant low pass with delay, in closed form, tabulated every 20 MHz.
fn low_pass(offset_hz: f64, delay_s: f64) -> Complex64 {
    let s = Complex64::new(0.0, offset_hz / 1.4e9);
    let turn = Complex64::from_polar(1.0, -2.0 * PI * offset_hz * delay_s);
    turn / (1.0 + 0.9 * s + s * s)
}

fn measured(delay_s: f64, step_hz: f64) -> FrequencyResponse {
    let points = (-150..=150).map(|n| {
        let offset_hz = f64::from(n) * step_hz;
        let z = low_pass(offset_hz, delay_s);
        let (gain_db, phase_deg) = (20.0 * z.norm().log10(), z.arg().to_degrees());
        ResponsePoint { offset_hz, gain_db, phase_deg }
    });
    FrequencyResponse::new(points.collect()).expect("in order")
}

/// Sent through the response that it was corrected for, a waveform is the uncorrected one again.
#[test]
fn corrected_waveform_comes_out_as_the_uncorrected_one() {
    for sample_rate_hz in [7.04e9, 8e9, 12e9] {
        let plain = ShapeConfig { sample_rate_hz, ..ShapeConfig::default() };
        let config = ShapeConfig { correction: Some(measured(0.3e-9, 10e6)), ..plain.clone() };
        let chips = random_chips(1000, 4);
        let plain = shape(&chips, &plain).expect("sound");
        let corrected = shape(&chips, &config).expect("sound");
        let done = corrected.correction.expect("a correction was asked for");
        assert!(done.covers_band && done.boost_db == done.spread_db && done.boost_db > 0.1);
        assert_ne!(corrected.crest_factor_db, plain.crest_factor_db);
        let count = corrected.samples.len();
        let mut out: Vec<Complex64> = corrected.samples.iter().map(|z| widen(*z)).collect();
        let mut planner = FftPlanner::new();
        planner.plan_fft_forward(count).process(&mut out);
        for (n, z) in out.iter_mut().enumerate() {
            let line = if 2 * n < count { n as f64 } else { n as f64 - count as f64 };
            let offset_hz = line * sample_rate_hz / count as f64;
            // The delay stays in and is taken out here.
            let back = Complex64::from_polar(1.0, 2.0 * PI * offset_hz * done.delay_s);
            *z *= low_pass(offset_hz, 0.3e-9) * back;
        }
        planner.plan_fft_inverse(count).process(&mut out);
        let error_db = error_db(&plain.samples, &out);
        println!("{sample_rate_hz} Hz: {error_db:.1} dB after correction");
        assert!(error_db < -60.0, "{sample_rate_hz} Hz: {error_db}");
    }
}

#[test]
fn correction_is_bounded_and_says_so() {
    let point = |offset_hz, gain_db| ResponsePoint { offset_hz, gain_db, phase_deg: 0.0 };
    let with = |points: Vec<ResponsePoint>| {
        let correction = Some(FrequencyResponse::new(points).expect("in order"));
        let config = ShapeConfig { correction, ..ShapeConfig::default() };
        shape(&random_chips(500, 1), &config).expect("sound").correction.expect("asked for")
    };
    let deep = with(vec![point(-2e9, 0.0), point(0.0, -60.0), point(2e9, 0.0)]);
    assert_eq!(deep.boost_db, BOOST_DB_MAX);
    assert!(deep.spread_db > 30.0 && deep.covers_band);
    let narrow = with(vec![point(-0.5e9, 0.0), point(0.5e9, -3.0)]);
    assert!(!narrow.covers_band && (narrow.boost_db - 3.0).abs() < 1e-9, "{narrow:?}");
}

/// A response that is one everywhere but delays changes nothing: delay is left in.
#[test]
fn delay_alone_is_not_corrected() {
    let points = (-200..=200).map(|n| {
        let offset_hz = f64::from(n) * 10e6;
        ResponsePoint { offset_hz, gain_db: -7.0, phase_deg: -360.0 * offset_hz * 5e-9 }
    });
    let response = FrequencyResponse::new(points.collect()).expect("in order");
    let chips = random_chips(400, 2);
    let plain = shape(&chips, &ShapeConfig::default()).expect("sound");
    let config = ShapeConfig { correction: Some(response), ..ShapeConfig::default() };
    let corrected = shape(&chips, &config).expect("sound");
    let done = corrected.correction.expect("asked for");
    assert!((done.delay_s - 5e-9).abs() < 1e-15 && done.boost_db < 1e-9, "{done:?}");
    let wanted: Vec<Complex64> = plain.samples.iter().map(|z| widen(*z)).collect();
    // What is left out beside the band is all that differs.
    let error_db = error_db(&corrected.samples, &wanted);
    assert!(error_db < -80.0, "{error_db}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Any frame at any rate: the pass is a multiple of the granularity, the peak is full scale, and
    /// chips that come later sound the same, only later.
    #[test]
    fn any_frame_at_any_rate_fills_a_pass(
        count in 1_usize..600,
        samples_per_chip in 1.2_f64..9.0,
        rolloff in 0.05_f64..=0.5,
        idle_chips in 0.0_f64..50.0,
        granularity in 1_usize..70,
        seed in any::<u64>(),
    ) {
        let sample_rate_hz = samples_per_chip * CHIP_RATE_HZ;
        let config = ShapeConfig {
            sample_rate_hz, rolloff, idle_chips, granularity, ..ShapeConfig::default()
        };
        let chips = random_chips(count, seed);
        let waveform = shape(&chips, &config).expect("sound");
        let samples = waveform.samples.len();
        prop_assert_eq!(samples % granularity, 0);
        let least = (count as f64 + idle_chips) * sample_rate_hz / CHIP_RATE_HZ;
        let excess = samples as f64 - least;
        prop_assert!((-1e-6..granularity as f64).contains(&excess), "{excess}");
        let axis = levels(&waveform.samples).axis_peak;
        prop_assert!((axis - 1.0).abs() < 1e-6, "{axis}");
        prop_assert_eq!(waveform.clipped_fraction, 0.0);
        let wanted = naive(&chips, &config, samples, samples / 3);
        let all: Vec<Complex64> = (0..8).map(|n| naive(&chips, &config, samples, n)).collect();
        let mut some: Vec<Complex32> = waveform.samples[..8.min(samples)].to_vec();
        some.push(waveform.samples[samples / 3]);
        let mut naive: Vec<Complex64> = all[..8.min(samples)].to_vec();
        naive.push(wanted);
        let power: f64 = naive.iter().map(Complex64::norm_sqr).sum();
        // Where chips happen to cancel there is nothing to compare with.
        if power > 1.0 {
            let error_db = error_db(&some, &naive);
            prop_assert!(error_db < -70.0, "{error_db}");
        }
    }
}

#[test]
fn pass_is_a_multiple_of_the_granularity() {
    let config = ShapeConfig { granularity: 48, sample_rate_hz: 8e9, ..ShapeConfig::default() };
    let waveform = shape(&random_chips(1000, 1), &config).expect("sound");
    assert_eq!(waveform.samples.len() % 48, 0);
    assert!(waveform.idle_chips >= 256.0);
}

#[test]
fn peak_reaches_full_scale_and_codes_follow() {
    let waveform = shape(&random_chips(500, 2), &ShapeConfig::default()).expect("sound");
    let codes = waveform.to_codes();
    assert_eq!(codes.len(), 2 * waveform.samples.len());
    assert_eq!(codes.iter().map(|code| code.unsigned_abs()).max(), Some(32767));
    let z = waveform.samples[100];
    assert!((f64::from(codes[200]) - f64::from(z.re) * 32767.0).abs() <= 0.5);
    assert!((f64::from(codes[201]) - f64::from(z.im) * 32767.0).abs() <= 0.5);
}

#[test]
fn clipping_is_counted() {
    let chips = random_chips(2000, 3);
    let level = |peak_dbfs| {
        shape(&chips, &ShapeConfig { peak_dbfs, ..ShapeConfig::default() }).expect("sound")
    };
    let (clean, low, hot) = (level(0.0), level(-6.0), level(6.0));
    assert_eq!((clean.clipped_fraction, low.clipped_fraction), (0.0, 0.0));
    let beyond = clean.samples.iter().filter(|z| z.re.abs().max(z.im.abs()) > 0.501_187);
    let expected = beyond.count() as f64 / clean.samples.len() as f64;
    assert!((hot.clipped_fraction - expected).abs() < 1e-3, "{}", hot.clipped_fraction);
    assert!(hot.samples.iter().all(|z| z.re.abs() <= 1.0 && z.im.abs() <= 1.0));
    assert_eq!(clean.crest_factor_db, hot.crest_factor_db);
}

/// A single chip: the peak is h(0) = 1 - b + 4b/pi, the energy one chip (Proakis ch. 9), so over
/// the chip itself the crest factor is 20 log10 1.06831 = 0.574 dB.
#[test]
fn crest_factor_of_one_pulse_is_that_of_the_closed_form() {
    let waveform = shape(&[Complex32::new(1.0, 0.0)], &ShapeConfig::default()).expect("sound");
    assert!((waveform.crest_factor_db - 0.5740).abs() < 2e-3, "{}", waveform.crest_factor_db);
}

#[test]
fn impossible_wishes_are_refused() {
    let chips = random_chips(10, 1);
    let good = ShapeConfig::default();
    let refused = |config: ShapeConfig| shape(&chips, &config).expect_err("impossible");
    for sample_rate_hz in [0.0, -1.0, f64::NAN, f64::INFINITY, 2.0e9] {
        let error = refused(ShapeConfig { sample_rate_hz, ..good.clone() });
        assert!(matches!(error, ShapeError::Rate { .. }), "{error}");
    }
    for idle_chips in [-1.0, f64::NAN, f64::INFINITY] {
        let error = refused(ShapeConfig { idle_chips, ..good.clone() });
        assert!(matches!(error, ShapeError::Setting { .. }), "{error}");
    }
    let error = refused(ShapeConfig { peak_dbfs: f64::NAN, ..good.clone() });
    assert!(matches!(error, ShapeError::Setting { .. }), "{error}");
    let error = refused(ShapeConfig { idle_chips: 1e12, ..good.clone() });
    assert!(matches!(error, ShapeError::TooLong(_)), "{error}");
    let error = refused(ShapeConfig { rolloff: 0.9, ..good.clone() });
    assert!(matches!(error, ShapeError::Rolloff(_)), "{error}");
    assert_eq!(shape(&[], &good), Err(ShapeError::Empty));
    assert_eq!(shape(&[Complex32::default(); 4], &good), Err(ShapeError::Empty));
    let broken = [Complex32::new(1.0, f32::NAN)];
    assert_eq!(shape(&broken, &good), Err(ShapeError::NotFinite(0)));
}
