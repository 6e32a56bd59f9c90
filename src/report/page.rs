//! The page: its head, its sections in the order a reader asks, its style.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::captures;
use super::html::{breakable, code, escape, table};
use super::number::{count, duration, recorded};
use super::run::{Run, Shot};
use super::search;
use super::settings;
use super::story;
use super::trends;
use crate::record::{CaptureNo, Expectation, Level, Outcome, RecordedValue};

pub(super) const STYLE: &str = include_str!("style.css");

/// A section: anchor, heading, content.
type Section = (&'static str, &'static str, String);

/// The whole page.
pub(super) fn render(run: &Run<'_>) -> String {
    let sections: Vec<Section> = vec![
        ("story", "What was done", story::story(run)),
        ("constellations", "Constellations", captures::constellations(run)),
        ("figures", "Figures", captures::figures(run)),
        ("trends", "From one measurement to the next", trends::trends(run) + &trends::curves(run)),
        ("searches", "Beam searches", search::searches(run)),
        ("expectations", "Expectations", expectations(run)),
        ("settings", "Settings", settings::settings(run)),
        ("notes", "Warnings and errors", notes(run)),
        ("cautions", "Cautions", CAUTIONS.to_owned()),
        ("provenance", "Where this comes from", provenance(run)),
    ];
    let mut html = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<title>{} · {}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#constellations\">Skip to the constellations</a>\n",
        escape(run.title()),
        escape(run.folder.name())
    );
    html += super::plot::HATCHING;
    html += &heading(run);
    html += "<nav aria-label=\"Sections\"><ul>\n";
    for (anchor, title, _) in &sections {
        let _ = writeln!(html, "<li><a href=\"#{anchor}\">{title}</a></li>");
    }
    html += "</ul></nav>\n<main>\n";
    for (anchor, title, content) in &sections {
        let _ = writeln!(
            html,
            "<section id=\"{anchor}\" aria-labelledby=\"{anchor}-h\"><h2 id=\"{anchor}-h\">{title}\
             </h2>\n{content}</section>"
        );
    }
    html += "</main>\n</body>\n</html>\n";
    html
}

fn heading(run: &Run<'_>) -> String {
    let (class, verdict) = verdict(run);
    let simulated = run.start.as_ref().is_some_and(|start| start.simulated);
    let bench = run.start.as_ref().map_or("unknown", |start| &start.bench);
    let mut facts = vec![("Bench", escape(bench))];
    if let Some(at) = run.started_at {
        facts.push(("Started", escape(at.strftime("%Y-%m-%d %H:%M:%S UTC"))));
    }
    if let Some(seconds) = run.seconds() {
        facts.push(("Took", escape(duration(seconds))));
    }
    facts.push(("Measurements", count(run.shots.len() as u64)));
    facts.push(("Captures", count(run.captures() as u64)));
    facts.push(("Beam searches", count(run.searches.len() as u64)));
    let facts: String = facts
        .iter()
        .map(|(name, value)| format!("<div><dt>{name}</dt><dd>{value}</dd></div>"))
        .collect();
    let replay = run.start.as_ref().and_then(|start| start.replay.as_ref());
    let simulated = match (replay, simulated) {
        (Some(replay), _) => format!(
            "<p class=\"simulated\"><b>A replay, not a measurement:</b> {}.</p>\n",
            escape(replay.words())
        ),
        (None, true) => {
            "<p class=\"simulated\"><b>Simulated bench.</b> No hardware took part: the \
                         figures tell about a model, not about a chip.</p>\n"
                .to_owned()
        }
        (None, false) => String::new(),
    };
    format!(
        "<header>\n<h1>{}</h1>\n<p class=\"verdict {class}\">{verdict}</p>\n{simulated}\
         <dl class=\"facts\">{facts}</dl>\n</header>\n",
        breakable(run.title())
    )
}

/// The outcome in words, with a class for its look. Damage comes first: what a damaged journal
/// says of the outcome need not be so.
fn verdict(run: &Run<'_>) -> (&'static str, String) {
    let (class, outcome) = outcome(run);
    let faults = run.faults.len();
    if faults == 0 {
        return (class, outcome);
    }
    let faults = match faults {
        1 => "1 fault".to_owned(),
        faults => format!("{} faults", count(faults as u64)),
    };
    let words = format!(
        "<b>Damaged record.</b> The journal has {faults}, listed under <a href=\"#notes\">warnings and \
         errors</a>: this page shows what is left of it and may be wrong. What is left says: {outcome}"
    );
    ("bad", words)
}

