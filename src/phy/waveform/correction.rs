//! Undoing a measured frequency response before it happens.
//!
//! The waveform of one pass is periodic, so its spectrum stands at single lines; each line is divided
//! by the response at its frequency. Delay is left in: it would only move the frame. Knows nothing of
//! what was measured, or how.

use num_complex::{Complex32, Complex64};
use rustfft::FftPlanner;

use super::super::recording::{narrow, widen};

/// Most that a weak part of the band is raised over the strongest one, in dB: beyond it a correction
/// mostly spends the source's range.
pub const BOOST_DB_MAX: f64 = 20.0;
/// Most points of a response.
pub const RESPONSE_POINTS_MAX: usize = 1 << 16;
/// Largest gain or loss of a point in dB; more is a fault of the file, not a measurement.
const GAIN_DB_MAX: f64 = 200.0;
/// Frequencies over the band at which its delay is fitted.
const FIT_POINTS: usize = 257;

/// A frequency response at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResponsePoint {
    /// Offset from the centre of the complex baseband in Hz.
    pub offset_hz: f64,
    /// Gain in dB.
    pub gain_db: f64,
    /// Phase in degrees, whole turns left out or not.
    pub phase_deg: f64,
}

/// A measured frequency response: linear in dB and in unwrapped phase between its points, held
/// beyond the first and the last one.
#[derive(Clone, Debug, PartialEq)]
pub struct FrequencyResponse {
    /// In rising frequency, phases unwrapped.
    points: Vec<ResponsePoint>,
}

/// Why points make no response.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ResponseError {
    /// Too few or too many points.
    #[error("a response has 2 to {RESPONSE_POINTS_MAX} points, not {0}")]
    Count(usize),
    /// A number is not finite or a gain beyond all measure.
    #[error("gain, phase and frequency are finite numbers, a gain within 200 dB of 0 dB")]
    Range {
        /// Index of the point.
        point: usize,
    },
    /// Frequencies do not rise.
    #[error("every frequency is above the one before")]
    Order {
        /// Index of the point that is not above its predecessor.
        point: usize,
    },
}

impl ResponseError {
    /// Index of the point at fault.
    #[must_use]
    pub const fn point(&self) -> Option<usize> {
        match self {
            Self::Count(_) => None,
            Self::Range { point } | Self::Order { point } => Some(*point),
        }
    }
}

/// What a correction did.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Correction {
    /// Spread of the response's gain over the waveform's band in dB: what a whole correction raises
    /// the weakest part by.
    pub spread_db: f64,
    /// Most that was raised, in dB; less than the spread where [`BOOST_DB_MAX`] bounds it.
    pub boost_db: f64,
    /// Whether the response was measured over the whole band; beyond its ends it is held.
    pub covers_band: bool,
    /// Delay in seconds that the response has over the band and that was left in.
    pub delay_s: f64,
}

impl FrequencyResponse {
    /// A response from its points in rising frequency. Phases may be wrapped: from one point to the
    /// next they are taken to turn by less than half a turn. Points at 0 Hz and above only, as measured
    /// on equal I and Q channels one by one, stand for both sides: the lower one is the conjugate.
    ///
    /// # Errors
    /// When the points are too few, too many, not finite or not in order.
    pub fn new(mut points: Vec<ResponsePoint>) -> Result<Self, ResponseError> {
        if !(2..=RESPONSE_POINTS_MAX).contains(&points.len()) {
            return Err(ResponseError::Count(points.len()));
        }
        let sound = |point: &ResponsePoint| {
            let finite = point.offset_hz.is_finite() && point.phase_deg.is_finite();
            finite && point.gain_db.abs() <= GAIN_DB_MAX
        };
        if let Some(point) = points.iter().position(|point| !sound(point)) {
            return Err(ResponseError::Range { point });
        }
        let rises = |pair: &[ResponsePoint]| pair[0].offset_hz < pair[1].offset_hz;
        if let Some(before) = points.windows(2).position(|pair| !rises(pair)) {
            return Err(ResponseError::Order { point: before + 1 });
        }
        unwrap(&mut points);
        if points[0].offset_hz >= 0.0 {
            points = both_sides(&points);
        }
        Ok(Self { points })
    }

    /// Response at an offset from the centre in Hz: magnitude and phase.
    #[must_use]
    pub fn at(&self, offset_hz: f64) -> Complex64 {
        let (gain_db, phase_deg) = self.between(offset_hz);
        Complex64::from_polar(10_f64.powf(gain_db / 20.0), phase_deg.to_radians())
    }

    /// Gain in dB and unwrapped phase in degrees.
    fn between(&self, offset_hz: f64) -> (f64, f64) {
        let above = self.points.partition_point(|point| point.offset_hz <= offset_hz);
        let last = self.points.len() - 1;
        let (low, high) = (self.points[above.saturating_sub(1)], self.points[above.min(last)]);
        let span_hz = high.offset_hz - low.offset_hz;
        let share = if span_hz > 0.0 { (offset_hz - low.offset_hz) / span_hz } else { 0.0 };
        let mix = |low: f64, high: f64| low + share * (high - low);
        (mix(low.gain_db, high.gain_db), mix(low.phase_deg, high.phase_deg))
    }

    /// The part of the band up to `half_band_hz` on both sides that was measured.
    fn measured(&self, half_band_hz: f64) -> (f64, f64) {
        let first = self.points[0].offset_hz.clamp(-half_band_hz, half_band_hz);
        let last = self.points[self.points.len() - 1].offset_hz;
        (first, last.clamp(-half_band_hz, half_band_hz))
    }

