//! `replay`: a recorded run once more, and what differs.

use std::path::{Path, PathBuf};

use beamwarden_drivers::transport::{Difference, ReplayFault};
use clap::ValueEnum;
use serde_json::{Value as Json, json};

use super::benches_at_hand::read_source;
use super::figures_table::{significant, table};
use super::live::{bench_failure, run_failure, runtime, stop_on_signals};
use super::run::finish_folder;
use super::runs::record_failure;
use super::show::find_run;
use super::watch::{Watch, begin, progress_bar};
use super::{Ended, Failure, FailureKind, Terminal};
use crate::clock::Clock;
use crate::record::{
    ANALYSES_FOLDER, JOURNAL_FILE, LaterAnalysis, Outcome, TRACE_FOLDER, UNKEPT_FILE, Value,
};
use crate::replay::compare::{Judged, Row, Tolerances};
use crate::replay::{
    Again, Air, Beyond, Desk, Reanalysed, Recorded, ReplayError, beyond_figures, compare_captures,
    compare_runs, comparison, reanalyse, run_again, without_figures,
};

/// Version of the analysis as the record names it.
const ANALYSIS_VERSION: &str = env!("CARGO_PKG_VERSION");
/// Figures that are shown of every measurement.
const MAIN: &[&str] = &["evm_db", "snr_db", "power_db", "cfo_hz", "ber"];
/// Most differences that are listed without `--all`.
const ROWS_MAX: usize = 100;

/// A recorded run once more; compares the figures and ends with 1 when one exceeds its tolerance.
///
/// --against model runs the recorded sequence on the simulated bench, with the order of points and
/// the seed of the record, into a new run folder. Tolerances when not given otherwise: EVM, SNR and
/// power 1 dB, carrier offset 5 kHz, clock offset 1 ppm, I/Q gain 0.3 dB and phase 2 deg, phase noise
/// 1 deg, clipped fraction 0.001; error rates by their 95 % intervals, which must not lie apart.
///
/// --against captures analyses the recorded captures anew with all cores. The old figures are kept;
/// the new ones go into analyses/TIME_VERSION.jsonl in the run's folder. Any difference counts.
///
/// --against trace lets the recorded messages answer in place of instruments, into a new run folder.
/// It stops at the first message that differs from the recorded one and shows both. Any difference
/// counts. Where the operator stopped the recorded run, the replay ends without one.
///
/// What cannot be compared, such as a missing capture, is told; the rest is compared, and the status
/// is 2. Frozen files that were changed since are refused.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// What the run is held against.
    #[arg(long, value_enum)]
    against: Against,
    /// The model of the simulated bench; that of the run's bench file when absent.
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
    /// Another sequence in place of the recorded one, to find where the two part; with --against
    /// trace.
    #[arg(long, value_name = "FILE")]
    sequence: Option<PathBuf>,
    /// Largest difference of a figure that is passed over, in the figure's own unit: evm_db=1. May be
    /// given several times.
    #[arg(long, value_name = "FIGURE=NUMBER")]
    tolerance: Vec<String>,
    /// The folder that holds the runs, also the new one.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// List every figure, not the main ones and those that differ.
    #[arg(long)]
    all: bool,
    /// One JSON object at the end, for programs.
    #[arg(long)]
    json: bool,
}

/// What a run is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Against {
    /// The simulated bench.
    Model,
    /// Its own captures, with today's analysis.
    Captures,
    /// Its own messages.
    Trace,
}

