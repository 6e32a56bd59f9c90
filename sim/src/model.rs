//! The model of a bench: every number that the simulation rests on, as one YAML document.
//!
//! Every key may be left out. The defaults are the scenario `packing-arm`: a fixed camera link to a
//! slewing arm on a packaging line. Values of the trade or of a standard say so; all others are
//! invented for the demonstration.

use serde::{Deserialize, Serialize};

/// A model that cannot be simulated.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ModelError {
    /// The text is not a model.
    #[error("the model cannot be read: {0}")]
    Syntax(String),
    /// Values that contradict physics or each other; all of them.
    #[error("the model cannot be simulated: {}", .0.join("; "))]
    Values(Vec<String>),
}

/// The whole bench.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Model {
    /// Decides every random number of the bench.
    pub seed: u64,
    /// Between the arrays.
    pub path: PathModel,
    /// The transmitter.
    pub tx: TransmitterModel,
    /// The receiver.
    pub rx: ReceiverModel,
    /// What both chips have in common.
    pub chips: ChipModel,
    /// The waveform source.
    pub source: SourceModel,
    /// The scope.
    pub scope: ScopeModel,
    /// The supply.
    pub supply: SupplyModel,
    /// The turntable.
    pub turntable: TurntableModel,
}

/// Geometry and losses between the arrays.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PathModel {
    /// Distance between the arrays, m (invented).
    pub distance_m: f64,
    /// Loss beyond free space, dB.
    pub extra_loss_db: f64,
    /// Direction of the receiver as the transmitter's array sees it, deg from its broadside.
    pub tx_bearing_deg: f64,
    /// Table angle at which the receiver's broadside points at the transmitter, deg.
    pub table_zero_deg: f64,
    /// Cables and chips from the source to the scope, s, besides the flight (invented).
    pub cable_delay_s: f64,
}

impl Default for PathModel {
    fn default() -> Self {
        Self {
            distance_m: 4.0,
            extra_loss_db: 0.0,
            tx_bearing_deg: 0.0,
            table_zero_deg: 0.0,
            cable_delay_s: 8e-9,
        }
    }
}

/// One array and its element electronics.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ArrayModel {
    /// Elements of a uniform linear array.
    pub elements: usize,
    /// Their spacing in wavelengths at `design_hz`.
    pub spacing_wavelengths: f64,
    /// Instead of a uniform array: (x along the aperture, z toward broadside) of each element, in
    /// wavelengths at `design_hz`.
    pub positions_wavelengths: Option<Vec<[f64; 2]>>,
    /// Frequency at which the spacing is measured, Hz: DMG channel 3.
    pub design_hz: f64,
    /// Bits of the phase shifters.
    pub phase_bits: u8,
    /// One step of the element attenuators, dB.
    pub attenuation_step_db: f64,
    /// Spread of the elements' gains, dB rms; drawn once from the seed.
    pub gain_error_rms_db: f64,
    /// Spread of the elements' phases, deg rms; drawn once from the seed.
    pub phase_error_rms_deg: f64,
    /// Elements that never radiate.
    pub dead_elements: Vec<usize>,
}

impl Default for ArrayModel {
    fn default() -> Self {
        Self {
            elements: 8,
            spacing_wavelengths: 0.5,
            positions_wavelengths: None,
            design_hz: 62.64e9,
            phase_bits: 5,
            attenuation_step_db: 0.5,
            gain_error_rms_db: 0.0,
            phase_error_rms_deg: 0.0,
            dead_elements: Vec::new(),
        }
    }
}

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
        }
    }
}

/// The waveform source (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SourceModel {
    /// Error of its sample clock, parts per million.
    pub clock_ppm: f64,
    /// Points of waveform memory.
    pub memory_points: usize,
}

impl Default for SourceModel {
    fn default() -> Self {
        Self { clock_ppm: 0.0, memory_points: 16_000_000 }
    }
}

/// The scope (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ScopeModel {
    /// Bits of its converters.
    pub bits: u32,
    /// Error of its sample clock, parts per million.
    pub clock_ppm: f64,
    /// Its own noise, rms, as a share of the range; white over its Nyquist band.
    pub noise_of_range: f64,
    /// Spread of the trigger instant, s rms.
    pub trigger_jitter_s: f64,
    /// From INITiate until it can be triggered, s.
    pub arming_s: f64,
    /// From the end of the record until it can be fetched, s per point.
    pub readout_s_per_point: f64,
}

