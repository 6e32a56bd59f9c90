//! Values of the record: settings, readings, figures, axis values.
//!
//! Knows nothing of where a value came from; units are words that travel with the number.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Names of the figures that the report, the catalogue and `analyse --json` share.
///
/// A figure of another name is kept and listed; only these are drawn.
pub mod figure_names {
    /// Error vector magnitude over the data symbols, dB.
    pub const EVM_DB: &str = "evm_db";
    /// Signal-to-noise ratio, dB.
    pub const SNR_DB: &str = "snr_db";
    /// Bit error rate after decoding (of the sent payload bits).
    pub const BER: &str = "ber";
    /// Lower end of the 95 % interval of [`BER`].
    pub const BER_LOW_95: &str = "ber_low_95";
    /// Upper end of the 95 % interval of [`BER`].
    pub const BER_HIGH_95: &str = "ber_high_95";
    /// Payload bits compared.
    pub const BITS: &str = "bits";
    /// Payload bits found wrong.
    pub const BIT_ERRORS: &str = "bit_errors";
    /// Carrier frequency offset, Hz.
    pub const CFO_HZ: &str = "cfo_hz";
    /// Share of samples at the end of the converter's range.
    pub const CLIPPED_FRACTION: &str = "clipped_fraction";
}

/// A bare value: what a setting stands at, what a reading said, what a figure is.
///
/// In JSON a number, a boolean or a text. A number that is not finite has no place in JSON; it is
/// written as the text `inf`, `-inf` or `nan` and comes back as [`Value::Word`].
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A switch, on or off.
    Switch(bool),
    /// An exact count, such as bits or errors.
    Count(u64),
    /// A quantity in the unit recorded beside it.
    Number(f64),
    /// A word, such as `external` or `qpsk uncoded`.
    Word(String),
}

impl Value {
    /// The value as a number, when it is one.
    pub fn as_f64(&self) -> Option<f64> {
        match self {
            Value::Number(x) => Some(*x),
            Value::Count(n) => Some(*n as f64),
            Value::Switch(_) | Value::Word(_) => None,
        }
    }
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Value::Switch(true) => f.write_str("on"),
            Value::Switch(false) => f.write_str("off"),
            Value::Count(n) => write!(f, "{n}"),
            Value::Number(x) => write!(f, "{x}"),
            Value::Word(word) => f.write_str(word),
        }
    }
}

impl Serialize for Value {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Value::Switch(on) => serializer.serialize_bool(*on),
            Value::Count(n) => serializer.serialize_u64(*n),
            Value::Number(x) if x.is_finite() => serializer.serialize_f64(*x),
            Value::Number(x) if x.is_nan() => serializer.serialize_str("nan"),
            Value::Number(x) => serializer.serialize_str(if *x > 0.0 { "inf" } else { "-inf" }),
            Value::Word(word) => serializer.serialize_str(word),
        }
    }
}

/// The three shapes a value has in JSON; the order tells an exact count from a quantity.
#[derive(Deserialize)]
#[serde(untagged)]
enum ValueShape {
    Switch(bool),
    Count(u64),
    Number(f64),
    Word(String),
}

impl<'de> Deserialize<'de> for Value {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(match ValueShape::deserialize(deserializer)? {
            ValueShape::Switch(on) => Value::Switch(on),
            ValueShape::Count(n) => Value::Count(n),
            ValueShape::Number(x) => Value::Number(x),
            ValueShape::Word(word) => Value::Word(word),
        })
    }
}

impl From<bool> for Value {
    fn from(on: bool) -> Self {
        Value::Switch(on)
    }
}

impl From<f64> for Value {
    fn from(x: f64) -> Self {
        Value::Number(x)
    }
}

impl From<u64> for Value {
    fn from(n: u64) -> Self {
        Value::Count(n)
    }
}

impl From<&str> for Value {
    fn from(word: &str) -> Self {
        Value::Word(word.to_owned())
    }
}

impl From<String> for Value {
    fn from(word: String) -> Self {
        Value::Word(word)
    }
}

/// A value with its unit, as asked for or as read back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RecordedValue {
    /// The value.
    pub value: Value,
    /// Unit symbol (`Hz`, `V`, `deg`, `dB`); none for switches, words and plain counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
}

impl RecordedValue {
    /// A quantity with its unit.
    pub fn number(value: f64, unit: &str) -> Self {
        Self { value: Value::Number(value), unit: Some(unit.to_owned()) }
    }

    /// A value without a unit: a switch, a word, a count, a ratio.
    pub fn plain(value: impl Into<Value>) -> Self {
        Self { value: value.into(), unit: None }
    }
}

impl fmt::Display for RecordedValue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.unit {
            Some(unit) => write!(f, "{} {unit}", self.value),
            None => self.value.fmt(f),
        }
    }
}

/// One setting at one moment: what was asked, what the instrument said it stands at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettingRecord {
    /// Full name with the instrument's name in front: `scope.range`.
    pub name: String,
    /// What this run asked for; none when the run never set it.
    pub asked: Option<RecordedValue>,
    /// What the instrument answered.
    pub read_back: RecordedValue,
    /// When it was read back; `read_at` in JSON, as a journal line's own `at` is another time.
    #[serde(rename = "read_at")]
    pub at: Timestamp,
    /// Seconds between the read-back and the moment the record was made; none when made at once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub age_s: Option<f64>,
    /// What the instrument answered when it was asked again after the capture, where that differs
    /// from what it answered before: nobody knows what it stood at in between.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<RecordedValue>,
    /// Whether asked and read back agree within the setting's resolution, before the capture and after
    /// it; the bench decides.
    pub matched: bool,
}

/// A quantity that can only be read: `supply.current`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadingRecord {
    /// Full name with the instrument's name in front.
    pub name: String,
    /// What it read.
    #[serde(flatten)]
    pub value: RecordedValue,
    /// When it was read; `read_at` in JSON.
    #[serde(rename = "read_at")]
    pub at: Timestamp,
}

/// What the analysis yields under one name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// Name with its unit where it has one: `evm_db`.
    pub name: String,
    /// The value; none when the capture does not yield it. Never a guess.
    pub value: Option<Value>,
    /// Unit symbol, none for counts, ratios and words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
}

impl Figure {
    /// A quantity; a value that is not finite is recorded as absent.
    pub fn number(name: &str, value: Option<f64>, unit: Option<&str>) -> Self {
        let value = value.filter(|x| x.is_finite()).map(Value::Number);
        Self { name: name.to_owned(), value, unit: unit.map(str::to_owned) }
    }

    /// An exact count.
    pub fn count(name: &str, value: u64) -> Self {
        Self { name: name.to_owned(), value: Some(Value::Count(value)), unit: None }
    }

    /// A word or a switch.
    pub fn plain(name: &str, value: impl Into<Value>) -> Self {
        Self { name: name.to_owned(), value: Some(value.into()), unit: None }
    }
}

/// The value one sweep axis has at a point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AxisValue {
    /// Name of the axis: a setting's full name or `frame`.
    pub axis: String,
    /// Where on the axis.
    #[serde(flatten)]
    pub value: RecordedValue,
}

/// Number of a capture within its run, from 1; six digits in file names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CaptureNo(pub u32);

impl fmt::Display for CaptureNo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:06}", self.0)
    }
}

/// Class of a fault: who can do something about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultClass {
    /// Goes away by itself or by trying again.
    Transient,
    /// The instrument refused or failed.
    Instrument,
    /// A limit or an interlock.
    Limit,
    /// The operator's wish or mistake.
    Operator,
    /// Our own mistake.
    Internal,
}
