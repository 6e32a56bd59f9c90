//! Frames as a bench sends them, and frame files: a frame that has no name of its own.
//!
//! Reads the frame file's text and the file of user bits that it names; knows no instrument.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::marked::{self, Node};
use beamwarden_drivers::quantity::Dimension;
use beamwarden_drivers::shape::{self, Field, MapShape, Shape, TaggedShape, Variant};

use super::file::quantity_of;
use crate::phy::constellation::Constellation;
use crate::phy::frame::{self, FrameError, FrameKind, FrameSpec, Payload};
use crate::phy::mcs::{DATA_SYMBOLS_PER_BLOCK, Mcs};
use crate::phy::prbs::PrbsOrder;
use crate::phy::pulse::{ROLLOFF_MAX, ROLLOFF_MIN};

const MODULATIONS: &[&str] = &["bpsk", "qpsk", "16-qam", "64-qam"];
/// Symbol rates that a source might have, with wide margins.
const SYMBOL_RATES_HZ: std::ops::RangeInclusive<f64> = 1e3..=1e11;
/// Longest name of a frame, in bytes: it stands in tables and on the report.
const NAME_BYTES_MAX: usize = 64;
/// Octets that the longest frame of all carries: 6 bits a symbol.
const USER_OCTETS_MAX: usize = frame::UNCODED_BLOCKS_MAX * DATA_SYMBOLS_PER_BLOCK * 6 / 8;

const fn optional(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

static PAYLOAD: Shape = Shape::Tagged(&TaggedShape {
    name: "payload",
    about: "What the frame carries: a test sequence or a file.",
    variants: &[
        Variant {
            field: Field {
                name: "bits",
                required: true,
                shape: &Shape::Word(&["7", "9", "11", "15", "23", "31"]),
                about: "A pseudo-random sequence of ITU-T O.150: the length of its register.",
            },
            companions: &[optional(
                "seed",
                &Shape::Whole { at_least: 1, at_most: 0x7fff_ffff },
                "Start of its register; all ones when absent.",
            )],
        },
        Variant {
            field: Field {
                name: "file",
                required: true,
                shape: &Shape::Text,
                about: "A binary file beside this one; the least significant bit of an octet is \
                        sent first.",
            },
            companions: &[],
        },
    ],
});

/// A frame file.
pub static FRAME_FILE: Shape = Shape::Map(&MapShape {
    name: "frame",
    about: "A frame: coded by an MCS, or uncoded with a modulation.",
    fields: &[
        Field { name: "frame", required: true, shape: &Shape::Text, about: "Its name." },
        optional(
            "mcs",
            &Shape::Text,
            "Modulation and coding scheme of a coded frame: 1 to 12, 9.1, 12.1 to 12.6.",
        ),
        optional(
            "octets",
            &Shape::Whole { at_least: 1, at_most: 262_143 },
            "Octets of a test sequence that a coded frame carries; 4096 when absent.",
        ),
        optional("modulation", &Shape::Word(MODULATIONS), "Modulation of an uncoded frame."),
        optional(
            "blocks",
            &Shape::Whole { at_least: 1, at_most: frame::UNCODED_BLOCKS_MAX as i64 },
            "Data blocks of an uncoded frame, 448 symbols each; when absent 128, or what the file of \
             its payload fills.",
        ),
        optional(
            "guards",
            &Shape::Switch,
            "Whether 64 known symbols stand before every block of an uncoded frame and after the \
             last; on when absent.",
        ),
        optional(
            "symbol_rate",
            &Shape::Quantity(Dimension::Frequency),
            "Symbols a second; the bench's when absent.",
        ),
        optional(
            "roll_off",
            &Shape::Number,
            "Roll-off of the root-raised-cosine, 0.05 to 0.5; the bench's when absent.",
        ),
        optional("payload", &PAYLOAD, "What it carries; the 23-bit sequence when absent."),
    ],
});

/// A frame and how it is sent.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedFrame {
    /// Name by which sequences and people call it.
    pub name: String,
    /// What it is.
    pub spec: FrameSpec,
    /// Symbols a second, where the frame says so itself.
    pub symbol_rate_hz: Option<f64>,
    /// Roll-off of the root-raised-cosine, where the frame says so itself.
    pub roll_off: Option<f64>,
}

