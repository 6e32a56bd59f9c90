//! Receives one frame: aligns, looks at it until nothing of weight is wrong any more, reads the
//! header, receives all blocks, decodes and counts.

use num_complex::Complex32;

use super::super::bits::{bits_to_octets, octets_to_bits};
use super::super::constellation::Constellation;
use super::super::figures::ErrorVectors;
use super::super::frame::{FrameLayout, PREAMBLE_CHIPS};
use super::super::frontend::{FrontEnd, Impairments, Timing};
use super::super::header::{self, HEADER_CODED_BITS, Header};
use super::super::lanes::{distance, widest};
use super::super::mcs::{BLOCK_CHIPS, DATA_SYMBOLS_PER_BLOCK};
use super::super::payload::{self, PayloadSizes};
use super::super::receiver::{Exploration, FrameState, Receiver, Tuned, explored, take_slope};
use super::super::reception::{self, Reception};
use super::super::recording::narrow;
use super::super::sync::{self, Candidate};
use super::super::unguarded::{self, Unguarded};
use super::super::workers::{Workers, on_chunks};
use super::expected::{Expected, Format};

/// Looks at a frame at most: the second takes off what the first has measured, the others are for
/// what only then becomes visible.
const LOOKS_MAX: usize = 4;
/// Times that all blocks are received at most: again where only all of them together show a carrier
/// offset.
const RECEPTIONS_MAX: usize = 2;
/// Largest relative clock offset that is allowed for before it is known.
const DRIFT_MAX: f64 = 1e-4;
/// Least Es/N0 at which a candidate counts as a frame. What is taken for one in noise has an
/// estimate around zero with a spread of some -25 dB.
const ES_N0_MIN: f64 = 0.1;
/// Symbols left out of the EVM at the frame's end, where the sender's amplifier may ramp down (IEEE
/// 802.11ad-2012 clause 21.6.4.1.1, from memory); those at its beginning are in the preamble. Whatever
/// ends the frame is among them: after a closing guard of 64 only 36 symbols are data, without guards
/// all 100 are.
const RAMP_SYMBOLS: usize = 100;
/// Fewest symbols for which the ramp is left out.
const RAMP_SYMBOLS_FROM: usize = 1000;

/// What became of a candidate.
pub(super) enum Verdict {
    /// A whole frame; with an unreadable header it has no layout.
    Received(Box<Received>),
    /// A frame that the recording's edge cuts; its chips, where header or layout tell them.
    Cut(Option<usize>),
    /// Not a frame.
    Nothing,
}

/// Everything about one frame.
#[derive(Default)]
pub(super) struct Received {
    pub layout: Option<FrameLayout>,
    pub header: Option<Header>,
    pub start_chips: f64,
    pub es_n0: f64,
    pub power: f64,
    pub state: FrameState,
    /// Whether the state may serve as a beginning for the next frame.
    pub is_settled: bool,
    /// Chips from which the state was learnt; none when it was not.
    pub chips_looked_at: usize,
    pub cfo: f64,
    pub delay_spread_chips: f64,
    pub response_db: Vec<(f64, f64)>,
    pub impulse_response: Vec<Complex32>,
    pub reception: Reception,
    pub errors_data_aided: ErrorVectors,
    pub errors_by_decision: ErrorVectors,
    pub evm_per_block_db: Vec<f64>,
    /// Wrong and all bits before decoding.
    pub raw: Option<(u64, u64)>,
    /// Wrong and all payload bits.
    pub payload: Option<(u64, u64)>,
    /// Failed and all codewords.
    pub codewords: Option<(u64, u64)>,
    pub psdu: Option<Vec<u8>>,
}

/// What is settled about the frame's contents while blocks are received.
struct Contents {
    header: Option<Header>,
    layout: Option<FrameLayout>,
}

/// What receiving a frame needs besides the receiver.
pub(super) struct Errand<'a> {
    pub receiver: &'a Receiver<'a>,
    pub expected: &'a Expected<'a>,
    pub workers: &'a dyn Workers,
    /// The state of the frame before, or what is known of the recording as a whole.
    pub known: FrameState,
}

