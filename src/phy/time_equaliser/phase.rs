//! Phase of equalised symbols, followed by decisions: a second-order loop over short runs of
//! symbols, smoothed afterwards in the other direction.
//!
//! Loop gains: F. M. Gardner, Phaselock Techniques, 3rd ed., 2005, chapter 2 (second-order type 2
//! loop; from memory). Knows nothing of channels, timing or the pi/2 rotation.

use std::f64::consts::PI;

use num_complex::{Complex32, Complex64};

use super::SEGMENT_CHIPS;
use crate::phy::constellation::Constellation;
use crate::phy::lanes::{correlate, widest};
use crate::phy::recording::narrow;
use crate::phy::tracking::wrap;

/// Symbols that share one reading of the phase.
pub(crate) const RUN_SYMBOLS: usize = 16;
/// Most runs of a segment.
const RUNS: usize = SEGMENT_CHIPS / RUN_SYMBOLS;
/// Natural frequency of the loop in radians a run, and its damping. The loop's noise bandwidth
/// `wn (damping + 1/(4 damping))/2` is 1/380 of the symbol rate: at the output it adds 0.27 % to the
/// noise (0.012 dB), and it follows a walk of the phase of `s` radians a symbol to `8 s` rms.
const NATURAL: f64 = 0.08;
const DAMPING: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// The loop begins as if this many runs had been seen.
const RUNS_AT_START: f64 = 4.0;

/// State of the loop: the phase at the start of the next run, in radians, and its change a run.
#[derive(Clone, Copy, Debug)]
pub(super) struct PhaseLoop {
    phase: f64,
    rate: f64,
    runs: f64,
}

/// Phases of the runs of a segment in radians, each at the run's middle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PhaseTrack {
    phases: [f64; RUNS],
    runs: usize,
}

impl Default for PhaseTrack {
    fn default() -> Self {
        Self { phases: [0.0; RUNS], runs: 0 }
    }
}

impl PhaseLoop {
    pub fn new() -> Self {
        Self { phase: 0.0, rate: 0.0, runs: RUNS_AT_START }
    }

    /// Shares of an error that go into the phase and into the rate. At the start they are those of
    /// a straight line through all runs so far, then those of the loop.
    fn gains(&self) -> (f64, f64) {
        let n = self.runs;
        let line = (2.0 * (2.0 * n - 1.0) / (n * (n + 1.0)), 6.0 / (n * (n + 1.0)));
        (line.0.max(2.0 * DAMPING * NATURAL), line.1.max(NATURAL * NATURAL))
    }

    /// Takes in a reading of the phase at the middle of a run.
    fn update(&mut self, reading: f64) {
        let error = wrap(reading - self.middle());
        let (proportional, integral) = self.gains();
        self.phase += self.rate + proportional * error;
        self.rate = (self.rate + integral * error).clamp(-PI, PI);
        self.runs += 1.0;
    }

    /// Phase expected at the middle of the next run.
    fn middle(&self) -> f64 {
        self.phase + self.rate / 2.0
    }

    /// Decides the symbols of a segment while following their phase. `decided` takes the nearest
    /// points, or what `known` gives. Returns the smoothed phases.
    pub fn follow(
        &mut self,
        symbols: &[Complex32],
        constellation: Constellation,
        known: &impl Fn(usize) -> Option<Complex32>,
        decided: &mut Vec<Complex32>,
    ) -> PhaseTrack {
        let mut readings = PhaseTrack::default();
        let mut forward = PhaseTrack::default();
        let from = decided.len();
        decided.resize(from + symbols.len(), Complex32::default());
        let points = decided[from..].chunks_mut(RUN_SYMBOLS);
        for (run, (symbols, points)) in
            symbols.chunks(RUN_SYMBOLS).zip(points).take(RUNS).enumerate()
        {
            let expected = self.middle();
            let rate = self.rate;
            let mut turned = [Complex32::default(); RUN_SYMBOLS];
            let turned = &mut turned[..symbols.len()];
            turned.copy_from_slice(symbols);
            let known = |n: usize| known(run * RUN_SYMBOLS + n);
            let sum = widest(
                #[inline(always)]
                || decide_run(turned, (expected, rate), constellation, known, points),
            );
            let error = sum.arg();
            let reading = expected + if error.is_finite() { error } else { 0.0 };
            self.update(reading);
            readings.phases[run] = reading;
            forward.phases[run] = self.phase - self.rate / 2.0;
            readings.runs = run + 1;
        }
        forward.runs = readings.runs;
        self.smoothed(&readings, &forward)
    }

