//! Events from the text of their line, by name: several times faster than a tagged enum, which keeps
//! every key until it knows its tag.

use super::Event;

macro_rules! events {
    ($($name:literal => $variant:ident,)*) => {
        /// All names, for the test that none is missing.
        #[cfg(test)]
        pub(in crate::record) const NAMES: &[&str] = &[$($name),*];

        impl Event {
            /// The event `name` from a line's JSON object; keys that belong to no field are passed over.
            pub(in crate::record) fn read(
                name: &str,
                json: &str,
            ) -> Result<Self, serde_json::Error> {
                match name {
                    $($name => serde_json::from_str(json).map(Self::$variant),)*
                    _ => Err(serde::de::Error::custom(format!("unknown event '{name}'"))),
                }
            }
        }
    };
}

events! {
    "journal_started" => JournalStarted,
    "run_started" => RunStarted,
    "run_resumed" => RunResumed,
    "instrument" => Instrument,
    "setting" => Setting,
    "point_started" => PointStarted,
    "point_finished" => PointFinished,
    "point_skipped" => PointSkipped,
    "step_started" => StepStarted,
    "step_finished" => StepFinished,
    "abandoned" => Abandoned,
    "failure" => Failure,
    "reestablished" => Reestablished,
    "preflight" => Preflight,
    "interlock" => Interlock,
    "paused" => Paused,
    "went_on" => WentOn,
    "answered" => Answered,
    "reference" => Reference,
    "notified" => Notified,
    "search" => Search,
    "capture" => Capture,
    "figures" => Figures,
    "measurement" => Measurement,
    "expectation" => Expectation,
    "note" => Note,
    "safe_state" => SafeState,
    "run_ended" => RunEnded,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_event_that_can_be_written_can_be_read() {
        // An unknown tag makes serde list the known ones.
        let error = serde_json::from_str::<Event>(r#"{"event":"moon_phase"}"#);
        let known = error.expect_err("no such event").to_string();
        assert!(NAMES.iter().all(|name| known.contains(&format!("`{name}`"))), "{known}");
        assert_eq!(known.matches('`').count() / 2 - 1, NAMES.len(), "{known}");
    }
}