/// Receives the frame of a candidate.
pub(super) fn receive(errand: &Errand<'_>, candidate: &Candidate) -> Verdict {
    let receiver = errand.receiver;
    let aligned = sync::align(receiver.front_end, &errand.known.wrong, candidate);
    if !fits(receiver.front_end, aligned.main, PREAMBLE_CHIPS as f64) {
        return Verdict::Cut(errand.expected.layout().map(|layout| layout.total_chips()));
    }
    // Also where the carrier is not to be corrected: without it neither preamble nor header could be
    // read. See `receive_uncorrected`.
    let mut state = FrameState {
        wrong: Impairments { cfo: aligned.cfo, ..errand.known.wrong },
        timing: Timing { start: aligned.start, drift: errand.known.timing.drift },
    };
    let whole = |layout: &FrameLayout, drift: f64| {
        fits(receiver.front_end, aligned.main, layout.total_chips() as f64 * (1.0 + drift))
    };
    for number in 1..=LOOKS_MAX {
        let Some(mut look) = Exploration::begin(receiver, state) else { return Verdict::Nothing };
        if look.tuned.equaliser.es_n0 < ES_N0_MIN {
            return Verdict::Nothing;
        }
        let contents = explore(&mut look, errand.expected, |layout| whole(layout, -DRIFT_MAX));
        let unguarded = contents
            .layout
            .filter(|layout| !layout.guards && whole(layout, -DRIFT_MAX))
            .map(|layout| unguarded::receive(&look.tuned, &layout));
        let (better, matters, looked_at) = match &unguarded {
            Some(unguarded) => (unguarded.better, unguarded.matters, unguarded.compared_chips),
            None => {
                let (better, matters) = look.improved(errand.workers);
                (better, matters, look.chips_looked_at())
            }
        };
        if matters && number < LOOKS_MAX {
            state = better;
            continue;
        }
        if let Some(layout) = contents.layout.filter(|l| !whole(l, better.timing.drift)) {
            return Verdict::Cut(Some(layout.total_chips()));
        }
        let mut received = match (unguarded, contents.layout) {
            _ if !receiver.corrections.carrier => {
                receive_uncorrected(errand, look.tuned, &contents)
            }
            (Some(unguarded), Some(layout)) => {
                take_unguarded(errand, look.tuned, &contents, layout.constellation, unguarded)
            }
            _ => receive_known(errand, look.tuned, &contents),
        };
        received.state = better;
        received.is_settled = !matters && better.is_plausible();
        received.chips_looked_at = looked_at;
        return Verdict::Received(Box::new(received));
    }
    Verdict::Nothing
}

/// Whether a frame of `chips` that begins at `start` lies within the recording, but for half a chip.
pub(super) fn fits(front_end: &FrontEnd<'_>, start: f64, chips: f64) -> bool {
    start > -0.5 && start + chips - 1.0 < front_end.chips() + 0.5
}

/// Looks at the header and a choice of the data blocks, as far as they are known and recorded.
fn explore(
    look: &mut Exploration<'_>,
    expected: &Expected<'_>,
    whole: impl Fn(&FrameLayout) -> bool,
) -> Contents {
    let mut contents = Contents { header: None, layout: None };
    match expected.format {
        Format::Uncoded(layout) => contents.layout = Some(layout),
        Format::Dmg => {
            for n in 0..2 {
                look.block(PREAMBLE_CHIPS + n * BLOCK_CHIPS, Constellation::Bpsk);
            }
            contents.header = read_header(look);
            contents.layout = contents.header.as_ref().and_then(layout_of);
        }
    }
    // Without guards the whole frame is received in one go, later.
    if let Some(layout) = contents.layout.filter(&whole).filter(|layout| layout.guards) {
        for n in explored(layout.data_blocks) {
            look.block(layout.data_start() + n * BLOCK_CHIPS, layout.constellation);
        }
    }
    contents
}

