//! `show`: one run, or one capture of it.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::figures_table::{ber, bit_errors, table};
use super::runs::{as_json, state_words, with_fresh_catalogue};
use super::{Ended, Failure, Terminal};
use crate::record::{
    CaptureRow, Catalogue, DATA_ENDING, Event, JOURNAL_FILE, RecordError, RecordErrorKind,
    ReplayOf, RunFolder, RunRow, SettingRecord, figure, read_recording,
};
use crate::report::recorded;

/// Most faults of a journal that are listed.
const FAULTS_MAX: usize = 10;

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
    let (run, captures) = with_fresh_catalogue(root, terminal, |catalogue: &mut Catalogue| {
        // The one run shown is read anew: damage may leave length and time of its journal as they were.
        catalogue.index_whatever_is_left(folder)?;
        Ok((catalogue.run(folder.name())?, catalogue.captures(folder.name())?))
    })?;
    let run = run.ok_or_else(|| {
        Failure::internal(anyhow::anyhow!("run {} is not in the catalogue", folder.name()))
    })?;
    if json {
        let captures: Vec<_> = captures
            .iter()
            .map(|row| {
                json!({"capture": row.capture, "label": row.label, "point": row.point,
                              "file": row.file, "figures": row.figures})
            })
            .collect();
        let mut shown = as_json(&run);
        shown["captures"] = json!(captures);
        terminal.line(shown.to_string())?;
        return Ok(Ended::Done);
    }
    for line in run_lines(&run, folder) {
        terminal.line(line)?;
    }
    terminal.line("")?;
    let mut shown = table(&["capture", "label", "EVM", "SNR", "bit errors", "bit error rate"]);
    for row in &captures {
        shown.add_row(capture_cells(row));
    }
    terminal.line(shown.to_string())?;
    Ok(Ended::Done)
}

/// What is known of a run as a whole, damage first told where the end is.
fn run_lines(run: &RunRow, folder: &RunFolder) -> Vec<String> {
    let simulated = if run.simulated && run.replay.is_none() { ", simulated" } else { "" };
    let mut lines = vec![
        format!("run      {}", run.run),
        format!("bench    {}{simulated}", known(&run.bench)),
        format!("ended    {}", state_words(run)),
    ];
    lines.extend(run.replay.iter().map(|replay| format!("REPLAY   {}", replay.words())));
    lines.extend(run.message.iter().map(|message| format!("because  {message}")));
    lines.extend(run.unreadable.iter().map(|why| format!("damage   {why}")));
    if run.journal_faults > 0 {
        let faults = folder.read_journal().map(|reading| reading.faults).unwrap_or_default();
        let shown = faults.iter().take(FAULTS_MAX);
        lines.extend(shown.map(|fault| format!("damage   {JOURNAL_FILE} {fault}")));
        let more = faults.len().saturating_sub(FAULTS_MAX);
        if more > 0 {
            lines.push(format!("damage   {more} more; the report lists them"));
        }
    }
    if run.unreadable.is_some() || run.journal_faults > 0 {
        lines.push("         what is shown here is only what is left of the record".to_owned());
    }
    lines.push(format!("software beamwarden {}", known(&run.version)));
    lines
}

fn known(text: &str) -> &str {
    if text.is_empty() { "unknown" } else { text }
}

fn capture_cells(row: &CaptureRow) -> [String; 6] {
    let decibels = |name| {
        figure(&row.figures, name).map_or_else(|| "-".to_string(), |value| format!("{value:.1} dB"))
    };
    [
        row.capture.to_string(),
        row.label.clone().unwrap_or_default(),
        decibels("evm_db"),
        decibels("snr_db"),
        bit_errors(&row.figures),
        ber(&row.figures),
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
    let entries = folder.read_journal().ok()?.entries;
    entries.into_iter().find_map(|entry| match entry.event {
        Event::RunStarted(start) => start.replay,
        _ => None,
    })
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
