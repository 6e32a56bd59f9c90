//! Reads a SigMF recording, ours or a stranger's, into complex samples or those of one real channel.
//!
//! Strict and bounded: what is not understood is refused with a reason, and no file makes it
//! panic. Knows nothing of what the samples carry.

mod codes;

use std::ffi::OsString;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use num_complex::Complex32;
use sha2::{Digest, Sha512};

use codes::Codes;
pub use codes::{CodeWidth, WidthSource};

use super::meta::{ChannelScale, SigmfMeta};
use super::{DATA_ENDING, DataType, EXTENSION_NAME, EXTENSION_VERSION, META_ENDING};
use crate::record::disk;
use crate::record::error::RecordError;
use crate::record::folder::RunFolder;
use crate::record::hash;
use crate::record::value::CaptureNo;

/// Longest meta file that is read.
const META_BYTES_MAX: u64 = 64 << 20;
/// Most samples that are read: 2 GiB in memory.
const SAMPLES_MAX: u64 = 1 << 28;
/// Samples turned from bytes at a time.
const CHUNK_SAMPLES: usize = 16 * 1024;
/// Highest sample rate SigMF's schema takes, samples per second.
const SAMPLE_RATE_MAX_HZ: f64 = 1e12;

/// Unit of a recording's samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleUnit {
    /// Volts at the scope's input: the recording tells its scale.
    Volts,
    /// Shares of the range of the integer type, -1 … 1.
    FullScale,
    /// Whatever the floating-point file holds.
    AsStored,
}

/// Samples of a recording; all finite.
#[derive(Clone, Debug, PartialEq)]
pub enum Samples {
    /// I + jQ: one complex channel, or two real ones.
    Complex(Vec<Complex32>),
    /// One real channel.
    Real(Vec<f32>),
}

impl Samples {
    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            Self::Complex(samples) => samples.len(),
            Self::Real(samples) => samples.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// A recording in memory.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Samples, in `unit`.
    pub samples: Samples,
    /// Unit of the samples.
    pub unit: SampleUnit,
    /// Samples per second; none when the recording does not tell.
    pub sample_rate_hz: Option<f64>,
    /// Carrier that stands at 0 Hz of complex samples, of the first segment.
    pub centre_hz: Option<f64>,
    /// Largest magnitude a component can have, in `unit`, without the offset; none for floating
    /// point, which has no end.
    pub full_scale: Option<f64>,
    /// Distance of two codes, in `unit`; none for floating point.
    pub step: Option<f64>,
    /// How wide the codes are; none for floating point.
    pub codes: Option<CodeWidth>,
    /// Largest code a component can have; none for floating point.
    pub full_scale_code: Option<u32>,
    /// Share of samples in which I, Q or the one channel stands at either end of the converter's
    /// range; none for floating point.
    pub clipped_fraction: Option<f64>,
    /// Whether the data were compared with a checksum in the meta file.
    pub checksum_compared: bool,
    /// The meta file.
    pub meta: SigmfMeta,
    /// The data file.
    pub data_path: PathBuf,
}

/// Reads the recording at `path`: its meta file, its data file or their common base name.
///
/// Takes every SigMF 1.x data type: complex with one channel, real with two (I, then Q) or with one.
///
/// # Errors
/// When a file is missing, too long or not what the specification says; the checksum does not fit;
/// the recording needs an extension that is not optional; or a sample is not a finite number.
pub fn read_recording(path: &Path) -> Result<Recording, RecordError> {
    read_recording_of(path, None)
}