/// The outcome as the journal has it.
fn outcome(run: &Run<'_>) -> (&'static str, String) {
    let failed = run.expectations_failed();
    let all = run.expectations.len();
    let Some(end) = &run.end else {
        let mut words =
            "<b>No end recorded.</b> The run goes on, or it was cut off and this record \
                         is incomplete."
                .to_owned();
        if run.safe_states.is_empty() {
            words += " Whether the bench reached its safe state is not recorded.";
        }
        return ("open", words);
    };
    let why = end.message.as_deref().map(|why| format!(" {}", escape(why))).unwrap_or_default();
    match end.outcome {
        Outcome::Completed if all == 0 => ("good", format!("<b>Completed.</b>{why}")),
        Outcome::Completed => {
            let held = if all == 1 { "The one expectation held." } else { "" };
            let all_held = format!("All {all} expectations held.");
            let held = if held.is_empty() { &all_held } else { held };
            ("good", format!("<b>Completed.</b> {held}{why}"))
        }
        Outcome::ExpectationFailed => {
            let failed = failed.max(usize::try_from(end.expectations_failed).unwrap_or(failed));
            let words = format!("{failed} of {all} expectations did not hold.");
            ("bad", format!("<b>Completed, not as expected.</b> {words}{why}"))
        }
        Outcome::Incomplete => {
            let words = match end.points_skipped {
                1 => "1 point was given up.".to_owned(),
                skipped => format!("{skipped} points were given up."),
            };
            ("bad", format!("<b>Ended, not complete.</b> {words}{why}"))
        }
        Outcome::Failed => ("bad", format!("<b>Failed.</b>{why}")),
        Outcome::Stopped => ("open", format!("<b>Stopped by the operator.</b>{why}")),
    }
}

fn expectations(run: &Run<'_>) -> String {
    if run.expectations.is_empty() {
        return "<p>The sequence expects nothing.</p>\n".to_owned();
    }
    let of_shot = |shot: &Shot| {
        let name = escape(shot.name());
        shot.captures.clone().into_iter().map(move |capture| (capture, name.clone()))
    };
    let names: BTreeMap<CaptureNo, String> = run.shots.iter().flat_map(of_shot).collect();
    let name = |capture: Option<CaptureNo>| capture.and_then(|capture| names.get(&capture));
    let row = |expectation: &Expectation| {
        let measured = expectation.measured.as_ref();
        vec![
            name(expectation.capture).map_or("–".to_owned(), String::clone),
            code(&expectation.figure),
            escape(&expectation.wanted),
            escape(measured.map_or("not available".to_owned(), rounded)),
            if expectation.passed { "holds".to_owned() } else { FAILS.to_owned() },
        ]
    };
    let all = run.expectations.len();
    let mut shown: Vec<&Expectation> = run.expectations.iter().collect();
    let failed = run.expectations_failed();
    let mut summary = match failed {
        0 => "Every expectation holds.".to_owned(),
        failed => format!("{failed} of {all} expectations do not hold."),
    };
    if all > EXPECTATIONS_MAX {
        // A stable sort: those that do not hold first, each group in the order of the run.
        shown.sort_by_key(|expectation| expectation.passed);
        shown.truncate(EXPECTATIONS_MAX);
        summary += " Those that do not hold come first.";
    }
    let rows: Vec<Vec<String>> = shown.into_iter().map(row).collect();
    let head = ["Measurement", "Figure", "Wanted", "Measured", "Verdict"];
    format!(
        "<p>{summary}</p>\n{}{}",
        table("Expectations", &head, &rows),
        captures::left_out(all, EXPECTATIONS_MAX, "expectations")
    )
}

/// Most expectations in the table.
const EXPECTATIONS_MAX: usize = 1000;
/// Most notes in the list.
const NOTES_MAX: usize = 500;
const FAILS: &str = "<strong class=\"differs\">does not hold</strong>";

/// A measured value with the digits a reader can take in.
fn rounded(value: &RecordedValue) -> String {
    match value.value.as_f64() {
        Some(x) => super::number::number(x, value.unit.as_deref().unwrap_or_default()),
        None => recorded(value),
    }
}

