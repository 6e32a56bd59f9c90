//! An instrument: a link, a profile and perhaps a register map, with named settings, readings and
//! actions.
//!
//! One owner, one exchange at a time, one query per message. Every exchange has a deadline. After
//! a timeout, an answer that cannot be parsed, or a dropped future the link is brought back into
//! step before anything else is sent. Knows nothing of limits of a bench: those are checked by
//! whoever owns the instrument, and the ranges of the profile here, before a byte is sent.

mod actions;
mod completion;
mod driver;
mod error;
mod exchange;
mod port;
mod registers;
mod session;
mod settings;
mod shadow;
mod stream;
mod together;

use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

use crate::message::{ErrorEntry, Identity};
use crate::random::Random;
use crate::transport::{Transport, shown_time};
use crate::value::Value;

pub use actions::{Inputs, Performed, Trace};
pub use driver::{Driver, DriverError, Knob};
pub use error::{ErrorReport, InstrumentError, InstrumentFault, Phase};
pub use session::Reconnect;
pub use settings::RawAnswer;
pub use stream::{
    BlockSink, BlockSource, FromReader, Progress, SampleSource, Stop, Streams, ToWriter, Transfer,
};
pub use together::in_order;

use exchange::Exchange;
use shadow::Shadow;

/// Longest piece of a command kept in an error, in characters.
const COMMAND_CHARS_MAX: usize = 80;

/// An instrument with which a session is under way.
pub struct Instrument {
    name: String,
    driver: Driver,
    timeout: Duration,
    exchange: Exchange,
    identity: Option<Identity>,
    /// What the registers hold, as far as this session has seen.
    shadow: Shadow,
    events: Vec<Event>,
    /// What settings were last set to and read back as, as long as nothing can have changed them
    /// but somebody at the instrument itself.
    confirmed: BTreeMap<String, Confirmed>,
    /// Settings that were not sent again because they stood there already.
    skipped: u64,
    /// How often everything that was set may have been lost.
    losses: u64,
    /// For the jitter between tries to open the link.
    random: Random,
}

/// A setting that was made and read back.
#[derive(Clone, Debug)]
struct Confirmed {
    sent: Value,
    read_back: Value,
}

/// Something that happened besides what was asked for, for the record.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// The link was found to be out of step.
    OutOfStep {
        /// How that showed.
        why: String,
    },
    /// The link is in step again.
    Resynchronised {
        /// Time that it took.
        took: Duration,
    },
    /// The error queue held entries that no command of ours accounts for.
    OldErrors(Vec<ErrorEntry>),
    /// The instrument has restarted.
    Restarted,
    /// A register that can only be written, and that this session has not written yet, was taken to
    /// hold what the map gives as its reset value.
    TakenAsReset {
        /// Its address.
        address: u32,
        /// What it was taken to hold.
        bits: u32,
    },
    /// The error queue held entries that the profile counts as no errors.
    Noted(Vec<ErrorEntry>),
    /// A setting moved because one that it depends on was set.
    Moved {
        /// The setting that moved.
        setting: String,
        /// The setting that was set.
        after: String,
        /// What it stood at.
        before: Value,
        /// What it stands at now.
        now: Value,
    },
}

impl fmt::Display for Event {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Event::OutOfStep { why } => write!(f, "the link is out of step: {why}"),
            Event::Resynchronised { took } => {
                write!(f, "the link is in step again")?;
                // Opening anew takes no time worth telling.
                if took.as_millis() > 0 {
                    write!(f, " after {}", shown_time(*took))?;
                }
                Ok(())
            }
            Event::OldErrors(entries) => {
                let shown: Vec<String> = entries.iter().map(ToString::to_string).collect();
                write!(f, "errors from before stood in its queue: {}", shown.join("; "))
            }
            Event::Noted(entries) => {
                let shown: Vec<String> = entries.iter().map(ToString::to_string).collect();
                write!(f, "it reports, and no error is meant: {}", shown.join("; "))
            }
            Event::Moved { setting, after, before, now } => {
                write!(f, "{setting} moved from {before} to {now} when {after} was set")
            }
            Event::TakenAsReset { address, bits } => write!(
                f,
                "register {address:#06x} cannot be read and is taken to hold {bits:#06x} as after a \
                 reset"
            ),
            Event::Restarted => f.write_str("the instrument has restarted, its settings are gone"),
        }
    }
}