impl NamedFrame {
    /// One of the frames that have a name of their own, such as `qpsk uncoded` or `mcs 9`.
    ///
    /// # Errors
    /// When there is none of that name.
    pub fn parse(name: &str) -> Result<Self, FrameError> {
        let spec = FrameSpec::parse(name)?;
        Ok(Self { name: name.to_string(), spec, symbol_rate_hz: None, roll_off: None })
    }
}

/// A frame file with what it names.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameFile {
    /// Its text.
    pub source: Source,
    /// The frame.
    pub frame: NamedFrame,
    /// Name and octets of the file of user bits.
    pub payload: Option<(String, Vec<u8>)>,
}

impl FrameFile {
    /// Reads a frame file; the file of user bits is looked for in the folder `near`.
    ///
    /// # Errors
    /// Every fault of the file.
    pub fn read(source: &Source, near: &Path) -> Result<Self, Faults> {
        let (root, mut faults) = marked::parse(source)?;
        shape::check(&root, &FRAME_FILE, &mut faults);
        let mut decoder = Decoder { root: &root, near, faults: &mut faults };
        let decoded = decoder.frame();
        let Some((frame, payload)) = decoded.filter(|_| faults.is_empty()) else {
            return Err(Faults::new(source.clone(), faults));
        };
        if let Err(error) = frame::build(&frame.spec) {
            let fault = Fault::new(place_of(&error, &root), error.to_string());
            return Err(Faults::new(source.clone(), vec![fault]));
        }
        Ok(Self { source: source.clone(), frame, payload })
    }
}

/// Where the file says what cannot be built.
fn place_of(error: &FrameError, root: &Node) -> std::ops::Range<usize> {
    let payload = root.get("payload");
    let place = match error {
        FrameError::PrbsSeed { .. } => payload.and_then(|node| node.get("seed")),
        _ => payload.and_then(|node| node.get("file")).or_else(|| root.get("blocks")),
    };
    place.map_or(0..0, |node| node.span.clone())
}

/// Octets of a file and the name it has in the frame file.
type UserOctets = Option<(String, Vec<u8>)>;

/// Decodes what the grammar let pass; whatever it reported already is passed over.
struct Decoder<'a> {
    root: &'a Node,
    near: &'a Path,
    faults: &'a mut Vec<Fault>,
}

