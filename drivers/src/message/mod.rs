//! Messages of IEEE 488.2 as SCPI-99 uses them: numbers, words, strings, blocks, lists; where an
//! answer ends; identities and error-queue entries.
//!
//! Bytes in, values out, and back: one verb pair, `parse` and `emit`. Sends strictly, receives
//! leniently, as IEEE 488.2 asks. Nothing here does I/O, and no input makes it panic: what cannot
//! be parsed is a [`MessageError`] that keeps the raw text. Lengths that a peer announces are
//! checked against a limit and memory grows with the bytes that arrive.

mod answer;
mod block;
mod datum;
mod error;
mod number;
mod standard;
mod suffix;

pub use answer::{AnswerReader, Expect, LINE_BYTES_MAX, Step};
pub use block::{BLOCK_BYTES_MAX, BlockHeader, emit_block_header};
pub use datum::{
    Datum, emit_list, emit_string, mnemonic_matches, parse_list, parse_string, parse_word,
    split_list,
};
pub use error::{MessageError, MessageFault};
pub use number::{FLAG_MAGNITUDE_MIN, Number, emit_nr1, emit_nr3, parse_switch, parse_whole, trim};
pub use standard::{ErrorClass, ErrorEntry, Identity};
pub use suffix::parse_with_suffix;
