//! What a frame shall be: its name on the command line and in sequences, and its payload.

use std::fmt;

use super::super::constellation::Constellation;
use super::super::mcs::Mcs;
use super::super::prbs::PrbsOrder;
use super::FrameError;

/// Data blocks of an uncoded frame unless told otherwise: 33 us at the standard's chip rate.
pub const DEFAULT_BLOCKS: usize = 128;
/// Octets of a PSDU unless told otherwise: the length at which the standard states receiver
/// sensitivity (IEEE 802.11ad-2012 Table 21-3, from memory).
pub const DEFAULT_PSDU_OCTETS: usize = 4096;
/// Test sequence of the payload unless told otherwise.
const DEFAULT_PRBS: PrbsOrder = PrbsOrder::Order23;
const DEFAULT_PRBS_SEED: u32 = 0x3A_5C71;

/// A frame to build.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameSpec {
    /// Format and modulation.
    pub kind: FrameKind,
    /// What it carries.
    pub payload: Payload,
}

/// Format of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameKind {
    /// Preamble and data blocks without header, code or scrambler.
    Uncoded {
        /// Constellation of the data symbols.
        constellation: Constellation,
        /// Data blocks.
        blocks: usize,
        /// Whether guards stand between the blocks.
        guards: bool,
    },
    /// A frame of the DMG single-carrier PHY.
    Dmg {
        /// Modulation and code rate.
        mcs: Mcs,
    },
}

/// What a frame carries.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Payload {
    /// A test sequence.
    Prbs {
        /// Which sequence.
        order: PrbsOrder,
        /// Start of its register.
        seed: u32,
        /// Octets of the PSDU. An uncoded frame ignores it and fills its blocks.
        octets: usize,
    },
    /// Given octets. An uncoded frame repeats them until its blocks are full.
    Octets(Vec<u8>),
}

impl FrameSpec {
    /// Reads a frame's name: `bpsk uncoded`, `qpsk uncoded`, `16-qam uncoded`, `64-qam uncoded`, each
    /// also `... without guards`, `mcs 1` to `mcs 12.6`, in any case and spacing. Uncoded frames get 128
    /// blocks, coded ones a PSDU of 4096 octets, both of a test sequence.
    pub fn parse(name: &str) -> Result<Self, FrameError> {
        let wanted = name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
        let payload = Payload::Prbs {
            order: DEFAULT_PRBS,
            seed: DEFAULT_PRBS_SEED,
            octets: DEFAULT_PSDU_OCTETS,
        };
        match kinds().find(|kind| kind.to_string() == wanted) {
            Some(kind) => Ok(Self { kind, payload }),
            None => {
                Err(FrameError::UnknownName { name: name.to_owned(), nearest: nearest(&wanted) })
            }
        }
    }
}

impl fmt::Display for FrameSpec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.kind.fmt(f)
    }
}

impl fmt::Display for FrameKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Uncoded { constellation, guards: true, .. } => {
                write!(f, "{constellation} uncoded")
            }
            Self::Uncoded { constellation, guards: false, .. } => {
                write!(f, "{constellation} uncoded without guards")
            }
            Self::Dmg { mcs } => write!(f, "mcs {mcs}"),
        }
    }
}

/// Every kind of frame that has a name.
fn kinds() -> impl Iterator<Item = FrameKind> {
    let uncoded = [true, false].into_iter().flat_map(|guards| {
        Constellation::ALL.into_iter().map(move |constellation| FrameKind::Uncoded {
            constellation,
            blocks: DEFAULT_BLOCKS,
            guards,
        })
    });
    uncoded.chain(Mcs::all().map(|mcs| FrameKind::Dmg { mcs }))
}

/// The known names as one line for an error message.
pub(super) fn known_names() -> String {
    kinds().map(|kind| kind.to_string()).collect::<Vec<_>>().join(", ")
}

/// The known name that differs least from `wanted`, if it differs in less than half its letters.
fn nearest(wanted: &str) -> Option<String> {
    // Longer texts cannot be near any name; leaving them out bounds the work.
    if wanted.len() > 64 {
        return None;
    }
    kinds()
        .map(|kind| kind.to_string())
        .map(|name| (edit_distance(&letters(wanted), &letters(&name)), name))
        .min_by_key(|(distance, _)| *distance)
        .filter(|(distance, name)| 2 * distance < name.chars().count())
        .map(|(_, name)| name)
}

/// A name without what people most easily get wrong: spaces and hyphens.
fn letters(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric() || *c == '.').collect()
}

/// Insertions, deletions and replacements of letters between two texts (Levenshtein distance).
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}
