//! The messages that a profile leads to, without any instrument: for whoever writes one and wants
//! to see what would be sent.
//!
//! Knows profiles; opens no link and writes no page.

use std::borrow::Cow;

use super::{
    Action, ActionStep, BetweenSteps, Completion, Effect, Input, Poll, Profile, RegisterPort,
    Setting, Steps,
};
use crate::frame::{Contents, Part};
use crate::transport::shown_time;
use crate::value::{Kind, Tolerance, Value};

/// Everything that a profile would send.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preview {
    /// The session, then each setting, reading and action, in the order of the file.
    pub sections: Vec<Section>,
    /// What differs in each model.
    pub models: Vec<ModelPreview>,
}

/// What differs in one model.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ModelPreview {
    /// Its name.
    pub called: String,
    /// The identity that it is known by: `model LS-*, firmware 1.*`.
    pub known_by: String,
    /// The sections that differ; one without messages is left out in this model.
    pub differs: Vec<Section>,
}

/// One setting, reading or action.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// What it is and its name: `setting voltage`.
    pub name: String,
    /// What it does.
    pub about: String,
    /// What values it takes, in words; empty where it takes none.
    pub takes: String,
    /// The messages in the order in which they are sent.
    pub messages: Vec<Message>,
}

/// One message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// When or why: `set to 3 V`.
    pub when: String,
    /// The message without its end of line; empty where nothing is sent.
    pub message: String,
}

fn message(when: impl Into<String>, message: impl Into<String>) -> Message {
    Message { when: when.into(), message: message.into() }
}

impl Profile {
    /// Everything that the profile would send, with an example at each end of each range.
    #[must_use]
    pub fn preview(&self) -> Preview {
        let general = self.models.as_ref().map_or(self, |models| &models.general);
        let sections = sections(general);
        let models = self.models.iter().flat_map(|models| &models.list);
        let models = models.map(|model| {
            let own = self::sections(&model.profile);
            let names = ["maker", "model", "serial", "firmware"].iter().zip(&model.forms);
            let forms = names.filter_map(|(name, form)| Some(format!("{name} {}", form.as_ref()?)));
            ModelPreview {
                called: model.called.clone(),
                known_by: forms.collect::<Vec<_>>().join(", "),
                differs: differing(&sections, own),
            }
        });
        Preview { models: models.collect(), sections }
    }
}

/// The sections that are not those of the general profile, and those that are left out.
fn differing(general: &[Section], own: Vec<Section>) -> Vec<Section> {
    let gone = general.iter().filter(|known| own.iter().all(|section| section.name != known.name));
    let gone = gone.map(|known| Section { messages: Vec::new(), ..known.clone() });
    let gone: Vec<Section> = gone.collect();
    own.into_iter().filter(|section| !general.contains(section)).chain(gone).collect()
}

fn sections(profile: &Profile) -> Vec<Section> {
    let mut all = vec![session(profile)];
    all.extend(profile.settings.iter().map(|setting| of_setting(profile, setting)));
    all.extend(profile.readings.iter().map(|reading| Section {
        name: format!("reading {}", reading.name),
        about: reading.about.clone(),
        takes: String::new(),
        messages: vec![message("read", &reading.query.message)],
    }));
    all.extend(profile.actions.iter().map(|action| of_action(profile, action)));
    all
}

fn session(profile: &Profile) -> Section {
    let mut messages = Vec::new();
    if !profile.identity.query.is_empty() {
        messages.push(message("identity", &profile.identity.query));
    }
    if let Some(restart) = &profile.session.restart {
        let when = format!("after a reconnect, bit {} is a restart", restart.bit);
        messages.push(message(when, &restart.query));
    }
    if let Some(errors) = &profile.errors {
        messages.push(message(format!("errors, until {}", errors.none), &errors.query));
        messages.extend(errors.rules.iter().map(|rule| {
            let codes = if rule.lowest == rule.highest {
                rule.lowest.to_string()
            } else {
                format!("{} to {}", rule.lowest, rule.highest)
            };
            message(format!("error {codes} means {}", rule.policy.name()), "")
        }));
    }
    messages.extend(profile.session.clear.as_ref().map(|clear| message("clear", clear)));
    match &profile.port {
        Some(RegisterPort::Text(port)) => {
            let filled = |pattern: &crate::pattern::Pattern| {
                pattern.emit(|_| Some("1".into())).unwrap_or_else(|_| pattern.to_string())
            };
            messages.push(message("read register 1", filled(&port.read)));
            messages.push(message("write 1 to register 1", filled(&port.write)));
        }
        Some(RegisterPort::Frames(port)) => {
            let one = Contents { address: Some(1), data: Some(1), ..Contents::default() };
            let filled = |form: &[Part]| match port.emit(form, &one) {
                Ok(bytes) => {
                    let shown: Vec<_> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
                    shown.join(" ")
                }
                Err(fault) => fault.to_string(),
            };
            messages.push(message("identity", filled(&port.identify)));
            messages.push(message("read register 1", filled(&port.read)));
            messages.push(message("write 1 to register 1", filled(&port.write)));
        }
        None => {}
    }
    let name = "session".into();
    Section { name, about: String::new(), takes: String::new(), messages }
}

