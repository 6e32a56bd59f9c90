//! What can happen in a run, as the journal keeps it: one closed set of events.
//!
//! Knows nothing of files. Fields are named for a reader who has only the JSON in front of them.

mod read;
mod unattended;

use serde::{Deserialize, Serialize};

use super::journal::FormatVersion;
use super::value::{AxisValue, CaptureNo, FaultClass, Figure, RecordedValue, SettingRecord};

#[cfg(test)]
pub(super) use read::NAMES;
pub use unattended::{
    Abandoned, Answered, Drift, Failure, InterlockTripped, Notified, Paused, PointSkipped,
    Preflight, PreflightCheck, Reestablished, ReferenceTaken, Remedy, StepMark, WentOn,
};

/// One finished action of a run. In JSON the tag is the key `event`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum Event {
    /// First line of every journal: which format the lines below have.
    JournalStarted(JournalStarted),
    /// What runs, on which bench, with which inputs.
    RunStarted(RunStarted),
    /// A run that had stopped goes on in the same folder.
    RunResumed(RunResumed),
    /// An instrument was reached and identified.
    Instrument(InstrumentFound),
    /// A setting was made, or found to stand where it should.
    Setting(SettingDone),
    /// A point of the sweep begins.
    PointStarted(PointStarted),
    /// A point of the sweep is done.
    PointFinished(PointFinished),
    /// A point of the sweep was given up; it is not tried again.
    PointSkipped(PointSkipped),
    /// A step outside all points begins that leaves something in the record.
    StepStarted(StepMark),
    /// That step is done.
    StepFinished(StepMark),
    /// What was recorded of a point or step since it last began does not count: it begins anew.
    Abandoned(Abandoned),
    /// Something failed, and what is done about it.
    Failure(Failure),
    /// Settings that may have been lost were made again.
    Reestablished(Reestablished),
    /// What was looked at before the first step.
    Preflight(Preflight),
    /// A condition that is watched during the run does not hold.
    Interlock(InterlockTripped),
    /// The run pauses.
    Paused(Paused),
    /// The run goes on after a pause.
    WentOn(WentOn),
    /// A question to whoever watches was answered, or was not in time.
    Answered(Answered),
    /// The reference point was measured.
    Reference(ReferenceTaken),
    /// Whoever is to be told was told, or could not be.
    Notified(Notified),
    /// A beam search ended.
    Search(SearchDone),
    /// A capture is on disk.
    Capture(CaptureTaken),
    /// The analysis of a capture ended.
    Figures(FiguresFound),
    /// A measurement ended: its captures' figures together.
    Measurement(MeasurementDone),
    /// An expectation was checked.
    Expectation(Expectation),
    /// Something worth telling.
    Note(Note),
    /// The bench was brought to its safe state.
    SafeState(SafeState),
    /// Last line of a complete journal.
    RunEnded(RunEnded),
}

impl Event {
    /// The tag of the event in JSON: `run_started`.
    pub fn name(&self) -> &'static str {
        match self {
            Self::JournalStarted(_) => "journal_started",
            Self::RunStarted(_) => "run_started",
            Self::RunResumed(_) => "run_resumed",
            Self::Instrument(_) => "instrument",
            Self::Setting(_) => "setting",
            Self::PointStarted(_) => "point_started",
            Self::PointFinished(_) => "point_finished",
            Self::PointSkipped(_) => "point_skipped",
            Self::StepStarted(_) => "step_started",
            Self::StepFinished(_) => "step_finished",
            Self::Abandoned(_) => "abandoned",
            Self::Failure(_) => "failure",
            Self::Reestablished(_) => "reestablished",
            Self::Preflight(_) => "preflight",
            Self::Interlock(_) => "interlock",
            Self::Paused(_) => "paused",
            Self::WentOn(_) => "went_on",
            Self::Answered(_) => "answered",
            Self::Reference(_) => "reference",
            Self::Notified(_) => "notified",
            Self::Search(_) => "search",
            Self::Capture(_) => "capture",
            Self::Figures(_) => "figures",
            Self::Measurement(_) => "measurement",
            Self::Expectation(_) => "expectation",
            Self::Note(_) => "note",
            Self::SafeState(_) => "safe_state",
            Self::RunEnded(_) => "run_ended",
        }
    }
}

/// See [`Event::JournalStarted`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JournalStarted {
    /// Version of the journal's format.
    pub format: FormatVersion,
}

