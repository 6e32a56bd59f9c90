//! A simulated phased-array bench: five instruments that speak bytes, and the physics between them.
//!
//! It shares nothing with what it tests: own command parser, own waveform mathematics. It knows
//! nothing of frames, modulation or analysis; the scope shows what the source's loaded samples became
//! on the path. The front door is bytes ([`SimBench::pipe`], [`SimBench::serve`]); the back door is
//! [`SimBench::truth`]. One [`SimBench`] is one coherent bench, however many clients speak to it.
//!
//! ```
//! # tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(async {
//! use beamwarden_sim::{Model, Post, SimBench};
//! use tokio::io::{AsyncReadExt, AsyncWriteExt};
//!
//! let bench = SimBench::new(Model::default()).expect("the default model holds");
//! let mut supply = bench.pipe(Post::Supply);
//! supply.write_all(b"VOLT 1.2;OUTP ON;*OPC?\n").await.expect("it listens");
//! let mut answer = [0; 2];
//! supply.read_exact(&mut answer).await.expect("it answers");
//! assert_eq!(&answer, b"1\n");
//! assert!(bench.truth().powered);
//! # });
//! ```
//!
//! # Commands
//!
//! Notation of SCPI-99: upper case is the short form, brackets hold optional nodes, `#` allows the
//! numeric suffix 1. Commands have a query form unless marked: (e) event, no query; (q) query only.
//! Numbers take MINimum and MAXimum, also in the query. Answers are NR3 with twelve digits.
//!
//! All four SCPI instruments: `*CLS`(e) `*ESE` `*ESR?` `*IDN?` `*OPC` `*OPC?` `*RST`(e) `*SRE`
//! `*STB?` `*TST?` `*WAI`(e); `SYSTem:ERRor[:NEXT]?` `SYSTem:ERRor:COUNt?` `SYSTem:VERSion?`;
//! `STATus:OPERation|QUEStionable[:EVENt]?` `:CONDition?` `:ENABle` `:PTRansition` `:NTRansition`;
//! `STATus:PRESet`(e).
//!
//! | source | |
//! |---|---|
//! | `[SOURce#:]CLOCk[:FREQuency]` | sample clock, 10 MHz to 12 GHz unless the model says otherwise; our own node |
//! | `[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]` | peak of the full-scale code, 0.01 to 1 V |
//! | `[SOURce#:]FUNCtion[:SHAPe] DC\|USER` | USER plays the selected trace; -221 while none is |
//! | `[SOURce#:]FUNCtion:USER <name>` | selects; answers `NONE` without one; our own node |
//! | `OUTPut#[:STATe]` | the marker beats while USER plays with the output on |
//! | `FORMat[:DATA] INTeger,16`, `FORMat:BORDer NORMal\|SWAPped` | NORMal: most significant byte first |
//! | `TRACe:DEFine`(e) `<name>,<points>` | silent at first; -293 exists, -225 no memory |
//! | `TRACe[:DATA] <name>,<block>`, `TRACe[:DATA]? <name>` | I and Q in turn, int16; -161 no whole pairs, -223 too many, -226 too few, -292 no such trace |
//! | `TRACe:DELete[:NAME]`(e) `<name>`, `TRACe:DELete:ALL`(e) | a deleted trace stops playing |
//! | `TRACe:CATalog?` `TRACe:POINts? <name>` `TRACe:FREE?` | quoted names; points; free,used |
//!
//! | scope | |
//! |---|---|
//! | `[SENSe#:]VOLTage[:DC]:RANGe[:UPPer]` | full scale is plus and minus this, both channels, 0.005 to 2 V |
//! | `[SENSe#:]SWEep:POINts` `:TINTerval` `:TIME` | 16 to 8,000,000; 25 ps to 1 us, unless the model says otherwise; TIME sets the points |
//! | `[SENSe#:]SWEep:OFFSet:TIME` | first point relative to the trigger, -10 to 10 s |
//! | `TRIGger#:SOURce IMMediate\|EXTernal` | EXTernal is the source's marker |
//! | `INITiate[:IMMediate]`(e) | overlapped; -213 while under way |
//! | `ABORt`(e) | a record under way is lost |
//! | `TRACe:SCALe? CH1\|CH2` | volts per code, offset, bits; our own node |
//! | `TRACe[:DATA]? CH1\|CH2` | block of right-justified int16 codes; CH1 is I; -230 without a record of the settings in force |
//! | `FORMat…` | as the source's |
//!
//! Settings that shape a record are refused with -221 while one is under way.
//!
//! | supply | |
//! |---|---|
//! | `[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]` | 0 to 3 V; overlapped, slews |
//! | `[SOURce#:]CURRent[:LEVel][:IMMediate][:AMPLitude]` | limit, 0 to 2 A |
//! | `[SOURce#:]VOLTage:PROTection[:LEVel]` `:TRIPped?` `:CLEar`(e) | a trip latches the output off |
//! | `OUTPut#[:STATe]` | overlapped; -240 while tripped |
//! | `MEASure[:SCALar]:VOLTage[:DC]?` `MEASure[:SCALar]:CURRent[:DC]?` | with the meter's noise |
//!
//! OPERation bit 1 SETTling; QUEStionable bit 0 in current limit, bit 9 (ours) tripped.
//!
//! | turntable | |
//! |---|---|
//! | `AXIS#:POSition` | overlapped; asked: measured angle, deg; -222 outside the limits, -221 drive off or not referenced |
//! | `AXIS#:POSition:TARGet?` `AXIS#:POSition:TOLerance` | last accepted target; in-position window (kept, used by clients) |
//! | `AXIS#:LIMit:LOWer` `AXIS#:LIMit:UPPer` `AXIS#:SPEed` | speed holds for the next move |
//! | `AXIS#[:STATe]` `AXIS#:HOME`(e) `AXIS#:REFerenced?` `AXIS#:STOP`(e) `ABORt`(e) | wakes referenced, drive on |
//!
//! OPERation bit 1 SETTling until a move is over, bit 8 moving. A new target replaces the old.
//!
//! The DUT control port takes text lines: `r AAAA` answers `= VVVV`, `w AAAA VVVV` answers `ok`,
//! `id` answers `id maker,model,serial,firmware`, `*IDN?` the same without `id`; what is refused is
//! answered `no <number> <text>`. Transmitter at 0x0000, receiver at 0x1000: 0x000 chip id, 0x001
//! enable, 0x002 channel, 0x003 gain, 0x010 status (bit 0 lock, bit 1 supply), 0x011 temperature in
//! 1/16 degC, 0x100 and on one word per element (phase from bit 0, as many bits as the shifters have,
//! 8 at most; 10..8 attenuation; 15 on). There is room for 256 elements a chip.
//!
//! The same port takes binary frames from a client whose first byte is A5: A5, kind (01 read, 02
//! write, 03 identify), address, value in a write, CRC-16 (polynomial 1021, from FFFF) of all before,
//! high bytes first. Answers have the kind's highest bit set: A5 81 address value check, A5 82 address
//! check, A5 83 count text check; what is refused A5 EE address number check. A frame with a wrong
//! check gets no answer; half a frame is forgotten after 100 ms of silence.
//!
//! # The model
//!
//! Every number, with unit and default, is in [`Model`] and below; it is read from YAML by
//! [`Model::from_yaml`]. From a standard or the trade: free-space loss (ITU-R P.525), attenuation by
//! oxygen and water vapour (ITU-R P.676-12, annex 1, line by line), thermal noise at 290 K (ITU-R
//! P.372), channels and chip rate of the DMG PHY (IEEE Std 802.11), array factors and elements of
//! `cos^q` (textbook), half-wave spacing, 5-bit phase shifters. **Invented for the demonstration**, of
//! a plausible size but no device's: distance, element power, gains, noise figure, reference errors,
//! filter edges, delays, currents, temperatures, settling and read-out times, memory sizes, limits, all
//! ranges of the commands; and the shape of every imperfection below.
//!
//! Arrays ([`ArrayModel`], either end its own): uniform lines, rectangles, or elements anywhere in
//! space; one pattern for all elements; errors of elements drawn from the seed or listed; an error for
//! every code of every element; dead elements; phase shifters that start anew at each power-up; drift
//! with the chip's temperature, which approaches its end exponentially ([`ChipModel`]). Not modelled:
//! coupling of elements, near field, polarisation, frequency over the signal's band (a beam squints
//! from channel to channel, not within one).
//!
//! Path ([`PathModel`]): a direct ray and reflections, each with its angles at both ends, its length
//! and so its own free-space loss, gas and delay, its loss and phase; blockages per ray, told or at
//! random. The room stands still: turning the table moves all arrivals alike, and the array with its
//! elements around the table's axis. During one record nothing of this moves.
//!
//! Turntable ([`TurntableModel`]): the encoder sees the drive. The table follows it through a gap
//! (backlash) and trails it while it turns; what is left of that swings or creeps out after the move.
//! [`TurntableTruth`] has both angles.
//!
//! By default all of these are off: a perfect array, empty space, a stiff table.
//!
//! # The signal chain
//!
//! What a record shows, in order; what is in brackets is off by default and costs nothing while it
//! is off. Each error is checked alone, on codes of the scope, against the figure that is named.
//!
//! | stage | what happens | from |
//! |---|---|---|
//! | source | looped 16-bit samples \[fewer bits: SQNR `6.02 b + 1.76 dB`; gain and offset of each channel; a later Q channel; own noise of each sample, which takes every way and filter of the signal, but no compression\] | IEEE Std 1241 |
//! | transmitter | \[I/Q imbalance and its image; leaking carrier; Rapp compression, AM/PM\] | Schenk ch. 5; Rapp 1991 |
//! | reconstruction | Kaiser-windowed low-pass, which is at once the receiver's baseband filter: flat to `rx.pass_hz`, 70 dB down from `rx.stop_hz`, own error below -55 dB \[zero-order hold; Gaussian bandwidths of source and scope, folded into it\] | Oppenheim and Schafer |
//! | air | transmit gain (1 dB per code \[with an error each, and with temperature\]), arrays, path, delay of each way | ITU-R P.525 |
//! | carriers | turn by the carrier offset from a random phase \[references drift with temperature; phase noise of both synthesisers, of a given integrated value\] | IEEE Std 1139 |
//! | receiver noise | kT(290 K) times noise figure \[which rises with each gain step\], white in the receiver's band | ITU-R P.372 |
//! | receiver | gain (1 dB per code \[as the transmitter's\]) \[I/Q imbalance; DC offset; lines that end, hard or by Rapp's form\] | Schenk ch. 5 |
//! | scope | own white noise (0.1 % of the range rms) \[sampling jitter: SNR `-20 log10(2 pi f t)`; gain, offset and skew of the channels\], clipping at the range, rounding to 10 bits | IEEE Std 1241 |
//!
//! The section, clause and paper names are from memory. Invented: the shape of the phase noise (first
//! order above its loop's bandwidth, and a floor that ends with the receiver's filter), all sizes of all errors. Source and transmitter
//! are periodic with the waveform: they are computed once for a waveform and its settings, at the
//! source's sample instants, so products of compression beyond half its rate fold back. The scope's
//! bandwidth is applied before the receiver's last stages, which is the same while those are linear.
//! What limits the band counts in every level of the back door, by the waveform's own spectrum.
//! [`LinkTruth::impairments`] says at every trigger what is on and how much it costs,
//! [`Truth::snr_db`] what all of it leaves.
//!
//! Chips: their temperature follows their power, gain and references follow the temperature, the
//! current follows gain code, elements and temperature; a chip beyond `chips.lock_most_c` loses lock.
//!
//! An EXTernal trigger falls on the start of a pass with 5 ps rms of jitter as soon as the scope is
//! armed and the marker beats (waiting for the next pass is not modelled); the signal is later by the
//! delay (8 ns of cables and 13.3 ns of flight). An IMMediate trigger falls anywhere in the pass. The
//! scope arms `scope.arming_s` after INITiate, and not before a new range has settled; a record can
//! be fetched once it has been transferred, at a given time per point.
//!
//! The receive combiner divides by the square root of N, so its output is larger with more elements;
//! an element that is off lets in neither signal nor noise (its gain lies before the combiner, whose own
//! noise is left out). The turntable carries the receiver: at
//! table angle a the transmitter appears at -a from its broadside.
//!
//! Settings of the story and what they give with the default model, for a QPSK waveform of roll-off
//! 0.25 whose largest I or Q is full scale: channel 3, both gain codes 20, amplitude 0.4 V, range
//! 0.25 V, supply 1.2 V: Es/N0 17.5 dB at 1.76 GHz, peak at 60 % of the range; 12.8 dB less at a
//! table angle of 21 deg; within 0.1 dB of aligned once the receive beam points at -21 deg. Carrier
//! offset +432.2 kHz (6.9 ppm of 62.64 GHz).
//!
//! # Faults
//!
//! A [`FaultPlan`], in YAML or built by hand, puts faults on instruments; [`SimBench::put_fault`] puts
//! one in now. One line a fault: the `instrument` (source, scope, dut, turntable, supply), the `fault`,
//! and exactly one of `at_s`, `at_command` (messages to that instrument), `at_capture`, which come once
//! or again after `every` so many, and `per_command` (probability), `per_hour` (mean rate). `times` says
//! how often at most, `for_s` how long.
//!
//! ```yaml
//! seed: 7        # of rates and random bytes; the bench's when absent
//! faults:
//!   - {instrument: scope, fault: late answer, late_s: 2, per_command: 0.001}
//!   - {instrument: supply, fault: restart, at_s: 7200, for_s: 20}
//!   - {instrument: turntable, fault: stuck, short_deg: 3, at_command: 40, every: 100, times: 5}
//! ```
//!
//! | fault | own keys | what happens |
//! |---|---|---|
//! | `no answer` | | the next answer does not come; with `for_s` none of that time |
//! | `late answer` | `late_s` | the next comes later |
//! | `closed link` | `answer_share` | all links of the instrument close at once, a command under way is lost; with a share, within the next answer |
//! | `garbage` | `bytes` (16) | random bytes before the next answer |
//! | `error entry` | `code`, `text` | an entry in the error queue |
//! | `setting not taken` | `setting` | the next change of it (or of any) is accepted without effect |
//! | `drift` | `setting`, `rate_per_hour` | it moves once a second, in base units; its query tells where it stands |
//! | `restart` | | defaults, empty queue and memory, power-on bit, links closed; with `for_s` away that long |
//! | `stuck` | `short_deg` | the next move ends before its target |
//! | `lost lock` | `chip` (tx, rx) | the carrier is gone; with `for_s` it comes back |
//! | `current limit` | `to_share` (0.9) | the output falls to that share of the set voltage |
//! | `stale trace` | | the next acquisition brings the record before |
//! | `dropped segment` | `share` (0.1) | that share of the waveform is silent until it is loaded anew |
//! | `stopped playing` | | nothing plays until it is told to anew |
//!
//! [`settings_of`] names the settings. What was applied stands in [`SimBench::faults_so_far`] with its
//! time; [`SimBench::acquisitions`] keeps the true state at every trigger, and which acquisition's
//! record the scope handed out.
//!
//! # What was ever set
//!
//! [`SimBench::settings_seen`] tells of every setting where it stands, and between which values it ever
//! stood: whether a limit was ever passed. [`SimBench::changes`] has the last changes in order, and who
//! made each, a client or the instrument itself, with the links that were opened and closed in between:
//! what came first.
//!
//! # Time
//!
//! All time is tokio's: nothing runs in the background, and a paused clock skips from event to event.
//! Moves, slews, locks and acquisitions are functions of time; whoever speaks first lets what lies in
//! between happen in order. Same seed and same commands at the same times give the same bytes.

