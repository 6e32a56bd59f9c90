//! One acquisition: the source's looped samples, sent over the link, as the scope's codes.
//!
//! The order of events on the line: the source's samples are reconstructed and band-limited,
//! delayed, scaled by the link's complex gain, turned by the carrier offset; the receiver's noise,
//! limited to the receiver's band, is added; then the scope's own white noise; then clipping and
//! rounding. Knows nothing of what the samples mean. A scene and its seed give the same codes on
//! every run.

use std::sync::Arc;

use num_complex::Complex64;

use super::filter::{Interpolator, Shaper};
use super::gaussian::{Purpose, Stream};

/// A waveform as loaded, ready to be looped.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    codes: Vec<[i16; 2]>,
    mean_square: f64,
}

impl Waveform {
    /// Full-scale code of the source's 16-bit converter.
    pub const FULL_SCALE: f64 = 32_767.0;

    /// From pairs of I and Q codes; full scale is 1.
    pub fn from_codes(codes: Vec<[i16; 2]>) -> Self {
        let mut loud = 0u64;
        let mut sum = 0.0;
        for [i, q] in &codes {
            let square = f64::from(*i).powi(2) + f64::from(*q).powi(2);
            loud += u64::from(square > 0.0);
            sum += square;
        }
        let full = Self::FULL_SCALE * Self::FULL_SCALE;
        Self { codes, mean_square: sum / full / (loud.max(1) as f64) }
    }

    /// The codes as loaded.
    pub fn codes(&self) -> &[[i16; 2]] {
        &self.codes
    }

    /// Points of one pass.
    pub fn len(&self) -> usize {
        self.codes.len()
    }

    /// Mean of `I^2 + Q^2` relative to full scale, over the samples that are not exactly (0, 0):
    /// silence between frames is not signal.
    pub fn mean_square(&self) -> f64 {
        self.mean_square
    }

    /// One line of the waveform with `margin` samples of the loop before and after it.
    fn looped(&self, line: usize, margin: usize) -> Vec<f32> {
        let n = self.codes.len();
        let scale = (1.0 / Self::FULL_SCALE) as f32;
        let value = |code: &[i16; 2]| f32::from(code[line]) * scale;
        let lead = (n - margin % n) % n;
        self.codes.iter().cycle().skip(lead).take(n + 2 * margin).map(value).collect()
    }
}

/// One way from the source's output to the scope's input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ray {
    /// Complex factor from full scale of the source to volts at the scope.
    pub gain: Complex64,
    /// From the source's output to the scope's input, s.
    pub delay_s: f64,
}

/// What the receiver hears besides noise.
#[derive(Debug, Clone)]
pub struct Signal {
    /// The looped waveform.
    pub waveform: Arc<Waveform>,
    /// Rate at which the source really plays it, Hz.
    pub rate_hz: f64,
    /// Reconstruction and receiver band for that rate.
    pub interpolator: Arc<Interpolator>,
    /// Every way that it takes.
    pub rays: Vec<Ray>,
    /// Transmitter's carrier minus receiver's, Hz.
    pub carrier_offset_hz: f64,
}

/// Where the record lies relative to the waveform's pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// At the source's marker.
    Marker,
    /// Anywhere in the pass, at random.
    Free,
}

/// Everything that decides what one acquisition shows.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Seed of the bench.
    pub seed: u64,
    /// Number of the acquisition since the bench began.
    pub index: u64,
    /// What arrives; `None` is noise only.
    pub signal: Option<Signal>,
    /// Receiver band for this sample interval.
    pub shaper: Arc<Shaper>,
    /// Receiver noise, V^2/Hz of complex envelope inside the band.
    pub noise_v2_per_hz: f64,
    /// Which instant of the waveform the trigger is.
    pub start: Start,
    /// Spread of the trigger instant, s rms.
    pub trigger_jitter_s: f64,
    /// First sample relative to the trigger, s.
    pub offset_s: f64,
    /// Samples per channel.
    pub points: usize,
    /// Between samples, s, as the scope's clock really runs.
    pub interval_s: f64,
    /// Full scale of the scope, plus and minus, V.
    pub range_v: f64,
    /// Bits of the scope's converter.
    pub bits: u32,
    /// The scope's own noise on each channel, V rms, white over its Nyquist band.
    pub scope_noise_v: f64,
}

/// Right-justified two's-complement codes of both channels.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Codes {
    /// In-phase line.
    pub i: Vec<i16>,
    /// Quadrature line.
    pub q: Vec<i16>,
}

/// Volts of one code step: `2 range / 2^bits`.
pub fn volts_per_code(range_v: f64, bits: u32) -> f64 {
    2.0 * range_v / f64::from(1u32 << bits.clamp(1, 16))
}