/// A file that decided what ran, frozen in the run folder.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputFile {
    /// Path within the run folder, with `/`: `profiles/scpi-scope.yaml`.
    pub file: String,
    /// SHA-256 of the content, lower case hex.
    pub sha256: String,
}

/// See [`Event::RunStarted`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunStarted {
    /// Name of the run: its folder's name.
    pub run: String,
    /// Name of the sequence.
    pub sequence: String,
    /// Name of the bench.
    pub bench: String,
    /// Version of the software.
    pub version: String,
    /// Seed of everything random in the run, where there is such.
    pub seed: Option<u64>,
    /// Whether the instruments were simulated.
    pub simulated: bool,
    /// Frozen input files.
    pub inputs: Vec<InputFile>,
    /// The sequence's parameters.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parameters: Vec<ParameterValue>,
    /// Points planned, as far as that was known when the run began.
    #[serde(default)]
    pub points_planned: Option<u64>,
    /// Of which run it is a replay, when it is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replay: Option<ReplayOf>,
}

/// What answered in place of the instruments of a replayed run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Against {
    /// A simulated bench.
    Model,
    /// The recorded messages.
    Trace,
}

impl Against {
    /// All kinds.
    pub const ALL: [Self; 2] = [Self::Model, Self::Trace];

    /// The kind as a word, as in the journal: `trace`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Model => "model",
            Self::Trace => "trace",
        }
    }

    /// The kind of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|against| against.name() == name)
    }
}

/// Of which run another is a replay.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReplayOf {
    /// Name of the run that was recorded.
    pub run: String,
    /// What answered.
    pub against: Against,
    /// The model within this run's folder that stood in place of the one that the bench file names.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
}

impl ReplayOf {
    /// For whoever might take its figures for measured ones: `replayed from RUN against trace; no
    /// instrument took part`.
    pub fn words(&self) -> String {
        let against = self.against.name();
        format!("replayed from {} against {against}; no instrument took part", self.run)
    }
}

/// A parameter of the sequence in this run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ParameterValue {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: RecordedValue,
    /// Whether it was given for this run; its default otherwise.
    pub given: bool,
}

/// See [`Event::RunResumed`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunResumed {
    /// Version of the software that goes on.
    pub version: String,
    /// Bytes of an unfinished last line that were cut off.
    pub torn_bytes: u64,
}

/// See [`Event::Instrument`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InstrumentFound {
    /// Name in the bench file.
    pub name: String,
    /// Role: `scope`.
    pub role: String,
    /// What it answers to the identity query.
    pub identity: String,
    /// File name of its profile.
    pub profile: String,
}

/// See [`Event::Setting`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettingDone {
    /// The setting.
    #[serde(flatten)]
    pub setting: SettingRecord,
    /// True when nothing was sent, because the instrument was known to stand there already.
    pub skipped: bool,
    /// What it was set for, when not for itself: `beam.tx` for a phase code, `safe state`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part_of: Option<String>,
}

/// See [`Event::PointStarted`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointStarted {
    /// Number of the point within the run, from 1.
    pub point: u64,
    /// Value of each sweep axis, outermost first.
    pub position: Vec<AxisValue>,
}

/// See [`Event::PointFinished`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointFinished {
    /// Number of the point.
    pub point: u64,
}

/// Which array's beam was searched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SearchSide {
    /// The transmitter's.
    Tx,
    /// The receiver's.
    Rx,
    /// Both.
    Both,
}

/// A pair of beams and the link they gave.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Probe {
    /// Steering angle of the transmit beam, degrees from broadside.
    pub tx_deg: f64,
    /// Steering angle of the receive beam, degrees from broadside.
    pub rx_deg: f64,
    /// Signal-to-noise ratio, dB; none when no frame was detected.
    pub snr_db: Option<f64>,
}

/// See [`Event::Search`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SearchDone {
    /// Point in which it ran, when in a sweep.
    pub point: Option<u64>,
    /// Value of each sweep axis around it, outermost first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub position: Vec<AxisValue>,
    /// Label the sequence gave it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// Which array's beam.
    pub side: SearchSide,
    /// Strategy: `coarse to fine`.
    pub strategy: String,
    /// Every probe in order.
    pub probes: Vec<Probe>,
    /// The link before the search.
    pub before: Option<Probe>,
    /// The pair that was set; none when nothing was found.
    pub chosen: Option<Probe>,
    /// The second best that is not a neighbour of the chosen one.
    pub runner_up: Option<Probe>,
    /// SNR won over the state before, dB.
    pub gain_db: Option<f64>,
    /// Whether the search ended with a usable link.
    pub found: bool,
}

