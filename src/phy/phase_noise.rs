//! Integrated phase noise from equalised symbols, in degrees rms.
//!
//! Thermal noise is circular, phase noise is tangential only: the variance of the tangential errors
//! less that of the radial ones is the phase's. What phase tracking took off is added again, and a
//! straight line, which is carrier offset and mean phase, is taken off the whole. Terms: IEEE Std
//! 1139 (integrated phase noise, small angles; from memory). Amplitude noise and compression are
//! radial and make the figure smaller. Knows nothing of frames, and not which oscillator it was.

use num_complex::{Complex32, Complex64};

use super::recording::widen;

/// Groups of symbols whose scatter tells the uncertainty.
const GROUPS: usize = 16;
/// Phase noise is reported when its variance is this many times what thermal noise alone scatters:
/// by chance once in some 700 frames.
const SIGNIFICANT: f64 = 3.0;

/// Phase noise with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseNoise {
    /// Root mean square of the phase in degrees, over all offsets from about the inverse of the
    /// frame's duration to half of the symbol rate.
    pub rms_deg: f64,
    /// Its standard uncertainty in degrees, from the scatter between parts of the frame.
    pub uncertainty_deg: f64,
}

/// Weighted sums over some symbols, the weight being the reference's squared magnitude.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    count: f64,
    weight: f64,
    /// Radial part: mean and mean square.
    radial: [f64; 2],
    /// Products of (1, position, phase taken off, tangential part), upper triangle by rows.
    products: [f64; 10],
}

/// What one frame shows, squares of radians.
struct Variances {
    count: f64,
    weight: f64,
    /// Of the phase around its straight line.
    phase: f64,
    /// Of the radial part, so of the thermal noise.
    radial: f64,
    /// Standard uncertainty of `phase`.
    scatter: f64,
}

/// Collects symbols of one frame.
#[derive(Clone, Debug, Default)]
pub struct PhaseNoiseMeter {
    parts: Vec<Sums>,
    /// Position to which positions are counted, for precision.
    origin: Option<f64>,
}

impl Sums {
    fn add(&mut self, position: f64, taken_off: f64, symbol: Complex64, reference: Complex64) {
        let weight = reference.norm_sqr();
        if weight <= 0.0 {
            return;
        }
        let relative = symbol * reference.conj() / weight;
        self.count += 1.0;
        self.weight += weight;
        self.radial[0] += weight * relative.re;
        self.radial[1] += weight * relative.re * relative.re;
        let row = [1.0, position, taken_off, relative.im];
        let mut n = 0;
        for i in 0..4 {
            for j in i..4 {
                self.products[n] += weight * row[i] * row[j];
                n += 1;
            }
        }
    }

    fn merge(&mut self, other: &Self) {
        self.count += other.count;
        self.weight += other.weight;
        for (a, b) in self.radial.iter_mut().zip(other.radial) {
            *a += b;
        }
        for (a, b) in self.products.iter_mut().zip(other.products) {
            *a += b;
        }
    }

    /// Sum of weighted products of two linear combinations of (1, position, taken off, tangential).
    fn product(&self, a: [f64; 4], b: [f64; 4]) -> f64 {
        let mut n = 0;
        let mut sum = 0.0;
        for i in 0..4 {
            for j in i..4 {
                let factor = if i == j { a[i] * b[j] } else { a[i] * b[j] + a[j] * b[i] };
                sum += factor * self.products[n];
                n += 1;
            }
        }
        sum
    }

    /// Mean radial part: the symbols' gain.
    fn gain(&self) -> f64 {
        self.radial[0] / self.weight
    }

    /// Variance of the radial part around `gain`, relative to it.
    fn radial_variance(&self, gain: f64) -> f64 {
        let [first, second] = self.radial.map(|sum| sum / self.weight);
        (second - 2.0 * gain * first + gain * gain) / (gain * gain)
    }

