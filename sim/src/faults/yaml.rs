//! Fault plans as YAML: one short mapping a fault.

use serde::Deserialize;
use serde_json::{Map as JsonMap, Value as Json, json};

use super::plan::{FaultKind, FaultPlan, FaultPlanError, PlannedFault, When};
use crate::beams::End;
use crate::number::engineering;
use crate::post::Post;

/// Random bytes when the plan does not say how many.
const GARBAGE_BYTES: u64 = 16;
/// The keys that say when.
const WHEN: [&str; 5] = ["at_s", "at_command", "at_capture", "per_command", "per_hour"];

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

/// One kind of fault: its name, what it is, and the keys that it takes: `!` before one that it needs.
struct Row {
    name: &'static str,
    about: &'static str,
    takes: &'static [&'static str],
}

const fn row(name: &'static str, about: &'static str, takes: &'static [&'static str]) -> Row {
    Row { name, about, takes }
}

const KINDS: &[Row] = &[
    row("no answer", "the next answer does not come", &[]),
    row("late answer", "the next answer comes later", &["!late_s"]),
    row("closed link", "the link is closed, what was under way is lost", &["answer_share"]),
    row("garbage", "random bytes come before the next answer", &["bytes"]),
    row("error entry", "an entry appears in the error queue", &["!code", "text"]),
    row("setting not taken", "the next change of a setting has no effect", &["setting"]),
    row("drift", "a setting moves by itself", &["!setting", "!rate_per_hour"]),
    row("restart", "the instrument starts anew, links closed, settings forgotten", &[]),
    row("stuck", "the next move of the turntable stops before its target", &["!short_deg"]),
    row("lost lock", "a chip loses its carrier", &["!chip"]),
    row("current limit", "something loads the supply until its limit acts", &["to_share"]),
    row("stale trace", "the next acquisition hands out the record before it", &[]),
    row("dropped segment", "the waveform that plays has a hole of silence", &["share"]),
    row("stopped playing", "the source plays nothing until it is told to anew", &[]),
];

/// Every key of a fault beside `instrument` and `fault`: what type it has, and what it means.
const KEYS: &[(&str, &str, &str)] = &[
    ("at_s", "number", "When: at this time, s since the bench began."),
    (
        "at_command",
        "integer",
        "When: at the instrument's message of this number, from 1; those to other instruments do not count.",
    ),
    (
        "at_capture",
        "integer",
        "When: at the bench's acquisition of this number, from 1; probes of a search count too.",
    ),
    (
        "per_command",
        "number",
        "When: with this probability, 0 to 1, at each message to the instrument.",
    ),
    ("per_hour", "number", "When: at random, so many times an hour on average."),
    (
        "every",
        "number",
        "And again after every so many: seconds with at_s, messages with at_command, acquisitions with at_capture.",
    ),
    ("times", "integer", "At most so often; left out: as often as the moment comes."),
    (
        "for_s",
        "number",
        "How long, s. What waits for its next opportunity then takes every one of that time; a restarted instrument is away that long; what ends by itself ends then.",
    ),
    ("late_s", "number", "Of 'late answer': how much later, s."),
    (
        "answer_share",
        "number",
        "Of 'closed link': share of the next answer that still comes, 0 to 1; left out: closed at once.",
    ),
    ("bytes", "integer", "Of 'garbage': how many; left out: 16."),
    ("code", "integer", "Of 'error entry': its number; positive ones are the instrument's own."),
    ("text", "string", "Of 'error entry': its text."),
    (
        "setting",
        "string",
        "Of 'setting not taken': which one, any when left out; of 'drift': which one.",
    ),
    ("rate_per_hour", "number", "Of 'drift': how fast, in the setting's base unit per hour."),
    ("short_deg", "number", "Of 'stuck': how far before the target, deg."),
    ("chip", "string", "Of 'lost lock': tx or rx."),
    (
        "to_share",
        "number",
        "Of 'current limit': share of the set voltage that is left; left out: 0.9.",
    ),
    (
        "share",
        "number",
        "Of 'dropped segment': share of its points that are silent; left out: 0.1.",
    ),
];

/// Whether a list of keys has one, and needs it.
fn takes(row: &Row, key: &str) -> (bool, bool) {
    let taken = row.takes.iter().any(|known| known.trim_start_matches('!') == key);
    (taken, row.takes.iter().any(|known| known.strip_prefix('!') == Some(key)))
}

