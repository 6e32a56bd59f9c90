//! Figures of several captures of one measurement, taken together.
//!
//! Counts add up and the rates follow from the sums; EVM adds as power, SNR as noise power; a
//! fraction is averaged; a yes holds only when it holds for every capture; whatever cannot be
//! combined is the last capture's.

use crate::phy::interval::Ber;
use crate::record::{Figure, Value};

/// Counts that add up.
const SUMS: &[&str] = &[
    "frames_found",
    "frames_cut",
    "bits",
    "bit_errors",
    "raw_bits",
    "raw_bit_errors",
    "codewords",
    "codewords_failed",
    "frames_failed",
];

/// Combines the figures of captures in order.
#[must_use]
pub fn combine(captures: &[Vec<Figure>]) -> Vec<Figure> {
    let Some(last) = captures.last() else { return Vec::new() };
    if captures.len() == 1 {
        return last.clone();
    }
    let mut combined: Vec<Figure> = last
        .iter()
        .map(|figure| {
            let values: Vec<&Value> = captures
                .iter()
                .filter_map(|figures| figures.iter().find(|f| f.name == figure.name))
                .filter_map(|figure| figure.value.as_ref())
                .collect();
            Figure { value: combine_one(&figure.name, &values), ..figure.clone() }
        })
        .collect();
    rates_from_sums(&mut combined);
    combined
}

fn combine_one(name: &str, values: &[&Value]) -> Option<Value> {
    if SUMS.contains(&name) {
        let counts = values.iter().filter_map(|value| match value {
            Value::Count(count) => Some(*count),
            _ => None,
        });
        return counts.reduce(u64::saturating_add).map(Value::Count);
    }
    if let Some(Value::Switch(_)) = values.first() {
        // One lost frame must not hide behind a later good one.
        return Some(Value::Switch(values.iter().all(|value| **value == Value::Switch(true))));
    }
    let numbers: Vec<f64> = values.iter().filter_map(|value| value.as_f64()).collect();
    let mean = |map: fn(f64) -> f64| {
        let sum: f64 = numbers.iter().map(|number| map(*number)).sum();
        sum / numbers.len() as f64
    };
    match name {
        _ if numbers.is_empty() => values.last().map(|value| (*value).clone()),
        // Error power of equally many symbols a capture.
        "evm_db" | "evm_data_aided_db" | "evm_by_decision_db" | "evm_gain_fitted_db" => {
            Some(Value::Number(10.0 * mean(|db| 10f64.powf(db / 10.0)).log10()))
        }
        // Noise power relative to the signal.
        "snr_db" | "snr_from_evm_db" | "snr_from_moments_db" => {
            Some(Value::Number(-10.0 * mean(|db| 10f64.powf(-db / 10.0)).log10()))
        }
        "clipped_fraction" | "throughput_bps" => Some(Value::Number(mean(|share| share))),
        _ => values.last().map(|value| (*value).clone()),
    }
}

/// The standard deviation of figures over captures (with one less than their number below the sum, as of
/// a sample), in the figure's own unit: of decibels it is that of the decibels. Of counts, rates and
/// what was not had at least twice there is none.
#[must_use]
pub fn spread(captures: &[Vec<Figure>]) -> Vec<Figure> {
    let Some(last) = captures.last() else { return Vec::new() };
    let each = last.iter().filter(|figure| !figure.name.starts_with("ber")).filter_map(|figure| {
        let all =
            captures.iter().filter_map(|figures| figures.iter().find(|f| f.name == figure.name));
        let values: Vec<f64> = all
            .filter_map(|found| match found.value {
                Some(Value::Number(number)) => Some(number),
                _ => None,
            })
            .collect();
        let deviation = standard_deviation(&values)?;
        Some(Figure { value: Some(Value::Number(deviation)), ..figure.clone() })
    });
    each.collect()
}

fn standard_deviation(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    Some((squares / (values.len() - 1) as f64).sqrt())
}

