//! A fault plan as data: kinds, instruments, moments; and whether it makes sense.

use crate::beams::End;
use crate::faults::settings::{can_drift, is_setting, settings_of};
use crate::number::engineering;
use crate::post::Post;

/// Longest time in a plan, s: a hundred days.
const LONGEST_S: f64 = 8.64e6;

/// What goes wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum FaultKind {
    /// The next answer does not come.
    NoAnswer,
    /// The next answer comes later by this.
    LateAnswer {
        /// How much later, s.
        late_s: f64,
    },
    /// The link is closed; what was under way on it is lost.
    ClosedLink {
        /// Share of the next answer that still comes before; without it the link is closed at once.
        answer_share: Option<f64>,
    },
    /// Random bytes come before the next answer.
    Garbage {
        /// How many.
        bytes: usize,
    },
    /// An entry in the error queue.
    ErrorEntry {
        /// Its number, as SCPI-99 has them; positive ones are the instrument's own.
        code: i16,
        /// Its text.
        text: String,
    },
    /// The next change of a setting is accepted and has no effect.
    NotTaken {
        /// Which setting, as [`settings_of`](super::settings_of) has them; any when absent.
        setting: Option<String>,
    },
    /// A setting moves by itself. Its query tells where it stands.
    Drift {
        /// Which setting.
        setting: String,
        /// How fast, in the setting's base unit per hour, in steps of one second.
        per_hour: f64,
    },
    /// The instrument starts anew: settings at their defaults, error queue empty, power-on bit set,
    /// links closed, memory empty, registers of chips forgotten.
    Restart,
    /// The next move of the turntable stops before its target.
    Stuck {
        /// How far before, deg.
        short_deg: f64,
    },
    /// A chip loses its carrier.
    LostLock {
        /// Which chip.
        chip: End,
    },
    /// Something loads the supply until its current limit acts.
    CurrentLimit {
        /// Share of the set voltage that is left.
        to_share: f64,
    },
    /// The next acquisition hands out the record before it.
    StaleTrace,
    /// The waveform that plays has a hole of silence in its middle, until it is loaded anew.
    DroppedSegment {
        /// Share of its points that are silent.
        share: f64,
    },
    /// The source plays nothing, until it is told to play anew.
    StoppedPlaying,
}

impl FaultKind {
    /// Its name in plans and in the log.
    pub fn name(&self) -> &'static str {
        match self {
            Self::NoAnswer => "no answer",
            Self::LateAnswer { .. } => "late answer",
            Self::ClosedLink { .. } => "closed link",
            Self::Garbage { .. } => "garbage",
            Self::ErrorEntry { .. } => "error entry",
            Self::NotTaken { .. } => "setting not taken",
            Self::Drift { .. } => "drift",
            Self::Restart => "restart",
            Self::Stuck { .. } => "stuck",
            Self::LostLock { .. } => "lost lock",
            Self::CurrentLimit { .. } => "current limit",
            Self::StaleTrace => "stale trace",
            Self::DroppedSegment { .. } => "dropped segment",
            Self::StoppedPlaying => "stopped playing",
        }
    }

    /// The instruments that can have it.
    pub fn instruments(&self) -> &'static [Post] {
        match self {
            Self::NoAnswer
            | Self::LateAnswer { .. }
            | Self::ClosedLink { .. }
            | Self::Garbage { .. }
            | Self::NotTaken { .. }
            | Self::Drift { .. }
            | Self::Restart => &Post::ALL,
            Self::ErrorEntry { .. } => &[Post::Source, Post::Scope, Post::Turntable, Post::Supply],
            Self::Stuck { .. } => &[Post::Turntable],
            Self::LostLock { .. } => &[Post::DutPort],
            Self::CurrentLimit { .. } => &[Post::Supply],
            Self::StaleTrace => &[Post::Scope],
            Self::DroppedSegment { .. } | Self::StoppedPlaying => &[Post::Source],
        }
    }

    /// Whether it waits for its next opportunity (an answer, a setting, a move, an acquisition).
    pub(super) fn waits(&self) -> bool {
        matches!(
            self,
            Self::NoAnswer
                | Self::LateAnswer { .. }
                | Self::ClosedLink { answer_share: Some(_) }
                | Self::Garbage { .. }
                | Self::NotTaken { .. }
                | Self::Stuck { .. }
                | Self::StaleTrace
        )
    }

    /// Whether a duration says anything about it.
    fn lasts(&self) -> bool {
        !matches!(self, Self::ClosedLink { .. } | Self::ErrorEntry { .. })
    }
}

/// When.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// At this time of the bench.
    AtTime {
        /// Since the bench began, s.
        at_s: f64,
        /// And again after every so many seconds.
        every_s: Option<f64>,
    },
    /// When the instrument is sent its command of this number, before that command is carried out. A command
    /// is one message, line or frame.
    AtCommand {
        /// From 1.
        number: u64,
        /// And again after every so many.
        every: Option<u64>,
    },
    /// At the trigger of the bench's acquisition of this number, in force when it falls.
    AtCapture {
        /// From 1.
        number: u64,
        /// And again after every so many.
        every: Option<u64>,
    },
    /// With this probability at each command to the instrument.
    PerCommand(f64),
    /// At random, so many in an hour on average.
    PerHour(f64),
}

/// One line of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedFault {
    /// At which instrument.
    pub instrument: Post,
    /// What.
    pub fault: FaultKind,
    /// When.
    pub when: When,
    /// At most so often; without it as often as `when` says.
    pub times: Option<u64>,
    /// How long. What waits for an opportunity then takes every one of that time instead of the next;
    /// a restarted instrument cannot be reached that long; what ends by itself ends then.
    pub for_s: Option<f64>,
}

