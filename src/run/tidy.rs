//! What `finally` sets where an instrument does not answer: the safe state must not wait for it.

use std::collections::BTreeSet;

use super::engine::Engine;
use super::error::RunError;
use crate::bench::SHORT_TRY;
use crate::sequence::Assignment;

impl Engine<'_> {
    /// Makes a setting of `finally`. An instrument that did not answer just before has a short time,
    /// and one that does not use it is among the `mute` and is asked for nothing more: the safe state,
    /// which asks it with full patience when all others are safe, comes first.
    pub(super) async fn assign_soon(
        &mut self,
        assignment: &Assignment,
        place: &str,
        mute: &mut BTreeSet<String>,
    ) -> Result<(), RunError> {
        let setting = &assignment.setting;
        let name = setting.split_once('.').map_or(setting.as_str(), |(name, _)| name);
        let late = self.bench.owner_is_mute(setting);
        // A table that does not answer is not told to move when nobody would see it arrive.
        if mute.contains(name) || (late && self.bench.moves(setting)) {
            return self.warn(format!(
                "{place}: {setting} is left out, for {name} did not answer; the safe state comes first"
            ));
        }
        let outcome = if late {
            let assigned = tokio::time::timeout(SHORT_TRY, self.assign(assignment, place)).await;
            assigned.unwrap_or_else(|_| {
                let (place, what) =
                    (place.to_string(), "an action of 'finally' at a mute instrument");
                Err(RunError::Deadline { place, what, after: SHORT_TRY })
            })
        } else {
            self.assign(assignment, place).await
        };
        if outcome.is_err() && self.bench.owner_is_mute(setting) {
            mute.insert(name.to_string());
        }
        outcome
    }
}