/// Bit error rate and interval of the summed counts.
fn rates_from_sums(figures: &mut [Figure]) {
    let count = |figures: &[Figure], name: &str| {
        figures.iter().find(|f| f.name == name).and_then(|f| match f.value {
            Some(Value::Count(count)) => Some(count),
            _ => None,
        })
    };
    let (Some(bits), Some(errors)) = (count(figures, "bits"), count(figures, "bit_errors")) else {
        return;
    };
    let Some(rate) = Ber::new(errors, bits) else { return };
    for (name, value) in [("ber", rate.ber), ("ber_low_95", rate.low), ("ber_high_95", rate.high)] {
        if let Some(figure) = figures.iter_mut().find(|figure| figure.name == name) {
            figure.value = Some(Value::Number(value));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn capture(detected: bool, evm_db: Option<f64>, bits: Option<u64>) -> Vec<Figure> {
        let plain = |name: &str, value| Figure { name: name.to_string(), value, unit: None };
        let number = |value: Option<f64>| value.map(Value::Number);
        vec![
            plain("detected", Some(Value::Switch(detected))),
            plain("frames_found", Some(Value::Count(u64::from(detected)))),
            plain("evm_db", number(evm_db)),
            plain("snr_from_evm_db", number(evm_db.map(|db| -db))),
            plain("bits", bits.map(Value::Count)),
        ]
    }

    fn value(figures: &[Figure], name: &str) -> Option<Value> {
        figures.iter().find(|figure| figure.name == name)?.value.clone()
    }

    /// Error powers 0.1 and 0.01 average to 0.055: -12.596 dB, and the ratio is its inverse.
    #[test]
    fn both_figures_of_the_error_vectors_tell_one_number() {
        let both = [capture(true, Some(-10.0), Some(5)), capture(true, Some(-20.0), Some(7))];
        let together = combine(&both);
        for (name, wanted) in [("evm_db", -12.5964), ("snr_from_evm_db", 12.5964)] {
            let found = value(&together, name).and_then(|value| value.as_f64()).expect("a number");
            assert!((found - wanted).abs() < 1e-3, "{name}: {found}");
        }
        assert_eq!(value(&together, "bits"), Some(Value::Count(12)));
        assert_eq!(value(&together, "frames_found"), Some(Value::Count(2)));
        assert_eq!(value(&together, "detected"), Some(Value::Switch(true)));
    }

    /// The sample deviation of 2, 4, 4, 4, 5, 5, 7, 9 (mean 5, squares 32) is the root of 32/7.
    #[test]
    fn spread_is_the_deviation_of_a_sample() {
        let values = [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0];
        let captures: Vec<_> = values.map(|db| capture(true, Some(db), Some(10))).into();
        let found = spread(&captures);
        let wanted = (32.0f64 / 7.0).sqrt();
        for name in ["evm_db", "snr_from_evm_db"] {
            let deviation = value(&found, name).and_then(|value| value.as_f64()).expect("a number");
            assert!((deviation - wanted).abs() < 1e-12, "{name}: {deviation}");
        }
        assert_eq!(found.len(), 2, "counts and switches have no spread: {found:?}");
        assert!(spread(&captures[..1]).is_empty());
        let once = [capture(true, Some(1.0), None), capture(true, None, None)];
        assert!(spread(&once).is_empty(), "one value has no spread");
    }

    #[test]
    fn a_lost_frame_shows_wherever_it_was() {
        for lost in 0..3 {
            let captures: Vec<_> = (0..3)
                .map(|n| {
                    if n == lost {
                        capture(false, None, None)
                    } else {
                        capture(true, Some(-15.0), Some(10))
                    }
                })
                .collect();
            let together = combine(&captures);
            assert_eq!(value(&together, "detected"), Some(Value::Switch(false)), "{lost}");
            assert_eq!(value(&together, "frames_found"), Some(Value::Count(2)), "{lost}");
            assert_eq!(value(&together, "bits"), Some(Value::Count(20)), "{lost}");
        }
    }
}
