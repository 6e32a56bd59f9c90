//! Setting, querying and reading by name, and single messages by hand.

use std::time::Duration;

use tokio::time::sleep;

use super::error::{InstrumentError, InstrumentFault, Phase};
use super::exchange::LINE_BYTES_MAX;
use super::together::Wish;
use super::{Applied, Event, Instrument};
use crate::fault::nearest;
use crate::message::{BLOCK_BYTES_MAX, ErrorEntry, Expect, MessageError, MessageFault, trim};
use crate::profile::{Effect, ErrorPolicy, Form, Query, Recognised, Setting};
use crate::value::Value;

/// The answer to a message by hand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RawAnswer {
    /// A line.
    Line(String),
    /// The data of a block.
    Block(Vec<u8>),
}

/// Whether a name has to be a setting or may be a reading as well.
enum Wanted {
    Setting,
    Any,
}

impl Instrument {
    /// Makes a setting: range check, command, completion, error check, read-back.
    ///
    /// # Errors
    /// [`InstrumentError`]. Of the class limit when the value is beyond the profile's range or between
    /// two steps that it takes; then nothing was sent. A read-back that differs is no error but `matched == false`.
    pub async fn set(&mut self, name: &str, value: &Value) -> Result<Applied, InstrumentError> {
        let value = self.check(name, value)?;
        self.shadow.begin_call();
        self.ready(name).await?;
        self.apply(name, value, &[]).await
    }

    /// The value that a setting stands at now, asked from the instrument.
    ///
    /// # Errors
    /// [`InstrumentError`].
    pub async fn query(&mut self, name: &str) -> Result<Value, InstrumentError> {
        self.find(name, Wanted::Setting)?;
        self.value_now(name).await
    }

    /// A reading, or a setting's value.
    ///
    /// # Errors
    /// [`InstrumentError`]; of the class instrument also when the instrument says that it has no
    /// value or one beyond its range.
    pub async fn read(&mut self, name: &str) -> Result<Value, InstrumentError> {
        self.find(name, Wanted::Any)?;
        self.value_now(name).await
    }

    /// Sends one message by hand and reads its answer.
    ///
    /// # Errors
    /// [`InstrumentError`].
    pub async fn query_raw(&mut self, message: &str) -> Result<RawAnswer, InstrumentError> {
        self.check_message(message)?;
        if self.driver.profile.recognise(message) != Recognised::Query {
            self.confirmed.clear();
        }
        self.ready(message).await?;
        let expect = Expect::Either(BLOCK_BYTES_MAX);
        let outcome = self.exchange.ask(message.as_bytes(), expect, self.timeout).await;
        let answer = self.answered(Phase::Ask, message, outcome).await?;
        Ok(if answer.is_block {
            RawAnswer::Block(answer.data)
        } else {
            if !is_text(&answer.data) {
                // Handed out as it is; what comes after noise is not trusted.
                self.exchange.set_out_of_step();
            }
            RawAnswer::Line(String::from_utf8_lossy(&answer.data).into_owned())
        })
    }

    /// Sends one command by hand and checks for errors. No limit is checked here.
    ///
    /// # Errors
    /// [`InstrumentError`].
    pub async fn send_raw(&mut self, message: &str) -> Result<(), InstrumentError> {
        self.check_message(message)?;
        // What was written by hand may have changed any setting.
        self.confirmed.clear();
        self.shadow.clear();
        self.ready(message).await?;
        self.command(message.as_bytes(), message, &Effect::default(), self.timeout).await
    }

    pub(super) fn check_message(&self, message: &str) -> Result<(), InstrumentError> {
        if self.driver.profile.frames().is_some() {
            return Err(self.error(Phase::Check, message, InstrumentFault::FramesOnly));
        }
        let one_line = !message.trim().is_empty() && !message.chars().any(char::is_control);
        // Quoted text may hold any character.
        let outside = message.split(['"', '\'']).step_by(2).map(|part| part.matches('?').count());
        if one_line && outside.sum::<usize>() <= 1 {
            return Ok(());
        }
        Err(self.error(Phase::Check, message, InstrumentFault::NotOneMessage))
    }

