//! Bit error rates that theory expects over white Gaussian noise, to set measured ones against.
//!
//! Exact closed forms for coherent detection with Gray mapping: J. G. Proakis, M. Salehi, Digital
//! Communications, 5th ed., 2008, chapter 4 (BPSK, QPSK); K. Cho, D. Yoon, IEEE Trans. Commun.
//! 50(7), 2002 (QAM). The pi/2 rotation changes nothing.

use libm::erfc;

use super::constellation::Constellation;

/// Expected bit error rate at `es_n0_db`, the ratio of mean symbol energy to noise density in dB.
pub fn bit_error_rate(constellation: Constellation, es_n0_db: f64) -> f64 {
    let es_n0 = 10_f64.powf(es_n0_db / 10.0);
    match constellation {
        Constellation::Bpsk => 0.5 * erfc(es_n0.sqrt()),
        Constellation::Qpsk => 0.5 * erfc((es_n0 / 2.0).sqrt()),
        Constellation::Qam16 => {
            let a = (es_n0 / 10.0).sqrt();
            (3.0 * erfc(a) + 2.0 * erfc(3.0 * a) - erfc(5.0 * a)) / 8.0
        }
        Constellation::Qam64 => {
            let a = (es_n0 / 42.0).sqrt();
            let terms = 7.0 * erfc(a) + 6.0 * erfc(3.0 * a) - erfc(5.0 * a) + erfc(9.0 * a);
            (terms - erfc(13.0 * a)) / 24.0
        }
    }
}

/// Es/N0 in dB at which theory expects `bit_error_rate`. `None` for rates that no finite Es/N0
/// gives within -40 to +60 dB.
pub fn required_es_n0_db(constellation: Constellation, rate: f64) -> Option<f64> {
    let (mut low, mut high) = (-40.0, 60.0);
    let inside = bit_error_rate(constellation, low) >= rate && rate > 0.0;
    if !inside || rate < bit_error_rate(constellation, high) {
        return None;
    }
    // The rate falls with Es/N0; 60 halvings of 100 dB reach the resolution of f64.
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if bit_error_rate(constellation, middle) > rate {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some((low + high) / 2.0)
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;
    use crate::phy::testing::{Noise, noise_variance, read, reference_file};

    #[derive(Deserialize)]
    struct Table {
        es_n0_db: Vec<f64>,
        bpsk: Vec<f64>,
        qpsk: Vec<f64>,
        qam16: Vec<f64>,
        qam64: Vec<f64>,
        required_es_n0_db: Vec<Required>,
    }

    #[derive(Deserialize)]
    struct Required {
        ber: f64,
        bpsk: f64,
        qpsk: f64,
        qam16: f64,
        qam64: f64,
    }

    fn table() -> Table {
        read(reference_file!("ber-awgn.yaml"))
    }

    fn check_close(value: f64, expected: f64, what: &str) {
        // The table has 12 digits, and erfc of a large argument multiplies the argument's rounding.
        assert!((value / expected - 1.0).abs() < 1e-10, "{what}: {value} {expected}");
    }

    /// Proakis and Salehi, chapter 4; Cho and Yoon: evaluated to 40 digits.
    #[test]
    fn rates_agree_with_the_table() {
        let table = table();
        let columns = [&table.bpsk, &table.qpsk, &table.qam16, &table.qam64];
        for (constellation, column) in Constellation::ALL.into_iter().zip(columns) {
            assert_eq!(column.len(), table.es_n0_db.len());
            for (es_n0_db, expected) in table.es_n0_db.iter().zip(column) {
                let rate = bit_error_rate(constellation, *es_n0_db);
                check_close(rate, *expected, &format!("{constellation} at {es_n0_db} dB"));
            }
        }
    }

    #[test]
    fn required_ratios_agree_with_the_table() {
        for row in table().required_es_n0_db {
            let columns = [row.bpsk, row.qpsk, row.qam16, row.qam64];
            for (constellation, expected) in Constellation::ALL.into_iter().zip(columns) {
                let found = required_es_n0_db(constellation, row.ber).expect("within range");
                check_close(found, expected, &format!("{constellation} for {}", row.ber));
            }
        }
        for rate in [0.0, -1.0, 0.6, f64::NAN] {
            assert_eq!(required_es_n0_db(Constellation::Qpsk, rate), None);
        }
    }

    /// Hard decisions over noise against theory, where theory expects some thousand errors.
    #[test]
    fn hard_decisions_reach_the_theoretical_rate() {
        let mut noise = Noise::new(20_250_101);
        for (constellation, es_n0_db) in Constellation::ALL.into_iter().zip([4.0, 8.0, 14.0, 20.0])
        {
            let symbols = 100_000;
            let bits = noise.bits(symbols * constellation.bits_per_symbol());
            let amplitude = noise_variance(es_n0_db).sqrt();
            let mut decided = Vec::with_capacity(bits.len());
            for symbol in constellation.map(&bits) {
                constellation.demap_hard(symbol + noise.complex() * amplitude, &mut decided);
            }
            let errors = bits.iter().zip(&decided).filter(|(sent, got)| sent != got).count();
            let expected = bit_error_rate(constellation, es_n0_db) * bits.len() as f64;
            // Four standard deviations; errors of a symbol's bits are nearly independent.
            let tolerance = 4.0 * expected.sqrt();
            assert!((errors as f64 - expected).abs() < tolerance, "{constellation}: {errors}");
        }
    }
}
