//! The band limit of the chain: one Kaiser-windowed low-pass, as continuous impulse response.
//!
//! It stands for the receiver's baseband filter and at once for the reconstruction behind the
//! source's converter: sampled at the source's instants it interpolates between the source's
//! samples, sampled at the scope's interval it shapes white noise. The hold of the source's
//! converter and the bandwidths of source and scope are linear and steady too, so they are folded
//! into the same response once, and cost a record nothing. Knows nothing of signals.
//!
//! Kaiser's design formulas: A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing,
//! sec. 7.5.3 (section number from memory).

use std::sync::Arc;

use super::gaussian::Stream;

/// Attenuation of the stop band, dB: images and ripple stay 25 dB below the -45 dB that are asked.
const STOP_DB: f64 = 70.0;
/// Sub-sample positions of the interpolation table; between two rows the taps are interpolated
/// linearly, which errs by less than (pi B / (fs ROWS))^2 / 2, below -100 dB.
const ROWS: usize = 512;
/// Taps are a multiple of this, so that sums run in lanes.
pub(crate) const LANES: usize = 8;

/// A low-pass with a flat band and a stop band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowPass {
    /// Flat up to here, Hz (one-sided, complex baseband).
    pub pass_hz: f64,
    /// At least 70 dB down from here on, Hz.
    pub stop_hz: f64,
}

/// The band limit with what else is linear on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// The receiver's baseband filter.
    pub low_pass: LowPass,
    /// How long a converter holds each sample, s: its spectrum droops as sin(x)/x. 0: not at all.
    pub hold_s: f64,
    /// Spread of Gaussian responses together, s rms. 0: none.
    pub smear_s: f64,
}

impl From<LowPass> for Band {
    fn from(low_pass: LowPass) -> Self {
        Self { low_pass, hold_s: 0.0, smear_s: 0.0 }
    }
}

/// Spread of the impulse response of a Gaussian low-pass that is 3 dB down at `bandwidth_hz`:
/// `sqrt(ln 2)/(2 pi B)` (Fourier transform of the Gaussian). The shape is common practice for
/// scopes, no source.
fn gaussian_spread_s(bandwidth_hz: f64) -> f64 {
    std::f64::consts::LN_2.sqrt() / (std::f64::consts::TAU * bandwidth_hz)
}

impl Band {
    /// With a Gaussian low-pass more that is 3 dB down at `bandwidth_hz`; unchanged without one.
    #[must_use]
    pub fn with_bandwidth(mut self, bandwidth_hz: Option<f64>) -> Self {
        if let Some(bandwidth_hz) = bandwidth_hz {
            let more = gaussian_spread_s(bandwidth_hz);
            self.smear_s = (self.smear_s * self.smear_s + more * more).sqrt();
        }
        self
    }

    /// With a converter that holds each of its samples at `rate_hz`.
    #[must_use]
    pub fn with_hold(mut self, rate_hz: f64) -> Self {
        self.hold_s = 1.0 / rate_hz;
        self
    }

    /// This band behind a converter of `rate_hz`, as [`LowPass::behind_converter`].
    pub fn behind_converter(&self, rate_hz: f64) -> Self {
        Self { low_pass: self.low_pass.behind_converter(rate_hz), ..*self }
    }

    /// Half the length of the response, s.
    pub fn half_width_s(&self) -> f64 {
        self.low_pass.half_width_s() + 0.5 * self.hold_s + SMEAR_REACH * self.smear_s
    }

    /// The response as a function of time: the formula, or a table when more is folded in.
    pub fn response(&self) -> Box<dyn Fn(f64) -> f64> {
        let low_pass = self.low_pass;
        if self.hold_s == 0.0 && self.smear_s == 0.0 {
            return Box::new(move |time_s| low_pass.response(time_s));
        }
        let half = self.half_width_s();
        let step_s = half / TABLE_STEPS as f64;
        let at = |k: usize| (k as f64 - TABLE_STEPS as f64) * step_s;
        let mut table: Vec<f64> = (0..=2 * TABLE_STEPS).map(|k| low_pass.response(at(k))).collect();
        let reach = (0.5 * self.hold_s / step_s).ceil() as usize;
        // Each slice of the hold counts by how much of it lies within.
        let held = |k: usize| (0.5 * self.hold_s / step_s - (k as f64 - 0.5)).clamp(0.0, 1.0);
        convolve(&mut table, &(0..=reach + 1).map(held).collect::<Vec<_>>());
        let reach = (SMEAR_REACH * self.smear_s / step_s).ceil() as usize;
        let smeared = |k: usize| {
            let place = k as f64 * step_s / self.smear_s.max(step_s * 1e-6);
            libm::exp(-0.5 * place * place)
        };
        convolve(&mut table, &(0..=reach).map(smeared).collect::<Vec<_>>());
        Box::new(move |time_s| {
            let place = time_s / step_s + TABLE_STEPS as f64;
            if !(0.0..(2 * TABLE_STEPS) as f64).contains(&place) {
                return 0.0;
            }
            let (k, blend) = (place as usize, place.fract());
            table[k] + blend * (table[k + 1] - table[k])
        })
    }

