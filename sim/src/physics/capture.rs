//! One acquisition: the source's looped samples, sent over the link, as the scope's codes.
//!
//! The order of events on the line: what leaves the transmitter is reconstructed and band-limited,
//! delayed and scaled on each way, turned by the carrier offset and by phase noise; the receiver
//! adds its noise and its errors; the scope adds its own, clips and rounds. Knows nothing of what the
//! samples mean. A scene and its seed give the same codes on every run and every machine: single
//! precision in a fixed order, no function whose rounding the processor chooses.

use std::sync::Arc;

use num_complex::Complex64;

use super::converters::Digitiser;
use super::filter::{Interpolator, under};
use super::gaussian::{Purpose, Stream};
use super::oscillator::{Phasor, cis};
use super::receive::Receiver;
use super::transmit::Played;

/// A waveform as loaded, ready to be looped.
#[derive(Clone, PartialEq)]
pub struct Waveform {
    codes: Vec<[i16; 2]>,
    mean_square: f64,
}

impl std::fmt::Debug for Waveform {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Waveform({} points)", self.codes.len())
    }
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

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }

    /// Mean of `I^2 + Q^2` relative to full scale, over the samples that are not exactly (0, 0):
    /// silence between frames is not signal.
    pub fn mean_square(&self) -> f64 {
        self.mean_square
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
    /// The looped waveform as it leaves the transmitter.
    pub played: Arc<Played>,
    /// Rate at which the source really plays it, Hz.
    pub rate_hz: f64,
    /// Reconstruction and receiver band for that rate.
    pub interpolator: Arc<Interpolator>,
    /// Every way that it takes.
    pub rays: Vec<Ray>,
    /// Transmitter's carrier minus receiver's, Hz.
    pub carrier_offset_hz: f64,
    /// Noise of each sample that the source plays, of full scale, rms on each line.
    pub noise: f64,
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
    /// The receiver.
    pub receiver: Receiver,
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
    /// The scope's channels.
    pub digitiser: Digitiser,
}

/// Right-justified two's-complement codes of both channels.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Codes {
    /// In-phase line.
    pub i: Vec<i16>,
    /// Quadrature line.
    pub q: Vec<i16>,
}

/// The codes of one acquisition.
pub fn capture(scene: &Scene) -> Codes {
    let mut random = Stream::new(scene.seed, Purpose::Acquisition, scene.index);
    // Drawn in a fixed order whatever the scene holds, so that a setting changes nothing else; what
    // is off by default draws from streams of its own.
    let pass = random.uniform();
    let carrier_phase = std::f64::consts::TAU * random.uniform();
    let jitter_s = scene.trigger_jitter_s * random.normal();
    let (mut i, mut q) = match &scene.signal {
        None => (vec![0.0; scene.points], vec![0.0; scene.points]),
        Some(signal) => {
            let trigger_s = match scene.start {
                Start::Marker => jitter_s,
                Start::Free => pass * signal.played.pass() as f64 / signal.rate_hz,
            };
            arrive(scene, signal, trigger_s + scene.offset_s, carrier_phase)
        }
    };
    scene.receiver.add_noise(&mut random, [&mut i, &mut q]);
    scene.receiver.finish(&mut i, &mut q);
    let digitiser = &scene.digitiser;
    Codes { i: digitiser.codes(0, &mut random, &i), q: digitiser.codes(1, &mut random, &q) }
}

/// The signal at the receiver's output, in volts, from `first_s` after the start of a pass.
fn arrive(
    scene: &Scene,
    signal: &Signal,
    first_s: f64,
    carrier_phase: f64,
) -> (Vec<f32>, Vec<f32>) {
    let jitter = aperture(scene);
    let phase = phase_noise(scene);
    let noise = SourceNoise::draw(scene, signal, first_s);
    let at = |first_s: f64| {
        let (mut i, mut q) = (vec![0.0; scene.points], vec![0.0; scene.points]);
        for ray in &signal.rays {
            let position = (first_s - ray.delay_s) * signal.rate_hz;
            let mut add = |[line_i, line_q]: &[Vec<f32>; 2], position| {
                let lines = [line_i.as_slice(), line_q.as_slice()];
                let place = Place { lines, position, gain: ray.gain };
                add_ray(scene, signal, &place, jitter.as_deref(), (&mut i, &mut q));
            };
            add(signal.played.lines(), position);
            if let Some(noise) = &noise {
                add(&noise.lines, position - noise.first);
            }
        }
        let turn = std::f64::consts::TAU * signal.carrier_offset_hz;
        let start = cis(carrier_phase + turn * first_s);
        turn_lines(Phasor::new(start, turn * scene.interval_s), phase.as_deref(), (&mut i, &mut q));
        (i, q)
    };
    let (i, q) = at(first_s);
    // A channel that samples later sees a later signal; noise that is alike at all times does not
    // show it.
    if scene.digitiser.skew_s == 0.0 { (i, q) } else { (i, at(first_s + scene.digitiser.skew_s).1) }
}

