//! Events of a night in words. Knows nothing of where the words are shown.

use crate::record::{
    Answered, Event, Failure, FaultClass, InterlockTripped, Level, Notified, Preflight,
    ReferenceTaken, Remedy,
};
use crate::report::notes::{self, shortened, without_numbers};
use crate::report::number::{count, duration, number, recorded};

/// Settings named in one row; the rest are counted.
const NAMED_MAX: usize = 8;

/// What a failure says of a capture that is not trusted.
const DOUBT: &str = " is doubtful: ";

/// An event in words.
pub(in crate::report) struct Told {
    /// What it is, in a word or two.
    pub(in crate::report) what: &'static str,
    /// What is told of it; plain text.
    pub(in crate::report) text: String,
    /// What it has in common with its like; none where each is told.
    pub(in crate::report) key: Option<String>,
    /// Whether it must not be left out.
    pub(in crate::report) serious: bool,
}

impl Told {
    fn serious(what: &'static str, text: String) -> Self {
        let key = Some(format!("{what} {}", without_numbers(&text)));
        Self { what, text: shortened(&text), key, serious: true }
    }

    fn plain(what: &'static str, text: String) -> Self {
        Self { serious: false, ..Self::serious(what, text) }
    }
}

/// The event in words, when it is one that a reader in the morning asks for.
pub(in crate::report) fn told(event: &Event) -> Option<Told> {
    Some(match event {
        Event::RunResumed(resumed) => {
            let torn = match resumed.torn_bytes {
                0 => String::new(),
                bytes => format!("; {} unfinished bytes of the record were cut off", count(bytes)),
            };
            let version = &resumed.version;
            let text = format!("the run had stopped and went on (beamwarden {version}){torn}");
            Told { key: None, ..Told::serious("Resumed", text) }
        }
        Event::PointSkipped(skipped) => Told {
            key: Some(format!("skipped {}", without_numbers(&skipped.why))),
            ..Told::serious(
                "Given up",
                format!(
                    "the point was given up ({}): {}",
                    class(skipped.class, &skipped.why),
                    skipped.why
                ),
            )
        },
        Event::Abandoned(abandoned) => {
            let what = if abandoned.point.is_some() { "the point" } else { "the step" };
            Told::plain(
                "Begun anew",
                format!("what was recorded of {what} does not count: {}", abandoned.why),
            )
        }
        Event::Failure(failure) => failed(failure),
        Event::Reestablished(made) => {
            let named: Vec<&str> =
                made.settings.iter().take(NAMED_MAX).map(String::as_str).collect();
            let more = made.settings.len() - named.len();
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            let text = format!("{}: {}{more}", made.why, named.join(", "));
            Told::serious("Settings made again", text)
        }
        Event::Preflight(preflight) => looked_at(preflight),
        Event::Interlock(tripped) => interlock(tripped),
        Event::Paused(paused) => Told::serious("Paused", paused.why.clone()),
        Event::WentOn(on) => {
            let text = format!("after {}: {}", duration(on.after_s), on.why);
            Told::plain("Went on", text)
        }
        Event::Answered(answered) => question(answered),
        Event::Reference(taken) => reference(taken)?,
        Event::Notified(notified) => notification(notified),
        Event::Note(note) if note.level > Level::Info => {
            let what = match (note.level, note.class) {
                // What a person wished for is no error.
                (Level::Error, Some(FaultClass::Operator)) => "Operator",
                (Level::Error, _) => "Error",
                _ => "Warning",
            };
            let instrument = note.instrument.as_ref().map(|name| format!("{name}: "));
            let text = instrument.unwrap_or_default() + &note.message;
            Told { key: Some(notes::key(note)), ..Told::serious(what, text) }
        }
        Event::SafeState(state) if !state.failed.is_empty() => {
            let failed: Vec<String> = state
                .failed
                .iter()
                .map(|fault| format!("{} ({})", fault.action, fault.message))
                .collect();
            Told { key: None, ..Told::serious("Safe state not reached", failed.join("; ")) }
        }
        _ => return None,
    })
}