/// The codes of one acquisition.
pub fn capture(scene: &Scene) -> Codes {
    let mut random = Stream::new(scene.seed, Purpose::Acquisition, scene.index);
    // Drawn in a fixed order whatever the scene holds, so that a setting changes nothing else.
    let pass = random.uniform();
    let carrier_phase = std::f64::consts::TAU * random.uniform();
    let jitter_s = scene.trigger_jitter_s * random.normal();
    let (mut i, mut q) = receiver_noise(scene, &mut random);
    if let Some(signal) = &scene.signal {
        let trigger_s = match scene.start {
            Start::Marker => jitter_s,
            Start::Free => pass * signal.waveform.len() as f64 / signal.rate_hz,
        };
        let margin = signal.interpolator.taps();
        let lines = [0, 1].map(|line| signal.waveform.looped(line, margin));
        let first_s = trigger_s + scene.offset_s;
        for ray in &signal.rays {
            add_ray(scene, signal, ray, (first_s, carrier_phase), &lines, (&mut i, &mut q));
        }
    }
    let step_v = volts_per_code(scene.range_v, scene.bits);
    let noise_v = scene.scope_noise_v;
    let top = f64::from((1i32 << (scene.bits.clamp(1, 16) - 1)) - 1);
    let mut digitise = |line: &[f32]| -> Vec<i16> {
        line.iter()
            .map(|v| {
                let volts = f64::from(*v) + noise_v * random.normal();
                (volts / step_v).round().clamp(-top - 1.0, top) as i16
            })
            .collect()
    };
    Codes { i: digitise(&i), q: digitise(&q) }
}

/// White noise of the receiver, shaped to its band, on both lines.
fn receiver_noise(scene: &Scene, random: &mut Stream) -> (Vec<f32>, Vec<f32>) {
    if scene.noise_v2_per_hz <= 0.0 {
        return (vec![0.0; scene.points], vec![0.0; scene.points]);
    }
    // Half of the complex envelope's power on each line.
    let scale = (0.5 * scene.noise_v2_per_hz).sqrt() as f32;
    let taps: Vec<f32> = scene.shaper.taps.iter().map(|tap| tap * scale).collect();
    let mut line = || {
        let white: Vec<f32> =
            (0..scene.points + taps.len() - 1).map(|_| random.normal() as f32).collect();
        shape(&white, &taps, scene.points)
    };
    (line(), line())
}

/// Direct convolution, tap by tap: each inner loop is one multiply-add over a block that stays in
/// the cache.
fn shape(white: &[f32], taps: &[f32], points: usize) -> Vec<f32> {
    const BLOCK: usize = 2048;
    let mut out = vec![0f32; points];
    for (block, out) in out.chunks_mut(BLOCK).enumerate() {
        let input = &white[block * BLOCK..];
        for (shift, tap) in taps.iter().enumerate() {
            for (y, x) in out.iter_mut().zip(&input[shift..]) {
                *y += tap * x;
            }
        }
    }
    out
}

/// Adds what arrives over one way, from `first_s` after the start of a pass.
fn add_ray(
    scene: &Scene,
    signal: &Signal,
    ray: &Ray,
    (first_s, carrier_phase): (f64, f64),
    [line_i, line_q]: &[Vec<f32>; 2],
    (out_i, out_q): (&mut [f32], &mut [f32]),
) {
    let length = signal.waveform.len();
    if length == 0 {
        return;
    }
    let interpolator = &signal.interpolator;
    let margin = interpolator.taps();
    let position = ((first_s - ray.delay_s) * signal.rate_hz).rem_euclid(length as f64);
    let mut whole = position as usize % length;
    let mut fraction = position.fract();
    let step = scene.interval_s * signal.rate_hz;
    let (step_whole, step_fraction) = (step as usize, step.fract());
    let turn = std::f64::consts::TAU * signal.carrier_offset_hz;
    let mut phasor = Phasor::new(
        ray.gain * Complex64::cis(carrier_phase + turn * first_s),
        turn * scene.interval_s,
    );
    let skip = margin - interpolator.lead();
    for (i, q) in out_i.iter_mut().zip(out_q) {
        let window = whole + skip..whole + skip + margin;
        let (x, y) = interpolator.at(fraction, &line_i[window.clone()], &line_q[window]);
        let (cos, sin) = phasor.next();
        *i += x * cos - y * sin;
        *q += x * sin + y * cos;
        fraction += step_fraction;
        whole += step_whole + fraction as usize;
        fraction -= fraction.floor();
        if whole >= length {
            whole %= length;
        }
    }
}

/// A complex number that turns by a fixed angle, by recurrence; recomputed every 1024 steps so that
/// rounding does not add up.
struct Phasor {
    base: Complex64,
    step_rad: f64,
    turn: Complex64,
    now: Complex64,
    count: u64,
}

impl Phasor {
    fn new(base: Complex64, step_rad: f64) -> Self {
        Self { base, step_rad, turn: Complex64::cis(step_rad), now: base, count: 0 }
    }

    #[inline]
    fn next(&mut self) -> (f32, f32) {
        let out = (self.now.re as f32, self.now.im as f32);
        self.count += 1;
        if self.count.is_multiple_of(1024) {
            self.now = self.base * Complex64::cis(self.step_rad * self.count as f64);
        } else {
            self.now *= self.turn;
        }
        out
    }
}