/// Most samples of a source's noise that are drawn for one record; beyond, it repeats.
const NOISE_MOST: usize = 1 << 22;
/// Samples of it before and behind a record: skew and jitter reach there.
const NOISE_MARGIN: usize = 1024;

/// Noise of the source's converters, sample by sample as they play it. Every way carries the same.
struct SourceNoise {
    /// Where it begins, in samples after the start of a pass.
    first: f64,
    lines: [Vec<f32>; 2],
}

impl SourceNoise {
    /// What a record from `first_s` on sees of it; `None` when there is none.
    fn draw(scene: &Scene, signal: &Signal, first_s: f64) -> Option<Self> {
        if signal.noise <= 0.0 {
            return None;
        }
        let delays = || signal.rays.iter().map(|ray| ray.delay_s);
        let latest_s = delays().reduce(f64::max)?;
        let spread_s = latest_s - delays().fold(latest_s, f64::min);
        let record_s = scene.points as f64 * scene.interval_s + spread_s;
        let taps = signal.interpolator.taps();
        let points = (record_s * signal.rate_hz) as usize + 2 * (taps + NOISE_MARGIN);
        let mut random = Stream::new(scene.seed, Purpose::SourceNoise, scene.index);
        let lines = [0, 1].map(|_| {
            let mut line = vec![0f32; points.min(NOISE_MOST)];
            random.fill_normal(&mut line);
            line.iter_mut().for_each(|x| *x *= signal.noise as f32);
            line
        });
        let first = ((first_s - latest_s) * signal.rate_hz).floor() - (taps + NOISE_MARGIN) as f64;
        Some(Self { first, lines })
    }
}

/// How much later than its time each sample is taken, s.
fn aperture(scene: &Scene) -> Option<Vec<f32>> {
    let spread_s = scene.digitiser.aperture_jitter_s;
    (spread_s > 0.0).then(|| {
        let mut late = vec![0.0; scene.points];
        Stream::new(scene.seed, Purpose::Aperture, scene.index).fill_normal(&mut late);
        late.iter_mut().for_each(|t| *t *= spread_s as f32);
        late
    })
}

/// Phase noise of both synthesisers together, rad.
fn phase_noise(scene: &Scene) -> Option<Vec<f32>> {
    let both = scene.receiver.phase_noise;
    both.iter().any(Option::is_some).then(|| {
        let mut phase = vec![0.0; scene.points];
        for (noise, purpose) in both.iter().zip([Purpose::TxPhase, Purpose::RxPhase]) {
            let mut random = Stream::new(scene.seed, purpose, scene.index);
            if let Some(noise) = noise {
                noise.add(&mut random, scene.interval_s, &scene.receiver.shaper, &mut phase);
            }
        }
        phase
    })
}

/// Turns both lines by the phasor, and by the phase noise if there is any.
fn turn_lines(mut phasor: Phasor, phase: Option<&[f32]>, (i, q): (&mut [f32], &mut [f32])) {
    let points = i.iter_mut().zip(q);
    for (k, (i, q)) in points.enumerate() {
        let mut turn = phasor.next();
        if let Some(phase) = phase {
            turn *= cis(f64::from(phase[k]));
        }
        let (cos, sin) = (turn.re as f32, turn.im as f32);
        (*i, *q) = (*i * cos - *q * sin, *i * sin + *q * cos);
    }
}

/// Where in the looped waveform a record's samples fall.
#[derive(Debug, Clone, Copy)]
struct Walk {
    length: usize,
    whole: usize,
    fraction: f64,
    step_whole: usize,
    step_fraction: f64,
}

impl Walk {
    fn new(length: usize, position: f64, step: f64) -> Self {
        let position = position.rem_euclid(length as f64);
        Self {
            length,
            whole: position as usize % length,
            fraction: position.fract(),
            step_whole: step as usize,
            step_fraction: step.fract(),
        }
    }

    /// After how many steps the fraction comes back to where it was within `tolerance`, at most
    /// `most`.
    fn period(&self, tolerance: f64, most: usize) -> Option<usize> {
        let off = |p: usize| {
            let turn = self.step_fraction * p as f64;
            (turn - turn.round()).abs()
        };
        (1..=most).find(|p| off(*p) < tolerance)
    }

    #[inline]
    fn advance(&mut self) {
        self.fraction += self.step_fraction;
        let carry = self.fraction as usize;
        self.fraction -= carry as f64;
        self.whole += self.step_whole + carry;
        if self.whole >= self.length {
            self.whole %= self.length;
        }
    }
}

