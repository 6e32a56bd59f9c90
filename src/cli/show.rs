//! `show`: one run, or one capture of it.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::aftermath::Aftermath;
use super::figures_table::{ber, bit_errors, table};
use super::runs::{as_json, points_words, state_words, with_fresh_catalogue};
use super::{Ended, Failure, Terminal};
use crate::record::{
    CaptureRow, Catalogue, DATA_ENDING, JOURNAL_FILE, JournalLine, LineFault, MeasurementRow,
    RecordError, RecordErrorKind, ReplayOf, RunFolder, RunRow, SettingRecord, figure,
    read_recording,
};
use crate::report::{recorded, spread};

/// Most faults of a journal that are listed.
const FAULTS_MAX: usize = 10;
/// Most lines on what happened.
const HAPPENED_MAX: usize = 20;
/// Most captures and measurements that are listed; of more, how many there are.
const ROWS_MAX: u32 = 200;
/// Captures that are looked up at a time for a program.
const CAPTURES_AT_ONCE: u32 = 1000;

/// Show one run, or one capture of it with every setting.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// A capture of it, by number.
    capture: Option<u32>,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    match arguments.capture {
        Some(number) => show_capture(&folder, number, arguments.json, terminal),
        None => show_run(&folder, arguments.json, terminal),
    }
}

/// A run by its folder or by its name below the folder of runs.
pub(super) fn find_run(run: &Path, runs: &Path) -> Result<RunFolder, Failure> {
    let below = runs.join(run);
    let path = if run.is_dir() { run } else { &below };
    RunFolder::open(path).map_err(|error| {
        Failure::usage(anyhow::Error::new(error).context(format!(
            "failed to open run '{}'; 'beamwarden runs' lists them",
            run.display()
        )))
    })
}

fn show_run(folder: &RunFolder, json: bool, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let root = folder.path().parent().unwrap_or(Path::new("."));
    let (run, captures, measurements) =
        with_fresh_catalogue(root, terminal, |catalogue: &mut Catalogue| {
            // The one run shown is read anew: damage may leave length and time of its journal as they
            // were.
            catalogue.index_whatever_is_left(folder)?;
            let name = folder.name();
            let captures = if json {
                captures_json(catalogue, name)?
            } else {
                Captures::Rows(catalogue.captures_after(name, None, ROWS_MAX)?)
            };
            Ok((catalogue.run(name)?, captures, catalogue.measurements_of(name, ROWS_MAX)?))
        })?;
    let run = run.ok_or_else(|| {
        Failure::internal(anyhow::anyhow!("run {} is not in the catalogue", folder.name()))
    })?;
    let captures = match captures {
        Captures::Json(captures) => {
            let mut shown = as_json(&run);
            shown["captures"] = json!(captures);
            terminal.line(shown.to_string())?;
            return Ok(Ended::Done);
        }
        Captures::Rows(captures) => captures,
    };
    // Why a journal cannot be read stands among the lines already.
    let aftermath = Aftermath::of(folder).unwrap_or_default();
    let lines = run_lines(&run, folder).into_iter().chain(happened_lines(folder));
    for line in lines.chain(aftermath.failed_lines()) {
        terminal.line(line)?;
    }
    terminal.line("")?;
    // With one capture each, the captures tell it all.
    if measurements.iter().any(|row| row.captures > 1) {
        print_measurements(&measurements, terminal)?;
    }
    let mut shown = table(&[
        "capture",
        "point",
        "label",
        "EVM",
        "SNR",
        "bit errors",
        "bit error rate",
        "verdict",
    ]);
    for row in &captures {
        shown.add_row(capture_cells(row, aftermath.verdict(row.capture)));
    }
    terminal.line(shown.to_string())?;
    if captures.len() == ROWS_MAX as usize {
        terminal.line(format!("the first {ROWS_MAX} captures; --json lists all of them"))?;
    }
    Ok(Ended::Done)
}

