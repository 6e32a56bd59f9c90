//! Checksums as lower-case hex text. Knows nothing of files.

use std::fmt::Write as _;

use sha2::{Digest, Sha256};

/// Lower-case hex of `bytes`.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// SHA-256 of `bytes` as lower-case hex.
#[must_use]
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}