/// Most positions between two samples that are worth a row of coefficients each.
const PERIOD_MOST: usize = 128;
/// Error of a sample's position, in samples, that shows nowhere: below -110 dB at the band's edge.
const POSITION_ERROR: f64 = 1e-6;

/// What one way brings: looped lines, where in them a record begins, and the way's factor.
struct Place<'a> {
    lines: [&'a [f32]; 2],
    position: f64,
    gain: Complex64,
}

/// Adds what arrives over one way.
fn add_ray(
    scene: &Scene,
    signal: &Signal,
    place: &Place,
    jitter: Option<&[f32]>,
    (out_i, out_q): (&mut [f32], &mut [f32]),
) {
    let [line_i, line_q] = place.lines;
    if line_i.is_empty() {
        return;
    }
    let interpolator = &signal.interpolator;
    let (taps, lead) = (interpolator.taps(), interpolator.lead());
    let step = scene.interval_s * signal.rate_hz;
    let mut walk = Walk::new(line_i.len(), place.position - lead as f64, step);
    let (re, im) = (place.gain.re as f32, place.gain.im as f32);
    let windows = Windows { lines: [line_i, line_q], taps };
    let mut scratch = [vec![0f32; taps], vec![0f32; taps]];
    let out = out_i.iter_mut().zip(out_q);
    // Rates in a simple ratio meet the same few positions again and again.
    let tolerance = POSITION_ERROR / scene.points.max(1) as f64;
    if let Some(period) = walk.period(tolerance, PERIOD_MOST).filter(|_| jitter.is_none()) {
        let (rows, strides) = one_period(walk, step, period, interpolator);
        let mut again = rows.chunks(taps).zip(&strides).cycle();
        let mut whole = walk.whole;
        for (i, q) in out {
            let Some((row, stride)) = again.next() else { return };
            let (a, b) = windows.at(whole, &mut scratch);
            let (x, y) = under(row, a, b);
            *i += x * re - y * im;
            *q += x * im + y * re;
            whole += stride;
            if whole >= line_i.len() {
                whole %= line_i.len();
            }
        }
        return;
    }
    for (k, (i, q)) in out.enumerate() {
        let mut whole = walk.whole;
        let mut fraction = walk.fraction;
        if let Some(jitter) = jitter {
            let place = fraction + f64::from(jitter[k]) * signal.rate_hz;
            let carry = place.floor();
            fraction = place - carry;
            whole = (whole as f64 + carry).rem_euclid(line_i.len() as f64) as usize;
        }
        let (a, b) = windows.at(whole, &mut scratch);
        let (x, y) = interpolator.at(fraction, a, b);
        *i += x * re - y * im;
        *q += x * im + y * re;
        walk.advance();
    }
}

/// Coefficients at each position of a period, and the whole samples from each to the next: together
/// exactly what the period takes, so that rounding does not add up from one to the next.
fn one_period(
    mut walk: Walk,
    step: f64,
    period: usize,
    interpolator: &Interpolator,
) -> (Vec<f32>, Vec<usize>) {
    let taps = interpolator.taps();
    let mut rows = vec![0f32; taps * period];
    let mut strides = Vec::with_capacity(period);
    // Beyond any wrap: only differences count.
    walk.length = usize::MAX;
    let first = walk.whole;
    for row in rows.chunks_mut(taps) {
        interpolator.write_row(walk.fraction, row);
        let before = walk.whole;
        walk.advance();
        strides.push(walk.whole - before);
    }
    let whole = (step * period as f64).round() as usize;
    let gone = walk.whole - first;
    if let Some(last) = strides.last_mut() {
        *last = (*last + whole).saturating_sub(gone);
    }
    (rows, strides)
}

/// Stretches of the looped lines.
struct Windows<'a> {
    lines: [&'a [f32]; 2],
    taps: usize,
}

impl<'a> Windows<'a> {
    /// The stretches that begin at `start`; one that reaches over the end is put together.
    #[inline]
    fn at<'b>(&self, start: usize, scratch: &'b mut [Vec<f32>; 2]) -> (&'b [f32], &'b [f32])
    where
        'a: 'b,
    {
        let [i, q] = self.lines;
        if let (Some(i), Some(q)) =
            (i.get(start..start + self.taps), q.get(start..start + self.taps))
        {
            return (i, q);
        }
        for (line, scratch) in self.lines.iter().zip(&mut *scratch) {
            for (slot, at) in scratch.iter_mut().zip(start..) {
                *slot = line[at % line.len()];
            }
        }
        (&scratch[0], &scratch[1])
    }
}
