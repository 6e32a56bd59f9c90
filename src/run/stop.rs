//! The operator's wish to stop, as a value that the engine asks between actions.
//!
//! Asked once, the run stops and tidies up; asked again, it leaves out the rest of tidying up too.
//! Nothing leaves out the safe state.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use tokio::sync::Notify;

/// A stop switch; clones share it.
#[derive(Clone, Debug, Default)]
pub struct Stop {
    asked: Arc<AtomicU32>,
    notify: Arc<Notify>,
    /// How many requests this one lets pass.
    patience: u32,
}

impl Stop {
    /// Asks the run to stop after the action at hand.
    pub fn ask(&self) {
        self.asked.fetch_add(1, Ordering::SeqCst);
        self.notify.notify_waiters();
    }

    /// Whether a stop was asked for.
    #[must_use]
    pub fn asked(&self) -> bool {
        self.asked.load(Ordering::SeqCst) > self.patience
    }

    /// The same switch for tidying up: one request more is needed before it says stop.
    #[must_use]
    pub fn for_tidying_up(&self) -> Stop {
        Stop { patience: self.patience + 1, ..self.clone() }
    }

    /// Waits; ends early when a stop is asked for.
    pub async fn sleep(&self, duration: Duration) {
        tokio::select! {
            () = tokio::time::sleep(duration) => {}
            () = self.wait() => {}
        }
    }

    /// Ends when a stop is asked for, at once when it was already.
    pub async fn wait(&self) {
        loop {
            let notified = self.notify.notified();
            tokio::pin!(notified);
            // Registered before the flag is read, so that no request falls between the two.
            notified.as_mut().enable();
            if self.asked() {
                return;
            }
            notified.await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::time::Instant;

    #[tokio::test(start_paused = true)]
    async fn a_stop_ends_a_wait() {
        let stop = Stop::default();
        let began = Instant::now();
        let other = stop.clone();
        tokio::spawn(async move {
            tokio::time::sleep(Duration::from_secs(3)).await;
            other.ask();
        });
        stop.sleep(Duration::from_secs(3600)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(3));
        stop.sleep(Duration::from_secs(3600)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(3));
    }
    #[tokio::test(start_paused = true)]
    async fn tidying_up_waits_out_the_first_request() {
        let stop = Stop::default();
        stop.ask();
        let tidying = stop.for_tidying_up();
        let began = Instant::now();
        tidying.sleep(Duration::from_secs(10)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(10));
        tokio::spawn(async move {
            tokio::time::sleep(Duration::from_secs(3)).await;
            stop.ask();
        });
        tidying.sleep(Duration::from_secs(3600)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(13));
    }
}
