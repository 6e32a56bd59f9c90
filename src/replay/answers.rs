//! Long answers of the scope, put together again from what the run keeps of them: the codes of its
//! captures, and those of probes that became no capture.
//!
//! A trace holds the beginning of a long answer, its length and its hash. The beginning tells the
//! header of the block and the first codes; whatever has the same first codes and the right length
//! is a candidate, in every format in which codes are written, and the hash decides. Nothing is
//! kept twice for that. Knows blocks and codes; nothing of what was asked.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use beamwarden_drivers::message::BlockHeader;
use beamwarden_drivers::profile::BinaryFormat;
use beamwarden_drivers::transport::LongAnswers;

use super::recorded::Recorded;
use crate::record::{CaptureNo, RawChannel, RunFolder, UNKEPT_FILE, UnkeptPlace, UnkeptReader};

/// First codes of a channel by which an answer is recognised.
const FIRST_CODES: usize = 48;
/// What may follow a block.
const ENDINGS: &[&[u8]] = &[b"\n", b"", b"\r\n", b"\r"];

/// Samples, whether they are volts, and the bytes of the first of them.
type Key = (usize, bool, Vec<u8>);

fn key(samples: usize, first: &RawChannel) -> Key {
    (samples, matches!(first, RawChannel::Volts(_)), first.to_bytes())
}

/// Where the codes of one channel are kept.
#[derive(Clone, Copy, Debug)]
enum Place {
    Capture { capture: CaptureNo, q: bool },
    Unkept { place: UnkeptPlace, q: bool },
}

/// Everything that a run keeps of its scope's long answers.
pub(super) struct KeptAnswers {
    folder: RunFolder,
    unkept: PathBuf,
    /// By number of samples and first codes.
    places: HashMap<Key, Vec<Place>>,
    /// The capture that was read last: its two channels are asked for one after the other.
    last: Mutex<Option<(CaptureNo, [RawChannel; 2])>>,
}

impl KeptAnswers {
    /// Looks through what a run keeps. What cannot be read is left out: its answers are then told
    /// as missing, when they are needed.
    pub(super) fn of(recorded: &Recorded) -> Self {
        let folder = recorded.folder.clone();
        let unkept = folder.path().join(crate::record::TRACE_FOLDER).join(UNKEPT_FILE);
        let mut places: HashMap<_, Vec<Place>> = HashMap::new();
        for capture in recorded.captures.keys().copied() {
            let Ok((samples, [i, q])) = folder.first_raw(capture, FIRST_CODES) else { continue };
            for (first, q) in [(i, false), (q, true)] {
                let place = Place::Capture { capture, q };
                places.entry(key(samples, &first)).or_default().push(place);
            }
        }
        for (key, place) in unkept_places(&unkept) {
            places.entry(key).or_default().push(place);
        }
        KeptAnswers { folder, unkept, places, last: Mutex::default() }
    }

    fn samples(&self, place: Place) -> Option<RawChannel> {
        match place {
            Place::Unkept { place, q } => {
                UnkeptReader::open(&self.unkept).ok()?.channel(place, q, place.samples).ok()
            }
            Place::Capture { capture, q } => {
                let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
                if last.as_ref().is_none_or(|(number, _)| *number != capture) {
                    *last = Some((capture, self.folder.read_raw(capture).ok()?.channels));
                }
                last.as_ref().map(|(_, channels)| channels[usize::from(q)].clone())
            }
        }
    }
}

/// The records of probes, each with what it is recognised by.
fn unkept_places(path: &std::path::Path) -> Vec<(Key, Place)> {
    let mut found = Vec::new();
    let (Ok(mut along), Ok(mut at)) = (UnkeptReader::open(path), UnkeptReader::open(path)) else {
        return found;
    };
    while let Ok(Some(place)) = along.next_place() {
        for q in [false, true] {
            if let Ok(first) = at.channel(place, q, FIRST_CODES) {
                found.push((key(place.samples, &first), Place::Unkept { place, q }));
            }
        }
    }
    found
}

