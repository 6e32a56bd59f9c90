//! Power spectral density of a frame by averaged periodograms, and its distance from the transmit
//! mask.
//!
//! P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 70-73, 1967 (averaged windowed periodograms;
//! from memory). Cost is bounded: a fixed number of segments is spread over the frame, however long
//! it is. Knows nothing of symbols or receivers.

use std::f64::consts::TAU;
use std::ops::Range;

use num_complex::Complex32;
use rustfft::FftPlanner;

use super::mcs::CHIP_RATE_HZ;

/// Samples of a segment, fewer when there are fewer than [`SEGMENTS_MIN`] of them.
const SEGMENT_MAX: usize = 2048;
/// Shortest segment.
const SEGMENT_MIN: usize = 64;
/// Segments that are averaged at most, over all ranges together.
const SEGMENTS_MAX: usize = 256;
/// Segments for which shorter ones are taken.
const SEGMENTS_MIN: usize = 16;
/// Bins that are averaged for one point.
const BINS_PER_POINT: usize = 4;
/// Points on each side over which the density is averaged to find its maximum, so that it is not the
/// largest of many random deviations.
const MAXIMUM_REACH: usize = 4;
/// Bins on each side of 0 Hz that are left out: the digitiser's own offset is there.
const OFFSET_BINS: usize = 2;

/// Transmit mask of the DMG PHY: offset from the channel's centre in Hz, level in dBr. IEEE
/// 802.11ad-2012 clause 21.3.2 (20.3.2 in IEEE 802.11-2016), from memory.
const MASK: [(f64, f64); 5] =
    [(0.0, 0.0), (0.94e9, 0.0), (1.2e9, -17.0), (2.7e9, -22.0), (3.06e9, -30.0)];

/// Power spectral density relative to its maximum.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Offset from the signal's centre in Hz, rising, and density in dBr.
    pub points: Vec<(f64, f64)>,
    /// Bandwidth in Hz over which a point averages.
    pub resolution_hz: f64,
}

/// How far a spectrum stays below the mask.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MaskMargin {
    /// Smallest distance in dB; negative when the mask is exceeded.
    pub margin_db: f64,
    /// Offset in Hz at which it is.
    pub at_hz: f64,
    /// Offset in Hz up to which both sides were recorded; beyond it nothing is known.
    pub covered_to_hz: f64,
}

/// Level of the mask in dBr at an offset in Hz for a chip rate in Hz. At rates other than 1.76 GHz
/// offsets scale with the rate: a convention of this program, no standard has them.
pub fn mask_dbr(offset_hz: f64, chip_rate_hz: f64) -> f64 {
    let offset = offset_hz.abs() * CHIP_RATE_HZ / chip_rate_hz;
    for pair in MASK.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if offset <= x1 {
            return y0 + (y1 - y0) * (offset - x0) / (x1 - x0);
        }
    }
    MASK[MASK.len() - 1].1
}

/// Spectrum of the samples within `ranges` (of a frame each; parts outside of the recording are left
/// out), against the frequency `centre_hz` at which the signal lies in the recording (its carrier
/// offset). `None` when no range holds 64 samples, when a sample there is not finite or
/// all are 0, or when a rate makes no sense.
pub fn spectrum(
    samples: &[Complex32],
    sample_rate_hz: f64,
    centre_hz: f64,
    ranges: &[Range<usize>],
) -> Option<Spectrum> {
    let sound = sample_rate_hz > 0.0 && sample_rate_hz.is_finite() && centre_hz.is_finite();
    if !sound || centre_hz.abs() >= sample_rate_hz / 2.0 {
        return None;
    }
    let parts: Vec<&[Complex32]> = ranges
        .iter()
        .filter_map(|range| samples.get(range.start..range.end.min(samples.len())))
        .collect();
    let length = segment_length(&parts)?;
    let density = averaged(&parts, length);
    let points = points(&density, sample_rate_hz, centre_hz);
    let reference = maximum(&points);
    if !(reference > 0.0 && reference.is_finite()) {
        return None;
    }
    let floor = reference * 1e-20;
    let level = |power: f64| 10.0 * (power.max(floor) / reference).log10();
    Some(Spectrum {
        points: points.into_iter().map(|(hz, power)| (hz, level(power))).collect(),
        // The Hann window's equivalent noise bandwidth is 1.5 bins.
        resolution_hz: (BINS_PER_POINT as f64 + 0.5) * sample_rate_hz / length as f64,
    })
}

