//! The beginning of a session, and the way back into step after a disturbance.
//!
//! Both are the same: a line that is silent, an identity that is the right one, an error queue
//! that is empty. Only after a reconnect a sign of restart matters.

use std::time::Duration;

use tokio::time::{Instant, sleep};

use super::error::{ErrorReport, InstrumentError, InstrumentFault, Phase};
use super::exchange::LINE_BYTES_MAX;
use super::{Event, Instrument};
use crate::class::Class;
use crate::message::{ErrorEntry, Expect, Identity, MessageError, MessageFault, parse_whole};
use crate::profile::ErrorPolicy;
use crate::random::Random;
use crate::transport::{LinkFault, LinkPhase, Recovery, shown_time};

/// How often and how patiently a lost link is opened again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reconnect {
    /// Tries in all.
    pub tries: u32,
    /// Wait before the second try.
    pub first_wait: Duration,
    /// Each further wait is so many times the one before, at most [`Reconnect::WAIT_MAX`].
    pub factor: u32,
    /// Each wait is longer or shorter by up to so many percent: those who lost a link together
    /// shall not come back together.
    pub jitter_percent: u32,
    /// Seed of that jitter; the instrument's name and address go into it as well.
    pub seed: u64,
}

impl Reconnect {
    /// The longest wait between two tries.
    pub const WAIT_MAX: Duration = Duration::from_secs(60);

    /// A wait with its jitter.
    fn jittered(&self, wait: Duration, random: &mut Random) -> Duration {
        const STEPS: u64 = 1 << 20;
        let of_one = random.below(STEPS) as f64 / (STEPS - 1) as f64;
        let most = f64::from(self.jitter_percent.min(100)) / 100.0;
        wait.mul_f64(1.0 + most * (2.0 * of_one - 1.0)).min(Self::WAIT_MAX)
    }
}

impl Default for Reconnect {
    /// Four tries within some three seconds, each wait up to a tenth off. Instruments that serve one client need a moment to
    /// notice that the last one has gone.
    fn default() -> Self {
        let first_wait = Duration::from_millis(150);
        Reconnect { tries: 4, first_wait, factor: 4, jitter_percent: 10, seed: 0 }
    }
}

/// What a session's beginning found.
pub(super) struct Found {
    pub errors: Vec<ErrorEntry>,
    pub restarted: bool,
}

impl Instrument {
    /// Makes sure that the link is in step before anything is sent.
    pub(super) async fn ready(&mut self, command: &str) -> Result<(), InstrumentError> {
        if self.exchange.in_step() {
            match self.exchange.look_for_strays().await {
                Ok(()) => return Ok(()),
                Err(fault) => self.note(Event::OutOfStep { why: fault.to_string() }),
            }
        }
        let since = Instant::now();
        let found = self
            .establish(self.driver.reconnect.tries)
            .await
            .map_err(|fault| self.error(Phase::Resynchronise, command, fault))?;
        self.note(Event::Resynchronised { took: since.elapsed() });
        self.report(found).map_err(|fault| self.error(Phase::Resynchronise, command, fault))
    }

    /// Notes what a session's beginning found. A restart is an error, once: whatever was set
    /// before is gone, and whoever goes on must know.
    fn report(&mut self, found: Found) -> Result<(), InstrumentFault> {
        if !found.errors.is_empty() {
            self.note(Event::OldErrors(found.errors));
        }
        if found.restarted {
            self.note(Event::Restarted);
            return Err(InstrumentFault::Restarted);
        }
        Ok(())
    }

    /// Begins the session of a link that was just handed over.
    pub(super) async fn begin(&mut self) -> Result<(), InstrumentError> {
        let address = self.exchange.address().to_owned();
        let found = self
            .establish(self.driver.reconnect.tries)
            .await
            .map_err(|fault| self.error(Phase::Open, &address, mute(fault)))?;
        if !found.errors.is_empty() {
            self.note(Event::OldErrors(found.errors));
        }
        Ok(())
    }

    /// After a query that was not answered: asks the error queue why, which takes one try at
    /// getting back into step.
    pub(super) async fn why_silent(&mut self, fault: InstrumentFault) -> InstrumentFault {
        let silent = matches!(&fault, InstrumentFault::Link { error, .. }
            if error.fault == LinkFault::TimedOut);
        if !silent || self.driver.profile.errors.is_none() {
            return fault;
        }
        self.note(Event::OutOfStep { why: fault.to_string() });
        let since = Instant::now();
        let Ok(found) = self.establish(1).await else { return fault };
        self.note(Event::Resynchronised { took: since.elapsed() });
        let errors = found.errors.clone();
        match self.report(found) {
            Err(restarted) => restarted,
            Ok(()) if errors.is_empty() => fault,
            Ok(()) => InstrumentFault::NoAnswer(self.error_report(errors)),
        }
    }

