//! What all registers held at one moment: as a file, and what differs between two of them.
//!
//! Pure: whoever reads the registers hands them over.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::{Access, RegisterField, RegisterMap, Registers};
use crate::fault::{Fault, Faults, Source};
use crate::marked::{self, Node};
use crate::shape::{self, Field, MapShape, Shape};

/// What all registers held.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Dump {
    /// The name of the register map.
    pub map: String,
    /// The instrument's name in the bench file.
    pub instrument: String,
    /// What was read.
    pub read: Registers,
    /// What was written to registers that cannot be read.
    pub written: Registers,
    /// Registers that the port refused, and what it said.
    pub refused: BTreeMap<u32, String>,
}

/// A field, or the bits of a register that belong to none, that differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// The field; or the register, where bits differ that belong to no field.
    pub name: String,
    /// What it stood at.
    pub before: String,
    /// What it stands at.
    pub now: String,
    /// Whether it can only be read, so that it may differ without having been set.
    pub read_only: bool,
}

const REGISTER: &Shape = &Shape::Whole { at_least: 0, at_most: 0xFFFF_FFFF };
const REGISTERS: &Shape = &Shape::Table { key: "register", value: REGISTER };

const fn field(name: &'static str, shape: &'static Shape, about: &'static str) -> Field {
    Field { name, required: false, shape, about }
}

const DUMP: &Shape = &Shape::Map(&MapShape {
    name: "register dump",
    about: "What all registers held at one moment.",
    fields: &[
        Field { required: true, ..field("register dump", &Shape::Text, "The register map.") },
        field("instrument", &Shape::Text, "The instrument."),
        Field { required: true, ..field("read", REGISTERS, "What was read.") },
        field("written", REGISTERS, "What was written to registers that cannot be read."),
        field(
            "refused",
            &Shape::Table { key: "register", value: &Shape::Text },
            "Registers that the port refused.",
        ),
        field(
            "fields",
            &Shape::Table { key: "field", value: &Shape::Scalar },
            "The same as fields, for the reader; not used.",
        ),
    ],
});

/// Parses and checks the file of a dump.
///
/// # Errors
/// All faults of the file at once, each with its place.
pub fn parse_dump(source: &Source) -> Result<Dump, Faults> {
    let (root, mut faults) = marked::parse(source)?;
    shape::check(&root, DUMP, &mut faults);
    let text = |key: &str| root.get(key).and_then(Node::text).unwrap_or_default().to_owned();
    let (map, instrument) = (text("register dump"), text("instrument"));
    let whole = |node: &Node| u32::try_from(node.text().and_then(shape::whole)?).ok();
    let read = table(&root, "read", whole, &mut faults);
    let written = table(&root, "written", whole, &mut faults);
    let refused = table(&root, "refused", |node| node.text().map(str::to_owned), &mut faults);
    if faults.is_empty() {
        Ok(Dump { map, instrument, read, written, refused })
    } else {
        Err(Faults::new(source.clone(), faults))
    }
}

fn table<T>(
    root: &Node,
    key: &str,
    value: impl Fn(&Node) -> Option<T>,
    faults: &mut Vec<Fault>,
) -> BTreeMap<u32, T> {
    let mut found = BTreeMap::new();
    for (key, node) in root.get(key).map(Node::entries).unwrap_or_default() {
        match shape::whole(&key.text).and_then(|address| u32::try_from(address).ok()) {
            // What is no value is reported by the check of the shape.
            Some(address) => found.extend(value(node).map(|value| (address, value))),
            None => {
                let fault = Fault::new(key.span.clone(), format!("'{}' is no register", key.text));
                faults.push(fault.with_help("write its address, such as 0x100"));
            }
        }
    }
    found
}

/// What is known of registers: bits, and which of them are known.
struct Side(BTreeMap<u32, (u32, u32)>);

impl Side {
    fn of_field(&self, field: &RegisterField) -> Option<u64> {
        let known = |part: &super::Part| {
            self.0.get(&part.address).is_some_and(|(_, known)| known & part.mask() == part.mask())
        };
        if !field.parts.iter().all(known) {
            return None;
        }
        let addresses = field.parts.iter().map(|part| part.address);
        let registers = addresses.filter_map(|at| Some((at, self.0.get(&at)?.0))).collect();
        field.gather(&registers)
    }

