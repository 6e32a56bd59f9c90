//! Recorded runs once more: analysed anew, on the simulated bench, with their own messages, and a
//! model fitted to one.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use beamwarden::record::{Against, CaptureNo, Event, Outcome, RunFolder, sha256_hex, verify};
use beamwarden::replay::{Air, Desk, Recorded, ReplayError, reanalyse, run_again};
use beamwarden::run::{Control, Progress, ProgressEvent};
use common::{expect_status, only_run, root, run, short_sequence, write};
use serde_json::Value as Json;

/// A frame of some microseconds, so that captures stay small.
const SHORT_FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 12\n";

/// The shipped bench with the short frame, fewer beams and this entry for its simulated instruments.
fn bench(folder: &Path, simulated: &str) -> String {
    write(folder, "short.frame.yaml", SHORT_FRAME);
    let text = fs::read_to_string(root().join("sequences/packing-arm.bench.yaml")).unwrap();
    let text = text.replace("simulated: {seed: 1}", &format!("simulated: {simulated}"));
    let text = text.replace("count: 17}", "count: 5}");
    write(folder, "bench.yaml", &format!("{text}\nframes: [short.frame.yaml]\n"))
}

/// The shipped story with the short frame.
fn story(folder: &Path, angle: &str) -> String {
    let text = fs::read_to_string(root().join("sequences/rotate-and-recover.yaml")).unwrap();
    let text = text.replace("frame: qpsk uncoded", "frame: short").replace("200 k", "20 k");
    let text = text.replace("turntable.angle: 21 deg", &format!("turntable.angle: {angle}"));
    write(folder, &format!("story at {angle}.yaml"), &text)
}

/// Runs a sequence and yields the run's folder.
fn recorded(folder: &Path, sequence: &str, bench: &str) -> PathBuf {
    let runs = folder.join("recorded").display().to_string();
    run(&["run", sequence, "--bench", bench, "--runs", &runs]);
    only_run(Path::new(&runs))
}

fn replay(run_folder: &Path, runs: &Path, arguments: &[&str]) -> Output {
    let (run_folder, runs) = (run_folder.display().to_string(), runs.display().to_string());
    run(&[&["replay", &run_folder, "--runs", &runs], arguments].concat())
}

fn json(output: &Output, status: i32) -> Json {
    serde_json::from_str(&expect_status(output, status)).unwrap()
}

/// The data of every capture of a run.
fn captures(folder: &Path) -> Vec<Vec<u8>> {
    let mut files: Vec<PathBuf> = fs::read_dir(folder.join("captures"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "sigmf-data"))
        .collect();
    files.sort();
    files.iter().map(|path| fs::read(path).unwrap()).collect()
}

/// No figure differs, and so many were compared.
#[track_caller]
fn expect_all_the_same(found: &Json) {
    assert_eq!((&found["exceeds"], &found["differences"]), (&false.into(), &Json::Array(vec![])));
    let figures = found["figures"].as_array().unwrap();
    assert!(figures.len() > 50, "{}", figures.len());
    assert!(figures.iter().all(|figure| figure["same"] == true), "{found}");
}

/// Gives every instrument of a recorded run an address of hardware, which no test may reach: the
/// address is one for documentation (RFC 5737).
fn put_on_hardware(run_folder: &Path) {
    let path = run_folder.join("bench.yaml");
    let mut text = fs::read_to_string(&path).unwrap();
    let mut port = 5000;
    while text.contains("at: simulated") {
        text = text.replacen("at: simulated", &format!("at: \"tcp://192.0.2.1:{port}\""), 1);
        port += 1;
    }
    alter(run_folder, "bench.yaml", &text);
}

/// Gives a frozen file another content, and the journal the hash of it, as if the run had run so.
fn alter(run_folder: &Path, file: &str, text: &str) {
    let record = RunFolder::open(run_folder).unwrap();
    fs::write(run_folder.join(file), text).unwrap();
    let mut journal = String::new();
    for mut entry in record.read_journal().unwrap().entries {
        if let Event::RunStarted(start) = &mut entry.event {
            let input = start.inputs.iter_mut().find(|input| input.file == file).unwrap();
            input.sha256 = sha256_hex(text.as_bytes());
        }
        journal += &entry.emit().unwrap();
    }
    fs::write(record.journal_path(), journal).unwrap();
}

