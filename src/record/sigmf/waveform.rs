//! Writes the waveform of a frame, as a source would play it, as a SigMF recording.
//!
//! Knows no run and no scope: one pass of codes at full scale 32767.

use std::path::{Path, PathBuf};

use serde_json::Map;

use super::meta::{FrameRecord, SigmfCapture, SigmfExtension, SigmfGlobal, SigmfMeta};
use super::write::write_codes;
use super::{DATA_ENDING, DataType, EXTENSION_NAME, EXTENSION_VERSION, META_ENDING, SIGMF_VERSION};
use crate::record::disk;
use crate::record::error::RecordError;

/// Writes `codes`, I and Q in turn, to `base.sigmf-data` and what is known of them to
/// `base.sigmf-meta`; an ending that `base` has already is replaced. Yields both paths.
///
/// # Errors
/// When a file exists already or the disk refuses; then neither is left.
pub fn write_waveform(
    base: &Path,
    codes: &[i16],
    sample_rate_hz: f64,
    frame: FrameRecord,
    version: &str,
) -> Result<[PathBuf; 2], RecordError> {
    let [data_path, meta_path] = paths(base);
    for path in [&data_path, &meta_path] {
        if path.exists() {
            return Err(RecordError::content(path, "exists; a recording is never overwritten"));
        }
    }
    let pairs = codes.as_chunks::<2>().0;
    let (i_codes, q_codes): (Vec<i16>, Vec<i16>) = pairs.iter().map(|[i, q]| (*i, *q)).unzip();
    let sha512 =
        disk::with_part(&data_path, |file, part| write_codes(file, part, &i_codes, &q_codes))?;
    let meta = describe(sample_rate_hz, frame, version, sha512);
    serde_json::to_string_pretty(&meta)
        .map_err(RecordError::json(&meta_path, "SigMF meta"))
        .and_then(|text| disk::write_whole(&meta_path, text.as_bytes()))
        .inspect_err(|_| {
            // Data without meta is no recording: leave neither.
            let _ = std::fs::remove_file(&data_path);
        })?;
    Ok([data_path, meta_path])
}

/// Data and meta file of a recording of this name. Only the two endings are replaced: a name such as
/// `mcs12.6` keeps its point.
fn paths(base: &Path) -> [PathBuf; 2] {
    let ours = base.extension().is_some_and(|e| e == DATA_ENDING || e == META_ENDING);
    let base = if ours { base.with_extension("") } else { base.to_path_buf() };
    [DATA_ENDING, META_ENDING].map(|ending| {
        let mut name = base.clone().into_os_string();
        name.push(".");
        name.push(ending);
        name.into()
    })
}

fn describe(sample_rate_hz: f64, frame: FrameRecord, version: &str, sha512: String) -> SigmfMeta {
    let global = SigmfGlobal {
        datatype: DataType::CI16_LE.to_string(),
        version: SIGMF_VERSION.to_owned(),
        sample_rate_hz: Some(sample_rate_hz),
        num_channels: Some(1),
        sha512: Some(sha512),
        description: Some(format!("one pass of the waveform of frame {}", frame.name)),
        hw: None,
        recorder: Some(format!("beamwarden {version}")),
        dataset: None,
        trailing_bytes: None,
        metadata_only: None,
        extensions: vec![SigmfExtension {
            name: EXTENSION_NAME.to_owned(),
            version: EXTENSION_VERSION.to_owned(),
            optional: true,
        }],
        channels: None,
        run: None,
        other: Map::new(),
    };
    let capture = SigmfCapture {
        sample_start: 0,
        centre_hz: None,
        taken_at: None,
        header_bytes: None,
        capture: None,
        label: None,
        point: None,
        step: None,
        position: Vec::new(),
        settings: Vec::new(),
        readings: Vec::new(),
        clipped_fraction: frame.clipped_fraction,
        frame: Some(frame),
        beams: Vec::new(),
        doubts: Vec::new(),
        other: Map::new(),
    };
    SigmfMeta { global, captures: vec![capture], annotations: Vec::new() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Samples, read_recording};

    #[test]
    fn a_waveform_is_read_back_and_never_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let base = folder.path().join("mcs12.6");
        let frame = FrameRecord { name: "mcs 12.6".into(), ..FrameRecord::default() };
        let codes = [32767, 0, -16384, 1, 0, -32767];
        let written = write_waveform(&base, &codes, 8e9, frame.clone(), "0").unwrap();
        assert!(written[0].ends_with("mcs12.6.sigmf-data"), "{written:?}");
        let recording = read_recording(&base).unwrap();
        assert_eq!(recording.sample_rate_hz, Some(8e9));
        let Samples::Complex(samples) = recording.samples else { panic!("complex samples") };
        assert_eq!(samples.len(), 3);
        let [first, second] = [samples[0], samples[1]];
        assert!((first.re / second.re + 32767.0 / 16384.0).abs() < 1e-6);
        let again = write_waveform(&written[1], &codes, 8e9, frame, "0").unwrap_err();
        assert!(again.to_string().contains("never overwritten"), "{again}");
    }
}