    /// The combination that is the phase in radians without its straight line.
    fn phase_without_line(&self, gain: f64) -> [f64; 4] {
        const ONE: [f64; 4] = [1.0, 0.0, 0.0, 0.0];
        const POSITION: [f64; 4] = [0.0, 1.0, 0.0, 0.0];
        let phase = [0.0, 0.0, 1.0, 1.0 / gain];
        let (s0, s1, s2) =
            (self.product(ONE, ONE), self.product(ONE, POSITION), self.product(POSITION, POSITION));
        let (b0, b1) = (self.product(ONE, phase), self.product(POSITION, phase));
        let determinant = s0 * s2 - s1 * s1;
        let slope =
            if determinant > 1e-9 * s0 * s2 { (s0 * b1 - s1 * b0) / determinant } else { 0.0 };
        let offset = (b0 - slope * s1) / s0;
        [-offset, -slope, phase[2], phase[3]]
    }

    /// Variance of the phase in rad^2: tangential less radial.
    fn phase_variance(&self, without_line: [f64; 4], gain: f64) -> f64 {
        let radial = self.radial_variance(gain);
        let total = self.product(without_line, without_line) / self.weight - radial;
        // What tracking left is seen as a sine: of a Gaussian phase, tangential less radial
        // variance over the squared gain is 1 - exp(-s^2).
        let left = [0.0, 0.0, 0.0, 1.0 / gain];
        let small = (self.product(left, left) / self.weight - radial).clamp(0.0, 0.9);
        total + (-(-small).ln_1p() - small)
    }
}

impl PhaseNoiseMeter {
    /// A meter without symbols.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes in symbols (equalised, phase tracked) with their reference (as sent or decided) and the
    /// phase in radians that tracking took off symbol `n` of the slice, without jumps from one call to
    /// the next. `first` is the position of the first symbol in the frame, in symbols. Symbols that
    /// are not finite are left out; the longer slice is cut.
    pub fn add(
        &mut self,
        first: f64,
        symbols: &[Complex32],
        reference: &[Complex32],
        taken_off: impl Fn(usize) -> f64,
    ) {
        let origin = *self.origin.get_or_insert(first);
        let mut part = Sums::default();
        for (n, (symbol, reference)) in symbols.iter().zip(reference).enumerate() {
            let phase = taken_off(n);
            if symbol.is_finite() && reference.is_finite() && phase.is_finite() {
                let position = first - origin + n as f64;
                part.add(position, phase, widen(*symbol), widen(*reference));
            }
        }
        if part.count > 0.0 {
            self.parts.push(part);
        }
    }

    /// The phase noise. `None` when it does not stand out of the thermal noise, or without enough
    /// symbols to tell (three calls of [`Self::add`] at least).
    pub fn result(&self) -> Option<PhaseNoise> {
        Self::of_all(std::slice::from_ref(self))
    }

    /// The phase noise of several frames, each around its own straight line: the mean of the variances,
    /// weighted by the energy of the references that each was estimated from. Frames without enough
    /// symbols are left out. `None` as in [`Self::result`], for all of them together.
    pub fn of_all(frames: &[Self]) -> Option<PhaseNoise> {
        let parts: Vec<Variances> = frames.iter().filter_map(Self::variances).collect();
        let weight: f64 = parts.iter().map(|part| part.weight).sum();
        let mean = |value: fn(&Variances) -> f64| -> f64 {
            parts.iter().map(|part| part.weight * value(part)).sum::<f64>() / weight
        };
        let count: f64 = parts.iter().map(|part| part.count).sum();
        let variance = mean(|part| part.phase);
        // Variances of tangential and radial parts are each known to sqrt(2/K) of themselves.
        let noise_alone = mean(|part| part.radial) * (4.0 / count).sqrt();
        if !(variance > SIGNIFICANT * noise_alone && variance.is_finite()) {
            return None;
        }
        let scatter: f64 = parts.iter().map(|part| (part.weight * part.scatter).powi(2)).sum();
        let uncertainty = (scatter.sqrt() / weight).max(noise_alone);
        let rms = variance.sqrt();
        Some(PhaseNoise {
            rms_deg: rms.to_degrees(),
            uncertainty_deg: (uncertainty / (2.0 * rms)).to_degrees(),
        })
    }

    /// What this frame shows; `None` without enough symbols.
    fn variances(&self) -> Option<Variances> {
        let mut all = Sums::default();
        self.parts.iter().for_each(|part| all.merge(part));
        let gain = all.gain();
        if self.parts.len() < 3 || !(gain > 0.1 && gain.is_finite()) {
            return None;
        }
        let without_line = all.phase_without_line(gain);
        Some(Variances {
            count: all.count,
            weight: all.weight,
            phase: all.phase_variance(without_line, gain),
            radial: all.radial_variance(gain),
            scatter: self.scatter(without_line, gain),
        })
    }

