//! The back door: what is true of the bench, for tests and for judging what a client concluded.
//!
//! Knows nothing of how a client works. All figures follow from the state by closed forms; nothing
//! is measured.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use crate::geometry::Course;
use crate::instruments::dut::Chip;
use crate::physics::array::{Direction, ElementCode};
use crate::physics::capture::{Ray, Waveform};
use crate::physics::converters::volts_per_code;
use crate::physics::link::{free_space_loss_db, power_density_w_m2};
use crate::side::Side;
use crate::world::World;

/// Acquisitions that the back door keeps unless it is told otherwise.
pub const ACQUISITIONS_KEPT: usize = 1024;

/// One acquisition, as the back door keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct Acquired {
    /// Its number on this bench, from 1.
    pub index: u64,
    /// The acquisition whose record the scope hands out: itself, or by a fault the one before.
    pub hands_out: u64,
    /// The true state at its trigger.
    pub truth: Truth,
}

/// The last acquisitions, a bounded number of them.
#[derive(Debug)]
pub(crate) struct Acquisitions {
    kept: VecDeque<Acquired>,
    most: usize,
}

impl Default for Acquisitions {
    fn default() -> Self {
        Self { kept: VecDeque::new(), most: ACQUISITIONS_KEPT }
    }
}

impl Acquisitions {
    pub fn push(&mut self, acquired: Acquired) {
        self.kept.push_back(acquired);
        self.keep(self.most);
    }

    pub fn keep(&mut self, most: usize) {
        self.most = most;
        self.kept.drain(..self.kept.len().saturating_sub(most));
    }

    pub fn all(&self) -> Vec<Acquired> {
        self.kept.iter().cloned().collect()
    }
}

/// The true state of a bench at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Time since the bench began.
    pub at: Duration,
    /// Waveform source.
    pub source: SourceTruth,
    /// Scope.
    pub scope: ScopeTruth,
    /// Supply.
    pub supply: SupplyTruth,
    /// Turntable.
    pub turntable: TurntableTruth,
    /// Whether the chips have power.
    pub powered: bool,
    /// Transmitter.
    pub tx: ChipTruth,
    /// Receiver.
    pub rx: ChipTruth,
    /// Between source and scope.
    pub link: LinkTruth,
    pub(crate) arrays: (Side, Side),
}

/// True state of the waveform source.
#[derive(Debug, Clone, PartialEq)]
pub struct SourceTruth {
    /// Sample clock as set, Hz.
    pub clock_hz: f64,
    /// Peak voltage of the full-scale code, V.
    pub amplitude_v: f64,
    /// Output switched on.
    pub output: bool,
    /// The trace that is playing.
    pub playing: Option<String>,
    /// A fault has put a hole of silence into what plays.
    pub has_hole: bool,
    /// The samples that it really plays, whatever was loaded.
    pub samples: Option<Arc<Waveform>>,
    /// Mean `I^2 + Q^2` at the output while the waveform is not silent, V^2; 0 when nothing plays.
    pub mean_square_v2: f64,
}

/// True state of the scope.
#[derive(Debug, Clone, PartialEq)]
pub struct ScopeTruth {
    /// Full scale, plus and minus, V.
    pub range_v: f64,
    /// Points of a record.
    pub points: usize,
    /// Sample interval as set, s.
    pub interval_s: f64,
    /// Start of the record relative to the trigger, s.
    pub offset_s: f64,
    /// Triggered by the source's marker.
    pub external: bool,
}

/// True state of the supply.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyTruth {
    /// Set voltage, V.
    pub voltage_v: f64,
    /// Current limit, A.
    pub current_limit_a: f64,
    /// Protection level, V.
    pub protection_v: f64,
    /// Output switched on.
    pub output: bool,
    /// Protection has tripped.
    pub tripped: bool,
    /// Voltage at the terminals, V.
    pub terminal_v: f64,
    /// Current, A.
    pub current_a: f64,
}

/// True state of the turntable.
#[derive(Debug, Clone, PartialEq)]
pub struct TurntableTruth {
    /// Where the table really is, deg.
    pub angle_deg: f64,
    /// Where its encoder believes it to be, deg.
    pub encoder_deg: f64,
    /// Where it was sent, deg.
    pub target_deg: f64,
    /// Whether it turns.
    pub moving: bool,
    /// Speed of the next move, deg/s.
    pub speed_deg_per_s: f64,
    /// Drive on.
    pub drive: bool,
}

