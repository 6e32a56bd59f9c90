//! Profiles: how an instrument's settings, readings and actions become messages.
//!
//! A profile is data; [`crate::instrument`] carries it out. Knows the grammar of profiles and
//! IEEE 488.2 forms; opens no link.

mod decode;
mod errors;
mod format;
mod frames;
mod grammar;
mod grid;
mod header;
mod inherit;
mod model;
mod preview;
mod recognise;
mod shipped;

use std::fmt;
use std::time::Duration;

use crate::fault::Source;
use crate::frame::FramePort;

use crate::message::{
    MessageError, MessageFault, Number, emit_nr1, emit_nr3, mnemonic_matches, parse_switch,
    parse_whole,
};
use crate::pattern::Pattern;
use crate::value::{Kind, Tolerance, Unfit, Value};

pub(crate) use decode::unit;
pub use errors::{ErrorPolicy, ErrorQueue, ErrorRule, QUEUE_OVERFLOW};
pub use format::BinaryFormat;
pub(crate) use grammar::KIND;
pub use grammar::json_schema;
pub use grid::{BetweenSteps, Grid, Steps};
pub use header::Header;
pub use inherit::parse;
pub use model::{Model, Models};
pub use preview::{Message, ModelPreview, Preview, Section};
pub use recognise::Recognised;
pub(crate) use shipped::read_source;
pub use shipped::{LoadError, load, shipped_profiles};

/// What an instrument is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// Plays waveforms.
    WaveformSource,
    /// Digitises.
    Scope,
    /// Reaches the registers of the chips under test.
    DutControlPort,
    /// Rotates the receiver.
    Turntable,
    /// Feeds the chips.
    Supply,
}

impl Role {
    /// Every role with its name in files.
    pub const ALL: &'static [(Role, &'static str)] = &[
        (Role::WaveformSource, "waveform source"),
        (Role::Scope, "scope"),
        (Role::DutControlPort, "dut control port"),
        (Role::Turntable, "turntable"),
        (Role::Supply, "supply"),
    ];
    /// The names alone, in the same order.
    pub const NAMES: &'static [&'static str] =
        &["waveform source", "scope", "dut control port", "turntable", "supply"];

    /// The role of a name in files.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Role::ALL.iter().find(|(_, known)| *known == name).map(|(role, _)| *role)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(Role::ALL.iter().find(|(role, _)| role == self).map_or("", |(_, name)| name))
    }
}

/// A checked profile.
#[derive(Clone, Debug)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// The role that it drives.
    pub role: Role,
    /// How the instrument says who it is.
    pub identity: Identification,
    /// How a session begins.
    pub session: Session,
    /// How errors are asked for; `None` where each answer says itself whether it is one.
    pub errors: Option<ErrorQueue>,
    /// How the end of what is pending is learnt.
    pub completion: Option<Completion>,
    /// The longest time for an exchange that names none itself.
    pub timeout: Duration,
    /// How registers are read and written, where the settings come from a register map.
    pub port: Option<RegisterPort>,
    /// The knobs.
    pub settings: Vec<Setting>,
    /// What can only be read.
    pub readings: Vec<Reading>,
    /// What can be done.
    pub actions: Vec<Action>,
    /// What differs from model to model. Until the instrument has said which it is, the settings of
    /// the profile are those of all models, each as wide as with the widest.
    pub models: Option<Models>,
    /// The model that these settings belong to; `None` where models make no difference, and for
    /// every instrument that is none of the models.
    pub model: Option<String>,
    /// The text of the file, for the record.
    pub text: String,
    /// The files that it is based on, the nearest first, for the record.
    pub based_on: Vec<Source>,
}

/// How the end of what is pending is learnt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Completion {
    /// This query answers `1` once nothing is pending any more.
    Query(String),
    /// A service request, or the status byte where the link has none.
    ServiceRequest(ServiceRequest),
}

/// How the end of what is pending shows in status registers (IEEE 488.2, 11.5 and 10.18).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServiceRequest {
    /// Has the end noted in the event register and a service requested then.
    pub arm: String,
    /// Query for the status byte, where the link itself cannot read it.
    pub status: String,
    /// The status byte's bit that says that an event was noted.
    pub status_bit: u32,
    /// Query for the event register, which reading clears.
    pub events: String,
    /// The event register's bit that says that the end was noted.
    pub event_bit: u32,
    /// Time from one look at the status byte to the next.
    pub every: Duration,
}

