//! Sets of beams to choose from.

use super::geometry::{ArrayGeometry, PhaseCodes};

/// One beam of one array.
#[derive(Clone, Debug, PartialEq)]
pub struct Beam {
    /// Where it points, degrees from broadside.
    pub angle_deg: f64,
    /// The phase codes that point it there.
    pub codes: PhaseCodes,
}

/// The beams of one array, in order of angle.
#[derive(Clone, Debug, PartialEq)]
pub struct Codebook {
    /// The beams.
    pub beams: Vec<Beam>,
}

impl Codebook {
    /// `count` beams from `from_deg` to `to_deg`, equally spaced in the sine of the angle, where
    /// beams of a linear array have equal width. One beam stands in the middle. Angles are rounded
    /// to hundredths of a degree, far below any beam's width, so that they read well.
    #[must_use]
    pub fn scan(array: &ArrayGeometry, from_deg: f64, to_deg: f64, count: usize) -> Self {
        let (from, to) = (from_deg.to_radians().sin(), to_deg.to_radians().sin());
        let beams = (0..count)
            .map(|n| {
                let part = if count > 1 { n as f64 / (count - 1) as f64 } else { 0.5 };
                let sine = (from + (to - from) * part).clamp(-1.0, 1.0);
                let angle_deg = (sine.asin().to_degrees() * 100.0).round() / 100.0;
                Beam { angle_deg, codes: array.steer(angle_deg) }
            })
            .collect();
        Codebook { beams }
    }

    /// The index of the beam that points nearest to an angle, by sine.
    #[must_use]
    pub fn nearest(&self, angle_deg: f64) -> Option<usize> {
        let sine = |deg: f64| deg.to_radians().sin();
        let distance = |beam: &Beam| (sine(beam.angle_deg) - sine(angle_deg)).abs();
        (0..self.beams.len())
            .min_by(|a, b| distance(&self.beams[*a]).total_cmp(&distance(&self.beams[*b])))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With twice as many beams as elements over the sine, neighbours cross within 0.95 dB of the
    /// peak (closed form: psi/2 = pi/2 * 0.0541, N = 8, see geometry's source); codes of 5 bits
    /// add less than 0.3 dB on top.
    #[test]
    fn neighbouring_beams_leave_no_gap() {
        let array = ArrayGeometry::uniform(8, 0.5, 5);
        let book = Codebook::scan(&array, -60.0, 60.0, 17);
        assert_eq!(book.beams.len(), 17);
        assert!(book.beams[8].angle_deg.abs() < 1e-9);
        assert_eq!(book.beams[8].codes, [0; 8]);
        for tenth in -600..=600 {
            let angle = f64::from(tenth) / 10.0;
            let best = book
                .beams
                .iter()
                .map(|beam| array.gain_db(&beam.codes, angle))
                .fold(f64::NEG_INFINITY, f64::max);
            assert!(best > -1.25, "{angle}: {best}");
        }
    }

    #[test]
    fn nearest_is_by_sine() {
        let array = ArrayGeometry::uniform(8, 0.5, 5);
        let book = Codebook::scan(&array, -60.0, 60.0, 17);
        assert_eq!(book.nearest(0.4), Some(8));
        assert_eq!(book.nearest(-90.0), Some(0));
        assert_eq!(Codebook { beams: vec![] }.nearest(0.0), None);
    }
}
