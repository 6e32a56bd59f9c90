//! The instruments: settings, their command tables, and what they do over time.
//!
//! Each module holds one instrument's own state and behaviour; time is an argument. What one
//! instrument does to another goes through the world.

pub mod axle;
pub mod dut;
pub mod ramp;
pub mod scope;
pub mod source;
pub mod supply;
pub mod turntable;

use crate::scpi::command::Outcome;
use crate::scpi::error::Fault;

/// Byte orders of binary data in SCPI-99: NORMal is most significant byte first.
pub(crate) const BORDERS: &[&str] = &["NORMal", "SWAPped"];

/// `FORMat INTeger,16`: the one format there is.
pub(crate) fn check_format(args: &mut crate::scpi::command::Args<'_, '_>) -> Outcome<()> {
    args.choice(&["INTeger"])?;
    let bits = args.number(crate::scpi::quantity::Unit::Plain, (1.0, 64.0))?;
    args.end()?;
    if bits == 16.0 { Ok(()) } else { Err(Fault::new(-224, "only INTeger,16")) }
}

/// 16-bit codes as bytes in the byte order in force.
pub(crate) fn bytes_of(codes: impl Iterator<Item = i16>, swapped: bool) -> Vec<u8> {
    if swapped {
        codes.flat_map(i16::to_le_bytes).collect()
    } else {
        codes.flat_map(i16::to_be_bytes).collect()
    }
}
