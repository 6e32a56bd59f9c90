//! The turntable: moves at finite speed, settles, knows its limits. Its encoder sees the drive; the
//! table itself may stand elsewhere.
//!
//! SCPI-99 has no subsystem for angular position: the root node AXIS is our own, in SCPI style.

use std::time::Duration;

use super::axle::Axle;
use super::ramp::Ramp;
use crate::model::TurntableModel;
use crate::scpi::command::{Act, Command, Outcome, Reply};
use crate::scpi::error::Fault;
use crate::scpi::quantity::Unit;
use crate::scpi::session::Busy;
use crate::world::World;

/// Settings and motion.
#[derive(Debug, Clone, PartialEq)]
pub struct Turntable {
    drive_deg: Ramp,
    axle: Axle,
    settled: Duration,
    /// deg/s of the next move.
    pub speed_deg_per_s: f64,
    /// In-position window, deg.
    pub tolerance_deg: f64,
    /// Lower and upper limit, deg.
    pub limits_deg: (f64, f64),
    /// Drive on.
    pub drive: bool,
    /// Knows where zero is.
    pub referenced: bool,
    homing: bool,
}

/// Limits after power-on and `*RST`, deg (invented).
const LIMIT_DEG: f64 = 90.0;

impl Turntable {
    /// Wakes at zero, referenced, with the drive on.
    pub fn new(model: &TurntableModel) -> Self {
        let limit = LIMIT_DEG.min(model.travel_deg);
        Self {
            drive_deg: Ramp::at(0.0),
            axle: Axle::default(),
            settled: Duration::ZERO,
            speed_deg_per_s: model.speed_deg_per_s.min(model.speed_most_deg_per_s),
            tolerance_deg: 0.05,
            limits_deg: (-limit, limit),
            drive: true,
            referenced: true,
            homing: false,
        }
    }

    /// Where the table really is, deg.
    pub fn angle_deg(&self, now: Duration, model: &TurntableModel) -> f64 {
        self.axle.angle_deg(&self.drive_deg, now, model)
    }

    /// Where its encoder, which sits at the drive, believes it to be, deg.
    pub fn encoder_deg(&self, now: Duration, model: &TurntableModel) -> f64 {
        (self.drive_deg.value(now) / model.encoder_step_deg).round() * model.encoder_step_deg
    }

    /// Where it was sent, deg.
    pub fn target_deg(&self) -> f64 {
        self.drive_deg.target()
    }

    /// Whether it turns.
    pub fn is_moving(&self, now: Duration) -> bool {
        now < self.drive_deg.end()
    }

    /// Pending moves.
    pub fn busy(&self, now: Duration) -> Busy {
        if now < self.settled { Busy::Until(self.settled) } else { Busy::No }
    }

    /// When something changes by itself.
    pub fn next_event(&self, now: Duration) -> Option<Duration> {
        [self.drive_deg.end(), self.settled].into_iter().filter(|t| *t > now).min()
    }

    /// Brings the state up to `now`.
    pub fn tick(&mut self, now: Duration) {
        if self.homing && now >= self.settled {
            self.homing = false;
            self.referenced = true;
        }
    }

    /// OPERation condition: bit 1 SETTling until the move is over, bit 8 moving.
    pub fn operation(&self, now: Duration) -> u16 {
        u16::from(now < self.settled) << 1 | u16::from(self.is_moving(now)) << 8
    }

    fn turn(&mut self, to_deg: f64, now: Duration, model: &TurntableModel) {
        let moves = to_deg != self.drive_deg.value(now);
        self.axle.note_turn(&self.drive_deg, now, model);
        self.drive_deg.turn(to_deg, self.speed_deg_per_s, now);
        if moves {
            self.settled = self.drive_deg.end() + Duration::from_secs_f64(model.settle_s);
        }
    }

    /// A move under way ends so far before its target.
    pub fn stop_short(&mut self, short_deg: f64, now: Duration, model: &TurntableModel) {
        let way_deg = self.target_deg() - self.drive_deg.value(now);
        let less_deg = short_deg.min(way_deg.abs()).copysign(way_deg);
        self.turn(self.target_deg() - less_deg, now, model);
    }

    /// Slips by so much where it stands; while it moves, the drive holds it.
    pub fn creep(&mut self, by_deg: f64, now: Duration) {
        if !self.is_moving(now) {
            self.drive_deg = Ramp::at(self.drive_deg.value(now) + by_deg);
        }
    }

