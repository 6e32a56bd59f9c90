//! Actions of a profile: message steps with words and samples in, numbers and codes out.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::time::Duration;

use tokio::time::{Instant, sleep};

use super::Instrument;
use super::error::{InstrumentError, InstrumentFault, Phase};
use super::exchange::LINE_BYTES_MAX;
use super::stream::{Formatted, Streams};
use crate::fault::nearest;
use crate::message::{
    BLOCK_BYTES_MAX, Expect, MessageError, MessageFault, Number, parse_word, trim,
};
use crate::pattern::Pattern;
use crate::profile::{Action, ActionStep, BinaryFormat, Effect, Input};

/// What an action is given.
#[derive(Clone, Debug, Default)]
pub struct Inputs<'a> {
    words: BTreeMap<String, String>,
    samples: BTreeMap<String, Samples<'a>>,
}

/// Samples that are here, or that a stream will bring.
#[derive(Clone, Copy, Debug)]
enum Samples<'a> {
    Here(&'a [i16]),
    /// So many numbers.
    Streamed(usize),
}

impl Samples<'_> {
    /// How many numbers.
    fn values(self) -> usize {
        match self {
            Samples::Here(samples) => samples.len(),
            Samples::Streamed(values) => values,
        }
    }
}

impl<'a> Inputs<'a> {
    /// Nothing.
    #[must_use]
    pub fn none() -> Self {
        Self::default()
    }

    /// With a word.
    #[must_use]
    pub fn word(mut self, name: &str, word: &str) -> Self {
        self.words.insert(name.into(), word.into());
        self
    }

    /// With samples, I and Q in turn.
    #[must_use]
    pub fn iq_samples(mut self, name: &str, samples: &'a [i16]) -> Self {
        self.samples.insert(name.into(), Samples::Here(samples));
        self
    }

    /// With so many numbers, I and Q in turn, that the source of [`Streams`] gives.
    #[must_use]
    pub fn iq_streamed(mut self, name: &str, values: usize) -> Self {
        self.samples.insert(name.into(), Samples::Streamed(values));
        self
    }

    /// What fills a slot of a message: a word, or a number made from the samples.
    fn slot(&self, name: &str) -> Option<Cow<'_, str>> {
        if let Some(word) = self.words.get(name) {
            return Some(word.as_str().into());
        }
        let values = self.samples.values().next()?.values();
        match name {
            "points" => Some((values / 2).to_string().into()),
            "values" => Some(values.to_string().into()),
            _ => None,
        }
    }
}

/// What an action brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Performed {
    /// The numbers that were asked for, by the names in the profile.
    pub numbers: BTreeMap<String, f64>,
    /// The codes that were fetched.
    pub codes: Option<Vec<i16>>,
    /// The number on the wire that is code 0, for formats without sign.
    pub number_of_code_0: i32,
    /// Bits of a code as it was written, when codes were fetched.
    pub format_bits: u32,
    /// The volts that were fetched as floats.
    pub volts: Option<Vec<f32>>,
    /// Time from the first byte to the last answer.
    pub took: Duration,
}

/// One channel's record as the scope sent it.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// The codes, two's complement, right-justified.
    pub codes: Vec<i16>,
    /// Volts of one code.
    pub volts_per_code: f64,
    /// Volts of code 0.
    pub offset_volts: f64,
    /// Bits of the converter.
    pub bits: u32,
}

impl Performed {
    /// The codes with their scale; `None` unless the action fetched codes and learnt
    /// `volts_per_code` and `offset_volts`, whether from one query or several, or as numbers of the
    /// profile. Volts are (number on the wire - `code_origin`) * `volts_per_code` + `offset_volts`,
    /// where `code_origin` is 0 when it is not given; `bits` are those of the format then.
    #[must_use]
    pub fn into_trace(self) -> Option<Trace> {
        let bits = self.number("bits").unwrap_or(f64::from(self.format_bits));
        let bits = Some(bits).filter(|bits| (1.0..=64.0).contains(bits))?;
        let (volts_per_code, offset_volts) = self.scale()?;
        Some(Trace { codes: self.codes?, volts_per_code, offset_volts, bits: bits as u32 })
    }

    /// The volts: as they were fetched, or from codes and their scale as [`Performed::into_trace`]
    /// has them; `None` unless there are either.
    #[must_use]
    pub fn into_volts(self) -> Option<Vec<f32>> {
        if let Some(volts) = self.volts {
            return Some(volts);
        }
        let (volts_per_code, offset_volts) = self.scale()?;
        let volts = |code: i16| (f64::from(code) * volts_per_code + offset_volts) as f32;
        Some(self.codes?.into_iter().map(volts).collect())
    }

    /// Keeps the numbers of a block that holds whole ones.
    fn take_block(&mut self, format: BinaryFormat, data: &[u8]) {
        self.volts = format.parse_floats(data);
        self.codes = format.parse_codes(data);
        self.note_format(format);
    }