    /// Mean of the loop's phases and of those that the same loop finds running backwards from its
    /// present state: delays cancel, and noise falls.
    fn smoothed(&self, readings: &PhaseTrack, forward: &PhaseTrack) -> PhaseTrack {
        let mut backward = Self { phase: self.phase, rate: -self.rate, runs: 1e6 };
        let mut track = *forward;
        for run in (0..forward.runs).rev() {
            backward.update(readings.phases[run]);
            let found = backward.phase - backward.rate / 2.0;
            track.phases[run] = (forward.phases[run] + found) / 2.0;
        }
        track
    }
}

impl PhaseTrack {
    /// Phases in radians, one for each [`RUN_SYMBOLS`] symbols, at their middle.
    pub fn phases(&self) -> &[f64] {
        &self.phases[..self.runs]
    }

    /// Phase in the middle of the segment, and its change a symbol.
    pub fn line(&self) -> (f64, f64) {
        let phases = self.phases();
        let (Some(first), Some(last)) = (phases.first(), phases.last()) else { return (0.0, 0.0) };
        let mean = phases.iter().sum::<f64>() / phases.len() as f64;
        let apart = (phases.len().max(2) - 1) * RUN_SYMBOLS;
        (mean, (last - first) / apart as f64)
    }

    /// Turns symbols back by the phases (`sign` -1) or forth (+1), straight between the runs'
    /// middles.
    pub fn turn(&self, symbols: &mut [Complex32], sign: f64) {
        widest(
            #[inline(always)]
            || {
                let runs = symbols.chunks_mut(RUN_SYMBOLS).take(self.runs);
                for (run, chunk) in runs.enumerate() {
                    let (own, slopes) = self.slopes(run);
                    turn_run(chunk, sign * own, slopes.map(|slope| sign * slope));
                }
            },
        );
    }

    /// Phase at the middle of a run, and its change from the run before and to the one after; at the
    /// ends it runs on as on the other side.
    fn slopes(&self, run: usize) -> (f64, [f64; 2]) {
        let phases = self.phases();
        let own = phases[run];
        let before = run.checked_sub(1).map(|n| own - phases[n]);
        let after = phases.get(run + 1).map(|phase| phase - own);
        let either = before.or(after).unwrap_or(0.0);
        (own, [before.unwrap_or(either), after.unwrap_or(either)])
    }
}

/// Turns a run back by a phase (radians in its middle, change a run) and decides it. Returns the sum
/// of the turned symbols times their conjugate decisions.
#[inline(always)]
fn decide_run(
    turned: &mut [Complex32],
    (middle, rate): (f64, f64),
    constellation: Constellation,
    known: impl Fn(usize) -> Option<Complex32>,
    points: &mut [Complex32],
) -> Complex64 {
    turn_run(turned, -middle, [-rate; 2]);
    constellation.decide_all(turned, points);
    for (n, point) in points.iter_mut().enumerate() {
        if let Some(chip) = known(n) {
            *point = chip;
        }
    }
    correlate(turned, points)
}

