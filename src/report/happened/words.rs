//! Events of a night in words. Knows nothing of where the words are shown.

use crate::record::{
    Answered, Event, Failure, FaultClass, InterlockTripped, Level, Notified, Preflight,
    ReferenceTaken, Remedy,
};
use crate::report::notes::{self, without_numbers};
use crate::report::number::{count, duration, number, recorded};

/// Settings named in one row; the rest are counted.
const NAMED_MAX: usize = 8;

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
        Self { what, text, key, serious: true }
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
                format!("the point was given up ({}): {}", class(skipped.class), skipped.why),
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
            let what = if note.level == Level::Error { "Error" } else { "Warning" };
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

/// A class of faults for a reader.
pub(super) fn class(class: FaultClass) -> &'static str {
    match class {
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
    let class = class(failure.class);
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

fn looked_at(preflight: &Preflight) -> Told {
    let failed: Vec<String> = preflight
        .checks
        .iter()
        .filter(|check| !check.passed)
        .map(|check| format!("{}: {}", check.what, check.found))
        .collect();
    if failed.is_empty() {
        let text = format!(
            "{} things were looked at before the first step, and all were as they must \
            be",
            preflight.checks.len()
        );
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