/// What the schema says of one kind: the keys that it needs, and those of other kinds that say nothing.
fn schema_of_kind(kind: &Row) -> Json {
    let needed: Vec<_> = kind.takes.iter().filter_map(|key| key.strip_prefix('!')).collect();
    let all = KINDS.iter().flat_map(|row| row.takes).map(|key| key.trim_start_matches('!'));
    let foreign = all.filter(|key| !takes(kind, key).0).map(|key| (key.to_owned(), json!(false)));
    json!({
        "if": {"properties": {"fault": {"const": kind.name}}, "required": ["fault"]},
        "then": {"required": needed, "properties": JsonMap::from_iter(foreign)},
    })
}

impl FaultPlan {
    /// The JSON Schema (draft 2020-12) of a fault plan. What it does not tell: the ranges of numbers and
    /// the names of settings, which [`FaultPlan::check`] knows.
    pub fn json_schema() -> Json {
        let mut properties = JsonMap::new();
        let posts: Vec<_> = Post::ALL.iter().map(|post| post.name()).collect();
        let names: Vec<_> = KINDS.iter().map(|row| row.name).collect();
        let about: Vec<_> =
            KINDS.iter().map(|row| format!("{}: {}", row.name, row.about)).collect();
        properties.insert(
            "instrument".into(),
            json!({"enum": posts, "description": "At which instrument, whatever the bench file calls it."}),
        );
        properties.insert(
            "fault".into(),
            json!({"enum": names, "description": format!("What goes wrong. {}.", about.join("; "))}),
        );
        for (key, kind, about) in KEYS {
            let least = if *kind == "integer" && *key != "code" { Some(0) } else { None };
            let mut schema = json!({"type": kind, "description": about});
            least.into_iter().for_each(|least| schema["minimum"] = json!(least));
            properties.insert((*key).into(), schema);
        }
        properties["chip"] =
            json!({"enum": ["tx", "rx"], "description": properties["chip"]["description"]});
        let when: Vec<_> = WHEN.iter().map(|key| json!({"required": [key]})).collect();
        json!({
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": "beamwarden fault plan",
            "description": "What goes wrong on the simulated bench, and when.",
            "type": "object",
            "additionalProperties": false,
            "properties": {
                "seed": {
                    "type": "integer", "minimum": 0,
                    "description": "Seed of random rates and bytes; the bench's when left out.",
                },
                "faults": {
                    "type": "array",
                    "description": "The faults.",
                    "items": {"$ref": "#/$defs/fault"},
                },
            },
            "$defs": {"fault": {
                "type": "object",
                "description": "One fault; exactly one of at_s, at_command, at_capture, per_command, \
                                per_hour says when.",
                "properties": properties,
                "required": ["instrument", "fault"],
                "additionalProperties": false,
                "oneOf": when,
                "allOf": KINDS.iter().map(schema_of_kind).collect::<Vec<_>>(),
            }},
        })
    }

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
        let entries = document.faults.iter().enumerate();
        let faults = entries.filter_map(|(place, entry)| entry.judged(place, &mut wrong)).collect();
        if wrong.is_empty() {
            Ok(Self { seed: document.seed, faults })
        } else {
            Err(FaultPlanError::Values(wrong))
        }
    }
}

impl FaultPlan {
    /// What is wrong with the values of a plan that cannot be read as a whole: of those faults that can be
    /// read by themselves, so that one wrong key does not hide what is wrong with the others.
    pub fn wrong_values(text: &str) -> Vec<String> {
        #[derive(Deserialize)]
        struct Loose {
            #[serde(default)]
            faults: Vec<serde_yaml::Value>,
        }
        let Ok(document) = serde_yaml::from_str::<Loose>(text) else { return Vec::new() };
        let mut wrong = Vec::new();
        for (place, entry) in document.faults.into_iter().enumerate() {
            if let Ok(entry) = serde_yaml::from_value::<Entry>(entry) {
                entry.judged(place, &mut wrong);
            }
        }
        wrong
    }
}

impl Entry {
    /// The fault at a place of the list, when it can be one; and what is wrong with it.
    fn judged(&self, place: usize, wrong: &mut Vec<String>) -> Option<PlannedFault> {
        let told = format!("fault {} ({} at the {})", place + 1, self.fault, self.instrument);
        let planned = self.read(&told, wrong)?;
        planned.check(&told, wrong);
        Some(planned)
    }

