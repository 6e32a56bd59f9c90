//! Receives one frame: aligns, repeats passes until nothing of weight is wrong any more, reads the
//! header, decides, decodes and counts.

use num_complex::{Complex32, Complex64};

use super::super::bits::{bits_to_octets, octets_to_bits};
use super::super::constellation::Constellation;
use super::super::equaliser::Transforms;
use super::super::figures::ErrorVectors;
use super::super::frame::{FrameLayout, PREAMBLE_CHIPS};
use super::super::frontend::{FrontEnd, Impairments, Timing};
use super::super::header::{self, HEADER_CODED_BITS, Header};
use super::super::mcs::{BLOCK_CHIPS, DATA_SYMBOLS_PER_BLOCK};
use super::super::payload::{self, PayloadSizes};
use super::super::receiver::{FrameState, Pass};
use super::super::recording::narrow;
use super::super::sync::{self, Candidate};
use super::super::workers::Alone;
use super::Bench;
use super::expected::{Expected, Format};

/// Passes over a frame at most: the second takes off what the first has measured, the others are
/// for what only then becomes visible.
const PASSES_MAX: usize = 4;
/// Least Es/N0 at which a candidate counts as a frame. What is taken for one in noise has an
/// estimate around zero with a spread of some -25 dB.
const ES_N0_MIN: f64 = 0.1;
/// Symbols left out of the EVM at the end of the frame, guard included (IEEE 802.11ad-2012 clause
/// 21.6.4.1.1, from memory); those at its beginning are in the preamble.
const RAMP_SYMBOLS: usize = 100 - 64;
/// Fewest symbols for which the ramp is left out.
const RAMP_SYMBOLS_FROM: usize = 1000;

