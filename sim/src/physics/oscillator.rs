//! Synthesisers: the turn of a carrier offset, and phase noise.
//!
//! Phase noise is a first-order process - a phase that wanders freely within its loop's bandwidth
//! and is held by the loop below it - plus a white floor. Knows nothing of signals.

use num_complex::Complex64;

use super::filter::Shaper;
use super::gaussian::Stream;

/// Phase noise of one synthesiser: single-sideband density
/// `L(f) = w^2 / (pi f0 (1 + (f/f0)^2)) + floor`, with `sigma^2 = 2 int L(f) df` (IEEE Std 1139,
/// small angles; from memory). The shape is common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseNoise {
    /// Spread of the wandering part over all frequencies, rad rms.
    pub wander_rad: f64,
    /// Its corner, the loop's bandwidth, Hz.
    pub loop_hz: f64,
    /// Floor, rad^2/Hz single-sideband. The receiver's filter, which stands behind the mixer, ends it.
    pub floor_rad2_per_hz: f64,
}

impl PhaseNoise {
    /// The noise whose integral from `low_hz` to `high_hz` is `rms_rad`, floor included. A floor
    /// that alone exceeds it leaves no wandering part.
    pub fn integrated(
        rms_rad: f64,
        loop_hz: f64,
        (low_hz, high_hz): (f64, f64),
        floor_rad2_per_hz: f64,
    ) -> Self {
        let floor = 2.0 * floor_rad2_per_hz * (high_hz - low_hz);
        let angle = libm::atan(high_hz / loop_hz) - libm::atan(low_hz / loop_hz);
        let share = angle * std::f64::consts::FRAC_2_PI;
        let wander = ((rms_rad * rms_rad - floor).max(0.0) / share).sqrt();
        Self { wander_rad: wander, loop_hz, floor_rad2_per_hz }
    }

    /// Variance of the wandering part about its mean over a record of this length, rad^2:
    /// `w^2 (1 - 2 (a - 1 + exp(-a))/a^2)` at `a = 2 pi f0 T` (variance of the mean of a first-order
    /// process, from the integral of its autocorrelation).
    pub fn wander_within_rad2(&self, record_s: f64) -> f64 {
        let a = std::f64::consts::TAU * self.loop_hz * record_s;
        // Where the differences cancel, their series: a/3 - a^2/12.
        let rest = if a < 1e-3 {
            a / 3.0 - a * a / 12.0
        } else {
            1.0 - 2.0 * (a + libm::expm1(-a)) / (a * a)
        };
        self.wander_rad * self.wander_rad * rest
    }

    /// Variance of the floor behind a filter of this two-sided noise bandwidth, rad^2.
    pub fn floor_rad2(&self, noise_bandwidth_hz: f64) -> f64 {
        self.floor_rad2_per_hz * noise_bandwidth_hz
    }

    /// Adds a record of the phase to `phase_rad`. The sidebands of small angles are what `shaper`
    /// lets through; of a wide signal those that lie within the band alone, not those that its own
    /// frequencies would shift into it.
    pub fn add(
        &self,
        random: &mut Stream,
        interval_s: f64,
        shaper: &Shaper,
        phase_rad: &mut [f32],
    ) {
        let keep = libm::exp(-std::f64::consts::TAU * self.loop_hz * interval_s);
        let push = self.wander_rad * (1.0 - keep * keep).max(0.0).sqrt();
        if self.wander_rad > 0.0 {
            let mut drive = vec![0f32; phase_rad.len()];
            let mut phase = self.wander_rad * random.normal();
            random.fill_normal(&mut drive);
            for (out, drive) in phase_rad.iter_mut().zip(&drive) {
                *out += phase as f32;
                phase = keep * phase + push * f64::from(*drive);
            }
        }
        if self.floor_rad2_per_hz > 0.0 {
            // Single-sideband density of 2 int L df is the two-sided one.
            shaper.add_noise(random, self.floor_rad2_per_hz, phase_rad);
        }
    }
}

/// A complex number that turns by a fixed angle, by recurrence; recomputed every 1024 steps so that
/// rounding does not add up.
pub struct Phasor {
    base: Complex64,
    step_rad: f64,
    turn: Complex64,
    now: Complex64,
    count: u64,
}

/// `exp(j angle)`, the same on every machine.
pub fn cis(angle_rad: f64) -> Complex64 {
    let (sin, cos) = libm::sincos(angle_rad);
    Complex64::new(cos, sin)
}

impl Phasor {
    /// From `base` on, turning by `step_rad` each time.
    pub fn new(base: Complex64, step_rad: f64) -> Self {
        Self { base, step_rad, turn: cis(step_rad), now: base, count: 0 }
    }

    /// The present value; then it turns.
    #[inline]
    pub fn next(&mut self) -> Complex64 {
        let out = self.now;
        self.count += 1;
        if self.count.is_multiple_of(1024) {
            self.now = self.base * cis(self.step_rad * self.count as f64);
        } else {
            self.now *= self.turn;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::filter::{Band, LowPass};
    use super::super::gaussian::Purpose;
    use super::*;

    #[test]
    fn integral_over_the_stated_band_is_the_stated_value() {
        let (band, rms) = ((1e4, 1e8), 0.035);
        let noise = PhaseNoise::integrated(rms, 1e6, band, 1e-13);
        let density = |f: f64| {
            let bend = 1.0 + (f / noise.loop_hz).powi(2);
            noise.wander_rad.powi(2) / (std::f64::consts::PI * noise.loop_hz * bend) + 1e-13
        };
        // Trapezoidal rule on a logarithmic grid.
        let steps = 20_000;
        let at = |k: i32| band.0 * (band.1 / band.0).powf(f64::from(k) / f64::from(steps));
        let slice = |k: i32| 0.5 * (density(at(k)) + density(at(k + 1))) * (at(k + 1) - at(k));
        let sigma = (2.0 * (0..steps).map(slice).sum::<f64>()).sqrt();
        assert!((sigma / rms - 1.0).abs() < 1e-5, "{sigma}");
    }

    #[test]
    fn a_record_has_the_variance_and_the_memory_of_the_process() {
        let noise = PhaseNoise { wander_rad: 0.05, loop_hz: 50e6, floor_rad2_per_hz: 1e-14 };
        let (interval, points) = (125e-12, 1_000_000);
        let mut phase = vec![0f32; points];
        let band = Band::from(LowPass { pass_hz: 1.2e9, stop_hz: 2.0e9 });
        let shaper = Shaper::new(&band, interval);
        noise.add(&mut Stream::new(5, Purpose::TxPhase, 0), interval, &shaper, &mut phase);
        let along = |lag: usize| {
            let product = |(a, b): (&f32, &f32)| f64::from(*a) * f64::from(*b);
            phase.iter().zip(&phase[lag..]).map(product).sum::<f64>() / (points - lag) as f64
        };
        // About pi f0 T = 20,000 independent values: 5 sigma of a variance is 5 %.
        let variance = 0.0025 + noise.floor_rad2(shaper.noise_bandwidth_hz());
        assert!((along(0) / variance - 1.0).abs() < 0.05);
        // Autocorrelation of a first-order process: w^2 exp(-2 pi f0 lag).
        let expected = 0.0025 * (-std::f64::consts::TAU * 50e6 * 20.0 * interval).exp();
        assert!((along(20) / expected - 1.0).abs() < 0.06, "{} {expected}", along(20));
    }
}
