//! The one shared state of a bench: all instruments, and time moving through them.
//!
//! Whoever wants to see or change the bench first advances it: events that lie between the last
//! visit and now happen in order, each with the whole bench as it was at that instant. Nothing runs
//! in the background, and nothing here reads a clock.

use std::time::Duration;

use crate::geometry::blockages;
use crate::instruments::dut::{Dut, Instant, Refusal};
use crate::instruments::scope::{Acquisition, Scope};
use crate::instruments::source::Source;
use crate::instruments::supply::Supply;
use crate::instruments::turntable::Turntable;
use crate::model::Model;
use crate::physics::blockage::Blockages;
use crate::physics::capture::{Ray, Scene, Signal, Start};
use crate::physics::filter::{Bank, LowPass};
use crate::physics::gaussian::{Purpose, Stream};
use crate::physics::link::channel_centre_hz;
use crate::post::Post;
use crate::scpi::front::Front;
use crate::scpi::session::{Busy, Host};
use crate::side::Side;
use crate::truth::Truth;

/// Everything there is.
#[derive(Debug)]
pub struct World {
    /// The numbers it rests on.
    pub model: Model,
    /// Time since the bench began.
    pub now: Duration,
    /// The instrument that is being spoken to.
    pub active: Post,
    /// Waveform source.
    pub source: Source,
    /// Scope.
    pub scope: Scope,
    /// Device under test.
    pub dut: Dut,
    /// Turntable.
    pub turntable: Turntable,
    /// Supply.
    pub supply: Supply,
    /// Transmit array.
    pub tx_side: Side,
    /// Receive array.
    pub rx_side: Side,
    /// What can stand in the way of the signal.
    pub blockages: Blockages,
    fronts: [Front; 5],
    power_ups: u64,
    acquisitions: u64,
    readings: u64,
    revision: u64,
    filters: Bank,
}

impl World {
    /// A bench just switched on.
    pub fn new(model: Model) -> Self {
        Self {
            now: Duration::ZERO,
            active: Post::Source,
            source: Source::default(),
            scope: Scope::default(),
            dut: Dut::new(&model.tx.array, &model.rx.array),
            turntable: Turntable::new(&model.turntable),
            supply: Supply::default(),
            tx_side: Side::tx(&model.tx.array, model.seed),
            rx_side: Side::rx(&model.rx.array, model.seed),
            blockages: blockages(&model.path, model.seed),
            fronts: std::array::from_fn(|_| Front::default()),
            power_ups: 0,
            acquisitions: 0,
            readings: 0,
            revision: 0,
            filters: Bank::default(),
            model,
        }
    }

    /// Lets time pass until `now`.
    pub fn advance(&mut self, now: Duration) {
        while let Some(event) = self.next_event().filter(|t| *t <= now) {
            self.now = event;
            self.tick();
        }
        self.now = self.now.max(now);
        self.tick();
    }

    /// Counts what clients did: whoever waits looks again when it has changed.
    pub fn revision(&self) -> u64 {
        self.revision
    }