mod beams;
mod chain;
mod changes;
mod door;
mod faults;
mod geometry;
mod instruments;
mod model;
mod number;
mod physics;
mod post;
mod scpi;
mod side;
mod truth;
mod world;

pub use beams::{BestPair, End, Over};
pub use changes::{By, CHANGES_KEPT, Change, Changed, SettingSeen};
pub use door::{Address, HislipPorts, ServeError, ServePlan, Serving, SetUpError, SimBench};
pub use faults::{
    FAULTS_KEPT, FaultDone, FaultKind, FaultPlan, FaultPlanError, PlannedFault, When, settings_of,
};
pub use model::{
    AmPmModel, ArrayModel, BlockageModel, ChipModel, CodeErrorModel, CompressionModel, DriftModel,
    ElementModel, GasModel, ImbalanceModel, Model, ModelError, PathModel, PhaseNoiseModel, Place,
    PowerUpModel, RandomBlockageModel, ReceiverModel, ReflectionModel, SaturationModel, ScopeModel,
    SourceModel, SupplyModel, TransmitterModel, TurntableModel,
};
pub use physics::array::{Direction, ElementCode};
pub use physics::capture::Waveform;
pub use post::Post;
pub use truth::{
    ACQUISITIONS_KEPT, Acquired, ChipTruth, Impairment, ImpairmentKind, LinkTruth, RayTruth,
    ScopeTruth, SourceTruth, SupplyTruth, Truth, TurntableTruth,
};
