//! Steps that depend on what was found: waits on readings, expectations, repetitions, conditions,
//! questions.

use super::engine::Engine;
use super::error::RunError;
use crate::sequence::Step;

impl Engine<'_> {
    /// Does a step that depends on what was found.
    pub(super) async fn act_on_condition(
        &mut self,
        step: &Step,
        place: &str,
    ) -> Result<(), RunError> {
        let what = format!("{:?} is not known to this engine", step.action);
        Err(RunError::NoValue { place: place.to_string(), what })
    }
}