/// [`read_recording`], with the converter's resolution for recordings of integers that do not declare
/// it: `bits` of codes in the lower bits of the words. Without it codes are taken to fill their words.
///
/// # Errors
/// As [`read_recording`], and when words or codes do not fit so many bits.
pub fn read_recording_of(path: &Path, bits: Option<u32>) -> Result<Recording, RecordError> {
    let base = base_path(path);
    let meta_path = with_ending(&base, META_ENDING);
    let data_path = with_ending(&base, DATA_ENDING);
    let meta = read_meta(&meta_path)?;
    let layout = Layout::of(&meta, bits).map_err(|why| RecordError::content(&meta_path, why))?;
    let data = read_samples(&data_path, &layout)?;
    let codes = layout.code_width(&data.codes);
    if let Some(codes) = codes.filter(|c| c.source == WidthSource::Told && c.bits_used > c.bits) {
        let CodeWidth { bits, bits_used, .. } = codes;
        let why = format!(
            "has codes of {bits_used} bits, more than the {bits} that were given; codes in the upper \
             bits of their words need no number of bits"
        );
        return Err(RecordError::content(&data_path, why));
    }
    check_segments(&meta, data.samples.len())
        .map_err(|why| RecordError::content(&meta_path, why))?;
    if let Some(wanted) = meta.global.sha512.as_deref() {
        // The schema allows either case; the writer here uses lower case.
        if !wanted.eq_ignore_ascii_case(&data.sha512) {
            let why = "does not fit the SHA-512 in its meta file: it was changed or damaged";
            return Err(RecordError::content(&data_path, why));
        }
    }
    let count = data.samples.len() as f64;
    Ok(Recording {
        unit: layout.unit,
        sample_rate_hz: meta.global.sample_rate_hz,
        centre_hz: meta.captures.first().and_then(|segment| segment.centre_hz),
        full_scale: layout.full_scale(),
        step: layout.step().map(|step| step * spare_steps(codes)),
        codes,
        full_scale_code: layout.code_max().map(|max| max as u32),
        clipped_fraction: layout.code_max().map(|_| data.clipped(codes) as f64 / count),
        checksum_compared: meta.global.sha512.is_some(),
        samples: data.samples,
        meta,
        data_path,
    })
}

/// Steps of the words for one of the codes.
fn spare_steps(codes: Option<CodeWidth>) -> f64 {
    codes.map_or(1.0, |codes| f64::from(codes.bits_below).exp2())
}

/// Reads a meta file alone.
///
/// # Errors
/// When it is missing, too long or not the JSON of a SigMF meta file.
fn read_meta(meta_path: &Path) -> Result<SigmfMeta, RecordError> {
    let bytes = disk::read_bounded(meta_path, META_BYTES_MAX)?;
    serde_json::from_slice(&bytes).map_err(RecordError::json(meta_path, "SigMF meta"))
}

impl RunFolder {
    /// Reads the meta file of a capture: every setting, the frame, the beams.
    ///
    /// # Errors
    /// When it is missing, too long or not the JSON of a SigMF meta file.
    pub fn read_meta(&self, capture: CaptureNo) -> Result<SigmfMeta, RecordError> {
        read_meta(&self.capture_path(capture, META_ENDING))
    }
}

fn base_path(path: &Path) -> PathBuf {
    match path.extension().and_then(|ending| ending.to_str()) {
        Some(DATA_ENDING | META_ENDING) => path.with_extension(""),
        _ => path.to_owned(),
    }
}

fn with_ending(base: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(base);
    name.push(".");
    name.push(ending);
    PathBuf::from(name)
}

/// How the bytes of a data file become samples.
struct Layout {
    data_type: DataType,
    /// Components of a sample: I and Q, or the one of a real channel.
    components: usize,
    channels: Option<Vec<ChannelScale>>,
    unit: SampleUnit,
    /// Resolution where the recording does not declare it.
    told_bits: Option<u32>,
}

impl Layout {
    fn of(meta: &SigmfMeta, told_bits: Option<u32>) -> Result<Self, String> {
        let global = &meta.global;
        let data_type: DataType = global.datatype.parse().map_err(|()| {
            format!("core:datatype {:?} is not a SigMF data type", global.datatype)
        })?;
        let components = match (data_type.complex, global.num_channels.unwrap_or(1)) {
            (true, 1) | (false, 2) => 2,
            (false, 1) => 1,
            (_, channels) => {
                return Err(format!(
                    "has {channels} channels of {data_type}; one complex channel, two real ones \
                     (I, then Q) or one real one can be read"
                ));
            }
        };
        if !global.version.starts_with("1.") {
            return Err(format!("core:version {:?} is not of SigMF 1.x", global.version));
        }
        refuse_foreign(meta)?;
        refuse_extensions(meta)?;
        if let Some(rate) =
            global.sample_rate_hz.filter(|r| !(*r > 0.0 && *r <= SAMPLE_RATE_MAX_HZ))
        {
            return Err(format!("core:sample_rate {rate} is not within 0 … 1e12"));
        }
        let channels = global.channels.clone();
        check_scale(channels.as_deref(), components, data_type)?;
        let unit = match (&channels, data_type.integer_bits()) {
            (Some(_), _) => SampleUnit::Volts,
            (None, Some(_)) => SampleUnit::FullScale,
            (None, None) => SampleUnit::AsStored,
        };
        let type_bits = data_type.integer_bits().unwrap_or(u32::MAX);
        if let Some(bits) = told_bits.filter(|bits| *bits == 0 || *bits > type_bits) {
            return Err(format!("codes of {bits} bits do not fit core:datatype {data_type}"));
        }
        Ok(Self { data_type, components, channels, unit, told_bits })
    }

