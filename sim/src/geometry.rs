//! Where the ways of the signal lie, as both arrays see them now, and what each does to it.
//!
//! The room stands still: the table turns the receiver's array in it, and with it the direction of
//! every ray alike. Knows nothing of what the signal is.

use num_complex::Complex64;

use crate::model::{BlockageModel, PathModel, RandomBlockageModel, ReflectionModel};
use crate::physics::array::Direction;
use crate::physics::blockage::{AtRandom, Block, Blockages, Listed};
use crate::physics::capture::Ray;
use crate::physics::gas::{Air, specific_attenuation};
use crate::physics::link::{
    Budget, LinkInputs, SPEED_OF_LIGHT_M_S, Way, budget, free_space_loss_db,
};
use crate::world::World;

/// One way of the signal, whatever the beams.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Where it leaves, as the transmit array sees it.
    pub departure: Direction,
    /// Where it arrives from, as the receive array sees it.
    pub arrival: Direction,
    /// Its length, m.
    pub length_m: f64,
    /// Attenuation by the gas, dB.
    pub gas_db: f64,
    /// Loss by what stands in the way now, dB.
    pub blockage_db: f64,
    /// Other losses beyond free space, dB.
    pub other_db: f64,
    /// Turn relative to the direct way, rad.
    pub phase_rad: f64,
}

impl Course {
    /// Loss beyond free space, dB.
    pub fn beyond_free_space_db(&self) -> f64 {
        self.other_db + self.gas_db + self.blockage_db
    }

    /// Everything from one isotropic element to another, dB.
    pub fn loss_db(&self, carrier_hz: f64) -> f64 {
        free_space_loss_db(carrier_hz, self.length_m) + self.beyond_free_space_db()
    }
}

/// What can stand in the way, of a model.
pub fn blockages(path: &PathModel, seed: u64) -> Blockages {
    let listed = |model: &BlockageModel| Listed {
        block: Block { begin_s: model.begin_s, duration_s: model.duration_s, ramp_s: model.ramp_s },
        losses_db: model.loss_db.clone(),
    };
    let random = |model: &RandomBlockageModel| AtRandom {
        seed,
        interval_s: model.interval_s,
        duration_s: model.duration_s.into(),
        ramp_s: model.ramp_s,
        losses_db: model.loss_db.clone(),
    };
    Blockages {
        listed: path.blockages.iter().map(listed).collect(),
        random: path.random_blockage.as_ref().map(random),
    }
}

/// Way of a reflection beyond the direct one, m.
fn extra_m(reflection: &ReflectionModel) -> f64 {
    let of_delay = reflection.extra_delay_s.map(|delay_s| delay_s * SPEED_OF_LIGHT_M_S);
    reflection.extra_m.or(of_delay).unwrap_or(0.0)
}

impl World {
    /// Directions of the other end as each array sees it, deg: transmitter, receiver. The table
    /// carries the receiver; at angle a the transmitter appears to it at -a.
    pub fn bearings_deg(&self) -> (f64, f64) {
        let path = &self.model.path;
        (
            path.tx_bearing_deg,
            path.table_zero_deg - self.turntable.angle_deg(self.now, &self.model.turntable),
        )
    }

    /// The ways of the signal: the direct one, then the reflections.
    pub fn courses(&self) -> Vec<Course> {
        let path = &self.model.path;
        let (carrier_hz, _) = self.carriers_hz();
        let table_deg = self.turntable.angle_deg(self.now, &self.model.turntable);
        let gas_db_per_m = path.gas.as_ref().map_or(0.0, |gas| {
            let air = Air {
                pressure_hpa: gas.pressure_hpa,
                temperature_k: gas.temperature_c + 273.15,
                vapour_g_m3: gas.vapour_g_m3,
            };
            1e-3 * specific_attenuation(&air, carrier_hz).total_db_km()
        });
        let direction = |azimuth_deg, elevation_deg| Direction { azimuth_deg, elevation_deg };
        let blocked = self.blockages.losses_db(1 + path.reflections.len(), self.now.as_secs_f64());
        let (tx_deg, rx_deg) = self.bearings_deg();
        let direct = Course {
            departure: direction(tx_deg, path.tx_elevation_deg),
            arrival: direction(rx_deg, path.rx_elevation_deg),
            length_m: path.distance_m,
            gas_db: gas_db_per_m * path.distance_m,
            blockage_db: blocked[0],
            other_db: path.extra_loss_db,
            phase_rad: 0.0,
        };
        let reflected = |(model, blocked_db): (&ReflectionModel, &f64)| {
            let length_m = path.distance_m + extra_m(model);
            let waves = extra_m(model) * carrier_hz / SPEED_OF_LIGHT_M_S;
            Course {
                departure: direction(model.departure_deg, model.departure_elevation_deg),
                arrival: direction(model.arrival_deg - table_deg, model.arrival_elevation_deg),
                length_m,
                gas_db: gas_db_per_m * length_m,
                blockage_db: *blocked_db,
                other_db: path.extra_loss_db + model.loss_db,
                phase_rad: model.phase_deg.to_radians() - std::f64::consts::TAU * waves.fract(),
            }
        };
        let reflections = path.reflections.iter().zip(&blocked[1..]).map(reflected);
        std::iter::once(direct).chain(reflections).collect()
    }

    /// Power of one transmit element for a source envelope of 1 V, at the gain in force and before
    /// compression, dBm.
    pub fn element_output_dbm(&self) -> f64 {
        self.model.tx.element_output_dbm + self.tx_gain_db()
    }

    /// What the link does to volts from source to scope, if both chips were live on one channel.
    pub fn budget(&self) -> Budget {
        let (tx_hz, _) = self.carriers_hz();
        let tx_weights = self.tx_side.weights(&self.dut.tx.codes());
        let rx_weights = self.rx_side.weights(&self.dut.rx.codes());
        let peaks_dbi = self.tx_side.peak_dbi + self.rx_side.peak_dbi;
        let way = |course: Course| Way {
            length_m: course.length_m,
            loss_db: course.beyond_free_space_db() - peaks_dbi,
            phase_rad: course.phase_rad,
            tx_response: self.tx_side.array.response(&tx_weights, tx_hz, course.departure),
            rx_response: self.rx_side.array.response(&rx_weights, tx_hz, course.arrival),
        };
        budget(&LinkInputs {
            carrier_hz: tx_hz,
            ways: self.courses().into_iter().map(way).collect(),
            element_output_dbm: self.element_output_dbm(),
            rx_weight_power: rx_weights.iter().map(Complex64::norm_sqr).sum(),
            rx_elements: self.rx_side.array.len(),
            rx_gain_db: self.rx_gain_db(),
            noise_figure_db: self.noise_figure_db(),
        })
    }

    /// Every way from the source's output to the scope's input, for a source of 1 V.
    pub fn rays(&self) -> Vec<Ray> {
        let cable_s = self.model.path.cable_delay_s;
        let gains = self.budget().gains.into_iter();
        gains
            .zip(self.courses())
            .map(|(gain, course)| Ray {
                gain,
                delay_s: cable_s + course.length_m / SPEED_OF_LIGHT_M_S,
            })
            .collect()
    }
}