impl PlannedFault {
    /// This fault at this moment, once or as often as the moment comes, without a duration.
    pub fn new(instrument: Post, fault: FaultKind, when: When) -> Self {
        Self { instrument, fault, when, times: None, for_s: None }
    }

    /// The same for so many seconds.
    #[must_use]
    pub fn lasting_s(mut self, seconds: f64) -> Self {
        self.for_s = Some(seconds);
        self
    }
}

/// A fault plan that makes no sense.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FaultPlanError {
    /// The text is no plan.
    #[error("the fault plan cannot be read: {0}")]
    Syntax(String),
    /// What is wrong with its values; all of it. Each begins with the number of the fault, from 1, and
    /// goes on with a key where it is about one: `fault 2 (stuck at the scope): short_deg is missing`.
    #[error("the fault plan cannot be carried out: {}", .0.join("; "))]
    Values(Vec<String>),
}

/// What goes wrong on a bench.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FaultPlan {
    /// Seed of its random rates and bytes; the bench's when absent.
    pub seed: Option<u64>,
    /// The faults.
    pub faults: Vec<PlannedFault>,
}

/// The settings of an instrument, or those of them that can drift, in words.
fn names_of(post: Post, drifting: bool) -> String {
    let rows = settings_of(post).into_iter();
    let names: Vec<_> = rows.filter(|row| row.1 || !drifting).map(|row| row.0).collect();
    names.join(", ")
}

impl FaultPlan {
    /// Whether it can be carried out; all that cannot is named.
    ///
    /// # Errors
    /// [`FaultPlanError::Values`].
    pub fn check(&self) -> Result<(), FaultPlanError> {
        let mut wrong = Vec::new();
        for (place, planned) in self.faults.iter().enumerate() {
            planned.check(&planned.told(place), &mut wrong);
        }
        if wrong.is_empty() { Ok(()) } else { Err(FaultPlanError::Values(wrong)) }
    }
}

impl PlannedFault {
    fn told(&self, place: usize) -> String {
        format!("fault {} ({} at the {})", place + 1, self.fault.name(), self.instrument)
    }

    pub(super) fn check(&self, told: &str, wrong: &mut Vec<String>) {
        let mut within = |key: &str, value: f64, (least, most): (f64, f64)| {
            if !(value >= least && value <= most) {
                let [value, least, most] = [value, least, most].map(engineering);
                wrong.push(format!("{told}: {key} is {value}, must be {least} to {most}"));
            }
        };
        match self.when {
            When::AtTime { at_s, every_s } => {
                within("at_s", at_s, (0.0, LONGEST_S));
                every_s.into_iter().for_each(|s| within("every", s, (1e-3, LONGEST_S)));
            }
            When::AtCommand { number, every } | When::AtCapture { number, every } => {
                let by_command = matches!(self.when, When::AtCommand { .. });
                let key = if by_command { "at_command" } else { "at_capture" };
                within(key, number as f64, (1.0, 1e15));
                every.into_iter().for_each(|n| within("every", n as f64, (1.0, 1e15)));
            }
            When::PerCommand(share) => within("per_command", share, (0.0, 1.0)),
            When::PerHour(rate) => within("per_hour", rate, (0.0, 1e6)),
        }
        self.times.into_iter().for_each(|n| within("times", n as f64, (1.0, 1e15)));
        self.for_s.into_iter().for_each(|s| within("for_s", s, (1e-3, LONGEST_S)));
        match &self.fault {
            FaultKind::LateAnswer { late_s } => within("late_s", *late_s, (1e-3, LONGEST_S)),
            FaultKind::ClosedLink { answer_share: Some(share) } => {
                within("answer_share", *share, (0.0, 1.0));
            }
            FaultKind::Garbage { bytes } => within("bytes", *bytes as f64, (1.0, 1e6)),
            FaultKind::Drift { per_hour, .. } => within("rate_per_hour", *per_hour, (-1e15, 1e15)),
            FaultKind::Stuck { short_deg } => within("short_deg", *short_deg, (1e-6, 36_000.0)),
            FaultKind::CurrentLimit { to_share } => within("to_share", *to_share, (0.01, 0.999)),
            FaultKind::DroppedSegment { share } => within("share", *share, (1e-6, 1.0)),
            _ => {}
        }
        self.check_sense(told, wrong);
    }

    /// What fits together: fault and instrument, setting and fault, fault and duration.
    fn check_sense(&self, told: &str, wrong: &mut Vec<String>) {
        if !self.fault.instruments().contains(&self.instrument) {
            let names: Vec<_> = self.fault.instruments().iter().map(|post| post.name()).collect();
            let names = names.join(", ");
            wrong.push(format!("{told}: instrument does not fit, only these can have it: {names}"));
        }
        if self.for_s.is_some() && !self.fault.lasts() {
            wrong.push(format!("{told}: for_s says nothing about it, it takes no time"));
        }
        match &self.fault {
            FaultKind::ErrorEntry { code: 0, .. } => {
                wrong.push(format!("{told}: code 0 stands for no error"));
            }
            FaultKind::NotTaken { setting: Some(name) } if !is_setting(self.instrument, name) => {
                let known = names_of(self.instrument, false);
                wrong.push(format!(
                    "{told}: setting is '{name}', must be one of the {}: {known}",
                    self.instrument
                ));
            }
            FaultKind::Drift { setting, .. } if !can_drift(self.instrument, setting) => {
                let known = names_of(self.instrument, true);
                wrong.push(format!(
                    "{told}: setting is '{setting}', must be one that can drift at the {}: {known}",
                    self.instrument
                ));
            }
            _ => {}
        }
    }
}