    /// Differences by field, then of bits that belong to no field. What only one side knows is one;
    /// what neither knows is none.
    fn differences(&self, now: &Side, map: &RegisterMap, both: bool) -> Vec<Difference> {
        let mut found = Vec::new();
        let mut owned: Registers = BTreeMap::new();
        for field in &map.fields {
            for part in &field.parts {
                *owned.entry(part.address).or_default() |= part.mask();
            }
            let (old, new) = (self.of_field(field), now.of_field(field));
            if old != new && !(both && (old.is_none() || new.is_none())) {
                let show = |code: Option<u64>| code.map_or("unknown".into(), |c| shown(field, c));
                found.push(Difference {
                    name: field.name.clone(),
                    before: show(old),
                    now: show(new),
                    read_only: field.access == Access::ReadOnly,
                });
            }
        }
        for (address, (old, old_known)) in &self.0 {
            let Some((new, new_known)) = now.0.get(address) else { continue };
            let mask = old_known & new_known & !owned.get(address).copied().unwrap_or_default();
            if (old ^ new) & mask != 0 {
                found.push(Difference {
                    name: format!("bits {mask:#06x} of register {address:#06x}, of no field"),
                    before: format!("{:#06x}", old & mask),
                    now: format!("{:#06x}", new & mask),
                    read_only: false,
                });
            }
        }
        found
    }
}

/// A field's value with its unit; a code that stands for no word as such.
fn shown(field: &RegisterField, code: u64) -> String {
    match field.value_of(code) {
        Ok(value) => field.kind.show(&value),
        Err(code) => format!("code {code}, no word"),
    }
}

impl Dump {
    fn side(&self, map: &RegisterMap) -> Side {
        let all = self.written.iter().chain(&self.read);
        Side(all.map(|(at, bits)| (*at, (*bits, map.register_mask()))).collect())
    }

    /// Every field of the map with its value, `None` where its registers are not known.
    #[must_use]
    pub fn fields<'a>(&self, map: &'a RegisterMap) -> Vec<(&'a RegisterField, Option<String>)> {
        let side = self.side(map);
        let value = |field: &RegisterField| side.of_field(field).map(|code| shown(field, code));
        map.fields.iter().map(|field| (field, value(field))).collect()
    }

    /// What differs from an earlier dump, by field.
    #[must_use]
    pub fn since(&self, before: &Dump, map: &RegisterMap) -> Vec<Difference> {
        before.side(map).differences(&self.side(map), map, false)
    }

    /// What differs from another dump, of the registers that both know: such as the shadow copy.
    #[must_use]
    pub fn common_since(&self, before: &Dump, map: &RegisterMap) -> Vec<Difference> {
        before.side(map).differences(&self.side(map), map, true)
    }

    /// What differs from a chip that was just reset, as far as the map says what that is.
    #[must_use]
    pub fn since_reset(&self, map: &RegisterMap) -> Vec<Difference> {
        let resets = map.resets.iter().map(|(at, reset)| (*at, (reset.bits, reset.known)));
        Side(resets.collect()).differences(&self.side(map), map, true)
    }

    /// The text of the dump's file.
    #[must_use]
    pub fn emit(&self, map: &RegisterMap) -> String {
        let mut text = format!("register dump: {}\n", quoted(&self.map));
        // Writing to a String cannot fail.
        let _ = writeln!(text, "instrument: {}", quoted(&self.instrument));
        let mut section = |name: &str, rows: Vec<(String, String)>, empty: bool| {
            if rows.is_empty() && !empty {
                return;
            }
            let _ = writeln!(text, "{name}:{}", if rows.is_empty() { " {}" } else { "" });
            for (key, value) in rows {
                let _ = writeln!(text, "  {key}: {value}");
            }
        };
        let registers = |all: &Registers| {
            all.iter().map(|(at, bits)| (format!("{at:#06x}"), format!("{bits:#06x}"))).collect()
        };
        section("read", registers(&self.read), true);
        section("written", registers(&self.written), false);
        let refused = self.refused.iter().map(|(at, why)| (format!("{at:#06x}"), quoted(why)));
        section("refused", refused.collect(), false);
        let known = self.fields(map).into_iter();
        let known = known.filter_map(|(field, value)| Some((field.name.clone(), quoted(&value?))));
        section("fields", known.collect(), false);
        text
    }
}

/// A text in double quotes, which both YAML and JSON read the same.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}