    fn frame_bytes(&self) -> usize {
        self.components * self.data_type.component_bytes()
    }

    /// Resolution of the converter, bits.
    fn bits(&self) -> Option<u32> {
        let declared = self.channels.as_ref().map(|channels| channels[0].bits);
        self.data_type.integer_bits().map(|bits| declared.or(self.told_bits).unwrap_or(bits))
    }

    /// How wide the codes are, of which these have been seen.
    fn code_width(&self, codes: &Codes) -> Option<CodeWidth> {
        let source = match (&self.channels, self.told_bits) {
            (Some(_), _) => WidthSource::Declared,
            (None, Some(_)) => WidthSource::Told,
            (None, None) => WidthSource::DataType,
        };
        self.bits().map(|bits| codes.width(bits, source))
    }

    fn code_max(&self) -> Option<f64> {
        self.bits().map(|bits| f64::from(bits - 1).exp2() - 1.0)
    }

    fn full_scale(&self) -> Option<f64> {
        let half = self.bits().map(|bits| f64::from(bits - 1).exp2())?;
        Some(match &self.channels {
            Some(channels) => half * channels[0].volts_per_code.abs(),
            None => 1.0,
        })
    }

    /// Distance of two codes.
    fn step(&self) -> Option<f64> {
        Some(self.full_scale()? / (self.code_max()? + 1.0))
    }

    /// Factor and offset of component `index` (0 = I or the one channel, 1 = Q).
    fn scale(&self, index: usize) -> (f64, f64) {
        match (&self.channels, self.data_type.integer_bits()) {
            (Some(channels), _) => (channels[index].volts_per_code, channels[index].offset_v),
            (None, Some(type_bits)) => {
                let bits = self.told_bits.unwrap_or(type_bits);
                (f64::from(bits - 1).exp2().recip(), 0.0)
            }
            (None, None) => (1.0, 0.0),
        }
    }
}

fn check_scale(
    channels: Option<&[ChannelScale]>,
    components: usize,
    data_type: DataType,
) -> Result<(), String> {
    let Some(channels) = channels else { return Ok(()) };
    if channels.len() != components {
        let scales = channels.len();
        return Err(format!(
            "beamwarden:channels has {scales} entries; there must be {components}, one for each \
             component of a sample"
        ));
    }
    let type_bits = data_type.integer_bits().unwrap_or(64);
    for channel in channels {
        let finite = channel.volts_per_code.is_finite() && channel.offset_v.is_finite();
        if !finite || channel.bits == 0 || channel.bits > type_bits {
            return Err(format!("the scale of channel {:?} is not usable", channel.name));
        }
    }
    if channels.iter().any(|channel| channel.bits != channels[0].bits) {
        return Err("the two channels have different resolutions".to_owned());
    }
    Ok(())
}

fn refuse_foreign(meta: &SigmfMeta) -> Result<(), String> {
    if meta.global.metadata_only == Some(true) {
        return Err("the recording has no data on purpose (core:metadata_only)".to_owned());
    }
    let header = meta.captures.iter().any(|segment| segment.header_bytes.unwrap_or(0) > 0);
    if meta.global.dataset.is_some() || meta.global.trailing_bytes.unwrap_or(0) > 0 || header {
        return Err("the data file has a foreign format (core:dataset, core:header_bytes or \
                    core:trailing_bytes); only plain samples can be read"
            .to_owned());
    }
    Ok(())
}

fn refuse_extensions(meta: &SigmfMeta) -> Result<(), String> {
    let major = |version: &str| version.split('.').next().map(str::to_owned);
    for extension in &meta.global.extensions {
        if extension.name != EXTENSION_NAME && !extension.optional {
            let name = &extension.name;
            return Err(format!("needs the extension {name:?}, which is not known here"));
        }
        let known = major(&extension.version) == major(EXTENSION_VERSION);
        if extension.name == EXTENSION_NAME && !known {
            let version = &extension.version;
            return Err(format!(
                "uses version {version} of the extension {EXTENSION_NAME}; \
                                {EXTENSION_VERSION} is known here"
            ));
        }
    }
    Ok(())
}

fn check_segments(meta: &SigmfMeta, samples: usize) -> Result<(), String> {
    let starts: Vec<u64> = meta.captures.iter().map(|segment| segment.sample_start).collect();
    if !starts.is_sorted() {
        return Err("the segments of captures are not in order".to_owned());
    }
    match starts.last() {
        Some(&last) if last >= samples as u64 => {
            Err(format!("a segment starts at sample {last}, after the end at {samples}"))
        }
        _ => Ok(()),
    }
}

