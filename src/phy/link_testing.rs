//! Helpers of the numeric tests: seeded noise, tables of published values, and a plain transmission
//! path. It is written from the definitions and shares nothing with the receiver it tests.

use std::f64::consts::PI;

use num_complex::{Complex32, Complex64};

use super::testing;

/// Rows of a comma-separated table; lines that start with `#` are comments.
pub fn table(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|line| !line.starts_with('#') && !line.is_empty())
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect())
        .collect()
}

/// The shared seeded generator, with the variance as an argument.
pub struct Noise(testing::Noise);

impl Noise {
    pub fn new(seed: u64) -> Self {
        Self(testing::Noise::new(seed))
    }

    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// Uniform in (0, 1).
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Circular Gaussian of the given variance (both axes together).
    pub fn complex(&mut self, variance: f64) -> Complex32 {
        self.0.complex() * variance.sqrt() as f32
    }
}

/// Everything that happens to the chips between the source and the capture.
#[derive(Clone)]
pub struct Link {
    pub chip_rate_hz: f64,
    pub sample_rate_hz: f64,
    pub rolloff: f64,
    /// Chips before the frame, may be fractional or negative.
    pub delay_chips: f64,
    /// Chips of the capture.
    pub capture_chips: f64,
    /// The sender's chip clock is fast by this much.
    pub clock_ppm: f64,
    pub cfo_hz: f64,
    pub es_n0_db: Option<f64>,
    /// Rays: delay in chips and gain.
    pub rays: Vec<(f64, Complex64)>,
    pub iq_gain_db: f64,
    pub iq_phase_deg: f64,
    pub dc: Complex64,
    /// Delay of the Q channel in chips.
    pub skew_chips: f64,
    /// Full scale and bits of the digitiser.
    pub digitiser: Option<(f64, u32)>,
    pub gain: f64,
    /// Standard deviation of the phase's random walk over one chip, in radians.
    pub phase_walk_rad: f64,
    pub seed: u64,
}

impl Default for Link {
    fn default() -> Self {
        Self {
            chip_rate_hz: 1.76e9,
            sample_rate_hz: 8e9,
            rolloff: 0.25,
            delay_chips: 300.3,
            capture_chips: 0.0,
            clock_ppm: 0.0,
            cfo_hz: 0.0,
            es_n0_db: None,
            rays: vec![(0.0, Complex64::new(1.0, 0.0))],
            iq_gain_db: 0.0,
            iq_phase_deg: 0.0,
            dc: Complex64::default(),
            skew_chips: 0.0,
            digitiser: None,
            gain: 1.0,
            phase_walk_rad: 0.0,
            seed: 1,
        }
    }
}

impl Link {
    /// The capture that results from sending `chips` once.
    pub fn receive(&self, chips: &[Complex32]) -> Vec<Complex32> {
        self.receive_at(chips, &[self.delay_chips])
    }

    /// The capture that results from sending `chips` at each of the given delays.
    pub fn receive_at(&self, chips: &[Complex32], delays_chips: &[f64]) -> Vec<Complex32> {
        let mut samples = self.impair(&self.transmit(chips, delays_chips));
        if self.skew_chips != 0.0 {
            let late: Vec<f64> = delays_chips.iter().map(|delay| delay + self.skew_chips).collect();
            let late = self.impair(&self.transmit(chips, &late));
            for (i, q) in samples.iter_mut().zip(&late) {
                i.im = q.im;
            }
            // Of the last sample of the longer one nothing is needed.
            samples.truncate(late.len());
        }
        samples
    }

    /// What arrives at the receiver's carrier stage, before [`Self::impair`].
    pub fn transmit(&self, chips: &[Complex32], delays_chips: &[f64]) -> Vec<Complex64> {
        let sps = self.sample_rate_hz / self.chip_rate_hz;
        let last = delays_chips.iter().fold(0.0, |last: f64, delay| last.max(*delay));
        let capture_chips = match self.capture_chips {
            0.0 => last + chips.len() as f64 + 300.0,
            given => given,
        };
        let mut signal = vec![Complex64::default(); (capture_chips * sps) as usize];
        for delay in delays_chips {
            for (ray_delay, gain) in &self.rays {
                self.add_pulses(&mut signal, chips, delay + ray_delay, gain * self.gain);
            }
        }
        signal
    }