/// Longest power of two that gives enough segments.
fn segment_length(parts: &[&[Complex32]]) -> Option<usize> {
    let segments = |length: usize| parts.iter().map(|part| part.len() / length).sum::<usize>();
    let mut length = SEGMENT_MAX;
    while length > SEGMENT_MIN && segments(length) < SEGMENTS_MIN {
        length /= 2;
    }
    (segments(length) > 0).then_some(length)
}

/// Mean squared magnitude of the windowed transforms of segments that are spread evenly.
fn averaged(parts: &[&[Complex32]], length: usize) -> Vec<f64> {
    let fft = FftPlanner::<f32>::new().plan_fft_forward(length);
    let window: Vec<f32> = (0..length)
        .map(|n| (0.5 - 0.5 * (TAU * (n as f64 + 0.5) / length as f64).cos()) as f32)
        .collect();
    let all: Vec<&[Complex32]> = parts.iter().flat_map(|part| part.chunks_exact(length)).collect();
    let used = all.len().min(SEGMENTS_MAX);
    let mut scratch = vec![Complex32::default(); fft.get_inplace_scratch_len()];
    let mut segment = vec![Complex32::default(); length];
    let mut density = vec![0.0; length];
    for n in 0..used {
        for ((to, from), weight) in segment.iter_mut().zip(all[n * all.len() / used]).zip(&window) {
            *to = from * weight;
        }
        fft.process_with_scratch(&mut segment, &mut scratch);
        for (sum, z) in density.iter_mut().zip(&segment) {
            *sum += f64::from(z.norm_sqr());
        }
    }
    density
}

/// Means of neighbouring bins, in rising order of their offset from the centre.
fn points(density: &[f64], sample_rate_hz: f64, centre_hz: f64) -> Vec<(f64, f64)> {
    let length = density.len();
    let bin_hz = sample_rate_hz / length as f64;
    (0..length / BINS_PER_POINT)
        .filter_map(|point| {
            let first = point * BINS_PER_POINT;
            // Bins from -length/2 on; those next to 0 Hz are left out.
            let used = (first..first + BINS_PER_POINT)
                .filter(|bin| bin.abs_diff(length / 2) > OFFSET_BINS)
                .map(|bin| {
                    (bin as f64 - length as f64 / 2.0, density[(bin + length / 2) % length])
                });
            let (count, position, power) =
                used.fold((0.0, 0.0, 0.0), |(n, f, p), (bin, power)| (n + 1.0, f + bin, p + power));
            (count > 0.0).then(|| (position / count * bin_hz - centre_hz, power / count))
        })
        .collect()
}

/// Largest mean over neighbouring points.
fn maximum(points: &[(f64, f64)]) -> f64 {
    let width = (2 * MAXIMUM_REACH + 1).min(points.len().max(1));
    // The reach is kept small against the band: a record that is all signal has many points.
    let mean = |window: &[(f64, f64)]| window.iter().map(|p| p.1).sum::<f64>() / width as f64;
    points.windows(width).map(mean).fold(0.0, |a, b| if b.is_nan() { b } else { f64::max(a, b) })
}