/// Samples of a data file, with what was counted on the way.
struct Data {
    samples: Samples,
    clipped: u64,
    codes: Codes,
    sha512: String,
}

impl Data {
    /// Samples at either end of the range of such codes.
    fn clipped(&self, codes: Option<CodeWidth>) -> u64 {
        let Some(codes) = codes.filter(|codes| codes.bits_below > 0) else { return self.clipped };
        // In the upper bits of their words codes end before these do. Only where nobody says how wide
        // they are, so samples are shares of the words' range, exact in so few bits.
        let top = 1.0 - (f64::from(codes.bits_below) - f64::from(codes.bits - 1)).exp2();
        let at_end = |value: f32| value <= -1.0 || f64::from(value) >= top;
        let count = match &self.samples {
            Samples::Complex(all) => all.iter().filter(|z| at_end(z.re) || at_end(z.im)).count(),
            Samples::Real(all) => all.iter().filter(|value| at_end(**value)).count(),
        };
        count as u64
    }
}

fn read_samples(path: &Path, layout: &Layout) -> Result<Data, RecordError> {
    let mut file = File::open(path).map_err(RecordError::io(path, "open"))?;
    let bytes = file.metadata().map_err(RecordError::io(path, "look at"))?.len();
    let frame = layout.frame_bytes() as u64;
    let count = bytes / frame;
    if bytes == 0 || bytes % frame != 0 {
        let why =
            format!("has {bytes} bytes; a whole number of {frame}-byte samples must be there");
        return Err(RecordError::content(path, why));
    }
    if count > SAMPLES_MAX {
        let why = format!("has {count} samples; at most {SAMPLES_MAX} can be read at once");
        return Err(RecordError::content(path, why));
    }
    let samples = match layout.components {
        1 => Samples::Real(Vec::with_capacity(count as usize)),
        _ => Samples::Complex(Vec::with_capacity(count as usize)),
    };
    let mut data = Data { samples, clipped: 0, codes: Codes::default(), sha512: String::new() };
    let mut hasher = Sha512::new();
    let mut buffer = vec![0; CHUNK_SAMPLES * layout.frame_bytes()];
    let mut left = bytes;
    while left > 0 {
        let chunk = &mut buffer[..left.min(CHUNK_SAMPLES as u64 * frame) as usize];
        file.read_exact(chunk).map_err(RecordError::io(path, "read"))?;
        hasher.update(&*chunk);
        take_samples(chunk, layout, &mut data).map_err(|why| RecordError::content(path, why))?;
        left -= chunk.len() as u64;
    }
    data.sha512 = hash::hex(&hasher.finalize());
    Ok(data)
}

fn take_samples(chunk: &[u8], layout: &Layout, data: &mut Data) -> Result<(), String> {
    let width = layout.data_type.component_bytes();
    let code_max = layout.code_max().unwrap_or(f64::INFINITY);
    let clipped = |code: f64| code >= code_max || code < -code_max;
    let scales = [0, layout.components - 1].map(|index| layout.scale(index));
    let is_integer = layout.data_type.integer_bits().is_some();
    let codes = &mut data.codes;
    // A component's number, and whether it stands at an end of its range.
    let mut component = |bytes: &[u8], (scale, offset): (f64, f64)| {
        let code = layout.data_type.component(bytes);
        if is_integer {
            codes.add(code as i64);
        }
        (scale.mul_add(code, offset) as f32, clipped(code))
    };
    let not_finite = |at: usize| format!("sample {at} is not a finite number");
    match &mut data.samples {
        Samples::Complex(samples) => {
            for frame in chunk.chunks_exact(2 * width) {
                let (i_bytes, q_bytes) = frame.split_at(width);
                let (i, q) = (component(i_bytes, scales[0]), component(q_bytes, scales[1]));
                data.clipped += u64::from(i.1 || q.1);
                if !(i.0.is_finite() && q.0.is_finite()) {
                    return Err(not_finite(samples.len()));
                }
                samples.push(Complex32::new(i.0, q.0));
            }
        }
        Samples::Real(samples) => {
            for bytes in chunk.chunks_exact(width) {
                let (value, at_end) = component(bytes, scales[0]);
                data.clipped += u64::from(at_end);
                if !value.is_finite() {
                    return Err(not_finite(samples.len()));
                }
                samples.push(value);
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
