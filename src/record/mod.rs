//! The record of a run: folder, journal, captures, catalogue.
//!
//! Plain values in, files out. Nothing here knows instruments, signal processing, sequences or the
//! wall clock: whoever calls says what was asked, what was read back, what was found and when.
//!
//! - [`RunFolder`] lays out one run on disk; [`Journal`] is the truth of it, one [`Event`] a line.
//! - [`RunFolder::write_capture`] keeps the raw codes of the scope as a SigMF recording.
//! - [`Catalogue`] is an index over many runs that can be rebuilt from the folders at any time.
//! - [`verify()`] recomputes every checksum of a run.
//! - [`read_recording`] reads any SigMF recording back, ours or a stranger's.

mod analyses;
mod analysis;
mod catalogue;
mod costs;
mod disk;
mod error;
mod event;
#[cfg(test)]
pub(crate) mod fixture;
mod folder;
#[cfg(test)]
mod golden;
mod hash;
mod journal;
mod leftovers;
mod numbers;
mod open;
mod sigmf;
mod unkept;
mod value;
mod verify;

pub use analyses::{ANALYSES_FOLDER, AnalysedCapture, LaterAnalysis};
pub use analysis::{
    ANALYSIS_ENDING, ANALYSIS_FORMAT, Analysis, CONSTELLATION_POINTS_MAX, ChannelPoint,
    Constellation, figure,
};
pub use catalogue::{
    CATALOGUE_FILE, CaptureRow, Catalogue, ExpectationRow, Indexed, MeasurementRow, PointRow,
    RunRow, RunsWanted, SettingRow,
};
pub use costs::{LearnedCosts, costs};
pub use disk::free_bytes;
pub use error::{RecordError, RecordErrorKind};
pub use event::{
    Abandoned, Against, Answered, CaptureTaken, Drift, Event, Expectation, Failure, FiguresFound,
    InputFile, InstrumentFound, InterlockTripped, JournalStarted, Level, MeasurementDone, Note,
    Notified, Outcome, ParameterValue, Paused, PointFinished, PointSkipped, PointStarted,
    Preflight, PreflightCheck, Probe, Reestablished, ReferenceTaken, Remedy, ReplayOf, RunEnded,
    RunResumed, RunStarted, SafeState, SafeStateFault, SearchDone, SearchSide, SettingDone,
    StepMark, WentOn,
};
pub use folder::{CAPTURES_FOLDER, JOURNAL_FILE, REPORT_FILE, RunFolder, TRACE_FOLDER};
pub use hash::sha256_hex;
pub use journal::{
    Counted, Entry, FormatVersion, JOURNAL_FORMAT, Journal, JournalLine, JournalLines,
    JournalReading, LOCK_FILE, LineFault, LineProblem, RESERVE_FILE, Reopened, Uncounted,
};
pub use numbers::Numbers;
pub use open::OpenRun;
pub use sigmf::{
    BeamRecord, CaptureRecord, CaptureSamples, ChannelScale, CodeWidth, DATA_ENDING, DataType,
    EXTENSION_NAME, EXTENSION_VERSION, Endian, FrameRecord, InstrumentRecord, META_ENDING,
    RawChannel, RawSamples, Recording, RunProvenance, SIGMF_VERSION, SampleType, SampleUnit,
    Samples, SigmfCapture, SigmfExtension, SigmfGlobal, SigmfMeta, WidthSource, read_recording,
    read_recording_of, write_waveform,
};
pub use unkept::{UNKEPT_BYTES_MAX, UNKEPT_FILE, Unkept, UnkeptPlace, UnkeptReader};
pub use value::{
    AxisValue, CaptureNo, FaultClass, Figure, ReadingRecord, RecordedValue, SettingRecord, Value,
    figure_names,
};
pub use verify::{Account, Finding, Problem, Verified, verify, verify_whole};
