//! The chips: what each does to the signal, and what both are to the supply.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{ArrayModel, Wrong};

/// Unequal branches of a mixer: 0 and 0 are a perfect one.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ImbalanceModel {
    /// Gain of the Q branch over the I branch, dB.
    pub gain_db: f64,
    /// Error of the right angle between the branches, deg.
    pub phase_deg: f64,
}

/// Compression of a transmit element's amplifier: Rapp's form, with a turn of phase if wanted. All
/// elements that are on are driven alike in the model: by the root mean square of their weights,
/// which is exact when their attenuation is the same.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CompressionModel {
    /// Smoothness p of Rapp's form; 2 is soft, 10 nearly a hard limit.
    pub smoothness: f64,
    /// Power that one element never exceeds, dBm.
    pub saturation_dbm: f64,
    /// Turn of phase with amplitude; left out: none.
    #[serde(default)]
    pub am_pm: Option<AmPmModel>,
}

/// Turn of phase with amplitude: `deg = alpha r^q1 / (1 + (r/beta)^q2)`, r = amplitude over
/// saturation (form of IEEE 802.11-09/0296r16, from memory and not verified).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AmPmModel {
    /// Scale, deg.
    pub alpha_deg: f64,
    /// Amplitude over saturation at which the growth slows.
    pub beta: f64,
    /// Exponent of the growth.
    pub q1: f64,
    /// Exponent that slows it.
    pub q2: f64,
}

/// Phase noise of one synthesiser: a part that falls with 20 dB per decade above the loop's
/// bandwidth, and a floor, together of a given value in a given band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PhaseNoiseModel {
    /// Phase integrated over `band_hz`, both sidebands, deg rms.
    pub rms_deg: f64,
    /// Bandwidth of the loop: the corner of the shape, Hz.
    pub loop_hz: f64,
    /// Lower and upper end of the integration, Hz from the carrier.
    pub band_hz: [f64; 2],
    /// Floor, dBc/Hz; left out: none. It counts within `rms_deg`. The scope sees as much of it as
    /// the receiver's filter lets through.
    #[serde(default)]
    pub floor_dbc_per_hz: Option<f64>,
}

/// Where each line of the receiver's output ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SaturationModel {
    /// Voltage that a line never exceeds either way, V.
    pub volts: f64,
    /// Smoothness p of Rapp's form; left out: a hard limit.
    #[serde(default)]
    pub smoothness: Option<f64>,
}

/// The transmitter chip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct TransmitterModel {
    /// Its array.
    pub array: ArrayModel,
    /// Power of one element at gain code 31 for a source envelope of 1 V, dBm, before compression
    /// (invented).
    pub element_output_dbm: f64,
    /// Error of its reference, parts per million (invented).
    pub reference_ppm: f64,
    /// Change of the reference with temperature, ppm/K from `chips.nominal_c`.
    pub reference_ppm_per_k: f64,
    /// Change of the gain with temperature, dB/K from `chips.nominal_c`.
    pub gain_db_per_k: f64,
    /// Spread of each gain code's error, dB rms; drawn once from the seed.
    pub gain_step_error_rms_db: f64,
    /// Unequal branches of the modulator.
    pub iq_imbalance: ImbalanceModel,
    /// Carrier that leaks through the modulator, as a source envelope, dB relative to 1 V; its phase
    /// is drawn once from the seed. Left out: none.
    pub carrier_leakage_dbv: Option<f64>,
    /// Compression of the elements' amplifiers; left out: linear.
    pub compression: Option<CompressionModel>,
    /// Phase noise of its synthesiser; left out: none.
    pub phase_noise: Option<PhaseNoiseModel>,
}

impl Default for TransmitterModel {
    fn default() -> Self {
        Self {
            array: ArrayModel::default(),
            element_output_dbm: 18.4,
            reference_ppm: 4.1,
            reference_ppm_per_k: 0.0,
            gain_db_per_k: 0.0,
            gain_step_error_rms_db: 0.0,
            iq_imbalance: ImbalanceModel::default(),
            carrier_leakage_dbv: None,
            compression: None,
            phase_noise: None,
        }
    }
}