/// True state of one chip.
#[derive(Debug, Clone, PartialEq)]
pub struct ChipTruth {
    /// Enabled.
    pub enabled: bool,
    /// Locked.
    pub locked: bool,
    /// Channel.
    pub channel: u16,
    /// Gain code.
    pub gain: u16,
    /// What each element is set to.
    pub codes: Vec<ElementCode>,
    /// Temperature, degC.
    pub temperature_c: f64,
}

/// True state of the link.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkTruth {
    /// Whether what is transmitted reaches the receiver's baseband: both chips locked, one channel.
    pub linked: bool,
    /// Carrier of the transmitter, Hz.
    pub tx_carrier_hz: f64,
    /// Carrier of the receiver, Hz.
    pub rx_carrier_hz: f64,
    /// Transmitter's carrier minus receiver's, Hz: the turn of the received baseband signal.
    pub carrier_offset_hz: f64,
    /// Free-space loss of the direct ray at the transmitter's carrier, dB.
    pub path_loss_db: f64,
    /// Attenuation of the direct ray by the gas, dB.
    pub gas_loss_db: f64,
    /// Direction of the receiver from the transmit array's broadside, deg.
    pub tx_bearing_deg: f64,
    /// Direction of the transmitter from the receive array's broadside, deg.
    pub rx_bearing_deg: f64,
    /// Equivalent isotropic radiated power toward the receiver while the waveform is not silent, dBm;
    /// `None` while nothing radiates.
    pub eirp_dbm: Option<f64>,
    /// Power density that the direct ray brings to the receiver through free space, W/m^2.
    pub power_density_w_m2: f64,
    /// Every way of the signal: the direct one, then the reflections.
    pub rays: Vec<RayTruth>,
    /// Mean `I^2 + Q^2` at the scope's input over all rays of what is the waveform, as the band limits
    /// of source, receiver and scope leave it, errors apart, V^2; 0 when none arrives.
    pub signal_v2: f64,
    /// Noise of the source's converters at the scope, V^2/Hz of complex envelope: the mean over the
    /// waveform's spectrum, with which both come over the same ways; without a waveform the sum over
    /// the ways. Compression is left out. It lies within half the source's rate to either side.
    pub source_noise_v2_per_hz: f64,
    /// Noise of the receiver at the scope, V^2/Hz of complex envelope; 0 when it is off.
    pub receiver_noise_v2_per_hz: f64,
    /// Noise and quantisation of the scope, V^2/Hz of complex envelope over its Nyquist band.
    pub scope_noise_v2_per_hz: f64,
    /// Every error besides noise that is switched on in the model; none: the chain is linear and
    /// as wide as the signal.
    pub impairments: Vec<Impairment>,
}

/// One error of the signal chain that is switched on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Impairment {
    /// Which.
    pub kind: ImpairmentKind,
    /// Its power over the signal's, after a least-squares complex gain; `None` where no closed form
    /// gives it, or no signal arrives.
    pub error_ratio: Option<f64>,
    /// Band over which its power lies evenly, Hz, where it is white; `None` where it lies within the
    /// signal's own band, or may.
    pub spread_hz: Option<f64>,
}

impl Impairment {
    /// One whose power a matched filter sees whole.
    pub(crate) fn within(kind: ImpairmentKind, error_ratio: Option<f64>) -> Self {
        Self { kind, error_ratio, spread_hz: None }
    }

    /// What a matched filter for symbols at `symbol_rate_hz` leaves of [`Impairment::error_ratio`]:
    /// of a white error the share of the symbol rate.
    pub fn error_ratio_at(&self, symbol_rate_hz: f64) -> Option<f64> {
        let share = self.spread_hz.map_or(1.0, |hz| (symbol_rate_hz / hz).min(1.0));
        self.error_ratio.map(|ratio| ratio * share)
    }
}

/// Which error of the signal chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ImpairmentKind {
    /// Everything that the source's channels and the transmitter do to the waveform: steps, gains,
    /// offsets, skew, I/Q imbalance, leakage, compression. Its power is exact, over the source's
    /// whole band: a matched filter sees less.
    Transmission,
    /// The wandering part: `exp(sigma^2) - 1`, sigma being the spread about the record's mean. It is
    /// what one expects over many records; slow noise differs much from one to the next.
    TxPhaseNoise,
    /// The same at the receiver.
    RxPhaseNoise,
    /// The floor: `exp(sigma^2) - 1` with what the receiver's filter lets through.
    TxPhaseFloor,
    /// The same at the receiver.
    RxPhaseFloor,
    /// What the band limits of source, receiver and scope do to the waveform's shape, by its own
    /// spectrum and without an equaliser. What several rays do to it is not in here.
    LinearDistortion,
    /// 1/IRR.
    RxImbalance,
    /// Square of the offset over the signal.
    RxOffset,
    /// No closed form.
    RxSaturation,
    /// 1/IRR of the channels' gains.
    ScopeGain,
    /// Square of the offset over the signal.
    ScopeOffset,
    /// What lies beyond the scope's range, on the waveform's samples over all phases of the carrier,
    /// noise aside; no closed form over several rays. Listed when the waveform's peak exceeds the
    /// range.
    ScopeClipping,
    /// Image only, `(pi f t)^2` at the waveform's rms frequency.
    ScopeSkew,
    /// `(2 pi f t)^2` at the waveform's rms frequency, white over the scope's rate.
    ApertureJitter,
}

