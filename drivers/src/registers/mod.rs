//! Register maps: which bits of which register make up a setting.
//!
//! Pure: encodes and decodes; [`crate::instrument`] does the reading and writing.

mod decode;
mod dump;
pub mod fuzzing;
mod overlap;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value as Json;

use crate::profile::{BetweenSteps, Grid, LoadError, Steps, read_source};
use crate::value::{Kind, Unfit, Value};

pub use decode::parse;
pub use dump::{Difference, Dump, parse_dump};

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

/// Contents of registers by address.
pub type Registers = BTreeMap<u32, u32>;

/// Most bits of a field, so that every whole number of it exists as a binary double too.
pub const FIELD_BITS_MAX: u32 = 53;

/// A checked register map. No two fields share a bit.
#[derive(Clone, Debug)]
pub struct RegisterMap {
    /// Its name.
    pub name: String,
    /// What it describes.
    pub about: String,
    /// Bits in every register.
    pub register_bits: u32,
    /// How long the shadow copy of a register that can be read is trusted.
    pub trust: Trust,
    /// The fields, pages and elements spelt out: `tx.phase.0`, `tx.phase.1`, …
    pub fields: Vec<RegisterField>,
    /// What registers hold after a reset, as far as the map says so: bits and which of them count.
    pub resets: BTreeMap<u32, Reset>,
    /// What is written to bring other fields into force.
    pub commits: Vec<Commit>,
    /// The text of the file, for the record.
    pub text: String,
}

/// How long the shadow copy of a register that can be read is trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// Within one call: a chip may lose its supply between two of them.
    Call,
    /// As long as the session lasts: the chip keeps its registers.
    Session,
}

/// What a register holds after a reset.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reset {
    /// The bits.
    pub bits: u32,
    /// Which of them are known.
    pub known: u32,
}

/// A field that is written last, so that others come into force.
#[derive(Clone, Debug, PartialEq)]
pub struct Commit {
    /// The field, by its index in the map.
    pub field: usize,
    /// What is written.
    pub code: u64,
    /// The fields that need it, by their indices.
    pub after: Vec<usize>,
}

/// Bits of one register that belong to a field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// Address of the register.
    pub address: u32,
    /// The lowest bit.
    pub low_bit: u32,
    /// How many bits.
    pub bits: u32,
}

/// Whether a field can be read and written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// Both.
    ReadWrite,
    /// It cannot be written.
    ReadOnly,
    /// It cannot be read: what was written is known from the shadow copy alone.
    WriteOnly,
}

/// Some bits of one or several registers that make up one setting or reading.
#[derive(Clone, Debug)]
pub struct RegisterField {
    /// Its name.
    pub name: String,
    /// What it does.
    pub about: String,
    /// Its bits, the most significant part first.
    pub parts: Vec<Part>,
    /// How many bits in all.
    pub bits: u32,
    /// What the bits mean.
    pub meaning: Meaning,
    /// What kind of value that makes.
    pub kind: Kind,
    /// Whether it can be read and written.
    pub access: Access,
    /// Its place in the order of writing; fields of a lower rank are written first.
    pub rank: usize,
    /// Whether the least significant part is written first.
    pub low_first: bool,
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
    Codes(Vec<u64>),
}

impl RegisterMap {
    /// A field by its name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&RegisterField> {
        self.fields.iter().find(|field| field.name == name)
    }

    /// All bits of a register.
    #[must_use]
    pub fn register_mask(&self) -> u32 {
        u32::MAX >> (32 - self.register_bits)
    }

    /// The registers that can be read, in the order of their addresses.
    #[must_use]
    pub fn readable(&self) -> Vec<u32> {
        self.addresses(|field| field.access != Access::WriteOnly)
    }

    /// The registers that can only be written, in the order of their addresses.
    #[must_use]
    pub fn write_only(&self) -> Vec<u32> {
        self.addresses(|field| field.access == Access::WriteOnly)
    }

    fn addresses(&self, wanted: impl Fn(&RegisterField) -> bool) -> Vec<u32> {
        let fields = self.fields.iter().filter(|field| wanted(field));
        let all: BTreeSet<u32> =
            fields.flat_map(|field| &field.parts).map(|part| part.address).collect();
        all.into_iter().collect()
    }

    /// Whether a register can only be written.
    #[must_use]
    pub fn is_write_only(&self, address: u32) -> bool {
        let mut of_it = self.fields.iter().filter(|field| field.covers(address));
        of_it.any(|field| field.access == Access::WriteOnly)
    }

    /// What a register holds after a reset, when all of the bits of a mask are known.
    #[must_use]
    pub fn reset_of(&self, address: u32, mask: u32) -> Option<u32> {
        let reset = self.resets.get(&address)?;
        (reset.known & mask == mask).then_some(reset.bits)
    }
}