impl Decoder<'_> {
    fn frame(&mut self) -> Option<(NamedFrame, UserOctets)> {
        let name = self.name();
        let (symbol_rate_hz, roll_off) = (self.symbol_rate(), self.roll_off());
        let user = self.user_octets();
        let kind = self.kind(user.as_ref().map(|(_, octets)| octets.len()));
        let payload = match &user {
            Some((_, octets)) => Some(Payload::Octets(octets.clone())),
            None => self.test_sequence(),
        };
        let spec = FrameSpec { kind: kind?, payload: payload? };
        Some((NamedFrame { name: name?, spec, symbol_rate_hz, roll_off }, user))
    }

    fn name(&mut self) -> Option<String> {
        let node = self.root.get("frame")?;
        let name = node.text()?.trim();
        if name.is_empty() || name.len() > NAME_BYTES_MAX {
            let message = format!("a name has 1 to {NAME_BYTES_MAX} letters");
            self.faults.push(Fault::new(node.span.clone(), message));
        }
        if FrameSpec::parse(name).is_ok() {
            let fault = Fault::new(node.span.clone(), format!("'{name}' is a frame already"));
            self.faults.push(fault.with_help("give yours another name"));
        }
        Some(name.to_string())
    }

    fn whole(&self, key: &str) -> Option<usize> {
        let value = self.root.get(key).and_then(Node::text).and_then(shape::whole);
        value.and_then(|value| usize::try_from(value).ok())
    }

    fn only(&mut self, key: &str, with: &str) {
        if let Some(node) = self.root.get(key) {
            let message = format!("'{key}' goes with {with} only");
            self.faults.push(Fault::new(node.span.clone(), message));
        }
    }

    fn symbol_rate(&mut self) -> Option<f64> {
        let rate_hz = quantity_of(self.root, "symbol_rate", Dimension::Frequency)?;
        if !SYMBOL_RATES_HZ.contains(&rate_hz) {
            let span = self.root.get("symbol_rate").map_or(0..0, |node| node.span.clone());
            self.faults.push(Fault::new(span, "a symbol rate is between 1 kHz and 100 GHz"));
        }
        Some(rate_hz)
    }

    fn roll_off(&mut self) -> Option<f64> {
        let node = self.root.get("roll_off")?;
        let value = node.text().and_then(shape::number)?;
        if !(ROLLOFF_MIN..=ROLLOFF_MAX).contains(&value) {
            let message = "a roll-off is between 0.05 and 0.5";
            self.faults.push(Fault::new(node.span.clone(), message));
        }
        Some(value)
    }

    /// Format and modulation; a file of user bits without a number of blocks fills what it needs.
    fn kind(&mut self, user_octets: Option<usize>) -> Option<FrameKind> {
        match (self.root.get("mcs"), self.root.get("modulation")) {
            (Some(node), None) => {
                self.only("blocks", "'modulation'");
                self.only("guards", "'modulation'");
                match node.text()?.parse::<Mcs>() {
                    Ok(mcs) => Some(FrameKind::Dmg { mcs }),
                    Err(error) => {
                        self.faults.push(Fault::new(node.span.clone(), error.to_string()));
                        None
                    }
                }
            }
            (None, Some(node)) => {
                self.only("octets", "'mcs'");
                let constellation = node.text()?.parse::<Constellation>().ok()?;
                let bits = DATA_SYMBOLS_PER_BLOCK * constellation.bits_per_symbol();
                let filled = user_octets
                    .map(|octets| (8 * octets).div_ceil(bits).clamp(1, frame::UNCODED_BLOCKS_MAX));
                let blocks = self.whole("blocks").or(filled).unwrap_or(frame::DEFAULT_BLOCKS);
                let guards = self.root.get("guards").and_then(Node::text).and_then(shape::switch);
                Some(FrameKind::Uncoded { constellation, blocks, guards: guards.unwrap_or(true) })
            }
            _ => {
                let start = self.root.span.start;
                let fault = Fault::new(start..start + 1, "the frame is not determined");
                self.faults.push(fault.with_help("give either mcs or modulation"));
                None
            }
        }
    }

    fn test_sequence(&mut self) -> Option<Payload> {
        let payload = self.root.get("payload");
        let text = |key: &str| payload.and_then(|node| node.get(key)).and_then(Node::text);
        let order = match text("bits") {
            Some(bits) => bits.parse::<PrbsOrder>().ok()?,
            None => PrbsOrder::Order23,
        };
        let ones = ((1u64 << order.stages()) - 1) as u32;
        let seed = text("seed").and_then(shape::whole).and_then(|seed| u32::try_from(seed).ok());
        let octets = self.whole("octets").unwrap_or(frame::DEFAULT_PSDU_OCTETS);
        Some(Payload::Prbs { order, seed: seed.unwrap_or(ones), octets })
    }

    fn user_octets(&mut self) -> UserOctets {
        let node = self.root.get("payload")?.get("file")?;
        let name = node.text()?;
        self.only("octets", "a test sequence");
        match read_octets(&self.near.join(name)) {
            Ok(octets) => Some((name.to_string(), octets)),
            Err(error) => {
                let message = format!("failed to read the user bits in {name}: {error}");
                self.faults.push(Fault::new(node.span.clone(), message));
                // Octets that no message counts stand in, so that the other faults are found too.
                Some((name.to_string(), vec![0]))
            }
        }
    }
}

/// A file of user bits, bounded by what the longest frame carries.
fn read_octets(path: &Path) -> io::Result<Vec<u8>> {
    let mut octets = Vec::new();
    File::open(path)?.take(USER_OCTETS_MAX as u64 + 1).read_to_end(&mut octets)?;
    let unfit = |kind, message: String| Err(io::Error::new(kind, message));
    match octets.len() {
        0 => unfit(io::ErrorKind::InvalidData, "it is empty".into()),
        length if length > USER_OCTETS_MAX => {
            let message = format!("it is longer than {USER_OCTETS_MAX} octets");
            unfit(io::ErrorKind::FileTooLarge, message)
        }
        _ => Ok(octets),
    }
}

#[cfg(test)]
mod tests;
