//! Waveforms against the sum of pulses, and what they look like to a source that loops.

use super::*;
use crate::phy::link_testing::Noise;

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
    let mut sum = Complex64::default();
    for (k, chip) in chips.iter().enumerate() {
        for pass in -3..=3 {
            let t = (n as f64 + f64::from(pass) * count as f64) / chip_samples - k as f64;
            sum += widen(*chip) * pulse.at(t);
        }
    }
    sum
}

fn check_shape(sample_rate_hz: f64, rolloff: f64, idle_chips: f64) {
    let config = ShapeConfig { sample_rate_hz, rolloff, idle_chips, ..ShapeConfig::default() };
    let chips = random_chips(200, 5);
    let waveform = shape(&chips, &config).expect("a sound configuration");
    let count = waveform.samples.len();
    let wanted: Vec<Complex64> = (0..count).map(|n| naive(&chips, &config, count, n)).collect();
    let axis = |z: &Complex64| z.re.abs().max(z.im.abs());
    let peak = wanted.iter().map(axis).fold(0.0, f64::max);
    for (n, (z, wanted)) in waveform.samples.iter().zip(&wanted).enumerate() {
        let error = (widen(*z) * peak - wanted).norm();
        // The pulses are cut where they are below 1e-3, and many cut ends add up.
        assert!(error < 5e-3, "{sample_rate_hz} Hz, sample {n}: {error}");
    }
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
    for rate in [7.04e9, 8e9, 5.28e9, 2.2e9, 3.3333e9, 1.2 * 1.76e9] {
        check_shape(rate, 0.25, 40.0);
    }
    check_shape(7.04e9, 0.05, 17.3);
    check_shape(8e9, 0.5, 0.0);
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
