//! The bench file: what stands on the bench, decoded from its text.
//!
//! Knows the text only; profiles and register maps are loaded elsewhere. The decoder passes over
//! whatever the grammar has already reported, so that one reading finds every fault.

use std::ops::Range;
use std::time::Duration;

use beamwarden_drivers::fault::{Fault, Faults, Source};
use beamwarden_drivers::instrument::Reconnect;
use beamwarden_drivers::marked::{self, Node};
use beamwarden_drivers::quantity::{Dimension, Quantity};
use beamwarden_drivers::shape;

use super::grammar;
use super::notify::{self, Notify};
use super::policy::Policy;
use crate::beam::{ArrayGeometry, Codebook};

/// Longest silence in one exchange when the bench file does not say.
/// Longest such silence in seconds, an hour: deadlines are sums and multiples of it, and must not
/// overflow the clock.
const TIMEOUT_MAX_S: f64 = 3600.0;
/// Seed of the simulated bench when the bench file does not say.
const SIMULATED_SEED_DEFAULT: u64 = 1;

/// A text with its place in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placed {
    /// The text.
    pub text: String,
    /// Byte range in the file.
    pub span: Range<usize>,
}

/// One instrument as the bench file describes it.
#[derive(Clone, Debug, PartialEq)]
pub struct InstrumentEntry {
    /// Its name, the first part of its settings' names.
    pub name: Placed,
    /// Its role, one of [`grammar::ROLE_WORDS`].
    pub role: String,
    /// Profile by name or path.
    pub profile: Placed,
    /// Register map by name or path.
    pub registers: Option<Placed>,
    /// Its address.
    pub at: Placed,
    /// Longest silence in one exchange; the profile's when absent.
    pub timeout: Option<Duration>,
    /// How a lost link is opened again.
    pub reconnect: Reconnect,
    /// Text that its identity must contain.
    pub identity: Option<String>,
}

/// One array as the bench file describes it.
#[derive(Clone, Debug, PartialEq)]
pub struct ArrayEntry {
    /// Its elements.
    pub geometry: ArrayGeometry,
    /// Prefix of the settings that hold its weights.
    pub weights: Placed,
    /// Its beams.
    pub codebook: Codebook,
    /// Largest conducted power of one element, dBm, where the file says so.
    pub element_power_dbm: Option<f64>,
    /// Gain of one element, dB over an isotropic one, where the file says so.
    pub element_gain_db: Option<f64>,
}

/// What the link carries.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalEntry {
    /// Symbols a second.
    pub symbol_rate_hz: f64,
    /// Roll-off of the root-raised-cosine.
    pub roll_off: f64,
    /// Rms level of every frame relative to full scale, where the file says so.
    pub level_dbfs: Option<f64>,
    /// A file with the measured response that waveforms are corrected for.
    pub correction: Option<Placed>,
    /// The setting that holds the channel number.
    pub channel: Option<Placed>,
}

/// A hard limit, still as text: its unit depends on the setting.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitEntry {
    /// The setting.
    pub setting: Placed,
    /// Lower bound.
    pub at_least: Option<Placed>,
    /// Upper bound.
    pub at_most: Option<Placed>,
}

/// A setting and the value wanted, still as text.
#[derive(Clone, Debug, PartialEq)]
pub struct AssignmentEntry {
    /// The setting.
    pub setting: Placed,
    /// The value.
    pub value: Placed,
}

/// How simulated instruments are set up.
#[derive(Clone, Debug, PartialEq)]
pub struct SimulatedEntry {
    /// Seed of everything random in it.
    pub seed: u64,
    /// A model file.
    pub model: Option<Placed>,
    /// A fault plan.
    pub faults: Option<Placed>,
}

/// A bench file.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchFile {
    /// The text it was read from.
    pub source: Source,
    /// Name of the bench.
    pub name: String,
    /// The instruments in the order of the file.
    pub instruments: Vec<InstrumentEntry>,
    /// The transmitter's and the receiver's array.
    pub arrays: Option<(ArrayEntry, ArrayEntry)>,
    /// What the link carries.
    pub signal: SignalEntry,
    /// Frame files.
    pub frames: Vec<Placed>,
    /// Hard limits.
    pub limits: Vec<LimitEntry>,
    /// The safe state, in order.
    pub safe_state: Vec<AssignmentEntry>,
    /// The simulated bench.
    pub simulated: SimulatedEntry,
    /// What is done about failures, where the file says so.
    pub policy: Option<Policy>,
    /// Conditions watched during every run; their readings are known to the profiles.
    pub interlocks: Option<Node>,
    /// Who is told, and how.
    pub notify: Option<Notify>,
}