    /// Standard uncertainty of the variance from the scatter between groups of calls.
    fn scatter(&self, without_line: [f64; 4], gain: f64) -> f64 {
        let size = self.parts.len().div_ceil(GROUPS);
        let found: Vec<f64> = self
            .parts
            .chunks(size)
            .map(|parts| {
                let mut group = Sums::default();
                parts.iter().for_each(|part| group.merge(part));
                group.phase_variance(without_line, gain)
            })
            .collect();
        let count = found.len() as f64;
        let mean = found.iter().sum::<f64>() / count;
        let scatter = found.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0);
        (scatter / count).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phy::constellation::Constellation;
    use crate::phy::link_testing::{Noise, table};
    use crate::phy::recording::narrow;

    const BLOCK: usize = 448;

    /// Symbols with the given phases, noise added, some of the phase (the block's line) taken off.
    fn meter_of(
        constellation: Constellation,
        noise_variance: f64,
        phases: &[f64],
        tracked: bool,
    ) -> PhaseNoiseMeter {
        let mut noise = Noise::new(7);
        let points = constellation.points();
        let mut meter = PhaseNoiseMeter::new();
        for (block, phases) in phases.chunks(BLOCK).enumerate() {
            let mean = phases.iter().sum::<f64>() / phases.len() as f64;
            let taken_off = if tracked { mean } else { 0.0 };
            let sent: Vec<Complex32> =
                phases.iter().map(|_| points[noise.bits() as usize % points.len()]).collect();
            let received: Vec<Complex32> = sent
                .iter()
                .zip(phases)
                .map(|(z, phase)| {
                    let turn = narrow(Complex64::from_polar(1.0, phase - taken_off));
                    z * turn + noise.complex(noise_variance)
                })
                .collect();
            meter.add((block * 512) as f64, &received, &sent, |_| taken_off);
        }
        meter
    }

    fn measure(
        constellation: Constellation,
        noise_variance: f64,
        phases: &[f64],
        tracked: bool,
    ) -> Option<PhaseNoise> {
        meter_of(constellation, noise_variance, phases, tracked).result()
    }

    fn gaussian(count: usize, rms_deg: f64, seed: u64) -> Vec<f64> {
        let mut noise = Noise::new(seed);
        (0..count).map(|_| rms_deg.to_radians() * f64::from(noise.complex(2.0).re)).collect()
    }

    fn check(found: Option<PhaseNoise>, expected_deg: f64, what: &str) {
        let found = found.expect("significant");
        println!("{what}: {found:?}, {expected_deg} put in");
        let error = (found.rms_deg - expected_deg).abs();
        // Four standard uncertainties by its own account, which is known to a fifth.
        assert!(error < 4.0 * found.uncertainty_deg, "{what}: {found:?}");
        assert!(found.uncertainty_deg < 0.1 * expected_deg, "{what}: {found:?}");
    }

    /// The published relation of phase noise and error vector: symbols whose error after a
    /// least-squares gain is that of the table have the table's phase noise (IEEE Std 1139).
    #[test]
    fn relation_to_the_error_vector_is_the_published_one() {
        let rows = table(include_str!("../../tests/reference/phy_rf/phase_noise.csv"));
        assert_eq!(rows.len(), 6);
        for row in rows {
            // Quantiles of a normal distribution through the table's EVM, in shuffled order.
            let sigma = (-(1.0 - row[2] * row[2]).ln()).sqrt();
            let phases: Vec<f64> = gaussian(64 * BLOCK, 1.0, 3);
            let scale = phases.iter().map(|p| p * p).sum::<f64>() / phases.len() as f64;
            let phases: Vec<f64> = phases.iter().map(|p| p * sigma / scale.sqrt()).collect();
            let found = measure(Constellation::Qpsk, 0.0, &phases, true).expect("significant");
            // What is left is the fourth moment of 28672 values: 1.2 % of a correction of 3 %.
            assert!((found.rms_deg / row[0] - 1.0).abs() < 2e-3, "{row:?}: {found:?}");
        }
    }

