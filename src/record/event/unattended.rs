//! Events of runs that nobody watches: failures and what was done about them, pauses, interlocks,
//! questions, references.

use serde::{Deserialize, Serialize};

use crate::record::value::{CaptureNo, FaultClass, Figure, RecordedValue};

/// See [`super::Event::PointSkipped`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointSkipped {
    /// Number of the point.
    pub point: u64,
    /// Class of what it was given up for.
    pub class: FaultClass,
    /// What it was given up for.
    pub why: String,
}

/// See [`super::Event::StepStarted`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepMark {
    /// Number of the step within the walk of the sequence; the same at every execution.
    pub step: u64,
    /// File and line.
    pub place: String,
}

/// See [`super::Event::Abandoned`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Abandoned {
    /// The point, when it is one.
    pub point: Option<u64>,
    /// The step outside all points, when it is one.
    pub step: Option<u64>,
    /// Why.
    pub why: String,
}

/// What is done about a failure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Remedy {
    /// Tried again.
    Retried,
    /// The point is given up.
    PointSkipped,
    /// The run goes on all the same.
    WentOn,
    /// The run ends.
    RunEnded,
}

/// See [`super::Event::Failure`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Failure {
    /// Class.
    pub class: FaultClass,
    /// Instrument it concerns, when it is known.
    pub instrument: Option<String>,
    /// What happened, with file and line.
    pub message: String,
    /// Point in which it happened, when in a sweep.
    pub point: Option<u64>,
    /// Which try failed, from 1.
    pub attempt: u32,
    /// What is done about it.
    pub remedy: Remedy,
    /// Seconds until the next try.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait_s: Option<f64>,
}

/// See [`super::Event::Reestablished`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reestablished {
    /// Why.
    pub why: String,
    /// Settings that were made again, in order.
    pub settings: Vec<String>,
}

/// One thing that was looked at before the first step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PreflightCheck {
    /// What: `error queues empty`.
    pub what: String,
    /// Whether it is as it must be.
    pub passed: bool,
    /// What was found, and what to do when it failed.
    pub found: String,
}

/// See [`super::Event::Preflight`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Preflight {
    /// What was looked at, in order.
    pub checks: Vec<PreflightCheck>,
}

/// See [`super::Event::Interlock`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InterlockTripped {
    /// Its name.
    pub name: String,
    /// The reading.
    pub reading: String,
    /// What it must be, in words.
    pub wanted: String,
    /// What it was; none when it could not be had.
    pub value: Option<RecordedValue>,
    /// Why it could not be had.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// Whether the run pauses; it ends otherwise.
    pub pauses: bool,
}

/// See [`super::Event::Paused`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Paused {
    /// Why.
    pub why: String,
}

/// See [`super::Event::WentOn`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WentOn {
    /// How long it paused, seconds.
    pub after_s: f64,
    /// Why it goes on.
    pub why: String,
}

/// See [`super::Event::Answered`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Answered {
    /// The question.
    pub question: String,
    /// The answer.
    pub answer: String,
    /// Whether a person gave it; it is the sequence's default otherwise.
    pub by_a_person: bool,
    /// Seconds until it came.
    pub after_s: f64,
    /// The name by which the sequence knows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Point in which it was asked, when in a sweep.
    pub point: Option<u64>,
}

/// How far one figure of the reference moved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// Name of the figure: `evm_db`.
    pub figure: String,
    /// Difference from the first time, in the figure's unit; none when it could not be had.
    pub moved: Option<f64>,
    /// Largest that is allowed, either way.
    pub at_most: f64,
}

/// See [`super::Event::Reference`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReferenceTaken {
    /// How often it was measured before, plus one.
    pub number: u64,
    /// The point after which it was measured; none before the first.
    pub after_point: Option<u64>,
    /// Its captures.
    pub captures: Vec<CaptureNo>,
    /// Its figures.
    pub figures: Vec<Figure>,
    /// How far those that are watched moved since the first time; empty the first time.
    pub drift: Vec<Drift>,
    /// Whether all of them are within their bands.
    pub within: bool,
}

/// See [`super::Event::Notified`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notified {
    /// What was told.
    pub text: String,
    /// How: `command`, `webhook`, or none when the bench file names no way.
    pub by: Option<String>,
    /// Why it did not get through.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failed: Option<String>,
}