    /// Checks name, kind, range and steps of a request.
    pub(super) fn check(&self, name: &str, value: &Value) -> Result<Wish, InstrumentError> {
        self.find(name, Wanted::Setting)?;
        let fitted = match (self.driver.profile.setting(name), self.driver.knob(name)) {
            (Some(setting), _) => setting.fit(value).map_err(InstrumentFault::from),
            (None, Some(knob)) if !knob.read_only => {
                knob.kind.fit(value).map_err(InstrumentFault::from)
            }
            _ => Err(InstrumentFault::ReadOnly),
        };
        let sent = fitted.map_err(|fault| self.error(Phase::Check, name, fault))?;
        // What was asked for stands in the record as it is, but as a value of the right kind.
        let kind = self.driver.knob(name).map(|knob| knob.kind);
        let asked = kind.and_then(|kind| kind.fit(value).ok()).unwrap_or_else(|| sent.clone());
        Ok(Wish { asked, sent })
    }

    /// Whether the name is known; a fault with the nearest name when not.
    fn find(&self, name: &str, wanted: Wanted) -> Result<(), InstrumentError> {
        let (what, reading_too) = match wanted {
            Wanted::Setting => ("setting", false),
            Wanted::Any => ("setting or reading", true),
        };
        let profile = &self.driver.profile;
        let known =
            self.driver.knob(name).is_some() && (reading_too || profile.reading(name).is_none());
        if known {
            return Ok(());
        }
        let names = self.driver.knobs().map(|knob| knob.name);
        let near = nearest(name, names).filter(|near| *near != name).unwrap_or_default().to_owned();
        let name_text = name.to_owned();
        let fault = match self.model() {
            Some(model) => {
                InstrumentFault::NotOfModel { what, name: name_text, model: model.to_owned() }
            }
            None => InstrumentFault::Unknown { what, name: name_text, near },
        };
        Err(self.error(Phase::Check, name, fault))
    }

    /// Sends a setting and reads it back.
    pub(super) async fn apply_message(
        &mut self,
        setting: &Setting,
        asked: &Value,
    ) -> Result<(Value, bool), InstrumentError> {
        let timeout = setting.timeout.unwrap_or(self.timeout);
        let text = setting.form.emit(asked);
        let message = setting
            .set
            .emit(|slot| (slot == "value").then(|| text.as_str().into()))
            .map_err(|error| self.error(Phase::Check, &setting.name, error.into()))?;
        self.command(message.as_bytes(), &message, &setting.effect, timeout).await?;
        let read_back =
            self.ask_value(Phase::ReadBack, &setting.query, &setting.form, timeout).await?;
        let matched = setting.tolerance.matches(asked, &read_back);
        Ok((read_back, matched))
    }

    /// Sends a command, waits for its effect, checks for errors. `shown` stands for it in errors.
    pub(super) async fn command(
        &mut self,
        message: &[u8],
        shown: &str,
        effect: &Effect,
        timeout: Duration,
    ) -> Result<(), InstrumentError> {
        let sent = self.exchange.send(message, timeout).await;
        sent.map_err(|fault| self.error(Phase::Send, shown, fault))?;
        self.take_effect(shown, effect, timeout).await
    }

    /// Waits for the effect of a command that was sent, checks for errors.
    pub(super) async fn take_effect(
        &mut self,
        shown: &str,
        effect: &Effect,
        timeout: Duration,
    ) -> Result<(), InstrumentError> {
        let profile = self.driver.profile.clone();
        if let (true, Some(way)) = (effect.overlapped, &profile.completion) {
            self.complete(way, shown, timeout).await?;
        }
        if let Some(poll) = &effect.poll {
            self.poll(poll, shown, timeout).await?;
        }
        if !effect.settle.is_zero() {
            sleep(effect.settle).await;
        }
        self.check_errors(shown).await
    }

