//! The instruments: resolution, noise, speed, and how long things take.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Wrong;

/// The waveform source (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct SourceModel {
    /// Error of its sample clock, parts per million.
    pub clock_ppm: f64,
    /// Points of waveform memory.
    pub memory_points: usize,
    /// Lowest and highest sample clock, Hz.
    pub clock_limits_hz: [f64; 2],
    /// Bits of its converters; a code's lower bits are rounded away.
    pub bits: u32,
    /// Its own noise on each channel, rms, as a share of the full-scale voltage; white over its
    /// Nyquist band: each sample has its own. What follows the converters limits it as the signal; a
    /// record of more than four million of the source's samples sees it repeat.
    pub noise_of_amplitude: f64,
    /// Whether its converters hold each sample, so that the spectrum droops as sin(x)/x; otherwise
    /// the source corrects for it.
    pub sinc_droop: bool,
    /// Gaussian low-pass behind the converters, 3 dB down here, Hz; left out: none.
    pub bandwidth_hz: Option<f64>,
    /// Error of each channel's gain, I and Q, dB.
    pub gain_error_db: [f64; 2],
    /// Offset of each channel, I and Q, as a share of the full-scale voltage.
    pub offset_of_amplitude: [f64; 2],
    /// How much later the Q channel is than the I channel, s.
    pub skew_s: f64,
}

impl Default for SourceModel {
    fn default() -> Self {
        Self {
            clock_ppm: 0.0,
            memory_points: 16_000_000,
            clock_limits_hz: [10e6, 12e9],
            bits: 16,
            noise_of_amplitude: 0.0,
            sinc_droop: false,
            bandwidth_hz: None,
            gain_error_db: [0.0; 2],
            offset_of_amplitude: [0.0; 2],
            skew_s: 0.0,
        }
    }
}

/// The scope (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// From the end of the record until it can be fetched, s per point: its transfer into memory.
    pub readout_s_per_point: f64,
    /// From a change of range until it can be armed, s.
    pub range_settle_s: f64,
    /// Shortest and longest sample interval, s.
    pub interval_limits_s: [f64; 2],
    /// Most points of a record.
    pub points_most: usize,
    /// Gaussian low-pass before its converters, 3 dB down here, Hz; left out: none. It limits what
    /// the receiver sends, noise included, not the scope's own noise.
    pub bandwidth_hz: Option<f64>,
    /// Error of each channel's gain, dB.
    pub gain_error_db: [f64; 2],
    /// Offset of each channel as a share of the range.
    pub offset_of_range: [f64; 2],
    /// How much later channel 2 samples than channel 1, s.
    pub skew_s: f64,
    /// Spread of each sampling instant, s rms; both channels share it.
    pub aperture_jitter_s: f64,
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
            range_settle_s: 0.0,
            interval_limits_s: [25e-12, 1e-6],
            points_most: 8_000_000,
            bandwidth_hz: None,
            gain_error_db: [0.0; 2],
            offset_of_range: [0.0; 2],
            skew_s: 0.0,
            aperture_jitter_s: 0.0,
        }
    }
}

/// The supply (all invented).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// Play between drive and table, deg. The encoder sits at the drive. Whoever comes from below
    /// stands where the encoder says; whoever comes from above stands this much above.
    pub backlash_deg: f64,
    /// How far the table trails the drive while it turns, deg; at the end of a move this is left to
    /// swing or creep out.
    pub sway_deg: f64,
    /// Frequency at which the sway swings, Hz; at 0 it creeps out without swinging.
    pub sway_hz: f64,
    /// Time in which the sway falls to 1/e, s.
    pub sway_decay_s: f64,
}

impl Default for TurntableModel {
    fn default() -> Self {
        Self {
            travel_deg: 180.0,
            speed_most_deg_per_s: 60.0,
            speed_deg_per_s: 20.0,
            settle_s: 0.2,
            encoder_step_deg: 0.001,
            backlash_deg: 0.0,
            sway_deg: 0.0,
            sway_hz: 0.0,
            sway_decay_s: 0.05,
        }
    }
}

/// Widest band that a Gaussian low-pass may have, and the narrowest, Hz: a narrower one would make
/// responses of many thousand taps.
const BANDWIDTHS_HZ: (f64, f64) = (50e6, 100e9);

