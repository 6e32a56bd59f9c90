//! The SigMF meta file as typed values: the `core` keys and the keys of our namespace.
//!
//! The same types write and read, so a recording of ours comes back whole. Keys of other
//! namespaces are kept as they are. Knows nothing of files.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value as Json};

use crate::record::value::{AxisValue, CaptureNo, ReadingRecord, SettingRecord};

/// How one channel's codes become volts: `volts = volts_per_code * code + offset_v`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelScale {
    /// Name at the instrument: `CH1`.
    pub name: String,
    /// Volts per code step.
    pub volts_per_code: f64,
    /// Volts at code 0.
    pub offset_v: f64,
    /// Resolution of the converter, bits; codes span `-2^(bits-1) … 2^(bits-1)-1`.
    pub bits: u32,
}

/// The frame that was sent.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameRecord {
    /// Name in the sequence: `qpsk uncoded`.
    pub name: String,
    /// Modulation: `pi/2-QPSK`.
    pub modulation: String,
    /// Code, such as `LDPC 672, rate 3/4`; none when uncoded.
    pub code: Option<String>,
    /// Symbols per second.
    pub symbol_rate_hz: f64,
    /// Roll-off of the root-raised-cosine pulse.
    pub roll_off: Option<f64>,
    /// Payload bits in the frame.
    pub payload_bits: Option<u64>,
    /// Pseudo-random generator of the payload: `PRBS15`.
    pub payload_generator: Option<String>,
    /// Seed of that generator.
    pub payload_seed: Option<u64>,
    /// SHA-256 of the payload's octets, lower case hex.
    pub payload_sha256: Option<String>,
    /// Rms level in the source's memory relative to full scale of one axis, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_dbfs: Option<f64>,
    /// Peak to rms of the waveform, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crest_factor_db: Option<f64>,
    /// Share of the waveform's samples that were clipped at full scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clipped_fraction: Option<f64>,
    /// Rate of payload bits within the data field, bit/s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data_rate_bps: Option<f64>,
    /// Duration of the frame without idle time, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duration_s: Option<f64>,
    /// Data blocks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blocks: Option<u64>,
    /// Most that the correction for the source's response raised a part of the band by, dB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction_db: Option<f64>,
}

/// The weights one array stood at.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BeamRecord {
    /// Array's name in the bench file: `rx`.
    pub array: String,
    /// Name of the beam in its codebook.
    pub beam: Option<String>,
    /// Steering angle, degrees from broadside.
    pub steer_deg: Option<f64>,
    /// Phase code of each element as read back.
    pub phase_codes: Vec<u32>,
    /// Attenuation code of each element as read back.
    pub attenuation_codes: Vec<u32>,
}

/// An instrument that took part.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct InstrumentRecord {
    /// Name in the bench file.
    pub name: String,
    /// Role.
    pub role: String,
    /// What it answered to the identity query.
    pub identity: String,
    /// File name of its profile.
    pub profile: String,
    /// SHA-256 of the profile, lower case hex.
    pub profile_sha256: Option<String>,
}

/// Which run a capture belongs to and what took it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RunProvenance {
    /// Name of the run's folder.
    pub run: String,
    /// Name of the sequence.
    pub sequence: String,
    /// Name of the bench.
    pub bench: String,
    /// Version of the software.
    pub version: String,
    /// Seed of everything random in the run.
    pub seed: Option<u64>,
    /// Whether the instruments were simulated.
    pub simulated: bool,
    /// The instruments.
    pub instruments: Vec<InstrumentRecord>,
}

/// An entry of `core:extensions`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SigmfExtension {
    /// Namespace.
    pub name: String,
    /// Version of the namespace.
    pub version: String,
    /// Whether a reader that lacks it may go on.
    pub optional: bool,
}

/// A whole meta file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SigmfMeta {
    /// The object `global`.
    pub global: SigmfGlobal,
    /// The array `captures`.
    pub captures: Vec<SigmfCapture>,
    /// The array `annotations`, as it stands.
    pub annotations: Vec<Map<String, Json>>,
}

