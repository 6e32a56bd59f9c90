//! Codes that the scope gave and no capture keeps: the probes of a beam search, and measurements that
//! keep no captures. Without them a trace could not be replayed, as it holds only the beginning of
//! long answers.
//!
//! The file `trace/unkept.codes` is a sequence of records: a line of JSON with the number of
//! samples and whether they are volts, then those of I and those of Q: codes of 16 bits, or volts as
//! IEEE 754 single precision, the least significant byte first.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::sigmf::{CaptureSamples, RawChannel};

/// Name of the file within the folder of traces.
pub const UNKEPT_FILE: &str = "unkept.codes";
/// Most bytes of it that a run writes.
pub const UNKEPT_BYTES_MAX: u64 = 1 << 30;
/// Longest line between codes.
const LINE_BYTES_MAX: u64 = 200;

#[derive(Serialize, Deserialize)]
struct Heading {
    samples: u64,
    volts: bool,
}

/// Where one record lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnkeptPlace {
    /// First byte of the samples.
    at: u64,
    /// Samples of each channel.
    pub samples: usize,
    volts: bool,
}

impl UnkeptPlace {
    fn bytes_each(self) -> usize {
        if self.volts { 4 } else { 2 }
    }
}

/// Writes the file.
#[derive(Debug)]
pub struct Unkept {
    file: BufWriter<File>,
    written: u64,
}

impl Unkept {
    /// Goes on with the file, or begins it.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn append(path: &Path) -> io::Result<Self> {
        let file = File::options().create(true).append(true).open(path)?;
        let written = file.metadata()?.len();
        Ok(Unkept { file: BufWriter::new(file), written })
    }

    /// Appends one record; false when the file is as long as it may become.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write(&mut self, samples: CaptureSamples<'_>) -> io::Result<bool> {
        let ([i, q], volts) = match samples {
            CaptureSamples::Codes { i, q } => {
                ([i, q].map(|codes| RawChannel::Codes(codes.to_vec())), false)
            }
            CaptureSamples::Volts { i, q } => {
                ([i, q].map(|volts| RawChannel::Volts(volts.to_vec())), true)
            }
        };
        let (i, q) = (i.to_bytes(), q.to_bytes());
        let whole = i.len().min(q.len());
        let bytes = 2 * whole as u64 + LINE_BYTES_MAX;
        if self.written + bytes > UNKEPT_BYTES_MAX {
            return Ok(false);
        }
        let samples = (whole / if volts { 4 } else { 2 }) as u64;
        serde_json::to_writer(&mut self.file, &Heading { samples, volts })?;
        self.file.write_all(b"\n")?;
        self.file.write_all(&i[..whole])?;
        self.file.write_all(&q[..whole])?;
        self.file.flush()?;
        self.written += bytes;
        Ok(true)
    }
}

/// Reads the file.
#[derive(Debug)]
pub struct UnkeptReader {
    file: BufReader<File>,
}

impl UnkeptReader {
    /// Opens the file.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn open(path: &Path) -> io::Result<Self> {
        Ok(UnkeptReader { file: BufReader::new(File::open(path)?) })
    }

    /// Place and length of the next record, which is passed over; none after the last whole one.
    ///
    /// # Errors
    /// When the file cannot be read or is not what it should be.
    pub fn next_place(&mut self) -> io::Result<Option<UnkeptPlace>> {
        let mut line = String::new();
        (&mut self.file).take(LINE_BYTES_MAX).read_line(&mut line)?;
        if line.is_empty() {
            return Ok(None);
        }
        let Heading { samples, volts } = serde_json::from_str(&line)?;
        let samples = usize::try_from(samples).unwrap_or(usize::MAX);
        let place = UnkeptPlace { at: self.file.stream_position()?, samples, volts };
        let bytes = (samples as u64).checked_mul(2 * place.bytes_each() as u64);
        let end = bytes.and_then(|bytes| place.at.checked_add(bytes));
        // A run that was killed may have left half a record.
        let length = self.file.get_ref().metadata()?.len();
        let Some(end) = end.filter(|end| length >= *end) else { return Ok(None) };
        self.file.seek(SeekFrom::Start(end))?;
        Ok(Some(place))
    }

    /// At most `count` samples of one channel of a record.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn channel(&mut self, place: UnkeptPlace, q: bool, count: usize) -> io::Result<RawChannel> {
        let each = place.bytes_each();
        let from = place.at + if q { (each * place.samples) as u64 } else { 0 };
        self.file.seek(SeekFrom::Start(from))?;
        let mut bytes = vec![0; each * count.min(place.samples)];
        self.file.read_exact(&mut bytes)?;
        Ok(RawChannel::in_a_row(&bytes, place.volts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_come_back_and_half_ones_do_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(UNKEPT_FILE);
        let mut unkept = Unkept::append(&path).unwrap();
        let codes = CaptureSamples::Codes { i: &[1, -2, 3], q: &[10, 266, i16::MIN] };
        assert!(unkept.write(codes).unwrap());
        assert!(unkept.write(CaptureSamples::Volts { i: &[0.25], q: &[-1e-3] }).unwrap());
        drop(unkept);
        let whole = std::fs::read(&path).unwrap();
        let mut reader = UnkeptReader::open(&path).unwrap();
        let first = reader.next_place().unwrap().unwrap();
        let second = reader.next_place().unwrap().unwrap();
        assert_eq!(reader.next_place().unwrap(), None);
        let codes = |codes: &[i16]| RawChannel::Codes(codes.to_vec());
        assert_eq!(reader.channel(first, false, 9).unwrap(), codes(&[1, -2, 3]));
        assert_eq!(reader.channel(first, true, 2).unwrap(), codes(&[10, 266]));
        assert_eq!(reader.channel(second, true, 1).unwrap(), RawChannel::Volts(vec![-1e-3]));
        std::fs::write(&path, &whole[..whole.len() - 1]).unwrap();
        let mut reader = UnkeptReader::open(&path).unwrap();
        assert!(reader.next_place().unwrap().is_some());
        assert_eq!(reader.next_place().unwrap(), None);
    }
}