/// What became of a candidate.
pub(super) enum Verdict {
    /// A whole frame; with an unreadable header it has no layout.
    Received(Box<Received>),
    /// A frame that the recording's edge cuts.
    Cut,
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
    pub cfo: f64,
    pub drift: f64,
    pub image: Complex64,
    pub dc: Complex64,
    pub delay_spread_chips: f64,
    pub response_db: Vec<(f64, f64)>,
    pub impulse_response: Vec<Complex32>,
    pub symbols: Vec<Complex32>,
    pub decided: Vec<Complex32>,
    pub bits: Vec<u8>,
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

/// Receives the frame of a candidate.
pub(super) fn receive(
    bench: &Bench<'_>,
    front_end: &FrontEnd<'_>,
    transforms: &Transforms,
    wrong: &Impairments,
    candidate: &Candidate,
    expected: &Expected<'_>,
) -> Verdict {
    let aligned = sync::align(front_end, wrong, candidate);
    if !fits(front_end, aligned.main, PREAMBLE_CHIPS) {
        return Verdict::Cut;
    }
    let whole = |layout: &FrameLayout| fits(front_end, aligned.main, layout.total_chips());
    let corrections = bench.corrections();
    let cfo = if corrections.carrier { aligned.cfo } else { 0.0 };
    let mut state = FrameState {
        wrong: Impairments { cfo, ..*wrong },
        timing: Timing { start: aligned.start, drift: 0.0 },
    };
    for number in 1..=PASSES_MAX {
        let first = number == 1;
        let begun = Pass::begin(front_end, bench.pulse, transforms, corrections, state, first);
        let Some(mut pass) = begun else { return Verdict::Nothing };
        if pass.equaliser.es_n0 < ES_N0_MIN {
            return Verdict::Nothing;
        }
        let contents = read_blocks(&mut pass, expected, whole);
        if let Some(layout) = &contents.layout
            && !whole(layout)
        {
            return Verdict::Cut;
        }
        match pass.improved().filter(|_| number < PASSES_MAX) {
            Some(better) => state = better,
            None => {
                let mut received = describe(bench, front_end, &pass);
                if !corrections.carrier {
                    received.cfo = aligned.cfo;
                }
                received.read(&pass, &contents, expected);
                return Verdict::Received(Box::new(received));
            }
        }
    }
    Verdict::Nothing
}

/// Whether a frame of `chips` that begins at `start` lies within the recording, but for half a chip.
fn fits(front_end: &FrontEnd<'_>, start: f64, chips: usize) -> bool {
    start > -0.5 && start + chips as f64 - 1.0 < front_end.chips() + 0.5
}

/// Takes all blocks of the frame, as far as they are known and recorded.
fn read_blocks(
    pass: &mut Pass<'_>,
    expected: &Expected<'_>,
    whole: impl Fn(&FrameLayout) -> bool,
) -> Contents {
    let mut contents = Contents { header: None, layout: None };
    match expected.format {
        Format::Uncoded(layout) => contents.layout = Some(layout),
        Format::Dmg => {
            for n in 0..2 {
                pass.block(PREAMBLE_CHIPS + n * BLOCK_CHIPS, Constellation::Bpsk);
            }
            contents.header = read_header(pass);
            contents.layout = contents.header.as_ref().and_then(layout_of);
        }
    }
    if let Some(layout) = &contents.layout
        && whole(layout)
    {
        for block in layout.data_block_ranges() {
            pass.block(block.start, layout.constellation);
        }
    }
    contents
}

/// Reads the header from the two blocks received so far.
fn read_header(pass: &Pass<'_>) -> Option<Header> {
    let mut blocks = [[0.0_f32; HEADER_CODED_BITS]; 2];
    for (n, block) in blocks.iter_mut().enumerate() {
        let mut llrs = Vec::with_capacity(HEADER_CODED_BITS);
        for symbol in pass.symbols(n) {
            Constellation::Bpsk.demap_soft(symbol, pass.noise_variance(), &mut llrs);
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

/// What the pass says about the link.
fn describe(bench: &Bench<'_>, front_end: &FrontEnd<'_>, pass: &Pass<'_>) -> Received {
    let state = pass.state();
    let scale = front_end.scale();
    Received {
        start_chips: state.timing.at(pass.equaliser.main_delay),
        es_n0: pass.equaliser.es_n0,
        power: pass.equaliser.chip_energy / (scale * scale),
        cfo: state.wrong.cfo,
        drift: state.timing.drift,
        image: state.wrong.image,
        dc: state.wrong.dc,
        delay_spread_chips: pass.channel.delay_spread_chips(),
        response_db: pass.equaliser.response_db(bench.pulse),
        impulse_response: pass.channel.taps.iter().map(|tap| narrow(tap / scale)).collect(),
        ..Received::default()
    }
}

impl Received {
    /// Decides, decodes and counts.
    fn read(&mut self, pass: &Pass<'_>, contents: &Contents, expected: &Expected<'_>) {
        self.header = contents.header;
        self.layout = contents.layout;
        let Some(layout) = contents.layout else { return };
        let header_blocks = layout.header_blocks_ranges().len();
        self.symbols = (header_blocks..pass.block_count()).flat_map(|n| pass.symbols(n)).collect();
        let constellation = layout.constellation;
        self.decided = self.symbols.iter().map(|z| constellation.nearest(*z).1).collect();
        for z in &self.symbols {
            constellation.demap_hard(*z, &mut self.bits);
        }
        let sent = expected.coded_bits(&layout, contents.header.as_ref());
        self.count_errors(constellation, sent.as_deref());
        match &contents.header {
            None => {
                self.payload = self.raw;
                self.psdu = Some(bits_to_octets(&self.bits));
            }
            Some(header) => self.decode(pass, header, expected),
        }
    }

    fn count_errors(&mut self, constellation: Constellation, sent: Option<&[u8]>) {
        let sent_symbols = sent.map(|bits| constellation.map(bits));
        let used = match self.symbols.len() {
            few if few < RAMP_SYMBOLS_FROM => few,
            many => many - RAMP_SYMBOLS,
        };
        let received = &self.symbols[..used];
        self.errors_by_decision = ErrorVectors::between(received, &self.decided);
        if let (Some(bits), Some(symbols)) = (sent, &sent_symbols) {
            self.errors_data_aided = ErrorVectors::between(received, symbols);
            self.raw = Some((differences(&self.bits, bits), self.bits.len() as u64));
        }
        let reference = sent_symbols.as_deref().unwrap_or(&self.decided);
        self.evm_per_block_db = self
            .symbols
            .chunks(DATA_SYMBOLS_PER_BLOCK)
            .zip(reference.chunks(DATA_SYMBOLS_PER_BLOCK))
            .filter_map(|(block, reference)| ErrorVectors::between(block, reference).evm_db())
            .collect();
    }

    fn decode(&mut self, pass: &Pass<'_>, header: &Header, expected: &Expected<'_>) {
        let Some(layout) = self.layout else { return };
        // Where distortion adds to the noise that the preamble showed, the decisions tell.
        let by_decision = self.errors_by_decision.mean_square().unwrap_or(0.0);
        let variance = pass.noise_variance().max(by_decision as f32);
        let mut llrs = Vec::with_capacity(layout.coded_bits());
        for z in &self.symbols {
            layout.constellation.demap_soft(*z, variance, &mut llrs);
        }
        let Ok(mut decoded) = payload::decode_announced(header, &llrs, &Alone) else { return };
        self.codewords = Some((decoded.codewords_failed as u64, decoded.codewords as u64));
        if expected.psdu.is_none() && decoded.codewords_failed == 0 {
            // Nothing sent is known, but every codeword is valid: what was decoded was sent.
            match sent_again(header, &layout, &decoded.psdu) {
                Some(bits) => self.count_errors(layout.constellation, Some(&bits)),
                None => self.raw = Some((decoded.raw_bit_errors as u64, decoded.raw_bits as u64)),
            }
        }
        if let Some(sent) = expected.psdu {
            if expected.fits_header(header) {
                decoded.psdu.truncate(sent.len());
            }
            let (received, sent) = (octets_to_bits(&decoded.psdu), octets_to_bits(sent));
            self.payload =
                Some((differences(&received, &sent), received.len().max(sent.len()) as u64));
        }
        self.psdu = Some(decoded.psdu);
    }
}

/// The bits on the data symbols of a frame that carries this PSDU. `None` where the header leaves its
/// length open: that of an extended MCS may be up to three octets too much.
fn sent_again(header: &Header, layout: &FrameLayout, psdu: &[u8]) -> Option<Vec<u8>> {
    let mcs = header.mcs().filter(|mcs| !mcs.is_extended())?;
    let bits = payload::encode(mcs, psdu, &mut header.payload_scrambler());
    (bits.len() == layout.coded_bits()).then_some(bits)
}

/// Positions at which two bit strings differ; what one has more counts as different.
fn differences(received: &[u8], sent: &[u8]) -> u64 {
    let different = received.iter().zip(sent).filter(|(a, b)| a != b).count();
    (different + received.len().abs_diff(sent.len())) as u64
}