/// A setting that was made.
#[derive(Clone, Debug, PartialEq)]
pub struct Applied {
    /// The setting.
    pub setting: String,
    /// What was asked for.
    pub asked: Value,
    /// What was sent: what was asked for, or the step nearest to it where the profile says so.
    pub sent: Value,
    /// What was read back.
    pub read_back: Value,
    /// Whether what was sent and what was read back agree within the tolerance.
    pub matched: bool,
    /// Whether it was read back from the instrument. What can only be written cannot: the read-back is
    /// then what the shadow copy holds.
    pub verified: bool,
    /// Whether nothing was sent, because the setting stood at this value already and its profile
    /// allows that; the read-back is then the earlier one.
    pub skipped: bool,
    /// The settings that depend on this one, as they stand since it was set.
    pub dependants: Vec<(String, Value)>,
    /// Time from the first byte to the read-back.
    pub took: Duration,
}

/// A batch of settings that ended early.
#[derive(Clone, Debug, thiserror::Error)]
#[error("{error} (after {} settings of the batch)", applied.len())]
pub struct BatchError {
    /// What was set before.
    pub applied: Vec<Applied>,
    /// What ended it.
    #[source]
    pub error: InstrumentError,
}

impl Instrument {
    /// Opens the link and begins a session: silence, identity, an empty error queue. `name` is
    /// the instrument's name in the bench file, for messages.
    ///
    /// # Errors
    /// [`InstrumentError`] of the phase open.
    pub async fn open(
        name: &str,
        link: Box<dyn Transport>,
        driver: Driver,
    ) -> Result<Self, InstrumentError> {
        let timeout = driver.timeout.unwrap_or(driver.profile.timeout);
        let random = Random::seeded_with(driver.reconnect.seed, &[name, link.describe()]);
        let mut exchange = Exchange::new(link);
        exchange.set_binary(driver.profile.frames().is_some());
        let mut instrument = Instrument {
            name: name.into(),
            driver,
            timeout,
            exchange,
            identity: None,
            shadow: Shadow::default(),
            events: Vec::new(),
            confirmed: BTreeMap::new(),
            skipped: 0,
            losses: 0,
            random,
        };
        instrument.begin().await?;
        Ok(instrument)
    }

    /// The name in the bench file.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The address.
    #[must_use]
    pub fn address(&self) -> &str {
        self.exchange.address()
    }

    /// Who answered at the beginning of the session.
    #[must_use]
    pub fn identity(&self) -> Option<&Identity> {
        self.identity.as_ref()
    }

    /// The model that the profile knows the instrument as; `None` where it tells no models apart,
    /// or knows this one only in general.
    #[must_use]
    pub fn model(&self) -> Option<&str> {
        self.driver.profile.model.as_deref()
    }

    /// How many settings were not sent again because they stood at the value already.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        self.skipped
    }

    /// How often everything that was set may have been lost: the instrument has restarted, or its link
    /// had to be brought back into step and its profile has no way to tell whether it has.
    #[must_use]
    pub fn losses(&self) -> u64 {
        self.losses
    }

    /// Whether link and instrument are in step: whatever was asked last was answered. Otherwise the
    /// next exchange begins with bringing the link back.
    #[must_use]
    pub fn in_step(&self) -> bool {
        self.exchange.in_step()
    }

    /// What the instrument is driven by: once a session has begun, as its model is.
    #[must_use]
    pub fn driver(&self) -> &Driver {
        &self.driver
    }

    /// What happened since the last call.
    pub fn take_events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    fn note(&mut self, event: Event) {
        match event {
            // What follows from these is an error of its own where it matters.
            Event::OutOfStep { .. }
            | Event::Resynchronised { .. }
            | Event::TakenAsReset { .. }
            | Event::Noted(_)
            | Event::Moved { .. } => {
                tracing::info!("{}: {event}", self.name);
            }
            Event::OldErrors(_) | Event::Restarted => tracing::warn!("{}: {event}", self.name),
        }
        self.events.push(event);
    }

    fn error(&self, phase: Phase, command: &str, fault: InstrumentFault) -> InstrumentError {
        let mut text: String = command.chars().take(COMMAND_CHARS_MAX).collect();
        if text.len() < command.len() {
            text.push('…');
        }
        let fault = Box::new(fault);
        InstrumentError { instrument: self.name.clone(), command: text, phase, fault }
    }
}

#[cfg(test)]
mod tests;