impl Default for ServiceRequest {
    /// The mandatory commands of IEEE 488.2: operation complete is bit 0 of the event register,
    /// which is summed up in bit 5 of the status byte.
    fn default() -> Self {
        ServiceRequest {
            arm: "*ESE 1;*SRE 32;*OPC".into(),
            status: "*STB?".into(),
            status_bit: 5,
            events: "*ESR?".into(),
            event_bit: 0,
            every: Duration::from_millis(50),
        }
    }
}

/// How the instrument says who it is.
#[derive(Clone, Debug)]
pub struct Identification {
    /// The query; empty where the port's frames ask.
    pub query: String,
    /// The form of the answer, with the slots maker, model, serial, firmware; `None` for the four
    /// fields of IEEE 488.2.
    pub answer: Option<Pattern>,
}

/// How a session begins, and begins anew after a disturbance.
#[derive(Clone, Debug)]
pub struct Session {
    /// The line must be silent that long before the first query.
    pub quiet: Duration,
    /// Command that clears status and error queue, sent after the queue was read.
    pub clear: Option<String>,
    /// How a restart of the instrument shows.
    pub restart: Option<StatusBit>,
}

/// One bit of a status register.
#[derive(Clone, Debug)]
pub struct StatusBit {
    /// Query for the register.
    pub query: String,
    /// Number of the bit, 0 the least significant.
    pub bit: u32,
}

/// How registers travel.
#[derive(Clone, Debug)]
pub enum RegisterPort {
    /// As lines of text.
    Text(TextPort),
    /// As binary frames.
    Frames(FramePort),
}

/// How registers travel as text. Addresses and values fill slots of the patterns.
#[derive(Clone, Debug)]
pub struct TextPort {
    /// Asks for a register; slot `address`.
    pub read: Pattern,
    /// The answer; slot `value`.
    pub read_answer: Pattern,
    /// Writes a register; slots `address` and `value`.
    pub write: Pattern,
    /// The answer to a write.
    pub write_answer: Pattern,
    /// The answer when the port refuses; slots `code` and `text`.
    pub refusal: Pattern,
}

/// What a value looks like in a message.
#[derive(Clone, Debug)]
pub struct Form {
    /// What kind of value.
    pub kind: Kind,
    /// Base units per unit of the message.
    pub scale: f64,
    /// The spelling of each word of the kind in messages, such as `IMMediate`.
    pub mnemonics: Vec<String>,
}

/// A query and the form of its answer.
#[derive(Clone, Debug)]
pub struct Query {
    /// The message, every node of its header written out.
    pub message: String,
    /// The spellings of its header; `None` when it has none of SCPI's form.
    pub header: Option<Header>,
    /// The form of the answer, slot `value`; `None` for the value alone.
    pub answer: Option<Pattern>,
}

/// One knob.
#[derive(Clone, Debug)]
pub struct Setting {
    /// Its name.
    pub name: String,
    /// What it does.
    pub about: String,
    /// What its value looks like.
    pub form: Form,
    /// The command, every node of its header written out; slot `value`.
    pub set: Pattern,
    /// The spellings of the command's header; `None` when it has none of SCPI's form.
    pub header: Option<Header>,
    /// The read-back.
    pub query: Query,
    /// How far the read-back may differ.
    pub tolerance: Tolerance,
    /// When the command has taken effect.
    pub effect: Effect,
    /// The longest time for an exchange of this setting, its effect included.
    pub timeout: Option<Duration>,
    /// The values that it takes within its range, where it does not take all.
    pub steps: Option<Steps>,
    /// The settings that decide what this one may be, set before it.
    pub after: Vec<String>,
    /// A value that was set and read back in this session is not sent again.
    pub skip_when_equal: bool,
}

/// When a command has taken effect.
#[derive(Clone, Debug, Default)]
pub struct Effect {
    /// The command returns before it is done: the completion query is asked.
    pub overlapped: bool,
    /// A status register is asked until it says so.
    pub poll: Option<Poll>,
    /// A time to wait at the end.
    pub settle: Duration,
}