    fn read(&self, told: &str, wrong: &mut Vec<String>) -> Option<PlannedFault> {
        let post = Post::ALL.into_iter().find(|post| post.name() == self.instrument);
        if post.is_none() {
            let names: Vec<_> = Post::ALL.iter().map(|post| post.name()).collect();
            let (own, names) = (&self.instrument, names.join(", "));
            wrong.push(format!("{told}: instrument is '{own}', must be one of {names}"));
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

    fn check_keys(&self, told: &str, kind: &Row, wrong: &mut Vec<String>) {
        let to_share = ("to_share", self.to_share.is_some());
        for (key, given) in self.own_keys().into_iter().chain([to_share]) {
            let (taken, needed) = takes(kind, key);
            if given && !taken {
                wrong.push(format!("{told}: {key} says nothing about it"));
            }
            if needed && !given {
                wrong.push(format!("{told}: {key} is missing"));
            }
        }
    }

    fn kind(&self, told: &str, wrong: &mut Vec<String>) -> Option<FaultKind> {
        let Some(row) = KINDS.iter().find(|row| row.name == self.fault) else {
            let names: Vec<_> = KINDS.iter().map(|row| row.name).collect();
            let (own, names) = (&self.fault, names.join(", "));
            wrong.push(format!("{told}: fault is '{own}', must be one of {names}"));
            return None;
        };
        self.check_keys(told, row, wrong);
        // What is missing is told already. With something in its place the rest can still be judged.
        Some(match row.name {
            "no answer" => FaultKind::NoAnswer,
            "late answer" => FaultKind::LateAnswer { late_s: self.late_s.unwrap_or(1.0) },
            "closed link" => FaultKind::ClosedLink { answer_share: self.answer_share },
            "garbage" => FaultKind::Garbage {
                bytes: usize::try_from(self.bytes.unwrap_or(GARBAGE_BYTES)).ok()?,
            },
            "error entry" => FaultKind::ErrorEntry {
                code: self.code.unwrap_or(1),
                text: self.text.clone().unwrap_or_default(),
            },
            "setting not taken" => FaultKind::NotTaken { setting: self.setting.clone() },
            "drift" => FaultKind::Drift {
                setting: self.setting.clone()?,
                per_hour: self.rate_per_hour.unwrap_or(0.0),
            },
            "restart" => FaultKind::Restart,
            "stuck" => FaultKind::Stuck { short_deg: self.short_deg.unwrap_or(1.0) },
            "lost lock" => FaultKind::LostLock { chip: self.chip(told, wrong) },
            "current limit" => FaultKind::CurrentLimit { to_share: self.to_share.unwrap_or(0.9) },
            "stale trace" => FaultKind::StaleTrace,
            "dropped segment" => FaultKind::DroppedSegment { share: self.share.unwrap_or(0.1) },
            _ => FaultKind::StoppedPlaying,
        })
    }

    fn chip(&self, told: &str, wrong: &mut Vec<String>) -> End {
        match self.chip.as_deref() {
            Some("tx") | None => End::Tx,
            Some("rx") => End::Rx,
            Some(other) => {
                wrong.push(format!("{told}: chip is '{other}', must be tx or rx"));
                End::Tx
            }
        }
    }

    fn when(&self, told: &str, wrong: &mut Vec<String>) -> Option<When> {
        let by_number = self.at_command.or(self.at_capture).is_some();
        let is_whole = |every: f64| every.fract() == 0.0 && (1.0..=1e15).contains(&every);
        if let Some(every) = self.every.filter(|every| by_number && !is_whole(*every)) {
            let every = engineering(every);
            wrong.push(format!("{told}: every is {every}, must be a whole number from 1 on"));
        }
        // One that is wrong is told here, and not once more when the values are judged.
        let every = self.every.filter(|every| is_whole(*every)).map(|every| every as u64);
        let mut given = Vec::new();
        if let Some(at_s) = self.at_s {
            given.push(When::AtTime { at_s, every_s: self.every });
        }
        if let Some(number) = self.at_command {
            given.push(When::AtCommand { number, every });
        }
        if let Some(number) = self.at_capture {
            given.push(When::AtCapture { number, every });
        }
        given.extend(self.per_command.map(When::PerCommand));
        given.extend(self.per_hour.map(When::PerHour));
        let random = self.per_command.or(self.per_hour).is_some();
        if random && self.every.is_some() {
            wrong.push(format!("{told}: every says nothing about a random rate"));
        }
        if given.len() != 1 {
            let keys = WHEN.join(", ");
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
    fn one_that_cannot_be_read_does_not_hide_what_is_wrong_with_the_others() {
        let text = "faults: [{instrument: scope, fault: no answer, at_s: 5 s}, \
                    {instrument: dut, fault: lost lock, per_hour: 2}, \
                    {instrument: source, fault: current limit, at_s: 3}, \
                    {instrument: scope, fault: restart}]";
        assert!(matches!(FaultPlan::from_yaml(text), Err(FaultPlanError::Syntax(_))));
        let told = FaultPlan::wrong_values(text);
        let wanted = ["chip is missing", "instrument does not fit", "exactly one of"];
        assert_eq!(told.len(), wanted.len(), "{told:?}");
        for (place, (told, wanted)) in told.iter().zip(wanted).enumerate() {
            let begins = format!("fault {} ", place + 2);
            assert!(told.starts_with(&begins) && told.contains(wanted), "{told}");
        }
    }

    #[test]
    fn unknown_keys_are_refused() {
        let text = "faults: [{instrument: scope, fault: no answer, at_s: 1, wen: 2}]";
        let error = FaultPlan::from_yaml(text).expect_err("no such key");
        assert!(matches!(&error, FaultPlanError::Syntax(text) if text.contains("wen")), "{error}");
    }

    #[test]
    fn the_schema_has_exactly_the_keys_that_are_read() {
        let schema = FaultPlan::json_schema();
        let shown = &schema["$defs"]["fault"]["properties"];
        let known: Vec<&String> = shown.as_object().expect("keys").keys().collect();
        // What serde says of a key that it does not know lists those that it does.
        let text = "faults: [{wen: 2}]";
        let told = FaultPlan::from_yaml(text).expect_err("no such key").to_string();
        let mut read: Vec<&str> = told.split('`').skip(3).step_by(2).collect();
        read.sort_unstable();
        assert_eq!(read, known, "{told}");
        // A key that must be there is named once: a validator refuses a schema that repeats it.
        let drift = &schema["$defs"]["fault"]["allOf"][6]["then"];
        assert_eq!(drift["required"], json!(["setting", "rate_per_hour"]));
        assert_eq!(drift["properties"]["short_deg"], false);
    }

    #[test]
    fn every_kind_has_its_name_and_reads() {
        for Row { name, takes, .. } in KINDS {
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
  - {instrument: source, fault: lost lock, at_s: 1}
  - {instrument: scope, fault: no answer, at_command: 1, every: 0}
  - {instrument: scope, fault: no answer, at_capture: 0}
  - {instrument: source, fault: setting not taken, setting: gain, at_s: 1}
";
        let wrong = wrong(text);
        for (place, part) in [
            (1, "instrument is 'scoop', must be one of source, scope"),
            (2, "fault is 'silence', must be one of no answer,"),
            (3, "late_s is missing"),
            (4, "exactly one of at_s"),
            (5, "exactly one of at_s"),
            (6, "per_command is 1.5"),
            (7, "only these can have it: turntable"),
            (8, "only these can have it"),
            (9, "must be tx or rx"),
            (10, "drift at the supply: voltage, current_limit, protection_voltage"),
            (11, "for_s says nothing"),
            (12, "bytes says nothing"),
            (12, "at_s is -1"),
            (13, "exactly one of at_s"),
            (13, "only these can have it: turntable"),
            (14, "chip is missing"),
            (14, "only these can have it: dut"),
            (15, "every is 0, must be a whole number from 1 on"),
            (16, "at_capture is 0, must be 1 to 1e15"),
            (17, "setting is 'gain', must be one of the source: sample_rate, amplitude, output"),
        ] {
            let found =
                wrong.iter().any(|w| w.starts_with(&format!("fault {place} ")) && w.contains(part));
            assert!(found, "{place}: {part} in {wrong:#?}");
        }
        assert_eq!(wrong.len(), 20, "{wrong:#?}");
    }
}
