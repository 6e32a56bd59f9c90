//! The frame as it is sent, one complex chip per symbol: preamble, header, data blocks with
//! guards, pi/2 rotation.
//!
//! IEEE 802.11ad-2012 clauses 21.3.6 and 21.6.3 (20.3.6 and 20.6.3 in IEEE 802.11-2016). Pulse
//! shaping, sample rates and reception are elsewhere.

mod layout;
mod spec;

use std::sync::LazyLock;

use num_complex::Complex32;

pub use layout::{FrameLayout, GUARD_CHIPS, PREAMBLE_CHIPS, STF_CHIPS};
pub use spec::{DEFAULT_BLOCKS, DEFAULT_PSDU_OCTETS, FrameKind, FrameSpec, Payload};

use super::bits::{bits_to_octets, octets_to_bits};
use super::constellation::{Constellation, rotate_half_pi};
use super::golay::{ga64, ga128, gb128};
use super::header::{Header, HeaderError};
use super::mcs::{CHIP_RATE_HZ, DATA_SYMBOLS_PER_BLOCK, Mcs};
use super::payload::{self, PayloadSizes};
use super::prbs::{Prbs, PrbsOrder};

/// Start of the scrambler in the frames built here. Any value but 0 would do; a fixed one keeps a
/// run reproducible.
pub const SCRAMBLER_SEED: u8 = 0x42;
/// Most data blocks of an uncoded frame, about 5 ms at the standard's chip rate.
pub const UNCODED_BLOCKS_MAX: usize = 1 << 14;

/// A frame ready for pulse shaping.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// One value per chip, rotated by pi/2 per chip, unit mean power in each field.
    pub chips: Vec<Complex32>,
    /// Where the fields are.
    pub layout: FrameLayout,
    /// Scheme of a coded frame.
    pub mcs: Option<Mcs>,
    /// Bits as mapped onto the data symbols, padding included; one per octet, in time order.
    pub coded_bits: Vec<u8>,
    /// Octets carried: the PSDU, or all data bits of an uncoded frame.
    pub psdu: Vec<u8>,
    /// Start of the scrambler; 0 in an uncoded frame, which is not scrambled.
    pub scrambler_seed: u8,
}

/// What a frame amounts to on the air.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct FrameReport {
    /// Rate of payload bits within the data field in bit/s, as the standard's tables have it.
    pub data_rate_bps: f64,
    /// Payload bits over the duration of the whole frame in bit/s.
    pub net_rate_bps: f64,
    /// Symbols a second: chips, of which a symbol of data is one.
    pub symbol_rate_hz: f64,
    /// Duration of the frame in seconds.
    pub duration_s: f64,
    /// Chips of the frame.
    pub chips: usize,
    /// Data blocks.
    pub blocks: usize,
    /// Codewords, 0 in an uncoded frame.
    pub codewords: usize,
    /// Octets carried.
    pub psdu_octets: usize,
}

/// Why a frame cannot be named or built.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// A text that names no frame.
    #[error(
        "no frame is called '{name}'{}; there are {}",
        .nearest.as_ref().map(|n| format!(", did you mean '{n}'?")).unwrap_or_default(),
        spec::known_names()
    )]
    UnknownName {
        /// The text.
        name: String,
        /// The nearest known name, where one is near.
        nearest: Option<String>,
    },
    /// An uncoded frame has no or too many blocks.
    #[error("an uncoded frame has 1 to {UNCODED_BLOCKS_MAX} blocks, not {0}")]
    Blocks(usize),
    /// The payload does not fit an uncoded frame.
    #[error("the payload has {octets} octets, the frame carries 1 to {capacity}")]
    PayloadSize {
        /// Octets of the payload.
        octets: usize,
        /// Octets that fit.
        capacity: usize,
    },
    /// A test sequence that would stand still.
    #[error("the seed {seed:#x} leaves the register of {order} at zero; choose another")]
    PrbsSeed {
        /// The sequence.
        order: PrbsOrder,
        /// Its seed.
        seed: u32,
    },
    /// The header cannot describe the frame.
    #[error(transparent)]
    Header(#[from] HeaderError),
}