/// Receives all of a frame whose state is known.
fn receive_known<'a>(errand: &Errand<'a>, mut tuned: Tuned<'a>, contents: &Contents) -> Received {
    let Some(layout) = contents.layout else {
        return Received { header: contents.header, ..describe(errand, &tuned) };
    };
    let track = errand.receiver.corrections.phase;
    for number in 1..=RECEPTIONS_MAX {
        let (symbols, phases) = reception::equalise(&tuned, &layout, errand.workers);
        let mut next = tuned.state;
        let line = reception::phase_line(&layout, &phases);
        let left = line.is_some_and(|line| take_slope(line, &mut next));
        if left
            && errand.receiver.corrections.carrier
            && number < RECEPTIONS_MAX
            && let Some(better) = Tuned::new(errand.receiver, next)
        {
            tuned = better;
            continue;
        }
        let mut received = describe(errand, &tuned);
        received.cfo = next.wrong.cfo;
        let (constellation, workers) = (layout.constellation, errand.workers);
        received.reception = reception::decide(symbols, phases, track, constellation, workers);
        received.read(errand, &tuned, contents);
        return received;
    }
    describe(errand, &tuned)
}

/// Receives the data of a frame with its carrier offset left in them, as far as that can be done: the
/// channel is estimated with it, too. What the preamble says about the link does without it.
fn receive_uncorrected(errand: &Errand<'_>, tuned: Tuned<'_>, contents: &Contents) -> Received {
    let link = describe(errand, &tuned);
    let mut state = tuned.state;
    state.wrong.cfo = 0.0;
    let Some(tuned) = Tuned::new(errand.receiver, state) else {
        return Received { header: contents.header, layout: contents.layout, ..link };
    };
    let received = match contents.layout.filter(|layout| !layout.guards) {
        Some(layout) => {
            let unguarded = unguarded::receive(&tuned, &layout);
            take_unguarded(errand, tuned, contents, layout.constellation, unguarded)
        }
        None => receive_known(errand, tuned, contents),
    };
    Received {
        start_chips: link.start_chips,
        es_n0: link.es_n0,
        power: link.power,
        cfo: link.cfo,
        delay_spread_chips: link.delay_spread_chips,
        response_db: link.response_db,
        impulse_response: link.impulse_response,
        ..received
    }
}

/// Takes over what a frame without guards has yielded.
fn take_unguarded(
    errand: &Errand<'_>,
    tuned: Tuned<'_>,
    contents: &Contents,
    constellation: Constellation,
    unguarded: Unguarded,
) -> Received {
    let mut received = describe(errand, &tuned);
    received.cfo = unguarded.better.wrong.cfo;
    let symbols = unguarded.symbols;
    received.reception =
        reception::decide(symbols, Vec::new(), false, constellation, errand.workers);
    received.reception.phases = unguarded.phases;
    received.reception.symbols_per_phase = unguarded::PHASE_SYMBOLS;
    received.read(errand, &tuned, contents);
    received
}

/// Reads the header from the two blocks looked at so far.
fn read_header(look: &Exploration<'_>) -> Option<Header> {
    let mut blocks = [[0.0_f32; HEADER_CODED_BITS]; 2];
    for (n, block) in blocks.iter_mut().enumerate() {
        let mut llrs = Vec::with_capacity(HEADER_CODED_BITS);
        for symbol in look.symbols(n) {
            Constellation::Bpsk.demap_soft(symbol, look.tuned.noise_variance(), &mut llrs);
        }
        *block = llrs.try_into().ok()?;
    }
    header::decode(&blocks[0], &blocks[1])
}

fn layout_of(header: &Header) -> Option<FrameLayout> {
    let mcs = header.mcs()?;
    let sizes = PayloadSizes::new(mcs, header.psdu_octets()?);
    Some(FrameLayout {
        header: true,
        guards: true,
        data_blocks: sizes.blocks,
        constellation: mcs.constellation(),
    })
}

