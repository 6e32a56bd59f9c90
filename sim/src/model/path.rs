//! What lies between the arrays.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Wrong;

/// Geometry and losses between the arrays. The room stands still; the table turns the receiver in it.
/// Azimuths at the receiver are those that its array sees with the table at 0; at table angle a it
/// sees all of them a less.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct PathModel {
    /// Distance between the arrays, m (invented).
    pub distance_m: f64,
    /// Loss of every ray beyond free space and gas, dB.
    pub extra_loss_db: f64,
    /// Direction of the receiver as the transmitter's array sees it, deg from its broadside.
    pub tx_bearing_deg: f64,
    /// The same, out of the plane in which the table turns, deg.
    pub tx_elevation_deg: f64,
    /// Table angle at which the receiver's broadside points at the transmitter, deg.
    pub table_zero_deg: f64,
    /// Direction of the transmitter as the receiver's array sees it, out of the plane in which the
    /// table turns, deg.
    pub rx_elevation_deg: f64,
    /// Cables and chips from the source to the scope, s, besides the flight (invented).
    pub cable_delay_s: f64,
    /// The air; none of it attenuates when left out.
    pub gas: Option<GasModel>,
    /// Further ways of the signal.
    pub reflections: Vec<ReflectionModel>,
    /// What stands in the way at told times.
    pub blockages: Vec<BlockageModel>,
    /// What stands in the way at random times.
    pub random_blockage: Option<RandomBlockageModel>,
}

/// Air that attenuates as Recommendation ITU-R P.676-12, annex 1, has it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct GasModel {
    /// Pressure of dry air and vapour together, hPa.
    pub pressure_hpa: f64,
    /// Temperature, degC.
    pub temperature_c: f64,
    /// Density of water vapour, g/m^3.
    pub vapour_g_m3: f64,
}

/// One reflector, fixed in the room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReflectionModel {
    /// Azimuth in which the ray leaves, deg from the transmit array's broadside.
    pub departure_deg: f64,
    /// Azimuth from which the ray arrives, deg, as the receive array sees it with the table at 0. The
    /// direct ray arrives from `table_zero_deg`.
    pub arrival_deg: f64,
    /// Elevation in which the ray leaves, deg.
    #[serde(default)]
    pub departure_elevation_deg: f64,
    /// Elevation from which the ray arrives, deg.
    #[serde(default)]
    pub arrival_elevation_deg: f64,
    /// Way beyond the direct one, m. Give this or `extra_delay_s`.
    #[serde(default)]
    pub extra_m: Option<f64>,
    /// Delay beyond the direct ray's, s. Give this or `extra_m`.
    #[serde(default)]
    pub extra_delay_s: Option<f64>,
    /// Loss at the reflector, dB, besides that of the way's length.
    pub loss_db: f64,
    /// Turn of the phase at the reflector, deg, besides that of the way's length.
    #[serde(default)]
    pub phase_deg: f64,
}

/// One blockage: the loss grows in dB during `ramp_s`, stays, and falls again during `ramp_s`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BlockageModel {
    /// When the loss begins to grow, s since the bench began.
    pub begin_s: f64,
    /// From there until nothing is left of it, s.
    pub duration_s: f64,
    /// Loss of each ray, dB: the direct one, then the reflections in their order.
    pub loss_db: Vec<f64>,
    /// How long the loss takes to grow, and to fall, s.
    #[serde(default)]
    pub ramp_s: f64,
}

/// Blockages at random: begins are a Poisson process, drawn from the seed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RandomBlockageModel {
    /// Mean time between two begins, s.
    pub interval_s: f64,
    /// Shortest and longest duration, s; uniform between them.
    pub duration_s: [f64; 2],
    /// Loss of each ray, dB: the direct one, then the reflections in their order.
    pub loss_db: Vec<f64>,
    /// How long the loss takes to grow, and to fall, s.
    #[serde(default)]
    pub ramp_s: f64,
}

impl Default for PathModel {
    fn default() -> Self {
        Self {
            distance_m: 4.0,
            extra_loss_db: 0.0,
            tx_bearing_deg: 0.0,
            tx_elevation_deg: 0.0,
            table_zero_deg: 0.0,
            rx_elevation_deg: 0.0,
            cable_delay_s: 8e-9,
            gas: None,
            reflections: Vec::new(),
            blockages: Vec::new(),
            random_blockage: None,
        }
    }
}

impl Default for GasModel {
    /// 15 degC, 1013.25 hPa, 7.5 g/m^3: ITU-R P.835's mean annual global reference atmosphere at sea
    /// level (from memory).
    fn default() -> Self {
        Self { pressure_hpa: 1013.25, temperature_c: 15.0, vapour_g_m3: 7.5 }
    }
}

const TURN_DEG: (f64, f64) = (-180.0, 180.0);
const LOSS_DB: (f64, f64) = (-200.0, 400.0);
/// What stands in the way or reflects never amplifies.
const PASSIVE_LOSS_DB: (f64, f64) = (0.0, 400.0);
const TIME_S: (f64, f64) = (0.0, 1e8);

