//! The chips: what each does to the signal, and what both are to the supply.

use serde::{Deserialize, Serialize};

use super::{ArrayModel, Wrong};

/// The transmitter chip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TransmitterModel {
    /// Its array.
    pub array: ArrayModel,
    /// Power of one element at gain code 31 for a source envelope of 1 V, dBm (invented; linear).
    pub element_output_dbm: f64,
    /// Error of its reference, parts per million (invented).
    pub reference_ppm: f64,
}

impl Default for TransmitterModel {
    fn default() -> Self {
        Self { array: ArrayModel::default(), element_output_dbm: 18.4, reference_ppm: 4.1 }
    }
}

/// The receiver chip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ReceiverModel {
    /// Its array.
    pub array: ArrayModel,
    /// Noise figure of each element, dB, over 290 K (invented).
    pub noise_figure_db: f64,
    /// Gain from the combiner to the baseband lines at gain code 31, dB (invented).
    pub gain_db: f64,
    /// Error of its reference, parts per million (invented).
    pub reference_ppm: f64,
    /// Baseband filter: flat up to here, Hz (invented; half a DMG channel is 1.08 GHz).
    pub pass_hz: f64,
    /// Baseband filter: 70 dB down from here on, Hz (invented).
    pub stop_hz: f64,
}

impl Default for ReceiverModel {
    fn default() -> Self {
        Self {
            array: ArrayModel::default(),
            noise_figure_db: 8.0,
            gain_db: 55.0,
            reference_ppm: -2.8,
            pass_hz: 1.2e9,
            stop_hz: 2.0e9,
        }
    }
}

/// What both chips have in common (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
        }
    }
}

impl TransmitterModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        self.array.check("tx.array", wrong);
        wrong.unless_within("tx.element_output_dbm", self.element_output_dbm, (-200.0, 100.0));
        wrong.unless_within("tx.reference_ppm", self.reference_ppm, (-1000.0, 1000.0));
    }
}

impl ReceiverModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        self.array.check("rx.array", wrong);
        wrong.unless_within("rx.noise_figure_db", self.noise_figure_db, (0.0, 100.0));
        wrong.unless_within("rx.gain_db", self.gain_db, (-100.0, 200.0));
        wrong.unless_within("rx.reference_ppm", self.reference_ppm, (-1000.0, 1000.0));
        wrong.unless_within("rx.pass_hz", self.pass_hz, (50e6, 20e9));
        wrong.unless_within("rx.stop_hz", self.stop_hz, (100e6, 40e9));
        // A steeper edge would need a filter of many thousand taps.
        if self.stop_hz < self.pass_hz + 50e6 {
            wrong.say("rx.stop_hz must be at least 50 MHz above rx.pass_hz".to_owned());
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
    }
}
