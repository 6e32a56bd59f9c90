//! The scope: settings, the trigger sequence, and the last acquisition.
//!
//! IDLE, then INITiate: arming, waiting for the trigger, recording with read-out, IDLE again
//! (SCPI-99 vol. 2 ch. 24, one sequence, one layer). A change of any setting that shaped the record
//! makes it stale.

use std::sync::{Arc, OnceLock};
use std::time::Duration;

use super::{BORDERS, bytes_of, check_format};
use crate::model::ScopeModel;
use crate::physics::capture::{Codes, Scene, capture};
use crate::physics::converters::volts_per_code;
use crate::scpi::command::{Act, Args, Command, Outcome, Reply};
use crate::scpi::error::Fault;
use crate::scpi::quantity::{Unit, block, nr3};
use crate::scpi::session::Busy;
use crate::truth::Truth;
use crate::world::World;

/// Least points of a record (invented).
const POINTS_LEAST: f64 = 16.0;
/// Records up to this size are computed on the spot, larger ones beside the connection.
const POINTS_AT_ONCE: usize = 1 << 16;

/// One record: what decides it, and, once somebody asks, its codes.
#[derive(Debug)]
pub struct Acquisition {
    scene: Scene,
    codes: OnceLock<Codes>,
    /// Its number on this bench, from 1.
    pub index: u64,
    /// The true state of the bench at the trigger.
    pub truth: Truth,
}

impl Acquisition {
    /// Of this scene.
    pub fn new(index: u64, scene: Scene, truth: Truth) -> Self {
        Self { index, scene, codes: OnceLock::new(), truth }
    }

    fn codes(&self) -> &Codes {
        self.codes.get_or_init(|| capture(&self.scene))
    }
}

/// Where the trigger sequence stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Idle,
    Arming { until: Duration },
    Waiting,
    Recording { until: Duration },
}

/// Settings and trigger sequence.
#[derive(Debug, Clone)]
pub struct Scope {
    /// Full scale, plus and minus, V.
    pub range_v: f64,
    /// Points of the record.
    pub points: usize,
    /// Sample interval, s.
    pub interval_s: f64,
    /// Start of the record relative to the trigger, s.
    pub offset_s: f64,
    /// Triggered by the source's marker; otherwise at once.
    pub external: bool,
    swapped: bool,
    phase: Phase,
    /// Until then the last change of range is still settling.
    settled_at: Duration,
    acquired: Option<Arc<Acquisition>>,
    /// The last record that was made, also when it cannot be had any more.
    last: Option<Arc<Acquisition>>,
}

impl Default for Scope {
    fn default() -> Self {
        Self {
            range_v: 1.0,
            points: 1000,
            interval_s: 125e-12,
            offset_s: 0.0,
            external: false,
            swapped: false,
            phase: Phase::Idle,
            settled_at: Duration::ZERO,
            acquired: None,
            last: None,
        }
    }
}

impl Scope {
    /// The last finished acquisition, if no setting changed since.
    pub fn acquired(&self) -> Option<&Arc<Acquisition>> {
        self.acquired.as_ref().filter(|_| self.phase == Phase::Idle)
    }

    /// Whether the trigger falls at `now`; then the record begins.
    pub fn is_triggered(&mut self, now: Duration, marker: bool) -> bool {
        if matches!(self.phase, Phase::Arming { until } if until <= now) {
            self.phase = Phase::Waiting;
        }
        self.phase == Phase::Waiting && (marker || !self.external)
    }

    /// The record that the trigger at `now` began.
    pub fn record(&mut self, now: Duration, acquisition: Acquisition, model: &ScopeModel) {
        self.phase = Phase::Recording { until: now + self.record_time(model) };
        let made = Arc::new(acquisition);
        self.last = Some(Arc::clone(&made));
        self.acquired = Some(made);
    }