    /// Stops where it is.
    fn stop(&mut self, now: Duration, model: &TurntableModel) {
        if self.is_moving(now) {
            self.axle.note_turn(&self.drive_deg, now, model);
            self.drive_deg = Ramp::at(self.drive_deg.value(now));
            self.settled = now + Duration::from_secs_f64(model.settle_s);
            self.homing = false;
        }
    }

    /// `*RST`: stops, settings to defaults; the reference stays.
    pub fn reset(&mut self, now: Duration, model: &TurntableModel) {
        self.stop(now, model);
        let fresh = Self::new(model);
        self.speed_deg_per_s = fresh.speed_deg_per_s;
        self.tolerance_deg = fresh.tolerance_deg;
        self.limits_deg = fresh.limits_deg;
        self.drive = true;
    }
}

fn go_to(world: &mut World, to_deg: f64) -> Outcome<()> {
    let table = &mut world.turntable;
    if !table.drive {
        return Err(Fault::new(-221, "drive is off"));
    }
    if !table.referenced {
        return Err(Fault::new(-221, "not referenced"));
    }
    table.turn(to_deg, world.now, &world.model.turntable);
    Ok(())
}

fn home(world: &mut World) -> Outcome<()> {
    if !world.turntable.drive {
        return Err(Fault::new(-221, "drive is off"));
    }
    world.turntable.referenced = false;
    world.turntable.homing = true;
    world.turntable.turn(0.0, world.now, &world.model.turntable);
    Ok(())
}

fn stop(world: &mut World) {
    world.turntable.stop(world.now, &world.model.turntable);
}

fn measured_deg(world: &World) -> f64 {
    world.turntable.encoder_deg(world.now, &world.model.turntable)
}

/// The command table.
pub static COMMANDS: &[Command<World>] = &[
    Command {
        header: "AXIS#:POSition",
        act: Act::Number {
            unit: Unit::Degree,
            limits: |w| w.turntable.limits_deg,
            get: measured_deg,
            set: go_to,
        },
    },
    Command { header: "AXIS#:POSition:TARGet", act: Act::Reading(|w| w.turntable.target_deg()) },
    Command {
        header: "AXIS#:POSition:TOLerance",
        act: Act::Number {
            unit: Unit::Degree,
            limits: |_| (0.001, 10.0),
            get: |w| w.turntable.tolerance_deg,
            set: |w, v| {
                w.turntable.tolerance_deg = v;
                Ok(())
            },
        },
    },
    Command {
        header: "AXIS#:LIMit:LOWer",
        act: Act::Number {
            unit: Unit::Degree,
            limits: |w| (-w.model.turntable.travel_deg, w.turntable.limits_deg.1),
            get: |w| w.turntable.limits_deg.0,
            set: |w, v| {
                w.turntable.limits_deg.0 = v;
                Ok(())
            },
        },
    },
    Command {
        header: "AXIS#:LIMit:UPPer",
        act: Act::Number {
            unit: Unit::Degree,
            limits: |w| (w.turntable.limits_deg.0, w.model.turntable.travel_deg),
            get: |w| w.turntable.limits_deg.1,
            set: |w, v| {
                w.turntable.limits_deg.1 = v;
                Ok(())
            },
        },
    },
    Command {
        header: "AXIS#:SPEed",
        act: Act::Number {
            unit: Unit::DegreePerSecond,
            limits: |w| (0.01, w.model.turntable.speed_most_deg_per_s),
            get: |w| w.turntable.speed_deg_per_s,
            set: |w, v| {
                w.turntable.speed_deg_per_s = v;
                Ok(())
            },
        },
    },
    Command {
        header: "AXIS#[:STATe]",
        act: Act::Switch {
            get: |w| w.turntable.drive,
            set: |w, on| {
                if !on {
                    stop(w);
                }
                w.turntable.drive = on;
                Ok(())
            },
        },
    },
    Command {
        header: "AXIS#:HOME",
        act: Act::Event(|w, args| {
            args.end()?;
            home(w)
        }),
    },
    Command {
        header: "AXIS#:REFerenced",
        act: Act::Query(|w, args| {
            args.end()?;
            Ok(Reply::from(u8::from(w.turntable.referenced).to_string()))
        }),
    },
    Command {
        header: "AXIS#:STOP",
        act: Act::Event(|w, args| {
            args.end()?;
            stop(w);
            Ok(())
        }),
    },
    Command {
        header: "ABORt",
        act: Act::Event(|w, args| {
            args.end()?;
            stop(w);
            Ok(())
        }),
    },
];