/// What the preamble and the state say about the link.
fn describe(errand: &Errand<'_>, tuned: &Tuned<'_>) -> Received {
    let state = tuned.state;
    let scale = errand.receiver.front_end.scale();
    Received {
        start_chips: state.timing.at(tuned.equaliser.main_delay),
        es_n0: tuned.equaliser.es_n0,
        power: tuned.equaliser.chip_energy / (scale * scale),
        state,
        cfo: state.wrong.cfo,
        delay_spread_chips: tuned
            .channel
            .delay_spread_chips(tuned.equaliser.main_delay, errand.receiver.pulse),
        response_db: tuned.equaliser.response_db(errand.receiver.pulse),
        impulse_response: tuned.channel.taps.iter().map(|tap| narrow(tap / scale)).collect(),
        ..Received::default()
    }
}

impl Received {
    /// Symbols that count for the EVM: those of the ramp are left out.
    pub(super) fn used_symbols(&self) -> usize {
        let count = self.reception.symbols.len();
        let guard = self.layout.map_or(0, |layout| layout.closing_guard_range().len());
        let ramp = if count < RAMP_SYMBOLS_FROM { 0 } else { RAMP_SYMBOLS.saturating_sub(guard) };
        count - ramp
    }

    /// Decodes and counts.
    fn read(&mut self, errand: &Errand<'_>, tuned: &Tuned<'_>, contents: &Contents) {
        self.header = contents.header;
        self.layout = contents.layout;
        let Some(layout) = contents.layout else { return };
        let used = self.used_symbols();
        let tail = layout.constellation.decide(&self.reception.symbols[used..]);
        self.errors_by_decision = self.error_vectors(&self.reception.distances, &tail, used);
        let sent = errand.expected.coded_bits(&layout, contents.header.as_ref());
        match &sent {
            Some(bits) => self.count_errors(layout.constellation, bits, errand.workers),
            None => self.evm_per_block_db = self.evm_per_block(&self.reception.distances),
        }
        match &contents.header {
            None => {
                self.payload = self.raw;
                self.psdu = Some(bits_to_octets(&self.reception.bits));
            }
            Some(header) => self.decode(errand, tuned, header),
        }
    }

    /// Compares with the bits that were sent.
    fn count_errors(&mut self, constellation: Constellation, sent: &[u8], workers: &dyn Workers) {
        let Reception { symbols, bits, distances, .. } = &self.reception;
        let block_bits = DATA_SYMBOLS_PER_BLOCK * constellation.bits_per_symbol();
        let mut against: Vec<(f64, u64)> = vec![(0.0, 0); distances.len()];
        on_chunks(workers, &mut against, 32, |first, against| {
            for (n, against) in against.iter_mut().enumerate() {
                let n = first + n;
                let part = n * block_bits..((n + 1) * block_bits).min(bits.len()).min(sent.len());
                let symbols = symbols.get(n * DATA_SYMBOLS_PER_BLOCK..).unwrap_or_default();
                let (bits, sent) = (&bits[part.clone()], &sent[part]);
                *against = match differences(bits, sent) {
                    0 => (distances[n], 0),
                    errors => {
                        let reference = constellation.map(sent);
                        (
                            widest(
                                #[inline(always)]
                                || distance(symbols, &reference),
                            ),
                            errors,
                        )
                    }
                };
            }
        });
        let errors = against.iter().map(|(_, errors)| errors).sum();
        self.raw = Some((errors, self.reception.bits.len() as u64));
        let sums: Vec<f64> = against.into_iter().map(|(sum, _)| sum).collect();
        let used = self.used_symbols();
        let tail = constellation.map(&sent[used * constellation.bits_per_symbol()..]);
        self.errors_data_aided = self.error_vectors(&sums, &tail, used);
        self.evm_per_block_db = self.evm_per_block(&sums);
    }

    /// Error vectors of the first `used` symbols, from the sums over all blocks; `tail` holds the
    /// references of the others.
    fn error_vectors(&self, sums: &[f64], tail: &[Complex32], used: usize) -> ErrorVectors {
        let left_out = distance(&self.reception.symbols[used..], tail);
        let sum = sums.iter().sum::<f64>() - left_out;
        ErrorVectors::of(sum.max(0.0), used as u64)
    }

