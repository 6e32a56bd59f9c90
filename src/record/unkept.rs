//! Codes that the scope gave and no capture keeps: the probes of a beam search, and measurements that
//! keep no captures. Without them a trace could not be replayed, as it holds only the beginning of
//! long answers.
//!
//! The file `trace/unkept.codes` is a sequence of records: a line of JSON with the number of
//! samples, then the codes of I and those of Q, 16 bits each, the least significant byte first.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Name of the file within the folder of traces.
pub const UNKEPT_FILE: &str = "unkept.codes";
/// Most bytes of it that a run writes.
pub const UNKEPT_BYTES_MAX: u64 = 1 << 30;
/// Longest line between codes.
const LINE_BYTES_MAX: u64 = 200;

#[derive(Serialize, Deserialize)]
struct Heading {
    samples: u64,
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
    pub fn write(&mut self, i_codes: &[i16], q_codes: &[i16]) -> io::Result<bool> {
        let samples = i_codes.len().min(q_codes.len());
        let bytes = 4 * samples as u64 + LINE_BYTES_MAX;
        if self.written + bytes > UNKEPT_BYTES_MAX {
            return Ok(false);
        }
        serde_json::to_writer(&mut self.file, &Heading { samples: samples as u64 })?;
        self.file.write_all(b"\n")?;
        for codes in [i_codes, q_codes] {
            let octets: Vec<u8> =
                codes[..samples].iter().flat_map(|code| code.to_le_bytes()).collect();
            self.file.write_all(&octets)?;
        }
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
    pub fn next_place(&mut self) -> io::Result<Option<(u64, usize)>> {
        let mut line = String::new();
        (&mut self.file).take(LINE_BYTES_MAX).read_line(&mut line)?;
        if line.is_empty() {
            return Ok(None);
        }
        let heading: Heading = serde_json::from_str(&line)?;
        let place = self.file.stream_position()?;
        let end = heading.samples.checked_mul(4).and_then(|bytes| place.checked_add(bytes));
        // A run that was killed may have left half a record.
        let Some(end) = end.filter(|end| {
            self.file.get_ref().metadata().is_ok_and(|metadata| metadata.len() >= *end)
        }) else {
            return Ok(None);
        };
        self.file.seek(SeekFrom::Start(end))?;
        Ok(Some((place, usize::try_from(heading.samples).unwrap_or(usize::MAX))))
    }

    /// `count` codes of one channel of the record of `samples` samples at `place`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn codes(
        &mut self,
        (place, samples): (u64, usize),
        q: bool,
        count: usize,
    ) -> io::Result<Vec<i16>> {
        let from = place + if q { 2 * samples as u64 } else { 0 };
        self.file.seek(SeekFrom::Start(from))?;
        let mut octets = vec![0; 2 * count.min(samples)];
        self.file.read_exact(&mut octets)?;
        Ok(octets.as_chunks::<2>().0.iter().map(|pair| i16::from_le_bytes(*pair)).collect())
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
        assert!(unkept.write(&[1, -2, 3], &[10, 266, i16::MIN]).unwrap());
        assert!(unkept.write(&[7], &[8]).unwrap());
        drop(unkept);
        let whole = std::fs::read(&path).unwrap();
        let mut reader = UnkeptReader::open(&path).unwrap();
        let first = reader.next_place().unwrap().unwrap();
        let second = reader.next_place().unwrap().unwrap();
        assert_eq!(reader.next_place().unwrap(), None);
        assert_eq!(reader.codes(first, false, 9).unwrap(), [1, -2, 3]);
        assert_eq!(reader.codes(first, true, 3).unwrap(), [10, 266, i16::MIN]);
        assert_eq!(reader.codes(second, true, 1).unwrap(), [8]);
        std::fs::write(&path, &whole[..whole.len() - 1]).unwrap();
        let mut reader = UnkeptReader::open(&path).unwrap();
        assert!(reader.next_place().unwrap().is_some());
        assert_eq!(reader.next_place().unwrap(), None);
    }
}