/// True state of one way of the signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RayTruth {
    /// Where it leaves, as the transmit array sees it.
    pub departure: Direction,
    /// Where it arrives from, as the receive array sees it.
    pub arrival: Direction,
    /// From the source's output to the scope's input, s.
    pub delay_s: f64,
    /// Loss by what stands in its way now, dB.
    pub blockage_db: f64,
    /// All losses from one isotropic element to another, dB, blockage included.
    pub loss_db: f64,
    /// Turn at the carrier relative to the direct ray, deg.
    pub phase_deg: f64,
    /// Mean `I^2 + Q^2` that it alone brings to the scope through all band limits, V^2; 0 when no
    /// signal arrives.
    pub signal_v2: f64,
}

impl Truth {
    pub(crate) fn of(world: &World) -> Self {
        let playing = world.source.playing();
        let amplitude_v = world.source.amplitude_v;
        let mean_square_v2 =
            playing.as_ref().map_or(0.0, |w| w.mean_square() * amplitude_v * amplitude_v)
                * world.source_share();
        Self {
            at: world.now,
            source: SourceTruth {
                clock_hz: world.source.clock_hz,
                amplitude_v,
                output: world.source.output,
                playing: playing.as_ref().and(world.source.selected.as_ref()).cloned(),
                has_hole: world.source.plays_hole(),
                samples: playing,
                mean_square_v2,
            },
            scope: ScopeTruth {
                range_v: world.scope.range_v,
                points: world.scope.points,
                interval_s: world.scope.interval_s,
                offset_s: world.scope.offset_s,
                external: world.scope.external,
            },
            supply: SupplyTruth {
                voltage_v: world.supply.voltage_v,
                current_limit_a: world.supply.current_limit_a,
                protection_v: world.supply.protection_v,
                output: world.supply.output,
                tripped: world.supply.tripped,
                terminal_v: world.supply.terminal_v(world.now),
                current_a: world.supply.current_a(world.now),
            },
            turntable: TurntableTruth {
                angle_deg: world.turntable.angle_deg(world.now, &world.model.turntable),
                encoder_deg: world.turntable.encoder_deg(world.now, &world.model.turntable),
                target_deg: world.turntable.target_deg(),
                moving: world.turntable.is_moving(world.now),
                speed_deg_per_s: world.turntable.speed_deg_per_s,
                drive: world.turntable.drive,
            },
            powered: world.dut.powered,
            tx: chip(world, &world.dut.tx),
            rx: chip(world, &world.dut.rx),
            link: link(world),
            arrays: (world.tx_side.clone(), world.rx_side.clone()),
        }
    }

    /// Es/N0 in dB at a matched filter for symbols at `symbol_rate_hz`: signal power over noise
    /// density times symbol rate, all noise counted. `None` when no signal arrives. Holds while the
    /// scope samples fast enough that nothing folds over, and receiver and scope are no narrower than
    /// the signal: their noise is taken as white over it.
    pub fn es_n0_db(&self, symbol_rate_hz: f64) -> Option<f64> {
        let link = &self.link;
        let density = link.noise_v2_per_hz();
        let ratio = link.signal_v2 / (density * symbol_rate_hz);
        (link.signal_v2 > 0.0).then(|| 10.0 * ratio.log10())
    }

    /// Signal over noise and errors in dB at a matched filter for symbols at `symbol_rate_hz`: as
    /// [`Truth::es_n0_db`], with what [`Impairment::error_ratio_at`] says of every impairment that
    /// has a closed form added, as uncorrelated; the images of both mixers are not quite that. Of
    /// [`ImpairmentKind::Transmission`] the filter sees less than is counted here where its error is
    /// wider than the signal (few bits, compression). One complex gain over the whole record is
    /// taken out; who tracks phase within the record finds less. Impairments without a closed form
    /// are in [`LinkTruth::impairments`]. `None` when no signal arrives.
    pub fn snr_db(&self, symbol_rate_hz: f64) -> Option<f64> {
        let link = &self.link;
        let noise = link.noise_v2_per_hz() * symbol_rate_hz / link.signal_v2;
        let errors: f64 =
            link.impairments.iter().filter_map(|i| i.error_ratio_at(symbol_rate_hz)).sum();
        (link.signal_v2 > 0.0).then(|| -10.0 * (noise + errors).log10())
    }
}

