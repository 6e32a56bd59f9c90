//! How one element of an array looks over direction.
//!
//! Knows nothing of arrays: the direction comes as the cosine of the angle off broadside. Elements
//! do not couple.

/// A pattern in power: `cos^q` of the angle off broadside, never below the back lobe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Element {
    /// The exponent q; 0 is isotropic, also to the back.
    pub cosine_exponent: f64,
    /// Least power relative to broadside, also everywhere behind the array.
    pub back_lobe: f64,
}

impl Element {
    /// The same in every direction.
    pub const ISOTROPIC: Self = Self { cosine_exponent: 0.0, back_lobe: 1.0 };

    /// Amplitude relative to broadside.
    pub fn amplitude(&self, cos_off_broadside: f64) -> f64 {
        if self.cosine_exponent == 0.0 {
            return 1.0;
        }
        let power = libm::pow(cos_off_broadside.max(0.0), self.cosine_exponent);
        power.max(self.back_lobe).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn power_falls_as_the_cosine_down_to_the_back_lobe() {
        let element = Element { cosine_exponent: 1.5, back_lobe: 0.01 };
        let db = |deg: f64| 20.0 * element.amplitude(deg.to_radians().cos()).log10();
        // Arithmetic: 15 log10(cos 60 deg) = 15 log10(1/2).
        assert!((db(60.0) - 15.0 * 0.5f64.log10()).abs() < 1e-9);
        assert!(db(0.0).abs() < 1e-12);
        assert!((db(90.0) + 20.0).abs() < 1e-9 && (db(180.0) + 20.0).abs() < 1e-9);
        assert_eq!(Element::ISOTROPIC.amplitude(-1.0), 1.0);
    }
}
