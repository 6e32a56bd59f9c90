//! From the state of the instruments to one acquisition: what each part of the signal chain is set
//! to now, with the errors that the model gives it.
//!
//! Knows nothing of commands. What is drawn once - errors of gain steps, phase of the leaking
//! carrier - comes from the seed alone.

use std::cell::RefCell;
use std::sync::Arc;

use num_complex::Complex64;

use crate::instruments::dut::GAIN_MOST;
use crate::model::{Model, PhaseNoiseModel, SaturationModel, SourceModel};
use crate::physics::capture::{Ray, Scene, Signal, Start, Waveform};
use crate::physics::converters::{Digitiser, volts_per_code};
use crate::physics::correlation::{Correlations, whole_band};
use crate::physics::filter::{Band, Bank, LowPass};
use crate::physics::gaussian::{Purpose, Stream};
use crate::physics::link::amplitude_of_db;
use crate::physics::multipath::mean_square;
use crate::physics::nonlinear::{AmPm, Amplifier, Imbalance, Rapp, Saturation};
use crate::physics::oscillator::{PhaseNoise, cis};
use crate::physics::receive::Receiver;
use crate::physics::transmit::{Passes, Played, Transmission};
use crate::truth::{Impairment, ImpairmentKind};
use crate::world::World;

/// Codes of a chip's common gain.
const GAINS: usize = GAIN_MOST as usize + 1;

/// What was drawn when the bench was built, and what is kept because it takes long to compute.
#[derive(Debug)]
pub struct Chain {
    tx_step_errors_db: [f64; GAINS],
    rx_step_errors_db: [f64; GAINS],
    leakage_turn: Complex64,
    filters: RefCell<Bank>,
    passes: RefCell<Passes>,
    correlations: RefCell<Correlations>,
}

impl Chain {
    /// Of this bench.
    pub fn new(model: &Model) -> Self {
        let errors = |purpose, rms_db: f64| {
            let mut random = Stream::new(model.seed, purpose, 0);
            std::array::from_fn(|_| rms_db * random.normal())
        };
        let turn = Stream::new(model.seed, Purpose::TxSteps, 1).uniform();
        Self {
            tx_step_errors_db: errors(Purpose::TxSteps, model.tx.gain_step_error_rms_db),
            rx_step_errors_db: errors(Purpose::RxSteps, model.rx.gain_step_error_rms_db),
            leakage_turn: cis(std::f64::consts::TAU * turn),
            filters: RefCell::default(),
            passes: RefCell::default(),
            correlations: RefCell::default(),
        }
    }
}

/// Linear distortion that counts as none: the chain's own error is of this size.
const DISTORTION_LEAST: f64 = 3e-6;

/// 1 dB a code below the most.
fn back_off_db(gain: u16) -> f64 {
    f64::from(GAIN_MOST - gain.min(GAIN_MOST))
}

fn phase_noise(model: &PhaseNoiseModel) -> PhaseNoise {
    let floor = model.floor_dbc_per_hz.map_or(0.0, |db| libm::exp10(db / 10.0));
    let band_hz = (model.band_hz[0], model.band_hz[1]);
    PhaseNoise::integrated(model.rms_deg.to_radians(), model.loop_hz, band_hz, floor)
}

fn saturation(model: &SaturationModel) -> Saturation {
    match model.smoothness {
        None => Saturation::Hard(model.volts),
        Some(smoothness) => Saturation::Soft(Rapp { smoothness, saturation: model.volts }),
    }
}

impl World {
    /// How far transmitter and receiver are above the nominal temperature, K.
    fn above_nominal_k(&self) -> (f64, f64) {
        let supply_v = self.supply.terminal_v(self.now);
        let chips = &self.model.chips;
        let above = |c: f64| c - chips.nominal_c;
        (
            above(self.dut.tx.temperature_c(supply_v, chips)),
            above(self.dut.rx.temperature_c(supply_v, chips)),
        )
    }

