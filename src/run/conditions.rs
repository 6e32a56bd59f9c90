//! Steps that depend on what was found: waits on readings, expectations, repetitions, conditions,
//! questions, and messages to whoever is to be told.

use std::rc::Rc;
use std::time::Duration;

use tokio::time::Instant;

use super::desk::{Later, Question};
use super::engine::Engine;
use super::error::RunError;
use super::progress::ProgressEvent;
use super::recorder::recorded;
use crate::bench::knob::KnobValue;
use crate::bench::policy::Then;
use crate::record::{Answered, Event, Expectation as ExpectationRecord, Level, Notified};
use crate::sequence::expression::{Expression, Operand};
use crate::sequence::{Action, Ask, Condition, Repeat, Step, Text, WaitUntil, When};

/// Longest time that a message to somebody who is not there may take.
const TOLD_WITHIN: Duration = Duration::from_secs(60);

impl<'a> Engine<'a> {
    /// Does a step that depends on what was found.
    pub(super) async fn act_on_condition(
        &mut self,
        step: &Step,
        place: &str,
    ) -> Result<(), RunError> {
        match &step.action {
            Action::Expect(conditions) => self.expect(conditions, place).await,
            Action::Repeat(repeat) => {
                let turns = self.turns.len();
                let done = self.repeat(repeat, place).await;
                self.turns.truncate(turns);
                done
            }
            Action::When(when) => self.when(when, place).await,
            Action::Ask(ask) => self.ask(ask, place).await,
            Action::Notify(text) => self.notify(text, place).await,
            // The walk goes into calls by itself; one among the steps of a repetition comes here.
            Action::Call(call) => self.body(&call.steps).await,
            // Sweeps are the walk's, and within a repetition there is none.
            _ => Ok(()),
        }
    }

    /// The steps of a repetition or under a condition.
    fn body<'s>(&'s mut self, steps: &'s [Step]) -> Later<'s, Result<(), RunError>>
    where
        'a: 's,
    {
        Box::pin(async move {
            for step in steps {
                if self.stopping() {
                    return Err(RunError::Stopped);
                }
                self.step(step).await?;
            }
            Ok(())
        })
    }

    /// Waits until a reading is where it should be and stays there.
    pub(super) async fn wait_until(
        &mut self,
        wait: &WaitUntil,
        place: &str,
    ) -> Result<(), RunError> {
        let WaitUntil { reading, wanted, stable, every, at_most, otherwise } = wait;
        let began = Instant::now();
        let ends = began + *at_most;
        let mut since: Option<Instant> = None;
        loop {
            let value = self.value_at(reading, place).await?;
            let now = Instant::now();
            since = wanted.holds(&value).then(|| since.unwrap_or(now));
            let told = format!("{reading} is {value} after {:.1} s", began.elapsed().as_secs_f64());
            if since.is_some_and(|since| now - since >= *stable) {
                let how = match stable.is_zero() {
                    true => String::new(),
                    false => format!(", and was {wanted} for {} s", stable.as_secs_f64()),
                };
                return Ok(self.recorder.note(Level::Info, None, format!("{told}{how}"))?);
            }
            if now >= ends {
                let stable = match since {
                    Some(_) => format!(" for {} s", stable.as_secs_f64()),
                    None => String::new(),
                };
                let what = format!("{told}, and was waited for to be {wanted}{stable}");
                if *otherwise == Then::GoOn {
                    return self.warn(format!("{place}: {what}; the run goes on"));
                }
                let place = place.to_string();
                return Err(RunError::NotReached { place, what, then: *otherwise });
            }
            // The end of the stable time is looked at, whatever the rhythm.
            let stable_at = since.map_or(ends, |since| since + *stable);
            let next = (now + *every).min(stable_at.max(now)).min(ends);
            self.pass_time(next - now).await?;
            if self.stopping() {
                return Err(RunError::Stopped);
            }
        }
    }

    async fn value_at(&mut self, name: &str, place: &str) -> Result<KnobValue, RunError> {
        let value = self.persist(place, async |engine| {
            let value = engine.bench.value_now(name).await;
            value.map_err(|error| RunError::bench(place, error))
        });
        value.await
    }

    /// Holds bounds against the last measurement's figures and against readings now.
    async fn expect(&mut self, conditions: &[Condition], place: &str) -> Result<(), RunError> {
        for condition in conditions {
            match condition {
                Condition::Figure(expectation) => {
                    let last = self.last.clone();
                    let verdicts = self.judge(std::slice::from_ref(expectation), &last)?;
                    if verdicts.iter().any(|verdict| !verdict.passed) {
                        let word = &expectation.figure.word;
                        let doubt =
                            if last.is_doubtful { ": the measurement is doubtful" } else { "" };
                        self.tell(ProgressEvent::Warning(&format!(
                            "{place}: expected {word} {expectation}, which does not hold{doubt}"
                        )));
                    }
                }
                Condition::Reading { reading, wanted } => {
                    let value = self.value_at(reading, place).await?;
                    let passed = wanted.holds(&value);
                    self.tally.expectations_failed += u64::from(!passed);
                    if !passed {
                        let told = format!("{place}: expected {reading} {wanted}, it is {value}");
                        self.tell(ProgressEvent::Warning(&told));
                    }
                    self.recorder.write(Event::Expectation(ExpectationRecord {
                        capture: None,
                        point: self.point,
                        figure: reading.clone(),
                        wanted: wanted.to_string(),
                        measured: Some(recorded(&value)),
                        passed,
                    }))?;
                }
            }
        }
        Ok(())
    }