/// Builds the frame that `spec` describes.
pub fn build(spec: &FrameSpec) -> Result<Frame, FrameError> {
    match spec.kind {
        FrameKind::Uncoded { constellation, blocks, guards } => {
            build_uncoded(constellation, blocks, guards, &spec.payload)
        }
        FrameKind::Dmg { mcs } => build_dmg(mcs, psdu_octets(&spec.payload)?),
    }
}

/// The preamble (STF, then CEF), rotated: 3328 chips.
///
/// STF: Ga128 16 times, then -Ga128. CEF: Gu512, Gv512, Gv128 (IEEE 802.11ad-2012 clause 21.3.6).
pub fn preamble_chips() -> &'static [Complex32] {
    static CHIPS: LazyLock<Vec<Complex32>> = LazyLock::new(|| {
        let (a, b) = (ga128(), gb128());
        let short_training = std::iter::repeat_n((a, 1), 16).chain([(a, -1)]);
        let gu512 = [(b, -1), (a, -1), (b, 1), (a, -1)];
        let gv512 = [(b, -1), (a, 1), (b, -1), (a, -1)];
        let mut chips: Vec<Complex32> = short_training
            .chain(gu512)
            .chain(gv512)
            .chain([(b, -1)])
            .flat_map(|(sequence, sign)| sequence.iter().map(move |chip| real(chip * sign)))
            .collect();
        rotate_half_pi(&mut chips, 0);
        chips
    });
    &CHIPS
}

/// The guard interval, Ga64 rotated. Every guard starts at a multiple of four chips, so it is the
/// same everywhere in the frame.
pub fn guard_chips() -> &'static [Complex32] {
    static CHIPS: LazyLock<Vec<Complex32>> = LazyLock::new(|| {
        let mut chips: Vec<Complex32> = ga64().iter().map(|chip| real(*chip)).collect();
        rotate_half_pi(&mut chips, 0);
        chips
    });
    &CHIPS
}

impl Frame {
    /// Data rate, duration and sizes at the standard's chip rate.
    pub fn report(&self) -> FrameReport {
        self.report_at(CHIP_RATE_HZ)
    }

    /// Data rate, duration and sizes when so many chips a second are sent.
    pub fn report_at(&self, symbol_rate_hz: f64) -> FrameReport {
        let duration_s = self.chips.len() as f64 / symbol_rate_hz;
        let data_rate_bps = match self.mcs {
            // The standard's own rate times a factor that is 1 at its chip rate.
            Some(mcs) => mcs.data_rate_bps() * (symbol_rate_hz / CHIP_RATE_HZ),
            None => symbol_rate_hz * uncoded_bits_per_chip(&self.layout),
        };
        FrameReport {
            data_rate_bps,
            net_rate_bps: 8.0 * self.psdu.len() as f64 / duration_s,
            symbol_rate_hz,
            duration_s,
            chips: self.chips.len(),
            blocks: self.layout.data_blocks,
            codewords: self.mcs.map_or(0, |mcs| PayloadSizes::new(mcs, self.psdu.len()).codewords),
            psdu_octets: self.psdu.len(),
        }
    }
}

/// Bits for each chip of the data field, guards included.
fn uncoded_bits_per_chip(layout: &FrameLayout) -> f64 {
    let share = DATA_SYMBOLS_PER_BLOCK as f64 / layout.block_chips() as f64;
    share * layout.constellation.bits_per_symbol() as f64
}

