//! Replayed links of several instruments that belong to one bench.
//!
//! Knows who differed first, and lets whoever opened a link look at it again; plays nothing itself.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use async_trait::async_trait;
use tokio::sync::Mutex as AsyncMutex;
use tokio::time::Instant;

use super::{Replay, ReplayFault};
use crate::transport::{LinkError, Pace, Part, Received, Recovery, Transport};

/// Where a replay parted from what was recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// The instrument.
    pub instrument: String,
    /// When the recorded message went, since the start of the trace.
    pub at: Duration,
    /// What was recorded and what happened.
    pub fault: ReplayFault,
}

/// The first difference of all instruments of a bench.
#[derive(Clone, Debug, Default)]
pub struct FirstDifference(Arc<Mutex<Option<Difference>>>);

impl FirstDifference {
    pub(super) fn note(&self, instrument: &str, at: Duration, fault: &ReplayFault) {
        let mut first = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        first.get_or_insert_with(|| Difference {
            instrument: instrument.to_owned(),
            at,
            fault: fault.clone(),
        });
    }

    /// The first difference, when there is one.
    #[must_use]
    pub fn get(&self) -> Option<Difference> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// A replayed link that is opened as often as the recorded one was, each time where the trace
/// stands.
#[derive(Clone)]
pub struct SharedReplay {
    address: String,
    recovery: Recovery,
    replay: Arc<AsyncMutex<Replay>>,
}

impl SharedReplay {
    /// Shares a replay.
    #[must_use]
    pub fn new(replay: Replay) -> Self {
        let (address, recovery) = (replay.address.clone(), replay.recovery);
        SharedReplay { address, recovery, replay: Arc::new(AsyncMutex::new(replay)) }
    }

    /// Lines that were not played yet.
    pub async fn lines_left(&self) -> usize {
        self.replay.lock().await.lines_left()
    }
}

#[async_trait]
impl Transport for SharedReplay {
    fn describe(&self) -> &str {
        &self.address
    }

    /// One that is in use by another task is open.
    fn is_open(&self) -> bool {
        self.replay.try_lock().map_or(true, |replay| replay.is_open())
    }

    fn recovery(&self) -> Recovery {
        self.recovery
    }

    fn line_rate_bytes_per_s(&self) -> Option<f64> {
        self.replay.try_lock().ok().and_then(|replay| replay.line_rate_bytes_per_s())
    }

    fn marks_end(&self) -> bool {
        self.replay.try_lock().is_ok_and(|replay| replay.marks_end())
    }

    async fn reopen(&mut self, until: Instant) -> Result<(), LinkError> {
        self.replay.lock().await.reopen(until).await
    }

    async fn clear(&mut self, until: Instant) -> Result<(), LinkError> {
        self.replay.lock().await.clear(until).await
    }

    async fn send(&mut self, bytes: &[u8], part: Part, pace: Pace) -> Result<(), LinkError> {
        self.replay.lock().await.send(bytes, part, pace).await
    }

    async fn receive(
        &mut self,
        into: &mut Vec<u8>,
        at_most: usize,
        until: Instant,
    ) -> Result<Received, LinkError> {
        self.replay.lock().await.receive(into, at_most, until).await
    }

    async fn status_byte(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        self.replay.lock().await.status_byte(until).await
    }

    async fn service_request(&mut self, until: Instant) -> Result<Option<u8>, LinkError> {
        self.replay.lock().await.service_request(until).await
    }
}