impl Default for ScopeModel {
    fn default() -> Self {
        Self {
            bits: 10,
            clock_ppm: 0.0,
            noise_of_range: 0.001,
            trigger_jitter_s: 5e-12,
            arming_s: 2e-3,
            readout_s_per_point: 20e-9,
        }
    }
}

/// The supply (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SupplyModel {
    /// How fast its output moves, V/s.
    pub slew_v_per_s: f64,
    /// Noise of a voltage reading, V rms.
    pub voltage_noise_v: f64,
    /// Noise of a current reading, A rms.
    pub current_noise_a: f64,
}

impl Default for SupplyModel {
    fn default() -> Self {
        Self { slew_v_per_s: 60.0, voltage_noise_v: 0.2e-3, current_noise_a: 0.1e-3 }
    }
}

/// The turntable (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TurntableModel {
    /// How far the mechanics go either way, deg.
    pub travel_deg: f64,
    /// Fastest speed, deg/s.
    pub speed_most_deg_per_s: f64,
    /// Speed after power-on and `*RST`, deg/s.
    pub speed_deg_per_s: f64,
    /// From the end of a move until it counts as settled, s.
    pub settle_s: f64,
    /// One step of the encoder, deg.
    pub encoder_step_deg: f64,
}

impl Default for TurntableModel {
    fn default() -> Self {
        Self {
            travel_deg: 180.0,
            speed_most_deg_per_s: 60.0,
            speed_deg_per_s: 20.0,
            settle_s: 0.2,
            encoder_step_deg: 0.001,
        }
    }
}

impl Model {
    /// Reads and checks a model; an unknown key is an error with its place.
    pub fn from_yaml(text: &str) -> Result<Self, ModelError> {
        let model: Self =
            serde_yaml::from_str(text).map_err(|error| ModelError::Syntax(error.to_string()))?;
        model.check()?;
        Ok(model)
    }

    /// Whether the values can be simulated; all that cannot are named.
    pub fn check(&self) -> Result<(), ModelError> {
        let mut wrong = Vec::new();
        for (key, value, least, most) in self.ranges() {
            if !(value >= least && value <= most) {
                wrong.push(format!("{key} is {value}, must be {least} to {most}"));
            }
        }
        // A steeper edge would need a filter of many thousand taps.
        if self.rx.stop_hz < self.rx.pass_hz + 50e6 {
            wrong.push("rx.stop_hz must be at least 50 MHz above rx.pass_hz".to_owned());
        }
        self.tx.array.check("tx.array", &mut wrong);
        self.rx.array.check("rx.array", &mut wrong);
        if wrong.is_empty() { Ok(()) } else { Err(ModelError::Values(wrong)) }
    }

    /// Every number with the range in which the simulation holds.
    fn ranges(&self) -> Vec<(&'static str, f64, f64, f64)> {
        vec![
            ("path.distance_m", self.path.distance_m, 0.01, 1e5),
            ("path.extra_loss_db", self.path.extra_loss_db, -200.0, 400.0),
            ("path.tx_bearing_deg", self.path.tx_bearing_deg, -180.0, 180.0),
            ("path.table_zero_deg", self.path.table_zero_deg, -180.0, 180.0),
            ("path.cable_delay_s", self.path.cable_delay_s, 0.0, 1.0),
            ("tx.element_output_dbm", self.tx.element_output_dbm, -200.0, 100.0),
            ("tx.reference_ppm", self.tx.reference_ppm, -1000.0, 1000.0),
            ("rx.noise_figure_db", self.rx.noise_figure_db, 0.0, 100.0),
            ("rx.gain_db", self.rx.gain_db, -100.0, 200.0),
            ("rx.reference_ppm", self.rx.reference_ppm, -1000.0, 1000.0),
            ("rx.pass_hz", self.rx.pass_hz, 50e6, 20e9),
            ("rx.stop_hz", self.rx.stop_hz, 100e6, 40e9),
            ("chips.supply_least_v", self.chips.supply_least_v, 0.0, 3.0),
            ("chips.lock_s", self.chips.lock_s, 0.0, 3600.0),
            ("chips.standby_a", self.chips.standby_a, 1e-6, 10.0),
            ("chips.enabled_a", self.chips.enabled_a, 0.0, 10.0),
            ("chips.element_a", self.chips.element_a, 0.0, 10.0),
            ("chips.ambient_c", self.chips.ambient_c, -80.0, 150.0),
            ("chips.heating_c_per_w", self.chips.heating_c_per_w, 0.0, 1000.0),
            ("source.clock_ppm", self.source.clock_ppm, -1000.0, 1000.0),
            ("source.memory_points", self.source.memory_points as f64, 1.0, 2e8),
            ("scope.bits", f64::from(self.scope.bits), 2.0, 16.0),
            ("scope.clock_ppm", self.scope.clock_ppm, -1000.0, 1000.0),
            ("scope.noise_of_range", self.scope.noise_of_range, 0.0, 1.0),
            ("scope.trigger_jitter_s", self.scope.trigger_jitter_s, 0.0, 1e-3),
            ("scope.arming_s", self.scope.arming_s, 0.0, 3600.0),
            ("scope.readout_s_per_point", self.scope.readout_s_per_point, 0.0, 1e-3),
            ("supply.slew_v_per_s", self.supply.slew_v_per_s, 1e-3, 1e9),
            ("supply.voltage_noise_v", self.supply.voltage_noise_v, 0.0, 1.0),
            ("supply.current_noise_a", self.supply.current_noise_a, 0.0, 1.0),
            ("turntable.travel_deg", self.turntable.travel_deg, 0.1, 36_000.0),
            ("turntable.speed_most_deg_per_s", self.turntable.speed_most_deg_per_s, 0.01, 1e6),
            ("turntable.speed_deg_per_s", self.turntable.speed_deg_per_s, 0.01, 1e6),
            ("turntable.settle_s", self.turntable.settle_s, 0.0, 3600.0),
            ("turntable.encoder_step_deg", self.turntable.encoder_step_deg, 1e-9, 10.0),
        ]
    }
}