impl LongAnswers for KeptAnswers {
    fn candidates(&self, head: &[u8], bytes: u64) -> Vec<Vec<u8>> {
        let Ok(bytes) = usize::try_from(bytes) else { return Vec::new() };
        let (from, told) = match BlockHeader::parse(head) {
            Ok(Some(BlockHeader::Definite { header_bytes, data_bytes })) => {
                (header_bytes, Some(data_bytes))
            }
            Ok(Some(BlockHeader::Indefinite)) => (2, None),
            // Codes without a header.
            _ => (0, None),
        };
        let mut candidates = Vec::new();
        for ending in ENDINGS {
            let Some(data) = bytes.checked_sub(from + ending.len()) else { continue };
            if told.is_some_and(|told| told != data) {
                continue;
            }
            for (format, _) in BinaryFormat::ALL {
                self.written_as(*format, head, from, data, ending, &mut candidates);
            }
        }
        candidates
    }
}

impl KeptAnswers {
    /// The answers that codes of `data` bytes make in one format.
    fn written_as(
        &self,
        format: BinaryFormat,
        head: &[u8],
        from: usize,
        data: usize,
        ending: &[u8],
        into: &mut Vec<Vec<u8>>,
    ) {
        let each = format.bytes_each();
        if !data.is_multiple_of(each) {
            return;
        }
        let samples = data / each;
        let first = each * samples.min(FIRST_CODES);
        let Some(first) = head.get(from..from + first).and_then(|bytes| parse(format, bytes))
        else {
            return;
        };
        for place in self.places.get(&key(samples, &first)).into_iter().flatten() {
            let Some(samples) = self.samples(*place) else { continue };
            let mut answer = head[..from].to_vec();
            emit(format, &samples, &mut answer);
            answer.extend_from_slice(ending);
            into.push(answer);
        }
    }
}

/// The samples of a block, codes or volts as its format says.
fn parse(format: BinaryFormat, bytes: &[u8]) -> Option<RawChannel> {
    if format.is_float() {
        format.parse_floats(bytes).map(RawChannel::Volts)
    } else {
        format.parse_codes(bytes).map(RawChannel::Codes)
    }
}

/// Appends samples in a format of their own kind.
fn emit(format: BinaryFormat, samples: &RawChannel, into: &mut Vec<u8>) {
    match samples {
        RawChannel::Codes(codes) => format.emit(codes, 1.0, into),
        RawChannel::Volts(volts) if format == BinaryFormat::Float32HighFirst => {
            into.extend(volts.iter().flat_map(|volt| volt.to_be_bytes()));
        }
        RawChannel::Volts(_) => into.extend(samples.to_bytes()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{CaptureSamples, Unkept, fixture};
    use beamwarden_drivers::message::emit_block_header;

    /// Whether an answer is put together again from its beginning and its length.
    #[track_caller]
    fn check(kept: &KeptAnswers, format: BinaryFormat, samples: &RawChannel, ending: &[u8]) {
        let mut data = Vec::new();
        emit(format, samples, &mut data);
        let header = emit_block_header(data.len()).unwrap();
        let answer = [header.as_bytes(), &data, ending].concat();
        let candidates = kept.candidates(&answer[..256], answer.len() as u64);
        assert!(candidates.contains(&answer), "{}: {}", format.name(), candidates.len());
    }

    #[test]
    fn answers_are_put_together_in_every_format() {
        let root = tempfile::tempdir().unwrap();
        let folder = fixture::story(root.path(), 400, 16);
        let path = folder.trace_path(UNKEPT_FILE).unwrap();
        let volts: Vec<f32> = (0..300u16).map(|n| 1e-3 * f32::from(n)).collect();
        let small: Vec<i16> = (0..300).map(|n| n % 100 - 50).collect();
        let mut unkept = Unkept::append(&path).unwrap();
        assert!(unkept.write(CaptureSamples::Volts { i: &volts, q: &volts }).unwrap());
        assert!(unkept.write(CaptureSamples::Codes { i: &small, q: &small }).unwrap());
        let recorded = Recorded::read(&folder).unwrap();
        let kept = KeptAnswers::of(&recorded);
        let capture = *recorded.captures.keys().next_back().unwrap();
        let channels = folder.read_raw(capture).unwrap().channels;
        for (format, _) in BinaryFormat::ALL {
            match (format.is_float(), format.bytes_each()) {
                (true, _) => check(&kept, *format, &RawChannel::Volts(volts.clone()), b"\n"),
                // Codes that one byte holds.
                (_, 1) => check(&kept, *format, &RawChannel::Codes(small.clone()), b"\r\n"),
                _ => channels.iter().for_each(|channel| check(&kept, *format, channel, b"\n")),
            }
        }
        let mut other = vec![b'9'; 256];
        other[0] = b'+';
        assert!(kept.candidates(&other, 5000).is_empty(), "no block of these samples");
    }
}