    /// Two-sided noise bandwidth in Hz: the integral of the squared response (Parseval).
    pub fn noise_bandwidth_hz(&self) -> f64 {
        let steps = 4096;
        let half = self.half_width_s();
        let dt = 2.0 * half / f64::from(steps);
        let response = self.response();
        let square = |k: i32| response(-half + f64::from(k) * dt).powi(2);
        (1..steps).map(square).sum::<f64>() * dt
    }
}

/// Steps of a tabulated response on either side: read linearly, it errs below -100 dB.
const TABLE_STEPS: usize = 4096;
/// Spreads after which a Gaussian response counts as over: 3e-4 of its peak.
const SMEAR_REACH: f64 = 4.0;

/// Convolution with a symmetric kernel, given from its middle on, scaled to sum 1.
fn convolve(table: &mut Vec<f64>, kernel: &[f64]) {
    let sum = 2.0 * kernel.iter().sum::<f64>() - kernel[0];
    let last = table.len() - 1;
    let out = (0..=last)
        .map(|k| {
            let sides = kernel.iter().enumerate().skip(1).map(|(m, tap)| {
                let left = k.checked_sub(m).map_or(0.0, |at| table[at]);
                tap * (left + if k + m <= last { table[k + m] } else { 0.0 })
            });
            (kernel[0] * table[k] + sides.sum::<f64>()) / sum
        })
        .collect();
    *table = out;
}

impl LowPass {
    /// This filter behind a converter of `rate_hz`: its images, from 0.6 of the rate on, must go.
    pub fn behind_converter(&self, rate_hz: f64) -> Self {
        Self { pass_hz: self.pass_hz.min(0.4 * rate_hz), stop_hz: self.stop_hz.min(0.6 * rate_hz) }
    }

    fn half_width_s(&self) -> f64 {
        0.5 * (STOP_DB - 7.95) / (14.36 * (self.stop_hz - self.pass_hz))
    }

    /// Impulse response at `time_s`, 1/s: integral 1, zero outside the window.
    fn response(&self, time_s: f64) -> f64 {
        let half = self.half_width_s();
        let place = time_s / half;
        if place.abs() >= 1.0 {
            return 0.0;
        }
        let beta = 0.1102 * (STOP_DB - 8.7);
        let cutoff_hz = 0.5 * (self.pass_hz + self.stop_hz);
        let window = bessel_i0(beta * (1.0 - place * place).sqrt()) / bessel_i0(beta);
        2.0 * cutoff_hz * sinc(2.0 * cutoff_hz * time_s) * window
    }
}

/// Taps that shape white samples, one per `interval_s`, into the filter's band.
#[derive(Debug, Clone)]
pub struct Shaper {
    /// Symmetric taps; unit-variance white noise in gives `LowPass::noise_bandwidth_hz` out for a
    /// density of 1/Hz, also where the interval is too long to show the band.
    pub taps: Vec<f32>,
}

impl Shaper {
    /// The shaper of `filter` for samples every `interval_s`.
    pub fn new(filter: &Band, interval_s: f64) -> Self {
        let reach = (filter.half_width_s() / interval_s).floor() as i64;
        let response = filter.response();
        let raw: Vec<f64> = (-reach..=reach).map(|m| response(m as f64 * interval_s)).collect();
        let power: f64 = raw.iter().map(|tap| tap * tap).sum();
        let scale = (filter.noise_bandwidth_hz() / power).sqrt();
        Self { taps: raw.iter().map(|tap| (tap * scale) as f32).collect() }
    }

    /// Two-sided noise bandwidth, Hz.
    pub fn noise_bandwidth_hz(&self) -> f64 {
        self.taps.iter().map(|tap| f64::from(*tap).powi(2)).sum()
    }

