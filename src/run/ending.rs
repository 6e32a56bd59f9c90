//! How a run ends: who is told, the last line, the summary.

use std::time::Duration;

use tokio::time::Instant;

use super::engine::{Engine, RunSummary};
use super::error::RunError;
use super::progress::ProgressEvent;
use crate::record::{Event, Notified, Outcome, RunEnded};
use crate::sequence::count;

/// Longest time in which whoever is to be told of the end must have been told.
const TOLD_WITHIN: Duration = Duration::from_secs(60);

impl Engine<'_> {
    /// Tells whoever is to be told, writes the last line and sums up.
    pub(super) async fn finish(mut self, worked: Result<(), RunError>, safe: bool) -> RunSummary {
        let outcome = match &worked {
            Err(RunError::Stopped) => Outcome::Stopped,
            Err(_) => Outcome::Failed,
            Ok(()) if !safe => Outcome::Failed,
            Ok(()) if self.tally.points_skipped > 0 => Outcome::Incomplete,
            Ok(()) if self.tally.expectations_failed > 0 => Outcome::ExpectationFailed,
            Ok(()) => Outcome::Completed,
        };
        let mut error = worked.err();
        let not_safe = (!safe).then_some(&RunError::NotSafe);
        let message = error.as_ref().or(not_safe).map(ToString::to_string);
        let text = self.in_words(outcome, message.as_deref(), safe);
        self.announce(&text).await;
        let ended = self.recorder.end(RunEnded {
            outcome,
            message,
            points: self.tally.points,
            points_skipped: self.tally.points_skipped,
            retries: self.tally.retries,
            captures: self.recorder.captures_kept(),
            expectations_failed: self.tally.expectations_failed,
        });
        if let Err(unwritten) = ended {
            self.tell(ProgressEvent::Warning(&unwritten.to_string()));
            error.get_or_insert(RunError::Record(unwritten));
        }
        RunSummary {
            outcome: if error.is_some() && outcome != Outcome::Stopped {
                Outcome::Failed
            } else {
                outcome
            },
            error,
            tally: self.tally,
            measurements: self.measurements,
            searches: self.searches,
            safe,
        }
    }

    /// The end in one line, as somebody reads it who is called at night.
    fn in_words(&self, outcome: Outcome, why: Option<&str>, safe: bool) -> String {
        let how = match outcome {
            Outcome::Completed => "completed",
            Outcome::ExpectationFailed => "completed, not as expected",
            Outcome::Incomplete => "ended, points were given up",
            Outcome::Failed => "FAILED",
            Outcome::Stopped => "stopped by the operator",
        };
        let planned = count(&self.sequence.steps).points;
        let tally = &self.tally;
        let safe =
            if safe { "safe state reached" } else { "SAFE STATE NOT REACHED, go to the bench" };
        let why = why.map(|why| format!("; {why}")).unwrap_or_default();
        format!(
            "{}: {how}: {} of {planned} points, {} given up, {} tries repeated, {} expectations \
             failed; {safe}{why}",
            self.recorder.folder().name(),
            tally.points,
            tally.points_skipped,
            tally.retries,
            tally.expectations_failed
        )
    }

    /// Tells whoever the bench file wants to be told. That it does not get through ends nothing.
    async fn announce(&mut self, text: &str) {
        let notifier = std::rc::Rc::clone(&self.notifier);
        let mut notifier = notifier.lock().await;
        let ends = Instant::now() + TOLD_WITHIN;
        let told = tokio::time::timeout_at(ends, notifier.tell(text)).await;
        let (by, failed) = match told {
            Ok(told) => (told.by, told.failed),
            Err(_) => (None, Some(format!("not within {} s", TOLD_WITHIN.as_secs()))),
        };
        if by.is_none() && failed.is_none() {
            return;
        }
        if let Some(why) = &failed {
            self.tell(ProgressEvent::Warning(&format!("nobody was told of the end: {why}")));
        }
        let text = text.to_string();
        if let Err(error) = self.recorder.write(Event::Notified(Notified { text, by, failed })) {
            self.tell(ProgressEvent::Warning(&error.to_string()));
        }
    }
}