/// A replay ends with this status, having said this on standard error.
#[track_caller]
fn expect_told(output: &Output, status: i32, told: &[&str]) {
    let stderr = String::from_utf8_lossy(&output.stderr);
    let stdout = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(status), "{stdout}{stderr}");
    for text in told {
        assert!(stderr.contains(text), "{text:?} is not told: {stderr}");
    }
}

#[test]
fn files_that_were_changed_since_are_not_replayed_from() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let run_folder = short_run(folder.path(), 1, &bench);
    let path = run_folder.join("bench.yaml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("count: 5}", "count: 9}")).unwrap();
    let runs = folder.path().join("again");
    for against in ["model", "trace", "captures"] {
        let output = replay(&run_folder, &runs, &["--against", against]);
        expect_told(&output, 2, &["bench.yaml was changed since it was recorded"]);
    }
    fs::write(&path, &text).unwrap();
    // Of the sequence nothing is needed to analyse captures.
    fs::remove_file(run_folder.join("sequence.yaml")).unwrap();
    for (against, status) in [("model", 2), ("trace", 2), ("captures", 0)] {
        let output = replay(&run_folder, &runs, &["--against", against]);
        let told: &[&str] = if status == 0 { &[] } else { &["sequence.yaml is missing"] };
        expect_told(&output, status, told);
    }
    assert!(!runs.exists(), "no folder is made for what cannot be replayed");
}

/// A run of so many captures with the short frame.
fn short_run(folder: &Path, captures: usize, bench: &str) -> PathBuf {
    let sequence = short_sequence(&format!("  - measure: {{until: {{captures: {captures}}}}}\n"));
    let sequence = sequence.replace("frame: qpsk uncoded", "frame: short");
    recorded(folder, &write(folder, "short.yaml", &sequence), bench)
}

#[test]
fn a_run_replays_against_its_own_model_captures_and_messages() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let run_folder = recorded(folder.path(), &story(folder.path(), "21 deg"), &bench);
    put_on_hardware(&run_folder);

    for (against, name) in [("model", Against::Model), ("trace", Against::Trace)] {
        let runs = folder.path().join(against);
        let found = json(&replay(&run_folder, &runs, &["--against", against, "--json"]), 0);
        expect_all_the_same(&found);
        let new = RunFolder::open(Path::new(found["run"].as_str().unwrap())).unwrap();
        assert_eq!(captures(new.path()), captures(&run_folder), "{against}");
        assert!(verify(&new).unwrap().is_empty());
        let first = new.read_journal().unwrap().entries.swap_remove(1).event;
        let Event::RunStarted(start) = first else { panic!("{first:?}") };
        let replay = start.replay.unwrap();
        assert_eq!(replay.run, run_folder.file_name().unwrap().to_string_lossy());
        assert_eq!((replay.against, start.seed), (name, Some(4)));
        let page = fs::read_to_string(found["page"].as_str().unwrap()).unwrap();
        assert!(
            page.contains("No difference exceeds") && page.contains("Alike everywhere"),
            "{against}"
        );
    }

    let old = fs::read(run_folder.join("journal.jsonl")).unwrap();
    let found = json(&replay(&run_folder, folder.path(), &["--against", "captures", "--json"]), 0);
    expect_all_the_same(&found);
    assert_eq!(fs::read(run_folder.join("journal.jsonl")).unwrap(), old);
    let record = RunFolder::open(&run_folder).unwrap();
    let names = record.later_analyses().unwrap();
    let name = names.iter().find(|name| name.ends_with(".jsonl")).unwrap();
    let (head, analysed) = record.read_later_analysis(name).unwrap();
    assert_eq!(head.analysis_version, env!("CARGO_PKG_VERSION"));
    assert_eq!(head.settings["equaliser"], "mmse");
    assert_eq!(analysed.len(), captures(&run_folder).len());
    assert_eq!(verify(&record).unwrap(), []);
}