    /// Keeps how the numbers of a block were written.
    fn note_format(&mut self, format: BinaryFormat) {
        self.number_of_code_0 = format.number_of_code_0();
        self.format_bits = 8 * format.bytes_each() as u32;
    }

    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.get(name).copied()
    }

    /// Volts of one code, and of code 0.
    fn scale(&self) -> Option<(f64, f64)> {
        let (volts_per_code, offset_volts) =
            (self.number("volts_per_code")?, self.number("offset_volts")?);
        let origin = self.number("code_origin").unwrap_or(0.0);
        let of_code_0 = f64::from(self.number_of_code_0) - origin;
        Some((volts_per_code, of_code_0 * volts_per_code + offset_volts))
    }
}

impl Instrument {
    /// Performs an action.
    ///
    /// # Errors
    /// [`InstrumentError`]. What the profile gives for this case has then been sent, so that the
    /// next try finds the instrument ready, if the link allowed it.
    pub async fn perform(
        &mut self,
        name: &str,
        inputs: &Inputs<'_>,
    ) -> Result<Performed, InstrumentError> {
        self.perform_streamed(name, inputs, &mut Streams::default()).await
    }

    /// As [`Instrument::perform`] with data that stream through, someone who watches, or a way to
    /// stop it. An action that is stopped ends as one that fails: the link is brought back into
    /// step and what the profile gives for this case is sent.
    ///
    /// # Errors
    /// As [`Instrument::perform`]; of the class operator when it was stopped.
    pub async fn perform_streamed(
        &mut self,
        name: &str,
        inputs: &Inputs<'_>,
        streams: &mut Streams<'_>,
    ) -> Result<Performed, InstrumentError> {
        let profile = self.driver.profile.clone();
        let Some(action) = profile.action(name) else {
            let names = profile.actions.iter().map(|action| action.name.as_str());
            let near = nearest(name, names).unwrap_or_default().to_owned();
            let fault = InstrumentFault::Unknown { what: "action", name: name.into(), near };
            return Err(self.error(Phase::Check, name, fault));
        };
        let checked =
            check_inputs(action, inputs).and_then(|()| check_streams(action, inputs, streams));
        checked.map_err(|fault| self.error(Phase::Check, name, fault))?;
        // What an action does to settings is not known.
        self.confirmed.clear();
        self.ready(name).await?;
        let since = Instant::now();
        let numbers = action.numbers.iter().cloned().collect();
        let mut performed = Performed { numbers, ..Performed::default() };
        let stop = streams.transfer.stop();
        for step in &action.steps {
            let outcome = tokio::select! {
                biased;
                () = stop.stopped() => None,
                outcome = self.step(name, step, inputs, streams, &mut performed) => Some(outcome),
            };
            let error = match outcome {
                Some(Ok(())) => continue,
                Some(Err(error)) => error,
                None => self.stopped(Phase::Complete, name, streams.transfer.progress()).await,
            };
            self.undo(action, inputs).await;
            return Err(error);
        }
        performed.took = since.elapsed();
        Ok(performed)
    }

    /// Sends what the profile gives for a failed action; the failure itself is what is reported.
    async fn undo(&mut self, action: &Action, inputs: &Inputs<'_>) {
        for step in &action.if_it_fails {
            let (mut none, mut dropped) = (Streams::default(), Performed::default());
            let outcome = match self.ready(&action.name).await {
                Ok(()) => self.step(&action.name, step, inputs, &mut none, &mut dropped).await,
                Err(error) => Err(error),
            };
            if let Err(error) = outcome {
                tracing::warn!("{error} (while clearing up after a failed action)");
                return;
            }
        }
    }

    async fn step(
        &mut self,
        action: &str,
        step: &ActionStep,
        inputs: &Inputs<'_>,
        streams: &mut Streams<'_>,
        performed: &mut Performed,
    ) -> Result<(), InstrumentError> {
        let timeout = self.timeout;
        match step {
            ActionStep::Send(pattern) => {
                let text = self.fill(pattern, inputs)?;
                self.command(text.as_bytes(), &text, &Effect::default(), timeout).await
            }
            ActionStep::SendBlock { message, from, format, full_scale } => {
                let text = self.fill(message, inputs)?;
                let mut here: &[i16] = match inputs.samples.get(from) {
                    Some(Samples::Here(samples)) => samples,
                    _ => &[],
                };
                let (format, full_scale) = (*format, *full_scale);
                let mut block = Formatted {
                    source: match &mut streams.source {
                        Some(source) if here.is_empty() => &mut **source,
                        _ => &mut here,
                    },
                    bytes_each: format.bytes_each(),
                    emit: move |samples: &[i16], into: &mut Vec<u8>| {
                        format.emit(samples, full_scale, into);
                    },
                    samples: Vec::new(),
                };
                self.upload(&text, &mut block, &mut streams.transfer).await
            }
            ActionStep::Ask { message, answer } => {
                let text = self.fill(message, inputs)?;
                self.ask_numbers(&text, answer, performed).await
            }
            ActionStep::FetchBlock { message, format, timeout: own } => {
                let text = self.fill(message, inputs)?;
                let timeout = own.unwrap_or(timeout);
                let Some(sink) = &mut streams.sink else {
                    let data = self.fetch(&text, *format, timeout).await?;
                    performed.take_block(*format, &data);
                    return Ok(());
                };
                performed.note_format(*format);
                let unit = format.bytes_each();
                self.download(&text, &mut **sink, &mut streams.transfer, unit, timeout).await?;
                self.check_errors(&text).await
            }
            ActionStep::Complete(longest, way) => {
                self.complete(way, action, *longest).await?;
                self.check_errors(action).await
            }
            ActionStep::Poll(poll, longest) => {
                self.poll(poll, action, *longest).await?;
                self.check_errors(action).await
            }
            ActionStep::Wait(time) => {
                sleep(*time).await;
                Ok(())
            }
        }
    }

