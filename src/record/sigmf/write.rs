//! Writes one capture as a SigMF recording: data first, meta last, each whole or not at all.
//!
//! Knows nothing of the scope: samples, scale and settings come as plain values.

use std::fs::File;
use std::io::Write;
use std::path::Path;

use jiff::Timestamp;
use serde_json::Map;
use sha2::{Digest, Sha512};

use super::meta::{
    BeamRecord, ChannelScale, FrameRecord, RunProvenance, SigmfCapture, SigmfExtension,
    SigmfGlobal, SigmfMeta,
};
use super::{DATA_ENDING, DataType, EXTENSION_NAME, EXTENSION_VERSION, META_ENDING, SIGMF_VERSION};
use crate::record::disk;
use crate::record::error::RecordError;
use crate::record::event::CaptureTaken;
use crate::record::folder::{CAPTURES_FOLDER, RunFolder};
use crate::record::hash;
use crate::record::value::{AxisValue, CaptureNo, ReadingRecord, SettingRecord};

/// Highest sample rate and centre frequency SigMF's schema takes, Hz.
const FREQUENCY_MAX_HZ: f64 = 1e12;
/// Samples turned into bytes at a time.
const CHUNK_SAMPLES: usize = 16 * 1024;

/// Everything about one capture but its samples.
#[derive(Clone, Debug, PartialEq)]
pub struct CaptureRecord {
    /// Number within the run.
    pub capture: CaptureNo,
    /// Label the sequence gave it.
    pub label: Option<String>,
    /// When the first sample was taken.
    pub taken_at: Timestamp,
    /// Samples per second and channel.
    pub sample_rate_hz: f64,
    /// Carrier that stands at 0 Hz of the samples.
    pub centre_hz: Option<f64>,
    /// Scale of the channels that carry I and Q.
    pub channels: [ChannelScale; 2],
    /// Point of the sweep.
    pub point: Option<u64>,
    /// Step of the sequence, in words.
    pub step: Option<String>,
    /// Value of each sweep axis, outermost first.
    pub position: Vec<AxisValue>,
    /// Every setting of the bench.
    pub settings: Vec<SettingRecord>,
    /// Every reading of the bench.
    pub readings: Vec<ReadingRecord>,
    /// Frame that was sent.
    pub frame: Option<FrameRecord>,
    /// Weights of each array.
    pub beams: Vec<BeamRecord>,
    /// Run it belongs to.
    pub provenance: RunProvenance,
    /// What speaks against trusting it: settings that moved meanwhile, a record that came twice.
    pub doubts: Vec<String>,
}

/// The samples of one capture, as the scope gave them.
#[derive(Clone, Copy, Debug)]
pub enum CaptureSamples<'a> {
    /// Codes, right-justified two's complement; what they mean says [`CaptureRecord::channels`].
    Codes {
        /// Of the channel that carries I.
        i: &'a [i16],
        /// Of the channel that carries Q.
        q: &'a [i16],
    },
    /// Volts, of a scope that scales its samples itself.
    Volts {
        /// Of the channel that carries I.
        i: &'a [f32],
        /// Of the channel that carries Q.
        q: &'a [f32],
    },
}

impl CaptureSamples<'_> {
    /// Samples of I and of Q.
    fn counts(&self) -> [usize; 2] {
        match self {
            CaptureSamples::Codes { i, q } => [i.len(), q.len()],
            CaptureSamples::Volts { i, q } => [i.len(), q.len()],
        }
    }

    /// How they are kept: as pairs of I and Q, one complex channel.
    fn data_type(&self) -> DataType {
        match self {
            CaptureSamples::Codes { .. } => DataType::CI16_LE,
            CaptureSamples::Volts { .. } => DataType::CF32_LE,
        }
    }

    /// The widest resolution that their scale can have.
    fn bits_max(&self) -> u32 {
        match self {
            CaptureSamples::Codes { .. } => 16,
            CaptureSamples::Volts { .. } => f32::MANTISSA_DIGITS,
        }
    }

    fn write(&self, file: &mut File, path: &Path) -> Result<String, RecordError> {
        match self {
            CaptureSamples::Codes { i, q } => write_codes(file, path, i, q),
            CaptureSamples::Volts { i, q } => write_pairs(file, path, i, q, f32::to_le_bytes),
        }
    }
}

