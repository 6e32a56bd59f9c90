//! The operator's wish to stop, as a value that the engine asks between actions.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use tokio::sync::Notify;

/// A stop switch; clones share it.
#[derive(Clone, Debug, Default)]
pub struct Stop {
    asked: Arc<AtomicBool>,
    notify: Arc<Notify>,
}

impl Stop {
    /// Asks the run to stop after the action at hand.
    pub fn ask(&self) {
        self.asked.store(true, Ordering::SeqCst);
        self.notify.notify_waiters();
    }

    /// Whether a stop was asked for.
    #[must_use]
    pub fn asked(&self) -> bool {
        self.asked.load(Ordering::SeqCst)
    }

    /// Waits; ends early when a stop is asked for.
    pub async fn sleep(&self, duration: Duration) {
        let notified = self.notify.notified();
        tokio::pin!(notified);
        // Registered before the flag is read, so that no request falls between the two.
        notified.as_mut().enable();
        if self.asked() {
            return;
        }
        tokio::select! {
            () = tokio::time::sleep(duration) => {}
            () = notified => {}
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
}