/// Asks a status register until some of its bits are clear.
#[derive(Clone, Debug)]
pub struct Poll {
    /// The query.
    pub query: String,
    /// These bits must be 0.
    pub clear_mask: i64,
    /// Time from one query to the next.
    pub every: Duration,
}

/// A quantity that can only be read.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Its name.
    pub name: String,
    /// What it is.
    pub about: String,
    /// What its value looks like.
    pub form: Form,
    /// The query.
    pub query: Query,
    /// The longest time for it.
    pub timeout: Option<Duration>,
}

/// Something that the instrument can do.
#[derive(Clone, Debug)]
pub struct Action {
    /// Its name.
    pub name: String,
    /// What it does.
    pub about: String,
    /// What it needs.
    pub takes: Vec<(String, Input)>,
    /// Numbers of the outcome that no query gives.
    pub numbers: Vec<(String, f64)>,
    /// The messages, in order.
    pub steps: Vec<ActionStep>,
    /// What is sent when a step failed, so that the next try finds the instrument ready.
    pub if_it_fails: Vec<ActionStep>,
}

/// What kind of thing an action needs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Input {
    /// Any word of IEEE 488.2.
    Word,
    /// One of these.
    OneOf(Vec<String>),
    /// Samples, I and Q in turn.
    IqSamples,
}

/// One message step of an action.
#[derive(Clone, Debug)]
pub enum ActionStep {
    /// Sends a command.
    Send(Pattern),
    /// Sends a command that ends in a block made of an input.
    SendBlock {
        /// The command up to the block.
        message: Pattern,
        /// The input.
        from: String,
        /// How the samples are written.
        format: BinaryFormat,
        /// In floats, what the largest code becomes.
        full_scale: f64,
    },
    /// Asks for numbers.
    Ask {
        /// The query.
        message: Pattern,
        /// The answer; each slot becomes a number of the outcome.
        answer: Pattern,
    },
    /// Asks for a block of codes, or of volts as floats.
    FetchBlock {
        /// The query.
        message: Pattern,
        /// How the codes are written.
        format: BinaryFormat,
        /// The longest time until the block begins, and between its pieces.
        timeout: Option<Duration>,
    },
    /// Waits until nothing is pending, at most that long.
    Complete(Duration, Completion),
    /// Asks a status register until it is clear, at most that long.
    Poll(Poll, Duration),
    /// Waits.
    Wait(Duration),
}

impl Form {
    /// From the unit of messages to the base unit. Units below the base are divided by their whole
    /// inverse: 0.001 is no binary number, 1000 is, and 350.5 mA shall be 0.3505 A.
    fn in_base(&self, number: f64) -> f64 {
        if self.scale < 1.0 { number / (1.0 / self.scale).round() } else { number * self.scale }
    }

    /// From the base unit to the unit of messages.
    fn in_unit(&self, number: f64) -> f64 {
        if self.scale < 1.0 { number * (1.0 / self.scale).round() } else { number / self.scale }
    }

    /// The value as a command carries it. The value must fit the kind.
    #[must_use]
    pub fn emit(&self, value: &Value) -> String {
        match (value, &self.kind) {
            (Value::Number(number), _) => emit_nr3(self.in_unit(*number)),
            (Value::Whole(whole), _) => emit_nr1(*whole),
            (Value::Switch(on), _) => if *on { "1" } else { "0" }.into(),
            (Value::Word(word), Kind::Word(words)) => {
                let at = words.iter().position(|known| known == word);
                at.and_then(|at| self.mnemonics.get(at)).unwrap_or(word).clone()
            }
            (Value::Word(word), _) => word.clone(),
        }
    }

    /// The value in an answer.
    ///
    /// # Errors
    /// [`MessageError`]; of the kind [`MessageFault::Flag`] when the instrument says that it has
    /// no value or one beyond its range.
    pub fn parse(&self, text: &[u8]) -> Result<Value, MessageError> {
        match &self.kind {
            Kind::Number { .. } => match Number::parse(text)? {
                Number::Value(number) => Ok(Value::Number(self.in_base(number))),
                _ => Err(MessageError::new(MessageFault::Flag, text)),
            },
            Kind::Whole { .. } => parse_whole(text).map(Value::Whole),
            Kind::Switch => parse_switch(text).map(Value::Switch),
            Kind::Word(words) => {
                let answer = String::from_utf8_lossy(text);
                let at =
                    self.mnemonics.iter().position(|known| mnemonic_matches(known, answer.trim()));
                at.and_then(|at| words.get(at))
                    .map(|word| Value::Word(word.clone()))
                    .ok_or_else(|| MessageError::new(MessageFault::UnknownWord, text))
            }
        }
    }
}