    /// The acquisition that the trigger at `now` began brings the record before it once more; `None`
    /// when there is none before it.
    pub fn record_again(&mut self, now: Duration, model: &ScopeModel) -> Option<Arc<Acquisition>> {
        let last = self.last.clone()?;
        self.phase = Phase::Recording { until: now + self.record_time(model) };
        self.acquired = Some(Arc::clone(&last));
        Some(last)
    }

    /// Whether a record was made before.
    pub fn has_record(&self) -> bool {
        self.last.is_some()
    }

    fn record_time(&self, model: &ScopeModel) -> Duration {
        let record_s = (self.offset_s + self.points as f64 * self.interval_s).max(0.0);
        let readout_s = self.points as f64 * model.readout_s_per_point;
        Duration::from_secs_f64(record_s + readout_s)
    }

    /// As just switched on.
    pub fn restart(&mut self) {
        *self = Self::default();
    }

    /// Brings the sequence up to `now`, apart from the trigger.
    pub fn tick(&mut self, now: Duration) {
        if matches!(self.phase, Phase::Recording { until } if until <= now) {
            self.phase = Phase::Idle;
        }
    }

    /// When something changes by itself.
    pub fn next_event(&self, now: Duration) -> Option<Duration> {
        match self.phase {
            Phase::Arming { until } | Phase::Recording { until } => {
                Some(until).filter(|t| *t > now)
            }
            Phase::Idle | Phase::Waiting => None,
        }
    }

    /// Pending: the sequence is not idle.
    pub fn busy(&self) -> Busy {
        match self.phase {
            Phase::Idle => Busy::No,
            Phase::Waiting => Busy::Open,
            Phase::Arming { until } | Phase::Recording { until } => Busy::Until(until),
        }
    }

    /// OPERation condition: bit 4 MEASuring, bit 5 waiting for TRIGger.
    pub fn operation(&self) -> u16 {
        match self.phase {
            Phase::Idle => 0,
            Phase::Recording { .. } => 1 << 4,
            Phase::Arming { .. } | Phase::Waiting => 1 << 5,
        }
    }

    /// `*RST`: idle, settings to defaults, nothing acquired.
    pub fn reset(&mut self) {
        *self = Self { last: self.last.take(), ..Self::default() };
    }

    /// Ends the sequence; a record that was under way is lost.
    fn abort(&mut self) {
        if self.phase != Phase::Idle {
            self.phase = Phase::Idle;
            self.acquired = None;
        }
    }

    /// Changes a setting that shapes the record: refused while one is under way, and a changed
    /// value makes the last one stale.
    fn change<T: PartialEq>(&mut self, value: T, slot: fn(&mut Self) -> &mut T) -> Outcome<()> {
        if *slot(self) == value {
            return Ok(());
        }
        if self.phase != Phase::Idle {
            return Err(Fault::new(-221, "an acquisition is under way"));
        }
        *slot(self) = value;
        self.acquired = None;
        Ok(())
    }
}