/// See [`Event::Capture`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaptureTaken {
    /// Number of the capture.
    pub capture: CaptureNo,
    /// Data file within the run folder: `captures/000123.sigmf-data`.
    pub file: String,
    /// SHA-512 of the data file, lower case hex.
    pub sha512: String,
    /// SHA-256 of the meta file beside it, lower case hex.
    pub meta_sha256: String,
    /// Label the sequence gave it: `aligned`.
    pub label: Option<String>,
    /// Point in which it was taken, when in a sweep.
    pub point: Option<u64>,
    /// Share of samples at the end of the converter's range; `None` where they came in volts, which do
    /// not tell where that range ends.
    #[serde(default)]
    pub clipped_fraction: Option<f64>,
    /// What speaks against trusting it; none when nothing does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<String>,
}

/// See [`Event::Figures`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FiguresFound {
    /// Capture they were computed from.
    pub capture: CaptureNo,
    /// Label of that capture.
    pub label: Option<String>,
    /// Point of that capture.
    pub point: Option<u64>,
    /// Version of the analysis.
    pub analysis_version: String,
    /// The figures.
    pub figures: Vec<Figure>,
}

/// See [`Event::Measurement`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeasurementDone {
    /// Label the sequence gave it.
    pub label: Option<String>,
    /// Point it belongs to, when in a sweep.
    pub point: Option<u64>,
    /// Name of the frame that was on the air.
    pub frame: Option<String>,
    /// Its captures in order; their own figures stand in their [`Event::Figures`].
    pub captures: Vec<CaptureNo>,
    /// The figures of all its captures together: counts are sums.
    pub figures: Vec<Figure>,
    /// Standard deviation of figures over the captures, where there are several.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub spread: Vec<Figure>,
    /// What speaks against trusting it; none when nothing does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<String>,
}

/// See [`Event::Expectation`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Expectation {
    /// Capture whose figure was compared.
    pub capture: Option<CaptureNo>,
    /// Point of that capture.
    pub point: Option<u64>,
    /// Name of the figure: `evm_db`.
    pub figure: String,
    /// What was wanted, in words: `at most -16 dB`.
    pub wanted: String,
    /// What was measured; none when the figure could not be had.
    pub measured: Option<RecordedValue>,
    /// Whether it holds.
    pub passed: bool,
}

/// How much a note matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// Good to know.
    Info,
    /// Odd, and the run went on.
    Warning,
    /// Something failed.
    Error,
}

/// See [`Event::Note`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Note {
    /// How much it matters.
    pub level: Level,
    /// Class, when it is a fault.
    pub class: Option<FaultClass>,
    /// Instrument it concerns.
    pub instrument: Option<String>,
    /// What happened.
    pub message: String,
}

/// An action of the safe state that failed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SafeStateFault {
    /// The action: `supply.output: off`.
    pub action: String,
    /// Why it failed.
    pub message: String,
}

/// See [`Event::SafeState`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SafeState {
    /// Actions done, in order.
    pub done: Vec<String>,
    /// Actions that failed, in order.
    pub failed: Vec<SafeStateFault>,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Everything ran and every expectation held.
    Completed,
    /// Everything ran; at least one expectation did not hold.
    ExpectationFailed,
    /// It ran to its end, and points had to be given up.
    Incomplete,
    /// A fault ended it.
    Failed,
    /// The operator stopped it.
    Stopped,
}

impl Outcome {
    /// All outcomes.
    pub const ALL: [Self; 5] =
        [Self::Completed, Self::ExpectationFailed, Self::Incomplete, Self::Failed, Self::Stopped];

    /// The outcome as a word, as in the journal: `expectation_failed`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Completed => "completed",
            Self::ExpectationFailed => "expectation_failed",
            Self::Incomplete => "incomplete",
            Self::Failed => "failed",
            Self::Stopped => "stopped",
        }
    }

    /// The outcome of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|outcome| outcome.name() == name)
    }
}

/// See [`Event::RunEnded`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunEnded {
    /// How.
    pub outcome: Outcome,
    /// Why, when it did not simply complete.
    pub message: Option<String>,
    /// Points finished.
    pub points: u64,
    /// Points given up.
    #[serde(default)]
    pub points_skipped: u64,
    /// Actions tried again.
    #[serde(default)]
    pub retries: u64,
    /// Captures kept.
    pub captures: u64,
    /// Expectations that did not hold.
    pub expectations_failed: u64,
}