    /// Gain of the transmitter relative to code 31 at nominal temperature, dB.
    pub fn tx_gain_db(&self) -> f64 {
        let code = self.dut.tx.gain.min(GAIN_MOST);
        self.model.tx.gain_db_per_k * self.above_nominal_k().0 - back_off_db(code)
            + self.chain.tx_step_errors_db[usize::from(code)]
    }

    /// Gain of the receiver from the combiner to the baseband lines, dB.
    pub fn rx_gain_db(&self) -> f64 {
        let code = self.dut.rx.gain.min(GAIN_MOST);
        self.model.rx.gain_db + self.model.rx.gain_db_per_k * self.above_nominal_k().1
            - back_off_db(code)
            + self.chain.rx_step_errors_db[usize::from(code)]
    }

    /// Noise figure of the receive elements at the gain in force, dB.
    pub fn noise_figure_db(&self) -> f64 {
        let rx = &self.model.rx;
        rx.noise_figure_db + rx.noise_figure_db_per_step * back_off_db(self.dut.rx.gain)
    }

    /// Errors of the transmitter's and the receiver's reference, ppm.
    pub fn references_ppm(&self) -> (f64, f64) {
        let (tx_k, rx_k) = self.above_nominal_k();
        let (tx, rx) = (&self.model.tx, &self.model.rx);
        (
            tx.reference_ppm + tx.reference_ppm_per_k * tx_k,
            rx.reference_ppm + rx.reference_ppm_per_k * rx_k,
        )
    }

    /// Rate at which the source really plays, Hz.
    fn source_rate_hz(&self) -> f64 {
        self.source.clock_hz * (1.0 + 1e-6 * self.model.source.clock_ppm)
    }

    /// What source and transmitter do to a waveform now.
    fn transmission(&self) -> Transmission {
        let SourceModel { bits, gain_error_db, offset_of_amplitude, skew_s, .. } =
            self.model.source;
        let tx = &self.model.tx;
        let leakage_v = tx.carrier_leakage_dbv.map_or(0.0, amplitude_of_db);
        Transmission {
            bits,
            gain: gain_error_db.map(amplitude_of_db),
            offset: offset_of_amplitude,
            skew_samples: skew_s * self.source_rate_hz(),
            imbalance: Imbalance::new(tx.iq_imbalance.gain_db, tx.iq_imbalance.phase_deg),
            leakage: self.chain.leakage_turn * (leakage_v / self.source.amplitude_v),
            amplifier: self.amplifier(),
        }
    }

    /// Compression of the elements, in units of the source's full scale.
    fn amplifier(&self) -> Option<Amplifier> {
        let model = self.model.tx.compression.as_ref()?;
        let weights = self.tx_side.weights(&self.dut.tx.codes());
        let on: Vec<f64> =
            weights.iter().map(Complex64::norm_sqr).filter(|square| *square > 0.0).collect();
        let weight = (on.iter().sum::<f64>() / (on.len().max(1) as f64)).sqrt();
        let output_dbm = self.element_output_dbm();
        let saturation_v = amplitude_of_db(model.saturation_dbm - output_dbm);
        let saturation = saturation_v / (self.source.amplitude_v * weight.max(1e-6));
        let am_pm =
            model.am_pm.map(|m| AmPm { alpha_deg: m.alpha_deg, beta: m.beta, q1: m.q1, q2: m.q2 });
        Some(Amplifier { rapp: Rapp { smoothness: model.smoothness, saturation }, am_pm })
    }

    /// What leaves the transmitter's elements: the selected trace, or the leaking carrier alone.
    pub fn played(&self) -> Option<Arc<Played>> {
        let silence = || {
            let leaks = self.model.tx.carrier_leakage_dbv.is_some();
            leaks.then(|| Arc::new(Waveform::from_codes(vec![[0, 0]])))
        };
        let waveform = self.source.playing().or_else(silence)?;
        Some(self.chain.passes.borrow_mut().played(&waveform, &self.transmission()))
    }