    /// Reads the error queue; what the profile counts as errors is one.
    pub(super) async fn check_errors(&mut self, shown: &str) -> Result<(), InstrumentError> {
        let profile = self.driver.profile.clone();
        let Some(rule) = &profile.errors else { return Ok(()) };
        let entries = match self.drain_errors_in_step().await {
            Ok(entries) => entries,
            Err(fault) => return Err(self.error(Phase::ErrorCheck, shown, fault)),
        };
        if self.tells_restart(&entries) {
            self.confirmed.clear();
            self.shadow.clear();
            self.losses += 1;
            self.note(Event::Restarted);
            return Err(self.error(Phase::ErrorCheck, shown, InstrumentFault::Restarted));
        }
        let is_note = |entry: &ErrorEntry| rule.policy(entry) == ErrorPolicy::Note;
        let (notes, errors): (Vec<_>, Vec<_>) = entries.into_iter().partition(is_note);
        if !notes.is_empty() {
            self.note(Event::Noted(notes));
        }
        if errors.is_empty() {
            return Ok(());
        }
        let report = self.error_report(errors);
        Err(self.error(Phase::ErrorCheck, shown, InstrumentFault::Reported(report)))
    }

    /// The value of a setting, reading or field.
    pub(super) async fn value_now(&mut self, name: &str) -> Result<Value, InstrumentError> {
        self.ready(name).await?;
        let profile = self.driver.profile.clone();
        let (query, form, timeout) = match (profile.setting(name), profile.reading(name)) {
            (Some(setting), _) => (&setting.query, &setting.form, setting.timeout),
            (None, Some(reading)) => (&reading.query, &reading.form, reading.timeout),
            (None, None) => return self.read_field(name).await,
        };
        let value =
            self.ask_value(Phase::Ask, query, form, timeout.unwrap_or(self.timeout)).await?;
        // Somebody may have turned the knob at the instrument itself.
        if self.confirmed.get(name).is_some_and(|confirmed| confirmed.read_back != value) {
            self.confirmed.remove(name);
        }
        Ok(value)
    }

    pub(super) async fn ask_value(
        &mut self,
        phase: Phase,
        query: &Query,
        form: &Form,
        timeout: Duration,
    ) -> Result<Value, InstrumentError> {
        let message = &query.message;
        let expect = Expect::Line(LINE_BYTES_MAX);
        let outcome = self.exchange.ask(message.as_bytes(), expect, timeout).await;
        let answer = self.answered(phase, message, outcome).await?.data;
        let parsed = match &query.answer {
            None => form.parse(&answer),
            Some(pattern) => {
                let line = String::from_utf8_lossy(&answer);
                let found = pattern.parse_line(line.trim());
                let value = found.and_then(|mut found| found.pop());
                match value {
                    Some((_, text)) => form.parse(trim(text.as_bytes())),
                    None => {
                        let fault = MessageFault::OtherForm(pattern.to_string());
                        Err(MessageError::new(fault, &answer))
                    }
                }
            }
        };
        parsed.map_err(|error| self.unparsed(phase, message, error))
    }

    /// An answer that does not parse may be another query's: unless it is a flag, the link is out
    /// of step.
    pub(super) fn unparsed(
        &mut self,
        phase: Phase,
        command: &str,
        error: MessageError,
    ) -> InstrumentError {
        if error.fault != MessageFault::Flag {
            self.exchange.set_out_of_step();
        }
        self.error(phase, command, error.into())
    }

    /// The outcome of an exchange with its context; a query that was not answered is looked into.
    pub(super) async fn answered<T>(
        &mut self,
        phase: Phase,
        command: &str,
        outcome: Result<T, InstrumentFault>,
    ) -> Result<T, InstrumentError> {
        match outcome {
            Ok(answer) => Ok(answer),
            Err(fault) => {
                let fault = self.why_silent(fault).await;
                Err(self.error(phase, command, fault))
            }
        }
    }
}

/// Whether a line holds nothing but characters that an instrument may send as text.
fn is_text(line: &[u8]) -> bool {
    let control = |c: char| c.is_control() && c != '\t';
    std::str::from_utf8(line).is_ok_and(|text| !text.chars().any(control))
}
