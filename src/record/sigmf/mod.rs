//! Captures as SigMF recordings (specification 1.2.x): a data file of samples, a meta file of JSON.
//!
//! Knows the files and the extension namespace `beamwarden` (see `beamwarden.sigmf-ext.md`), not
//! how a capture was taken or what is in it.

mod datatype;
mod meta;
mod raw;
mod read;
mod waveform;
mod write;

pub use datatype::{DataType, Endian, SampleType};
pub use meta::{
    BeamRecord, ChannelScale, FrameRecord, InstrumentRecord, RunProvenance, SigmfCapture,
    SigmfExtension, SigmfGlobal, SigmfMeta,
};
pub use raw::{RawChannel, RawSamples};
pub use read::{
    CodeWidth, Recording, SampleUnit, Samples, WidthSource, read_recording, read_recording_of,
};
pub use waveform::write_waveform;
pub use write::{CaptureRecord, CaptureSamples};

/// Version of the SigMF specification the writer follows.
pub const SIGMF_VERSION: &str = "1.2.6";
/// Version of the extension namespace `beamwarden`.
pub const EXTENSION_VERSION: &str = "1.0.0";
/// Name of the extension namespace.
pub const EXTENSION_NAME: &str = "beamwarden";
/// Ending of the data file.
pub const DATA_ENDING: &str = "sigmf-data";
/// Ending of the meta file.
pub const META_ENDING: &str = "sigmf-meta";