fn initiate(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<()> {
    args.end()?;
    if world.scope.phase != Phase::Idle {
        return Err(Fault::bare(-213));
    }
    let ready = world.now.max(world.scope.settled_at);
    let until = ready + Duration::from_secs_f64(world.model.scope.arming_s);
    world.scope.phase = Phase::Arming { until };
    world.scope.acquired = None;
    Ok(())
}

/// Amplifiers and converters settle after a change of range.
fn set_range(world: &mut World, range_v: f64) -> Outcome<()> {
    let before = world.scope.range_v;
    world.scope.change(range_v, |s| &mut s.range_v)?;
    if range_v != before {
        let settle = Duration::from_secs_f64(world.model.scope.range_settle_s);
        world.scope.settled_at = world.now + settle;
    }
    Ok(())
}

/// Least and most points of a record.
fn points(world: &World) -> (f64, f64) {
    (POINTS_LEAST, world.model.scope.points_most as f64)
}

fn fetch(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<Reply> {
    let channel = args.choice(CHANNELS)?;
    args.end()?;
    let acquired = world
        .scope
        .acquired()
        .ok_or_else(|| Fault::new(-230, "nothing acquired with the settings in force"))?;
    if acquired.codes.get().is_none() && acquired.scene.points > POINTS_AT_ONCE {
        let later = Arc::clone(acquired);
        return Ok(Reply::After(Arc::new(move || {
            later.codes();
        })));
    }
    let codes = acquired.codes();
    let line = if channel == 0 { &codes.i } else { &codes.q };
    Ok(Reply::Now(block(&bytes_of(line.iter().copied(), world.scope.swapped))))
}

fn scale(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<Reply> {
    args.choice(CHANNELS)?;
    args.end()?;
    let bits = world.model.scope.bits;
    let step_v = volts_per_code(world.scope.range_v, bits);
    Ok(Reply::from(format!("{},{},{bits}", nr3(step_v), nr3(0.0))))
}

/// CH1 is the in-phase line, CH2 the quadrature line.
const CHANNELS: &[&str] = &["CH1", "CH2"];

/// The command table.
pub static COMMANDS: &[Command<World>] = &[
    Command {
        header: "[SENSe#:]VOLTage[:DC]:RANGe[:UPPer]",
        act: Act::Number {
            unit: Unit::Volt,
            limits: |_| (0.005, 2.0),
            get: |w| w.scope.range_v,
            set: set_range,
        },
    },
    Command {
        header: "[SENSe#:]SWEep:POINts",
        act: Act::Integer {
            limits: points,
            get: |w| w.scope.points as f64,
            set: |w, v| w.scope.change(v as usize, |s| &mut s.points),
        },
    },
    Command {
        header: "[SENSe#:]SWEep:TINTerval",
        act: Act::Number {
            unit: Unit::Second,
            limits: |w| w.model.scope.interval_limits_s.into(),
            get: |w| w.scope.interval_s,
            set: |w, v| w.scope.change(v, |s| &mut s.interval_s),
        },
    },
    Command {
        header: "[SENSe#:]SWEep:TIME",
        act: Act::Number {
            unit: Unit::Second,
            limits: |w| {
                let (least, most) = points(w);
                (least * w.scope.interval_s, most * w.scope.interval_s)
            },
            get: |w| w.scope.points as f64 * w.scope.interval_s,
            set: |w, v| {
                let points = (v / w.scope.interval_s).round() as usize;
                w.scope.change(points, |s| &mut s.points)
            },
        },
    },
    Command {
        header: "[SENSe#:]SWEep:OFFSet:TIME",
        act: Act::Number {
            unit: Unit::Second,
            limits: |_| (-10.0, 10.0),
            get: |w| w.scope.offset_s,
            set: |w, v| w.scope.change(v, |s| &mut s.offset_s),
        },
    },
    Command {
        header: "TRIGger#:SOURce",
        act: Act::Word {
            words: &["IMMediate", "EXTernal"],
            get: |w| usize::from(w.scope.external),
            set: |w, word| w.scope.change(word == 1, |s| &mut s.external),
        },
    },
    Command { header: "INITiate[:IMMediate]", act: Act::Event(initiate) },
    Command {
        header: "ABORt",
        act: Act::Event(|w, args| {
            args.end()?;
            w.scope.abort();
            Ok(())
        }),
    },
    Command {
        header: "FORMat[:DATA]",
        act: Act::Both(
            |_, args| check_format(args),
            |_, args| args.end().map(|()| Reply::from("INT,16".to_owned())),
        ),
    },
    Command {
        header: "FORMat:BORDer",
        act: Act::Word {
            words: BORDERS,
            get: |w| usize::from(w.scope.swapped),
            set: |w, word| {
                w.scope.swapped = word == 1;
                Ok(())
            },
        },
    },
    Command { header: "TRACe:SCALe", act: Act::Query(scale) },
    Command { header: "TRACe[:DATA]", act: Act::Query(fetch) },
];