#[test]
fn another_model_differs_where_it_should() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let sequence = short_sequence("  - measure: {as: here, until: {captures: 2}}\n");
    let sequence = sequence.replace("frame: qpsk uncoded", "frame: short");
    let sequence = write(folder.path(), "short.yaml", &sequence);
    let run_folder = recorded(folder.path(), &sequence, &bench);
    let model = write(folder.path(), "far.yaml", "{path: {extra_loss_db: 3}}\n");
    let arguments = ["--against", "model", "--model", &model, "--json"];
    let runs = folder.path().join("far");
    let found = json(&replay(&run_folder, &runs, &arguments), 1);
    let row = |figure: &str| {
        let rows = found["figures"].as_array().unwrap();
        rows.iter().find(|row| row["figure"] == figure).unwrap().clone()
    };
    // 3 dB more loss take 3 dB of power; the little noise in it stays.
    let power = row("power_db");
    assert!((power["difference"].as_f64().unwrap() + 3.0).abs() < 0.1, "{power}");
    assert_eq!((&power["exceeds"], &row("cfo_hz")["exceeds"]), (&true.into(), &false.into()));
    // The replay keeps the model, and can be replayed itself.
    let new = PathBuf::from(found["run"].as_str().unwrap());
    assert!(new.join("models/far.yaml").exists());
    let again = replay(&new, &folder.path().join("again"), &["--against", "model", "--json"]);
    assert_eq!(json(&again, 0)["exceeds"], false);
    let wide: Vec<String> = [
        "power_db",
        "power_dbfs",
        "evm_db",
        "evm_data_aided_db",
        "snr_db",
        "evm_by_decision_db",
        "evm_gain_fitted_db",
        "snr_from_evm_db",
    ]
    .iter()
    .map(|name| format!("--tolerance={name}=5"))
    .collect();
    let wide: Vec<&str> = wide.iter().map(String::as_str).collect();
    let arguments = [&["--against", "model", "--model", &model][..], &wide].concat();
    expect_status(&replay(&run_folder, &folder.path().join("wide"), &arguments), 0);

    for (wrong, told) in [
        (
            &["--against", "model", "--tolerance", "evm=1"][..],
            "there is no figure 'evm': did you mean evm_db?",
        ),
        (&["--against", "trace", "--model", "m.yaml"], "--model goes with --against model only"),
        (&["--against", "model", "--model", "no.yaml"], "failed to read the model file no.yaml"),
    ] {
        let output = replay(&run_folder, &runs, wrong);
        assert_eq!(output.status.code(), Some(2));
        let stderr = String::from_utf8_lossy(&output.stderr);
        assert!(stderr.contains(told), "{stderr}");
    }
}

#[test]
fn a_replay_of_messages_stops_at_the_first_that_differs() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let run_folder = recorded(folder.path(), &story(folder.path(), "21 deg"), &bench);
    put_on_hardware(&run_folder);
    let other = story(folder.path(), "22 deg");
    let arguments = ["--against", "trace", "--sequence", &other];
    let output = replay(&run_folder, &folder.path().join("other"), &arguments);
    let shown = expect_status(&output, 1);
    let stderr = String::from_utf8_lossy(&output.stderr);
    for alarming in ["safe state", "go there", "back into step"] {
        assert!(!stderr.contains(alarming), "no instrument takes part: {stderr}");
    }
    assert!(shown.contains("the messages part at turntable, line "), "{shown}");
    assert!(shown.contains(" s after the start:"), "{shown}");
    assert!(shown.contains("the record sends 'AXIS:POSition 2.1E+01"), "{shown}");
    assert!(shown.contains("the replay sends 'AXIS:POSition 2.2E+01"), "{shown}");
    assert_eq!(shown.matches("DIFFERS").count(), 3, "nothing is compared after that: {shown}");

    // Without the codes of a search's probes, the first of their answers cannot be given.
    fs::remove_file(run_folder.join("trace/unkept.codes")).unwrap();
    let output = replay(&run_folder, &folder.path().join("gone"), &["--against", "trace"]);
    let shown = expect_status(&output, 2);
    assert!(shown.contains("scope, ") && shown.contains("cannot be given again"), "{shown}");
    assert!(shown.contains("unkept.codes, ") && shown.contains(" is missing"), "{shown}");
    assert!(!shown.contains("DIFFERS: scope"), "{shown}");
}

