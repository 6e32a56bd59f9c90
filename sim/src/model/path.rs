//! What lies between the arrays.

use serde::{Deserialize, Serialize};

use super::Wrong;

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

impl PathModel {
    pub(super) fn check(&self, wrong: &mut Wrong) {
        wrong.unless_within("path.distance_m", self.distance_m, (0.01, 1e5));
        wrong.unless_within("path.extra_loss_db", self.extra_loss_db, (-200.0, 400.0));
        wrong.unless_within("path.tx_bearing_deg", self.tx_bearing_deg, (-180.0, 180.0));
        wrong.unless_within("path.table_zero_deg", self.table_zero_deg, (-180.0, 180.0));
        wrong.unless_within("path.cable_delay_s", self.cable_delay_s, (0.0, 1.0));
    }
}