    /// Tries to get into step, and to find the right instrument in order.
    async fn establish(&mut self, tries: u32) -> Result<Found, InstrumentFault> {
        self.shadow.clear();
        self.confirmed.clear();
        let again = self.identity.is_some();
        let reconnect = self.driver.reconnect;
        let mut wait = reconnect.first_wait;
        let mut left = tries.max(1);
        loop {
            left -= 1;
            match self.establish_once().await {
                Ok(found) => {
                    let tells = self.driver.profile.session.restart.is_some();
                    self.losses += u64::from(again && (found.restarted || !tells));
                    return Ok(found);
                }
                Err(fault) if left == 0 || fault.class() != Class::Transient => return Err(fault),
                Err(fault) => {
                    let now = reconnect.jittered(wait, &mut self.random);
                    tracing::warn!(
                        "{}: trying again in {}, {left} more tries (jitter of seed {}): {fault}",
                        self.name,
                        shown_time(now),
                        reconnect.seed
                    );
                    sleep(now).await;
                    wait = wait.saturating_mul(reconnect.factor).min(Reconnect::WAIT_MAX);
                }
            }
        }
    }

    async fn establish_once(&mut self) -> Result<Found, InstrumentFault> {
        let timeout = self.timeout;
        let quiet = self.driver.profile.session.quiet;
        if !self.exchange.is_open() || self.exchange.recovery() == Recovery::Reopen {
            self.exchange.reopen(timeout).await?;
        } else if self.exchange.recovery() == Recovery::Clear {
            self.exchange.clear(timeout).await?;
        }
        let identity = match self.exchange.recovery() {
            Recovery::Reopen => {
                self.exchange.drain(quiet, timeout).await?;
                self.ask_identity().await?
            }
            // Both ends have just dropped everything: there is nothing to wait for.
            Recovery::Clear => self.ask_identity().await?,
            Recovery::Drain => self.identity_of_drained_line(quiet).await?,
        };
        self.check_identity(&identity)?;
        // From here on it is driven as the model that it is.
        if let Some(models) = &self.driver.profile.models {
            self.driver.profile = models.of(&identity).clone();
        }
        let known = self.identity.replace(identity).is_some();
        let restarted = known && self.shows_restart().await?;
        let query = self.driver.profile.errors.as_ref().map(|errors| errors.query.clone());
        let drained = self.drain_errors().await;
        let errors = drained.map_err(|fault| other_answer(query.unwrap_or_default(), fault))?;
        let restarted = restarted || known && self.tells_restart(&errors);
        if let Some(clear) = self.driver.profile.session.clear.clone() {
            self.exchange.send_unchecked(clear.as_bytes(), timeout).await?;
        }
        self.exchange.set_in_step();
        Ok(Found { errors, restarted })
    }

    /// Ends what may be half a message, waits for silence, then wants the same identity twice and
    /// nothing after it: one identity alone could be a late answer to an earlier query.
    async fn identity_of_drained_line(
        &mut self,
        quiet: Duration,
    ) -> Result<Identity, InstrumentFault> {
        // Half a frame is found by its checksum, and by the silence after it.
        if self.driver.profile.frames().is_none() {
            self.exchange.end_message(self.timeout).await?;
        }
        self.exchange.drain(quiet, self.timeout).await?;
        let first = self.ask_identity().await?;
        let second = self.ask_identity().await?;
        let more = self.exchange.drain(quiet, self.timeout).await?;
        if first != second || more > 0 {
            let text = format!("{first} / {second}");
            return Err(MessageError::new(MessageFault::Leftover, text.as_bytes()).into());
        }
        Ok(first)
    }