fn build_uncoded(
    constellation: Constellation,
    blocks: usize,
    guards: bool,
    payload: &Payload,
) -> Result<Frame, FrameError> {
    if blocks == 0 || blocks > UNCODED_BLOCKS_MAX {
        return Err(FrameError::Blocks(blocks));
    }
    let count = blocks * DATA_SYMBOLS_PER_BLOCK * constellation.bits_per_symbol();
    let coded_bits: Vec<u8> = match payload {
        Payload::Prbs { order, seed, .. } => prbs(*order, *seed)?.take(count).collect(),
        Payload::Octets(octets) => {
            if octets.is_empty() || octets.len() > count / 8 {
                let (octets, capacity) = (octets.len(), count / 8);
                return Err(FrameError::PayloadSize { octets, capacity });
            }
            octets_to_bits(octets).into_iter().cycle().take(count).collect()
        }
    };
    let layout = FrameLayout { header: false, guards, data_blocks: blocks, constellation };
    Ok(Frame {
        chips: assemble(&layout, None, &coded_bits),
        layout,
        mcs: None,
        psdu: bits_to_octets(&coded_bits),
        coded_bits,
        scrambler_seed: 0,
    })
}

fn build_dmg(mcs: Mcs, psdu: Vec<u8>) -> Result<Frame, FrameError> {
    let header = Header::new(mcs, psdu.len(), SCRAMBLER_SEED)?;
    let coded_bits = payload::encode(mcs, &psdu, &mut header.payload_scrambler());
    let layout = FrameLayout {
        header: true,
        guards: true,
        data_blocks: PayloadSizes::new(mcs, psdu.len()).blocks,
        constellation: mcs.constellation(),
    };
    Ok(Frame {
        chips: assemble(&layout, Some(&header), &coded_bits),
        layout,
        mcs: Some(mcs),
        coded_bits,
        psdu,
        scrambler_seed: header.scrambler_seed,
    })
}

/// Octets of the PSDU of a coded frame. Their number is checked where the header is made, except
/// that a test sequence beyond it is not generated first.
fn psdu_octets(payload: &Payload) -> Result<Vec<u8>, FrameError> {
    match payload {
        Payload::Prbs { octets, .. } if *octets > payload::PSDU_OCTETS_MAX => {
            Err(HeaderError::Length(*octets).into())
        }
        Payload::Prbs { order, seed, octets } => {
            let bits: Vec<u8> = prbs(*order, *seed)?.take(8 * octets).collect();
            Ok(bits_to_octets(&bits))
        }
        Payload::Octets(octets) => Ok(octets.clone()),
    }
}

fn prbs(order: PrbsOrder, seed: u32) -> Result<Prbs, FrameError> {
    Prbs::new(order, seed).ok_or(FrameError::PrbsSeed { order, seed })
}

/// All chips: preamble, header blocks, data blocks, closing guard, rotated. Without guards the data
/// symbols follow each other, and the rotation goes on.
fn assemble(layout: &FrameLayout, header: Option<&Header>, coded_bits: &[u8]) -> Vec<Complex32> {
    let mut chips = Vec::with_capacity(layout.total_chips());
    chips.extend_from_slice(preamble_chips());
    if let Some(header) = header {
        let symbols = Constellation::Bpsk.map(&header.encode());
        push_block(&mut chips, symbols.iter().copied());
        push_block(&mut chips, symbols.iter().map(|symbol| -symbol));
    }
    let symbols = layout.constellation.map(coded_bits);
    if !layout.guards {
        push_rotated(&mut chips, symbols.into_iter());
        return chips;
    }
    for block in symbols.chunks_exact(DATA_SYMBOLS_PER_BLOCK) {
        push_block(&mut chips, block.iter().copied());
    }
    chips.extend_from_slice(guard_chips());
    chips
}

/// Appends a guard and the rotated symbols of a block.
fn push_block(chips: &mut Vec<Complex32>, symbols: impl Iterator<Item = Complex32>) {
    chips.extend_from_slice(guard_chips());
    push_rotated(chips, symbols);
}

/// Appends symbols, rotated by their place in the frame.
fn push_rotated(chips: &mut Vec<Complex32>, symbols: impl Iterator<Item = Complex32>) {
    let start = chips.len();
    chips.extend(symbols);
    rotate_half_pi(&mut chips[start..], start);
}

fn real(chip: i8) -> Complex32 {
    Complex32::new(f32::from(chip), 0.0)
}

#[cfg(test)]
mod tests;
