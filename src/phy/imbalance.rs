//! I/Q imbalance: between gain and phase of the two channels and the image they leave.
//!
//! `y = alpha x + beta conj(x)` with `alpha = (1 + g exp(-jp))/2`, `beta = (1 - g exp(jp))/2`
//! (T. Schenk, RF Imperfections in High-rate Wireless Systems, 2008, chapter 5). The image ratio
//! `k = beta/conj(alpha)` takes the image off: `y - k conj(y)` is proportional to `x`.

use num_complex::Complex64;

/// Imbalance of the receiver's two channels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct IqImbalance {
    /// Gain of Q over I in dB.
    pub gain_db: f64,
    /// Phase error in degrees.
    pub phase_deg: f64,
}

impl IqImbalance {
    /// The imbalance that leaves the image ratio `k`: `g exp(jp) = (1 - k)/(1 + k)`.
    pub(crate) fn from_image_ratio(k: Complex64) -> Self {
        let g = (1.0 - k) / (1.0 + k);
        Self { gain_db: 20.0 * g.norm().log10(), phase_deg: g.arg().to_degrees() }
    }

    /// The image ratio `beta/conj(alpha)`.
    pub(crate) fn image_ratio(self) -> Complex64 {
        let g =
            Complex64::from_polar(10_f64.powf(self.gain_db / 20.0), self.phase_deg.to_radians());
        (1.0 - g) / (1.0 + g)
    }

    /// Image rejection ratio in dB; infinite without imbalance.
    pub fn image_rejection_db(self) -> f64 {
        -20.0 * self.image_ratio().norm().log10()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::link_testing::table;

    /// Schenk chapter 5; Razavi chapter 4 (image rejection).
    #[test]
    fn image_agrees_with_the_published_table() {
        let rows = table(include_str!("../../tests/reference/phy_rf/iq_imbalance.csv"));
        assert!(rows.len() > 20);
        for row in rows.iter().filter(|row| row[2].is_finite()) {
            let imbalance = IqImbalance { gain_db: row[0], phase_deg: row[1] };
            let alpha = Complex64::new(row[3], row[4]);
            let beta = Complex64::new(row[5], row[6]);
            let ratio = imbalance.image_ratio();
            assert!((ratio - beta / alpha.conj()).norm() < 1e-10);
            assert!((imbalance.image_rejection_db() - row[2]).abs() < 1e-6, "{row:?}");
            let back = IqImbalance::from_image_ratio(ratio);
            assert!((back.gain_db - row[0]).abs() < 1e-9 && (back.phase_deg - row[1]).abs() < 1e-9);
        }
    }
}
