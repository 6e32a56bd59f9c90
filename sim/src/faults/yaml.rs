//! Fault plans as YAML: one short mapping a fault.

use serde::Deserialize;

use super::plan::{FaultKind, FaultPlan, FaultPlanError, PlannedFault, When};
use crate::beams::End;
use crate::post::Post;

/// Random bytes when the plan does not say how many.
const GARBAGE_BYTES: u64 = 16;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Document {
    seed: Option<u64>,
    #[serde(default)]
    faults: Vec<Entry>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    instrument: String,
    fault: String,
    at_s: Option<f64>,
    at_command: Option<u64>,
    at_capture: Option<u64>,
    per_command: Option<f64>,
    per_hour: Option<f64>,
    every: Option<f64>,
    times: Option<u64>,
    for_s: Option<f64>,
    late_s: Option<f64>,
    answer_share: Option<f64>,
    bytes: Option<u64>,
    code: Option<i16>,
    text: Option<String>,
    setting: Option<String>,
    rate_per_hour: Option<f64>,
    short_deg: Option<f64>,
    chip: Option<String>,
    to_share: Option<f64>,
    share: Option<f64>,
}

/// The faults by name, with the keys that each of them takes: `!` before one that it needs.
const KINDS: &[(&str, &[&str])] = &[
    ("no answer", &[]),
    ("late answer", &["!late_s"]),
    ("closed link", &["answer_share"]),
    ("garbage", &["bytes"]),
    ("error entry", &["!code", "text"]),
    ("setting not taken", &["setting"]),
    ("drift", &["!setting", "!rate_per_hour"]),
    ("restart", &[]),
    ("stuck", &["!short_deg"]),
    ("lost lock", &["!chip"]),
    ("current limit", &["to_share"]),
    ("stale trace", &[]),
    ("dropped segment", &["share"]),
    ("stopped playing", &[]),
];

impl FaultPlan {
    /// Reads and checks a plan; an unknown key is an error with its place, and all wrong values are named.
    ///
    /// ```
    /// use beamwarden_sim::FaultPlan;
    ///
    /// let plan = FaultPlan::from_yaml("
    /// seed: 7
    /// faults:
    ///   - {instrument: scope, fault: late answer, late_s: 2, per_command: 0.001}
    ///   - {instrument: supply, fault: restart, at_s: 7200, for_s: 20}
    ///   - {instrument: turntable, fault: stuck, short_deg: 3, at_command: 40, every: 100, times: 5}
    ///   - {instrument: supply, fault: drift, setting: voltage, rate_per_hour: 0.02, at_s: 0}
    /// ").expect("a plan");
    /// assert_eq!(plan.faults.len(), 4);
    /// ```
    ///
    /// # Errors
    /// [`FaultPlanError`].
    pub fn from_yaml(text: &str) -> Result<Self, FaultPlanError> {
        let document: Document = serde_yaml::from_str(text)
            .map_err(|error| FaultPlanError::Syntax(error.to_string()))?;
        let mut wrong = Vec::new();
        let mut faults = Vec::new();
        for (place, entry) in document.faults.iter().enumerate() {
            let told = format!("fault {} ({} at the {})", place + 1, entry.fault, entry.instrument);
            if let Some(planned) = entry.read(&told, &mut wrong) {
                planned.check(&told, &mut wrong);
                faults.push(planned);
            }
        }
        if wrong.is_empty() {
            Ok(Self { seed: document.seed, faults })
        } else {
            Err(FaultPlanError::Values(wrong))
        }
    }
}

impl Entry {
    fn read(&self, told: &str, wrong: &mut Vec<String>) -> Option<PlannedFault> {
        let post = Post::ALL.into_iter().find(|post| post.name() == self.instrument);
        if post.is_none() {
            let names: Vec<_> = Post::ALL.iter().map(|post| post.name()).collect();
            wrong.push(format!("{told}: instruments are {}", names.join(", ")));
        }
        let fault = self.kind(told, wrong);
        // Without a moment the rest can still be judged, so that all that is wrong is named at once.
        let when = self.when(told, wrong).unwrap_or(When::PerCommand(0.0));
        let (instrument, fault) = (post?, fault?);
        Some(PlannedFault { instrument, fault, when, times: self.times, for_s: self.for_s })
    }