fn notes(run: &Run<'_>) -> String {
    // The sequence's own notes are part of the story, and told there.
    let notes = run.notes.iter().filter(|(_, note)| note.level > Level::Info);
    let mut items: Vec<String> = notes
        .map(|(at, note)| {
            let at = at.strftime("%H:%M:%S UTC").to_string();
            format!("<li>{} <span class=\"quiet\">{at}</span></li>", story::note_words(note))
        })
        .collect();
    for state in &run.safe_states {
        for fault in &state.failed {
            let (action, message) = (escape(&fault.action), escape(&fault.message));
            items.push(format!("<li><b>Safe state</b>: {action} failed: {message}</li>"));
        }
    }
    for fault in &run.faults {
        items.push(format!("<li><b>Journal</b>: {}</li>", escape(fault)));
    }
    let replayed = run.start.as_ref().is_some_and(|start| start.replay.is_some());
    let desk = if replayed && !items.is_empty() {
        "<p>No instrument took part in this replay: what failed here is no state of any instrument. A \
         replay of messages that has parted from the record gets no answers any more.</p>\n"
    } else {
        ""
    };
    if run.resumed > 0 {
        items.push(format!("<li>The run was interrupted and went on {} times.</li>", run.resumed));
    }
    if items.is_empty() {
        return "<p>Nothing out of the ordinary.</p>\n".to_owned();
    }
    let left_out = captures::left_out(items.len(), NOTES_MAX, "warnings and errors");
    items.truncate(NOTES_MAX);
    format!("{desk}<ul>\n{}\n</ul>\n{left_out}", items.join("\n"))
}

fn provenance(run: &Run<'_>) -> String {
    let mut rows = vec![vec!["Run folder".to_owned(), code(run.folder.name())]];
    if let Some(start) = &run.start {
        rows.push(vec!["Software".to_owned(), escape(format!("beamwarden {}", start.version))]);
        let seed = start.seed.map_or("none".to_owned(), |seed| seed.to_string());
        rows.push(vec!["Seed".to_owned(), escape(seed)]);
        let bench = match &start.replay {
            Some(replay) => replay.words(),
            None if start.simulated => "simulated: no hardware took part".to_owned(),
            None => "hardware".to_owned(),
        };
        rows.push(vec!["Instruments".to_owned(), escape(bench)]);
        if let Some(replay) = &start.replay {
            rows.push(vec!["Replay of".to_owned(), code(&replay.run)]);
        }
    }
    let mut html = table("Origin", &["What", "Value"], &rows);
    let instruments: Vec<Vec<String>> = run
        .instruments
        .iter()
        .map(|found| {
            vec![
                escape(&found.name),
                escape(&found.role),
                breakable(&found.identity),
                code(&found.profile),
            ]
        })
        .collect();
    if !instruments.is_empty() {
        html += &table("Instruments", &["Name", "Role", "Identity", "Profile"], &instruments);
    }
    let inputs = run.start.iter().flat_map(|start| &start.inputs);
    let inputs: Vec<Vec<String>> =
        inputs.map(|input| vec![code(&input.file), hash(&input.sha256)]).collect();
    if !inputs.is_empty() {
        html += &table("Inputs, frozen in the run folder", &["File", "SHA-256"], &inputs);
    }
    html + "<p>Everything on this page comes from the run folder: the journal \
            (<code>journal.jsonl</code>) and the analysis files beside the captures. The captures \
            are SigMF recordings of the scope's codes as they came.</p>\n"
}

/// A checksum, which has no places of its own to break at.
fn hash(text: &str) -> String {
    format!("<code class=\"hash\">{}</code>", escape(text))
}

/// The usual cautions; local rules come first.
const CAUTIONS: &str = "<p>For whoever repeats this on hardware. The rules of your laboratory and \
    of your country come first; transmitting may need a licence.</p>\n<ul>\n\
    <li><b>Radio-frequency exposure.</b> Keep out of the main beam of a radiating array and at the \
    distance your laboratory has set; switch the supply off before you reach in. A beam that is \
    steered automatically may point where nobody expects it.</li>\n\
    <li><b>Eyes and skin.</b> At millimetre waves the power is absorbed in the outer layers of eye \
    and skin. Do not look into an antenna or a waveguide that may radiate.</li>\n\
    <li><b>Moving turntable.</b> Keep hands, hair and cables clear; it moves without warning while \
    a sequence runs.</li>\n\
    <li><b>Supply and static.</b> Set voltage and current limits before a chip is connected, and \
    handle it grounded.</li>\n</ul>\n";