    async fn ask_identity(&mut self) -> Result<Identity, InstrumentFault> {
        let profile = self.driver.profile.clone();
        if let Some(frames) = profile.frames() {
            return self.identity_in_frame(frames).await;
        }
        let rule = self.driver.profile.identity.clone();
        let answer = self.ask_line_unchecked(&rule.query).await?;
        let Some(pattern) = rule.answer else { return Ok(Identity::parse(&answer)?) };
        let text = String::from_utf8_lossy(&answer);
        let mut found = pattern.parse_line(text.trim()).ok_or_else(|| {
            MessageError::new(MessageFault::OtherForm(pattern.to_string()), &answer)
        })?;
        let mut field = |name: &str| -> String {
            let at = found.iter().position(|(slot, _)| *slot == name);
            at.map(|at| found.swap_remove(at).1).unwrap_or_default()
        };
        Ok(Identity {
            maker: field("maker"),
            model: field("model"),
            serial: field("serial"),
            firmware: field("firmware"),
        })
    }

    fn check_identity(&self, found: &Identity) -> Result<(), InstrumentFault> {
        let wrong = |expected: String| {
            Err(InstrumentFault::WrongIdentity { expected, found: found.clone() })
        };
        match (&self.identity, &self.driver.expect) {
            (Some(known), _) if known != found => wrong(known.to_string()),
            (_, Some(part)) if !found.to_string().contains(part.as_str()) => wrong(part.clone()),
            _ => Ok(()),
        }
    }

    async fn shows_restart(&mut self) -> Result<bool, InstrumentFault> {
        let Some(rule) = self.driver.profile.session.restart.clone() else { return Ok(false) };
        let answer = self.ask_line_unchecked(&rule.query).await?;
        Ok(parse_whole(&answer)? >> rule.bit & 1 == 1)
    }

    /// Whether entries of the error queue say that the instrument has restarted.
    pub(super) fn tells_restart(&self, entries: &[ErrorEntry]) -> bool {
        let rule = self.driver.profile.errors.as_ref();
        rule.is_some_and(|rule| {
            entries.iter().any(|entry| rule.policy(entry) == ErrorPolicy::Restart)
        })
    }

    /// Entries of the error queue with what they mean by the profile.
    pub(super) fn error_report(&self, entries: Vec<ErrorEntry>) -> ErrorReport {
        let rule = self.driver.profile.errors.as_ref();
        let class = rule.map_or(Class::Instrument, |rule| rule.class(&entries));
        ErrorReport { entries, class }
    }

    async fn ask_line_unchecked(&mut self, query: &str) -> Result<Vec<u8>, InstrumentFault> {
        self.exchange.look_for_strays().await?;
        let expect = Expect::Line(LINE_BYTES_MAX);
        let answer = self.exchange.ask_unchecked(query.as_bytes(), expect, self.timeout).await?;
        Ok(answer.data)
    }

    /// Reads the error queue to its end, on a link in step.
    pub(super) async fn drain_errors_in_step(
        &mut self,
    ) -> Result<Vec<ErrorEntry>, InstrumentFault> {
        self.exchange.look_for_strays().await?;
        self.exchange.set_out_of_step();
        let entries = self.drain_errors().await;
        // A queue that never ends was understood well enough; the link itself is in step.
        if matches!(entries, Ok(_) | Err(InstrumentFault::ErrorsEndless { .. })) {
            self.exchange.set_in_step();
        }
        entries
    }

    /// Reads the error queue to its end.
    pub(super) async fn drain_errors(&mut self) -> Result<Vec<ErrorEntry>, InstrumentFault> {
        let Some(rule) = self.driver.profile.errors.clone() else { return Ok(Vec::new()) };
        let mut entries: Vec<ErrorEntry> = Vec::new();
        loop {
            let entry = ErrorEntry::parse(&self.ask_line_unchecked(&rule.query).await?)?;
            if entry.number == rule.none {
                return Ok(entries);
            }
            if entries.len() + 1 >= rule.bound {
                return Err(InstrumentFault::ErrorsEndless { bound: rule.bound, last: entry });
            }
            entries.push(entry);
        }
    }
}

/// An answer of another form at a session's beginning may be another instrument's.
fn other_answer(query: String, fault: InstrumentFault) -> InstrumentFault {
    match fault {
        InstrumentFault::Message(error) => InstrumentFault::OtherAnswer { query, error },
        other => other,
    }
}

/// A link that opens and then stays silent has causes of its own, which the message shall name.
fn mute(fault: InstrumentFault) -> InstrumentFault {
    match fault {
        InstrumentFault::Link { error, so_far }
            if error.fault == LinkFault::TimedOut
                && error.phase == LinkPhase::Read
                && so_far.is_empty() =>
        {
            InstrumentFault::Mute(error)
        }
        other => other,
    }
}