impl LinkTruth {
    fn noise_v2_per_hz(&self) -> f64 {
        self.receiver_noise_v2_per_hz + self.source_noise_v2_per_hz + self.scope_noise_v2_per_hz
    }
}

fn chip(world: &World, chip: &Chip) -> ChipTruth {
    let supply_v = world.supply.terminal_v(world.now);
    ChipTruth {
        enabled: chip.enabled,
        locked: world.dut.powered && chip.has_lock(&world.instant()),
        channel: chip.channel,
        gain: chip.gain,
        codes: chip.codes(),
        temperature_c: chip.temperature_c(supply_v, &world.model.chips),
    }
}

fn link(world: &World) -> LinkTruth {
    let noise_v2_per_hz = world.budget().noise_v2_per_hz;
    let (tx_hz, rx_hz) = world.carriers_hz();
    let (tx_deg, rx_deg) = world.bearings_deg();
    let step_v = volts_per_code(world.scope.range_v, world.model.scope.bits);
    let own_v = world.model.scope.noise_of_range * world.scope.range_v;
    // Both lines; a step's error is uniform (W. R. Bennett, Spectra of quantized signals, 1948).
    let scope_v2 = 2.0 * (own_v * own_v + step_v * step_v / 12.0);
    let distance_m = world.model.path.distance_m;
    let linked = world.is_linked();
    let amplitude_v = world.source.amplitude_v;
    let sent_v2 = world.played().map_or(0.0, |p| p.signal_mean_square) * amplitude_v * amplitude_v;
    let arriving_v2 = if linked { sent_v2 } else { 0.0 };
    let rays = world.rays();
    let gain = world.power_gain(&rays);
    let signal_v2 = arriving_v2 * gain;
    // It takes the same ways as the signal, so it adds up over them in the same way.
    let source_noise = world.source_noise_v2_per_hz() * gain;
    let eirp_dbm = eirp_dbm(world, sent_v2 * world.source_share());
    LinkTruth {
        linked,
        tx_carrier_hz: tx_hz,
        rx_carrier_hz: rx_hz,
        carrier_offset_hz: tx_hz - rx_hz,
        path_loss_db: free_space_loss_db(tx_hz, distance_m),
        gas_loss_db: world.courses().first().map_or(0.0, |direct| direct.gas_db),
        tx_bearing_deg: tx_deg,
        rx_bearing_deg: rx_deg,
        eirp_dbm,
        power_density_w_m2: eirp_dbm.map_or(0.0, |dbm| power_density_w_m2(dbm, distance_m)),
        signal_v2,
        rays: ray_truths(world, &rays, arriving_v2 * world.band_share()),
        source_noise_v2_per_hz: if linked { source_noise } else { 0.0 },
        receiver_noise_v2_per_hz: if world.is_listening() { noise_v2_per_hz } else { 0.0 },
        scope_noise_v2_per_hz: scope_v2 * world.scope.interval_s,
        impairments: world.impairments(signal_v2),
    }
}

/// EIRP toward the receiver: element power, array, element pattern.
fn eirp_dbm(world: &World, source_v2: f64) -> Option<f64> {
    let live = world.dut.powered && world.dut.tx.has_lock(&world.instant());
    let direct = world.courses().into_iter().next().filter(|_| live && source_v2 > 0.0)?;
    let (carrier_hz, _) = world.carriers_hz();
    let side = &world.tx_side;
    let weights = side.weights(&world.dut.tx.codes());
    let response = side.array.response(&weights, carrier_hz, direct.departure);
    let beam_db = 10.0 * (source_v2 * response.norm_sqr()).log10();
    Some(world.element_output_dbm() + side.peak_dbi + beam_db)
}

fn ray_truths(world: &World, rays: &[Ray], source_v2: f64) -> Vec<RayTruth> {
    let (carrier_hz, _) = world.carriers_hz();
    let truth = |(course, ray): (Course, &Ray)| RayTruth {
        departure: course.departure,
        arrival: course.arrival,
        delay_s: ray.delay_s,
        blockage_db: course.blockage_db,
        loss_db: course.loss_db(carrier_hz),
        phase_deg: course.phase_rad.to_degrees(),
        signal_v2: source_v2 * ray.gain.norm_sqr(),
    };
    world.courses().into_iter().zip(rays).map(truth).collect()
}