impl RunFolder {
    /// Writes `captures/000123.sigmf-data` and `.sigmf-meta` and returns the event for the journal.
    ///
    /// A meta file on disk means that the data file is complete.
    ///
    /// # Errors
    /// When the channels differ in length or are empty, a rate or scale is not a usable number, the
    /// capture exists already, or the disk refuses; then neither file is left.
    pub fn write_capture(
        &self,
        record: &CaptureRecord,
        samples: CaptureSamples<'_>,
    ) -> Result<CaptureTaken, RecordError> {
        let data_path = self.capture_path(record.capture, DATA_ENDING);
        let meta_path = self.capture_path(record.capture, META_ENDING);
        check(record, samples).map_err(|why| RecordError::content(&meta_path, why))?;
        for path in [&data_path, &meta_path] {
            if path.exists() {
                return Err(RecordError::content(path, "exists; a capture is never overwritten"));
            }
        }
        let clipped_fraction = match samples {
            CaptureSamples::Codes { i, q } => Some(clipped_fraction(&record.channels, i, q)),
            // Where the converter's range ends, volts do not tell.
            CaptureSamples::Volts { .. } => None,
        };
        let sha512 = disk::with_part(&data_path, |file, part| samples.write(file, part))?;
        let meta = describe(record, samples, &sha512, clipped_fraction);
        let written = serde_json::to_string_pretty(&meta)
            .map_err(RecordError::json(&meta_path, "SigMF meta"))
            .and_then(|text| {
                disk::write_whole(&meta_path, text.as_bytes())?;
                Ok(hash::sha256_hex(text.as_bytes()))
            })
            .inspect_err(|_| {
                // Data without meta is no recording: leave neither.
                let _ = std::fs::remove_file(&data_path);
            });
        let meta_sha256 = written?;
        disk::sync_folder(&self.path().join(CAPTURES_FOLDER))?;
        Ok(CaptureTaken {
            capture: record.capture,
            file: format!("{CAPTURES_FOLDER}/{}.{DATA_ENDING}", record.capture),
            sha512,
            meta_sha256,
            label: record.label.clone(),
            point: record.point,
            clipped_fraction,
            doubts: record.doubts.clone(),
        })
    }
}

fn check(record: &CaptureRecord, samples: CaptureSamples<'_>) -> Result<(), String> {
    let [i, q] = samples.counts();
    if i != q {
        return Err(format!("I has {i} samples and Q has {q}; they must be as many"));
    }
    if i == 0 {
        return Err("the capture is empty".to_owned());
    }
    let rate = record.sample_rate_hz;
    if !(rate > 0.0 && rate <= FREQUENCY_MAX_HZ) {
        return Err(format!("sample rate {rate} Hz is not within 0 … 1 THz"));
    }
    if let Some(centre) = record.centre_hz.filter(|f| f.is_nan() || f.abs() > FREQUENCY_MAX_HZ) {
        return Err(format!("centre frequency {centre} Hz is not within ±1 THz"));
    }
    for channel in &record.channels {
        let finite = channel.volts_per_code.is_finite() && channel.offset_v.is_finite();
        if !finite || !(1..=samples.bits_max()).contains(&channel.bits) {
            return Err(format!("the scale of channel {} is not usable", channel.name));
        }
    }
    Ok(())
}

/// Writes the codes interleaved as `ci16_le` and returns the SHA-512 of what was written.
pub(super) fn write_codes(
    file: &mut File,
    path: &Path,
    i_codes: &[i16],
    q_codes: &[i16],
) -> Result<String, RecordError> {
    write_pairs(file, path, i_codes, q_codes, i16::to_le_bytes)
}