    fn add_pulses(
        &self,
        signal: &mut [Complex64],
        chips: &[Complex32],
        delay: f64,
        gain: Complex64,
    ) {
        const STEPS: f64 = 2048.0;
        const SPAN_MAX: f64 = 100.0;
        // A pulse of small roll-off is long; the others are cut where they are below 1e-3.
        let span = (8.0 / self.rolloff).min(SPAN_MAX);
        let sps = self.sample_rate_hz / self.chip_rate_hz;
        let period = 1.0 / (1.0 + self.clock_ppm * 1e-6);
        let pulse: Vec<f64> = (0..=(STEPS * span) as usize + 1)
            .map(|n| rrc(n as f64 / STEPS, self.rolloff))
            .collect();
        for (k, chip) in chips.iter().enumerate() {
            let chip = Complex64::new(f64::from(chip.re), f64::from(chip.im)) * gain;
            let centre = delay + k as f64 * period;
            let first = ((centre - span) * sps).ceil().max(0.0) as usize;
            let end = (((centre + span) * sps).floor().max(-1.0) + 1.0) as usize;
            for n in first..end.min(signal.len()) {
                let position = (n as f64 / sps - centre).abs() * STEPS;
                let (low, fraction) = (position as usize, position.fract());
                signal[n] += chip * (pulse[low] + fraction * (pulse[low + 1] - pulse[low]));
            }
        }
    }

    /// Carrier offset, phase walk, noise, imbalance, offset and digitiser.
    pub fn impair(&self, signal: &[Complex64]) -> Vec<Complex32> {
        let mut noise = Noise::new(self.seed);
        let sps = self.sample_rate_hz / self.chip_rate_hz;
        // Es is the energy of one chip, sps samples long, at unit mean power.
        let noise_power =
            self.es_n0_db.map_or(0.0, |db| self.gain.powi(2) * sps / 10_f64.powf(db / 10.0));
        let gain = 10_f64.powf(self.iq_gain_db / 20.0);
        let phase = self.iq_phase_deg.to_radians();
        // y = alpha x + beta conj(x) (T. Schenk, RF Imperfections, ch. 5).
        let alpha = (1.0 + Complex64::from_polar(gain, -phase)) / 2.0;
        let beta = (1.0 - Complex64::from_polar(gain, phase)) / 2.0;
        let mut walk = 0.0;
        let step = self.phase_walk_rad / sps.sqrt();
        signal
            .iter()
            .enumerate()
            .map(|(n, z)| {
                if step > 0.0 {
                    walk += step * f64::from(noise.complex(2.0).re);
                }
                let turn = 2.0 * PI * (self.cfo_hz * n as f64 / self.sample_rate_hz).fract() + walk;
                let white = noise.complex(noise_power);
                let x = z * Complex64::from_polar(1.0, turn)
                    + Complex64::new(f64::from(white.re), f64::from(white.im));
                let y = alpha * x + beta * x.conj() + self.dc;
                Complex32::new(self.digitise(y.re), self.digitise(y.im))
            })
            .collect()
    }

    fn digitise(&self, value: f64) -> f32 {
        let Some((full_scale, bits)) = self.digitiser else { return value as f32 };
        let half = f64::from(1_u32 << (bits - 1));
        let code = (value / full_scale * half).round().clamp(-half, half - 1.0);
        (code / half * full_scale) as f32
    }
}

/// Root-raised-cosine pulse, t in symbols (Proakis ch. 9), with its singular points filled in by
/// a small step aside.
fn rrc(t: f64, b: f64) -> f64 {
    let t = if t.abs() < 1e-5 || (t.abs() * 4.0 * b - 1.0).abs() < 1e-5 { t + 1e-4 } else { t };
    let x = 4.0 * b * t;
    ((PI * t * (1.0 - b)).sin() + x * (PI * t * (1.0 + b)).cos()) / (PI * t * (1.0 - x * x))
}

/// Unbiased SNR in dB at the output of the best linear equaliser of unlimited length, for rays
/// (delay in chips, gain) at `es_n0_db`, the energy of a sent chip over N0: `1/MSE - 1` where MSE is
/// the mean of `1/(1 + g |H|^2)` over one chip rate of frequencies and `|H|^2` the power response
/// folded over the raised-cosine band (J. G. Proakis, M. Salehi, Digital Communications, 5th ed.,
/// chapter 9). Delays of whole chips make it independent of the roll-off.
pub fn mmse_bound_db(rays: &[(f64, Complex64)], rolloff: f64, es_n0_db: f64) -> f64 {
    const STEPS: usize = 1 << 14;
    let g = 10_f64.powf(es_n0_db / 10.0);
    let power = |f: f64| -> f64 {
        let turn = |(delay, gain): &(f64, Complex64)| {
            gain * Complex64::from_polar(1.0, -2.0 * PI * f * delay)
        };
        let edge = (f.abs() - (1.0 - rolloff) / 2.0).clamp(0.0, rolloff);
        let raised_cosine = 0.5 * (1.0 + (PI * edge / rolloff).cos());
        raised_cosine * rays.iter().map(turn).sum::<Complex64>().norm_sqr()
    };
    let mse = (0..STEPS)
        .map(|n| (n as f64 + 0.5) / STEPS as f64 - 0.5)
        .map(|f| 1.0 / (1.0 + g * (power(f - 1.0) + power(f) + power(f + 1.0))))
        .sum::<f64>()
        / STEPS as f64;
    db(1.0 / mse - 1.0)
}

/// A value in dB.
pub fn db(power_ratio: f64) -> f64 {
    10.0 * power_ratio.log10()
}