    /// Adds noise of this two-sided density, in the line's unit squared per Hz, within the band.
    pub fn add_noise(&self, random: &mut Stream, density: f64, line: &mut [f32]) {
        let scale = density.sqrt() as f32;
        let taps: Vec<f32> = self.taps.iter().map(|tap| tap * scale).collect();
        let mut white = vec![0f32; line.len() + taps.len() - 1];
        random.fill_normal(&mut white);
        add_shaped(&white, &taps, line);
    }
}

/// Adds the direct convolution, four taps at a time: each inner loop is multiply-adds over a block
/// that stays in the cache.
fn add_shaped(white: &[f32], taps: &[f32], out: &mut [f32]) {
    const BLOCK: usize = 1024;
    for (block, out) in out.chunks_mut(BLOCK).enumerate() {
        let input = &white[block * BLOCK..];
        let points = out.len();
        let (quads, rest) = taps.as_chunks::<4>();
        for (quad, [a, b, c, d]) in quads.iter().enumerate() {
            let at = |m: usize| &input[4 * quad + m..4 * quad + m + points];
            let inputs = at(0).iter().zip(at(1)).zip(at(2).iter().zip(at(3)));
            for (y, ((p, q), (r, s))) in out.iter_mut().zip(inputs) {
                *y += (a * p + b * q) + (c * r + d * s);
            }
        }
        for (tap, shift) in rest.iter().zip(4 * quads.len()..) {
            for (y, x) in out.iter_mut().zip(&input[shift..]) {
                *y += tap * x;
            }
        }
    }
}

/// Interpolators and shapers already computed: a bench asks for the same few again and again.
#[derive(Debug, Default)]
pub struct Bank {
    interpolators: Vec<(Band, f64, Arc<Interpolator>)>,
    shapers: Vec<(Band, f64, Arc<Shaper>)>,
}

/// What a bank keeps of each kind.
const BANK: usize = 4;

impl Bank {
    /// The interpolator behind a converter of `rate_hz`.
    pub fn interpolator(&mut self, filter: &Band, rate_hz: f64) -> Arc<Interpolator> {
        let filter = filter.behind_converter(rate_hz);
        kept(&mut self.interpolators, filter, rate_hz, || Interpolator::new(&filter, rate_hz))
    }

    /// The shaper for samples every `interval_s`.
    pub fn shaper(&mut self, filter: &Band, interval_s: f64) -> Arc<Shaper> {
        kept(&mut self.shapers, *filter, interval_s, || Shaper::new(filter, interval_s))
    }
}

fn kept<T>(
    shelf: &mut Vec<(Band, f64, Arc<T>)>,
    filter: Band,
    grid: f64,
    make: impl FnOnce() -> T,
) -> Arc<T> {
    if let Some((_, _, found)) = shelf.iter().find(|(f, g, _)| *f == filter && *g == grid) {
        return Arc::clone(found);
    }
    if shelf.len() == BANK {
        shelf.remove(0);
    }
    let made = Arc::new(make());
    shelf.push((filter, grid, Arc::clone(&made)));
    made
}

/// Interpolation between samples at a fixed rate.
#[derive(Debug, Clone)]
pub struct Interpolator {
    taps: usize,
    /// `ROWS + 1` rows of `taps` coefficients.
    table: Vec<f32>,
}

impl Interpolator {
    /// The interpolator of `filter` for samples at `rate_hz`.
    pub fn new(filter: &Band, rate_hz: f64) -> Self {
        let response = filter.response();
        let reach = (filter.half_width_s() * rate_hz).ceil() as usize + 1;
        let taps = (2 * reach).div_ceil(LANES) * LANES;
        let mut table = Vec::with_capacity((ROWS + 1) * taps);
        for row in 0..=ROWS {
            let fraction = row as f64 / ROWS as f64;
            let raw: Vec<f64> = (0..taps)
                .map(|m| {
                    let place = m as f64 - (taps / 2 - 1) as f64 - fraction;
                    response(place / rate_hz)
                })
                .collect();
            // Each row passes a constant unchanged.
            let sum: f64 = raw.iter().sum();
            table.extend(raw.iter().map(|tap| (tap / sum) as f32));
        }
        Self { taps, table }
    }

    /// Number of samples that enter one output.
    pub fn taps(&self) -> usize {
        self.taps
    }

    /// Samples needed before the one at or before the wanted instant.
    pub fn lead(&self) -> usize {
        self.taps / 2 - 1
    }