/// Turns the symbols of a run by a phase in radians that is `middle` in the run's middle and changes
/// by the given slopes a run before and after it.
#[inline(always)]
fn turn_run(symbols: &mut [Complex32], middle: f64, slopes: [f64; 2]) {
    let base = narrow(Complex64::from_polar(1.0, middle));
    // A slope is at most half a turn a run, so the angles are below pi/2 and the series are good to
    // 4e-6 there, and to single precision at the slopes that occur.
    let slopes = slopes.map(|slope| (slope / RUN_SYMBOLS as f64) as f32);
    let centre = (RUN_SYMBOLS as f32 - 1.0) / 2.0;
    for (n, symbol) in symbols.iter_mut().enumerate() {
        let place = n as f32 - centre;
        let x = place * if place < 0.0 { slopes[0] } else { slopes[1] };
        let y = x * x;
        let cosine = 1.0 - y / 2.0 * (1.0 - y / 12.0 * (1.0 - y / 30.0 * (1.0 - y / 56.0)));
        let sine = x * (1.0 - y / 6.0 * (1.0 - y / 20.0 * (1.0 - y / 42.0 * (1.0 - y / 72.0))));
        *symbol *= base * Complex32::new(cosine, sine);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::link_testing::Noise;

    /// Symbols with a phase of its own each, noise added.
    fn symbols(
        constellation: Constellation,
        noise_variance: f64,
        count: usize,
        mut phase: impl FnMut(usize, &mut Noise) -> f64,
    ) -> (Vec<Complex32>, Vec<Complex32>, Vec<f64>) {
        let mut noise = Noise::new(3);
        let points = constellation.points();
        let sent: Vec<Complex32> =
            (0..count).map(|_| points[noise.bits() as usize % points.len()]).collect();
        let phases: Vec<f64> = (0..count).map(|n| phase(n, &mut noise)).collect();
        let received = sent
            .iter()
            .zip(&phases)
            .map(|(z, p)| {
                z * narrow(Complex64::from_polar(1.0, *p)) + noise.complex(noise_variance)
            })
            .collect();
        (sent, received, phases)
    }

    /// Mean squared error of the phase after some segments, and of the symbols.
    fn followed(sent: &[Complex32], received: &[Complex32], constellation: Constellation) -> f64 {
        let mut phase_loop = PhaseLoop::new();
        let (mut sum, mut count) = (0.0, 0.0);
        for (n, (sent, received)) in
            sent.chunks(SEGMENT_CHIPS).zip(received.chunks(SEGMENT_CHIPS)).enumerate()
        {
            let mut decided = Vec::new();
            let track = phase_loop.follow(received, constellation, &|_| None, &mut decided);
            let mut turned = received.to_vec();
            track.turn(&mut turned, -1.0);
            if n >= 4 {
                sum += turned.iter().zip(sent).map(|(a, b)| (a - b).norm_sqr()).sum::<f32>();
                count += sent.len() as f32;
            }
        }
        f64::from(sum / count)
    }

    /// Against the exponential of the definition, for slopes up to half a turn a run.
    #[test]
    fn a_run_is_turned_as_defined() {
        for slopes in [[0.0, 0.0], [0.02, -0.05], [1.0, 0.4], [-3.1, 3.1]] {
            let mut symbols = [Complex32::new(1.0, 0.0); RUN_SYMBOLS];
            turn_run(&mut symbols, 0.7, slopes);
            for (n, z) in symbols.iter().enumerate() {
                let place = (n as f64 - 7.5) / RUN_SYMBOLS as f64;
                let angle = 0.7 + place * slopes[usize::from(place > 0.0)];
                let error = (z - narrow(Complex64::from_polar(1.0, angle))).norm();
                assert!(error < if slopes[0].abs() < 0.1 { 5e-7 } else { 2e-5 }, "{n}: {error}");
            }
        }
    }

    /// A carrier residue of 1e-4 cycles a chip (2.5 ppm of the carrier) leaves no error behind.
    #[test]
    fn a_carrier_residue_is_followed() {
        for (constellation, noise) in
            [(Constellation::Bpsk, 0.2), (Constellation::Qpsk, 0.1), (Constellation::Qam64, 0.003)]
        {
            let turn = std::f64::consts::TAU * 1e-4;
            let (sent, received, _) =
                symbols(constellation, noise, 20_000, |n, _| 0.1 + turn * n as f64);
            let loss = followed(&sent, &received, constellation) / noise;
            // The smoothed loop adds some 0.2 %; the mean of 18000 squares has 0.75 %.
            assert!((loss - 1.0).abs() < 0.025, "{constellation}: {loss}");
        }
    }

    /// A walk of `s` radians a symbol leaves `noise + (8 s)^2` at most (see NATURAL); the smoother
    /// halves the excess.
    #[test]
    fn a_walking_phase_is_followed() {
        let s = 4e-3;
        let mut walk = 0.0;
        let (sent, received, _) = symbols(Constellation::Qam16, 0.003, 40_000, |_, noise| {
            walk += s * f64::from(noise.complex(2.0).re);
            walk
        });
        let error = followed(&sent, &received, Constellation::Qam16);
        let excess = (error - 0.003) / (8.0 * s).powi(2);
        assert!((0.1..0.8).contains(&excess), "{excess}");
    }

    #[test]
    fn nothing_and_nonsense_do_no_harm() {
        let mut phase_loop = PhaseLoop::new();
        let mut decided = Vec::new();
        let track = phase_loop.follow(&[], Constellation::Qpsk, &|_| None, &mut decided);
        assert!(track.phases().is_empty() && track.line() == (0.0, 0.0));
        for bad in [f32::NAN, f32::INFINITY, 0.0] {
            let symbols = [Complex32::new(bad, bad); 100];
            let track = phase_loop.follow(&symbols, Constellation::Qam16, &|_| None, &mut decided);
            assert!(track.phases().iter().all(|p| p.is_finite()), "{bad}");
        }
    }
}
