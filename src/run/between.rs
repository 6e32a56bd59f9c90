//! What happens between two points: the operator's wishes.

use super::engine::Engine;
use super::error::RunError;

impl Engine<'_> {
    /// Before a point: stops, pauses, goes on, as the operator wishes.
    pub(super) async fn before_point(&mut self) -> Result<(), RunError> {
        if self.stopping() || self.control.stopping_after_point() {
            return Err(RunError::Stopped);
        }
        Ok(())
    }
}