    /// White phase noise below thermal noise: 3 degrees are -25.6 dB.
    #[test]
    fn phase_noise_is_told_from_thermal_noise() {
        for (constellation, noise) in [
            (Constellation::Qpsk, 0.01),
            (Constellation::Qam16, 0.01),
            (Constellation::Qam64, 0.003),
            (Constellation::Bpsk, 0.03),
        ] {
            let phases = gaussian(200 * BLOCK, 3.0, 4);
            let found = measure(constellation, noise, &phases, true);
            check(found, 3.0, constellation.name());
            let untracked = measure(constellation, noise, &phases, false);
            check(untracked, 3.0, "without tracking");
        }
    }

    /// A walk with its line taken off, of known rms in the simulation itself: whether tracking took
    /// most of it off or not, the result is the same. A carrier offset changes nothing.
    #[test]
    fn a_tracked_walk_is_added_again() {
        let mut noise = Noise::new(5);
        let mut phase = 0.4;
        let walk: Vec<f64> = (0..100 * BLOCK)
            .map(|_| {
                phase += 3e-4 * f64::from(noise.complex(2.0).re);
                phase
            })
            .collect();
        let points: Vec<(f64, f64)> = walk
            .iter()
            .enumerate()
            .map(|(n, p)| ((n / BLOCK * 512 + n % BLOCK) as f64, *p))
            .collect();
        let line = crate::phy::tracking::Line::through(&points).expect("many");
        let left = |(x, y): &(f64, f64)| (y - line.offset - line.slope * x).powi(2);
        let rms = (points.iter().map(left).sum::<f64>() / points.len() as f64).sqrt().to_degrees();
        for carrier in [0.0, 1e-4] {
            let phases: Vec<f64> = points.iter().map(|(x, y)| y + carrier * x).collect();
            // The noise scatters the variance by 1e-4/2 sqrt(4/44800), 0.2 % of it.
            let found = measure(Constellation::Qam16, 1e-4, &phases, true).expect("significant");
            assert!((found.rms_deg / rms - 1.0).abs() < 0.01, "{carrier}: {found:?} {rms}");
        }
    }

    /// Frames of 20, 60 and 20 blocks, each with a phase and a carrier offset of its own: the variance
    /// of all is the mean over their symbols. A frame of two blocks tells nothing and changes nothing.
    #[test]
    fn frames_are_combined_by_their_symbols() {
        let frames = [(20, 1.0), (60, 3.0), (20, 6.0), (2, 50.0)];
        let meters: Vec<PhaseNoiseMeter> = (0_u32..)
            .zip(frames)
            .map(|(seed, (blocks, rms_deg))| {
                let offset = |n: usize| f64::from(seed) + 1e-4 * f64::from(seed) * n as f64;
                let white = gaussian(blocks * BLOCK, rms_deg, u64::from(seed) + 11);
                let phases: Vec<f64> =
                    white.iter().enumerate().map(|(n, phase)| phase + offset(n)).collect();
                meter_of(Constellation::Qpsk, 1e-3, &phases, true)
            })
            .collect();
        let expected = ((20.0 * 1.0 + 60.0 * 9.0 + 20.0 * 36.0) / 100.0_f64).sqrt();
        check(PhaseNoiseMeter::of_all(&meters), expected, "three frames");
        assert_eq!(PhaseNoiseMeter::of_all(&meters[3..]), None);
        assert_eq!(PhaseNoiseMeter::of_all(&[]), None);
    }

    #[test]
    fn noise_alone_has_no_phase_noise() {
        let mut reported = 0;
        for (n, constellation) in Constellation::ALL.into_iter().enumerate() {
            let phases = vec![0.1 * n as f64; 50 * BLOCK];
            reported += usize::from(measure(constellation, 0.02, &phases, true).is_some());
        }
        assert_eq!(reported, 0);
    }

    #[test]
    fn strange_input_gives_nothing() {
        assert_eq!(PhaseNoiseMeter::new().result(), None);
        let mut meter = PhaseNoiseMeter::new();
        let nan = [Complex32::new(f32::NAN, 0.0); 20];
        let zero = [Complex32::default(); 20];
        for (symbols, reference) in [(&nan, &zero), (&zero, &nan), (&zero, &zero)] {
            meter.add(f64::NAN, symbols, reference, |_| f64::INFINITY);
            meter.add(0.0, symbols, reference, |_| 0.0);
        }
        assert_eq!(meter.result(), None);
    }
}