impl BenchFile {
    /// Reads a bench file; the faults of its text come beside whatever could be decoded.
    ///
    /// # Errors
    /// When the text is no YAML at all.
    pub fn read(source: &Source) -> Result<(Self, Vec<Fault>), Faults> {
        let (root, mut faults) = marked::parse(source)?;
        shape::check(&root, &grammar::BENCH, &mut faults);
        let instruments = root.get("instruments").map_or(&[][..], Node::entries);
        let file = BenchFile {
            source: source.clone(),
            name: text_of(&root, "bench").unwrap_or_default(),
            instruments: instruments
                .iter()
                .filter_map(|(key, node)| {
                    let name = Placed { text: key.text.clone(), span: key.span.clone() };
                    check_name(&name, &mut faults);
                    instrument(name, node, &mut faults)
                })
                .collect(),
            arrays: root
                .get("arrays")
                .and_then(|node| Some((array(node.get("tx")?)?, array(node.get("rx")?)?))),
            signal: signal(root.get("signal"), &mut faults),
            frames: root
                .get("frames")
                .map_or(&[][..], Node::items)
                .iter()
                .filter_map(placed)
                .collect(),
            limits: root.get("limits").map_or(&[][..], Node::entries).iter().map(limit).collect(),
            safe_state: assignments(root.get("safe state")),
            simulated: simulated(root.get("simulated")),
            policy: root.get("on failure").map(|node| Policy::read(node, &mut faults)),
            interlocks: root.get("interlocks").cloned(),
            notify: notify::read(root.get("notify"), &mut faults),
        };
        Ok((file, faults))
    }
}

/// A name becomes part of setting names and of file names.
fn check_name(name: &Placed, faults: &mut Vec<Fault>) {
    let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    let starts = name.text.starts_with(|c: char| c.is_ascii_lowercase());
    if !starts || !name.text.chars().all(good) || name.text == "beam" {
        faults.push(
            Fault::new(name.span.clone(), format!("'{}' cannot name an instrument", name.text))
                .with_help("use small letters, digits and '_', a letter first; 'beam' is taken"),
        );
    }
}

pub(crate) fn placed(node: &Node) -> Option<Placed> {
    node.text().map(|text| Placed { text: text.to_string(), span: node.span.clone() })
}

fn text_of(node: &Node, key: &str) -> Option<String> {
    node.get(key).and_then(Node::text).map(str::to_string)
}

pub(crate) fn quantity_of(node: &Node, key: &str, dimension: Dimension) -> Option<f64> {
    Quantity::parse(node.get(key)?.text()?, dimension).ok().map(|quantity| quantity.value)
}

fn timeout(node: &Node, faults: &mut Vec<Fault>) -> Option<Duration> {
    let seconds = quantity_of(node, "timeout", Dimension::Time)?;
    match Duration::try_from_secs_f64(seconds) {
        Ok(timeout) if !timeout.is_zero() && seconds <= TIMEOUT_MAX_S => Some(timeout),
        _ => {
            let span = node.get("timeout").map_or(0..0, |place| place.span.clone());
            faults.push(Fault::new(span, "a timeout is more than 0 s and at most 1 h"));
            None
        }
    }
}

fn reconnect(node: &Node, faults: &mut Vec<Fault>) -> Reconnect {
    let mut reconnect = Reconnect::default();
    let Some(given) = node.get("reconnect") else { return reconnect };
    // The check of the shape has told what is no whole number within its bounds.
    let whole = |key: &str| given.get(key).and_then(Node::text).and_then(shape::whole);
    if let Some(tries) = whole("tries").and_then(|tries| u32::try_from(tries).ok()) {
        reconnect.tries = tries;
    }
    if let Some(factor) = whole("factor").and_then(|factor| u32::try_from(factor).ok()) {
        reconnect.factor = factor;
    }
    if let Some(percent) = whole("jitter").and_then(|percent| u32::try_from(percent).ok()) {
        reconnect.jitter_percent = percent.min(100);
    }
    if let Some(seed) = whole("seed").and_then(|seed| u64::try_from(seed).ok()) {
        reconnect.seed = seed;
    }
    if let Some(seconds) = quantity_of(given, "wait", Dimension::Time) {
        match Duration::try_from_secs_f64(seconds) {
            Ok(wait) if wait <= Reconnect::WAIT_MAX => reconnect.first_wait = wait,
            _ => {
                let span = given.get("wait").map_or(0..0, |place| place.span.clone());
                faults.push(Fault::new(span, "a wait is at least 0 s and at most 1 min"));
            }
        }
    }
    reconnect
}