    /// The keys that concern the fault alone, and whether they are there.
    fn own_keys(&self) -> [(&'static str, bool); 10] {
        [
            ("late_s", self.late_s.is_some()),
            ("answer_share", self.answer_share.is_some()),
            ("bytes", self.bytes.is_some()),
            ("code", self.code.is_some()),
            ("text", self.text.is_some()),
            ("setting", self.setting.is_some()),
            ("rate_per_hour", self.rate_per_hour.is_some()),
            ("short_deg", self.short_deg.is_some()),
            ("chip", self.chip.is_some()),
            ("share", self.share.is_some()),
        ]
    }

    fn check_keys(&self, told: &str, takes: &[&str], wrong: &mut Vec<String>) {
        let to_share = ("to_share", self.to_share.is_some());
        for (key, given) in self.own_keys().into_iter().chain([to_share]) {
            let taken = takes.iter().any(|known| known.trim_start_matches('!') == key);
            let needed = takes.iter().any(|known| known.strip_prefix('!') == Some(key));
            if given && !taken {
                wrong.push(format!("{told}: {key} says nothing about it"));
            }
            if needed && !given {
                wrong.push(format!("{told}: {key} is missing"));
            }
        }
    }

    fn kind(&self, told: &str, wrong: &mut Vec<String>) -> Option<FaultKind> {
        let Some((name, takes)) = KINDS.iter().find(|(name, _)| *name == self.fault) else {
            let names: Vec<_> = KINDS.iter().map(|(name, _)| *name).collect();
            wrong.push(format!("{told}: faults are {}", names.join(", ")));
            return None;
        };
        self.check_keys(told, takes, wrong);
        Some(match *name {
            "no answer" => FaultKind::NoAnswer,
            "late answer" => FaultKind::LateAnswer { late_s: self.late_s? },
            "closed link" => FaultKind::ClosedLink { answer_share: self.answer_share },
            "garbage" => FaultKind::Garbage {
                bytes: usize::try_from(self.bytes.unwrap_or(GARBAGE_BYTES)).ok()?,
            },
            "error entry" => FaultKind::ErrorEntry {
                code: self.code?,
                text: self.text.clone().unwrap_or_default(),
            },
            "setting not taken" => FaultKind::NotTaken { setting: self.setting.clone() },
            "drift" => {
                FaultKind::Drift { setting: self.setting.clone()?, per_hour: self.rate_per_hour? }
            }
            "restart" => FaultKind::Restart,
            "stuck" => FaultKind::Stuck { short_deg: self.short_deg? },
            "lost lock" => FaultKind::LostLock { chip: self.chip(told, wrong)? },
            "current limit" => FaultKind::CurrentLimit { to_share: self.to_share.unwrap_or(0.9) },
            "stale trace" => FaultKind::StaleTrace,
            "dropped segment" => FaultKind::DroppedSegment { share: self.share.unwrap_or(0.1) },
            _ => FaultKind::StoppedPlaying,
        })
    }

    fn chip(&self, told: &str, wrong: &mut Vec<String>) -> Option<End> {
        match self.chip.as_deref()? {
            "tx" => Some(End::Tx),
            "rx" => Some(End::Rx),
            other => {
                wrong.push(format!("{told}: chip is '{other}', must be tx or rx"));
                None
            }
        }
    }

    fn when(&self, told: &str, wrong: &mut Vec<String>) -> Option<When> {
        let whole = |every: f64, wrong: &mut Vec<String>| {
            if every.fract() != 0.0 || !(1.0..=1e15).contains(&every) {
                wrong.push(format!("{told}: every is {every}, must be a whole number from 1 on"));
            }
            every as u64
        };
        let mut given = Vec::new();
        if let Some(at_s) = self.at_s {
            given.push(When::AtTime { at_s, every_s: self.every });
        }
        if let Some(number) = self.at_command {
            given.push(When::AtCommand { number, every: self.every.map(|n| whole(n, wrong)) });
        }
        if let Some(number) = self.at_capture {
            given.push(When::AtCapture { number, every: self.every.map(|n| whole(n, wrong)) });
        }
        given.extend(self.per_command.map(When::PerCommand));
        given.extend(self.per_hour.map(When::PerHour));
        let random = self.per_command.or(self.per_hour).is_some();
        if random && self.every.is_some() {
            wrong.push(format!("{told}: every says nothing about a random rate"));
        }
        if given.len() != 1 {
            let keys = "at_s, at_command, at_capture, per_command, per_hour";
            wrong.push(format!("{told}: exactly one of {keys} says when, {} do", given.len()));
            return None;
        }
        given.pop()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wrong(text: &str) -> Vec<String> {
        match FaultPlan::from_yaml(text) {
            Err(FaultPlanError::Values(wrong)) => wrong,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn an_empty_plan_is_one() {
        assert_eq!(FaultPlan::from_yaml("{}"), Ok(FaultPlan::default()));
    }

    #[test]
    fn unknown_keys_are_refused() {
        let text = "faults: [{instrument: scope, fault: no answer, at_s: 1, wen: 2}]";
        let error = FaultPlan::from_yaml(text).expect_err("no such key");
        assert!(matches!(&error, FaultPlanError::Syntax(text) if text.contains("wen")), "{error}");
    }

    #[test]
    fn every_kind_has_its_name_and_reads() {
        for (name, takes) in KINDS {
            let mut keys: Vec<&str> = takes.iter().map(|key| key.trim_start_matches('!')).collect();
            keys.sort_unstable();
            let value = |key: &str| match key {
                "setting" => "voltage",
                "chip" => "tx",
                "code" | "bytes" => "3",
                _ => "0.5",
            };
            let post = match *name {
                "stuck" => "turntable",
                "lost lock" => "dut",
                "stale trace" => "scope",
                "dropped segment" | "stopped playing" => "source",
                _ => "supply",
            };
            let own: Vec<String> =
                keys.iter().map(|key| format!(", {key}: {}", value(key))).collect();
            let text =
                format!("faults: [{{instrument: {post}, fault: {name}, at_s: 1{}}}]", own.concat());
            let plan = FaultPlan::from_yaml(&text).unwrap_or_else(|e| panic!("{text}: {e}"));
            assert_eq!(plan.faults[0].fault.name(), *name);
            assert_eq!(plan.check(), Ok(()));
        }
    }

    #[test]
    fn all_that_is_wrong_is_named_at_once() {
        let text = "
faults:
  - {instrument: scoop, fault: no answer, at_s: 1}
  - {instrument: scope, fault: silence, at_s: 1}
  - {instrument: scope, fault: late answer, at_s: 1}
  - {instrument: scope, fault: no answer}
  - {instrument: scope, fault: no answer, at_s: 1, per_hour: 2}
  - {instrument: scope, fault: no answer, per_command: 1.5}
  - {instrument: supply, fault: stuck, short_deg: 1, at_s: 1}
  - {instrument: dut, fault: error entry, code: 5, at_s: 1}
  - {instrument: dut, fault: lost lock, chip: middle, at_s: 1}
  - {instrument: supply, fault: drift, setting: output, rate_per_hour: 1, at_s: 1}
  - {instrument: supply, fault: closed link, for_s: 3, at_s: 1}
  - {instrument: supply, fault: no answer, bytes: 3, at_s: -1}
  - {instrument: supply, fault: stuck, short_deg: 1}
";
        let wrong = wrong(text);
        for (place, part) in [
            (1, "instruments are source, scope"),
            (2, "faults are no answer,"),
            (3, "late_s is missing"),
            (4, "exactly one of at_s"),
            (5, "exactly one of at_s"),
            (6, "per_command is 1.5"),
            (7, "only these can have it: turntable"),
            (8, "only these can have it"),
            (9, "must be tx or rx"),
            (10, "'output' is no setting that can drift"),
            (11, "for_s says nothing"),
            (12, "bytes says nothing"),
            (12, "at_s is -1"),
            (13, "exactly one of at_s"),
            (13, "only these can have it: turntable"),
        ] {
            let found =
                wrong.iter().any(|w| w.starts_with(&format!("fault {place} ")) && w.contains(part));
            assert!(found, "{place}: {part} in {wrong:#?}");
        }
        assert_eq!(wrong.len(), 15, "{wrong:#?}");
    }
}