    /// Runs steps again and again until one of the conditions for an end holds.
    async fn repeat(&mut self, repeat: &Repeat, place: &str) -> Result<(), RunError> {
        let began = Instant::now();
        let mut open = false;
        for turn in 1.. {
            // Also where nothing in it waits, signals, conditions and the run's deadline are heard.
            tokio::task::yield_now().await;
            self.look_up().await?;
            self.turns.push(turn);
            self.body(&repeat.body).await?;
            let over = match &repeat.until {
                Some(until) => self.holds(until, place, &mut open).await?,
                None => false,
            };
            self.turns.pop();
            let time_is_up = repeat.at_most.is_some_and(|most| began.elapsed() >= most);
            if over || time_is_up || repeat.times.is_some_and(|times| turn >= times) {
                let why = match &repeat.until {
                    Some(until) if over => format!("{until} holds"),
                    Some(until) => format!("{until} does not hold"),
                    None => "that is all of them".to_string(),
                };
                let turns = if turn == 1 { "turn" } else { "turns" };
                let told = format!("{place}: ends after {turn} {turns}; {why}");
                return Ok(self.recorder.note(Level::Info, None, told)?);
            }
        }
        Ok(())
    }

    async fn when(&mut self, when: &When, place: &str) -> Result<(), RunError> {
        let condition = &when.condition;
        let steps = match self.evaluate(condition, place).await? {
            Ok(Operand::Truth(true)) => &when.then,
            Ok(_) => &when.otherwise,
            // Where nothing is known, neither is right.
            Err(error) => {
                let told =
                    format!("{place}: '{condition}' is open, so that nothing is done: {error}");
                return self.warn(told);
            }
        };
        self.body(steps).await
    }

    /// Whether a condition for an end holds now. One that cannot be had does not hold, which is told the
    /// first time.
    async fn holds(
        &mut self,
        condition: &Expression,
        place: &str,
        told: &mut bool,
    ) -> Result<bool, RunError> {
        match self.evaluate(condition, place).await? {
            Ok(value) => Ok(value == Operand::Truth(true)),
            Err(error) => {
                if !std::mem::replace(told, true) {
                    self.warn(format!("{place}: '{condition}' counts as not fulfilled: {error}"))?;
                }
                Ok(false)
            }
        }
    }

    /// Puts a question; without an answer in time its default counts.
    async fn ask(&mut self, ask: &Ask, place: &str) -> Result<(), RunError> {
        let question = Question {
            question: self.text(&ask.question, place).await?,
            answers: ask.answers.clone(),
            default: ask.default.clone(),
            within: ask.within,
        };
        self.recorder.flush()?;
        let began = Instant::now();
        let ends = began + ask.within;
        let desk = Rc::clone(&self.desk);
        let mut desk = desk.lock().await;
        let answer = loop {
            let answer = self.watching(Some(ends), desk.ask(&question)).await;
            match answer {
                Ok(Some(answer)) if !ask.answers.contains(&answer) => {
                    let told = format!("{place}: '{answer}' is none of the answers");
                    if let Err(error) = self.warn(told) {
                        break Err(error);
                    }
                }
                other => break other,
            }
        };
        let answer = answer?;
        if answer.is_none() && self.stopping() {
            return Err(RunError::Stopped);
        }
        let by_a_person = answer.is_some();
        let answer = answer.unwrap_or_else(|| ask.default.clone());
        if let Some(name) = &ask.name {
            self.answers.insert(name.clone(), answer.clone());
        }
        let by = if by_a_person { "" } else { " (by default, nobody answered)" };
        let said = format!("{} {answer}{by}", question.question);
        self.progress.take(ProgressEvent::Said(&said));
        Ok(self.recorder.write(Event::Answered(Answered {
            question: question.question,
            answer,
            by_a_person,
            after_s: began.elapsed().as_secs_f64(),
            name: ask.name.clone(),
            point: self.point,
        }))?)
    }

    /// Tells whoever is to be told. That it does not get through is told here and ends nothing.
    async fn notify(&mut self, text: &Text, place: &str) -> Result<(), RunError> {
        let text = self.text(text, place).await?;
        self.recorder.flush()?;
        let ends = Instant::now() + TOLD_WITHIN;
        let notifier = Rc::clone(&self.notifier);
        let mut notifier = notifier.lock().await;
        let told = self.watching(Some(ends), notifier.tell(&text)).await;
        let told = told?.unwrap_or_else(|| super::desk::Told {
            by: None,
            failed: Some(format!("it did not get through within {} s", TOLD_WITHIN.as_secs())),
        });
        if let Some(why) = &told.failed {
            self.warn(format!("{place}: nobody was told: {why}"))?;
        }
        let (by, failed) = (told.by, told.failed);
        Ok(self.recorder.write(Event::Notified(Notified { text, by, failed }))?)
    }
}
