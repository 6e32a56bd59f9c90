//! The one shared state of a bench: all instruments, and time moving through them.
//!
//! Whoever wants to see or change the bench first advances it: events that lie between the last
//! visit and now happen in order, each with the whole bench as it was at that instant. Nothing runs
//! in the background, and nothing here reads a clock.

use std::time::Duration;

use crate::chain::Chain;
use crate::changes::{By, Onlooker};
use crate::faults::{FaultPlan, Faults};
use crate::geometry::blockages;
use crate::instruments::dut::{Dut, Instant, Refusal};
use crate::instruments::scope::{Acquisition, Scope};
use crate::instruments::source::Source;
use crate::instruments::supply::Supply;
use crate::instruments::turntable::Turntable;
use crate::model::Model;
use crate::physics::blockage::Blockages;
use crate::physics::gaussian::{Purpose, Stream};
use crate::physics::link::channel_centre_hz;
use crate::post::Post;
use crate::scpi::front::Front;
use crate::scpi::session::{Busy, Host};
use crate::side::Side;
use crate::truth::{Acquired, Acquisitions, Truth};

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
    /// What goes wrong.
    pub(crate) faults: Faults,
    /// The true state at the last triggers.
    pub(crate) log: Acquisitions,
    /// What was ever changed.
    pub(crate) onlooker: Onlooker,
    /// What can stand in the way of the signal.
    pub blockages: Blockages,
    fronts: [Front; 5],
    power_ups: u64,
    acquisitions: u64,
    readings: u64,
    revision: u64,
    /// The signal chain's own state.
    pub chain: Chain,
}

impl World {
    /// A bench just switched on, on which nothing goes wrong by plan.
    pub fn new(model: Model) -> Self {
        Self::with_faults(model, &FaultPlan::default())
    }

    /// A bench just switched on, and what goes wrong on it.
    pub fn with_faults(model: Model, plan: &FaultPlan) -> Self {
        let mut world = Self {
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
            faults: Faults::new(plan, model.seed),
            log: Acquisitions::default(),
            onlooker: Onlooker::default(),
            fronts: std::array::from_fn(|_| Front::default()),
            power_ups: 0,
            acquisitions: 0,
            readings: 0,
            revision: 0,
            chain: Chain::new(&model),
            model,
        };
        Post::ALL.into_iter().for_each(|post| world.look(post, By::Itself));
        world
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
            self.faults.next_event().filter(|t| *t > self.now),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Everything that follows from the present instant and the settings in force.
    fn tick(&mut self) {
        self.faults_by_time();
        self.power();
        self.turntable.tick(self.now);
        self.scope.tick(self.now);
        if self.scope.is_triggered(self.now, self.source.playing().is_some()) {
            self.faults_at_capture();
            self.power();
            // A fault may have taken away the trigger, or what waited for it.
            if self.scope.is_triggered(self.now, self.source.playing().is_some()) {
                self.acquire();
            }
        }
        for post in Post::ALL {
            self.look(post, By::Itself);
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

    /// The trigger falls.
    fn acquire(&mut self) {
        let acquisition =
            Acquisition::new(self.acquisitions + 1, self.scene(self.acquisitions), self.truth());
        self.acquisitions += 1;
        let (index, truth) = (acquisition.index, acquisition.truth.clone());
        let again = if self.scope.has_record() && self.trace_is_stale() {
            self.scope.record_again(self.now, &self.model.scope)
        } else {
            None
        };
        let hands_out = again.map_or(index, |again| again.index);
        if hands_out == index {
            self.scope.record(self.now, acquisition, &self.model.scope);
        }
        self.log.push(Acquired { index, hands_out, truth });
    }

    /// The front of an instrument.
    pub(crate) fn front_of(&mut self, post: Post) -> &mut Front {
        &mut self.fronts[post.index()]
    }

    /// Whoever waits shall look again.
    pub(crate) fn changed(&mut self) {
        self.revision += 1;
    }

    /// Supply and chips settle on each other: chips that lose power also stop drawing current.
    fn power(&mut self) {
        // What the chips draw depends on how warm they are by now.
        self.dut.warm(self.now, self.supply.terminal_v(self.now), &self.model.chips);
        let load = self.dut.conductance_s(self.supply.terminal_v(self.now), &self.model.chips);
        self.supply.tick(self.now, load, &self.model.supply);
        let was_powered = self.dut.powered;
        self.dut.tick(self.supply.terminal_v(self.now), &self.model.chips);
        if was_powered && !self.dut.powered {
            let load = self.dut.conductance_s(self.supply.terminal_v(self.now), &self.model.chips);
            self.supply.tick(self.now, load, &self.model.supply);
        }
        self.condition_arrays(was_powered);
    }

    /// What power-up and temperature do to the elements.
    fn condition_arrays(&mut self, was_powered: bool) {
        let supply_v = self.supply.terminal_v(self.now);
        self.dut.warm(self.now, supply_v, &self.model.chips);
        if self.dut.powered && !was_powered {
            self.power_up();
        }
        self.tx_side.temperature_c = self.dut.tx.temperature_c(supply_v, &self.model.chips);
        self.rx_side.temperature_c = self.dut.rx.temperature_c(supply_v, &self.model.chips);
    }

    /// The chips start anew, and their elements somewhere else than the last time.
    pub(crate) fn power_up(&mut self) {
        self.power_ups += 1;
        let (seed, count) = (self.model.seed, self.power_ups);
        self.tx_side.power_up(&self.model.tx.array, seed, count);
        self.rx_side.power_up(&self.model.rx.array, seed, count);
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
        self.look(Post::DutPort, By::Itself);
        self.hold(Post::DutPort);
        let at = Instant { now: self.now, supply_v, model: &self.model.chips };
        let outcome = self.dut.write(address, value, &at);
        self.release(Post::DutPort);
        self.look(Post::DutPort, By::Client);
        outcome
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
        let (tx_ppm, rx_ppm) = self.references_ppm();
        (real(self.dut.tx.channel, tx_ppm), real(self.dut.rx.channel, rx_ppm))
    }

    /// Whether what is transmitted reaches the receiver's baseband.
    pub fn is_linked(&self) -> bool {
        let (tx, rx, at) = (&self.dut.tx, &self.dut.rx, self.instant());
        self.dut.powered && tx.has_lock(&at) && rx.has_lock(&at) && tx.channel == rx.channel
    }

    /// Whether the receiver amplifies anything, if only its own noise.
    pub fn is_listening(&self) -> bool {
        self.dut.powered && self.dut.rx.enabled
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
        self.look(self.active, By::Itself);
        match self.active {
            Post::Source => self.source.reset(),
            Post::Scope => self.scope.reset(),
            Post::Turntable => self.turntable.reset(self.now, &self.model.turntable),
            Post::Supply => self.supply.reset(),
            Post::DutPort => {}
        }
        self.look(self.active, By::Client);
    }

    fn identity(&self) -> String {
        self.identity_of(self.active)
    }

    fn begin_message(&mut self) -> bool {
        self.faults_at_command(self.active)
    }

    fn begin_command(&mut self) {
        self.look(self.active, By::Itself);
        self.hold(self.active);
    }

    fn end_command(&mut self) {
        self.release(self.active);
        self.look(self.active, By::Client);
    }
}