    /// The coefficients at `fraction` (0…1) of a sample after the one at `lead()`.
    #[inline]
    pub fn write_row(&self, fraction: f64, row: &mut [f32]) {
        let (low, high, blend) = self.neighbours(fraction);
        for ((tap, low), high) in row.iter_mut().zip(low).zip(high) {
            *tap = low + blend * (high - low);
        }
    }

    #[inline]
    fn neighbours(&self, fraction: f64) -> (&[f32], &[f32], f32) {
        let place = fraction.clamp(0.0, 1.0) * ROWS as f64;
        let row = (place as usize).min(ROWS - 1);
        let blend = (place - row as f64) as f32;
        let low = &self.table[row * self.taps..(row + 1) * self.taps];
        let high = &self.table[(row + 1) * self.taps..(row + 2) * self.taps];
        (low, high, blend)
    }

    /// The value at `fraction` (0…1) of a sample after `window[lead()]`, on both lines.
    /// Both windows hold `taps()` samples.
    #[inline]
    pub fn at(&self, fraction: f64, window_i: &[f32], window_q: &[f32]) -> (f32, f32) {
        let (low, high, blend) = self.neighbours(fraction);
        let mut sum_i = [0f32; LANES];
        let mut sum_q = [0f32; LANES];
        let lanes = low
            .as_chunks::<LANES>()
            .0
            .iter()
            .zip(high.as_chunks::<LANES>().0)
            .zip(window_i.as_chunks::<LANES>().0.iter().zip(window_q.as_chunks::<LANES>().0));
        for ((low, high), (i, q)) in lanes {
            for lane in 0..LANES {
                let tap = low[lane] + blend * (high[lane] - low[lane]);
                sum_i[lane] += tap * i[lane];
                sum_q[lane] += tap * q[lane];
            }
        }
        (fold(sum_i), fold(sum_q))
    }
}

/// The value under one row of coefficients, on both lines; in the same order as
/// [`Interpolator::at`].
#[inline]
pub fn under(row: &[f32], window_i: &[f32], window_q: &[f32]) -> (f32, f32) {
    let mut sum_i = [0f32; LANES];
    let mut sum_q = [0f32; LANES];
    let lanes = row
        .as_chunks::<LANES>()
        .0
        .iter()
        .zip(window_i.as_chunks::<LANES>().0.iter().zip(window_q.as_chunks::<LANES>().0));
    for (tap, (i, q)) in lanes {
        for lane in 0..LANES {
            sum_i[lane] += tap[lane] * i[lane];
            sum_q[lane] += tap[lane] * q[lane];
        }
    }
    (fold(sum_i), fold(sum_q))
}

/// Sum in pairs: fewer steps that wait for each other.
#[inline]
fn fold(lanes: [f32; LANES]) -> f32 {
    let [a, b, c, d, e, f, g, h] = lanes;
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 {
        return 1.0;
    }
    let arg = std::f64::consts::PI * x;
    libm::sin(arg) / arg
}

