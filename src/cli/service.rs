//! Under a service manager: tells it that the run is ready, how far it is, and that it is alive.
//!
//! The watchdog is fed by a thread of its own, and only while the run shows signs of life; a run that
//! hangs is then ended and started again by the service manager, and the next start finds it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use sd_notify::NotifyState;

/// Longest time without a sign of life while the watchdog is fed.
const SILENCE_MAX: Duration = Duration::from_secs(600);

/// Signs of life of the run; clones share them.
#[derive(Clone, Debug, Default)]
pub(super) struct Heart {
    beats: Arc<AtomicU64>,
}

impl Heart {
    /// A sign of life.
    pub(super) fn beat(&self) {
        self.beats.fetch_add(1, Ordering::Relaxed);
    }
}

/// Feeds the service manager's watchdog as long as it lives.
pub(super) struct Service {
    over: Arc<AtomicBool>,
    feeder: Option<JoinHandle<()>>,
}

impl Service {
    /// Tells that the run is ready, and begins to feed the watchdog where there is one.
    pub(super) fn begin(heart: &Heart) -> Self {
        tell(&[NotifyState::Ready]);
        let over = Arc::new(AtomicBool::new(false));
        let feeder = sd_notify::watchdog_enabled().and_then(|period| {
            let (heart, ends) = (heart.clone(), over.clone());
            let feed = move || feed(period / 3, &heart, &ends);
            std::thread::Builder::new().name("watchdog".into()).spawn(feed).ok()
        });
        Service { over, feeder }
    }

    /// How far the run is, for whoever asks the service manager.
    pub(super) fn status(text: &str) {
        tell(&[NotifyState::Status(text)]);
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        tell(&[NotifyState::Stopping]);
        self.over.store(true, Ordering::Relaxed);
        if let Some(feeder) = self.feeder.take() {
            feeder.thread().unpark();
            let _ = feeder.join();
        }
    }
}

/// Feeds every `period` until the heart was silent for too long.
fn feed(period: Duration, heart: &Heart, over: &AtomicBool) {
    let mut signs = Signs::default();
    while !over.load(Ordering::Relaxed) {
        if signs.of_life(heart.beats.load(Ordering::Relaxed), period) {
            tell(&[NotifyState::Watchdog]);
        }
        std::thread::park_timeout(period);
    }
}

/// What was seen of a heart.
#[derive(Debug, Default)]
struct Signs {
    beats: u64,
    silent: Duration,
}

impl Signs {
    /// Whether the run counts as alive, `passed` after the last look.
    fn of_life(&mut self, beats: u64, passed: Duration) -> bool {
        self.silent = if beats == self.beats { self.silent + passed } else { Duration::ZERO };
        self.beats = beats;
        self.silent < SILENCE_MAX
    }
}

fn tell(states: &[NotifyState<'_>]) {
    // Without a service manager nobody listens.
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "the service manager cannot be told");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_without_signs_of_life_counts_as_alive_no_more() {
        let mut signs = Signs::default();
        let third = SILENCE_MAX / 3;
        let alive: Vec<bool> = [1, 1, 1, 1, 1, 2, 2, 2, 2, 3]
            .into_iter()
            .map(|beats| signs.of_life(beats, third))
            .collect();
        assert_eq!(alive, [true, true, true, false, false, true, true, true, false, true]);
    }
}