fn instrument(name: Placed, node: &Node, faults: &mut Vec<Fault>) -> Option<InstrumentEntry> {
    let timeout = timeout(node, faults);
    let reconnect = reconnect(node, faults);
    Some(InstrumentEntry {
        name,
        role: text_of(node, "role")?,
        profile: placed(node.get("profile")?)?,
        registers: node.get("registers").and_then(placed),
        at: placed(node.get("at")?)?,
        timeout,
        reconnect,
        identity: text_of(node, "identity"),
    })
}

fn array(node: &Node) -> Option<ArrayEntry> {
    let elements = shape::whole(node.get("elements")?.text()?)?;
    let spacing = quantity_of(node, "spacing", Dimension::Wavelengths)?;
    let phase_bits = shape::whole(node.get("phase_bits")?.text()?)?;
    let geometry = ArrayGeometry::uniform(
        usize::try_from(elements).ok()?,
        spacing,
        u32::try_from(phase_bits).ok()?,
    );
    let beams = node.get("beams")?;
    let codebook = Codebook::scan(
        &geometry,
        quantity_of(beams, "from", Dimension::Angle)?,
        quantity_of(beams, "to", Dimension::Angle)?,
        usize::try_from(shape::whole(beams.get("count")?.text()?)?).ok()?,
    );
    Some(ArrayEntry {
        geometry,
        weights: placed(node.get("weights")?)?,
        codebook,
        element_power_dbm: quantity_of(node, "element_power", Dimension::PowerLevel),
        element_gain_db: quantity_of(node, "element_gain", Dimension::Decibel),
    })
}

fn signal(node: Option<&Node>, faults: &mut Vec<Fault>) -> SignalEntry {
    let roll_off = node.and_then(|node| node.get("roll_off"));
    let value = roll_off.and_then(Node::text).and_then(shape::number).unwrap_or(0.25);
    if let Some(node) = roll_off
        && !(0.05..=0.5).contains(&value)
    {
        faults.push(Fault::new(node.span.clone(), "a roll-off is between 0.05 and 0.5"));
    }
    SignalEntry {
        symbol_rate_hz: node
            .and_then(|node| quantity_of(node, "symbol_rate", Dimension::Frequency))
            .unwrap_or(1.76e9),
        roll_off: value,
        level_dbfs: node.and_then(|node| level(node, faults)),
        correction: node.and_then(|node| node.get("correction")).and_then(placed),
        channel: node.and_then(|node| node.get("channel")).and_then(placed),
    }
}

fn level(node: &Node, faults: &mut Vec<Fault>) -> Option<f64> {
    let level_dbfs = quantity_of(node, "level", Dimension::Decibel)?;
    if !(-60.0..=0.0).contains(&level_dbfs) {
        let span = node.get("level").map_or(0..0, |place| place.span.clone());
        faults.push(Fault::new(span, "a level is between -60 dB and 0 dB of full scale"));
    }
    Some(level_dbfs)
}

fn limit((key, node): &(marked::Key, Node)) -> LimitEntry {
    LimitEntry {
        setting: Placed { text: key.text.clone(), span: key.span.clone() },
        at_least: node.get("at least").and_then(placed),
        at_most: node.get("at most").and_then(placed),
    }
}

/// Settings and values in order, from a list of mappings.
fn assignments(node: Option<&Node>) -> Vec<AssignmentEntry> {
    let items = node.map_or(&[][..], Node::items);
    items
        .iter()
        .flat_map(Node::entries)
        .filter_map(|(key, node)| {
            let setting = Placed { text: key.text.clone(), span: key.span.clone() };
            Some(AssignmentEntry { setting, value: placed(node)? })
        })
        .collect()
}

fn simulated(node: Option<&Node>) -> SimulatedEntry {
    let seed = node
        .and_then(|node| node.get("seed"))
        .and_then(Node::text)
        .and_then(shape::whole)
        .and_then(|seed| u64::try_from(seed).ok());
    SimulatedEntry {
        seed: seed.unwrap_or(SIMULATED_SEED_DEFAULT),
        model: node.and_then(|node| node.get("model")).and_then(placed),
        faults: node.and_then(|node| node.get("faults")).and_then(placed),
    }
}
