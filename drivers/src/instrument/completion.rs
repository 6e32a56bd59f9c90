//! Waiting until an instrument is done: a query that answers late, a service request, a status
//! register that is asked again and again.

use std::time::Duration;

use tokio::time::{Instant, sleep};

use super::Instrument;
use super::error::{InstrumentError, InstrumentFault, Phase};
use super::exchange::LINE_BYTES_MAX;
use crate::message::{Expect, parse_switch, parse_whole};
use crate::profile::{Completion, Poll, ServiceRequest};

impl Instrument {
    /// Waits until nothing is pending any more.
    pub(super) async fn complete(
        &mut self,
        way: &Completion,
        shown: &str,
        timeout: Duration,
    ) -> Result<(), InstrumentError> {
        match way {
            Completion::Query(query) => self.complete_by_query(query, shown, timeout).await,
            Completion::ServiceRequest(request) => {
                self.complete_by_request(request, shown, timeout).await
            }
        }
    }

    /// Asks the completion query and waits for its 1.
    async fn complete_by_query(
        &mut self,
        query: &str,
        shown: &str,
        timeout: Duration,
    ) -> Result<(), InstrumentError> {
        let expect = Expect::Line(LINE_BYTES_MAX);
        let outcome = self.exchange.ask(query.as_bytes(), expect, timeout).await;
        let answer = self.answered(Phase::Complete, shown, outcome).await?.data;
        if parse_switch(&answer).is_ok_and(|done| done) {
            return Ok(());
        }
        // Most likely the answer to something else.
        self.exchange.set_out_of_step();
        let text = answer.escape_ascii().to_string();
        Err(self.error(Phase::Complete, shown, InstrumentFault::NotComplete(text)))
    }

    /// Has a service requested at the end and waits for it. A request may get lost and some links
    /// have none, so that the status byte is looked at from time to time in any case; no query is
    /// outstanding while nothing happens.
    async fn complete_by_request(
        &mut self,
        request: &ServiceRequest,
        shown: &str,
        timeout: Duration,
    ) -> Result<(), InstrumentError> {
        let since = Instant::now();
        // An end that was noted earlier is not this one. What else was noted stands in the error
        // queue, which is read afterwards.
        self.ask_register(&request.events, shown).await?;
        let armed = self.exchange.send(request.arm.as_bytes(), self.timeout).await;
        armed.map_err(|fault| self.error(Phase::Complete, shown, fault))?;
        loop {
            let status = match self.exchange.status_byte(self.timeout).await {
                Ok(Some(status)) => i64::from(status),
                Ok(None) => self.ask_register(&request.status, shown).await?,
                Err(fault) => return Err(self.error(Phase::Complete, shown, fault)),
            };
            if status >> request.status_bit & 1 == 1 {
                let events = self.ask_register(&request.events, shown).await?;
                if events >> request.event_bit & 1 == 1 {
                    return Ok(());
                }
            }
            if since.elapsed() + request.every > timeout {
                let seconds = since.elapsed().as_secs_f64();
                let fault = InstrumentFault::StaysBusy { status, seconds };
                return Err(self.error(Phase::Complete, shown, fault));
            }
            let waited = self.exchange.wait_for_request(request.every).await;
            waited.map_err(|fault| self.error(Phase::Complete, shown, fault))?;
        }
    }

    /// Asks a status register until it is clear.
    pub(super) async fn poll(
        &mut self,
        poll: &Poll,
        shown: &str,
        timeout: Duration,
    ) -> Result<(), InstrumentError> {
        let since = Instant::now();
        loop {
            let status = self.ask_register(&poll.query, shown).await?;
            if status & poll.clear_mask == 0 {
                return Ok(());
            }
            if since.elapsed() + poll.every > timeout {
                let seconds = since.elapsed().as_secs_f64();
                let fault = InstrumentFault::StaysBusy { status, seconds };
                return Err(self.error(Phase::Complete, shown, fault));
            }
            sleep(poll.every).await;
        }
    }

    /// The whole number that a status register holds.
    async fn ask_register(&mut self, query: &str, shown: &str) -> Result<i64, InstrumentError> {
        let expect = Expect::Line(LINE_BYTES_MAX);
        let outcome = self.exchange.ask(query.as_bytes(), expect, self.timeout).await;
        let answer = self.answered(Phase::Complete, shown, outcome).await?.data;
        parse_whole(&answer).map_err(|error| {
            self.exchange.set_out_of_step();
            self.error(Phase::Complete, shown, error.into())
        })
    }
}