    /// Noise of the source's converters, V^2/Hz of complex envelope at its output: white over the
    /// rate at which it plays.
    pub fn source_noise_v2_per_hz(&self) -> f64 {
        let noise_v = self.model.source.noise_of_amplitude * self.source.amplitude_v;
        if self.source.output { 2.0 * noise_v * noise_v / self.source_rate_hz() } else { 0.0 }
    }

    /// What receiver and scope let through.
    fn receiver_band(&self) -> Band {
        let rx = &self.model.rx;
        let low_pass = LowPass { pass_hz: rx.pass_hz, stop_hz: rx.stop_hz };
        Band::from(low_pass).with_bandwidth(self.model.scope.bandwidth_hz)
    }

    /// Between two samples of the scope as its clock really runs, s.
    fn interval_s(&self) -> f64 {
        self.scope.interval_s / (1.0 + 1e-6 * self.model.scope.clock_ppm)
    }

    /// What an acquisition triggered now would show.
    pub fn scene(&self, index: u64) -> Scene {
        let (model, scope) = (&self.model, &self.model.scope);
        let (band, interval_s) = (self.receiver_band(), self.interval_s());
        Scene {
            seed: model.seed,
            index,
            signal: self.signal(&band),
            receiver: self.receiver(&band, interval_s),
            start: if self.scope.external { Start::Marker } else { Start::Free },
            trigger_jitter_s: scope.trigger_jitter_s,
            offset_s: self.scope.offset_s,
            points: self.scope.points,
            interval_s,
            digitiser: Digitiser {
                range_v: self.scope.range_v,
                bits: scope.bits,
                noise_v: scope.noise_of_range * self.scope.range_v,
                gain: scope.gain_error_db.map(amplitude_of_db),
                offset_v: scope.offset_of_range.map(|share| share * self.scope.range_v),
                skew_s: scope.skew_s,
                aperture_jitter_s: scope.aperture_jitter_s,
            },
        }
    }

    fn receiver(&self, band: &Band, interval_s: f64) -> Receiver {
        let (tx, rx) = (&self.model.tx, &self.model.rx);
        let listening = self.is_listening();
        Receiver {
            shaper: self.chain.filters.borrow_mut().shaper(band, interval_s),
            noise_v2_per_hz: if listening { self.budget().noise_v2_per_hz } else { 0.0 },
            phase_noise: [tx.phase_noise, rx.phase_noise].map(|m| m.as_ref().map(phase_noise)),
            imbalance: Imbalance::new(rx.iq_imbalance.gain_db, rx.iq_imbalance.phase_deg),
            offset_v: if listening { rx.dc_offset_v } else { [0.0; 2] },
            saturation: rx.output_saturation.as_ref().map(saturation),
        }
    }

    /// A band with what the source's converters add to it.
    fn with_source(&self, band: &Band) -> Band {
        let source = &self.model.source;
        let band = band.with_bandwidth(source.bandwidth_hz);
        if source.sinc_droop { band.with_hold(self.source_rate_hz()) } else { band }
    }

    /// How the playing waveform behind one band resembles itself behind another, `lag_s` later; `None`
    /// when nothing plays.
    fn resemblance(&self, bands: (&Band, &Band), lag_s: f64) -> Option<Complex64> {
        let waveform = self.source.playing().filter(|waveform| waveform.mean_square() > 0.0)?;
        let rate_hz = self.source_rate_hz();
        let mut correlations = self.chain.correlations.borrow_mut();
        Some(correlations.through(bands, &waveform, rate_hz, lag_s * rate_hz))
    }

    /// Everything that limits the signal's band, as the interpolation between samples has it.
    fn signal_band(&self) -> Band {
        self.with_source(&self.receiver_band()).behind_converter(self.source_rate_hz())
    }

    /// Share of the waveform's power that all band limits together leave.
    pub fn band_share(&self) -> f64 {
        let band = self.signal_band();
        self.resemblance((&band, &band), 0.0).map_or(1.0, |own| own.re)
    }