/// Worst margin of a spectrum to the transmit mask. `None` without points or with a chip rate that is
/// not a positive number. The mask refers to a resolution of 1 MHz, which a spectrum of modulated
/// data does not depend on; a spur that is narrower than the resolution shows lower than it is.
pub fn mask_margin(spectrum: &Spectrum, chip_rate_hz: f64) -> Option<MaskMargin> {
    if !(chip_rate_hz > 0.0 && chip_rate_hz.is_finite()) {
        return None;
    }
    let (first, last) = (spectrum.points.first()?, spectrum.points.last()?);
    let covered_to_hz = (-first.0).min(last.0) + spectrum.resolution_hz / 2.0;
    // Within the mask's flat part the density cannot exceed its own maximum.
    let flat_hz = MASK[1].0 * chip_rate_hz / CHIP_RATE_HZ;
    let margin = |(hz, dbr): &(f64, f64)| (mask_dbr(*hz, chip_rate_hz) - dbr, *hz);
    let (margin_db, at_hz) = spectrum
        .points
        .iter()
        .filter(|(hz, _)| hz.abs() > flat_hz)
        .map(margin)
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(MaskMargin { margin_db, at_hz, covered_to_hz })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::constellation::Constellation;
    use crate::phy::link_testing::{Link, Noise};
    use crate::phy::pulse::RootRaisedCosine;
    use num_complex::Complex64;

    fn random_chips(count: usize) -> Vec<Complex32> {
        let mut noise = Noise::new(3);
        let points = Constellation::Qpsk.points();
        (0..count).map(|_| points[noise.bits() as usize % 4]).collect()
    }

    fn at(spectrum: &Spectrum, hz: f64) -> f64 {
        let nearest =
            |a: &&(f64, f64), b: &&(f64, f64)| (a.0 - hz).abs().total_cmp(&(b.0 - hz).abs());
        spectrum.points.iter().min_by(nearest).expect("points").1
    }

    /// The mask's own corners and what lies between (IEEE 802.11ad-2012 clause 21.3.2, from memory).
    #[test]
    fn the_mask_has_its_corners() {
        for (hz, dbr) in MASK.into_iter().chain([(1.07e9, -8.5), (1.95e9, -19.5), (9e9, -30.0)]) {
            assert!((mask_dbr(hz, 1.76e9) - dbr).abs() < 1e-9, "{hz}");
            assert!((mask_dbr(-hz, 1.76e9) - dbr).abs() < 1e-9, "{hz}");
            assert!((mask_dbr(hz / 2.0, 0.88e9) - dbr).abs() < 1e-9, "{hz}");
        }
    }

    /// Chips shaped by the root-raised cosine have its squared spectrum, the raised cosine's (Proakis
    /// and Salehi, 5th ed., chapter 9), and keep the mask wherever it is.
    #[test]
    fn shaped_chips_have_the_raised_cosine_spectrum() {
        let link = Link { cfo_hz: 40e6, es_n0_db: Some(40.0), ..Link::default() };
        let samples = link.receive(&random_chips(60_000));
        let frame = 5_000..samples.len() - 5_000;
        let spectrum = spectrum(&samples, 8e9, 40e6, &[frame]).expect("enough");
        let pulse = RootRaisedCosine::new(0.25).expect("in range");
        for mhz in (-1000..=1000).step_by(50) {
            let hz = f64::from(mhz) * 1e6;
            let share = pulse.raised_cosine_spectrum(hz / 1.76e9);
            if share > 0.05 {
                let expected = 10.0 * share.log10();
                // 1024 averages scatter by 0.14 dB; where it is steep, a point is up to 8 MHz off.
                let error = (at(&spectrum, hz) - expected).abs();
                assert!(error < if share > 0.9 { 0.7 } else { 1.2 }, "{hz}: {error}");
            }
        }
        let margin = mask_margin(&spectrum, 1.76e9).expect("points");
        // Noise at -40 dB over a chip is -40 dBr: far below the mask; the skirt is nearest to it.
        let expected = (940..4000)
            .map(|mhz| f64::from(mhz) * 1e6)
            .map(|hz| {
                let share = pulse.raised_cosine_spectrum(hz / 1.76e9) + 1e-4;
                mask_dbr(hz, 1.76e9) - 10.0 * share.log10()
            })
            .fold(f64::INFINITY, f64::min);
        assert!((margin.margin_db - expected).abs() < 0.5, "{margin:?}, {expected}");
        assert!((margin.at_hz.abs() - 0.97e9).abs() < 0.05e9, "{margin:?}");
        assert!((margin.covered_to_hz - 3.96e9).abs() < 2e7, "{margin:?}");
    }

    /// A source that leaves too much beside its channel is found, at the place where it is.
    #[test]
    fn a_violation_is_found_where_it_is() {
        let link = Link { es_n0_db: Some(40.0), ..Link::default() };
        let mut samples = link.receive(&random_chips(60_000));
        let mut noise = Noise::new(4);
        // Noise of 100 MHz or so around 1.5 GHz: -10 dBr where the mask has -18.
        let mut state = Complex64::default();
        for (n, z) in samples.iter_mut().enumerate() {
            let input = noise.complex(1.0);
            state = state * 0.96 + Complex64::new(f64::from(input.re), f64::from(input.im)) * 0.04;
            let turn = Complex64::from_polar(1.0, TAU * (1.5 / 8.0 * n as f64).fract());
            let tone = state * turn * 0.67;
            *z += Complex32::new(tone.re as f32, tone.im as f32);
        }
        let whole = 0..samples.len();
        let spectrum = spectrum(&samples, 8e9, 0.0, &[whole]).expect("enough");
        let margin = mask_margin(&spectrum, 1.76e9).expect("points");
        // 0.67^2 of noise at the density of one a sample, chips of 8/1.76 a sample: -10.1 dBr.
        assert!((margin.at_hz - 1.5e9).abs() < 0.03e9, "{margin:?}");
        assert!((margin.margin_db + 7.9).abs() < 1.0, "{margin:?}");
    }

    /// Noise of every frequency is flat whatever the number of samples.
    #[test]
    fn white_noise_is_flat() {
        let mut noise = Noise::new(5);
        for count in [100, 1_500, 40_000, 1_000_000] {
            let samples: Vec<Complex32> = (0..count).map(|_| noise.complex(1.0)).collect();
            let spectrum = spectrum(&samples, 1e9, 0.0, &[0..count / 2, count / 2..count + 9]);
            if count == 100 {
                assert!(spectrum.is_none(), "two halves of 50");
                continue;
            }
            let spectrum = spectrum.expect("enough");
            let worst = spectrum.points.iter().map(|p| p.1.abs()).fold(0.0, f64::max);
            // 60, 100 and 690 independent values a point scatter by 0.6, 0.4 and 0.17 dB; 4 deviations
            // and what the maximum is above the mean.
            let allowed = [(10_000, 4.0), (100_000, 2.5), (usize::MAX, 1.0)];
            let allowed = allowed.iter().find(|(most, _)| count < *most).expect("one fits").1;
            assert!(worst < allowed, "{count}: {worst} dB");
        }
    }

    #[test]
    fn strange_input_gives_nothing() {
        let good = vec![Complex32::new(1.0, 1.0); 4096];
        let mut bad = good.clone();
        bad[100].re = f32::NAN;
        let whole = || 0..4096_usize;
        assert_eq!(spectrum(&bad, 1e9, 0.0, &[whole()]), None);
        assert_eq!(spectrum(&[], 1e9, 0.0, &[whole()]), None);
        assert_eq!(spectrum(&vec![Complex32::default(); 4096], 1e9, 0.0, &[whole()]), None);
        for rate in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(spectrum(&good, rate, 0.0, &[whole()]), None);
        }
        for centre in [f64::NAN, 6e8, -6e8] {
            assert_eq!(spectrum(&good, 1e9, centre, &[whole()]), None);
        }
        #[allow(clippy::reversed_empty_ranges, reason = "what a caller might do by mistake")]
        for range in [0..0, 5000..6000, 4000..100] {
            assert_eq!(spectrum(&good, 1e9, 0.0, &[range]), None);
        }
        let empty = Spectrum { points: Vec::new(), resolution_hz: 1.0 };
        assert_eq!(mask_margin(&empty, 1.76e9), None);
        assert_eq!(mask_margin(&empty, f64::NAN), None);
    }
}
