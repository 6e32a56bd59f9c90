//! What the operator wants of a run, as values that the engine asks between actions.
//!
//! A stop asked for once stops the run and tidies up; asked for again, it leaves out the rest of
//! tidying up too. Nothing leaves out the safe state.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

use tokio::sync::Notify;

/// The operator's wishes; clones share them.
#[derive(Clone, Debug, Default)]
pub struct Control {
    wishes: Arc<Wishes>,
    /// How many requests to stop this one lets pass.
    patience: u32,
}

#[derive(Debug, Default)]
struct Wishes {
    stops: AtomicU32,
    after_point: AtomicBool,
    paused: AtomicBool,
    changed: Notify,
}

impl Control {
    /// Asks the run to stop after the action at hand.
    pub fn stop_now(&self) {
        self.wishes.stops.fetch_add(1, Ordering::SeqCst);
        self.wishes.changed.notify_waiters();
    }

    /// Asks the run to stop when the point at hand is done.
    pub fn stop_after_point(&self) {
        self.wishes.after_point.store(true, Ordering::SeqCst);
        self.wishes.changed.notify_waiters();
    }

    /// Asks the run to pause when the point at hand is done.
    pub fn pause(&self) {
        self.wishes.paused.store(true, Ordering::SeqCst);
        self.wishes.changed.notify_waiters();
    }

    /// Asks a run that pauses to go on.
    pub fn go_on(&self) {
        self.wishes.paused.store(false, Ordering::SeqCst);
        self.wishes.changed.notify_waiters();
    }

    /// Whether a stop was asked for.
    #[must_use]
    pub fn stopping(&self) -> bool {
        self.wishes.stops.load(Ordering::SeqCst) > self.patience
    }

    /// Whether a stop between two points was asked for.
    #[must_use]
    pub fn stopping_after_point(&self) -> bool {
        self.wishes.after_point.load(Ordering::SeqCst)
    }

    /// Whether a pause was asked for.
    #[must_use]
    pub fn pausing(&self) -> bool {
        self.wishes.paused.load(Ordering::SeqCst)
    }

    /// The same wishes for tidying up: one request to stop more is needed before it says so.
    #[must_use]
    pub fn for_tidying_up(&self) -> Control {
        Control { patience: self.patience + 1, ..self.clone() }
    }

    /// Waits; ends early when a stop is asked for.
    pub async fn sleep(&self, duration: Duration) {
        tokio::select! {
            () = tokio::time::sleep(duration) => {}
            () = self.stop() => {}
        }
    }

    /// Ends when a stop is asked for, at once when it was already.
    pub async fn stop(&self) {
        self.until(Control::stopping).await;
    }

    /// Ends when something is as it should be, at once when it is already.
    pub async fn until(&self, is_so: impl Fn(&Self) -> bool) {
        loop {
            let changed = self.wishes.changed.notified();
            tokio::pin!(changed);
            // Registered before the wish is read, so that no request falls between the two.
            changed.as_mut().enable();
            if is_so(self) {
                return;
            }
            changed.await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::time::Instant;

    fn after_3_s(control: &Control, wish: fn(&Control)) {
        let control = control.clone();
        tokio::spawn(async move {
            tokio::time::sleep(Duration::from_secs(3)).await;
            wish(&control);
        });
    }

    #[tokio::test(start_paused = true)]
    async fn a_stop_ends_a_wait() {
        let control = Control::default();
        let began = Instant::now();
        after_3_s(&control, Control::stop_now);
        control.sleep(Duration::from_secs(3600)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(3));
        control.sleep(Duration::from_secs(3600)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(3));
    }

    #[tokio::test(start_paused = true)]
    async fn a_pause_ends_when_it_is_told_to() {
        let control = Control::default();
        control.pause();
        let began = Instant::now();
        after_3_s(&control, Control::go_on);
        control.until(|control| !control.pausing()).await;
        assert_eq!(began.elapsed(), Duration::from_secs(3));
    }

    #[tokio::test(start_paused = true)]
    async fn tidying_up_waits_out_the_first_request() {
        let control = Control::default();
        control.stop_now();
        let tidying = control.for_tidying_up();
        let began = Instant::now();
        tidying.sleep(Duration::from_secs(10)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(10));
        after_3_s(&control, Control::stop_now);
        tidying.sleep(Duration::from_secs(3600)).await;
        assert_eq!(began.elapsed(), Duration::from_secs(13));
    }
}
