//! The supply: one output with slew, current limit and over-voltage protection.
//!
//! The chips are a conductance to it, so a current limit lowers the voltage until it fits.

use std::time::Duration;

use super::ramp::Ramp;
use crate::model::SupplyModel;
use crate::scpi::command::{Act, Command, Outcome, Reply};
use crate::scpi::error::Fault;
use crate::scpi::quantity::Unit;
use crate::scpi::session::Busy;
use crate::world::World;

/// Greatest voltage and current that can be set, and protection level (invented).
const VOLTAGE_MOST_V: f64 = 3.0;
const CURRENT_MOST_A: f64 = 2.0;
const PROTECTION_MOST_V: f64 = 3.3;

/// Settings and output.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// Set voltage, V.
    pub voltage_v: f64,
    /// Current limit, A.
    pub current_limit_a: f64,
    /// Protection level, V.
    pub protection_v: f64,
    /// Output switched on.
    pub output: bool,
    /// The protection has switched the output off.
    pub tripped: bool,
    /// Something loads the output until the current limit leaves this share of the set voltage.
    pub pulled_to: Option<f64>,
    terminal: Ramp,
    conductance_s: f64,
}

impl Default for Supply {
    fn default() -> Self {
        Self {
            voltage_v: 0.0,
            current_limit_a: 1.0,
            protection_v: PROTECTION_MOST_V,
            output: false,
            tripped: false,
            pulled_to: None,
            terminal: Ramp::at(0.0),
            conductance_s: 0.0,
        }
    }
}

impl Supply {
    /// Voltage at the terminals, V.
    pub fn terminal_v(&self, now: Duration) -> f64 {
        self.terminal.value(now)
    }

    /// Current into the chips, A.
    pub fn current_a(&self, now: Duration) -> f64 {
        self.terminal_v(now) * self.conductance_s
    }

    /// Whether the current limit holds the voltage down.
    pub fn in_current_limit(&self) -> bool {
        self.output && self.voltage_v * self.conductance_s > self.current_limit_a
    }

    fn goal_v(&self) -> f64 {
        match (self.output, self.in_current_limit()) {
            (false, _) => 0.0,
            (true, false) => self.voltage_v,
            (true, true) => self.current_limit_a / self.conductance_s,
        }
    }

    /// Brings the output up to `now` with this load.
    pub fn tick(&mut self, now: Duration, conductance_s: f64, model: &SupplyModel) {
        self.conductance_s = match self.pulled_to {
            Some(share) if self.voltage_v > 0.0 => {
                conductance_s.max(self.current_limit_a / (share * self.voltage_v))
            }
            _ => conductance_s,
        };
        if self.output && self.terminal_v(now) > self.protection_v {
            self.tripped = true;
            self.output = false;
        }
        if self.goal_v() != self.terminal.target() {
            self.terminal.turn(self.goal_v(), model.slew_v_per_s, now);
        }
    }

    /// When something changes by itself; `least_v` is where the chips wake or fall asleep.
    pub fn next_event(&self, now: Duration, least_v: f64) -> Option<Duration> {
        [
            Some(self.terminal.end()),
            self.terminal.crossing(self.protection_v),
            self.terminal.crossing(least_v),
        ]
        .into_iter()
        .flatten()
        .filter(|t| *t > now)
        .min()
    }

    /// Pending: the output still moves.
    pub fn busy(&self, now: Duration) -> Busy {
        let end = self.terminal.end();
        if now < end { Busy::Until(end) } else { Busy::No }
    }

    /// OPERation condition: bit 1 SETTling.
    pub fn operation(&self, now: Duration) -> u16 {
        u16::from(self.busy(now) != Busy::No) << 1
    }

    /// QUEStionable condition: bit 0 voltage not regulated, bit 9 (ours) protection tripped.
    pub fn questionable(&self) -> u16 {
        u16::from(self.in_current_limit()) | u16::from(self.tripped) << 9
    }

    /// `*RST`: output off, everything at its default; a trip stays latched.
    pub fn reset(&mut self) {
        let Self { terminal, conductance_s, tripped, pulled_to, .. } = *self;
        *self = Self { terminal, conductance_s, tripped, pulled_to, ..Self::default() };
    }
}

fn switch(world: &mut World, on: bool) -> Outcome<()> {
    if on && world.supply.tripped {
        return Err(Fault::new(-240, "over-voltage protection has tripped; clear it first"));
    }
    world.supply.output = on;
    Ok(())
}

/// A reading with the meter's noise, rounded to `step`.
fn metered(world: &mut World, value: f64, noise: f64, step: f64) -> f64 {
    let noisy = value + noise * world.reading_noise();
    (noisy / step).round() * step
}

/// The command table.
pub static COMMANDS: &[Command<World>] = &[
    Command {
        header: "[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        act: Act::Number {
            unit: Unit::Volt,
            limits: |_| (0.0, VOLTAGE_MOST_V),
            get: |w| w.supply.voltage_v,
            set: |w, v| {
                w.supply.voltage_v = v;
                Ok(())
            },
        },
    },
    Command {
        header: "[SOURce#:]CURRent[:LEVel][:IMMediate][:AMPLitude]",
        act: Act::Number {
            unit: Unit::Ampere,
            limits: |_| (0.0, CURRENT_MOST_A),
            get: |w| w.supply.current_limit_a,
            set: |w, v| {
                w.supply.current_limit_a = v;
                Ok(())
            },
        },
    },
    Command {
        header: "[SOURce#:]VOLTage:PROTection[:LEVel]",
        act: Act::Number {
            unit: Unit::Volt,
            limits: |_| (0.1, PROTECTION_MOST_V),
            get: |w| w.supply.protection_v,
            set: |w, v| {
                w.supply.protection_v = v;
                Ok(())
            },
        },
    },
    Command {
        header: "[SOURce#:]VOLTage:PROTection:TRIPped",
        act: Act::Query(|w, args| {
            args.end()?;
            Ok(Reply::from(u8::from(w.supply.tripped).to_string()))
        }),
    },
    Command {
        header: "[SOURce#:]VOLTage:PROTection:CLEar",
        act: Act::Event(|w, args| {
            args.end()?;
            w.supply.tripped = false;
            Ok(())
        }),
    },
    Command {
        header: "OUTPut#[:STATe]",
        act: Act::Switch { get: |w| w.supply.output, set: switch },
    },
    Command {
        header: "MEASure[:SCALar]:VOLTage[:DC]",
        act: Act::Reading(|w| {
            let (value, noise) = (w.supply.terminal_v(w.now), w.model.supply.voltage_noise_v);
            metered(w, value, noise, 1e-4)
        }),
    },
    Command {
        header: "MEASure[:SCALar]:CURRent[:DC]",
        act: Act::Reading(|w| {
            let (value, noise) = (w.supply.current_a(w.now), w.model.supply.current_noise_a);
            metered(w, value, noise, 1e-5)
        }),
    },
];
