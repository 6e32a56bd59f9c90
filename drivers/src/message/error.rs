//! What can be wrong with a message, with the raw text kept.

/// Longest piece of raw text kept in an error, in bytes before escaping.
const RAW_BYTES_MAX: usize = 120;

/// What is wrong with a message. Reads as a fragment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MessageFault {
    /// No number of any form.
    #[error("not a number")]
    NotANumber,
    /// A number where a whole one was due.
    #[error("not a whole number")]
    NotWhole,
    /// Neither 1 nor 0, ON nor OFF.
    #[error("neither on nor off")]
    NotASwitch,
    /// An exponent beyond what IEEE 488.2 allows.
    #[error("the exponent is too large")]
    ExponentTooLarge,
    /// No character data.
    #[error("not a word of up to 12 letters, digits and underscores")]
    NotAWord,
    /// No quoted string, or one that does not end.
    #[error("not a quoted string")]
    NotAString,
    /// Characters that a string cannot carry.
    #[error("a string carries 7-bit characters only")]
    NotSevenBit,
    /// A block does not start with `#` and a digit, or its length is not made of digits.
    #[error("not a block of bytes")]
    NotABlock,
    /// A block whose end only the transport could mark.
    #[error("a block of indefinite length cannot be told from what follows on this link")]
    IndefiniteBlock,
    /// A block that announces more than is accepted, or than nine digits can say.
    #[error("a block of {announced} bytes, the most accepted here is {limit}")]
    BlockTooLong {
        /// Length announced or asked for.
        announced: usize,
        /// The limit.
        limit: usize,
    },
    /// A block that ends before its announced length.
    #[error("the block ends after {got} of {announced} bytes")]
    BlockTooShort {
        /// Bytes there.
        got: usize,
        /// Bytes announced.
        announced: usize,
    },
    /// A line longer than accepted.
    #[error("no end of line within {limit} bytes")]
    LineTooLong {
        /// The limit.
        limit: usize,
    },
    /// Another number of list items than due.
    #[error("{got} items where {wanted} were due")]
    ItemCount {
        /// Items there.
        got: usize,
        /// Items due.
        wanted: usize,
    },
    /// An identity without its four fields.
    #[error("not an identity of four fields: maker, model, serial number, firmware")]
    NotAnIdentity,
    /// No entry of an error queue.
    #[error("not an error-queue entry such as 0,\"No error\"")]
    NotAnErrorEntry,
    /// The answer does not have the form that the profile gives.
    #[error("not of the form '{0}'")]
    OtherForm(String),
    /// 9.91E37 or +-9.9E37 where data were due.
    #[error("the instrument has no value, or one beyond its range")]
    Flag,
    /// A word that the profile does not know.
    #[error("not one of the words that the profile knows")]
    UnknownWord,
    /// The answer is the message that was sent.
    #[error("the line sends back what is sent to it; switch its echo off")]
    Echo,
    /// The answer goes on after its end.
    #[error("more bytes after the answer")]
    Leftover,
}

/// A message that cannot be parsed or emitted, with its text.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{fault}, in '{raw}'")]
pub struct MessageError {
    /// What is wrong.
    #[source]
    pub fault: MessageFault,
    /// The text or its beginning, non-printing bytes escaped.
    pub raw: String,
}

impl MessageError {
    /// Binds a fault to the bytes that show it.
    #[must_use]
    pub fn new(fault: MessageFault, raw: &[u8]) -> Self {
        let mut text = raw[..raw.len().min(RAW_BYTES_MAX)].escape_ascii().to_string();
        if raw.len() > RAW_BYTES_MAX {
            text.push('…');
        }
        MessageError { fault, raw: text }
    }
}
