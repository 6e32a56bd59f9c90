//! Register maps: which bits of which register make up a setting.
//!
//! Pure: encodes and decodes; [`crate::instrument`] does the reading and writing.

mod decode;

use std::path::Path;

use serde_json::Value as Json;

use crate::profile::{LoadError, read_source};
use crate::value::{Kind, Unfit, Value};

pub use decode::parse;

/// Name and text of every register map shipped.
const SHIPPED: &[(&str, &str)] =
    &[("eight-element.yaml", include_str!("../../registers/eight-element.yaml"))];

/// The names of the register maps shipped.
#[must_use]
pub fn shipped_register_maps() -> Vec<&'static str> {
    SHIPPED.iter().map(|(name, _)| *name).collect()
}

/// Loads a register map, as [`crate::profile::load`] does a profile.
///
/// # Errors
/// [`LoadError`].
pub fn load(name: &str, near: Option<&Path>) -> Result<RegisterMap, LoadError> {
    Ok(parse(&read_source(name, near, SHIPPED)?)?)
}

/// The JSON Schema of register maps.
#[must_use]
pub fn json_schema() -> Json {
    crate::shape::json_schema("beamwarden register map", decode::REGISTER_MAP)
}

/// A checked register map. No two fields share a bit.
#[derive(Clone, Debug)]
pub struct RegisterMap {
    /// Its name.
    pub name: String,
    /// What it describes.
    pub about: String,
    /// Bits in every register.
    pub register_bits: u32,
    /// The fields, pages and elements spelt out: `tx.phase.0`, `tx.phase.1`, …
    pub fields: Vec<RegisterField>,
    /// The text of the file, for the record.
    pub text: String,
}

/// Some bits of a register that make up one setting or reading.
#[derive(Clone, Debug)]
pub struct RegisterField {
    /// Its name.
    pub name: String,
    /// What it does.
    pub about: String,
    /// Address of the register.
    pub address: u32,
    /// Its lowest bit.
    pub low_bit: u32,
    /// How many bits.
    pub bits: u32,
    /// What the bits mean.
    pub meaning: Meaning,
    /// What kind of value that makes.
    pub kind: Kind,
    /// Whether it can only be read.
    pub read_only: bool,
}

/// What the bits of a field mean.
#[derive(Clone, Debug, PartialEq)]
pub enum Meaning {
    /// A whole number, in two's complement when signed.
    Whole {
        /// Two's complement.
        signed: bool,
    },
    /// A whole number of steps.
    Steps {
        /// Two's complement.
        signed: bool,
        /// One step, in base units.
        scale: f64,
    },
    /// Not zero is on.
    Switch,
    /// The code of each word of the kind.
    Codes(Vec<u32>),
}

impl RegisterMap {
    /// A field by its name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&RegisterField> {
        self.fields.iter().find(|field| field.name == name)
    }
}

impl RegisterField {
    /// The bits of this field within its register.
    #[must_use]
    pub fn mask(&self) -> u32 {
        (u32::MAX >> (32 - self.bits)) << self.low_bit
    }

    /// Whether the field is the whole of a register of so many bits.
    #[must_use]
    pub fn fills(&self, register_bits: u32) -> bool {
        self.bits == register_bits
    }

    /// The value that the register shows.
    ///
    /// # Errors
    /// The code, when it stands for no word.
    pub fn decode(&self, register: u32) -> Result<Value, u32> {
        let code = (register & self.mask()) >> self.low_bit;
        match &self.meaning {
            Meaning::Whole { signed } => Ok(Value::Whole(self.extend(code, *signed))),
            Meaning::Steps { signed, scale } => {
                Ok(Value::Number(self.extend(code, *signed) as f64 * scale))
            }
            Meaning::Switch => Ok(Value::Switch(code != 0)),
            Meaning::Codes(codes) => match (&self.kind, codes.iter().position(|c| *c == code)) {
                (Kind::Word(words), Some(at)) => {
                    words.get(at).map(|word| Value::Word(word.clone())).ok_or(code)
                }
                _ => Err(code),
            },
        }
    }

    /// The register with this field changed and all other bits left alone. Steps are rounded to
    /// the nearest.
    ///
    /// # Errors
    /// [`Unfit`] when the value is of another kind, or beyond the range.
    pub fn encode(&self, register: u32, value: &Value) -> Result<u32, Unfit> {
        let value = self.kind.fit(value)?;
        let code = match (&value, &self.meaning) {
            (Value::Whole(whole), _) => *whole,
            // The range was checked, so that the number of steps fits the field.
            (Value::Number(number), Meaning::Steps { scale, .. }) => {
                (number / scale).round() as i64
            }
            (Value::Switch(on), _) => i64::from(*on),
            (Value::Word(word), Meaning::Codes(codes)) => {
                let at = match &self.kind {
                    Kind::Word(words) => words.iter().position(|known| known == word),
                    _ => None,
                };
                i64::from(at.and_then(|at| codes.get(at).copied()).unwrap_or_default())
            }
            _ => 0,
        };
        // Two's complement: the low bits are the same whatever the width.
        let bits = (code as u32) << self.low_bit & self.mask();
        Ok(register & !self.mask() | bits)
    }

    /// How far a value may be from what was asked for by rounding to steps alone.
    #[must_use]
    pub fn rounding(&self) -> f64 {
        match self.meaning {
            // A little more than half a step, for the arithmetic of the comparison itself.
            Meaning::Steps { scale, .. } => 0.5 * scale.abs() * (1.0 + 1e-9),
            _ => 0.0,
        }
    }

    fn extend(&self, code: u32, signed: bool) -> i64 {
        let negative = signed && code >> (self.bits - 1) & 1 == 1;
        i64::from(code) - if negative { 1i64 << self.bits } else { 0 }
    }
}

#[cfg(test)]
mod tests;