/// Modified Bessel function of the first kind and order 0, by its power series
/// (Abramowitz and Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..200 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < sum * 1e-17 {
            break;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    const RECEIVER: LowPass = LowPass { pass_hz: 1.2e9, stop_hz: 2.0e9 };

    /// Frequency response of the continuous filter by direct summation.
    fn response_db(filter: &LowPass, frequency_hz: f64) -> f64 {
        let steps = 20_000;
        let half = filter.half_width_s();
        let dt = 2.0 * half / f64::from(steps);
        let sum: f64 = (0..=steps)
            .map(|k| {
                let t = -half + f64::from(k) * dt;
                filter.response(t) * (std::f64::consts::TAU * frequency_hz * t).cos()
            })
            .sum();
        20.0 * (sum * dt).abs().log10()
    }

    #[test]
    fn bessel_function_of_the_handbook() {
        // Abramowitz and Stegun, table 9.8: I0(1) = 1.2660658778, I0(5) e^-5 = 0.1835408126.
        assert!((bessel_i0(1.0) - 1.266_065_877_8).abs() < 1e-9);
        assert!((bessel_i0(5.0) * (-5f64).exp() - 0.183_540_812_6).abs() < 1e-9);
    }

    #[test]
    fn flat_below_the_pass_edge_and_gone_above_the_stop_edge() {
        for mhz in (0..=1200).step_by(50) {
            let level = response_db(&RECEIVER, f64::from(mhz) * 1e6);
            assert!(level.abs() < 0.01, "{mhz} MHz: {level} dB");
        }
        for mhz in (2000..=6000).step_by(100) {
            let level = response_db(&RECEIVER, f64::from(mhz) * 1e6);
            assert!(level < -65.0, "{mhz} MHz: {level} dB");
        }
    }

    /// What folding a band's extras in does at `frequency_hz`, dB.
    fn check_extra(band: Band, frequency_hz: f64, expected_db: f64) {
        let rate_hz = 12e9;
        let gain = |band: &Band| {
            let interpolator = Interpolator::new(band, rate_hz);
            let turn = std::f64::consts::TAU * frequency_hz / rate_hz;
            let mut row = vec![0f32; interpolator.taps()];
            interpolator.write_row(0.25, &mut row);
            let place = |m: usize| turn * (m as f64 - interpolator.lead() as f64 - 0.25);
            let sum = |part: fn(f64) -> f64| -> f64 {
                row.iter().enumerate().map(|(m, tap)| f64::from(*tap) * part(place(m))).sum()
            };
            sum(f64::cos).hypot(sum(f64::sin))
        };
        let got_db = 20.0 * (gain(&band) / gain(&Band::from(RECEIVER))).log10();
        assert!((got_db - expected_db).abs() < 0.02, "{frequency_hz}: {got_db} {expected_db}");
    }

    #[test]
    fn hold_and_bandwidth_are_their_formulas() {
        let held = Band::from(RECEIVER).with_hold(3.52e9);
        // sin(x)/x at x = pi f/fs (zero-order hold; Oppenheim and Schafer, sec. 4.8, from memory).
        let droop_db = |f: f64| 20.0 * sinc(f / 3.52e9).log10();
        check_extra(held, 0.5e9, droop_db(0.5e9));
        check_extra(held, 1.1e9, droop_db(1.1e9));
        let narrow = Band::from(RECEIVER).with_bandwidth(Some(1e9));
        // A Gaussian is 10 log10(2) down at B and a quarter of that at B/2.
        check_extra(narrow, 1e9, -3.0103);
        check_extra(narrow, 0.5e9, -0.7526);
        // Two alike are one of B/sqrt(2).
        check_extra(narrow.with_bandwidth(Some(1e9)), 0.7071e9, -3.0103);
    }

    fn check_tone(rate_hz: f64, tone_hz: f64) {
        let filter = Band::from(RECEIVER).behind_converter(rate_hz);
        let interpolator = Interpolator::new(&filter, rate_hz);
        let tone = |position: f64| {
            let turn = std::f64::consts::TAU * tone_hz / rate_hz * position;
            (turn.cos(), turn.sin())
        };
        let samples: Vec<(f64, f64)> = (0..400).map(|n| tone(f64::from(n))).collect();
        let i: Vec<f32> = samples.iter().map(|s| s.0 as f32).collect();
        let q: Vec<f32> = samples.iter().map(|s| s.1 as f32).collect();
        let mut error = 0.0;
        for k in 0..1000 {
            let position = 100.0 + 0.1234 * f64::from(k);
            let start = position as usize - interpolator.lead();
            let window = start..start + interpolator.taps();
            let (got_i, got_q) = interpolator.at(position.fract(), &i[window.clone()], &q[window]);
            let (want_i, want_q) = tone(position);
            error += (f64::from(got_i) - want_i).powi(2) + (f64::from(got_q) - want_q).powi(2);
        }
        let error_db = 10.0 * (error / 1000.0).log10();
        assert!(error_db < -60.0, "{tone_hz} Hz at {rate_hz} S/s: {error_db} dB");
    }

    #[test]
    fn interpolated_tones_are_the_tones() {
        check_tone(7.04e9, 0.3e9);
        check_tone(7.04e9, 1.1e9);
        check_tone(7.04e9, -1.1e9);
        check_tone(12e9, 0.9e9);
        check_tone(3.52e9, 1.1e9);
        check_tone(100e6, 30e6);
    }

    #[test]
    fn shaped_noise_has_the_bandwidth_at_every_interval() {
        let receiver = Band::from(RECEIVER);
        let bandwidth = receiver.noise_bandwidth_hz();
        // Between the two-sided widths of the pass and the stop band.
        assert!(bandwidth > 2.4e9 && bandwidth < 4.0e9, "{bandwidth}");
        for interval in [25e-12, 125e-12, 568e-12, 1e-9, 1e-6] {
            let shaper = Shaper::new(&receiver, interval);
            let power: f64 = shaper.taps.iter().map(|tap| f64::from(*tap).powi(2)).sum();
            // Taps are single precision.
            assert!((power / bandwidth - 1.0).abs() < 1e-5);
        }
    }
}
