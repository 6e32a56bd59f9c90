//! The source and the transmitter up to its elements: what one pass of a waveform really is.
//!
//! All of it is periodic with the waveform, so it is computed once for a waveform and its settings
//! and kept. The order: the converter's steps; gain and offset of each channel; the later line; the
//! mixer's branches and the carrier that leaks; compression. Everything here happens at the source's
//! sample instants, so products of compression beyond half the source's rate fold back.

use std::sync::{Arc, OnceLock};

use num_complex::Complex64;

use super::capture::Waveform;
use super::converters::coarse_code;
use super::filter::{Band, Interpolator, LowPass};
use super::nonlinear::{Amplifier, Imbalance};
use super::oscillator::cis;

/// What source and transmitter do, in units of the source's full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Transmission {
    /// Bits of the source's converter, at most 16.
    pub bits: u32,
    /// What each channel multiplies its values by.
    pub gain: [f64; 2],
    /// What each channel adds, of full scale.
    pub offset: [f64; 2],
    /// How much later the Q line is, in samples.
    pub skew_samples: f64,
    /// Unequal branches of the modulator.
    pub imbalance: Option<Imbalance>,
    /// Carrier that leaks through the modulator, of full scale.
    pub leakage: Complex64,
    /// Compression of the elements' amplifiers, small-signal gain 1.
    pub amplifier: Option<Amplifier>,
}

impl Default for Transmission {
    fn default() -> Self {
        Self {
            bits: 16,
            gain: [1.0; 2],
            offset: [0.0; 2],
            skew_samples: 0.0,
            imbalance: None,
            leakage: Complex64::ZERO,
            amplifier: None,
        }
    }
}

/// Least points that are kept, by repetition of a short pass: windows seldom reach over the end.
const POINTS_LEAST: usize = 8192;

/// One pass, or several of a short one, as it leaves the transmitter's elements.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Played {
    /// Points of one pass.
    pass: usize,
    /// I and Q of full scale.
    lines: [Vec<f32>; 2],
    /// Mean square of the part that is the waveform, over the samples that are not silent.
    pub signal_mean_square: f64,
    /// Mean square of the rest over that of the signal; 0 without errors.
    pub error_ratio: f64,
    rms_frequency: OnceLock<f64>,
    peak: OnceLock<f64>,
}

/// Points that a measure of clipping looks at, at most.
const CLIPPED_MOST: usize = 1 << 14;
/// Phases of the carrier over which it goes; a quarter turn shows all that lines of one limit do.
const PHASES: u32 = 16;

impl Played {
    /// What `transmission` makes of `waveform`.
    pub fn new(waveform: &Waveform, transmission: &Transmission) -> Self {
        let pass = waveform.len();
        let repeats = if pass == 0 { 0 } else { POINTS_LEAST.div_ceil(pass).max(1) };
        let scale = 1.0 / Waveform::FULL_SCALE;
        if !transmission.has_errors() {
            let line = |channel: usize| {
                let once: Vec<f32> = waveform
                    .codes()
                    .iter()
                    .map(|code| (f64::from(code[channel]) * scale) as f32)
                    .collect();
                once.repeat(repeats)
            };
            return Self {
                pass,
                lines: [line(0), line(1)],
                signal_mean_square: waveform.mean_square(),
                error_ratio: 0.0,
                rms_frequency: OnceLock::new(),
                peak: OnceLock::new(),
            };
        }
        let sent = transmission.apply(waveform.codes());
        let (signal_mean_square, error_ratio) = signal_and_error(waveform, &sent);
        let line = |part: fn(&Complex64) -> f64| {
            sent.iter().map(|x| part(x) as f32).collect::<Vec<_>>().repeat(repeats)
        };
        let lines = [line(|x| x.re), line(|x| x.im)];
        let (rms_frequency, peak) = (OnceLock::new(), OnceLock::new());
        Self { pass, lines, signal_mean_square, error_ratio, rms_frequency, peak }
    }

    /// Points of one pass.
    pub fn pass(&self) -> usize {
        self.pass
    }

    /// I and Q of a whole number of passes, of full scale.
    pub fn lines(&self) -> &[Vec<f32>; 2] {
        &self.lines
    }

    /// Largest magnitude of a sample, of full scale.
    pub fn peak(&self) -> f64 {
        *self.peak.get_or_init(|| {
            let [i, q] = &self.lines;
            let square = |(i, q): (&f32, &f32)| f64::from(*i).powi(2) + f64::from(*q).powi(2);
            i.iter().zip(q).map(square).fold(0.0, f64::max).sqrt()
        })
    }

    /// Power over the signal's of what is lost when both lines end at `most` of full scale, after a
    /// least-squares gain: on the samples themselves, over all phases of the carrier alike.
    pub fn clipping(&self, most: f64) -> f64 {
        let [i, q] = &self.lines;
        let (mut dot, mut ideal, mut real) = (Complex64::ZERO, 0.0, 0.0);
        for phase in 0..PHASES {
            let angle = std::f64::consts::FRAC_PI_2 * f64::from(phase) / f64::from(PHASES);
            let turn = cis(angle);
            for (i, q) in i.iter().zip(q).take(CLIPPED_MOST) {
                let x = turn * Complex64::new(f64::from(*i), f64::from(*q));
                let y = Complex64::new(x.re.clamp(-most, most), x.im.clamp(-most, most));
                dot += y * x.conj();
                ideal += x.norm_sqr();
                real += y.norm_sqr();
            }
        }
        if dot == Complex64::ZERO { 0.0 } else { (real * ideal / dot.norm_sqr() - 1.0).max(0.0) }
    }

