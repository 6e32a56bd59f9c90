//! What a run tells of the bench's model: offsets, noise figure, errors of the elements.
//!
//! Numbers in, numbers or reasons out; no files, no instruments, no clock. Every estimate says how
//! many points it rests on and how uncertain it is (standard uncertainty: one standard deviation of
//! the estimate, from the scatter of the points; JCGM 100:2008, clause number from memory 4.2), or
//! that the data cannot support it, and why.

mod elements;
mod noise;
mod solve;

pub use elements::{ElementErrors, ElementFit, Excitation, Observation, fit_elements};
pub use noise::{Impairments, NoisePoint, noise_figure_offset};

/// Fewest points that an offset rests on.
const POINTS_MIN: usize = 3;

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
    /// What scales with the signal cannot be told from the receiver's noise.
    #[error(
        "the signal stands at {spread_percent:.0} % rms around its mean over the receiver's noise, and \
         {needed_percent:.0} % are needed to tell that noise from what scales with the signal (phase \
         noise, jitter, compression); take captures at several levels, as with 'sweep: \
         {{source.amplitude: [0.4 V, 0.2 V, 0.1 V]}}'"
    )]
    SignalNeverVaried {
        /// Spread of the signal, per cent.
        spread_percent: f64,
        /// Spread that would do, per cent.
        needed_percent: f64,
    },
    /// The noise has a part that scales with the signal, and the model has another one.
    #[error(
        "the noise scales with the signal in another way than the model's: at the strongest signal by \
         {share_percent:+.0} % of it; put what does so into the model (phase noise, jitter, I/Q image, \
         compression) and fit again"
    )]
    ScalesWithSignal {
        /// Noise beyond the model's that goes with the signal, as a share of all noise at the
        /// strongest signal, per cent; below zero where the model has more.
        share_percent: f64,
    },
    /// Neither number would mean anything.
    #[error(
        "its uncertainty would be {uncertainty_db:.1} dB, since what scales with the signal has to be \
         told from it; take more captures, or captures at lower levels"
    )]
    NoiseUncertain {
        /// One standard deviation, dB.
        uncertainty_db: f64,
    },
    /// A figure tells of something that makes noise, too.
    #[error(
        "{figure} is {run:.2} {unit} in the run and {model:.2} {unit} in the rehearsal: what makes it \
         changes the noise, too; put it into the model and fit again"
    )]
    Impaired {
        /// The figure.
        figure: &'static str,
        /// Its unit.
        unit: &'static str,
        /// Its mean in the run.
        run: f64,
        /// Its mean in the rehearsal.
        model: f64,
    },
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
}