    fn next_event(&self) -> Option<Duration> {
        let least_v = self.model.chips.supply_least_v;
        [
            self.supply.next_event(self.now, least_v),
            self.dut.next_event(self.now),
            self.turntable.next_event(self.now),
            self.scope.next_event(self.now),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Everything that follows from the present instant and the settings in force.
    fn tick(&mut self) {
        self.power();
        self.turntable.tick(self.now);
        self.scope.tick(self.now);
        let marker = self.source.playing().is_some();
        if self.scope.is_triggered(self.now, marker) {
            let acquisition = Acquisition::new(self.scene(), self.truth());
            self.acquisitions += 1;
            self.scope.record(self.now, acquisition, &self.model.scope);
        }
        for post in Post::ALL {
            let (operation, questionable) = self.conditions(post);
            let idle = self.busy_at(post) == Busy::No;
            let front = &mut self.fronts[post.index()];
            front.operation.observe(operation);
            front.questionable.observe(questionable);
            if idle {
                front.note_idle();
            }
        }
    }

    /// Supply and chips settle on each other: chips that lose power also stop drawing current.
    fn power(&mut self) {
        let load = self.dut.conductance_s(&self.model.chips);
        self.supply.tick(self.now, load, &self.model.supply);
        let was_powered = self.dut.powered;
        self.dut.tick(self.supply.terminal_v(self.now), &self.model.chips);
        if was_powered && !self.dut.powered {
            let load = self.dut.conductance_s(&self.model.chips);
            self.supply.tick(self.now, load, &self.model.supply);
        }
        self.condition_arrays(was_powered);
    }

    /// What power-up and temperature do to the elements.
    fn condition_arrays(&mut self, was_powered: bool) {
        let supply_v = self.supply.terminal_v(self.now);
        self.dut.warm(self.now, supply_v, &self.model.chips);
        if self.dut.powered && !was_powered {
            self.power_ups += 1;
            let (seed, count) = (self.model.seed, self.power_ups);
            self.tx_side.power_up(&self.model.tx.array, seed, count);
            self.rx_side.power_up(&self.model.rx.array, seed, count);
        }
        self.tx_side.temperature_c = self.dut.tx.temperature_c(supply_v, &self.model.chips);
        self.rx_side.temperature_c = self.dut.rx.temperature_c(supply_v, &self.model.chips);
    }

    fn conditions(&self, post: Post) -> (u16, u16) {
        match post {
            Post::Source | Post::DutPort => (0, 0),
            Post::Scope => (self.scope.operation(), 0),
            Post::Turntable => (self.turntable.operation(self.now), 0),
            Post::Supply => (self.supply.operation(self.now), self.supply.questionable()),
        }
    }

    fn busy_at(&self, post: Post) -> Busy {
        match post {
            Post::Source | Post::DutPort => Busy::No,
            Post::Scope => self.scope.busy(),
            Post::Turntable => self.turntable.busy(self.now),
            Post::Supply => self.supply.busy(self.now),
        }
    }

    /// Identity of an instrument: maker, model, serial, firmware.
    pub fn identity_of(&self, post: Post) -> String {
        let model = match post {
            Post::Source => "SIM-SOURCE",
            Post::Scope => "SIM-SCOPE",
            Post::DutPort => "SIM-TRANSCEIVER",
            Post::Turntable => "SIM-TURNTABLE",
            Post::Supply => "SIM-SUPPLY",
        };
        format!("BEAMWARDEN,{model},0,{}", env!("CARGO_PKG_VERSION"))
    }

    /// What a register access sees.
    pub fn instant(&self) -> Instant<'_> {
        let supply_v = self.supply.terminal_v(self.now);
        Instant { now: self.now, supply_v, model: &self.model.chips }
    }

    /// Reads a DUT register.
    pub fn read_register(&self, address: u16) -> Result<u16, Refusal> {
        self.dut.read(address, &self.instant())
    }

    /// Writes a DUT register.
    pub fn write_register(&mut self, address: u16, value: u16) -> Result<(), Refusal> {
        let supply_v = self.supply.terminal_v(self.now);
        let at = Instant { now: self.now, supply_v, model: &self.model.chips };
        self.dut.write(address, value, &at)
    }

    /// The next deviate of the meters' noise.
    pub fn reading_noise(&mut self) -> f64 {
        let index = self.readings;
        self.readings += 1;
        Stream::new(self.model.seed, Purpose::Reading, index).normal()
    }

    /// Carriers of transmitter and receiver, Hz, with their references' errors.
    pub fn carriers_hz(&self) -> (f64, f64) {
        let real = |channel, ppm: f64| channel_centre_hz(channel) * (1.0 + 1e-6 * ppm);
        (
            real(self.dut.tx.channel, self.model.tx.reference_ppm),
            real(self.dut.rx.channel, self.model.rx.reference_ppm),
        )
    }

    /// Whether what is transmitted reaches the receiver's baseband.
    pub fn is_linked(&self) -> bool {
        let (tx, rx) = (&self.dut.tx, &self.dut.rx);
        self.dut.powered
            && tx.is_locked(self.now)
            && rx.is_locked(self.now)
            && tx.channel == rx.channel
    }

    /// Whether the receiver amplifies anything, if only its own noise.
    pub fn is_listening(&self) -> bool {
        self.dut.powered && self.dut.rx.enabled
    }

    /// What an acquisition triggered now would show.
    fn scene(&mut self) -> Scene {
        let filter = LowPass { pass_hz: self.model.rx.pass_hz, stop_hz: self.model.rx.stop_hz };
        let interval_s = self.scope.interval_s / (1.0 + 1e-6 * self.model.scope.clock_ppm);
        let link = self.budget();
        Scene {
            seed: self.model.seed,
            index: self.acquisitions,
            signal: self.signal(&filter),
            shaper: self.filters.shaper(&filter, interval_s),
            noise_v2_per_hz: if self.is_listening() { link.noise_v2_per_hz } else { 0.0 },
            start: if self.scope.external { Start::Marker } else { Start::Free },
            trigger_jitter_s: self.model.scope.trigger_jitter_s,
            offset_s: self.scope.offset_s,
            points: self.scope.points,
            interval_s,
            range_v: self.scope.range_v,
            bits: self.model.scope.bits,
            scope_noise_v: self.model.scope.noise_of_range * self.scope.range_v,
        }
    }

    /// What arrives from the source now.
    fn signal(&mut self, filter: &LowPass) -> Option<Signal> {
        let waveform = self.source.playing().filter(|_| self.is_linked())?;
        let rate_hz = self.source.clock_hz * (1.0 + 1e-6 * self.model.source.clock_ppm);
        let (tx_hz, rx_hz) = self.carriers_hz();
        let amplitude_v = self.source.amplitude_v;
        let at_amplitude = |ray: Ray| Ray { gain: ray.gain * amplitude_v, ..ray };
        Some(Signal {
            waveform,
            rate_hz,
            interpolator: self.filters.interpolator(filter, rate_hz),
            rays: self.rays().into_iter().map(at_amplitude).collect(),
            carrier_offset_hz: tx_hz - rx_hz,
        })
    }

    /// The true state now.
    pub fn truth(&self) -> Truth {
        Truth::of(self)
    }
}

impl Host for World {
    fn front(&mut self) -> &mut Front {
        &mut self.fronts[self.active.index()]
    }

    fn busy(&self) -> Busy {
        self.busy_at(self.active)
    }

    fn settle(&mut self) {
        self.revision += 1;
        self.tick();
    }

    fn reset(&mut self) {
        match self.active {
            Post::Source => self.source.reset(),
            Post::Scope => self.scope.reset(),
            Post::Turntable => self.turntable.reset(self.now, &self.model.turntable),
            Post::Supply => self.supply.reset(),
            Post::DutPort => {}
        }
    }

    fn identity(&self) -> String {
        self.identity_of(self.active)
    }
}
