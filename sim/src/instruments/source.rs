//! The waveform source: named traces in memory, one of which is played in a loop.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::{BORDERS, bytes_of, check_format};
use crate::physics::capture::Waveform;
use crate::scpi::command::{Act, Args, Command, Outcome, Reply};
use crate::scpi::error::Fault;
use crate::scpi::quantity::{Unit, block};
use crate::world::World;

/// Bytes of one point: I and Q, 16 bits each.
const POINT_BYTES: usize = 4;

/// Settings and memory.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Sample clock, Hz.
    pub clock_hz: f64,
    /// Peak voltage of the full-scale code, V.
    pub amplitude_v: f64,
    /// Plays the selected trace; otherwise 0 V DC.
    pub user_shape: bool,
    /// The trace that USER plays.
    pub selected: Option<String>,
    /// Output switched on.
    pub output: bool,
    /// Plays nothing although it is told to.
    pub stalled: bool,
    swapped: bool,
    traces: BTreeMap<String, Arc<Waveform>>,
    /// The trace with a hole, as it is and as it was.
    holed: Option<(Arc<Waveform>, Arc<Waveform>)>,
}

impl Default for Source {
    fn default() -> Self {
        Self {
            clock_hz: 1e9,
            amplitude_v: 0.1,
            user_shape: false,
            selected: None,
            output: false,
            stalled: false,
            swapped: false,
            traces: BTreeMap::new(),
            holed: None,
        }
    }
}

impl Source {
    /// What comes out of the output, if anything does: also when the marker beats.
    pub fn playing(&self) -> Option<Arc<Waveform>> {
        let plays = self.output && self.user_shape && !self.stalled;
        let name = self.selected.as_ref().filter(|_| plays)?;
        self.traces.get(name).cloned()
    }

    /// Whether what plays has a hole.
    pub fn plays_hole(&self) -> bool {
        let holed = self.holed.as_ref().map(|(holed, _)| holed);
        self.playing().is_some_and(|playing| holed.is_some_and(|h| Arc::ptr_eq(h, &playing)))
    }

    /// Silences a share of the selected trace, in its middle; the points silenced.
    pub fn drop_segment(&mut self, share: f64) -> Option<usize> {
        self.mend();
        let name = self.selected.clone()?;
        let whole = self.traces.get(&name)?.clone();
        let points = ((share * whole.len() as f64).ceil() as usize).min(whole.len());
        let first = (whole.len() - points) / 2;
        let mut codes = whole.codes().to_vec();
        codes[first..first + points].fill([0, 0]);
        let holed = Arc::new(Waveform::from_codes(codes));
        self.traces.insert(name, Arc::clone(&holed));
        self.holed = Some((holed, whole));
        Some(points)
    }

    /// Puts back what a hole silenced, where the trace was not loaded anew since.
    pub fn mend(&mut self) {
        let Some((holed, whole)) = self.holed.take() else { return };
        let same = self.traces.values_mut().find(|trace| Arc::ptr_eq(trace, &holed));
        if let Some(trace) = same {
            *trace = whole;
        }
    }

    /// `*RST`: nothing plays, settings to defaults; the traces stay in memory.
    pub fn reset(&mut self) {
        let (traces, holed) = (std::mem::take(&mut self.traces), self.holed.take());
        *self = Self { traces, holed, ..Self::default() };
    }

    fn used(&self) -> usize {
        self.traces.values().map(|trace| trace.len()).sum()
    }

    fn trace(&self, name: &str) -> Outcome<&Arc<Waveform>> {
        self.traces.get(name).ok_or_else(|| Fault::new(-292, name))
    }

    /// A deleted trace cannot go on playing: the shape falls back to DC.
    fn forget(&mut self, name: &str) {
        self.traces.remove(name);
        if self.selected.as_deref() == Some(name) {
            self.selected = None;
            self.user_shape = false;
        }
    }

    fn load(&mut self, name: &str, bytes: &[u8]) -> Outcome<()> {
        let points = self.trace(name)?.len();
        if !bytes.len().is_multiple_of(POINT_BYTES) {
            return Err(Fault::new(-161, format!("{} bytes are no I/Q pairs", bytes.len())));
        }
        let sent = bytes.len() / POINT_BYTES;
        if sent != points {
            let code = if sent > points { -223 } else { -226 };
            return Err(Fault::new(code, format!("{name} has {points} points, got {sent}")));
        }
        let swapped = self.swapped;
        let code =
            move |b: [u8; 2]| if swapped { i16::from_le_bytes(b) } else { i16::from_be_bytes(b) };
        let codes = bytes
            .as_chunks::<POINT_BYTES>()
            .0
            .iter()
            .map(|[a, b, c, d]| [code([*a, *b]), code([*c, *d])])
            .collect();
        self.traces.insert(name.to_owned(), Arc::new(Waveform::from_codes(codes)));
        Ok(())
    }
}