fn print_measurements(
    measurements: &[MeasurementRow],
    terminal: &mut Terminal,
) -> Result<(), Failure> {
    let mut shown =
        table(&["measurement", "point", "captures", "EVM", "SNR", "bit errors", "bit error rate"]);
    for row in measurements {
        shown.add_row(measurement_cells(row));
    }
    terminal.line(shown.to_string())?;
    if measurements.len() == ROWS_MAX as usize {
        terminal.line(format!("the first {ROWS_MAX} measurements; the report shows more"))?;
    }
    terminal.line("")
}

/// What is shown of the captures.
enum Captures {
    Rows(Vec<CaptureRow>),
    Json(Vec<serde_json::Value>),
}

/// All captures for a program, looked up little by little.
fn captures_json(catalogue: &Catalogue, run: &str) -> Result<Captures, RecordError> {
    let mut all = Vec::new();
    let mut last = None;
    loop {
        let rows = catalogue.captures_after(run, last, CAPTURES_AT_ONCE)?;
        let Some(row) = rows.last() else { return Ok(Captures::Json(all)) };
        last = Some(row.capture);
        all.extend(rows.iter().map(|row| {
            json!({"capture": row.capture, "label": row.label, "point": row.point,
                   "file": row.file, "figures": row.figures})
        }));
    }
}

/// What is known of a run as a whole, damage first told where the end is.
fn run_lines(run: &RunRow, folder: &RunFolder) -> Vec<String> {
    let simulated = if run.simulated && run.replay.is_none() { ", simulated" } else { "" };
    let mut lines = vec![
        format!("run      {}", run.run),
        format!("bench    {}{simulated}", known(&run.bench)),
        format!("ended    {}", state_words(run, folder.is_being_written())),
    ];
    lines.extend(run.replay.iter().map(|replay| format!("REPLAY   {}", replay.words())));
    lines.extend(run.message.iter().map(|message| format!("because  {message}")));
    lines.extend(run.unreadable.iter().map(|why| format!("damage   {why}")));
    if run.journal_faults > 0 {
        lines.extend(faults(folder).map(|fault| format!("damage   {JOURNAL_FILE} {fault}")));
        let more = run.journal_faults.saturating_sub(FAULTS_MAX as u64);
        if more > 0 {
            lines.push(format!("damage   {more} more; the report lists them"));
        }
    }
    if run.unreadable.is_some() || run.journal_faults > 0 {
        lines.push("         what is shown here is only what is left of the record".to_owned());
    }
    if run.points > 0 || run.points_planned.is_some_and(|planned| planned > 0) {
        lines.push(format!("points   {}", points_words(run)));
    }
    lines.push(format!("software beamwarden {}", known(&run.version)));
    lines
}

/// The first faults of a journal.
fn faults(folder: &RunFolder) -> impl Iterator<Item = LineFault> {
    let lines = folder.journal_lines().into_iter().flatten().map_while(Result::ok);
    let faults = lines.filter_map(|line| match line {
        JournalLine::Fault(fault) => Some(fault),
        JournalLine::Entry(_) => None,
    });
    faults.take(FAULTS_MAX)
}

/// What happened while nobody watched, and the parameters, briefly; the report has all of it.
fn happened_lines(folder: &RunFolder) -> Vec<String> {
    let start = folder.run_started();
    let parameters = start.iter().flat_map(|start| &start.parameters);
    let mut lines: Vec<String> = parameters
        .map(|parameter| {
            let given = if parameter.given { "" } else { " (default)" };
            format!("with     {} = {}{given}", parameter.name, recorded(&parameter.value))
        })
        .collect();
    // Why a journal cannot be read stands above already.
    let Ok(happened) = crate::report::happened(folder) else { return lines };
    lines.push(String::new());
    lines.push(happened.summary);
    let all = happened.lines.len() as u64 + happened.left_out;
    let shown = happened.lines.into_iter().take(HAPPENED_MAX);
    lines.extend(shown.map(|line| format!("  {line}")));
    let more = all.saturating_sub(HAPPENED_MAX as u64);
    if more > 0 {
        lines.push(format!("  {more} more; the report lists them"));
    }
    lines
}

fn known(text: &str) -> &str {
    if text.is_empty() { "unknown" } else { text }
}