/// The receiver chip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ReceiverModel {
    /// Its array.
    pub array: ArrayModel,
    /// Noise figure of each element at gain code 31, dB, over 290 K (invented).
    pub noise_figure_db: f64,
    /// Rise of the noise figure for each code below 31, dB.
    pub noise_figure_db_per_step: f64,
    /// Gain from the combiner to the baseband lines at gain code 31, dB (invented).
    pub gain_db: f64,
    /// Error of its reference, parts per million (invented).
    pub reference_ppm: f64,
    /// Baseband filter: flat up to here, Hz (invented; half a DMG channel is 1.08 GHz).
    pub pass_hz: f64,
    /// Baseband filter: 70 dB down from here on, Hz (invented).
    pub stop_hz: f64,
    /// Change of the reference with temperature, ppm/K from `chips.nominal_c`.
    pub reference_ppm_per_k: f64,
    /// Change of the gain with temperature, dB/K from `chips.nominal_c`; noise and signal alike.
    pub gain_db_per_k: f64,
    /// Spread of each gain code's error, dB rms; drawn once from the seed.
    pub gain_step_error_rms_db: f64,
    /// Unequal branches of the mixer.
    pub iq_imbalance: ImbalanceModel,
    /// Offset of the I and the Q line, V.
    pub dc_offset_v: [f64; 2],
    /// Where the output lines end; left out: nowhere.
    pub output_saturation: Option<SaturationModel>,
    /// Phase noise of its synthesiser; left out: none.
    pub phase_noise: Option<PhaseNoiseModel>,
}

impl Default for ReceiverModel {
    fn default() -> Self {
        Self {
            array: ArrayModel::default(),
            noise_figure_db: 8.0,
            noise_figure_db_per_step: 0.0,
            gain_db: 55.0,
            reference_ppm: -2.8,
            pass_hz: 1.2e9,
            stop_hz: 2.0e9,
            reference_ppm_per_k: 0.0,
            gain_db_per_k: 0.0,
            gain_step_error_rms_db: 0.0,
            iq_imbalance: ImbalanceModel::default(),
            dc_offset_v: [0.0; 2],
            output_saturation: None,
            phase_noise: None,
        }
    }
}

/// What both chips have in common (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ChipModel {
    /// Below this the chips lose power and forget their registers, V.
    pub supply_least_v: f64,
    /// From enabling, or a new channel, to lock, s.
    pub lock_s: f64,
    /// Drawn by both chips together when disabled, A at 1.2 V.
    pub standby_a: f64,
    /// Drawn by an enabled chip without its elements, A at 1.2 V.
    pub enabled_a: f64,
    /// Drawn by each element that is on, at gain code 31, A at 1.2 V; it falls to half at code 0.
    pub element_a: f64,
    /// Around the bench, degC.
    pub ambient_c: f64,
    /// Rise of each chip over ambient per watt it takes, degC/W.
    pub heating_c_per_w: f64,
    /// Time in which a chip's temperature comes within 1/e of where it goes, s; at 0 it is there at
    /// once.
    pub warming_s: f64,
    /// Temperature at which gains, references and currents are as the model says, degC.
    pub nominal_c: f64,
    /// Change of an enabled chip's current with temperature, 1/K of it from `nominal_c`.
    pub current_per_k: f64,
    /// A chip hotter than this loses lock, degC; left out: none does.
    pub lock_most_c: Option<f64>,
}

impl Default for ChipModel {
    fn default() -> Self {
        Self {
            supply_least_v: 0.9,
            lock_s: 0.5e-3,
            standby_a: 0.02,
            enabled_a: 0.11,
            element_a: 0.022,
            ambient_c: 24.0,
            heating_c_per_w: 38.0,
            warming_s: 0.0,
            nominal_c: 25.0,
            current_per_k: 0.0,
            lock_most_c: None,
        }
    }
}

impl ImbalanceModel {
    fn check(&self, key: &str, wrong: &mut Wrong) {
        wrong.unless_within(&format!("{key}.gain_db"), self.gain_db, (-20.0, 20.0));
        wrong.unless_within(&format!("{key}.phase_deg"), self.phase_deg, (-80.0, 80.0));
    }
}

impl CompressionModel {
    fn check(&self, key: &str, wrong: &mut Wrong) {
        wrong.unless_within(&format!("{key}.smoothness"), self.smoothness, (0.1, 100.0));
        wrong.unless_within(&format!("{key}.saturation_dbm"), self.saturation_dbm, (-200.0, 100.0));
        if let Some(am_pm) = &self.am_pm {
            let key = format!("{key}.am_pm");
            wrong.unless_within(&format!("{key}.alpha_deg"), am_pm.alpha_deg, (-1e6, 1e6));
            wrong.unless_within(&format!("{key}.beta"), am_pm.beta, (1e-3, 1e3));
            wrong.unless_within(&format!("{key}.q1"), am_pm.q1, (0.1, 20.0));
            wrong.unless_within(&format!("{key}.q2"), am_pm.q2, (0.1, 20.0));
        }
    }
}