    /// Share of the waveform's power that the source alone leaves.
    pub fn source_share(&self) -> f64 {
        let whole = whole_band(self.source_rate_hz());
        let band = self.with_source(&whole);
        if band == whole {
            return 1.0;
        }
        self.resemblance((&band, &band), 0.0).map_or(1.0, |own| own.re)
    }

    /// What all rays together make of the mean square of the source's waveform, band limits included.
    pub fn power_gain(&self, rays: &[Ray]) -> f64 {
        let band = self.signal_band();
        let white = |lag_s: f64| if lag_s == 0.0 { Complex64::ONE } else { Complex64::ZERO };
        mean_square(rays, |lag_s| {
            self.resemblance((&band, &band), lag_s).unwrap_or_else(|| white(lag_s))
        })
    }

    /// Power over the signal's of what all band limits together do to the waveform's shape, after a
    /// least-squares gain (orthogonality of its error).
    fn linear_distortion(&self) -> Option<f64> {
        let (band, whole) = (self.signal_band(), whole_band(self.source_rate_hz()));
        let crossed = self.resemblance((&band, &whole), 0.0)?.norm_sqr();
        let own = self.resemblance((&band, &band), 0.0)?.re;
        let free = self.resemblance((&whole, &whole), 0.0)?.re;
        Some((own * free / crossed - 1.0).max(0.0))
    }

    /// What arrives from the source now: what it plays, and its converters' noise.
    fn signal(&self, band: &Band) -> Option<Signal> {
        let noise = if self.source.output { self.model.source.noise_of_amplitude } else { 0.0 };
        let silence = || (noise > 0.0).then(Arc::<Played>::default);
        let played = self.played().or_else(silence).filter(|_| self.is_linked())?;
        let rate_hz = self.source_rate_hz();
        let (tx_hz, rx_hz) = self.carriers_hz();
        let amplitude_v = self.source.amplitude_v;
        let at_amplitude = |ray: Ray| Ray { gain: ray.gain * amplitude_v, ..ray };
        let band = self.with_source(band);
        Some(Signal {
            played,
            rate_hz,
            interpolator: self.chain.filters.borrow_mut().interpolator(&band, rate_hz),
            rays: self.rays().into_iter().map(at_amplitude).collect(),
            carrier_offset_hz: tx_hz - rx_hz,
            noise,
        })
    }

    /// What both synthesisers' phases cost: `exp(sigma^2) - 1` after a least-squares gain, for
    /// Gaussian phase of spread sigma. The record's mean phase is no error.
    fn phase_errors(&self) -> Vec<Impairment> {
        use ImpairmentKind as Kind;
        let (tx, rx) = (&self.model.tx.phase_noise, &self.model.rx.phase_noise);
        let record_s = self.scope.points as f64 * self.interval_s();
        let mut found = Vec::new();
        for (model, wander, floor) in [
            (tx, Kind::TxPhaseNoise, Kind::TxPhaseFloor),
            (rx, Kind::RxPhaseNoise, Kind::RxPhaseFloor),
        ] {
            let Some(noise) = model.as_ref().map(phase_noise) else { continue };
            let error_ratio = Some(libm::expm1(noise.wander_within_rad2(record_s)));
            found.push(Impairment::within(wander, error_ratio));
            if noise.floor_rad2_per_hz > 0.0 {
                let mut filters = self.chain.filters.borrow_mut();
                let shaper = filters.shaper(&self.receiver_band(), self.interval_s());
                let band_hz = shaper.noise_bandwidth_hz();
                let error_ratio = Some(libm::expm1(noise.floor_rad2(band_hz)));
                found.push(Impairment { kind: floor, error_ratio, spread_hz: Some(band_hz) });
            }
        }
        found
    }