impl PathModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        wrong.unless_within("path.distance_m", self.distance_m, (0.01, 1e5));
        wrong.unless_within("path.extra_loss_db", self.extra_loss_db, LOSS_DB);
        wrong.unless_within("path.tx_bearing_deg", self.tx_bearing_deg, TURN_DEG);
        wrong.unless_within("path.tx_elevation_deg", self.tx_elevation_deg, TURN_DEG);
        wrong.unless_within("path.table_zero_deg", self.table_zero_deg, TURN_DEG);
        wrong.unless_within("path.rx_elevation_deg", self.rx_elevation_deg, TURN_DEG);
        wrong.unless_within("path.cable_delay_s", self.cable_delay_s, (0.0, 1.0));
        if let Some(gas) = &self.gas {
            wrong.unless_within("path.gas.pressure_hpa", gas.pressure_hpa, (100.0, 2000.0));
            wrong.unless_within("path.gas.temperature_c", gas.temperature_c, (-90.0, 100.0));
            wrong.unless_within("path.gas.vapour_g_m3", gas.vapour_g_m3, (0.0, 100.0));
        }
        for (n, reflection) in self.reflections.iter().enumerate() {
            reflection.check(&format!("path.reflections[{n}]"), wrong);
        }
        for (n, blockage) in self.blockages.iter().enumerate() {
            blockage.check(&format!("path.blockages[{n}]"), self.reflections.len() + 1, wrong);
        }
        if let Some(random) = &self.random_blockage {
            random.check("path.random_blockage", self.reflections.len() + 1, wrong);
        }
    }
}

impl ReflectionModel {
    fn check(&self, key: &str, wrong: &mut Wrong) {
        let angles = [
            ("departure_deg", self.departure_deg),
            ("arrival_deg", self.arrival_deg),
            ("departure_elevation_deg", self.departure_elevation_deg),
            ("arrival_elevation_deg", self.arrival_elevation_deg),
        ];
        for (name, value) in angles {
            wrong.unless_within(&format!("{key}.{name}"), value, TURN_DEG);
        }
        wrong.unless_within(&format!("{key}.loss_db"), self.loss_db, PASSIVE_LOSS_DB);
        wrong.unless_within(&format!("{key}.phase_deg"), self.phase_deg, (-360.0, 360.0));
        match (self.extra_m, self.extra_delay_s) {
            (Some(extra_m), None) => {
                wrong.unless_within(&format!("{key}.extra_m"), extra_m, (0.0, 1e5));
            }
            (None, Some(delay_s)) => {
                wrong.unless_within(&format!("{key}.extra_delay_s"), delay_s, (0.0, 1e-3));
            }
            _ => wrong.say(format!("{key} needs extra_m or extra_delay_s, one of them")),
        }
    }
}

/// A ramp that fits twice into its blockage, and losses for rays that exist.
fn check_blockage(
    key: &str,
    (ramp_s, least_s): (f64, f64),
    (losses_db, rays): (&[f64], usize),
    wrong: &mut Wrong,
) {
    // A duration that is wrong itself says nothing about the ramp.
    let most_s = if least_s >= 0.0 { 0.5 * least_s } else { TIME_S.1 };
    wrong.unless_within(&format!("{key}.ramp_s"), ramp_s, (0.0, most_s));
    if losses_db.len() > rays {
        let count = losses_db.len();
        wrong.say(format!("{key}.loss_db has {count} values for {rays} rays"));
    }
    for (n, loss_db) in losses_db.iter().enumerate() {
        wrong.unless_within(&format!("{key}.loss_db[{n}]"), *loss_db, PASSIVE_LOSS_DB);
    }
}

impl BlockageModel {
    fn check(&self, key: &str, rays: usize, wrong: &mut Wrong) {
        wrong.unless_within(&format!("{key}.begin_s"), self.begin_s, TIME_S);
        wrong.unless_within(&format!("{key}.duration_s"), self.duration_s, TIME_S);
        check_blockage(key, (self.ramp_s, self.duration_s), (&self.loss_db, rays), wrong);
    }
}

impl RandomBlockageModel {
    fn check(&self, key: &str, rays: usize, wrong: &mut Wrong) {
        wrong.unless_within(&format!("{key}.interval_s"), self.interval_s, (1e-3, 1e8));
        let [least_s, most_s] = self.duration_s;
        wrong.unless_within(&format!("{key}.duration_s[0]"), least_s, TIME_S);
        // More than some hundreds at the same time is no blockage any more.
        let most = (least_s.max(0.0), 500.0 * self.interval_s.max(1e-3));
        wrong.unless_within(&format!("{key}.duration_s[1]"), most_s, most);
        check_blockage(key, (self.ramp_s, least_s), (&self.loss_db, rays), wrong);
    }
}