impl PhaseNoiseModel {
    fn check(&self, key: &str, wrong: &mut Wrong) {
        let [low_hz, high_hz] = self.band_hz;
        wrong.unless_within(&format!("{key}.rms_deg"), self.rms_deg, (0.0, 180.0));
        wrong.unless_within(&format!("{key}.loop_hz"), self.loop_hz, (1.0, 10e9));
        wrong.unless_within(&format!("{key}.band_hz[0]"), low_hz, (0.0, 100e9));
        wrong.unless_within(&format!("{key}.band_hz[1]"), high_hz, (1.0, 100e9));
        if high_hz <= low_hz {
            wrong.say(format!("{key}.band_hz must begin below its end"));
        }
        let Some(floor) = self.floor_dbc_per_hz else { return };
        wrong.unless_within(&format!("{key}.floor_dbc_per_hz"), floor, (-300.0, -40.0));
        let alone = 2.0 * 10f64.powf(floor / 10.0) * (high_hz - low_hz);
        if alone > self.rms_deg.to_radians().powi(2) {
            let degrees = alone.sqrt().to_degrees();
            wrong.say(format!(
                "{key}.floor_dbc_per_hz alone makes {degrees:.3} deg, more than rms_deg"
            ));
        }
    }
}

impl TransmitterModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        self.array.check("tx.array", wrong);
        wrong.unless_within("tx.element_output_dbm", self.element_output_dbm, (-200.0, 100.0));
        wrong.unless_within("tx.reference_ppm", self.reference_ppm, (-1000.0, 1000.0));
        wrong.unless_within("tx.reference_ppm_per_k", self.reference_ppm_per_k, (-100.0, 100.0));
        wrong.unless_within("tx.gain_db_per_k", self.gain_db_per_k, (-1.0, 1.0));
        wrong.unless_within("tx.gain_step_error_rms_db", self.gain_step_error_rms_db, (0.0, 20.0));
        self.iq_imbalance.check("tx.iq_imbalance", wrong);
        if let Some(level) = self.carrier_leakage_dbv {
            wrong.unless_within("tx.carrier_leakage_dbv", level, (-300.0, 20.0));
        }
        if let Some(compression) = &self.compression {
            compression.check("tx.compression", wrong);
        }
        if let Some(noise) = &self.phase_noise {
            noise.check("tx.phase_noise", wrong);
        }
    }
}

impl ReceiverModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        self.array.check("rx.array", wrong);
        let numbers = [
            ("noise_figure_db", self.noise_figure_db, (0.0, 100.0)),
            ("noise_figure_db_per_step", self.noise_figure_db_per_step, (0.0, 3.0)),
            ("gain_db", self.gain_db, (-100.0, 200.0)),
            ("reference_ppm", self.reference_ppm, (-1000.0, 1000.0)),
            ("reference_ppm_per_k", self.reference_ppm_per_k, (-100.0, 100.0)),
            ("gain_db_per_k", self.gain_db_per_k, (-1.0, 1.0)),
            ("gain_step_error_rms_db", self.gain_step_error_rms_db, (0.0, 20.0)),
            ("pass_hz", self.pass_hz, (50e6, 20e9)),
            ("stop_hz", self.stop_hz, (100e6, 40e9)),
            ("dc_offset_v[0]", self.dc_offset_v[0], (-10.0, 10.0)),
            ("dc_offset_v[1]", self.dc_offset_v[1], (-10.0, 10.0)),
        ];
        for (name, value, range) in numbers {
            wrong.unless_within(&format!("rx.{name}"), value, range);
        }
        // A steeper edge would need a filter of many thousand taps.
        if self.stop_hz < self.pass_hz + 50e6 {
            wrong.say("rx.stop_hz must be at least 50 MHz above rx.pass_hz".to_owned());
        }
        self.iq_imbalance.check("rx.iq_imbalance", wrong);
        if let Some(SaturationModel { volts, smoothness }) = self.output_saturation {
            wrong.unless_within("rx.output_saturation.volts", volts, (1e-6, 100.0));
            let smoothness = smoothness.unwrap_or(1.0);
            wrong.unless_within("rx.output_saturation.smoothness", smoothness, (0.1, 100.0));
        }
        if let Some(noise) = &self.phase_noise {
            noise.check("rx.phase_noise", wrong);
        }
    }
}

impl ChipModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        wrong.unless_within("chips.supply_least_v", self.supply_least_v, (0.0, 3.0));
        wrong.unless_within("chips.lock_s", self.lock_s, (0.0, 3600.0));
        wrong.unless_within("chips.standby_a", self.standby_a, (1e-6, 10.0));
        wrong.unless_within("chips.enabled_a", self.enabled_a, (0.0, 10.0));
        wrong.unless_within("chips.element_a", self.element_a, (0.0, 10.0));
        wrong.unless_within("chips.ambient_c", self.ambient_c, (-80.0, 150.0));
        wrong.unless_within("chips.heating_c_per_w", self.heating_c_per_w, (0.0, 1000.0));
        wrong.unless_within("chips.warming_s", self.warming_s, (0.0, 1e6));
        wrong.unless_within("chips.nominal_c", self.nominal_c, (-80.0, 150.0));
        wrong.unless_within("chips.current_per_k", self.current_per_k, (-0.01, 0.01));
        if let Some(most) = self.lock_most_c {
            wrong.unless_within("chips.lock_most_c", most, (-80.0, 300.0));
        }
    }
}