#[test]
fn a_damaged_capture_is_not_analysed_and_a_stop_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let run_folder = short_run(folder.path(), 3, &bench);
    let record = RunFolder::open(&run_folder).unwrap();
    let read = Recorded::read(&record).unwrap();
    let stopped = reanalyse(&read, &Air::of(&read).unwrap(), &|_| {}, &|| true);
    assert!(matches!(stopped, Err(ReplayError::Stopped)), "{stopped:?}");
    let data = record.capture_path(CaptureNo(2), "sigmf-data");
    let mut bytes = fs::read(&data).unwrap();
    bytes[1000] ^= 1;
    fs::write(&data, bytes).unwrap();
    let output = replay(&run_folder, folder.path(), &["--against", "captures"]);
    let shown = expect_status(&output, 2);
    let told = "captures/000002.sigmf-data: capture 000002 was changed or damaged";
    assert!(shown.contains(told) && shown.contains("NOT COMPARED: not analysed: "), "{shown}");
    assert!(shown.contains(" 0 exceed") && !shown.contains("\n0 figures"), "{shown}");
    let names = record.later_analyses().unwrap();
    let name = names.iter().find(|name| name.ends_with(".jsonl")).unwrap();
    let (_, analysed) = record.read_later_analysis(name).unwrap();
    let numbers: Vec<CaptureNo> = analysed.iter().map(|one| one.capture).collect();
    assert_eq!(numbers, [CaptureNo(1), CaptureNo(3)], "the others are analysed");

    // The messages cannot be followed without it; the file is named, no instrument is blamed.
    let runs = folder.path().join("again");
    let output = replay(&run_folder, &runs, &["--against", "trace"]);
    expect_told(&output, 2, &[told, "cannot be given again"]);
    fs::remove_file(&data).unwrap();
    let output = replay(&run_folder, &runs, &["--against", "trace"]);
    expect_told(&output, 2, &["captures/000002.sigmf-data: "]);
    fs::remove_dir_all(run_folder.join("trace")).unwrap();
    let output = replay(&run_folder, &runs, &["--against", "trace"]);
    expect_told(&output, 2, &["keeps no messages in its folder trace/"]);
    assert!(!runs.exists(), "no folder is made for what cannot be replayed");
}

#[test]
fn captures_of_a_killed_run_are_compared_as_far_as_it_came() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4, model: truth.yaml, faults: rare.yaml}");
    write(folder.path(), "truth.yaml", TRUTH);
    let rare = "faults: [{instrument: supply, fault: restart, at_s: 7200000, for_s: 20}]\n";
    write(folder.path(), "rare.yaml", rare);
    let run_folder = short_run(folder.path(), 3, &bench);
    let record = RunFolder::open(&run_folder).unwrap();
    let entries = record.read_journal().unwrap().entries;
    let last = entries.iter().rposition(|entry| matches!(entry.event, Event::Capture(_))).unwrap();
    let journal: String = entries[..=last].iter().map(|entry| entry.emit().unwrap()).collect();
    fs::write(record.journal_path(), journal).unwrap();
    // Of the simulated instruments nothing is needed.
    fs::remove_dir_all(run_folder.join("models")).unwrap();
    fs::remove_dir_all(run_folder.join("faults")).unwrap();
    let output = replay(&run_folder, folder.path(), &["--against", "captures"]);
    let shown = expect_status(&output, 0);
    assert!(shown.contains("capture 3 had no figures yet\n"), "{shown}");
    assert!(shown.contains(" 0 exceed") && !shown.contains("EXCEEDS"), "{shown}");
}

/// Stops a run after its first measurement, as an operator does.
struct StopsAfterOne(Control);

impl Progress for StopsAfterOne {
    fn take(&mut self, event: ProgressEvent<'_>) {
        if matches!(event, ProgressEvent::Measured { .. }) {
            self.0.stop_now();
        }
    }
}

/// The sequence of a run once more on the simulated bench, stopped after the first measurement.
async fn stopped(run_folder: &Path, runs: &Path) -> PathBuf {
    let recorded = Recorded::read(&RunFolder::open(run_folder).unwrap()).unwrap();
    let stop = Control::default();
    let desk = Desk::simulated(&recorded, None).unwrap();
    let again = run_again(desk, runs, &mut StopsAfterOne(stop.clone()), stop).await.unwrap();
    assert_eq!(again.ran.unwrap().outcome, Outcome::Stopped);
    again.folder.path().to_owned()
}

