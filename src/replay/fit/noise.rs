//! The noise figure from the noise of captures at different levels.
//!
//! Noise that scales with the signal (phase noise, jitter, images) is told from the receiver's by a
//! straight line over the signal: what is left without a signal is the receiver's. Where the levels do
//! not tell the two apart, or figures show that the run has something that the model lacks, the noise
//! figure is refused.

use super::{Estimate, Refusal, offset};

/// Smallest share of the receiver's own noise in all noise of a capture that tells of it.
const RECEIVER_SHARE_MIN: f64 = 0.5;
/// Fewest captures: a line and three more, so that its scatter is known.
const POINTS_MIN: usize = 5;
/// Least rms spread of the signal over the receiver's noise, relative to its mean: some 0.4 dB rms.
const SPREAD_MIN: f64 = 0.1;
/// A slope of so many of its uncertainties is no chance: with five points in 3 % of all cases, with 30
/// in 0.05 % (Student's distribution, own calculation).
const SLOPE_SIGNIFICANT: f64 = 4.0;
/// Share of the noise, at the strongest signal, that may go with the signal: below 0.15 dB.
const SHARE_MAX: f64 = 0.03;
/// Largest uncertainty of a noise figure that is worth writing down, dB.
const UNCERTAINTY_MAX_DB: f64 = 1.0;
/// I/Q gains that differ by more change the receiver's gain, half of it, beyond a noise figure's
/// uncertainty, dB.
const IQ_GAIN_MAX_DB: f64 = 0.2;
/// I/Q phases that differ by more leave an image (half of the angle, squared: -37 dB) that counts.
const IQ_PHASE_MAX_DEG: f64 = 1.5;

/// Figures of a capture that tell of what makes noise besides the receiver.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Impairments {
    /// Integrated phase noise, degrees rms; none where it does not stand out from the noise.
    pub phase_noise_deg: Option<f64>,
    /// Gain of I over Q, dB.
    pub iq_gain_db: Option<f64>,
    /// Angle between I and Q beyond 90 degrees, degrees.
    pub iq_phase_deg: Option<f64>,
}

/// The noise of one capture, measured and simulated twice; powers in one unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NoisePoint {
    /// As measured.
    pub measured: f64,
    /// As simulated with the model's noise figure.
    pub simulated: f64,
    /// As simulated with a noise figure that is `raised_db` higher, with the same seed.
    pub raised: f64,
    /// Power of the signal as measured.
    pub signal: f64,
    /// About the signal over the noise, as a simulation with another seed than the two above tells:
    /// its errors are independent of theirs.
    pub snr_foretold: f64,
    /// Figures as measured, and as simulated.
    pub impairments: [Impairments; 2],
}

