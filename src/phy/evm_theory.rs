//! What decisions do to an error vector magnitude, and a second look at the signal-to-noise ratio
//! that needs neither decisions nor reference.
//!
//! EVM: H. A. Mahmoud, H. Arslan, IEEE Trans. Wireless Commun. 8(5), 2694-2704, 2009 (formula from
//! memory). Moments: D. R. Pauluzzi, N. C. Beaulieu, IEEE Trans. Commun. 48(10), 1681-1691, 2000, and
//! for several levels R. Lopez-Valcarce, C. Mosquera, IEEE Commun. Lett. 11(4), 298-300, 2007 (both
//! from memory). Knows nothing of frames or recordings.

use std::f64::consts::PI;

use libm::{erf, erfc};
use num_complex::Complex32;

use super::constellation::Constellation;

/// SNR in dB between which [`snr_by_decision_evm`] looks.
const SNR_DB_RANGE: (f64, f64) = (-10.0, 60.0);
/// Least change of the EVM per change of the true one, both in dB, from which an EVM by decision
/// still tells the SNR. At a slope below it an error of the EVM is more than doubled.
const SLOPE_MIN: f64 = 0.5;

/// Rms error vector magnitude (a ratio) that theory expects over white Gaussian noise of the given
/// SNR (a ratio, mean symbol energy over N0) when the nearest points serve as reference. With the
/// sent symbols as reference it would be `1/sqrt(snr)`; wrong decisions make it less. Positive
/// infinity for an SNR that is not positive.
pub fn evm_by_decision(constellation: Constellation, snr: f64) -> f64 {
    if snr.is_nan() || snr <= 0.0 {
        return f64::INFINITY;
    }
    let square = match constellation {
        Constellation::Bpsk => bpsk(snr),
        Constellation::Qpsk => qam(4, snr),
        Constellation::Qam16 => qam(16, snr),
        Constellation::Qam64 => qam(64, snr),
    };
    square.max(0.0).sqrt()
}

/// Mean squared error of BPSK: the quadrature axis whole, the other folded at 0 (mean of a folded
/// normal variable; own closed form).
fn bpsk(snr: f64) -> f64 {
    let variance = 1.0 / (2.0 * snr);
    let deviation = variance.sqrt();
    let folded_mean = deviation * (2.0 / PI).sqrt() * (-0.5 / variance).exp()
        + erf(1.0 / (deviation * std::f64::consts::SQRT_2));
    // E (|x| - 1)^2 = var + 1 + 1 - 2 E|x|.
    2.0 * variance + 2.0 - 2.0 * folded_mean
}

/// Mean squared error of square QAM (Mahmoud and Arslan).
fn qam(points: u32, snr: f64) -> f64 {
    let m = f64::from(points);
    let side = m.sqrt();
    let steps = 1..side.round() as u32;
    let term = |i: u32| (1.0 - f64::from(i) / side, 2.0 * f64::from(i) - 1.0);
    let spread = 3.0 * snr / (2.0 * (m - 1.0));
    let peaks: f64 = steps.clone().map(term).map(|(c, b)| c * (-b * b * spread).exp()).sum();
    let tails: f64 = steps.map(term).map(|(c, b)| c * b * erfc(b * spread.sqrt())).sum();
    1.0 / snr - 8.0 * (3.0 / (2.0 * PI * (m - 1.0) * snr)).sqrt() * peaks + 12.0 / (m - 1.0) * tails
}

/// The SNR (a ratio) at which theory expects the EVM by decision `evm` (a ratio), so that a report
/// can say how much too good the decisions made it look. `None` where the EVM by decision hardly
/// depends on the SNR any more (see the module's source: it saturates), and outside of -10 to 60 dB.
pub fn snr_by_decision_evm(constellation: Constellation, evm: f64) -> Option<f64> {
    let ratio = |db: f64| 10_f64.powf(db / 10.0);
    let evm_at = |db: f64| evm_by_decision(constellation, ratio(db));
    let (mut low, mut high) = SNR_DB_RANGE;
    // 60 halvings of 70 dB reach the resolution of f64.
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if evm_at(middle) > evm {
            low = middle;
        } else {
            high = middle;
        }
    }
    let inside = low > SNR_DB_RANGE.0 && high < SNR_DB_RANGE.1;
    const STEP_DB: f64 = 0.01;
    let slope = 20.0 * (evm_at(low - STEP_DB) / evm_at(low + STEP_DB)).log10() / (2.0 * STEP_DB);
    (inside && evm > 0.0 && slope >= SLOPE_MIN).then(|| ratio(low))
}

