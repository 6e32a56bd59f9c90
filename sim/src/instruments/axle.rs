//! Between drive and table: where the table really stands when the drive stands somewhere.
//!
//! Two imperfections. Backlash: the table is pushed by one flank or the other of a gap, so that it
//! stands between the drive's angle and that plus the gap, wherever it was left. Sway: while the
//! drive turns, the table trails it by a fixed angle; when the drive stops or turns around, what is
//! left of that swings or creeps out. Time is an argument; knows nothing of commands.

use std::time::Duration;

use super::ramp::Ramp;
use crate::model::TurntableModel;

/// What the table did until the drive's latest turn.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Axle {
    /// Where the gap had left the table, deg.
    pushed_deg: f64,
    /// How far it swayed then, deg.
    sway_deg: f64,
    /// When that was.
    since: Duration,
}

impl Axle {
    /// True angle of the table, deg.
    pub fn angle_deg(&self, drive: &Ramp, now: Duration, model: &TurntableModel) -> f64 {
        self.pushed_deg(drive, now, model) + self.sway_deg(drive, now, model)
    }

    /// The drive turns from here on: to be told before it does.
    pub fn note_turn(&mut self, drive: &Ramp, now: Duration, model: &TurntableModel) {
        *self = Self {
            pushed_deg: self.pushed_deg(drive, now, model),
            sway_deg: self.sway_deg(drive, now, model),
            since: now,
        };
    }

    /// The play operator: between two turns the drive moves one way only, so that where it is now
    /// decides.
    fn pushed_deg(&self, drive: &Ramp, now: Duration, model: &TurntableModel) -> f64 {
        let drive_deg = drive.value(now);
        self.pushed_deg.clamp(drive_deg, drive_deg + model.backlash_deg)
    }

    fn sway_deg(&self, drive: &Ramp, now: Duration, model: &TurntableModel) -> f64 {
        let trailing_deg = -model.sway_deg * drive.direction();
        let turning = |at: Duration| {
            trailing_deg
                + (self.sway_deg - trailing_deg) * decay(at.saturating_sub(self.since), model)
        };
        let end = drive.end();
        if drive.direction() == 0.0 {
            self.sway_deg * decay(now.saturating_sub(self.since), model)
        } else if now < end {
            turning(now)
        } else {
            turning(end) * decay(now - end, model)
        }
    }
}

/// `exp(-t/tau) cos(2 pi f t)`.
fn decay(passed: Duration, model: &TurntableModel) -> f64 {
    let passed_s = passed.as_secs_f64();
    let swing = libm::cos(std::f64::consts::TAU * model.sway_hz * passed_s);
    libm::exp(-passed_s / model.sway_decay_s) * swing
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turn(axle: &mut Axle, drive: &mut Ramp, to_deg: f64, at_s: u64, model: &TurntableModel) {
        let now = Duration::from_secs(at_s);
        axle.note_turn(drive, now, model);
        drive.turn(to_deg, 10.0, now);
    }

    #[test]
    fn the_side_it_came_from_decides_within_the_gap() {
        let model = TurntableModel { backlash_deg: 0.3, ..TurntableModel::default() };
        let (mut axle, mut drive) = (Axle::default(), Ramp::at(0.0));
        let mut check = |to_deg: f64, at_s: u64, expected_deg: f64| {
            turn(&mut axle, &mut drive, to_deg, at_s, &model);
            let got = axle.angle_deg(&drive, Duration::from_secs(at_s + 9), &model);
            assert!((got - expected_deg).abs() < 1e-9, "to {to_deg}: {got}");
        };
        check(20.0, 0, 20.0);
        // A small step back is swallowed by the gap, a larger one leaves the gap behind.
        check(19.9, 10, 20.0);
        check(10.0, 20, 10.3);
        check(10.2, 30, 10.3);
        check(12.0, 40, 12.0);
    }

    #[test]
    fn sway_swings_out_without_a_jump() {
        let model = TurntableModel {
            sway_deg: 0.4,
            sway_hz: 8.0,
            sway_decay_s: 0.1,
            ..TurntableModel::default()
        };
        let (mut axle, mut drive) = (Axle::default(), Ramp::at(0.0));
        turn(&mut axle, &mut drive, 20.0, 0, &model);
        let at = |ms: u64| axle.angle_deg(&drive, Duration::from_millis(ms), &model);
        // Trails by 0.4 deg once under way; the move ends at 2 s.
        assert!((at(1900) - 18.6).abs() < 1e-6, "{}", at(1900));
        // Half a period after the end it has swung to the other side: exp(-0.0625/0.1) of it.
        let swung = axle.angle_deg(&drive, Duration::from_micros(2_062_500), &model) - 20.0;
        assert!((swung - 0.4 * (-0.625f64).exp()).abs() < 1e-5, "{swung}");
        assert!((at(4000) - 20.0).abs() < 1e-8);
        let jumps = (0..4000).map(|ms| (at(ms + 1) - at(ms)).abs());
        // Drive 10 deg/s and sway's slope 2 pi 8 Hz 0.4 deg.
        assert!(jumps.fold(0.0, f64::max) < 0.001 * (10.0 + 21.0));
    }

    #[test]
    fn without_frequency_it_creeps() {
        let model =
            TurntableModel { sway_deg: 0.2, sway_decay_s: 0.5, ..TurntableModel::default() };
        let (mut axle, mut drive) = (Axle::default(), Ramp::at(0.0));
        turn(&mut axle, &mut drive, -100.0, 0, &model);
        let late = axle.angle_deg(&drive, drive.end() + Duration::from_millis(500), &model);
        assert!((late - (-100.0 + 0.2 * (-1.0f64).exp())).abs() < 1e-6, "{late}");
    }
}