fn define(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<()> {
    let name = args.name()?;
    let memory = world.model.source.memory_points;
    let points = args.number(Unit::Plain, (1.0, memory as f64))?.round() as usize;
    args.end()?;
    if name == "NONE" {
        return Err(Fault::new(-224, "NONE stands for no trace"));
    }
    if world.source.traces.contains_key(&name) {
        return Err(Fault::new(-293, name));
    }
    if world.source.used() + points > memory {
        return Err(Fault::new(-225, format!("{points} points do not fit")));
    }
    let silence = Arc::new(Waveform::from_codes(vec![[0, 0]; points]));
    world.source.traces.insert(name, silence);
    Ok(())
}

fn select(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<()> {
    let name = args.name()?;
    args.end()?;
    world.source.trace(&name)?;
    world.source.selected = Some(name);
    Ok(())
}

fn shape(world: &mut World, word: usize) -> Outcome<()> {
    if word == 1 && world.source.selected.is_none() {
        return Err(Fault::new(-221, "no trace is selected for USER"));
    }
    world.source.user_shape = word == 1;
    world.source.stalled = false;
    Ok(())
}

fn delete(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<()> {
    let name = args.name()?;
    args.end()?;
    world.source.trace(&name)?;
    world.source.forget(&name);
    Ok(())
}

fn delete_all(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<()> {
    args.end()?;
    let names: Vec<String> = world.source.traces.keys().cloned().collect();
    names.iter().for_each(|name| world.source.forget(name));
    Ok(())
}

fn load(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<()> {
    let name = args.name()?;
    let bytes = args.block()?;
    args.end()?;
    world.source.load(&name, bytes)
}

fn fetch(world: &mut World, args: &mut Args<'_, '_>) -> Outcome<Reply> {
    let name = args.name()?;
    args.end()?;
    let codes = world.source.trace(&name)?.codes().iter().flatten().copied();
    Ok(Reply::Now(block(&bytes_of(codes, world.source.swapped))))
}

/// The command table.
pub static COMMANDS: &[Command<World>] = &[
    Command {
        header: "[SOURce#:]CLOCk[:FREQuency]",
        act: Act::Number {
            unit: Unit::Hertz,
            limits: |w| w.model.source.clock_limits_hz.into(),
            get: |w| w.source.clock_hz,
            set: |w, v| {
                w.source.clock_hz = v;
                Ok(())
            },
        },
    },
    Command {
        header: "[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        act: Act::Number {
            unit: Unit::Volt,
            limits: |_| (0.01, 1.0),
            get: |w| w.source.amplitude_v,
            set: |w, v| {
                w.source.amplitude_v = v;
                Ok(())
            },
        },
    },
    Command {
        header: "[SOURce#:]FUNCtion[:SHAPe]",
        act: Act::Word {
            words: &["DC", "USER"],
            get: |w| usize::from(w.source.user_shape),
            set: shape,
        },
    },
    Command {
        header: "[SOURce#:]FUNCtion:USER",
        act: Act::Both(select, |w, args| {
            args.end()?;
            Ok(Reply::from(w.source.selected.clone().unwrap_or_else(|| "NONE".to_owned())))
        }),
    },
    Command {
        header: "OUTPut#[:STATe]",
        act: Act::Switch {
            get: |w| w.source.output,
            set: |w, on| {
                w.source.output = on;
                w.source.stalled = false;
                Ok(())
            },
        },
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
            get: |w| usize::from(w.source.swapped),
            set: |w, word| {
                w.source.swapped = word == 1;
                Ok(())
            },
        },
    },
    Command {
        header: "TRACe:CATalog",
        act: Act::Query(|w, args| {
            args.end()?;
            let names: Vec<String> = w.source.traces.keys().map(|n| format!("\"{n}\"")).collect();
            Ok(Reply::from(if names.is_empty() { "\"\"".to_owned() } else { names.join(",") }))
        }),
    },
    Command { header: "TRACe:DEFine", act: Act::Event(define) },
    Command { header: "TRACe:DELete[:NAME]", act: Act::Event(delete) },
    Command { header: "TRACe:DELete:ALL", act: Act::Event(delete_all) },
    Command {
        header: "TRACe:FREE",
        act: Act::Query(|w, args| {
            args.end()?;
            let used = w.source.used();
            Ok(Reply::from(format!("{},{used}", w.model.source.memory_points - used)))
        }),
    },
    Command {
        header: "TRACe:POINts",
        act: Act::Query(|w, args| {
            let name = args.name()?;
            args.end()?;
            Ok(Reply::from(w.source.trace(&name)?.len().to_string()))
        }),
    },
    Command { header: "TRACe[:DATA]", act: Act::Both(load, fetch) },
];