    fn fill(&self, pattern: &Pattern, inputs: &Inputs<'_>) -> Result<String, InstrumentError> {
        pattern
            .emit(|slot| inputs.slot(slot))
            .map_err(|error| self.error(Phase::Check, &pattern.to_string(), error.into()))
    }

    async fn ask_numbers(
        &mut self,
        text: &str,
        form: &Pattern,
        performed: &mut Performed,
    ) -> Result<(), InstrumentError> {
        let expect = Expect::Line(LINE_BYTES_MAX);
        let outcome = self.exchange.ask(text.as_bytes(), expect, self.timeout).await;
        let answer = self.answered(Phase::Ask, text, outcome).await?.data;
        let line = String::from_utf8_lossy(&answer);
        let Some(found) = form.parse_line(line.trim()) else {
            let fault = MessageFault::OtherForm(form.to_string());
            return Err(self.unparsed(Phase::Ask, text, MessageError::new(fault, &answer)));
        };
        for (name, value) in found {
            let number = match Number::parse(trim(value.as_bytes())) {
                Ok(Number::Value(number)) => Ok(number),
                Ok(_) => Err(MessageError::new(MessageFault::Flag, &answer)),
                Err(error) => Err(error),
            };
            let number = number.map_err(|error| self.unparsed(Phase::Ask, text, error))?;
            performed.numbers.insert(name.to_owned(), number);
        }
        Ok(())
    }

    async fn fetch(
        &mut self,
        text: &str,
        format: BinaryFormat,
        timeout: Duration,
    ) -> Result<Vec<u8>, InstrumentError> {
        let expect = Expect::Block(BLOCK_BYTES_MAX);
        let outcome = self.exchange.ask(text.as_bytes(), expect, timeout).await;
        let data = self.answered(Phase::Ask, text, outcome).await?.data;
        let got = data.len();
        let announced = got.next_multiple_of(format.bytes_each());
        if got != announced {
            let fault = MessageFault::BlockTooShort { got, announced };
            return Err(self.unparsed(Phase::Ask, text, MessageError::new(fault, &[])));
        }
        self.check_errors(text).await?;
        Ok(data)
    }
}

/// Samples that a stream shall bring have a source that holds as many.
fn check_streams(
    action: &Action,
    inputs: &Inputs<'_>,
    streams: &Streams<'_>,
) -> Result<(), InstrumentFault> {
    let given = streams.source.as_ref().map(|source| source.values());
    for (name, _) in &action.takes {
        if let Some(Samples::Streamed(values)) = inputs.samples.get(name)
            && given != Some(*values)
        {
            let problem = "has no source that gives as many numbers as announced";
            return Err(InstrumentFault::Input { name: name.clone(), problem });
        }
    }
    Ok(())
}

/// Everything that the action takes is there and of its kind, and nothing else.
fn check_inputs(action: &Action, inputs: &Inputs<'_>) -> Result<(), InstrumentFault> {
    let wrong =
        |name: &str, problem| Err(InstrumentFault::Input { name: name.to_owned(), problem });
    for (name, input) in &action.takes {
        match (input, inputs.words.get(name), inputs.samples.get(name)) {
            (Input::Word, Some(word), _) if parse_word(word.as_bytes()).is_err() => {
                return wrong(name, "is no word of up to 12 letters, digits and underscores");
            }
            (Input::OneOf(words), Some(word), _) if !words.contains(word) => {
                return wrong(name, "is not one of the words that the action takes");
            }
            (Input::IqSamples, _, Some(samples))
                if samples.values() == 0 || !samples.values().is_multiple_of(2) =>
            {
                return wrong(name, "does not hold pairs of I and Q");
            }
            (Input::Word | Input::OneOf(_), Some(_), _) | (Input::IqSamples, _, Some(_)) => {}
            _ => return wrong(name, "is missing"),
        }
    }
    let given = inputs.words.keys().chain(inputs.samples.keys());
    for name in given {
        if !action.takes.iter().any(|(known, _)| known == name) {
            return wrong(name, "is not taken by this action");
        }
    }
    Ok(())
}