/// What a replay found, ready to be told.
struct Found {
    rows: Vec<Row>,
    /// Differences that are no figures, in sentences.
    others: Vec<String>,
    /// What could not be compared, in sentences: then a replay without differences is none.
    lacks: Vec<String>,
    /// What else a person should know, in sentences.
    notes: Vec<String>,
    /// Lines at the end: name and value.
    places: Vec<(&'static str, String)>,
    /// How it ended before its end.
    cut: Option<Ended>,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let against = arguments.against;
    let misused = |option: &str, with: &str| {
        Failure::usage(anyhow::anyhow!("{option} goes with --against {with} only"))
    };
    if arguments.model.is_some() && against != Against::Model {
        return Err(misused("--model", "model"));
    }
    if arguments.sequence.is_some() && against != Against::Trace {
        return Err(misused("--sequence", "trace"));
    }
    let tolerances = tolerances(arguments)?;
    let folder = find_run(&arguments.run, &arguments.runs)?;
    let recorded = Recorded::read(&folder).map_err(replay_failure)?;
    for damage in &recorded.damage {
        terminal.tell(format!("warning: {}: {damage}", folder.journal_path().display()));
    }
    if !recorded.ended {
        terminal.tell(format!("warning: the journal of {} has no end", folder.name()));
    }
    let mut found = match against {
        Against::Captures => anew(arguments, &recorded, &tolerances, terminal)?,
        Against::Model | Against::Trace => once_more(arguments, &recorded, &tolerances, terminal)?,
    };
    match recorded.damage.iter().filter(|damage| !damage.is_the_end()).count() {
        0 => {}
        1 => {
            found.lacks.push("what a damaged line of the journal told: see the warning".to_owned())
        }
        faults => found
            .lacks
            .push(format!("what {faults} damaged lines of the journal told: see the warnings")),
    }
    let exceeds =
        !found.others.is_empty() || found.rows.iter().any(|row| row.judged == Judged::Exceeds);
    if arguments.json {
        terminal.line(as_json(arguments, &recorded, &found, exceeds).to_string())?;
    } else {
        print(arguments, &found, terminal)?;
    }
    Ok(match found.cut {
        Some(ended) => ended,
        None if !found.lacks.is_empty() => Ended::Usage,
        None if exceeds => Ended::ExpectationFailed,
        None => Ended::Done,
    })
}

fn tolerances(arguments: &Arguments) -> Result<Tolerances, Failure> {
    let standard = match arguments.against {
        Against::Model => Tolerances::of_a_model(),
        Against::Captures | Against::Trace => Tolerances::exact(),
    };
    arguments.tolerance.iter().try_fold(standard, |all, text| {
        let parsed = text.split_once('=').and_then(|(name, number)| {
            let number: f64 = number.trim().parse().ok()?;
            (number >= 0.0).then(|| (name.trim().to_owned(), number))
        });
        let (name, number) = parsed.ok_or_else(|| {
            let what = format!("'{text}' is no tolerance: give FIGURE=NUMBER, such as evm_db=1");
            Failure::usage(anyhow::anyhow!(what))
        })?;
        if !Tolerances::knows(&name) {
            let what = match Tolerances::nearest(&name) {
                Some(near) => format!("there is no figure '{name}': did you mean {near}?"),
                None => format!("there is no figure '{name}'; 'analyse --json' names them all"),
            };
            return Err(Failure::usage(anyhow::anyhow!(what)));
        }
        Ok(all.with(&name, number))
    })
}

pub(super) fn replay_failure(error: ReplayError) -> Failure {
    match error {
        ReplayError::Faults(faults) => Failure::faults(faults),
        ReplayError::Record(error) => record_failure(error),
        ReplayError::Bench(error) => bench_failure(error),
        ReplayError::Stopped => Failure {
            ended: Ended::Stopped,
            error: FailureKind::Error(anyhow::Error::new(ReplayError::Stopped)),
        },
        error => Failure::usage(error),
    }
}

/// Today's analysis over the captures; a stop leaves nothing behind.
fn anew(
    arguments: &Arguments,
    recorded: &Recorded,
    tolerances: &Tolerances,
    terminal: &mut Terminal,
) -> Result<Found, Failure> {
    let air = Air::of(recorded).map_err(replay_failure)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(Failure::internal)?;
    let bar = progress_bar(terminal.interactive && !arguments.json);
    begin(&bar, recorded.captures.len() as u64);
    let (told, run) = (bar.clone(), recorded.clone());
    let (analysed, made_at) = runtime.block_on(async {
        let stop = stop_on_signals();
        let clock = Clock::start();
        let work = tokio::task::spawn_blocking(move || {
            let tell = |done: Reanalysed| told.set_position(done.done as u64);
            reanalyse(&run, &air, &tell, &|| stop.stopping())
        });
        (work.await, clock.now())
    });
    bar.finish_and_clear();
    let analysed = analysed.map_err(Failure::internal)?.map_err(replay_failure)?;
    let head = LaterAnalysis::new(
        recorded.folder.name(),
        made_at,
        ANALYSIS_VERSION,
        analysed.settings.clone(),
    );
    let folder = &recorded.folder;
    let path = folder.write_later_analysis(&head, &analysed.captures).map_err(record_failure)?;
    let rows = compare_captures(recorded, &analysed, tolerances);
    let lacks: Vec<String> =
        analysed.lost.iter().map(|lost| format!("not analysed: {}", lost.why)).collect();
    let notes = without_figures(recorded, &analysed);
    let mut about = vec![format!(
        "Figures of run {} as recorded, and as version {ANALYSIS_VERSION} finds them in its captures.",
        folder.name()
    )];
    about.extend(remarks(recorded, &lacks, &notes));
    let page = comparison("Analysed anew", about, ["recorded", "anew"], &rows).page();
    let stem = path.file_stem().map(|stem| stem.to_string_lossy().into_owned());
    let file = format!("{ANALYSES_FOLDER}/{}.html", stem.unwrap_or_default());
    let page = folder.write_page(&file, &page).map_err(record_failure)?;
    let places =
        vec![("analysis", path.display().to_string()), ("page", page.display().to_string())];
    Ok(Found { rows, others: Vec::new(), lacks, notes, places, cut: None })
}

/// The sequence once more, on the simulated bench or over the recorded messages.
fn once_more(
    arguments: &Arguments,
    recorded: &Recorded,
    tolerances: &Tolerances,
    terminal: &mut Terminal,
) -> Result<Found, Failure> {
    let desk = desk(arguments, recorded)?;
    for remark in &desk.remarks {
        terminal.tell(format!("warning: {remark}"));
    }
    // Every instrument is simulated or a trace, so that waits pass at once.
    let runtime = runtime(&desk.plan)?;
    let mut watch = Watch::new(terminal.interactive, true);
    let again = runtime.block_on(async {
        let stop = stop_on_signals();
        run_again(desk, &arguments.runs, &mut watch, stop).await
    });
    drop(watch);
    let Again { folder, ran, difference, left } = again.map_err(replay_failure)?;
    let report = finish_folder(&folder, terminal);
    let new = Recorded::read(&folder).map_err(replay_failure)?;
    let rows = compare_runs(recorded, &new, tolerances);
    let Beyond { differences, more } = beyond_figures(recorded, &new);
    let (mut others, mut lacks, mut notes) = (differences, Vec::new(), more);
    if let Some(difference) = &difference {
        match parted(arguments, recorded, &new, difference) {
            Parted::Cut(text) => notes.push(text),
            Parted::Lacking(text) => {
                lacks.push(text);
                // What did not come up again for that reason is no difference.
                lacks.append(&mut others);
            }
            Parted::Differing(text) => others.push(text),
        }
    }
    others.extend(left.iter().map(|(instrument, lines)| {
        format!("{instrument}: {lines} lines of its trace did not come up again")
    }));
    let cut = match ran {
        // A difference ends a replay of messages; what it ended with says nothing more.
        _ if difference.is_some() => None,
        Err(error) => return Err(bench_failure(error)),
        Ok(summary) => match (summary.outcome, summary.error) {
            (Outcome::Stopped, _) => Some(Ended::Stopped),
            (Outcome::Failed, Some(error)) => {
                let failure = run_failure(error);
                terminal.tell_failure(&failure);
                (!recorded_failed(recorded)).then_some(failure.ended)
            }
            _ => None,
        },
    };
    let (title, now) = match arguments.against {
        Against::Model => ("Measured and simulated", "simulated"),
        _ => ("Recorded and replayed", "replayed"),
    };
    let (old, own) = (recorded.folder.name(), folder.name());
    let mut about = vec![format!("Figures of run {old} and of its replay {own}.")];
    about.extend(remarks(recorded, &lacks, &notes));
    let page = comparison(title, about, ["measured", now], &rows).page();
    let page = folder.write_page("comparison.html", &page).map_err(record_failure)?;
    let mut places = vec![("run", folder.path().display().to_string())];
    places.extend(report.map(|report| ("report", report.display().to_string())));
    places.push(("page", page.display().to_string()));
    Ok(Found { rows, others, lacks, notes, places, cut })
}

/// What the place means where a replay of messages parted from the record, in a sentence.
enum Parted {
    /// The record was stopped or cut off there.
    Cut(String),
    /// The run no longer keeps what was answered there.
    Lacking(String),
    /// Another message went.
    Differing(String),
}

fn parted(
    arguments: &Arguments,
    recorded: &Recorded,
    new: &Recorded,
    difference: &Difference,
) -> Parted {
    if is_the_cut(arguments, recorded, new) {
        let cut = if recorded.ended { "stopped here by the operator" } else { "cut off here" };
        let (instrument, at) = (&difference.instrument, difference.at.as_secs_f64());
        Parted::Cut(format!("the record was {cut} ({instrument}, {at:.3} s after the start)"))
    } else if matches!(difference.fault, ReplayFault::Abbreviated { .. }) {
        Parted::Lacking(told(difference) + &why_not_given(recorded))
    } else {
        Parted::Differing(told(difference))
    }
}

/// What a reader of the page has to know besides the figures, damage of the journal included.
fn remarks(recorded: &Recorded, lacks: &[String], notes: &[String]) -> Vec<String> {
    let damage = recorded.damage.iter().map(|damage| format!("{JOURNAL_FILE}, {damage}."));
    let lacks = lacks.iter().map(|lack| format!("Not compared: {lack}."));
    damage.chain(lacks).chain(notes.iter().map(|note| format!("Note: {note}."))).collect()
}

/// Whether a replay of messages parted from the record where that was stopped or cut off: all that it
/// had done until then came up again.
fn is_the_cut(arguments: &Arguments, recorded: &Recorded, new: &Recorded) -> bool {
    arguments.sequence.is_none() && recorded.cut_after.is_some_and(|done| new.actions >= done)
}

/// Why an answer cannot be given again though no capture is missing.
fn why_not_given(recorded: &Recorded) -> String {
    let unkept = recorded.folder.path().join(TRACE_FOLDER).join(UNKEPT_FILE);
    let state = if unkept.exists() { "ends before it or is damaged" } else { "is missing" };
    format!("; {}, which keeps the codes that are in no capture, {state}", unkept.display())
}

fn recorded_failed(recorded: &Recorded) -> bool {
    recorded.outcome == Some(Outcome::Failed)
}

fn desk(arguments: &Arguments, recorded: &Recorded) -> Result<Desk, Failure> {
    let source = |path: &Option<PathBuf>, what: &str| {
        path.as_deref().map(|path: &Path| read_source(path, what)).transpose()
    };
    let desk = match arguments.against {
        Against::Model => Desk::simulated(recorded, source(&arguments.model, "model file")?),
        _ => {
            let other = source(&arguments.sequence, "sequence")?;
            Desk::recorded(recorded).and_then(|desk| match &other {
                Some(source) => desk.with_sequence(source),
                None => Ok(desk),
            })
        }
    };
    desk.map_err(replay_failure)
}

/// The first message that differs, with both.
fn told(difference: &Difference) -> String {
    let Difference { instrument, at, fault } = difference;
    let at = at.as_secs_f64();
    let place = |line: &usize| format!("{instrument}, line {line} of trace/{instrument}.jsonl");
    match fault {
        ReplayFault::Differs { line, wanted, got } => format!(
            "the messages part at {}, {at:.3} s after the start:\n  the record {wanted}\n  the \
             replay {got}",
            place(line)
        ),
        ReplayFault::Ended { line, got } => {
            format!("the trace of {instrument} ends with line {line}, and the replay {got}")
        }
        fault => format!("{instrument}, {at:.3} s after the start: {fault}"),
    }
}

fn shown(value: &Option<Value>, unit: &Option<String>) -> String {
    let unit = unit.as_deref().map(|unit| format!(" {unit}")).unwrap_or_default();
    match value {
        None => "none".to_owned(),
        Some(Value::Number(number)) => format!("{}{unit}", significant(*number)),
        Some(Value::Switch(on)) => if *on { "yes" } else { "no" }.to_owned(),
        Some(value) => format!("{value}{unit}"),
    }
}

fn print(arguments: &Arguments, found: &Found, terminal: &mut Terminal) -> Result<(), Failure> {
    let mut table = table(&["where", "figure", "recorded", "now", "difference", "tolerance", ""]);
    let wanted = |row: &&Row| {
        let main = arguments.against == Against::Model && MAIN.contains(&row.figure.as_str());
        arguments.all || main || row.judged == Judged::Exceeds
    };
    let rows: Vec<&Row> = found.rows.iter().filter(wanted).collect();
    let most = if arguments.all { rows.len() } else { ROWS_MAX };
    for row in rows.iter().take(most) {
        table.add_row([
            row.place.clone(),
            row.figure.clone(),
            shown(&row.recorded, &row.unit),
            shown(&row.now, &row.unit),
            row.difference.map_or(String::new(), significant),
            row.tolerance.map_or(String::new(), significant),
            match row.judged {
                Judged::Exceeds => "EXCEEDS",
                Judged::Same => "same",
                Judged::Within => "within",
                Judged::NotJudged => "not judged",
            }
            .to_owned(),
        ]);
    }
    if !rows.is_empty() {
        terminal.line(table.to_string())?;
    }
    if rows.len() > most {
        terminal.line(format!("{} more rows; --all lists them", rows.len() - most))?;
    }
    for other in &found.others {
        terminal.line(format!("DIFFERS: {other}"))?;
    }
    for lack in &found.lacks {
        terminal.line(format!("NOT COMPARED: {lack}"))?;
    }
    for note in &found.notes {
        terminal.line(note)?;
    }
    let count = |judged: Judged| found.rows.iter().filter(|row| row.judged == judged).count();
    terminal.line(format!(
        "{} figures compared: {} the same, {} within tolerance, {} not judged, {} exceed",
        found.rows.len(),
        count(Judged::Same),
        count(Judged::Within),
        count(Judged::NotJudged),
        count(Judged::Exceeds),
    ))?;
    for (name, place) in &found.places {
        terminal.line(format!("{name:<9} {place}"))?;
    }
    Ok(())
}

fn as_json(arguments: &Arguments, recorded: &Recorded, found: &Found, exceeds: bool) -> Json {
    let rows: Vec<Json> = found
        .rows
        .iter()
        .map(|row| {
            json!({
                "where": row.place,
                "figure": row.figure,
                "unit": row.unit,
                "recorded": row.recorded,
                "now": row.now,
                "difference": row.difference,
                "tolerance": row.tolerance,
                "same": row.judged == Judged::Same,
                "exceeds": row.judged == Judged::Exceeds,
            })
        })
        .collect();
    let against = arguments.against.to_possible_value().map(|value| value.get_name().to_owned());
    let mut object = json!({
        "replay_of": recorded.folder.name(),
        "against": against,
        "exceeds": exceeds,
        "differences": found.others,
        "not_compared": found.lacks,
        "notes": found.notes,
        "figures": rows,
    });
    for (name, place) in &found.places {
        object[*name] = json!(place);
    }
    object
}