#[tokio::test(start_paused = true)]
async fn a_stopped_run_is_compared_up_to_its_stop() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let steps: String = [1, 2, 3]
        .map(|angle| {
            format!(
                "  - set: {{turntable.angle: {angle} deg}}\n  - measure: {{until: {{captures: 1}}}}\n"
            )
        })
        .concat();
    let sequence = short_sequence(&steps).replace("frame: qpsk uncoded", "frame: short");
    let whole = recorded(folder.path(), &write(folder.path(), "three.yaml", &sequence), &bench);
    let run_folder = stopped(&whole, &folder.path().join("stopped")).await;

    let runs = folder.path().join("again");
    let found = json(&replay(&run_folder, &runs, &["--against", "trace", "--json"]), 0);
    let figures = found["figures"].as_array().unwrap();
    assert!(figures.len() > 20 && figures.iter().all(|one| one["same"] == true), "{found}");
    assert_eq!(found["differences"], Json::Array(vec![]));
    let note = found["notes"][0].as_str().unwrap();
    assert!(note.contains("the record was stopped here by the operator"), "{found}");

    let found = json(&replay(&run_folder, &runs, &["--against", "model", "--json"]), 0);
    let notes: Vec<&str> =
        found["notes"].as_array().unwrap().iter().filter_map(Json::as_str).collect();
    let more = "1 measurements were recorded until the operator stopped it, 3 came up again";
    assert_eq!((notes, &found["exceeds"]), (vec![more], &false.into()));

    // A difference before the stop is one.
    let other = sequence.replace("supply.voltage: 1.2 V", "supply.voltage: 1.19 V");
    alter(&run_folder, "sequence.yaml", &other);
    let shown = expect_status(&replay(&run_folder, &runs, &["--against", "trace"]), 1);
    assert!(shown.contains("DIFFERS: the messages part at supply"), "{shown}");
}

#[test]
fn damage_of_the_journal_is_told_by_line_and_an_unknown_format_refused() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let run_folder = short_run(folder.path(), 2, &bench);
    let journal = run_folder.join("journal.jsonl");
    let sound = fs::read_to_string(&journal).unwrap();
    let line = 1 + sound.lines().position(|line| line.contains("\"event\":\"figures\"")).unwrap();
    let lines = sound.lines().enumerate().map(|(n, text)| {
        if n + 1 == line { text.replacen("evm_db", "evn_db", 1) } else { text.to_owned() }
    });
    let damaged = lines.collect::<Vec<_>>().join("\n") + "\n";
    fs::write(&journal, damaged).unwrap();
    let output = replay(&run_folder, folder.path(), &["--against", "captures"]);
    let told = format!(
        "journal.jsonl: line {line} does not fit its checksum: it was changed or damaged; it was \
         skipped, and seems to tell of: figures"
    );
    expect_told(&output, 2, &[&told]);
    let shown = String::from_utf8_lossy(&output.stdout);
    assert!(shown.contains("NOT COMPARED: what a damaged line of the journal told"), "{shown}");
    assert!(shown.contains("capture 1 had no figures yet"), "{shown}");

    let known = beamwarden::record::JOURNAL_FORMAT.to_string();
    let refused = format!("has format 9.0; this version reads {known}");
    for (from, to, told) in [
        (format!("\"{known}\""), "\"9.0\"", refused.as_str()),
        (
            "journal_started".to_owned(),
            "j0urnal_started",
            "which tells its format, is missing or damaged",
        ),
    ] {
        assert!(sound.contains(&from));
        fs::write(&journal, sound.replacen(&from, to, 1)).unwrap();
        for against in ["captures", "trace", "model"] {
            let output = replay(&run_folder, folder.path(), &["--against", against]);
            expect_told(&output, 2, &[told]);
        }
    }
}

/// Turns the phase of one receive element after the other by quarters.
fn turned_elements() -> String {
    let turn = |n: usize| {
        format!(
            "  - sweep: {{dut.rx.phase.{n}: [0, 8, 16, 24]}}\n    do:\n      - measure: {{until: \
             {{captures: 1}}}}\n  - set: {{dut.rx.phase.{n}: 0}}\n"
        )
    };
    let steps: String = (0..8).map(turn).collect();
    let text = short_sequence(&steps).replace("frame: qpsk uncoded", "frame: short");
    text.replace("turntable.angle: 5 deg", "turntable.angle: 0 deg")
}