/// Writes I and Q in turn and returns the SHA-512 of what was written.
fn write_pairs<T: Copy, const BYTES: usize>(
    file: &mut File,
    path: &Path,
    i: &[T],
    q: &[T],
    bytes_of: impl Fn(T) -> [u8; BYTES],
) -> Result<String, RecordError> {
    let mut hasher = Sha512::new();
    let mut bytes = Vec::with_capacity(2 * BYTES * CHUNK_SAMPLES);
    for (i_chunk, q_chunk) in i.chunks(CHUNK_SAMPLES).zip(q.chunks(CHUNK_SAMPLES)) {
        bytes.clear();
        for (i, q) in i_chunk.iter().zip(q_chunk) {
            bytes.extend_from_slice(&bytes_of(*i));
            bytes.extend_from_slice(&bytes_of(*q));
        }
        hasher.update(&bytes);
        file.write_all(&bytes).map_err(RecordError::io(path, "write"))?;
    }
    Ok(hash::hex(&hasher.finalize()))
}

/// Share of samples in which I or Q stands at either end of its converter's range.
fn clipped_fraction(channels: &[ChannelScale; 2], i_codes: &[i16], q_codes: &[i16]) -> f64 {
    let at_end = |code: i16, channel: &ChannelScale| {
        let half = 1_i32 << (channel.bits - 1);
        i32::from(code) <= -half || i32::from(code) >= half - 1
    };
    let [i_channel, q_channel] = channels;
    let pairs = i_codes.iter().zip(q_codes);
    let clipped = pairs.filter(|(i, q)| at_end(**i, i_channel) || at_end(**q, q_channel)).count();
    clipped as f64 / i_codes.len() as f64
}

fn describe(
    record: &CaptureRecord,
    samples: CaptureSamples<'_>,
    sha512: &str,
    clipped_fraction: Option<f64>,
) -> SigmfMeta {
    SigmfMeta {
        global: describe_global(record, samples, sha512),
        captures: vec![describe_capture(record, clipped_fraction)],
        annotations: Vec::new(),
    }
}

fn describe_global(
    record: &CaptureRecord,
    samples: CaptureSamples<'_>,
    sha512: &str,
) -> SigmfGlobal {
    let run = &record.provenance;
    let label = record.label.as_deref().unwrap_or("capture");
    let bench = if run.simulated { "simulated bench" } else { "bench" };
    let scope = run.instruments.iter().find(|instrument| instrument.role == "scope");
    SigmfGlobal {
        datatype: samples.data_type().to_string(),
        version: SIGMF_VERSION.to_owned(),
        sample_rate_hz: Some(record.sample_rate_hz),
        num_channels: Some(1),
        sha512: Some(sha512.to_owned()),
        description: Some(format!("{label}: {} on {bench} {}", run.sequence, run.bench)),
        hw: scope.map(|scope| scope.identity.clone()),
        recorder: Some(format!("beamwarden {}", run.version)),
        dataset: None,
        trailing_bytes: None,
        metadata_only: None,
        extensions: vec![SigmfExtension {
            name: EXTENSION_NAME.to_owned(),
            version: EXTENSION_VERSION.to_owned(),
            optional: true,
        }],
        channels: Some(record.channels.to_vec()),
        run: Some(run.clone()),
        other: Map::new(),
    }
}

fn describe_capture(record: &CaptureRecord, clipped_fraction: Option<f64>) -> SigmfCapture {
    SigmfCapture {
        sample_start: 0,
        centre_hz: record.centre_hz,
        taken_at: Some(record.taken_at),
        header_bytes: None,
        capture: Some(record.capture),
        label: record.label.clone(),
        point: record.point,
        step: record.step.clone(),
        position: record.position.clone(),
        settings: record.settings.clone(),
        readings: record.readings.clone(),
        frame: record.frame.clone(),
        beams: record.beams.clone(),
        clipped_fraction,
        doubts: record.doubts.clone(),
        other: Map::new(),
    }
}