    /// The same without its delay over the band (least squares), and the delay in seconds.
    fn without_delay(&self, half_band_hz: f64) -> (Self, f64) {
        let (from, to) = self.measured(half_band_hz);
        let middle = (from + to) / 2.0;
        let (mut products, mut squares) = (0.0, 0.0);
        for n in 0..FIT_POINTS {
            let offset = from + (to - from) * n as f64 / (FIT_POINTS - 1) as f64;
            products += (offset - middle) * self.between(offset).1;
            squares += (offset - middle).powi(2);
        }
        let slope = if squares > 0.0 { products / squares } else { 0.0 };
        let mut flat = self.clone();
        flat.points.iter_mut().for_each(|point| point.phase_deg -= slope * point.offset_hz);
        (flat, -slope / 360.0)
    }
}

/// Takes whole turns out of the steps between neighbouring phases.
fn unwrap(points: &mut [ResponsePoint]) {
    let mut before = points.first().map_or(0.0, |point| point.phase_deg);
    let mut unwrapped = before;
    for point in points {
        let step = point.phase_deg - before;
        before = point.phase_deg;
        unwrapped += step - 360.0 * (step / 360.0).round();
        point.phase_deg = unwrapped;
    }
}

/// The upper side with its conjugate below 0 Hz.
fn both_sides(upper: &[ResponsePoint]) -> Vec<ResponsePoint> {
    let conjugate = |point: &ResponsePoint| ResponsePoint {
        offset_hz: -point.offset_hz,
        gain_db: point.gain_db,
        phase_deg: -point.phase_deg,
    };
    let lower = upper.iter().rev().filter(|point| point.offset_hz > 0.0).map(conjugate);
    lower.chain(upper.iter().copied()).collect()
}

/// Divides one pass of a waveform by the response within `half_band_hz` on both sides of 0 Hz; what
/// lies outside, the waveform's own rounding, is left out. The strongest part of the band keeps its
/// level.
pub(super) fn correct(
    samples: &mut [Complex32],
    response: &FrequencyResponse,
    sample_rate_hz: f64,
    half_band_hz: f64,
) -> Correction {
    let (flat, delay_s) = response.without_delay(half_band_hz);
    let count = samples.len();
    let offset_hz = |line: usize| {
        let signed = if 2 * line < count { line as f64 } else { line as f64 - count as f64 };
        signed * sample_rate_hz / count as f64
    };
    let lines = (0..count).map(offset_hz).filter(|offset| offset.abs() <= half_band_hz);
    let (weakest_db, strongest_db) = lines
        .map(|offset| flat.between(offset).0)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), gain| {
            (low.min(gain), high.max(gain))
        });
    let spread_db = strongest_db - weakest_db;
    let mut planner = FftPlanner::new();
    planner.plan_fft_forward(count).process(samples);
    for (line, z) in samples.iter_mut().enumerate() {
        let offset = offset_hz(line);
        *z = if offset.abs() > half_band_hz {
            Complex32::default()
        } else {
            let (gain_db, phase_deg) = flat.between(offset);
            let raised = 10_f64.powf((strongest_db - gain_db).min(BOOST_DB_MAX) / 20.0);
            let inverse = Complex64::from_polar(raised / count as f64, -phase_deg.to_radians());
            narrow(widen(*z) * inverse)
        };
    }
    planner.plan_fft_inverse(count).process(samples);
    Correction {
        spread_db,
        boost_db: spread_db.min(BOOST_DB_MAX),
        covers_band: flat.measured(half_band_hz) == (-half_band_hz, half_band_hz),
        delay_s,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(offset_hz: f64, gain_db: f64, phase_deg: f64) -> ResponsePoint {
        ResponsePoint { offset_hz, gain_db, phase_deg }
    }

    #[test]
    fn response_is_linear_between_its_points_and_held_beyond() {
        let points = vec![point(-1e9, 0.0, 170.0), point(1e9, -6.0, -170.0)];
        let response = FrequencyResponse::new(points).expect("in order");
        for (offset, gain_db, phase_deg) in
            [(-2e9, 0.0, 170.0), (-1e9, 0.0, 170.0), (0.0, -3.0, 180.0), (3e9, -6.0, 190.0)]
        {
            let z = response.at(offset);
            assert!((20.0 * z.norm().log10() - gain_db).abs() < 1e-9, "{offset}: {z}");
            let turn = z * Complex64::from_polar(1.0, -f64::to_radians(phase_deg));
            assert!(turn.arg().abs() < 1e-9, "{offset}: {z}");
        }
    }

    #[test]
    fn one_side_stands_for_both() {
        let points = vec![point(0.0, 0.0, 0.0), point(1e9, -2.0, -40.0), point(2e9, -9.0, -100.0)];
        let response = FrequencyResponse::new(points).expect("in order");
        for offset in [0.3e9, 1e9, 1.7e9] {
            assert!((response.at(-offset) - response.at(offset).conj()).norm() < 1e-12, "{offset}");
        }
    }

    #[test]
    fn impossible_responses_are_refused() {
        let refused = |points: Vec<ResponsePoint>| FrequencyResponse::new(points).expect_err("bad");
        let good = point(0.0, 0.0, 0.0);
        assert_eq!(refused(vec![good]), ResponseError::Count(1));
        assert_eq!(refused(vec![good; RESPONSE_POINTS_MAX + 1]).point(), None);
        assert_eq!(refused(vec![good, good]), ResponseError::Order { point: 1 });
        for bad in [
            point(f64::NAN, 0.0, 0.0),
            point(f64::INFINITY, 0.0, 0.0),
            point(1.0, -201.0, 0.0),
            point(1.0, f64::NAN, 0.0),
            point(1.0, 0.0, f64::INFINITY),
        ] {
            assert_eq!(refused(vec![good, bad]), ResponseError::Range { point: 1 }, "{bad:?}");
        }
    }
}
