//! What the receiver is told about the frame, and what it is told was sent.

use super::super::bits::octets_to_bits;
use super::super::frame::{Frame, FrameLayout};
use super::super::header::Header;
use super::super::payload;

/// What to look for.
#[derive(Clone, Copy, Debug)]
pub struct Expected<'a> {
    /// How the frame is laid out.
    pub format: Format,
    /// Octets that it carries, where they are known: errors are counted against them. An uncoded
    /// frame repeats them until its blocks are full.
    pub psdu: Option<&'a [u8]>,
}

/// Where the layout comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// The frame's own header says modulation, code and length.
    Dmg,
    /// A frame without header, laid out as given.
    Uncoded(FrameLayout),
}

impl<'a> Expected<'a> {
    /// A frame with a header, of unknown content.
    pub const fn dmg() -> Self {
        Self { format: Format::Dmg, psdu: None }
    }

    /// The given frame: errors are counted against what it carries.
    pub fn frame(frame: &'a Frame) -> Self {
        let format = if frame.layout.header { Format::Dmg } else { Format::Uncoded(frame.layout) };
        Self { format, psdu: Some(&frame.psdu) }
    }

    /// A frame without header of the given layout, of unknown content.
    pub const fn uncoded(layout: FrameLayout) -> Self {
        Self { format: Format::Uncoded(layout), psdu: None }
    }

    /// The same with octets to count errors against.
    pub const fn with_psdu(self, psdu: &'a [u8]) -> Self {
        Self { format: self.format, psdu: Some(psdu) }
    }

    /// Whether a header is expected.
    pub(crate) fn has_header(&self) -> bool {
        self.format == Format::Dmg
    }

    /// The layout, where it does not come from a header.
    pub(crate) fn layout(&self) -> Option<FrameLayout> {
        match self.format {
            Format::Dmg => None,
            Format::Uncoded(layout) => Some(layout),
        }
    }

    /// Bits as they were mapped onto the data symbols, where what was sent is known and fits the
    /// received header.
    pub(crate) fn coded_bits(
        &self,
        layout: &FrameLayout,
        header: Option<&Header>,
    ) -> Option<Vec<u8>> {
        let psdu = self.psdu.filter(|psdu| !psdu.is_empty())?;
        let Some(header) = header else {
            return Some(repeated(octets_to_bits(psdu), layout.coded_bits()));
        };
        let mcs = header.mcs().filter(|_| self.fits_header(header))?;
        let bits = payload::encode(mcs, psdu, &mut header.payload_scrambler());
        (bits.len() == layout.coded_bits()).then_some(bits)
    }

    /// Whether the known content is as long as the header says. That of an extended MCS says how
    /// long it may be, up to 3 octets too much.
    pub(crate) fn fits_header(&self, header: &Header) -> bool {
        let (Some(psdu), Some(mcs), Some(octets)) = (self.psdu, header.mcs(), header.psdu_octets())
        else {
            return false;
        };
        let shorter = if mcs.is_extended() { 3 } else { 0 };
        (octets.saturating_sub(shorter)..=octets).contains(&psdu.len())
    }
}

/// The bits, again and again until there are `count`.
fn repeated(bits: Vec<u8>, count: usize) -> Vec<u8> {
    if bits.len() >= count {
        let mut bits = bits;
        bits.truncate(count);
        return bits;
    }
    bits.iter().copied().cycle().take(count).collect()
}
