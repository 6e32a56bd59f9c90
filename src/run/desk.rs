//! Whoever sits in front of a run, and whoever is told from afar; given to the engine by its caller.

use std::pin::Pin;
use std::time::Duration;

/// A question to whoever watches.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// The question.
    pub question: String,
    /// What may be answered.
    pub answers: Vec<String>,
    /// The answer when none comes.
    pub default: String,
    /// How long an answer is waited for.
    pub within: Duration,
}

/// What comes later.
pub type Later<'a, T> = Pin<Box<dyn Future<Output = T> + 'a>>;

/// Where questions are answered.
pub trait Desk {
    /// Puts a question and waits for its answer. The engine drops this when the time is over, the run is
    /// stopped or an interlock trips; it need not watch the time itself.
    fn ask<'a>(&'a mut self, question: &'a Question) -> Later<'a, String>;
}

/// Nobody sits there: no answer ever comes.
#[derive(Debug)]
pub struct NobodyThere;

impl Desk for NobodyThere {
    fn ask<'a>(&'a mut self, _question: &'a Question) -> Later<'a, String> {
        Box::pin(std::future::pending())
    }
}

/// What became of a message.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Told {
    /// How it was sent: `command`, `webhook`; none when there is no way.
    pub by: Option<String>,
    /// Why it did not get through.
    pub failed: Option<String>,
}

/// A way to tell somebody who is not there.
pub trait Notifier {
    /// Sends a text. What takes longer than the engine waits is dropped and counts as failed.
    fn tell<'a>(&'a mut self, text: &'a str) -> Later<'a, Told>;
}

/// The bench knows no way.
#[derive(Debug)]
pub struct NoWay;

impl Notifier for NoWay {
    fn tell<'a>(&'a mut self, _text: &'a str) -> Later<'a, Told> {
        Box::pin(std::future::ready(Told::default()))
    }
}