const TRUTH: &str = "
path: {extra_loss_db: 2.5}
tx: {reference_ppm: 6.1}
rx:
  noise_figure_db: 9.5
  array:
    gain_errors_db: [0, 0.8, -0.6, 0.3, -1.1, 0.5, -0.2, 1.0]
    phase_errors_deg: [0, 12, -9, 20, -15, 4, -22, 7]
";

#[test]
fn a_model_is_recovered_from_a_run_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path();
    write(path, "truth.yaml", TRUTH);
    let bench_file = bench(path, "{seed: 4, model: truth.yaml}");
    let run_folder = recorded(path, &write(path, "turn.yaml", &turned_elements()), &bench_file);
    let nominal = write(path, "nominal.yaml", "{}\n");
    let out = path.join("fitted.yaml").display().to_string();
    let run_text = run_folder.display().to_string();
    let output = run(&["fit", &run_text, "--model", &nominal, "--out", &out, "--json"]);
    let found = json(&output, 0);
    let check = |key: &str, truth: f64, within: f64| {
        let all = found["parameters"].as_array().unwrap();
        let one =
            all.iter().find(|one| one["key"] == key).unwrap_or_else(|| panic!("{key}: {found}"));
        let number = |name: &str| one[name].as_f64().unwrap_or_else(|| panic!("{one}"));
        let off = (number("fitted") - truth).abs();
        assert!(off < within, "{one}");
        assert!(off < 5.0 * number("uncertainty") + 0.02 * within, "claims too much: {one}");
        assert!(number("points") >= 20.0 && number("residual_rms") < 0.5, "{one}");
    };
    // A capture has some 5,400 symbols at an SNR of some 15 dB, so that its power is known to 0.02 dB
    // and its noise to 0.1 dB.
    // The first element is the reference for the others: its own gain shows in the loss, and is known to
    // 0.17 dB from 32 captures.
    check("path.extra_loss_db", 2.5, 0.6);
    check("tx.reference_ppm", 6.1, 0.05);
    check("rx.noise_figure_db", 9.5, 0.6);
    let gains = [0.8, -0.6, 0.3, -1.1, 0.5, -0.2, 1.0];
    let phases = [12.0, -9.0, 20.0, -15.0, 4.0, -22.0, 7.0];
    for n in 0..7 {
        check(&format!("rx.array.gain_errors_db[{}]", n + 1), gains[n], 0.6);
        check(&format!("rx.array.phase_errors_deg[{}]", n + 1), phases[n], 4.0);
    }
    let refused = found["parameters"].as_array().unwrap();
    let tx = refused.iter().find(|one| one["key"] == "tx.array.gain_errors_db").unwrap();
    assert!(tx["refused"].as_str().unwrap().contains("weights are the same"), "{tx}");

    // The file stands in for the model wherever one is named; the run is then as rehearsed.
    let again = replay(&run_folder, &path.join("r"), &["--against", "model", "--model", &out]);
    expect_status(&again, 0);
    let twice = run(&["fit", &run_text, "--out", &out]);
    assert_eq!(twice.status.code(), Some(2), "an existing file is not written over");
}

#[test]
fn what_a_run_does_not_support_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), "{seed: 4}");
    let sequence = short_sequence("  - measure: {until: {captures: 2}}\n");
    let sequence = sequence.replace("frame: qpsk uncoded", "frame: short");
    let sequence = write(folder.path(), "short.yaml", &sequence);
    let run_folder = recorded(folder.path(), &sequence, &bench).display().to_string();
    let out = folder.path().join("none.yaml");
    let output = run(&["fit", &run_folder, "--out", &out.display().to_string()]);
    let shown = expect_status(&output, 1);
    assert!(shown.contains("2 usable points, and 3 are needed"), "{shown}");
    assert!(shown.contains("rx.array.gain_errors_db is not estimated: "), "{shown}");
    assert!(!out.exists());
}

