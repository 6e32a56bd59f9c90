//! What changes along a frame: straight lines through the blocks' phases and delays, phase between
//! block centres, and the loop that follows the sender's clock before its rate is known.
//!
//! Works on numbers per block; knows nothing of samples.

use std::f64::consts::{PI, TAU};

use num_complex::Complex32;

use super::lanes::turn_back;

/// A straight line `offset + slope * x`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Line {
    pub offset: f64,
    pub slope: f64,
}

impl Line {
    /// Least-squares line through the points; `None` when there are fewer than two places.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        let count = points.len() as f64;
        let mean_x = points.iter().map(|p| p.0).sum::<f64>() / count;
        let mean_y = points.iter().map(|p| p.1).sum::<f64>() / count;
        let (xx, xy) = points.iter().fold((0.0, 0.0), |(xx, xy), (x, y)| {
            (xx + (x - mean_x).powi(2), xy + (x - mean_x) * (y - mean_y))
        });
        let slope = xy / xx;
        slope.is_finite().then_some(Self { offset: mean_y - slope * mean_x, slope })
    }
}

/// Phases without jumps: each within half a turn of the one before, the first as it is.
pub(crate) fn unwrap(phases: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut last = 0.0;
    phases
        .map(|phase| {
            last += wrap(phase - last);
            last
        })
        .collect()
}

/// A phase within half a turn of zero.
pub(crate) fn wrap(phase: f64) -> f64 {
    (phase + PI).rem_euclid(TAU) - PI
}

/// Phases before and after a block; where there is none, the phase runs on as it does on the other
/// side.
pub(crate) fn mirrored(before: Option<f64>, own: f64, after: Option<f64>) -> (f64, f64) {
    let mirror = |other: Option<f64>| other.map_or(own, |other| 2.0 * own - other);
    (before.unwrap_or(mirror(after)), after.unwrap_or(mirror(before)))
}

/// Turns chips of one window of `length` chips back by a phase that runs straight from the phase half
/// way to the window before, through its own, to half way to the window after. The slice begins
/// `first` chips after the window.
#[inline(always)]
pub(crate) fn derotate(chips: &mut [Complex32], length: usize, first: usize, phases: [f64; 3]) {
    let [before, own, after] = phases;
    let half = length as f64 / 2.0;
    let slope = |side: f64| (side - own) / (2.0 * half);
    // Distance of a chip's middle from the window's.
    let from_centre = |n: usize| (first + n) as f64 + 0.5 - half;
    let (early, late) = chips.split_at_mut((length / 2).saturating_sub(first).min(chips.len()));
    let turned = early.len();
    turn_back(early, own - slope(before) * from_centre(0), -slope(before));
    turn_back(late, own + slope(after) * from_centre(turned), slope(after));
}

/// Second-order loop that predicts the next block's delay.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct DelayLoop {
    predicted: f64,
    rate: f64,
}

impl DelayLoop {
    /// Share of an error that is taken over at once, and into the rate.
    const GAINS: (f64, f64) = (0.3, 0.05);

    /// Delay expected for the next block, in chips.
    pub fn predicted(&self) -> f64 {
        self.predicted
    }

    /// Takes in the delay that was measured.
    pub fn update(&mut self, measured: f64) {
        // A block that says something absurd must not throw the loop off.
        let error = (measured - self.predicted).clamp(-0.3, 0.3);
        self.rate += Self::GAINS.1 * error;
        self.predicted += Self::GAINS.0 * error + self.rate;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn line_is_recovered() {
        let points: Vec<(f64, f64)> =
            (0..10).map(|n| f64::from(n) * 3.0).map(|x| (x, 2.0 - 0.25 * x)).collect();
        let line = Line::through(&points).expect("ten places");
        assert!((line.offset - 2.0).abs() < 1e-12 && (line.slope + 0.25).abs() < 1e-12);
        assert_eq!(Line::through(&[(1.0, 1.0)]), None);
        assert_eq!(Line::through(&[]), None);
    }

    #[test]
    fn phases_are_unwrapped() {
        let phases = (0..100).map(|n| wrap(0.7 * f64::from(n)));
        for (n, phase) in unwrap(phases).iter().enumerate() {
            assert!((phase - 0.7 * n as f64).abs() < 1e-9);
        }
    }

    #[test]
    fn a_phase_that_runs_straight_is_undone() {
        let slope = 0.004;
        let phase = |n: f64| 0.3 + slope * n;
        let mut chips: Vec<Complex32> = (0..512)
            .map(|n| {
                crate::phy::recording::narrow(num_complex::Complex64::from_polar(
                    1.0,
                    phase(f64::from(n) + 0.5),
                ))
            })
            .collect();
        let mut part = chips[16..464].to_vec();
        derotate(&mut chips, 512, 0, [phase(-256.0), phase(256.0), phase(768.0)]);
        assert!(chips.iter().all(|z| (z - 1.0).norm() < 1e-5));
        derotate(&mut part, 512, 16, [phase(-256.0), phase(256.0), phase(768.0)]);
        assert!(part.iter().all(|z| (z - 1.0).norm() < 1e-5));
    }

    #[test]
    fn phase_bends_in_the_middle_of_a_block() {
        let mut chips = vec![Complex32::new(1.0, 0.0); 512];
        derotate(&mut chips, 512, 0, [0.2, 0.1, 0.5]);
        // Half way to a neighbour lies at the edge.
        for (n, phase) in [(0, 0.15), (255, 0.1), (256, 0.1), (511, 0.3)] {
            assert!((f64::from(chips[n].arg()) + phase).abs() < 1e-3, "chip {n}");
        }
    }

    /// 80 ppm of clock error move a block of 512 chips by 0.041 chips against the one before.
    #[test]
    fn loop_settles_on_a_drifting_delay() {
        let mut delay_loop = DelayLoop::default();
        let mut worst: f64 = 0.0;
        for n in 0..100 {
            let truth = 0.041 * f64::from(n);
            let error = truth - delay_loop.predicted();
            worst = worst.max(error.abs());
            if n > 60 {
                assert!(error.abs() < 2e-3, "block {n}: {error}");
            }
            delay_loop.update(truth);
        }
        assert!(worst < 0.2, "{worst}");
    }
}