fn measurement_cells(row: &MeasurementRow) -> [String; 7] {
    let decibels = |name| {
        let Some(value) = figure(&row.figures, name) else { return "-".to_owned() };
        match figure(&row.spread, name) {
            Some(deviation) => format!("{value:.1} ± {}", spread(deviation, "dB")),
            None => format!("{value:.1} dB"),
        }
    };
    let captures = match row.first_capture {
        Some(first) if row.captures > 1 => format!("{first} and {} more", row.captures - 1),
        Some(first) => first.to_string(),
        None => row.captures.to_string(),
    };
    [
        row.label.clone().unwrap_or_default(),
        row.point.map(|point| point.to_string()).unwrap_or_default(),
        captures,
        decibels("evm_db"),
        decibels("snr_db"),
        bit_errors(&row.figures),
        ber(&row.figures),
    ]
}

fn capture_cells(row: &CaptureRow, verdict: &str) -> [String; 8] {
    let decibels = |name| {
        figure(&row.figures, name).map_or_else(|| "-".to_string(), |value| format!("{value:.1} dB"))
    };
    [
        row.capture.to_string(),
        row.point.map(|point| point.to_string()).unwrap_or_default(),
        row.label.clone().unwrap_or_default(),
        decibels("evm_db"),
        decibels("snr_db"),
        bit_errors(&row.figures),
        ber(&row.figures),
        if verdict.is_empty() { "sound" } else { verdict }.to_owned(),
    ]
}

fn show_capture(
    folder: &RunFolder,
    number: u32,
    json: bool,
    terminal: &mut Terminal,
) -> Result<Ended, Failure> {
    let capture = crate::record::CaptureNo(number);
    let meta = folder.read_meta(capture).map_err(|error| no_meta(folder, number, error))?;
    let recording = read_recording(&folder.capture_path(capture, DATA_ENDING));
    if let Err(error) = &recording {
        terminal.tell(format!(
            "warning: the samples of capture {number} cannot be used: {error}; the settings come \
             from its meta file alone"
        ));
    }
    if json {
        terminal.line(serde_json::to_string(&meta).map_err(Failure::internal)?)?;
        return Ok(Ended::Done);
    }
    let samples = recording.map_or_else(
        |_| "its samples are missing or damaged".to_owned(),
        |recording| {
            let rate = recording.sample_rate_hz.map_or_else(
                || "an unknown rate".to_owned(),
                |rate| crate::report::number(rate, "S/s"),
            );
            format!("{} samples at {rate}", recording.samples.len())
        },
    );
    terminal.line(format!("capture {capture}: {samples}"))?;
    if let Some(replay) = replay_of(folder) {
        terminal.line(format!("REPLAY: {}", replay.words()))?;
    }
    let mut shown = table(&["setting", "asked for", "read back", "agrees", "read at"]);
    for setting in settings_of(&meta) {
        shown.add_row(setting_cells(setting));
    }
    terminal.line(shown.to_string())?;
    for doubt in meta.captures.first().map_or(&[][..], |segment| &segment.doubts) {
        terminal.line(format!("DOUBT: {doubt}"))?;
    }
    Ok(Ended::Done)
}

/// Of which run this one is a replay, when its journal says so.
fn replay_of(folder: &RunFolder) -> Option<ReplayOf> {
    folder.run_started()?.replay
}

/// Why a capture has no meta file to show: it was never kept, or the file is damaged.
fn no_meta(folder: &RunFolder, number: u32, error: RecordError) -> Failure {
    let gone = matches!(&error.kind, RecordErrorKind::Io { source, .. }
        if source.kind() == std::io::ErrorKind::NotFound);
    let name = folder.name();
    let context = if gone {
        format!(
            "run {name} holds no recording of capture {number}; 'beamwarden show {name}' lists its \
             captures"
        )
    } else {
        format!("failed to read capture {number} of run {name}")
    };
    Failure::usage(anyhow::Error::new(error).context(context))
}