/// "within 1 mV or 0.1 %", what the read-back may differ by; empty where only rounding is allowed.
fn within(setting: &Setting) -> String {
    let tolerance = setting.tolerance;
    if tolerance == Tolerance::ROUNDED_TEXT {
        return String::new();
    }
    let absolute = (tolerance.absolute > 0.0)
        .then(|| setting.form.kind.show(&Value::Number(tolerance.absolute)));
    let relative = (tolerance.relative > 0.0).then(|| format!("{} %", 100.0 * tolerance.relative));
    let parts: Vec<String> = absolute.into_iter().chain(relative).collect();
    if parts.is_empty() { ", exactly".into() } else { format!(", within {}", parts.join(" or ")) }
}

fn of_setting(profile: &Profile, setting: &Setting) -> Section {
    let mut messages: Vec<Message> = examples(setting)
        .into_iter()
        .map(|value| {
            let text = setting.form.emit(&value);
            let filled = setting.set.emit(|_| Some(text.as_str().into()));
            let shown = setting.form.kind.show(&value);
            message(format!("set to {shown}"), filled.unwrap_or_default())
        })
        .collect();
    effect(profile, &setting.effect, &mut messages);
    messages.extend(profile.errors.as_ref().map(|errors| message("errors", &errors.query)));
    messages.push(message(format!("read back{}", within(setting)), &setting.query.message));
    messages.push(message("by hand", setting.shortest()));
    Section {
        name: format!("setting {}", setting.name),
        about: setting.about.clone(),
        takes: takes(setting),
        messages,
    }
}

fn effect(profile: &Profile, effect: &Effect, messages: &mut Vec<Message>) {
    if let (true, Some(way)) = (effect.overlapped, &profile.completion) {
        completion(way, "", messages);
    }
    if let Some(poll) = &effect.poll {
        messages.push(message(until_clear(poll), &poll.query));
    }
    if !effect.settle.is_zero() {
        messages.push(message(format!("wait {}", shown_time(effect.settle)), ""));
    }
}

/// "until bits 3, 5 are clear, every 10 ms".
fn until_clear(poll: &Poll) -> String {
    let bits: Vec<String> =
        (0..16).filter(|bit| poll.clear_mask >> bit & 1 == 1).map(|bit| bit.to_string()).collect();
    let (word, are) = if bits.len() == 1 { ("bit", "is") } else { ("bits", "are") };
    format!("until {word} {} {are} clear, every {}", bits.join(", "), shown_time(poll.every))
}

fn completion(way: &Completion, within: &str, messages: &mut Vec<Message>) {
    match way {
        Completion::Query(query) => {
            messages.push(message(format!("until it answers 1{within}"), query))
        }
        Completion::ServiceRequest(request) => {
            messages.push(message("forget earlier events", &request.events));
            messages.push(message("ask for a service request", &request.arm));
            let bit = request.status_bit;
            let when = format!("until bit {bit}, where the link cannot read it{within}");
            messages.push(message(when, &request.status));
            messages
                .push(message(format!("bit {} is the end", request.event_bit), &request.events));
        }
    }
}

