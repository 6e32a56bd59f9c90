//! The samples of a capture of ours as the scope gave them: codes, or volts.

use std::fs::File;
use std::io::Read;

use sha2::{Digest, Sha512};

use super::{DATA_ENDING, DataType};
use crate::record::disk;
use crate::record::error::RecordError;
use crate::record::folder::RunFolder;
use crate::record::hash;
use crate::record::value::CaptureNo;

/// Longest data file of ours that is read at once.
const DATA_BYTES_MAX: u64 = 4 << 30;

/// The samples of one channel.
#[derive(Clone, Debug, PartialEq)]
pub enum RawChannel {
    /// Codes, right-justified two's complement.
    Codes(Vec<i16>),
    /// Volts.
    Volts(Vec<f32>),
}

/// The samples of a capture, I first.
#[derive(Clone, Debug, PartialEq)]
pub struct RawSamples {
    /// Both channels.
    pub channels: [RawChannel; 2],
    /// SHA-512 of the data that were read, lower case hex.
    pub sha512: String,
}

impl RawChannel {
    /// The samples of every other word, of I (`first` 0) or of Q (`first` 1).
    fn every_other(bytes: &[u8], first: usize, volts: bool) -> Self {
        if volts {
            let words = bytes.as_chunks::<4>().0.iter().skip(first).step_by(2);
            RawChannel::Volts(words.map(|word| f32::from_le_bytes(*word)).collect())
        } else {
            let words = bytes.as_chunks::<2>().0.iter().skip(first).step_by(2);
            RawChannel::Codes(words.map(|word| i16::from_le_bytes(*word)).collect())
        }
    }

    /// Samples that follow one another.
    pub(in crate::record) fn in_a_row(bytes: &[u8], volts: bool) -> Self {
        if volts {
            let words = bytes.as_chunks::<4>().0.iter();
            RawChannel::Volts(words.map(|word| f32::from_le_bytes(*word)).collect())
        } else {
            let words = bytes.as_chunks::<2>().0.iter();
            RawChannel::Codes(words.map(|word| i16::from_le_bytes(*word)).collect())
        }
    }

    /// The samples one after the other, the least significant byte of each first.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        match self {
            RawChannel::Codes(codes) => codes.iter().flat_map(|code| code.to_le_bytes()).collect(),
            RawChannel::Volts(volts) => volts.iter().flat_map(|volt| volt.to_le_bytes()).collect(),
        }
    }
}

impl RunFolder {
    /// Whether a capture of ours holds volts, not codes.
    fn holds_volts(&self, capture: CaptureNo) -> Result<bool, RecordError> {
        let meta = self.read_meta(capture)?;
        Ok(meta.global.datatype == DataType::CF32_LE.to_string())
    }

    /// Reads the samples of a capture of ours as the scope gave them.
    ///
    /// # Errors
    /// When a file is missing, too long for memory, or does not hold whole pairs of samples.
    pub fn read_raw(&self, capture: CaptureNo) -> Result<RawSamples, RecordError> {
        let volts = self.holds_volts(capture)?;
        let path = self.capture_path(capture, DATA_ENDING);
        let bytes = disk::read_bounded(&path, DATA_BYTES_MAX)?;
        if !bytes.len().is_multiple_of(if volts { 8 } else { 4 }) {
            return Err(RecordError::content(&path, "does not hold whole pairs of samples"));
        }
        let sha512 = hash::hex(&Sha512::digest(&bytes));
        let channels = [0, 1].map(|first| RawChannel::every_other(&bytes, first, volts));
        Ok(RawSamples { channels, sha512 })
    }

    /// The number of samples of a capture of ours, and at most the first `count` of I and of Q.
    ///
    /// # Errors
    /// When a file is missing or cannot be read.
    pub fn first_raw(
        &self,
        capture: CaptureNo,
        count: usize,
    ) -> Result<(usize, [RawChannel; 2]), RecordError> {
        let volts = self.holds_volts(capture)?;
        let pair_bytes = if volts { 8 } else { 4 };
        let path = self.capture_path(capture, DATA_ENDING);
        let file = File::open(&path).map_err(RecordError::io(&path, "open"))?;
        let bytes = file.metadata().map_err(RecordError::io(&path, "read"))?.len();
        let mut first = Vec::new();
        file.take(pair_bytes * count as u64)
            .read_to_end(&mut first)
            .map_err(RecordError::io(&path, "read"))?;
        let channels = [0, 1].map(|channel| RawChannel::every_other(&first, channel, volts));
        Ok((usize::try_from(bytes / pair_bytes).unwrap_or(usize::MAX), channels))
    }
}