/// Records a few angles of a bench of `tests/external/benches` with the short frame.
fn recorded_external(folder: &Path, name: &str) -> PathBuf {
    recorded_with_map(folder, name, None)
}

/// The same with another register map.
fn recorded_with_map(folder: &Path, name: &str, map: Option<&str>) -> PathBuf {
    let read = |file: &str| {
        fs::read_to_string(root().join(format!("tests/external/benches/{name}.{file}.yaml")))
    };
    write(folder, "short.frame.yaml", SHORT_FRAME);
    for file in ["model", "registers"] {
        if let Ok(text) = read(file) {
            write(folder, &format!("{name}.{file}.yaml"), &text);
        }
    }
    if let Some(map) = map {
        write(folder, &format!("{name}.registers.yaml"), map);
    }
    let bench = format!("{}\nframes: [short.frame.yaml]\n", read("bench").unwrap());
    let bench = write(folder, &format!("{name}.bench.yaml"), &bench);
    let sequence = read("sequence").unwrap().replace("frame: qpsk uncoded", "frame: short");
    let sequence = sequence.replace("{from: -60 deg, to: 60 deg", "{from: -15 deg, to: 15 deg");
    recorded(folder, &write(folder, "sequence.yaml", &sequence), &bench)
}

/// Arrays of four, of two rows, of elements anywhere; walls: each run is simulated as it was.
#[test]
fn a_bench_of_any_size_is_replayed_and_fitted() {
    for name in ["four-element", "scattered", "wall"] {
        let folder = tempfile::tempdir().unwrap();
        let run_folder = recorded_external(folder.path(), name);
        let runs = folder.path().join("again");
        let found = json(&replay(&run_folder, &runs, &["--against", "model", "--json"]), 0);
        expect_all_the_same(&found);
        let new = PathBuf::from(found["run"].as_str().unwrap());
        assert_eq!((captures(&new).len(), captures(&new)), (5, captures(&run_folder)), "{name}");

        let fitted = json(&run(&["fit", &run_folder.display().to_string(), "--json"]), 0);
        assert_eq!((&fitted["captures"], &fitted["captures_compared"]), (&5.into(), &5.into()));
        let all = fitted["parameters"].as_array().unwrap();
        // The model is the run's own: nothing is off by more than another seed's noise.
        for (key, within) in [("path.extra_loss_db", 0.2), ("tx.reference_ppm", 0.1)] {
            let one = all.iter().find(|one| one["key"] == key).unwrap();
            let off = one["fitted"].as_f64().unwrap() - one["model"].as_f64().unwrap();
            assert!(off.abs() < within, "{name}: {one}");
        }
    }
}

#[test]
fn a_map_of_another_layout_gives_way_to_the_simulated_chips() {
    let folder = tempfile::tempdir().unwrap();
    let map = "tests/external/benches/four-element.registers.yaml";
    let text = fs::read_to_string(root().join(map)).unwrap();
    // A register that the simulated chips lack, and that the sequence leaves alone.
    let text = format!(
        "{}\n  bias:\n    about: Bias\n    at: 0x020\n    type: whole\n    write only: on\n",
        text.trim_end()
    );
    let run_folder = recorded_with_map(folder.path(), "four-element", Some(&text));
    let arguments = ["--against", "model"];
    let output = replay(&run_folder, &folder.path().join("again"), &arguments);
    let shown = expect_status(&output, 0) + &String::from_utf8_lossy(&output.stderr);
    let told =
        "the register map 4-element of their own, not by the run's four-element.registers.yaml";
    assert!(shown.contains(told), "{shown}");
}

#[test]
fn a_rehearsal_that_fails_is_told_with_its_failure() {
    let folder = tempfile::tempdir().unwrap();
    let run_folder = recorded_external(folder.path(), "four-element").display().to_string();
    let model = "{tx: {array: {elements: 2}}, rx: {array: {elements: 2}}}\n";
    let model = write(folder.path(), "two.yaml", model);
    let output = run(&["fit", &run_folder, "--model", &model]);
    assert_eq!(output.status.code(), Some(2));
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(told.contains("took 0 of the run's 5 captures"), "{told}");
    assert_eq!(told.matches("no such register").count(), 1, "{told}");
    assert!(told.contains("dut") && !told.contains("limited by the receiver"), "{told}");
}