impl Setting {
    /// The shortest legal spelling of the command, with what stands for the value: `VOLT <V>`.
    #[must_use]
    pub fn shortest(&self) -> String {
        let text = self.set.to_string();
        let header = text.split(' ').next().unwrap_or_default();
        let rest = &text[header.len()..];
        let shown = match &self.form.kind {
            Kind::Number { .. } if self.form.scale == 1.0 && !self.form.kind.unit().is_empty() => {
                format!("<{}>", self.form.kind.unit())
            }
            Kind::Number { .. } => "<number>".into(),
            Kind::Whole { .. } => "<whole number>".into(),
            Kind::Switch => "ON|OFF".into(),
            Kind::Word(_) => self.form.mnemonics.join("|"),
        };
        let short = self.header.as_ref().map_or_else(|| header.to_owned(), Header::shortest);
        format!("{short}{}", rest.replace("{value}", &shown))
    }
}

impl Action {
    /// Whether a step brings a block of codes, which need a scale to become volts.
    #[must_use]
    pub fn brings_codes(&self) -> bool {
        let codes = |step: &ActionStep| matches!(step, ActionStep::FetchBlock { format, .. } if !format.is_float());
        self.steps.iter().any(codes)
    }

    /// Whether its outcome has a number of this name.
    #[must_use]
    pub fn yields(&self, number: &str) -> bool {
        let asked = |step: &ActionStep| matches!(step, ActionStep::Ask { answer, .. } if answer.slots().any(|s| s == number));
        self.numbers.iter().any(|(name, _)| name == number) || self.steps.iter().any(asked)
    }
}

impl Setting {
    /// Checks kind, range and steps of a value; what is sent for it.
    ///
    /// # Errors
    /// [`Unfit`], also for a value between two steps where the profile refuses such.
    pub fn fit(&self, value: &Value) -> Result<Value, Unfit> {
        let value = self.form.kind.fit(value)?;
        match &self.steps {
            Some(steps) => steps.fit(&self.form.kind, &value),
            None => Ok(value),
        }
    }
}

impl Profile {
    /// The frames in which registers travel, where they do.
    #[must_use]
    pub fn frames(&self) -> Option<&FramePort> {
        match &self.port {
            Some(RegisterPort::Frames(frames)) => Some(frames),
            _ => None,
        }
    }

    /// Every setting that the named one decides upon, itself not included: those that come after
    /// it, those that come after these, and so on, in the order of the file.
    #[must_use]
    pub fn dependants(&self, name: &str) -> Vec<&Setting> {
        let after = |setting: &&Setting| self.comes_after(&setting.name, name);
        self.settings.iter().filter(after).collect()
    }

    /// Whether one setting comes after another, directly or by way of others.
    #[must_use]
    pub fn comes_after(&self, later: &str, earlier: &str) -> bool {
        // Each setting is looked at once, so that this ends even if the settings went in circles.
        let mut waiting = vec![later];
        let mut seen: Vec<&str> = Vec::new();
        while let Some(name) = waiting.pop() {
            for before in self.setting(name).into_iter().flat_map(|setting| &setting.after) {
                if before == earlier {
                    return true;
                }
                if !seen.contains(&before.as_str()) {
                    seen.push(before);
                    waiting.push(before);
                }
            }
        }
        false
    }

    /// A setting by its name.
    #[must_use]
    pub fn setting(&self, name: &str) -> Option<&Setting> {
        self.settings.iter().find(|setting| setting.name == name)
    }

    /// A reading by its name.
    #[must_use]
    pub fn reading(&self, name: &str) -> Option<&Reading> {
        self.readings.iter().find(|reading| reading.name == name)
    }

    /// An action by its name.
    #[must_use]
    pub fn action(&self, name: &str) -> Option<&Action> {
        self.actions.iter().find(|action| action.name == name)
    }
}

#[cfg(test)]
mod tests;