/// Most elements the register layout has room for.
const ELEMENTS_MOST: usize = 256;

impl ArrayModel {
    /// Number of elements, uniform or placed one by one.
    pub fn count(&self) -> usize {
        self.positions_wavelengths.as_ref().map_or(self.elements, Vec::len)
    }

    fn check(&self, key: &str, wrong: &mut Vec<String>) {
        if !(1..=ELEMENTS_MOST).contains(&self.count()) {
            wrong
                .push(format!("{key} has {} elements, must be 1 to {ELEMENTS_MOST}", self.count()));
        }
        if !(1..=5).contains(&self.phase_bits) {
            wrong.push(format!("{key}.phase_bits is {}, must be 1 to 5", self.phase_bits));
        }
        let numbers = [
            ("spacing_wavelengths", self.spacing_wavelengths, 0.0, 1e3),
            ("design_hz", self.design_hz, 1e6, 1e12),
            ("attenuation_step_db", self.attenuation_step_db, 0.0, 20.0),
            ("gain_error_rms_db", self.gain_error_rms_db, 0.0, 20.0),
            ("phase_error_rms_deg", self.phase_error_rms_deg, 0.0, 360.0),
        ];
        for (name, value, least, most) in numbers {
            if !(value >= least && value <= most) {
                wrong.push(format!("{key}.{name} is {value}, must be {least} to {most}"));
            }
        }
        let positions = self.positions_wavelengths.iter().flatten().flatten();
        if positions.into_iter().any(|p| !p.is_finite()) {
            wrong.push(format!("{key}.positions_wavelengths must be finite"));
        }
        if let Some(dead) = self.dead_elements.iter().find(|n| **n >= self.count()) {
            wrong.push(format!("{key}.dead_elements names element {dead}, which does not exist"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_document_is_the_scenario() {
        assert_eq!(Model::from_yaml("{}"), Ok(Model::default()));
        assert_eq!(Model::default().check(), Ok(()));
    }

    #[test]
    fn a_model_survives_its_own_yaml() {
        let text = serde_yaml::to_string(&Model::default()).expect("a model is plain data");
        assert_eq!(Model::from_yaml(&text), Ok(Model::default()));
    }

    #[test]
    fn unknown_keys_are_refused() {
        let fault = Model::from_yaml("rx: {noise_figure: 3}").expect_err("not a key");
        assert!(fault.to_string().contains("noise_figure"), "{fault}");
    }

    #[test]
    fn all_wrong_values_are_named_at_once() {
        let text = "{path: {distance_m: -1}, scope: {bits: 40}, tx: {array: {elements: 0}}}";
        let ModelError::Values(wrong) = Model::from_yaml(text).expect_err("three wrong values")
        else {
            panic!("read, but not checked");
        };
        assert_eq!(wrong.len(), 3, "{wrong:?}");
        let nan = Model::from_yaml("path: {distance_m: .nan}");
        assert!(matches!(nan, Err(ModelError::Values(_))));
    }
}
