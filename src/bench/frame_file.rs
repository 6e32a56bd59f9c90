//! Frame files: a frame that has no name of its own.

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::marked::{self, Node};
use beamwarden_drivers::shape::{self, Field, MapShape, Shape};

use crate::phy::constellation::Constellation;
use crate::phy::frame::{self, FrameKind, FrameSpec, Payload};
use crate::phy::mcs::Mcs;
use crate::phy::prbs::PrbsOrder;

const MODULATIONS: &[&str] = &["bpsk", "qpsk", "16-qam", "64-qam"];

static PRBS: Shape = Shape::Map(&MapShape {
    name: "test sequence",
    about: "A pseudo-random sequence of ITU-T O.150.",
    fields: &[
        Field {
            name: "bits",
            required: true,
            shape: &Shape::Word(&["7", "9", "11", "15", "23", "31"]),
            about: "Length of its register.",
        },
        Field {
            name: "seed",
            required: false,
            shape: &Shape::Whole { at_least: 1, at_most: 0x7fff_ffff },
            about: "Start of its register; all ones when absent.",
        },
    ],
});

/// A frame file.
pub static FRAME_FILE: Shape = Shape::Map(&MapShape {
    name: "frame",
    about: "A frame: coded by an MCS, or uncoded with a modulation.",
    fields: &[
        Field { name: "frame", required: true, shape: &Shape::Text, about: "Its name." },
        Field {
            name: "mcs",
            required: false,
            shape: &Shape::Text,
            about: "Modulation and coding scheme of a coded frame, 1 to 12.",
        },
        Field {
            name: "octets",
            required: false,
            shape: &Shape::Whole { at_least: 1, at_most: 262_143 },
            about: "Octets that a coded frame carries; 4096 when absent.",
        },
        Field {
            name: "modulation",
            required: false,
            shape: &Shape::Word(MODULATIONS),
            about: "Modulation of an uncoded frame.",
        },
        Field {
            name: "blocks",
            required: false,
            shape: &Shape::Whole { at_least: 1, at_most: frame::UNCODED_BLOCKS_MAX as i64 },
            about: "Data blocks of an uncoded frame, 448 symbols each; 128 when absent.",
        },
        Field {
            name: "payload",
            required: false,
            shape: &PRBS,
            about: "What it carries; the 23-bit sequence when absent.",
        },
    ],
});

/// Reads a frame file.
///
/// # Errors
/// Every fault of the file.
pub fn read_frame_file(source: &Source) -> Result<FrameSpec, Faults> {
    let (root, mut faults) = marked::parse(source)?;
    shape::check(&root, &FRAME_FILE, &mut faults);
    let spec = decode(&root, &mut faults);
    match spec {
        Some(spec) if faults.is_empty() => match frame::build(&spec) {
            Ok(_) => Ok(spec),
            Err(error) => {
                let fault = Fault::new(0..0, error.to_string());
                Err(Faults::new(source.clone(), vec![fault]))
            }
        },
        _ => Err(Faults::new(source.clone(), faults)),
    }
}

fn decode(root: &Node, faults: &mut Vec<Fault>) -> Option<FrameSpec> {
    let whole = |key: &str, default: usize| {
        let value = root.get(key).and_then(Node::text).and_then(shape::whole);
        value.and_then(|value| usize::try_from(value).ok()).unwrap_or(default)
    };
    let mut only = |key: &str, with: &str| {
        if let Some(node) = root.get(key) {
            let message = format!("'{key}' goes with '{with}' only");
            faults.push(Fault::new(node.span.clone(), message));
        }
    };
    let kind = match (root.get("mcs"), root.get("modulation")) {
        (Some(node), None) => {
            only("blocks", "modulation");
            let Some(mcs) = node.text().and_then(|text| text.parse::<Mcs>().ok()) else {
                faults
                    .push(Fault::new(node.span.clone(), "there is no such MCS; there are 1 to 12"));
                return None;
            };
            FrameKind::Dmg { mcs }
        }
        (None, Some(node)) => {
            only("octets", "mcs");
            let constellation = node.text()?.parse::<Constellation>().ok()?;
            FrameKind::Uncoded { constellation, blocks: whole("blocks", 128) }
        }
        _ => {
            faults.push(
                Fault::new(root.span.start..root.span.start + 1, "the frame is not determined")
                    .with_help("give either mcs or modulation"),
            );
            return None;
        }
    };
    let payload = root.get("payload");
    let text = |key: &str| payload.and_then(|node| node.get(key)).and_then(Node::text);
    let order =
        text("bits").map_or(Some(PrbsOrder::Order23), |bits| bits.parse::<PrbsOrder>().ok())?;
    let ones = ((1u64 << order.stages()) - 1) as u32;
    let seed = text("seed").and_then(shape::whole).and_then(|seed| u32::try_from(seed).ok());
    let payload =
        Payload::Prbs { order, seed: seed.unwrap_or(ones), octets: whole("octets", 4096) };
    Some(FrameSpec { kind, payload })
}
