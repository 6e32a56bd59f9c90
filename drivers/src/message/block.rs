//! Blocks of bytes: `#`, a digit that counts the length's digits, the length, the bytes
//! (IEEE 488.2, 7.7.6 and 8.7.9). Leading zeros of the length are legal.

use super::{MessageError, MessageFault};

/// The longest block that nine digits of length can announce.
pub const BLOCK_BYTES_MAX: usize = 999_999_999;

/// How a block begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BlockHeader {
    /// The length is given.
    Definite {
        /// Bytes of data that follow.
        data_bytes: usize,
        /// Bytes of the header itself.
        header_bytes: usize,
    },
    /// `#0`: the data end where the transport marks the end of the message.
    Indefinite,
}

impl BlockHeader {
    /// Parses the header at the start of `bytes`; `None` when more bytes are needed to tell.
    ///
    /// # Errors
    /// [`MessageFault::NotABlock`].
    pub fn parse(bytes: &[u8]) -> Result<Option<Self>, MessageError> {
        let wrong = || MessageError::new(MessageFault::NotABlock, bytes);
        match bytes.first() {
            None => return Ok(None),
            Some(b'#') => {}
            Some(_) => return Err(wrong()),
        }
        let digits = match bytes.get(1) {
            None => return Ok(None),
            Some(b'0') => return Ok(Some(BlockHeader::Indefinite)),
            Some(digit @ b'1'..=b'9') => usize::from(digit - b'0'),
            Some(_) => return Err(wrong()),
        };
        let length = &bytes[2..bytes.len().min(2 + digits)];
        if !length.iter().all(u8::is_ascii_digit) {
            return Err(wrong());
        }
        if length.len() < digits {
            return Ok(None);
        }
        let data_bytes = length.iter().fold(0, |sum, digit| sum * 10 + usize::from(digit - b'0'));
        Ok(Some(BlockHeader::Definite { data_bytes, header_bytes: 2 + digits }))
    }
}

/// Emits the header of a definite block with the fewest digits.
///
/// # Errors
/// [`MessageFault::BlockTooLong`] above [`BLOCK_BYTES_MAX`].
pub fn emit_block_header(data_bytes: usize) -> Result<String, MessageError> {
    if data_bytes > BLOCK_BYTES_MAX {
        let fault = MessageFault::BlockTooLong { announced: data_bytes, limit: BLOCK_BYTES_MAX };
        return Err(MessageError::new(fault, b""));
    }
    let length = data_bytes.to_string();
    Ok(format!("#{}{length}", length.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_header(bytes: &[u8], data_bytes: usize, header_bytes: usize) {
        let header = BlockHeader::parse(bytes).unwrap();
        assert_eq!(header, Some(BlockHeader::Definite { data_bytes, header_bytes }));
    }

    /// IEEE 488.2, 8.7.9: `#800000010` is a legal header of ten bytes, as is `#210`.
    #[test]
    fn headers_with_and_without_leading_zeros() {
        check_header(b"#800000010abc", 10, 10);
        check_header(b"#210", 10, 4);
        check_header(b"#10", 0, 3);
        check_header(b"#9999999999", BLOCK_BYTES_MAX, 11);
        assert_eq!(BlockHeader::parse(b"#0\x01").unwrap(), Some(BlockHeader::Indefinite));
        assert_eq!(emit_block_header(10).unwrap(), "#210");
        assert_eq!(emit_block_header(0).unwrap(), "#10");
        assert_eq!(emit_block_header(BLOCK_BYTES_MAX).unwrap(), "#9999999999");
        assert!(emit_block_header(BLOCK_BYTES_MAX + 1).is_err());
    }

    #[test]
    fn truncated_headers_wait_and_contradictory_ones_fail() {
        for part in [&b""[..], b"#", b"#4", b"#412", b"#9"] {
            assert_eq!(BlockHeader::parse(part).unwrap(), None, "{part:?}");
        }
        for wrong in [&b"x"[..], b"#A", b"#-", b"#2x", b"#41 2", b"##"] {
            assert!(BlockHeader::parse(wrong).is_err(), "{wrong:?}");
        }
    }
}
