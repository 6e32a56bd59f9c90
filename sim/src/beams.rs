//! The back door on beams: what codes really give, and which pair of beams really is the best.
//!
//! Everything follows from the true state by closed forms; nothing is measured.

use num_complex::Complex64;

use crate::physics::array::{Direction, ElementCode};
use crate::physics::link::amplitude_of_db;
use crate::physics::oscillator::cis;
use crate::truth::{RayTruth, Truth};

/// Which array.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The transmitter's.
    Tx,
    /// The receiver's.
    Rx,
}

/// Which ways of the signal count, and how they add up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Over {
    /// The direct ray alone, whatever stands in its way.
    Direct,
    /// All rays as phasors at the carrier: a signal much narrower than one over their delays.
    Carrier,
    /// All rays by their power: a signal much wider than that.
    Power,
}

/// The best of given beams.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BestPair {
    /// Place in the list of transmit beams.
    pub tx: usize,
    /// Place in the list of receive beams.
    pub rx: usize,
    /// Its gain, as [`Truth::beam_gain_over_db`] has it.
    pub gain_db: f64,
}

impl BestPair {
    /// The first of the greatest.
    fn or(self, other: Option<Self>) -> Self {
        other.filter(|best| best.gain_db >= self.gain_db).unwrap_or(self)
    }
}

impl Truth {
    /// Power of one array in the plane of rotation at `theta_deg` with these codes, in dB relative to
    /// all of its elements adding up without error at broadside.
    pub fn array_gain_db(&self, end: End, codes: &[ElementCode], theta_deg: f64) -> f64 {
        self.array_gain_toward_db(end, codes, Direction::in_plane(theta_deg))
    }

    /// The same in any direction.
    pub fn array_gain_toward_db(
        &self,
        end: End,
        codes: &[ElementCode],
        direction: Direction,
    ) -> f64 {
        10.0 * libm::log10(self.response(end, codes, direction).norm_sqr())
    }

    /// Complex amplitude of one array, 1 for all elements adding up.
    fn response(&self, end: End, codes: &[ElementCode], direction: Direction) -> Complex64 {
        let side = match end {
            End::Tx => &self.arrays.0,
            End::Rx => &self.arrays.1,
        };
        let weights = side.weights(codes);
        let sum = side.array.response(&weights, self.link.tx_carrier_hz, direction);
        sum / side.array.len() as f64
    }

    /// Power of the link over the direct ray with these codes at both ends, in dB relative to both
    /// arrays adding up without error, as the bench stands now.
    pub fn beam_gain_db(&self, tx: &[ElementCode], rx: &[ElementCode]) -> f64 {
        self.beam_gain_over_db(tx, rx, Over::Direct)
    }

    /// The same over the rays that count. Reflections and blockages are relative to the direct ray
    /// with nothing in its way.
    pub fn beam_gain_over_db(&self, tx: &[ElementCode], rx: &[ElementCode], over: Over) -> f64 {
        let Some(direct) = self.link.rays.first() else { return f64::NEG_INFINITY };
        if over == Over::Direct {
            return self.array_gain_toward_db(End::Tx, tx, direct.departure)
                + self.array_gain_toward_db(End::Rx, rx, direct.arrival);
        }
        let [tx, rx] = [(End::Tx, tx), (End::Rx, rx)].map(|(end, codes)| self.per_ray(end, codes));
        combine_db(&self.factors(), &tx, &rx, over)
    }

    /// The best pair over the direct ray among these beams; the first of equals. `None` when a list
    /// is empty.
    pub fn best_pair(&self, tx: &[Vec<ElementCode>], rx: &[Vec<ElementCode>]) -> Option<BestPair> {
        self.best_pair_over(tx, rx, Over::Direct)
    }

    /// The same over the rays that count, by trying every pair. Each beam's response is computed once,
    /// and with one ray the best of each end is the best pair.
    pub fn best_pair_over(
        &self,
        tx: &[Vec<ElementCode>],
        rx: &[Vec<ElementCode>],
        over: Over,
    ) -> Option<BestPair> {
        let direct = self.link.rays.first()?;
        if over == Over::Direct {
            let (tx, tx_db) = self.best_of(End::Tx, tx, direct.departure)?;
            let (rx, rx_db) = self.best_of(End::Rx, rx, direct.arrival)?;
            return Some(BestPair { tx, rx, gain_db: tx_db + rx_db });
        }
        let factors = self.factors();
        let responses = |end, beams: &[Vec<ElementCode>]| -> Vec<Vec<Complex64>> {
            beams.iter().map(|codes| self.per_ray(end, codes)).collect()
        };
        let (tx, rx) = (responses(End::Tx, tx), responses(End::Rx, rx));
        let mut best = None;
        for (t, tx) in tx.iter().enumerate() {
            for (r, rx) in rx.iter().enumerate() {
                let gain_db = combine_db(&factors, tx, rx, over);
                best = Some(BestPair { tx: t, rx: r, gain_db }.or(best));
            }
        }
        best
    }

    /// The first of the beams of one end that give the most in a direction, with its gain.
    fn best_of(
        &self,
        end: End,
        beams: &[Vec<ElementCode>],
        direction: Direction,
    ) -> Option<(usize, f64)> {
        let gains = beams.iter().map(|codes| self.array_gain_toward_db(end, codes, direction));
        gains.enumerate().reduce(|best, next| if next.1 > best.1 { next } else { best })
    }

    /// Response of one end to each ray.
    fn per_ray(&self, end: End, codes: &[ElementCode]) -> Vec<Complex64> {
        let direction = |ray: &RayTruth| match end {
            End::Tx => ray.departure,
            End::Rx => ray.arrival,
        };
        self.link.rays.iter().map(|ray| self.response(end, codes, direction(ray))).collect()
    }

    /// Each ray relative to the direct one with nothing in its way.
    fn factors(&self) -> Vec<Complex64> {
        let rays = &self.link.rays;
        let clear_db = rays.first().map_or(0.0, |direct| direct.loss_db - direct.blockage_db);
        let factor = |ray: &RayTruth| {
            amplitude_of_db(clear_db - ray.loss_db) * cis(ray.phase_deg.to_radians())
        };
        rays.iter().map(factor).collect()
    }
}

fn combine_db(factors: &[Complex64], tx: &[Complex64], rx: &[Complex64], over: Over) -> f64 {
    let rays = factors.iter().zip(tx).zip(rx).map(|((factor, tx), rx)| factor * tx * rx);
    match over {
        Over::Direct => 10.0 * libm::log10(rays.take(1).map(|ray| ray.norm_sqr()).sum()),
        Over::Carrier => 10.0 * libm::log10(rays.sum::<Complex64>().norm_sqr()),
        Over::Power => 10.0 * libm::log10(rays.map(|ray| ray.norm_sqr()).sum()),
    }
}
