//! What happens between two points: the operator's wishes, and the reference point.

use tokio::time::Instant;

use super::engine::Engine;
use super::error::RunError;
use super::progress::ProgressEvent;
use crate::record::{Event, Paused, WentOn};

impl Engine<'_> {
    /// Before a point: stops, pauses, goes on, as the operator wishes; measures the reference when it is
    /// due.
    pub(super) async fn before_point(&mut self) -> Result<(), RunError> {
        self.heed_wishes("the operator wants it").await?;
        if let Some(why) = self.follow_drift().await? {
            self.control.pause();
            self.heed_wishes(&why).await?;
        }
        Ok(())
    }

    /// Stops where that was asked for; pauses as long as that is asked for.
    async fn heed_wishes(&mut self, why: &str) -> Result<(), RunError> {
        if self.is_to_stop_here() {
            return Err(RunError::Stopped);
        }
        if !self.control.pausing() {
            return Ok(());
        }
        let began = Instant::now();
        self.recorder.write(Event::Paused(Paused { why: why.to_string() }))?;
        self.recorder.flush()?;
        self.progress.take(ProgressEvent::Phase("pause"));
        while self.control.pausing() && !self.is_to_stop_here() {
            match self.wait_for_a_wish().await {
                // The bench went through its safe state; the pause of the operator goes on.
                Err(RunError::Tripped(trip)) => {
                    self.ride_out(trip).await?;
                }
                other => other?,
            }
        }
        if self.is_to_stop_here() {
            return Err(RunError::Stopped);
        }
        let why = "the operator lets it go on".to_string();
        let after_s = began.elapsed().as_secs_f64();
        Ok(self.recorder.write(Event::WentOn(WentOn { after_s, why }))?)
    }

    fn is_to_stop_here(&self) -> bool {
        self.stopping() || self.control.stopping_after_point()
    }

    /// Waits until the operator wants something else. The bench stays as it is, and its conditions are
    /// watched; on a wholly simulated bench no time passes meanwhile, so that there is nothing to watch.
    async fn wait_for_a_wish(&mut self) -> Result<(), RunError> {
        let control = self.control.clone();
        let wish = control.until(|control| {
            !control.pausing() || control.stopping() || control.stopping_after_point()
        });
        if self.bench.plan().is_simulated() {
            wish.await;
            return Ok(());
        }
        // The watch has its own rhythm; without one the run's deadline is all there is to look at.
        self.watching(None, wish).await?;
        Ok(())
    }
}