impl SourceModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        let [least, most] = self.clock_limits_hz;
        wrong.unless_within("source.clock_ppm", self.clock_ppm, (-1000.0, 1000.0));
        wrong.unless_within("source.memory_points", self.memory_points as f64, (1.0, 2e8));
        wrong.unless_within("source.clock_limits_hz[0]", least, (1e3, 1e9));
        wrong.unless_within("source.clock_limits_hz[1]", most, (least.max(1e9), 100e9));
        wrong.unless_within("source.bits", f64::from(self.bits), (2.0, 16.0));
        wrong.unless_within("source.noise_of_amplitude", self.noise_of_amplitude, (0.0, 1.0));
        wrong.unless_within("source.skew_s", self.skew_s, (-1e-6, 1e-6));
        wrong.unless_within("source.bandwidth_hz", self.bandwidth_hz.unwrap_or(1e9), BANDWIDTHS_HZ);
        for n in 0..2 {
            let (gain_db, offset) = (self.gain_error_db[n], self.offset_of_amplitude[n]);
            wrong.unless_within(&format!("source.gain_error_db[{n}]"), gain_db, (-20.0, 20.0));
            wrong.unless_within(&format!("source.offset_of_amplitude[{n}]"), offset, (-1.0, 1.0));
        }
    }
}

impl ScopeModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        let [least, most] = self.interval_limits_s;
        wrong.unless_within("scope.bits", f64::from(self.bits), (2.0, 16.0));
        wrong.unless_within("scope.clock_ppm", self.clock_ppm, (-1000.0, 1000.0));
        wrong.unless_within("scope.noise_of_range", self.noise_of_range, (0.0, 1.0));
        wrong.unless_within("scope.trigger_jitter_s", self.trigger_jitter_s, (0.0, 1e-3));
        wrong.unless_within("scope.arming_s", self.arming_s, (0.0, 3600.0));
        wrong.unless_within("scope.readout_s_per_point", self.readout_s_per_point, (0.0, 1e-3));
        wrong.unless_within("scope.range_settle_s", self.range_settle_s, (0.0, 3600.0));
        wrong.unless_within("scope.interval_limits_s[0]", least, (1e-12, 125e-12));
        wrong.unless_within("scope.interval_limits_s[1]", most, (125e-12, 1.0));
        wrong.unless_within("scope.points_most", self.points_most as f64, (1000.0, 1e9));
        wrong.unless_within("scope.skew_s", self.skew_s, (-1e-6, 1e-6));
        wrong.unless_within("scope.aperture_jitter_s", self.aperture_jitter_s, (0.0, 1e-9));
        wrong.unless_within("scope.bandwidth_hz", self.bandwidth_hz.unwrap_or(1e9), BANDWIDTHS_HZ);
        for n in 0..2 {
            let (gain_db, offset) = (self.gain_error_db[n], self.offset_of_range[n]);
            wrong.unless_within(&format!("scope.gain_error_db[{n}]"), gain_db, (-20.0, 20.0));
            wrong.unless_within(&format!("scope.offset_of_range[{n}]"), offset, (-1.0, 1.0));
        }
    }
}

impl SupplyModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        wrong.unless_within("supply.slew_v_per_s", self.slew_v_per_s, (1e-3, 1e9));
        wrong.unless_within("supply.voltage_noise_v", self.voltage_noise_v, (0.0, 1.0));
        wrong.unless_within("supply.current_noise_a", self.current_noise_a, (0.0, 1.0));
    }
}

impl TurntableModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        wrong.unless_within("turntable.travel_deg", self.travel_deg, (0.1, 36_000.0));
        let speeds = (0.01, 1e6);
        wrong.unless_within("turntable.speed_most_deg_per_s", self.speed_most_deg_per_s, speeds);
        wrong.unless_within("turntable.speed_deg_per_s", self.speed_deg_per_s, speeds);
        wrong.unless_within("turntable.settle_s", self.settle_s, (0.0, 3600.0));
        wrong.unless_within("turntable.encoder_step_deg", self.encoder_step_deg, (1e-9, 10.0));
        wrong.unless_within("turntable.backlash_deg", self.backlash_deg, (0.0, 30.0));
        wrong.unless_within("turntable.sway_deg", self.sway_deg, (0.0, 30.0));
        wrong.unless_within("turntable.sway_hz", self.sway_hz, (0.0, 1e3));
        wrong.unless_within("turntable.sway_decay_s", self.sway_decay_s, (1e-6, 3600.0));
    }
}
