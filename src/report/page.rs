//! The page: its head, its sections in the order a reader asks, its style.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::captures;
use super::happened;
use super::html::{breakable, code, escape, table};
use super::notes::Alike;
use super::number::{count, duration, recorded};
use super::run::Run;
use super::search;
use super::settings;
use super::story;
use super::totals::{Checked, EXPECTATIONS_MAX};
use super::trends;
use crate::record::{Outcome, RecordedValue};

pub(super) const STYLE: &str = include_str!("style.css");

/// A section: anchor, heading, content.
type Section = (&'static str, &'static str, String);

/// The whole page.
pub(super) fn render(run: &Run<'_>) -> String {
    let sections: Vec<Section> = vec![
        ("happened", "What happened", happened::section(run) + &parameters(run)),
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
    facts.push(("Measurements", count(run.measurements() as u64)));
    facts.push(("Captures", count(run.captures as u64)));
    facts.push(("Beam searches", count(run.search_count as u64)));
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
    let faults = run.fault_count;
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
    let failed = run.totals.expectations_failed;
    let all = run.totals.expectations;
    let Some(end) = &run.end else {
        let mut words =
            "<b>No end recorded.</b> The run goes on, or it was cut off and this record \
                         is incomplete."
                .to_owned();
        if run.safe_state.is_none() {
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
    let (all, failed) = (run.totals.expectations, run.totals.expectations_failed);
    if all == 0 {
        return "<p>The sequence expects nothing.</p>\n".to_owned();
    }
    let row = |checked: &Checked| {
        let expectation = &checked.expectation;
        let measured = expectation.measured.as_ref();
        vec![
            checked.measurement.as_ref().map_or("–".to_owned(), escape),
            expectation.point.map_or("–".to_owned(), |point| point.to_string()),
            code(&expectation.figure),
            escape(&expectation.wanted),
            escape(measured.map_or("not available".to_owned(), rounded)),
            match (expectation.passed, checked.doubtful) {
                (true, _) => "holds".to_owned(),
                (false, false) => FAILS.to_owned(),
                (false, true) => format!("{FAILS}: the measurement is doubtful"),
            },
        ]
    };
    let mut summary = match failed {
        0 => "Every expectation holds.".to_owned(),
        failed => format!("{failed} of {all} expectations do not hold."),
    };
    if all > EXPECTATIONS_MAX {
        summary += " Those that do not hold come first.";
    }
    let rows: Vec<Vec<String>> = run.totals.shown_expectations().into_iter().map(row).collect();
    let head = ["Measurement", "Point", "Figure", "Wanted", "Measured", "Verdict"];
    format!(
        "<p>{summary}</p>\n{}{}",
        table("Expectations", &head, &rows),
        captures::left_out(all, EXPECTATIONS_MAX, "expectations")
    )
}

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
    // The sequence's own notes are part of the story, and told there. Alike ones are one item.
    let mut items: Vec<String> = run.notes.groups.iter().map(alike).collect();
    for fault in run.safe_state.iter().flat_map(|state| &state.failed) {
        let (action, message) = (escape(&fault.action), escape(&fault.message));
        items.push(format!("<li><b>Safe state</b>: {action} failed: {message}</li>"));
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
    let resumed = run.happenings.resumed();
    if resumed > 0 {
        let times = match resumed {
            1 => "once".to_owned(),
            n => format!("{n} times"),
        };
        items.push(format!("<li>The run was interrupted and went on {times}.</li>"));
    }
    if items.is_empty() {
        return "<p>Nothing out of the ordinary.</p>\n".to_owned();
    }
    let more = run.notes.left_out() + run.fault_count - run.faults.len();
    let left_out = captures::left_out(items.len() + more, NOTES_MAX, "warnings and errors");
    items.truncate(NOTES_MAX);
    format!("{desk}<ul>\n{}\n</ul>\n{left_out}", items.join("\n"))
}

/// Notes that say the same, as one item.
fn alike(group: &Alike) -> String {
    let at = |at: Timestamp| at.strftime("%H:%M:%S").to_string();
    let when = match group.count {
        1 => format!("{} UTC", at(group.first)),
        n => {
            let n = count(n as u64);
            format!("({n} alike, from {} to {} UTC)", at(group.first), at(group.last))
        }
    };
    format!("<li>{} <span class=\"quiet\">{when}</span></li>", story::note_words(&group.note))
}

/// The parameters of the sequence in this run.
fn parameters(run: &Run<'_>) -> String {
    let all = run.start.iter().flat_map(|start| &start.parameters);
    let rows: Vec<Vec<String>> = all
        .map(|parameter| {
            let from =
                if parameter.given { "given for this run" } else { "the sequence's default" };
            vec![code(&parameter.name), escape(recorded(&parameter.value)), from.to_owned()]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    table("Parameters of the sequence", &["Parameter", "Value", "From"], &rows)
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