/// The point that an event names itself.
pub(super) fn point_of(event: &Event) -> Option<u64> {
    match event {
        Event::Failure(failure) => failure.point,
        Event::PointSkipped(skipped) => Some(skipped.point),
        Event::Abandoned(abandoned) => abandoned.point,
        Event::Answered(answered) => answered.point,
        Event::Reference(taken) => taken.after_point,
        _ => None,
    }
}

/// A class of faults for a reader. A doubt is one of its own: nothing failed, and nobody can vouch for
/// what came.
pub(super) fn class(class: FaultClass, message: &str) -> &'static str {
    match class {
        FaultClass::Transient if message.contains(DOUBT) => "doubt",
        FaultClass::Transient => "transient",
        FaultClass::Instrument => "instrument",
        FaultClass::Limit => "limit",
        FaultClass::Operator => "operator",
        FaultClass::Internal => "internal",
    }
}

fn failed(failure: &Failure) -> Told {
    let done = match (failure.remedy, failure.wait_s) {
        (Remedy::Retried, Some(wait_s)) if wait_s > 0.0 => {
            format!("tried again after {}", duration(wait_s))
        }
        (Remedy::Retried, _) => "tried again".to_owned(),
        (Remedy::PointSkipped, _) => "the point was given up".to_owned(),
        (Remedy::WentOn, _) => "the run went on all the same".to_owned(),
        (Remedy::RunEnded, _) => "the run ended".to_owned(),
    };
    let instrument = failure.instrument.as_deref();
    let at = instrument.map(|name| format!("{name}, ")).unwrap_or_default();
    let attempt = match failure.attempt {
        0 | 1 => String::new(),
        n => format!(", try {n}"),
    };
    let class = class(failure.class, &failure.message);
    // Whichever try it was and however long the wait, it is the same failure.
    let remedy = failure.remedy;
    let key = format!("{class} {at} {remedy:?} {}", without_numbers(&failure.message));
    let text = format!("{at}{class}{attempt}: {}; {done}", failure.message);
    Told { key: Some(key), ..Told::serious("Failure", text) }
}

fn question(answered: &Answered) -> Told {
    let by = if answered.by_a_person { "a person" } else { "its default, as nobody did" };
    let (question, answer) = (&answered.question, &answered.answer);
    let after = duration(answered.after_s);
    let text = format!("\"{question}\" was answered \"{answer}\" by {by}, after {after}");
    Told { key: None, ..Told::plain("Question", text) }
}

fn notification(notified: &Notified) -> Told {
    let text = &notified.text;
    match (&notified.failed, &notified.by) {
        (Some(why), by) => {
            let by = by.as_deref().unwrap_or("no way");
            let text = format!("\"{text}\" did not get through by {by}: {why}");
            Told::serious("Notification failed", text)
        }
        (None, Some(by)) => Told::plain("Notified", format!("\"{text}\" by {by}")),
        (None, None) => {
            let text = format!("\"{text}\": the bench file names nobody to tell");
            Told::plain("Not notified", text)
        }
    }
}

/// What was looked at: `2 things (a test capture; error queues are empty)`.
fn checks_words(preflight: &Preflight) -> String {
    let named: Vec<&str> = preflight.checks.iter().map(|check| check.what.as_str()).collect();
    let things = if named.len() == 1 { "thing" } else { "things" };
    format!("{} {things} ({})", named.len(), named.join("; "))
}

fn looked_at(preflight: &Preflight) -> Told {
    let failed: Vec<String> = preflight
        .checks
        .iter()
        .filter(|check| !check.passed)
        .map(|check| format!("{}: {}", check.what, check.found))
        .collect();
    if failed.is_empty() {
        let text = format!("as it must be before the first step: {}", checks_words(preflight));
        return Told { key: None, ..Told::plain("Preflight passed", text) };
    }
    Told { key: None, ..Told::serious("Preflight failed", failed.join("; ")) }
}

