//! Binary frames of register ports: what the bytes of requests and answers are, and where an
//! answer ends.
//!
//! A frame is a list of parts: fixed bytes, the register's address, its data, a code, a text with
//! its length, a checksum over all bytes before it. There is no end of line: an answer ends after
//! as many bytes as its form has. Does no I/O, and no input makes it panic.

mod checksum;

use std::collections::BTreeMap;

use crate::message::Identity;

pub use checksum::{Checksum, Crc};

/// Longest text within a frame, as one byte can count.
const TEXT_BYTES_MAX: usize = 255;

/// One part of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// This byte.
    Byte(u8),
    /// The register's address.
    Address,
    /// The register's contents.
    Data,
    /// One byte that says why a port refuses.
    Code,
    /// One byte that counts the text, then the text.
    Text,
    /// The checksum of all bytes before it.
    Checksum,
}

impl Part {
    /// Names of the parts in profiles, apart from bytes.
    pub const NAMES: &'static [&'static str] = &["address", "data", "code", "text", "checksum"];

    /// The part of a name in profiles; a number from 0 to 255 is a fixed byte.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Some(match text {
            "address" => Part::Address,
            "data" => Part::Data,
            "code" => Part::Code,
            "text" => Part::Text,
            "checksum" => Part::Checksum,
            number => Part::Byte(u8::try_from(crate::shape::whole(number)?).ok()?),
        })
    }
}

/// How registers travel in frames.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FramePort {
    /// Whether the most significant byte of addresses, data and checksums comes first.
    pub high_first: bool,
    /// Bytes of an address, 1 to 4.
    pub address_bytes: usize,
    /// Bytes of a register's contents, 1 to 4.
    pub data_bytes: usize,
    /// The checksum; `None` where frames have none.
    pub checksum: Option<Checksum>,
    /// Asks who is there.
    pub identify: Vec<Part>,
    /// The answer: a text of four fields, or of an identity without commas.
    pub identity: Vec<Part>,
    /// Asks for a register.
    pub read: Vec<Part>,
    /// The answer.
    pub read_answer: Vec<Part>,
    /// Writes a register.
    pub write: Vec<Part>,
    /// The answer.
    pub write_answer: Vec<Part>,
    /// The answer when the port refuses.
    pub refusal: Vec<Part>,
    /// What the codes of refusals mean.
    pub codes: BTreeMap<u8, String>,
}

/// What stands in a frame besides its fixed bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Contents {
    /// The register's address.
    pub address: Option<u32>,
    /// The register's contents.
    pub data: Option<u32>,
    /// Why the port refuses.
    pub code: Option<u8>,
    /// A text.
    pub text: Option<Vec<u8>>,
}

/// Why bytes are not the frame that is due. Reads as a fragment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FrameFault {
    /// A byte that no frame has here.
    #[error("byte {at} fits no frame that is due")]
    OtherForm {
        /// The byte's place, the first is 1.
        at: usize,
    },
    /// The checksum is wrong.
    #[error("the checksum is {found:#x} where {wanted:#x} belongs")]
    Checksum {
        /// What came.
        found: u32,
        /// What the bytes before it give.
        wanted: u32,
    },
    /// A value beyond the bytes that are there for it.
    #[error("{value:#x} does not fit into {bytes} bytes")]
    TooLarge {
        /// The value.
        value: u32,
        /// The bytes.
        bytes: usize,
    },
    /// A request needs something that it is not given.
    #[error("the frame needs a part that is not known here")]
    Incomplete,
}

impl FramePort {
    /// The bytes of a request.
    ///
    /// # Errors
    /// A value that does not fit, or a part without value.
    pub fn emit(&self, form: &[Part], contents: &Contents) -> Result<Vec<u8>, FrameFault> {
        let mut bytes = Vec::new();
        for part in form {
            match part {
                Part::Byte(byte) => bytes.push(*byte),
                Part::Address => {
                    let address = contents.address.ok_or(FrameFault::Incomplete)?;
                    self.put(address, self.address_bytes, &mut bytes)?;
                }
                Part::Data => {
                    let data = contents.data.ok_or(FrameFault::Incomplete)?;
                    self.put(data, self.data_bytes, &mut bytes)?;
                }
                Part::Code => bytes.push(contents.code.ok_or(FrameFault::Incomplete)?),
                Part::Text => {
                    let text = contents.text.as_deref().ok_or(FrameFault::Incomplete)?;
                    let count = u8::try_from(text.len()).map_err(|_| FrameFault::Incomplete)?;
                    bytes.push(count);
                    bytes.extend_from_slice(text);
                }
                Part::Checksum => {
                    let checksum = self.checksum.ok_or(FrameFault::Incomplete)?;
                    self.put(checksum.of(&bytes), checksum.bytes(), &mut bytes)?;
                }
            }
        }
        Ok(bytes)
    }

    fn put(&self, value: u32, bytes: usize, into: &mut Vec<u8>) -> Result<(), FrameFault> {
        let all = value.to_be_bytes();
        let (beyond, kept) = all.split_at(4 - bytes.min(4));
        if beyond.iter().any(|byte| *byte != 0) {
            return Err(FrameFault::TooLarge { value, bytes });
        }
        if self.high_first {
            into.extend_from_slice(kept);
        } else {
            into.extend(kept.iter().rev());
        }
        Ok(())
    }

    fn take(&self, bytes: &[u8]) -> u32 {
        let join = |value: u32, byte: &u8| value << 8 | u32::from(*byte);
        if self.high_first { bytes.iter().fold(0, join) } else { bytes.iter().rev().fold(0, join) }
    }