/// The object `global` of a meta file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SigmfGlobal {
    /// Sample type, as written.
    #[serde(rename = "core:datatype")]
    pub datatype: String,
    /// Version of the specification.
    #[serde(rename = "core:version")]
    pub version: String,
    /// Samples per second and channel.
    #[serde(rename = "core:sample_rate", default, skip_serializing_if = "Option::is_none")]
    pub sample_rate_hz: Option<f64>,
    /// Interleaved channels; 1 when absent.
    #[serde(rename = "core:num_channels", default, skip_serializing_if = "Option::is_none")]
    pub num_channels: Option<u64>,
    /// SHA-512 of the data file, lower case hex.
    #[serde(rename = "core:sha512", default, skip_serializing_if = "Option::is_none")]
    pub sha512: Option<String>,
    /// What it is, in words.
    #[serde(rename = "core:description", default, skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Hardware that took it.
    #[serde(rename = "core:hw", default, skip_serializing_if = "Option::is_none")]
    pub hw: Option<String>,
    /// Software that took it.
    #[serde(rename = "core:recorder", default, skip_serializing_if = "Option::is_none")]
    pub recorder: Option<String>,
    /// Foreign data file name: a dataset this reader does not take.
    #[serde(rename = "core:dataset", default, skip_serializing_if = "Option::is_none")]
    pub dataset: Option<String>,
    /// Bytes after the samples of a foreign data file.
    #[serde(rename = "core:trailing_bytes", default, skip_serializing_if = "Option::is_none")]
    pub trailing_bytes: Option<u64>,
    /// True when the data are absent on purpose.
    #[serde(rename = "core:metadata_only", default, skip_serializing_if = "Option::is_none")]
    pub metadata_only: Option<bool>,
    /// Namespaces in use.
    #[serde(rename = "core:extensions", default, skip_serializing_if = "Vec::is_empty")]
    pub extensions: Vec<SigmfExtension>,
    /// Scale of each component of a sample: I, then Q; or of the one real channel.
    #[serde(rename = "beamwarden:channels", default, skip_serializing_if = "Option::is_none")]
    pub channels: Option<Vec<ChannelScale>>,
    /// Run it belongs to.
    #[serde(rename = "beamwarden:run", default, skip_serializing_if = "Option::is_none")]
    pub run: Option<RunProvenance>,
    /// Every other key.
    #[serde(flatten)]
    pub other: Map<String, Json>,
}

/// An object of the array `captures` of a meta file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SigmfCapture {
    /// First sample it applies to.
    #[serde(rename = "core:sample_start")]
    pub sample_start: u64,
    /// Centre frequency, Hz.
    #[serde(rename = "core:frequency", default, skip_serializing_if = "Option::is_none")]
    pub centre_hz: Option<f64>,
    /// When the first sample was taken.
    #[serde(rename = "core:datetime", default, skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<Timestamp>,
    /// Bytes before the samples of a foreign data file.
    #[serde(rename = "core:header_bytes", default, skip_serializing_if = "Option::is_none")]
    pub header_bytes: Option<u64>,
    /// Number of the capture within its run.
    #[serde(rename = "beamwarden:capture", default, skip_serializing_if = "Option::is_none")]
    pub capture: Option<CaptureNo>,
    /// Label the sequence gave it.
    #[serde(rename = "beamwarden:label", default, skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// Point of the sweep.
    #[serde(rename = "beamwarden:point", default, skip_serializing_if = "Option::is_none")]
    pub point: Option<u64>,
    /// Step of the sequence.
    #[serde(rename = "beamwarden:step", default, skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
    /// Value of each sweep axis, outermost first.
    #[serde(rename = "beamwarden:position", default, skip_serializing_if = "Vec::is_empty")]
    pub position: Vec<AxisValue>,
    /// Every setting.
    #[serde(rename = "beamwarden:settings", default, skip_serializing_if = "Vec::is_empty")]
    pub settings: Vec<SettingRecord>,
    /// Every reading.
    #[serde(rename = "beamwarden:readings", default, skip_serializing_if = "Vec::is_empty")]
    pub readings: Vec<ReadingRecord>,
    /// Frame that was sent.
    #[serde(rename = "beamwarden:frame", default, skip_serializing_if = "Option::is_none")]
    pub frame: Option<FrameRecord>,
    /// Weights of each array.
    #[serde(rename = "beamwarden:beams", default, skip_serializing_if = "Vec::is_empty")]
    pub beams: Vec<BeamRecord>,
    /// Share of samples at the end of the converter's range.
    #[serde(
        rename = "beamwarden:clipped_fraction",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub clipped_fraction: Option<f64>,
    /// What speaks against trusting it.
    #[serde(rename = "beamwarden:doubts", default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<String>,
    /// Every other key.
    #[serde(flatten)]
    pub other: Map<String, Json>,
}
