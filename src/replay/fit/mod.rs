//! What a run tells of the bench's model: offsets, noise figure, errors of the elements.
//!
//! Numbers in, numbers or reasons out; no files, no instruments, no clock. Every estimate says how
//! many points it rests on and how uncertain it is (standard uncertainty: one standard deviation of
//! the estimate, from the scatter of the points; JCGM 100:2008, clause number from memory 4.2), or
//! that the data cannot support it, and why.

mod elements;
mod solve;

pub use elements::{ElementErrors, ElementFit, Excitation, Observation, fit_elements};

/// Fewest points that an offset rests on.
const POINTS_MIN: usize = 3;
/// Smallest share of the receiver's own noise in all noise of a capture that tells of it.
const RECEIVER_SHARE_MIN: f64 = 0.5;

/// One estimated number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// One standard deviation of it.
    pub uncertainty: f64,
    /// Rms of what the points deviate from it.
    pub residual_rms: f64,
    /// Points that it rests on.
    pub points: usize,
}

/// Why a parameter is not estimated. Reads as a sentence.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// Too few points.
    #[error("{points} usable points, and {needed} are needed")]
    TooFew {
        /// Points there are.
        points: usize,
        /// Points that would do.
        needed: usize,
    },
    /// No capture shows the receiver's noise.
    #[error(
        "no capture is limited by the receiver's noise: of the noise in the {captures} captures it \
         makes at most {share_percent:.0} %; take captures at higher receive gain or with less signal"
    )]
    NotNoiseLimited {
        /// Captures looked at.
        captures: usize,
        /// The largest share, per cent.
        share_percent: f64,
    },
    /// There is less noise than the model has without any receiver.
    #[error("the captures show less noise than the model has besides the receiver's")]
    LessNoise,
    /// The weights do not change.
    #[error("its weights are the same at every point; sweep the phase codes of single elements")]
    NeverVaried,
    /// Some errors leave no trace in the data.
    #[error(
        "{lost} of {unknown} unknown errors are not told by {points} points (rank-deficient or uncertain \
         by more than {gain_db} dB or {phase_deg} deg); sweep the phase codes of single elements"
    )]
    Undetermined {
        /// Errors that are not determined.
        lost: usize,
        /// All unknown errors.
        unknown: usize,
        /// Points there are.
        points: usize,
        /// Largest uncertainty of a gain, dB.
        gain_db: f64,
        /// Largest uncertainty of a phase, degrees.
        phase_deg: f64,
    },
    /// Two different answers fit as well.
    #[error(
        "the errors and their mirror image along the array explain the points equally well; sweep the \
         phase codes of single elements"
    )]
    Ambiguous,
    /// The search for the least squares did not settle.
    #[error("no set of errors was found that explains the points")]
    NotSettled,
}

/// The mean of differences and how sure it is.
///
/// # Errors
/// [`Refusal::TooFew`].
pub fn offset(differences: &[f64]) -> Result<Estimate, Refusal> {
    let points = differences.len();
    if points < POINTS_MIN {
        return Err(Refusal::TooFew { points, needed: POINTS_MIN });
    }
    let count = points as f64;
    let value = differences.iter().sum::<f64>() / count;
    let squares: f64 = differences.iter().map(|x| (x - value).powi(2)).sum();
    let uncertainty = (squares / (count - 1.0) / count).sqrt();
    Ok(Estimate { value, uncertainty, residual_rms: (squares / count).sqrt(), points })
}

/// The noise of one capture, measured and simulated twice; powers in one unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoisePoint {
    /// As measured.
    pub measured: f64,
    /// As simulated with the model's noise figure.
    pub simulated: f64,
    /// As simulated with a noise figure that is `raised_db` higher.
    pub raised: f64,
}

/// By how much the noise figure differs from the model's, in dB. The two simulations tell which part
/// of the noise is the receiver's, since only that part grows with the noise factor; the rest (scope,
/// rounding, phase) is taken as the model has it.
///
/// # Errors
/// [`Refusal::NotNoiseLimited`], [`Refusal::LessNoise`], [`Refusal::TooFew`].
pub fn noise_figure_offset(points: &[NoisePoint], raised_db: f64) -> Result<Estimate, Refusal> {
    let growth = 10f64.powf(raised_db / 10.0) - 1.0;
    let receivers = |point: &NoisePoint| (point.raised - point.simulated) / growth;
    let share = |point: &NoisePoint| receivers(point) / point.simulated;
    let limited: Vec<&NoisePoint> =
        points.iter().filter(|point| share(point) >= RECEIVER_SHARE_MIN).collect();
    if limited.is_empty() {
        let largest = points.iter().map(share).fold(0.0, f64::max);
        let share_percent = 100.0 * largest;
        return Err(Refusal::NotNoiseLimited { captures: points.len(), share_percent });
    }
    let ratios: Vec<f64> = limited
        .iter()
        .map(|point| (point.measured - (point.simulated - receivers(point))) / receivers(point))
        .collect();
    let ratio = offset(&ratios)?;
    if ratio.value <= 0.0 {
        return Err(Refusal::LessNoise);
    }
    let db_per_relative = 10.0 / std::f64::consts::LN_10;
    let relative = |x: f64| db_per_relative * x / ratio.value;
    Ok(Estimate {
        value: 10.0 * ratio.value.log10(),
        uncertainty: relative(ratio.uncertainty),
        residual_rms: relative(ratio.residual_rms),
        points: ratio.points,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_is_a_mean_with_its_uncertainty() {
        // Mean 2, sample variance 1, so that the mean of three is uncertain by 1/sqrt(3).
        let found = offset(&[1.0, 2.0, 3.0]).unwrap();
        assert_eq!((found.value, found.points), (2.0, 3));
        assert!((found.uncertainty - 1.0 / 3f64.sqrt()).abs() < 1e-12);
        assert!((found.residual_rms - (2.0f64 / 3.0).sqrt()).abs() < 1e-12);
        assert_eq!(offset(&[1.0, 2.0]), Err(Refusal::TooFew { points: 2, needed: 3 }));
    }

    /// Noise of `other` besides the receiver's, which is 1 in the model and `truth` on the bench.
    fn point(other: f64, truth: f64) -> NoisePoint {
        let raised = other + 10f64.powf(0.3);
        NoisePoint { measured: other + truth, simulated: other + 1.0, raised }
    }

    #[test]
    fn only_the_receivers_part_of_the_noise_counts() {
        // The receiver's noise is twice the model's: 3.0103 dB, whatever else there is.
        let points = [point(0.0, 2.0), point(0.3, 2.0), point(0.9, 2.0), point(9.0, 2.0)];
        let found = noise_figure_offset(&points, 3.0).unwrap();
        assert!((found.value - 10.0 * 2f64.log10()).abs() < 1e-9, "{found:?}");
        assert_eq!(found.points, 3, "the fourth is not limited by the receiver");
        let covered = [point(3.0, 2.0); 5];
        let Err(Refusal::NotNoiseLimited { captures: 5, share_percent }) =
            noise_figure_offset(&covered, 3.0)
        else {
            panic!("a quarter of the noise is the receiver's");
        };
        assert!((share_percent - 25.0).abs() < 1e-9);
        assert_eq!(noise_figure_offset(&[point(0.9, -0.1); 5], 3.0), Err(Refusal::LessNoise));
    }
}