/// By how much the noise figure differs from the model's, in dB. The two simulations tell which part
/// of the noise is the receiver's, since only that part grows with the noise factor; the rest (scope,
/// rounding, phase) is taken as the model has it. What scales with the signal beyond that is told
/// by a line over the signal; it makes the uncertainty larger, and it is refused when it is there.
///
/// # Errors
/// [`Refusal::NotNoiseLimited`], [`Refusal::LessNoise`], [`Refusal::TooFew`],
/// [`Refusal::SignalNeverVaried`], [`Refusal::ScalesWithSignal`], [`Refusal::NoiseUncertain`],
/// [`Refusal::Impaired`].
pub fn noise_figure_offset(points: &[NoisePoint], raised_db: f64) -> Result<Estimate, Refusal> {
    let growth = 10f64.powf(raised_db / 10.0) - 1.0;
    let receivers = |point: &NoisePoint| (point.raised - point.simulated) / growth;
    let share = |point: &NoisePoint| receivers(point) / point.simulated;
    let limited: Vec<&NoisePoint> =
        points.iter().filter(|point| share(point) >= RECEIVER_SHARE_MIN).collect();
    if limited.is_empty() && !points.is_empty() {
        let largest = points.iter().map(share).fold(0.0, f64::max);
        let share_percent = 100.0 * largest;
        return Err(Refusal::NotNoiseLimited { captures: points.len(), share_percent });
    }
    if limited.len() < POINTS_MIN {
        return Err(Refusal::TooFew { points: limited.len(), needed: POINTS_MIN });
    }
    if let Some(refusal) = impaired(&limited) {
        return Err(refusal);
    }
    let x: Vec<f64> = limited.iter().map(|point| point.signal / receivers(point)).collect();
    let y: Vec<f64> = limited
        .iter()
        .map(|point| (point.measured - (point.simulated - receivers(point))) / receivers(point))
        .collect();
    let by: Vec<f64> = limited.iter().map(|point| point.snr_foretold).collect();
    let spread = offset(&by)?;
    let spread = spread.residual_rms / spread.value;
    if spread < SPREAD_MIN {
        let (spread_percent, needed_percent) = (100.0 * spread, 100.0 * SPREAD_MIN);
        return Err(Refusal::SignalNeverVaried { spread_percent, needed_percent });
    }
    let line = Line::through(&x, &y, &by);
    // How much of the noise goes with the signal, where that is most.
    let strongest = x.iter().copied().fold(0.0, f64::max);
    let with_signal = line.slope.0 * strongest;
    let part = with_signal / (line.start.0.max(0.0) + with_signal.max(0.0)).max(f64::MIN_POSITIVE);
    if line.slope.0.abs() > SLOPE_SIGNIFICANT * line.slope.1 && part.abs() > SHARE_MAX {
        return Err(Refusal::ScalesWithSignal { share_percent: 100.0 * part });
    }
    if line.start.0 <= 0.0 {
        return Err(Refusal::LessNoise);
    }
    let db_per_relative = 10.0 / std::f64::consts::LN_10;
    let relative = |x: f64| db_per_relative * x / line.start.0;
    let uncertainty = relative(line.start.1);
    if uncertainty > UNCERTAINTY_MAX_DB {
        return Err(Refusal::NoiseUncertain { uncertainty_db: uncertainty });
    }
    Ok(Estimate {
        value: 10.0 * line.start.0.log10(),
        uncertainty,
        residual_rms: relative(line.residual_rms),
        points: limited.len(),
    })
}

/// A straight line: value at zero and slope, each with one standard deviation.
struct Line {
    start: (f64, f64),
    slope: (f64, f64),
    residual_rms: f64,
}

impl Line {
    /// Through points whose `x` has errors, too, that go with those of `y`: both are relative to a
    /// simulated noise. `by` goes with `x` and has no part in those errors, so that it may tell the
    /// slope (the method of an instrumental variable, e.g. W. Fuller, Measurement Error Models, 1987,
    /// sec. 1.4, section from memory). There are more than two points.
    fn through(x: &[f64], y: &[f64], by: &[f64]) -> Self {
        let count = x.len() as f64;
        let mean = |of: &[f64]| of.iter().sum::<f64>() / count;
        let (mean_x, mean_y, mean_by) = (mean(x), mean(y), mean(by));
        let aside: Vec<f64> = by.iter().map(|by| by - mean_by).collect();
        let dot = |of: &[f64]| aside.iter().zip(of).map(|(a, b)| a * b).sum::<f64>();
        let slope = dot(y) / dot(x);
        let start = mean_y - slope * mean_x;
        let left: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - start - slope * x).collect();
        let squares: f64 = left.iter().map(|left| left * left).sum();
        let scatter = (squares / (count - 2.0)).sqrt();
        // What each point's error does to the slope, and to the start.
        let pull = dot(&aside).sqrt() / dot(x).abs();
        Line {
            start: (start, scatter * (1.0 / count + (mean_x * pull).powi(2)).sqrt()),
            slope: (slope, scatter * pull),
            residual_rms: (squares / count).sqrt(),
        }
    }
}