    /// What the ends of the scope's range take off the signal, noise aside.
    fn clipping(&self) -> Option<Impairment> {
        let played = self.played().filter(|_| self.is_linked())?;
        let (rx, scope, range_v) = (&self.model.rx, &self.model.scope, self.scope.range_v);
        // The upper end is the last code's own upper edge.
        let end_v = range_v - 0.5 * volts_per_code(range_v, scope.bits);
        let most_v = |channel: usize| {
            let own_v = end_v - (scope.offset_of_range[channel] * range_v).abs();
            own_v / amplitude_of_db(scope.gain_error_db[channel]) - rx.dc_offset_v[channel].abs()
        };
        let most_v = most_v(0).min(most_v(1)).max(0.0);
        let rays = self.rays();
        let amplitude_v = self.source.amplitude_v;
        let most_gain: f64 = rays.iter().map(|ray| ray.gain.norm_sqr().sqrt()).sum();
        if played.peak() * most_gain * amplitude_v <= most_v {
            return None;
        }
        // Several ways change the waveform's shape, and with it how often it is that large.
        let gain = self.power_gain(&rays).sqrt() * amplitude_v;
        let error_ratio = (rays.len() == 1).then(|| played.clipping(most_v / gain));
        // A narrow band may have lowered the only way's peak.
        let shows = error_ratio.is_none_or(|ratio| ratio > 0.0);
        shows.then_some(Impairment::within(ImpairmentKind::ScopeClipping, error_ratio))
    }

    /// Every error that is switched on and would show now, with its power over the signal's where a
    /// closed form gives it. `signal_v2` is the signal's mean square at the scope.
    pub fn impairments(&self, signal_v2: f64) -> Vec<Impairment> {
        use ImpairmentKind as Kind;
        let (rx, scope) = (&self.model.rx, &self.model.scope);
        let mut found = Vec::new();
        let played = self.played();
        if let Some(played) = played.as_ref().filter(|_| self.transmission().has_errors()) {
            found.push(Impairment::within(Kind::Transmission, Some(played.error_ratio)));
        }
        found.extend(self.phase_errors());
        if let Some(ratio) = self.linear_distortion().filter(|ratio| *ratio > DISTORTION_LEAST) {
            found.push(Impairment::within(Kind::LinearDistortion, Some(ratio)));
        }
        let mut say = |kind, error_ratio| found.push(Impairment::within(kind, error_ratio));
        if let Some(own) = Imbalance::new(rx.iq_imbalance.gain_db, rx.iq_imbalance.phase_deg) {
            say(Kind::RxImbalance, Some(own.image_ratio()));
        }
        if rx.dc_offset_v != [0.0; 2] {
            let square: f64 = rx.dc_offset_v.iter().map(|v| v * v).sum();
            say(Kind::RxOffset, (signal_v2 > 0.0).then(|| square / signal_v2));
        }
        if rx.output_saturation.is_some() {
            say(Kind::RxSaturation, None);
        }
        let [first_db, second_db] = scope.gain_error_db;
        if let Some(unequal) = Imbalance::new(second_db - first_db, 0.0) {
            say(Kind::ScopeGain, Some(unequal.image_ratio()));
        }
        if scope.offset_of_range != [0.0; 2] {
            let square: f64 =
                scope.offset_of_range.iter().map(|s| (s * self.scope.range_v).powi(2)).sum();
            say(Kind::ScopeOffset, (signal_v2 > 0.0).then(|| square / signal_v2));
        }
        found.extend(self.clipping());
        let mut say = |kind, error_ratio| found.push(Impairment::within(kind, error_ratio));
        // Angle that the signal turns in a time, rms.
        let turn = |time_s: f64| {
            let cycles = played.as_ref().map(|p| p.rms_frequency() * self.source_rate_hz())?;
            Some(std::f64::consts::TAU * cycles * time_s)
        };
        if scope.skew_s != 0.0 {
            say(Kind::ScopeSkew, turn(0.5 * scope.skew_s).map(|angle| angle * angle));
        }
        if scope.aperture_jitter_s > 0.0 {
            let error_ratio = turn(scope.aperture_jitter_s).map(|angle| angle * angle);
            // Each sample errs for itself.
            let spread_hz = Some(1.0 / self.interval_s());
            found.push(Impairment { kind: Kind::ApertureJitter, error_ratio, spread_hz });
        }
        found
    }
}
