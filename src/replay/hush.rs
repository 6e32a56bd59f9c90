//! What a replay of messages tells while it goes on. No instrument takes part, so that none may be
//! said to need somebody.

use crate::bench::RecordedLinks;
use crate::run::{Progress, ProgressEvent};

/// Passes on what happens; warnings as what the record tells, and none after the replay has parted
/// from it: they would only say that nothing answers any more.
pub(super) struct AtTheDesk<'a> {
    pub(super) told: &'a mut dyn Progress,
    /// The recorded messages, where they answer.
    pub(super) links: Option<RecordedLinks>,
}

impl Progress for AtTheDesk<'_> {
    fn take(&mut self, event: ProgressEvent<'_>) {
        match (&self.links, event) {
            (Some(links), ProgressEvent::Warning(_)) if links.difference().is_some() => {}
            (Some(_), ProgressEvent::Warning(text)) => {
                let text = format!("in the record: {text}");
                self.told.take(ProgressEvent::Warning(&text));
            }
            (_, event) => self.told.take(event),
        }
    }
}