/// A value at each end of the range; every word; both positions of a switch.
fn examples(setting: &Setting) -> Vec<Value> {
    let ends = match &setting.form.kind {
        Kind::Switch => return vec![Value::Switch(false), Value::Switch(true)],
        Kind::Word(words) => return words.iter().cloned().map(Value::Word).collect(),
        Kind::Number { at_least, at_most, .. } if *at_most < f64::MAX => {
            vec![Value::Number(*at_least), Value::Number(*at_most)]
        }
        Kind::Number { .. } => vec![Value::Number(setting.form.scale)],
        Kind::Whole { at_least, at_most } if *at_most < i64::MAX => {
            vec![Value::Whole(*at_least), Value::Whole(*at_most)]
        }
        Kind::Whole { .. } => vec![Value::Whole(1)],
    };
    let on_step = |value: Value| match &setting.steps {
        Some(steps) => Steps { between: BetweenSteps::Nearest, ..steps.clone() }
            .fit(&setting.form.kind, &value)
            .unwrap_or(value),
        None => value,
    };
    let mut ends: Vec<Value> = ends.into_iter().map(on_step).collect();
    ends.dedup();
    ends
}

/// Range, steps and order of a setting in words.
fn takes(setting: &Setting) -> String {
    let kind = &setting.form.kind;
    let shown = |number: f64| match kind {
        Kind::Whole { .. } => kind.show(&Value::Whole(number as i64)),
        _ => kind.show(&Value::Number(number)),
    };
    let mut parts = vec![match kind {
        Kind::Number { at_least, at_most, .. } if *at_most < f64::MAX => {
            format!("{} to {}", shown(*at_least), shown(*at_most))
        }
        Kind::Whole { at_least, at_most } if *at_most < i64::MAX => {
            format!("{at_least} to {at_most}")
        }
        other => other.wanted(),
    }];
    if let Some(steps) = &setting.steps {
        parts.push(steps.describe(kind));
    }
    if !setting.after.is_empty() {
        parts.push(format!("after {}", setting.after.join(", ")));
    }
    if setting.skip_when_equal {
        parts.push("not sent again when equal".into());
    }
    parts.join(", ")
}

fn of_action(profile: &Profile, action: &Action) -> Section {
    let mut messages = Vec::new();
    for step in &action.steps {
        of_step(action, step, &mut messages);
    }
    for step in &action.if_it_fails {
        let from = messages.len();
        of_step(action, step, &mut messages);
        for message in &mut messages[from..] {
            message.when = format!("if it fails: {}", message.when);
        }
    }
    let takes = action.takes.iter().map(|(name, input)| match input {
        Input::Word => format!("{name}: a word"),
        Input::OneOf(words) => format!("{name}: {}", words.join(" | ")),
        Input::IqSamples => format!("{name}: iq samples"),
    });
    let takes = takes.collect::<Vec<_>>().join(", ");
    if let Some(errors) = &profile.errors {
        messages.push(message("errors, after each of them", &errors.query));
    }
    let name = format!("action {}", action.name);
    Section { name, about: action.about.clone(), takes, messages }
}

/// What fills a slot in an example: the first of the words, else the name of what is wanted.
fn example<'a>(action: &'a Action, slot: &str) -> Option<Cow<'a, str>> {
    let input = action.takes.iter().find(|(name, _)| name == slot);
    match input {
        Some((_, Input::OneOf(words))) => words.first().map(|word| word.as_str().into()),
        Some((name, _)) => Some(name.to_uppercase().into()),
        None => Some(format!("<{slot}>").into()),
    }
}

fn of_step(action: &Action, step: &ActionStep, messages: &mut Vec<Message>) {
    let filled = |pattern: &crate::pattern::Pattern| {
        pattern.emit(|slot| example(action, slot)).unwrap_or_else(|_| pattern.to_string())
    };
    match step {
        ActionStep::Send(pattern) => messages.push(message("send", filled(pattern))),
        ActionStep::SendBlock { message: pattern, from, format, .. } => {
            let block = format!("{}#<digits><bytes><{from} as {}>", filled(pattern), format.name());
            messages.push(message("send block", block));
        }
        ActionStep::Ask { message: pattern, answer } => {
            messages.push(message(format!("ask, answered by {answer}"), filled(pattern)));
        }
        ActionStep::FetchBlock { message: pattern, format, .. } => {
            messages.push(message(format!("fetch block of {}", format.name()), filled(pattern)));
        }
        ActionStep::Complete(within, way) => {
            completion(way, &format!(", at most {}", shown_time(*within)), messages);
        }
        ActionStep::Poll(poll, within) => {
            let when = format!("{}, at most {}", until_clear(poll), shown_time(*within));
            messages.push(message(when, &poll.query));
        }
        ActionStep::Wait(time) => messages.push(message(format!("wait {}", shown_time(*time)), "")),
    }
}