/// SNR from second and fourth moments, without reference and whatever the phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MomentSnr {
    /// Signal-to-noise ratio, a ratio.
    pub snr: f64,
    /// Standard uncertainty in dB, by the moments' own scatter.
    pub uncertainty_db: f64,
}

/// Fourth moment of a constellation of unit power: 1 for BPSK and QPSK, 1.32 for 16-QAM, 29/21 for
/// 64-QAM.
fn kurtosis(constellation: Constellation) -> f64 {
    let points = constellation.points();
    let sum: f64 = points.iter().map(|z| f64::from(z.norm_sqr()).powi(2)).sum();
    sum / points.len() as f64
}

/// SNR of symbols (of any scale and phase) by their moments: `M2 = S + N`, `M4 = k S^2 + 4 S N + 2
/// N^2`. `None` without symbols, or when the moments fit no positive signal and noise, which happens
/// at high SNR with several levels and few symbols, and with values that are not numbers.
///
/// Its scatter is some 1.4 times the bound of data-aided estimators for one level, as magnitudes show
/// only half of the noise; with several levels it grows with the SNR (Lopez-Valcarce and Mosquera).
/// See `uncertainty_db`.
pub fn snr_m2m4(symbols: &[Complex32], constellation: Constellation) -> Option<MomentSnr> {
    let count = symbols.len() as f64;
    let mut sums = [0.0_f64; 4];
    for z in symbols {
        let power = f64::from(z.re) * f64::from(z.re) + f64::from(z.im) * f64::from(z.im);
        let mut product = 1.0;
        for sum in &mut sums {
            product *= power;
            *sum += product;
        }
    }
    let [m2, m4, m6, m8] = sums.map(|sum| sum / count);
    let kurtosis = kurtosis(constellation);
    let radicand = (2.0 * m2 * m2 - m4) / (2.0 - kurtosis);
    if !(radicand > 0.0 && radicand.is_finite()) {
        return None;
    }
    let signal = radicand.sqrt();
    let noise = m2 - signal;
    if noise <= 0.0 {
        return None;
    }
    // Propagation of the moments' covariance through ln(S/N).
    let (by_m2, by_m4) =
        (2.0 * m2 / ((2.0 - kurtosis) * signal), -0.5 / ((2.0 - kurtosis) * signal));
    let log_m2 = by_m2 / signal - (1.0 - by_m2) / noise;
    let log_m4 = by_m4 / signal + by_m4 / noise;
    let variance = (log_m2 * log_m2 * (m4 - m2 * m2)
        + 2.0 * log_m2 * log_m4 * (m6 - m2 * m4)
        + log_m4 * log_m4 * (m8 - m4 * m4))
        / count;
    let uncertainty_db = 10.0 / std::f64::consts::LN_10 * variance.max(0.0).sqrt();
    Some(MomentSnr { snr: signal / noise, uncertainty_db })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::phy::link_testing::{Noise, db, table};

    /// Mahmoud and Arslan, 2009; the closed form of BPSK: evaluated to 12 digits.
    #[test]
    fn evm_by_decision_has_the_published_values() {
        let rows = table(include_str!("../../tests/reference/phy_rf/evm_by_decision.csv"));
        assert_eq!(rows.len(), 18);
        for row in rows {
            let snr = 10_f64.powf(row[0] / 10.0);
            for (constellation, expected) in Constellation::ALL.into_iter().zip(&row[1..]) {
                let evm = evm_by_decision(constellation, snr);
                // 12 digits, of which differences of terms near 1 cost two at low SNR.
                assert!((evm / expected - 1.0).abs() < 1e-9, "{constellation} {row:?}: {evm}");
            }
        }
    }

    /// The formula against decisions over simulated noise: 4 standard deviations of 40000 squares.
    #[test]
    fn evm_by_decision_is_that_of_decisions() {
        let mut noise = Noise::new(2);
        for constellation in Constellation::ALL {
            for snr_db in [0.0, 8.0, 16.0] {
                let snr = 10_f64.powf(snr_db / 10.0);
                let points = constellation.points();
                let sum: f64 = (0..40_000)
                    .map(|_| {
                        let sent = points[noise.bits() as usize % points.len()];
                        let z = sent + noise.complex(1.0 / snr);
                        f64::from((z - constellation.nearest(z).1).norm_sqr())
                    })
                    .sum();
                let evm = (sum / 40_000.0).sqrt();
                let ratio = evm / evm_by_decision(constellation, snr);
                assert!((ratio - 1.0).abs() < 0.02, "{constellation} {snr_db}: {ratio}");
            }
        }
    }

    #[test]
    fn the_inverse_gives_the_snr_back_where_it_can() {
        // Where the curve is steep enough to tell; 64-QAM at 4 dB is not (Mahmoud and Arslan).
        for (constellation, snr_db) in [
            (Constellation::Bpsk, 3.0),
            (Constellation::Qpsk, 6.0),
            (Constellation::Qpsk, 40.0),
            (Constellation::Qam16, 14.0),
            (Constellation::Qam64, 20.0),
        ] {
            let evm = evm_by_decision(constellation, 10_f64.powf(snr_db / 10.0));
            let found = snr_by_decision_evm(constellation, evm).expect("steep");
            assert!((db(found) - snr_db).abs() < 1e-6, "{constellation}: {}", db(found));
        }
        for (constellation, evm) in [
            (Constellation::Qam64, evm_by_decision(Constellation::Qam64, 15.0)),
            (Constellation::Qam64, evm_by_decision(Constellation::Qam64, 40.0)),
            (Constellation::Bpsk, 0.0),
            (Constellation::Bpsk, -1.0),
            (Constellation::Bpsk, f64::NAN),
            (Constellation::Bpsk, f64::INFINITY),
            (Constellation::Bpsk, 1e-9),
        ] {
            assert_eq!(snr_by_decision_evm(constellation, evm), None, "{constellation} {evm}");
        }
        assert_eq!(evm_by_decision(Constellation::Bpsk, 0.0), f64::INFINITY);
        assert_eq!(evm_by_decision(Constellation::Bpsk, f64::NAN), f64::INFINITY);
    }

    /// Moments as they are defined, without symbols: Pauluzzi and Beaulieu; Lopez-Valcarce and
    /// Mosquera. The published pairs are put in as two equally likely powers with these moments.
    #[test]
    fn published_moments_give_the_published_snr() {
        let rows = table(include_str!("../../tests/reference/phy_rf/snr_moments.csv"));
        assert_eq!(rows.len(), 12);
        for row in rows {
            let constellation = Constellation::ALL
                .into_iter()
                .find(|c| c.bits_per_symbol() as f64 == row[0])
                .expect("bits of a constellation");
            // Powers m2 + d and m2 - d have the fourth moment m2^2 + d^2.
            let apart = (row[4] - row[3] * row[3]).sqrt();
            assert!(apart <= row[3], "{row:?}: no such powers");
            let symbols = [row[3] + apart, row[3] - apart]
                .map(|power| Complex32::new(0.0, power.sqrt() as f32));
            let found = snr_m2m4(&symbols, constellation).expect("both positive").snr;
            // Powers in f32; at 20 dB their rounding counts a hundredfold.
            assert!((found / row[5] - 1.0).abs() < 1e-3, "{row:?}: {found}");
        }
    }

    fn received(
        constellation: Constellation,
        snr: f64,
        count: usize,
        n: &mut Noise,
    ) -> Vec<Complex32> {
        let points = constellation.points();
        // Any gain and phase: the estimator does not see them.
        let gain = Complex32::new(0.3, -1.7);
        (0..count)
            .map(|_| points[n.bits() as usize % points.len()] + n.complex(1.0 / snr))
            .map(|z| z * gain)
            .collect()
    }

    /// Mean and scatter in dB of estimates over simulated blocks.
    fn statistics(constellation: Constellation, snr_db: f64, count: usize) -> (f64, f64, f64) {
        let snr = 10_f64.powf(snr_db / 10.0);
        let mut noise = Noise::new(11);
        let found: Vec<MomentSnr> = (0..300)
            .filter_map(|_| {
                snr_m2m4(&received(constellation, snr, count, &mut noise), constellation)
            })
            .collect();
        assert!(found.len() > 295, "{constellation} {snr_db}: {} of 300", found.len());
        let n = found.len() as f64;
        let mean = found.iter().map(|f| db(f.snr)).sum::<f64>() / n;
        let variance = found.iter().map(|f| (db(f.snr) - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let said = found.iter().map(|f| f.uncertainty_db.powi(2)).sum::<f64>() / n;
        (mean - snr_db, variance.sqrt(), said.sqrt())
    }

    /// Scatter in dB that the moments of a Rician magnitude (M2, 1 + 4n + 2n^2, 1 + 9n + 18n^2 + 6n^3,
    /// 1 + 16n + 72n^2 + 96n^3 + 24n^4 for unit signal power and noise n; J. G. Proakis, M. Salehi,
    /// Digital Communications, 5th ed., section 2.3, from memory) give by linear propagation.
    fn predicted_scatter_db(snr: f64, count: f64) -> f64 {
        let n = 1.0 / snr;
        let m2 = 1.0 + n;
        let m4 = 1.0 + 4.0 * n + 2.0 * n * n;
        let m6 = 1.0 + 9.0 * n + 18.0 * n * n + 6.0 * n.powi(3);
        let m8 = 1.0 + 16.0 * n + 72.0 * n * n + 96.0 * n.powi(3) + 24.0 * n.powi(4);
        let log_ratio = |m2: f64, m4: f64| {
            let signal = (2.0 * m2 * m2 - m4).sqrt();
            (signal / (m2 - signal)).ln()
        };
        // Numeric derivatives, so that the production's own are not repeated here.
        let h = 1e-6;
        let by_m2 = (log_ratio(m2 + h, m4) - log_ratio(m2 - h, m4)) / (2.0 * h);
        let by_m4 = (log_ratio(m2, m4 + h) - log_ratio(m2, m4 - h)) / (2.0 * h);
        let variance = by_m2 * by_m2 * (m4 - m2 * m2)
            + 2.0 * by_m2 * by_m4 * (m6 - m2 * m4)
            + by_m4 * by_m4 * (m8 - m4 * m4);
        10.0 / std::f64::consts::LN_10 * (variance / count).sqrt()
    }

    /// One level: never below the Cramer-Rao bound (Pauluzzi and Beaulieu, 2000), as far above it as
    /// the moments predict, and as large as the estimate says.
    #[test]
    fn scatter_of_one_level_is_near_the_bound() {
        let rows = table(include_str!("../../tests/reference/phy_rf/snr_crb.csv"));
        let mut checked = 0;
        for row in rows.iter().filter(|row| [1000.0, 4096.0].contains(&row[0]) && row[1] > 5.0) {
            let (bias, scatter, said) = statistics(Constellation::Qpsk, row[1], row[0] as usize);
            println!("{row:?}: bias {bias:.3} dB, scatter {:.3} of the bound", scatter / row[2]);
            // 300 estimates know their scatter to 4 % and their mean to scatter/17.
            assert!((1.2..1.8).contains(&(scatter / row[2])), "{row:?}: {scatter}");
            let predicted = predicted_scatter_db(10_f64.powf(row[1] / 10.0), row[0]);
            assert!((scatter / predicted - 1.0).abs() < 0.15, "{row:?}: {scatter} {predicted}");
            assert!((said / scatter - 1.0).abs() < 0.15, "{row:?}: {said} said");
            assert!(bias.abs() < 0.3 * row[2], "{row:?}: bias {bias}");
            checked += 1;
        }
        assert_eq!(checked, 6);
    }

    /// Several levels: the scatter is above the bound and said.
    #[test]
    fn scatter_of_several_levels_is_said() {
        for (constellation, snr_db, count) in [
            (Constellation::Qam16, 10.0, 1024),
            (Constellation::Qam16, 10.0, 4096),
            (Constellation::Qam16, 15.0, 4096),
            (Constellation::Qam64, 12.0, 4096),
        ] {
            let (bias, scatter, said) = statistics(constellation, snr_db, count);
            println!(
                "{constellation} {snr_db} dB, {count}: bias {bias:.3}, scatter {scatter:.3} dB"
            );
            assert!((said / scatter - 1.0).abs() < 0.2, "{constellation}: {said} {scatter}");
            assert!(bias.abs() < 0.5 * scatter, "{constellation}: {bias}");
        }
    }

    #[test]
    fn moments_that_fit_nothing_give_nothing() {
        let one = Complex32::new(1.0, 0.0);
        let nan = Complex32::new(f32::NAN, 0.0);
        for symbols in [&[][..], &[one; 5], &[Complex32::default(); 5], &[nan; 3], &[one, nan]] {
            assert_eq!(snr_m2m4(symbols, Constellation::Qpsk), None, "{symbols:?}");
        }
    }

    proptest! {
        /// Decisions can only shorten the error vector; it falls with the SNR.
        #[test]
        fn decisions_flatter(snr_db in -8.0..40.0_f64, index in 0..4_usize) {
            let constellation = Constellation::ALL[index];
            let evm = |db: f64| evm_by_decision(constellation, 10_f64.powf(db / 10.0));
            prop_assert!(evm(snr_db) <= 10_f64.powf(-snr_db / 20.0) * (1.0 + 1e-9));
            prop_assert!(evm(snr_db) >= evm(snr_db + 0.5));
        }
    }
}