    fn evm_per_block(&self, sums: &[f64]) -> Vec<f64> {
        let counts = self.reception.symbols.chunks(DATA_SYMBOLS_PER_BLOCK).map(<[_]>::len);
        let blocks = sums.iter().zip(counts);
        blocks.filter_map(|(sum, count)| ErrorVectors::of(*sum, count as u64).evm_db()).collect()
    }

    fn decode(&mut self, errand: &Errand<'_>, tuned: &Tuned<'_>, header: &Header) {
        let Some(layout) = self.layout else { return };
        // Where distortion adds to the noise that the preamble showed, the decisions tell.
        let by_decision = self.errors_by_decision.mean_square().unwrap_or(0.0);
        let variance = tuned.noise_variance().max(by_decision as f32);
        let llrs = soft_values(&self.reception, layout.constellation, variance, errand.workers);
        let decoded = payload::decode_announced(header, &llrs, errand.workers);
        let Ok(mut decoded) = decoded else { return };
        self.codewords = Some((decoded.codewords_failed as u64, decoded.codewords as u64));
        let expected = errand.expected;
        if expected.psdu.is_none() && decoded.codewords_failed == 0 {
            // Nothing sent is known, but every codeword is valid: what was decoded was sent.
            match sent_again(header, &layout, &decoded.psdu) {
                Some(bits) => self.count_errors(layout.constellation, &bits, errand.workers),
                None => self.raw = Some((decoded.raw_bit_errors as u64, decoded.raw_bits as u64)),
            }
        }
        if let Some(sent) = expected.psdu {
            if expected.fits_header(header) {
                decoded.psdu.truncate(sent.len());
            }
            let (received, sent) = (octets_to_bits(&decoded.psdu), octets_to_bits(sent));
            let surplus = received.len().abs_diff(sent.len()) as u64;
            let errors = differences(&received, &sent) + surplus;
            self.payload = Some((errors, received.len().max(sent.len()) as u64));
        }
        self.psdu = Some(decoded.psdu);
    }
}

/// Log-likelihood ratios of all data bits.
fn soft_values(
    reception: &Reception,
    constellation: Constellation,
    variance: f32,
    workers: &dyn Workers,
) -> Vec<f32> {
    let per_symbol = constellation.bits_per_symbol();
    let mut llrs = vec![0.0; reception.symbols.len() * per_symbol];
    on_chunks(workers, &mut llrs, 32 * DATA_SYMBOLS_PER_BLOCK * per_symbol, |first, llrs| {
        let mut part = Vec::with_capacity(llrs.len());
        let symbols = &reception.symbols[first / per_symbol..];
        for z in &symbols[..llrs.len() / per_symbol] {
            constellation.demap_soft(*z, variance, &mut part);
        }
        llrs.copy_from_slice(&part);
    });
    llrs
}

/// The bits on the data symbols of a frame that carries this PSDU. `None` where the header leaves its
/// length open: that of an extended MCS may be up to three octets too much.
fn sent_again(header: &Header, layout: &FrameLayout, psdu: &[u8]) -> Option<Vec<u8>> {
    let mcs = header.mcs().filter(|mcs| !mcs.is_extended())?;
    let bits = payload::encode(mcs, psdu, &mut header.payload_scrambler());
    (bits.len() == layout.coded_bits()).then_some(bits)
}

/// Positions at which two bit strings differ; the shorter one counts.
fn differences(received: &[u8], sent: &[u8]) -> u64 {
    let (received, sent) = (received.chunks(128), sent.chunks(128));
    let different = |(a, b): (&[u8], &[u8])| -> u64 {
        // At most 128 of them: the sum fits an octet, which keeps many of them side by side.
        u64::from(a.iter().zip(b).map(|(a, b)| u8::from(a != b)).sum::<u8>())
    };
    received.zip(sent).map(different).sum()
}