/// A figure of the run that says that it has what the model lacks, or lacks what the model has.
fn impaired(points: &[&NoisePoint]) -> Option<Refusal> {
    // Weak captures hide the phase in their noise, which it then does not change either.
    let snr = |point: &NoisePoint| point.signal / point.measured;
    let most = points.iter().map(|point| snr(point)).fold(0.0, f64::max);
    let strong: Vec<&&NoisePoint> =
        points.iter().filter(|point| snr(point) >= 0.5 * most).collect();
    let square = |which: usize| {
        let phase = |point: &NoisePoint| point.impairments[which].phase_noise_deg.unwrap_or(0.0);
        let squares = strong.iter().map(|point| phase(point).to_radians().powi(2));
        squares.sum::<f64>() / strong.len() as f64
    };
    let (run, model) = (square(0), square(1));
    let snr = strong.iter().map(|point| snr(point)).sum::<f64>() / strong.len() as f64;
    if (run - model).abs() * snr > SHARE_MAX {
        let [run, model] = [run, model].map(|square| square.sqrt().to_degrees());
        return Some(Refusal::Impaired { figure: "phase_noise_deg", unit: "deg", run, model });
    }
    type Get = fn(&Impairments) -> Option<f64>;
    let figures: [(&str, &str, Get, f64); 2] = [
        ("iq_gain_db", "dB", |of| of.iq_gain_db, IQ_GAIN_MAX_DB),
        ("iq_phase_deg", "deg", |of| of.iq_phase_deg, IQ_PHASE_MAX_DEG),
    ];
    figures.into_iter().find_map(|(figure, unit, get, most)| {
        let both: Vec<[f64; 2]> = points
            .iter()
            .filter_map(|point| Some([get(&point.impairments[0])?, get(&point.impairments[1])?]))
            .collect();
        let apart: Vec<f64> = both.iter().map(|[run, model]| run - model).collect();
        let apart = offset(&apart).ok()?;
        let mean =
            |which: usize| both.iter().map(|both| both[which]).sum::<f64>() / apart.points as f64;
        let far = apart.value.abs() > most.max(SLOPE_SIGNIFICANT * apart.uncertainty);
        far.then(|| Refusal::Impaired { figure, unit, run: mean(0), model: mean(1) })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture::Noise;

    /// Noise of `other` besides the receiver's, which is 1 in the model and `truth` on the bench, and
    /// a share of the signal that the model has no part of.
    fn point(other: f64, truth: f64, signal: f64, scales: f64) -> NoisePoint {
        let measured = other + truth + scales * signal;
        NoisePoint {
            measured,
            simulated: other + 1.0,
            raised: other + 10f64.powf(0.3),
            signal,
            snr_foretold: signal / (other + 1.0),
            impairments: [Impairments::default(); 2],
        }
    }

    const LEVELS: [f64; 5] = [10.0, 20.0, 40.0, 60.0, 80.0];

    fn points(other: f64, truth: f64, scales: f64) -> Vec<NoisePoint> {
        LEVELS.map(|signal| point(other, truth, signal, scales)).to_vec()
    }

    /// The same points with errors of 2 % in everything but the signal, several times over.
    fn uncertain(all: &[NoisePoint], times: usize, seed: u64) -> Vec<NoisePoint> {
        let mut random = Noise(seed);
        let mut about = |x: f64| x * (1.0 + 0.02 * 12f64.sqrt() * (random.uniform() - 0.5));
        let repeated = all.iter().cycle().take(times * all.len());
        repeated
            .map(|point| {
                // One seed for both simulations: their errors are the same.
                let simulated = about(point.simulated);
                NoisePoint {
                    measured: about(point.measured),
                    simulated,
                    raised: simulated * point.raised / point.simulated,
                    snr_foretold: about(point.snr_foretold),
                    ..*point
                }
            })
            .collect()
    }

    #[test]
    fn only_the_receivers_part_of_the_noise_counts() {
        // The receiver's noise is twice the model's: 3.0103 dB, whatever else there is.
        let mut all = points(0.3, 2.0, 0.0);
        all.extend([point(0.0, 2.0, 30.0, 0.0), point(9.0, 2.0, 30.0, 0.0)]);
        let found = noise_figure_offset(&all, 3.0).unwrap();
        assert!((found.value - 10.0 * 2f64.log10()).abs() < 1e-9, "{found:?}");
        assert_eq!(found.points, 6, "the last is not limited by the receiver");
        let Err(Refusal::NotNoiseLimited { captures: 5, share_percent }) =
            noise_figure_offset(&points(3.0, 2.0, 0.0), 3.0)
        else {
            panic!("a quarter of the noise is the receiver's");
        };
        assert!((share_percent - 25.0).abs() < 1e-9);
        assert_eq!(noise_figure_offset(&points(0.9, -0.1, 0.0), 3.0), Err(Refusal::LessNoise));
        let few = noise_figure_offset(&points(0.3, 2.0, 0.0)[..4], 3.0);
        assert_eq!(few, Err(Refusal::TooFew { points: 4, needed: 5 }));
    }

    #[test]
    fn what_scales_with_the_signal_is_refused_or_covered() {
        // Phase noise of 4 deg rms is (4 deg in radians)^2 = 0.00487 of the signal: 12 to 28 % of the
        // noise at the strongest signal.
        let four_deg = 4f64.to_radians().powi(2);
        for (scales, sign) in [(four_deg, 1.0), (-four_deg, -1.0)] {
            let found = noise_figure_offset(&uncertain(&points(0.1, 1.4, scales), 4, 7), 3.0);
            let Err(Refusal::ScalesWithSignal { share_percent }) = found else {
                panic!("{found:?}")
            };
            assert!((10.0..40.0).contains(&(sign * share_percent)), "{share_percent}");
        }
        // Too little to stand out: the figure is off by less than is claimed.
        for seed in 1..50 {
            let all = uncertain(&points(0.1, 1.4, four_deg / 10.0), 2, seed);
            let Ok(found) = noise_figure_offset(&all, 3.0) else { continue };
            let off = found.value - 10.0 * 1.4f64.log10();
            assert!(off.abs() < 4.0 * found.uncertainty, "{seed}: {off} {found:?}");
        }
    }

    /// Of 200 times 20 captures without any such noise few are refused; the mean is the truth within
    /// its own uncertainty, and the claimed uncertainty is that of the scatter.
    #[test]
    fn the_plain_case_is_told_without_bias_and_with_its_uncertainty() {
        let all: Vec<Estimate> = (1..=200)
            .filter_map(|seed| {
                noise_figure_offset(&uncertain(&points(0.1, 1.4, 0.0), 4, seed), 3.0).ok()
            })
            .collect();
        assert!(all.len() > 195, "{}", all.len());
        let values: Vec<f64> = all.iter().map(|one| one.value).collect();
        let mean = offset(&values).unwrap();
        let truth = 10.0 * 1.4f64.log10();
        assert!((mean.value - truth).abs() < 4.0 * mean.uncertainty, "{mean:?} {truth}");
        let claimed = all.iter().map(|one| one.uncertainty).sum::<f64>() / all.len() as f64;
        assert!((claimed / mean.residual_rms - 1.0).abs() < 0.3, "{claimed} {mean:?}");
    }

    #[test]
    fn one_level_tells_no_noise_figure() {
        let same = [point(0.1, 1.4, 50.0, 0.002); 8];
        let found = noise_figure_offset(&uncertain(&same, 1, 3), 3.0);
        assert!(matches!(found, Err(Refusal::SignalNeverVaried { .. })), "{found:?}");
    }

    #[test]
    fn figures_that_differ_from_the_rehearsals_are_a_reason_to_refuse() {
        let none = Impairments::default();
        let phase = Impairments { phase_noise_deg: Some(4.0), ..none };
        let gain = |gain| Impairments { iq_gain_db: Some(gain), ..none };
        let angle = |angle| Impairments { iq_phase_deg: Some(angle), ..none };
        for (impairments, refused) in [
            ([none, none], None),
            ([phase, none], Some("phase_noise_deg")),
            ([none, phase], Some("phase_noise_deg")),
            ([phase, phase], None),
            ([gain(0.8), gain(0.0)], Some("iq_gain_db")),
            ([gain(0.8), gain(0.75)], None),
            ([angle(0.2), angle(4.0)], Some("iq_phase_deg")),
            ([angle(4.0), none], None),
        ] {
            let mut all = points(0.3, 2.0, 0.0);
            all.iter_mut().for_each(|point| point.impairments = impairments);
            let figure = match noise_figure_offset(&all, 3.0) {
                Err(Refusal::Impaired { figure, .. }) => Some(figure),
                Err(other) => panic!("{other}"),
                Ok(_) => None,
            };
            assert_eq!(figure, refused, "{impairments:?}");
        }
    }
}