fn interlock(tripped: &InterlockTripped) -> Told {
    let InterlockTripped { name, reading, wanted, value, why, pauses } = tripped;
    let was = match (value, why) {
        (Some(value), _) => format!("was {}", recorded(value)),
        (None, Some(why)) => format!("could not be had ({why})"),
        (None, None) => "could not be had".to_owned(),
    };
    let then = if *pauses { "the run paused" } else { "the run ended" };
    Told::serious("Interlock", format!("{name}: {reading} {was}, must be {wanted}; {then}"))
}

/// The unit of a difference of two values: of levels in dBm or dBFS it is a ratio, in dB.
pub(super) fn of_a_difference(unit: &str) -> &str {
    if unit.starts_with("dB") { "dB" } else { unit }
}

/// A reference within its bands is told by the chart.
fn reference(taken: &ReferenceTaken) -> Option<Told> {
    if taken.within {
        return None;
    }
    let beyond = taken
        .drift
        .iter()
        .filter(|drift| drift.moved.is_none_or(|moved| moved.abs() > drift.at_most));
    let words: Vec<String> = beyond
        .map(|drift| {
            let figure = taken.figures.iter().find(|figure| figure.name == drift.figure);
            let unit = figure.and_then(|figure| figure.unit.as_deref()).unwrap_or_default();
            let unit = of_a_difference(unit);
            let most = number(drift.at_most, unit);
            match drift.moved {
                Some(moved) => {
                    let moved = number(moved, unit);
                    format!(
                        "{} moved by {moved} since the first time (at most {most})",
                        drift.figure
                    )
                }
                None => format!("{} could not be had", drift.figure),
            }
        })
        .collect();
    let text = format!("reference {}: {}", taken.number, words.join("; "));
    Some(Told { key: None, ..Told::serious("Drift beyond its band", text) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Drift, Figure, Note, PreflightCheck};

    #[track_caller]
    fn check(event: &Event, what: &str, text: &str) {
        let told = told(event).expect("told");
        assert_eq!((told.what, told.text.as_str()), (what, text));
    }

    #[test]
    fn a_doubt_is_called_one_and_a_difference_of_levels_is_in_db() {
        let message = "a.yaml:3: capture 000007 is doubtful: scope.range moved".to_owned();
        let class = FaultClass::Transient;
        check(
            &Event::Failure(Failure {
                class,
                instrument: None,
                message: message.clone(),
                point: None,
                attempt: 2,
                remedy: Remedy::Retried,
                wait_s: None,
            }),
            "Failure",
            &format!("doubt, try 2: {message}; tried again"),
        );
        let drift = Drift { figure: "power_dbfs".to_owned(), moved: Some(1.5), at_most: 1.0 };
        check(
            &Event::Reference(ReferenceTaken {
                number: 2,
                after_point: None,
                captures: Vec::new(),
                figures: vec![Figure::number("power_dbfs", Some(-8.5), Some("dBFS"))],
                drift: vec![drift],
                within: false,
            }),
            "Drift beyond its band",
            "reference 2: power_dbfs moved by 1.5 dB since the first time (at most 1.0 dB)",
        );
    }

    #[test]
    fn a_stop_is_no_error_and_a_preflight_says_what_it_looked_at() {
        let note = |class| Note {
            level: Level::Error,
            class: Some(class),
            instrument: None,
            message: "stopped by the operator".to_owned(),
        };
        check(&Event::Note(note(FaultClass::Operator)), "Operator", "stopped by the operator");
        check(&Event::Note(note(FaultClass::Internal)), "Error", "stopped by the operator");
        let what = "a test capture".to_owned();
        let found = String::new();
        check(
            &Event::Preflight(Preflight {
                checks: vec![PreflightCheck { what, passed: true, found }],
            }),
            "Preflight passed",
            "as it must be before the first step: 1 thing (a test capture)",
        );
    }
}