impl Part {
    /// The bits of this part within its register.
    #[must_use]
    pub fn mask(&self) -> u32 {
        (u32::MAX >> (32 - self.bits)) << self.low_bit
    }
}

impl RegisterField {
    /// Whether it can only be read.
    #[must_use]
    pub fn read_only(&self) -> bool {
        self.access == Access::ReadOnly
    }

    /// Whether it has bits in a register.
    #[must_use]
    pub fn covers(&self, address: u32) -> bool {
        self.parts.iter().any(|part| part.address == address)
    }

    /// Its bits within a register.
    #[must_use]
    pub fn mask_at(&self, address: u32) -> u32 {
        let of_it = self.parts.iter().filter(|part| part.address == address);
        of_it.fold(0, |mask, part| mask | part.mask())
    }

    /// The registers of the field in the order in which they are written.
    #[must_use]
    pub fn write_order(&self) -> Vec<u32> {
        let mut order: Vec<u32> = Vec::new();
        let mut add = |part: &Part| {
            if !order.contains(&part.address) {
                order.push(part.address);
            }
        };
        if self.low_first {
            self.parts.iter().rev().for_each(&mut add);
        } else {
            self.parts.iter().for_each(&mut add);
        }
        order
    }

    /// The field's bits out of some registers; `None` when one of its registers is not among them.
    #[must_use]
    pub fn gather(&self, registers: &Registers) -> Option<u64> {
        self.parts.iter().try_fold(0, |code, part| {
            let register = registers.get(&part.address)?;
            let piece = (register & part.mask()) >> part.low_bit;
            Some(code << part.bits | u64::from(piece))
        })
    }

    /// Puts the field's bits into some registers; all other bits stay. A register that is not among
    /// them is 0 otherwise.
    pub fn scatter(&self, code: u64, registers: &mut Registers) {
        let mut rest = code;
        for part in self.parts.iter().rev() {
            let register = registers.entry(part.address).or_default();
            let piece = (rest as u32) << part.low_bit & part.mask();
            *register = *register & !part.mask() | piece;
            // A part may be as wide as a register of 32 bits, the code is wider.
            rest >>= part.bits;
        }
    }

    /// The value that some registers show; `None` when one of its registers is not among them.
    ///
    /// # Errors
    /// The code, when it stands for no word.
    pub fn decode(&self, registers: &Registers) -> Option<Result<Value, u64>> {
        self.gather(registers).map(|code| self.value_of(code))
    }

    /// The value of the field's bits.
    ///
    /// # Errors
    /// The code, when it stands for no word.
    pub fn value_of(&self, code: u64) -> Result<Value, u64> {
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

    /// The field's bits for a value. Steps are rounded to the nearest.
    ///
    /// # Errors
    /// [`Unfit`] when the value is of another kind, or beyond the range.
    pub fn code_of(&self, value: &Value) -> Result<u64, Unfit> {
        let value = self.kind.fit(value)?;
        let code = match (&value, &self.meaning) {
            (Value::Whole(whole), _) => *whole,
            // A step within the range, so that the number of steps fits the field.
            (_, Meaning::Steps { scale, .. }) => match &self.steps() {
                Some(steps) => {
                    let step = steps.fit(&self.kind, &value)?.number().unwrap_or_default();
                    (step / scale).round() as i64
                }
                None => 0,
            },
            (Value::Switch(on), _) => i64::from(*on),
            (Value::Word(word), Meaning::Codes(codes)) => {
                let at = match &self.kind {
                    Kind::Word(words) => words.iter().position(|known| known == word),
                    _ => None,
                };
                at.and_then(|at| codes.get(at)).map_or(0, |code| code.cast_signed())
            }
            _ => 0,
        };
        // Two's complement: the low bits are the same whatever the width.
        Ok(code.cast_unsigned() & (u64::MAX >> (64 - self.bits)))
    }

    /// The values that a field of steps takes; others become the nearest.
    #[must_use]
    pub fn steps(&self) -> Option<Steps> {
        let Meaning::Steps { scale, .. } = self.meaning else { return None };
        let grid = Grid::Every { of: scale.abs(), from: 0.0 };
        Some(Steps { grid, between: BetweenSteps::Nearest })
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

    fn extend(&self, code: u64, signed: bool) -> i64 {
        let negative = signed && code >> (self.bits - 1) & 1 == 1;
        code.cast_signed() - if negative { 1i64 << self.bits } else { 0 }
    }
}

#[cfg(test)]
mod tests;