/// A setting as the report shows it; where nothing was asked, nothing can agree.
fn setting_cells(setting: &SettingRecord) -> [String; 5] {
    let agrees = match (&setting.after, &setting.asked, setting.matched) {
        (Some(after), ..) => format!("MOVED to {}", recorded(after)),
        (None, None, _) => "-".to_owned(),
        (None, Some(_), true) => "yes".to_owned(),
        (None, Some(_), false) => "NO".to_owned(),
    };
    [
        setting.name.clone(),
        setting.asked.as_ref().map_or_else(|| "not set".to_owned(), recorded),
        recorded(&setting.read_back),
        agrees,
        setting.at.to_string(),
    ]
}

fn settings_of(meta: &crate::record::SigmfMeta) -> &[SettingRecord] {
    meta.captures.first().map_or(&[], |segment| &segment.settings)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{RecordedValue, fixture};

    #[test]
    fn settings_read_as_in_the_report() {
        let number = RecordedValue::number;
        let check =
            |asked: Option<RecordedValue>, read: RecordedValue, matched, cells: [&str; 3]| {
                let at = fixture::start();
                let name = "x.y".to_owned();
                let setting = SettingRecord {
                    name,
                    asked,
                    read_back: read,
                    at,
                    age_s: None,
                    after: None,
                    matched,
                };
                assert_eq!(setting_cells(&setting)[1..4], cells);
                let setting = SettingRecord { after: Some(number(2.0, "V")), ..setting };
                assert_eq!(setting_cells(&setting)[3], "MOVED to 2 V");
            };
        let interval = number(1.25e-10, "s");
        check(Some(interval.clone()), interval.clone(), true, ["125 ps", "125 ps", "yes"]);
        let rate = number(7.04e9, "Hz");
        check(Some(rate), number(7e9, "Hz"), false, ["7.04 GHz", "7 GHz", "NO"]);
        check(None, interval, true, ["not set", "125 ps", "-"]);
    }

    #[test]
    fn a_night_is_told_with_its_parameters_and_spreads() {
        let root = tempfile::tempdir().unwrap();
        let folder = fixture::night(root.path());
        let lines = happened_lines(&folder);
        assert_eq!(lines[0], "with     bits = 10\u{202f}000\u{202f}000");
        assert_eq!(lines[1], "with     gain = -6 dB (default)");
        assert!(lines[3].starts_with("23 of 24 points were finished in "), "{}", lines[3]);
        let given_up =
            "  15 Mar 00:36:13 point 12, Given up: the point was given up (transient): no answer";
        assert!(lines.iter().any(|line| line == given_up), "{lines:#?}");
        let ((run, rows), _) = Catalogue::with_fresh(root.path(), |catalogue| {
            Ok((catalogue.run(folder.name())?, catalogue.measurements_of(folder.name(), 3)?))
        })
        .unwrap();
        assert!(
            run_lines(&run.unwrap(), &folder).contains(&"points   23 of 24, 1 given up".to_owned())
        );
        let cells = measurement_cells(&rows[0]);
        assert_eq!(cells[1..4], ["1", "000002 and 1 more", "-16.7 ± 0.25 dB"]);
    }

    #[test]
    fn damage_of_a_run_is_listed() {
        let root = tempfile::tempdir().unwrap();
        let folder = fixture::story(root.path(), 16, 16);
        let lines = || {
            let (row, _) = Catalogue::with_fresh(root.path(), |catalogue| {
                catalogue.index_whatever_is_left(&folder)?;
                catalogue.run(folder.name())
            })
            .unwrap();
            run_lines(&row.unwrap(), &folder).join("\n")
        };
        assert!(!lines().contains("damage"), "{}", lines());
        let sound = std::fs::read_to_string(folder.journal_path()).unwrap();
        std::fs::write(folder.journal_path(), sound.replacen("rotated", "r0tated", 1)).unwrap();
        let told = lines();
        assert!(told.contains("ended    DAMAGED: 1 fault in the journal"), "{told}");
        assert!(told.contains("does not fit its checksum"), "{told}");
        std::fs::remove_file(folder.journal_path()).unwrap();
        let told = lines();
        assert!(told.contains("journal.jsonl is missing"), "{told}");
        assert!(told.contains("only what is left"), "{told}");
    }
}