    /// Reads the beginning of some bytes as a frame.
    fn look(&self, form: &[Part], bytes: &[u8]) -> Look {
        let mut at = 0;
        let mut contents = Contents::default();
        for (index, part) in form.iter().enumerate() {
            let size = match part {
                Part::Byte(_) | Part::Code => 1,
                Part::Address => self.address_bytes,
                Part::Data => self.data_bytes,
                Part::Text => 1 + bytes.get(at).map_or(0, |count| usize::from(*count)),
                Part::Checksum => self.checksum.map_or(0, |checksum| checksum.bytes()),
            };
            let Some(piece) = bytes.get(at..at + size) else {
                let rest = form[index..].iter().map(|part| self.least_bytes(*part));
                // Of a text whose length is known all of it is missing.
                let known = if *part == Part::Text { size - 1 } else { 0 };
                return Look::Missing(at + rest.sum::<usize>() + known - bytes.len());
            };
            match part {
                Part::Byte(byte) if piece != [*byte] => return Look::Other(at),
                Part::Byte(_) => {}
                Part::Address => contents.address = Some(self.take(piece)),
                Part::Data => contents.data = Some(self.take(piece)),
                Part::Code => contents.code = piece.first().copied(),
                Part::Text => contents.text = piece.get(1..).map(<[u8]>::to_vec),
                Part::Checksum => {
                    let found = self.take(piece);
                    let wanted = self.checksum.map_or(0, |checksum| checksum.of(&bytes[..at]));
                    if found != wanted {
                        return Look::Damaged { found, wanted };
                    }
                }
            }
            at += size;
        }
        Look::Whole(at, contents)
    }

    /// The fewest bytes that a part has.
    fn least_bytes(&self, part: Part) -> usize {
        match part {
            Part::Byte(_) | Part::Code | Part::Text => 1,
            Part::Address => self.address_bytes,
            Part::Data => self.data_bytes,
            Part::Checksum => self.checksum.map_or(0, |checksum| checksum.bytes()),
        }
    }

    /// Whether two forms of answers can be told apart: by a fixed byte at the same place, before
    /// which both have only fixed bytes.
    #[must_use]
    pub fn told_apart(one: &[Part], other: &[Part]) -> bool {
        let mut pairs = one.iter().zip(other);
        pairs
            .find(|(a, b)| a != b)
            .is_some_and(|pair| matches!(pair, (Part::Byte(_), Part::Byte(_))))
            && one
                .iter()
                .zip(other)
                .take_while(|(a, b)| a == b)
                .all(|(part, _)| matches!(part, Part::Byte(_)))
    }

    /// The longest frame of a form, in bytes.
    #[must_use]
    pub fn most_bytes(&self, form: &[Part]) -> usize {
        let most = |part: &Part| {
            self.least_bytes(*part) + if *part == Part::Text { TEXT_BYTES_MAX } else { 0 }
        };
        form.iter().map(most).sum()
    }
}

/// What the beginning of some bytes is.
enum Look {
    /// A frame of so many bytes.
    Whole(usize, Contents),
    /// At least so many bytes more are needed.
    Missing(usize),
    /// A byte that does not belong there.
    Other(usize),
    /// A frame with a wrong checksum.
    Damaged { found: u32, wanted: u32 },
}

/// How far an answer is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FrameStep {
    /// At least so many bytes more are needed; to ask for no more never takes from a next frame.
    More(usize),
    /// The frame is complete: the index of its form among those that were due, and its contents.
    Done(usize, Contents),
}

/// Reads one answer of one of several forms from the bytes as they come.
#[derive(Debug)]
pub struct FrameReader<'a> {
    port: &'a FramePort,
    due: Vec<&'a [Part]>,
    data: Vec<u8>,
}

impl<'a> FrameReader<'a> {
    /// A reader for one answer, of one of these forms.
    #[must_use]
    pub fn new(port: &'a FramePort, due: Vec<&'a [Part]>) -> Self {
        FrameReader { port, due, data: Vec::new() }
    }

    /// Where the next bytes are to be appended.
    pub fn room(&mut self) -> &mut Vec<u8> {
        &mut self.data
    }

    /// What has arrived so far.
    #[must_use]
    pub fn so_far(&self) -> &[u8] {
        &self.data
    }

    /// Looks at what has arrived.
    ///
    /// # Errors
    /// [`FrameFault`] as soon as the bytes cannot become any answer that is due, also when more
    /// came than the answer has. The link is then out of step.
    pub fn advance(&self) -> Result<FrameStep, FrameFault> {
        let mut missing: Option<usize> = None;
        let mut farthest = 0;
        for (index, form) in self.due.iter().enumerate() {
            match self.port.look(form, &self.data) {
                Look::Whole(bytes, contents) if bytes == self.data.len() => {
                    return Ok(FrameStep::Done(index, contents));
                }
                Look::Whole(bytes, _) => farthest = farthest.max(bytes),
                Look::Missing(bytes) => missing = Some(missing.map_or(bytes, |m| m.min(bytes))),
                Look::Other(at) => farthest = farthest.max(at),
                Look::Damaged { found, wanted } => {
                    return Err(FrameFault::Checksum { found, wanted });
                }
            }
        }
        match missing {
            Some(bytes) => Ok(FrameStep::More(bytes.max(1))),
            None => Err(FrameFault::OtherForm { at: farthest + 1 }),
        }
    }
}

/// The identity that a port's text gives: four fields as in IEEE 488.2, 10.14, or whatever it
/// calls itself as the model.
#[must_use]
pub fn identity_of(text: &[u8]) -> Identity {
    Identity::parse(text).unwrap_or_else(|_| Identity {
        maker: "unknown".into(),
        model: String::from_utf8_lossy(text).trim().into(),
        serial: "0".into(),
        firmware: "0".into(),
    })
}

#[cfg(test)]
mod tests;