    /// Root mean square frequency in cycles per sample, weighted by power: by the seven-point
    /// derivative (Lagrange; Abramowitz and Stegun sec. 25.3, from memory), 1 % low at a sixth of
    /// the rate.
    pub fn rms_frequency(&self) -> f64 {
        *self.rms_frequency.get_or_init(|| self.measure_frequency())
    }

    fn measure_frequency(&self) -> f64 {
        let [i, q] = &self.lines;
        let length = i.len();
        let derivative = |line: &[f32], k: usize| {
            let at = |m: usize| f64::from(line[(k + m) % length]);
            (45.0 * (at(4) - at(2)) - 9.0 * (at(5) - at(1)) + (at(6) - at(0))) / 60.0
        };
        let (mut slope, mut power) = (0.0, 0.0);
        for k in 0..length {
            slope += derivative(i, k).powi(2) + derivative(q, k).powi(2);
            power += f64::from(i[k]).powi(2) + f64::from(q[k]).powi(2);
        }
        if power > 0.0 { (slope / power).sqrt() / std::f64::consts::TAU } else { 0.0 }
    }
}

impl Transmission {
    /// Whether it does anything but play the waveform.
    pub fn has_errors(&self) -> bool {
        *self != Self::default()
    }

    fn apply(&self, codes: &[[i16; 2]]) -> Vec<Complex64> {
        let value = |code: &[i16; 2], channel: usize| {
            let ideal = coarse_code(code[channel], self.bits) / Waveform::FULL_SCALE;
            ideal * self.gain[channel] + self.offset[channel]
        };
        let mut sent: Vec<Complex64> =
            codes.iter().map(|code| Complex64::new(value(code, 0), value(code, 1))).collect();
        if self.skew_samples != 0.0 {
            delay_imaginary(&mut sent, self.skew_samples);
        }
        for x in &mut sent {
            if let Some(imbalance) = &self.imbalance {
                *x = imbalance.apply(*x);
            }
            *x += self.leakage;
            if let Some(amplifier) = &self.amplifier {
                *x = amplifier.apply(*x);
            }
        }
        sent
    }
}

/// Delays the imaginary part of a periodic waveform by a few samples or a part of one: flat to 0.4
/// of the rate.
fn delay_imaginary(sent: &mut [Complex64], samples: f64) {
    let length = sent.len();
    if length == 0 {
        return;
    }
    let band = Band::from(LowPass { pass_hz: 0.4, stop_hz: 0.6 });
    let interpolator = Interpolator::new(&band, 1.0);
    let mut row = vec![0f32; interpolator.taps()];
    // A delay d reads at k - d = k - ceil(d) + fraction.
    let whole = samples.ceil();
    interpolator.write_row(whole - samples, &mut row);
    let back = (whole + interpolator.lead() as f64).rem_euclid(length as f64) as usize;
    let line: Vec<f64> = sent.iter().map(|x| x.im).collect();
    for (k, x) in sent.iter_mut().enumerate() {
        let first = k + length - back;
        x.im = row.iter().zip(first..).map(|(tap, at)| f64::from(*tap) * line[at % length]).sum();
    }
}

/// Splits what was sent into the waveform times a complex gain (least squares) and the rest: the
/// signal's mean square, and the rest's over it. Silence between frames does not count.
fn signal_and_error(waveform: &Waveform, sent: &[Complex64]) -> (f64, f64) {
    let (mut dot, mut ideal, mut real, mut loud) = (Complex64::ZERO, 0.0, 0.0, 0usize);
    for (code, y) in waveform.codes().iter().zip(sent) {
        let x = Complex64::new(f64::from(code[0]), f64::from(code[1])) / Waveform::FULL_SCALE;
        let square = x.norm_sqr();
        if square > 0.0 {
            loud += 1;
            dot += y * x.conj();
            ideal += square;
            real += y.norm_sqr();
        }
    }
    if loud == 0 || dot == Complex64::ZERO {
        return (0.0, 0.0);
    }
    let signal = dot.norm_sqr() / ideal;
    (signal / loud as f64, ((real - signal) / signal).max(0.0))
}

/// Passes already computed: a bench asks for the same one again and again.
#[derive(Debug, Default)]
pub struct Passes(Vec<(Arc<Waveform>, Transmission, Arc<Played>)>);

/// How many are kept.
const KEPT: usize = 2;

impl Passes {
    /// What `transmission` makes of `waveform`.
    pub fn played(&mut self, waveform: &Arc<Waveform>, transmission: &Transmission) -> Arc<Played> {
        let same = |(w, t, _): &&(Arc<Waveform>, Transmission, Arc<Played>)| {
            Arc::ptr_eq(w, waveform) && t == transmission
        };
        if let Some((_, _, played)) = self.0.iter().find(same) {
            return Arc::clone(played);
        }
        if self.0.len() == KEPT {
            self.0.remove(0);
        }
        let played = Arc::new(Played::new(waveform, transmission));
        self.0.push((Arc::clone(waveform), transmission.clone(), Arc::clone(&played)));
        played
    }
}
