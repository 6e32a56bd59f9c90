//! The analysis file beside a capture: figures and the curves a reader wants to see.
//!
//! Knows nothing of how they were computed. It can be written again: the capture is the truth.

use serde::{Deserialize, Serialize};

use super::disk;
use super::error::{RecordError, RecordErrorKind};
use super::event::FiguresFound;
use super::folder::RunFolder;
use super::journal::FormatVersion;
use super::value::{CaptureNo, Figure, Value};

/// The format this version of the software writes.
pub const ANALYSIS_FORMAT: FormatVersion = FormatVersion { major: 1, minor: 0 };
/// Most constellation points that are kept.
pub const CONSTELLATION_POINTS_MAX: usize = 4000;
/// Ending of an analysis file.
pub const ANALYSIS_ENDING: &str = "analysis.json";
/// Longest analysis file that is read.
const ANALYSIS_BYTES_MAX: u64 = 64 << 20;

/// Received symbols after equalisation, in units in which the ideal ones have unit mean power.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Constellation {
    /// Received symbols, `[i, q]`; an even selection when there were more than are kept.
    pub points: Vec<[f32; 2]>,
    /// How many symbols there were.
    pub symbols: u64,
    /// Where the symbols should lie, `[i, q]`.
    pub ideal: Vec<[f32; 2]>,
}

impl Constellation {
    /// Keeps an even selection of at most [`CONSTELLATION_POINTS_MAX`] of the finite `points`.
    pub fn select(points: impl ExactSizeIterator<Item = [f32; 2]>, ideal: Vec<[f32; 2]>) -> Self {
        let symbols = points.len();
        let keep_every = symbols.div_ceil(CONSTELLATION_POINTS_MAX).max(1);
        let finite = |point: &[f32; 2]| point.iter().all(|x| x.is_finite());
        let points = points.step_by(keep_every).filter(finite).collect();
        Self { points, symbols: symbols as u64, ideal }
    }
}

/// Magnitude of the channel at one frequency.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelPoint {
    /// Offset from the carrier, Hz.
    pub offset_hz: f64,
    /// Magnitude relative to the mean, dB.
    pub magnitude_db: f64,
}

/// What the analysis of one capture found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Analysis {
    /// Format of this file.
    pub format: FormatVersion,
    /// Capture it was computed from.
    pub capture: CaptureNo,
    /// Label of that capture.
    pub label: Option<String>,
    /// Point of that capture.
    pub point: Option<u64>,
    /// Version of the analysis.
    pub analysis_version: String,
    /// The figures.
    pub figures: Vec<Figure>,
    /// Received and ideal symbols.
    pub constellation: Constellation,
    /// Magnitude response of the channel, by rising frequency.
    pub channel: Vec<ChannelPoint>,
    /// EVM of each data block in order, dB; none where it could not be had.
    pub evm_per_block_db: Vec<Option<f64>>,
}

impl Analysis {
    /// An analysis with figures only; the curves are filled in by the caller.
    pub fn new(capture: CaptureNo, analysis_version: &str, figures: Vec<Figure>) -> Self {
        Self {
            format: ANALYSIS_FORMAT,
            capture,
            label: None,
            point: None,
            analysis_version: analysis_version.to_owned(),
            figures,
            constellation: Constellation::default(),
            channel: Vec::new(),
            evm_per_block_db: Vec::new(),
        }
    }

    /// The figure of this name as a number, when it has one.
    pub fn figure(&self, name: &str) -> Option<f64> {
        figure(&self.figures, name)
    }

    /// The journal's event for this analysis.
    pub fn event(&self) -> FiguresFound {
        FiguresFound {
            capture: self.capture,
            label: self.label.clone(),
            point: self.point,
            analysis_version: self.analysis_version.clone(),
            figures: self.figures.clone(),
        }
    }
}

/// The figure called `name` as a number, when it has one.
pub fn figure(figures: &[Figure], name: &str) -> Option<f64> {
    let found = figures.iter().find(|figure| figure.name == name)?;
    found.value.as_ref().and_then(Value::as_f64)
}

impl RunFolder {
    /// Writes `captures/000123.analysis.json`, over an older analysis of the same capture.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write_analysis(&self, analysis: &Analysis) -> Result<(), RecordError> {
        let path = self.capture_path(analysis.capture, ANALYSIS_ENDING);
        let text = serde_json::to_string(analysis).map_err(RecordError::json(&path, "analysis"))?;
        disk::write_whole(&path, text.as_bytes())
    }

    /// Reads the analysis of a capture.
    ///
    /// # Errors
    /// When there is none, or it is not an analysis of a format this version knows.
    pub fn read_analysis(&self, capture: CaptureNo) -> Result<Analysis, RecordError> {
        let path = self.capture_path(capture, ANALYSIS_ENDING);
        let bytes = disk::read_bounded(&path, ANALYSIS_BYTES_MAX)?;
        let analysis: Analysis =
            serde_json::from_slice(&bytes).map_err(RecordError::json(&path, "analysis"))?;
        if analysis.format.major != ANALYSIS_FORMAT.major {
            let (found, known) = (analysis.format.to_string(), ANALYSIS_FORMAT.to_string());
            return Err(RecordError::new(&path, RecordErrorKind::Format { found, known }));
        }
        Ok(analysis)
    }
}
