//! What the record says of each capture against the back door's truth, under random faults of every
//! kind: a setting is as the record has it, or the record says that it is not to be trusted.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use beamwarden::bench::{Bench, BenchPlan};
use beamwarden::clock::Clock;
use beamwarden::record::{CaptureNo, Event, RunFolder, SettingRecord, SigmfCapture, Value};
use beamwarden::run::{Control, Engine, Recorder, RunInputs, Silent};
use beamwarden::sequence::read_sequence;
use beamwarden_drivers::fault::Source;
use beamwarden_drivers::value::Value as DriverValue;
use beamwarden_sim::{Acquired, ChipTruth, Truth};

/// Seed of the first run; each further run of the sequence has the next one.
const SEED: u64 = 20_260_314;
/// Points of the sequence: angles, gains at each, amplitudes at each of those.
const ANGLES: usize = 250;
const GAINS: [u64; 4] = [18, 20, 22, 24];
const AMPLITUDES: [&str; 2] = ["0.4 V", "0.3 V"];
/// More runs than this are not needed to get through.
const RUNS_MAX: usize = 400;

/// All kinds; rates so that most runs get some dozens of points further. What the drivers recover from
/// by themselves is frequent, what ends a run is rare.
const FAULTS: &str = "
faults:
  - {instrument: supply, fault: late answer, late_s: 0.5, per_command: 0.002}
  - {instrument: dut, fault: late answer, late_s: 0.5, per_command: 0.001}
  - {instrument: scope, fault: late answer, late_s: 20, per_command: 0.00005}
  - {instrument: dut, fault: no answer, per_command: 0.00002}
  - {instrument: scope, fault: no answer, per_command: 0.00005}
  - {instrument: turntable, fault: closed link, per_hour: 200}
  - {instrument: dut, fault: closed link, per_hour: 200}
  - {instrument: scope, fault: closed link, answer_share: 0.5, per_command: 0.00005}
  - {instrument: supply, fault: garbage, per_command: 0.0001}
  - {instrument: source, fault: error entry, code: -310, text: fan, per_command: 0.0003}
  - {instrument: source, fault: setting not taken, per_command: 0.005}
  - {instrument: scope, fault: setting not taken, per_command: 0.0005}
  - {instrument: dut, fault: setting not taken, per_command: 0.002}
  - {instrument: turntable, fault: setting not taken, per_command: 0.0005}
  - {instrument: supply, fault: setting not taken, per_command: 0.002}
  - {instrument: supply, fault: drift, setting: voltage, rate_per_hour: -1.5, per_hour: 100, for_s: 30}
  - {instrument: source, fault: drift, setting: amplitude, rate_per_hour: 2, per_hour: 100, for_s: 5}
  - {instrument: scope, fault: drift, setting: range, rate_per_hour: 1, per_hour: 100, for_s: 5}
  - {instrument: scope, fault: drift, setting: trigger_offset, rate_per_hour: 1e-7, per_hour: 100, for_s: 5}
  - {instrument: turntable, fault: drift, setting: angle, rate_per_hour: 300, per_hour: 100, for_s: 5}
  - {instrument: dut, fault: drift, setting: tx.gain, rate_per_hour: 3600, per_hour: 100, for_s: 3}
  - {instrument: source, fault: restart, per_command: 0.0001}
  - {instrument: scope, fault: restart, per_command: 0.00005}
  - {instrument: dut, fault: restart, per_hour: 60}
  - {instrument: turntable, fault: restart, per_hour: 20, for_s: 0.2}
  - {instrument: supply, fault: restart, per_hour: 20}
  - {instrument: turntable, fault: stuck, short_deg: 2, per_command: 0.002}
  - {instrument: dut, fault: lost lock, chip: rx, per_command: 0.0005, for_s: 0.01}
  - {instrument: dut, fault: lost lock, chip: tx, per_command: 0.00001}
  - {instrument: supply, fault: current limit, to_share: 0.9, per_hour: 200, for_s: 0.1}
  - {instrument: scope, fault: stale trace, per_command: 0.001}
  - {instrument: source, fault: dropped segment, share: 0.3, per_command: 0.002, for_s: 0.2}
  - {instrument: source, fault: stopped playing, per_command: 0.0002}
";

const FRAME: &str = "frame: short\nmodulation: qpsk\nblocks: 4\n";

fn sequence_from(first_angle: usize) -> String {
    let angles: Vec<String> = (first_angle..ANGLES).map(|n| format!("{} deg", angle(n))).collect();
    let gains: Vec<String> = GAINS.iter().map(ToString::to_string).collect();
    format!(
        "
sequence: under-faults
prepare:
  - set: {{supply.voltage: 1.2 V, supply.current_limit: 0.6 A, supply.output: on}}
  - set: {{dut.tx.channel: 3, dut.rx.channel: 3, dut.tx.enable: on, dut.rx.enable: on}}
  - set: {{source.sample_rate: 7.04 GHz, source.amplitude: 0.4 V, scope.range: 0.25 V}}
  - set: {{scope.sample_interval: 125 ps, scope.trigger_source: external, scope.trigger_offset: -100 ns}}
  - set: {{beam.tx: 0 deg, beam.rx: 0 deg, frame: short, source.output: on}}
  - wait: 10 ms
steps:
  - sweep: {{turntable.angle: [{}]}}
    do:
      - sweep: {{dut.tx.gain: [{}]}}
        do:
          - sweep: {{source.amplitude: [{}]}}
            do:
              - wait: 100 ms
              - measure: {{as: capture}}
# What retries do not mend ends the run, so that the next one begins at the first point without a capture.
on failure: {{stop after: {{in a row: 1}}}}
",
        angles.join(", "),
        gains.join(", "),
        AMPLITUDES.join(", ")
    )
}

/// Tenths of a degree around zero, in whole steps of the turntable's encoder.
fn angle(n: usize) -> f64 {
    (n as f64 - ANGLES as f64 / 2.0) / 10.0
}

/// What was counted over all runs.
#[derive(Debug, Default)]
struct Tally {
    captures: u64,
    settings: u64,
    /// Settings that the record itself says differ from what was asked, or moved.
    marked: u64,
    doubtful: u64,
    /// Settings that differ from the truth in captures that the record says are doubtful.
    wrong_and_doubted: u64,
    silently_wrong: Vec<String>,
    /// The signal was missing or had a hole, and the figures showed it.
    faulty_signals: u64,
    faults: BTreeMap<&'static str, u64>,
    endings: BTreeMap<String, u64>,
}

fn chip_value(chip: &ChipTruth, field: &str) -> Option<DriverValue> {
    let element = |part: &str| chip.codes.get(part.parse::<usize>().ok()?).copied();
    Some(match field.split_once('.') {
        None => match field {
            "enable" => DriverValue::Switch(chip.enabled),
            "channel" => DriverValue::Whole(i64::from(chip.channel)),
            "gain" => DriverValue::Whole(i64::from(chip.gain)),
            _ => return None,
        },
        Some(("phase", n)) => DriverValue::Whole(i64::from(element(n)?.phase)),
        Some(("attenuation", n)) => DriverValue::Whole(i64::from(element(n)?.attenuation)),
        Some(("element_on", n)) => DriverValue::Switch(element(n)?.on),
        Some(_) => return None,
    })
}

/// What a setting truly stood at; `None` for one that this test does not know, which is a failure.
fn true_value(truth: &Truth, name: &str) -> Option<DriverValue> {
    let (scope, source) = (&truth.scope, &truth.source);
    let (supply, table) = (&truth.supply, &truth.turntable);
    Some(match name {
        "source.sample_rate" => DriverValue::Number(source.clock_hz),
        "source.amplitude" => DriverValue::Number(source.amplitude_v),
        "source.output" => DriverValue::Switch(source.output),
        "scope.range" => DriverValue::Number(scope.range_v),
        "scope.points" => DriverValue::Whole(scope.points as i64),
        "scope.sample_interval" => DriverValue::Number(scope.interval_s),
        "scope.trigger_offset" => DriverValue::Number(scope.offset_s),
        "scope.trigger_source" => {
            DriverValue::Word(if scope.external { "external" } else { "immediate" }.into())
        }
        "supply.voltage" => DriverValue::Number(supply.voltage_v),
        "supply.current_limit" => DriverValue::Number(supply.current_limit_a),
        "supply.protection_voltage" => DriverValue::Number(supply.protection_v),
        "supply.output" => DriverValue::Switch(supply.output),
        "turntable.angle" => DriverValue::Number(table.angle_deg),
        "turntable.speed" => DriverValue::Number(table.speed_deg_per_s),
        "turntable.drive" => DriverValue::Switch(table.drive),
        name => match name.split_once('.')? {
            ("dut", field) => match field.split_once('.')? {
                ("tx", field) => chip_value(&truth.tx, field)?,
                ("rx", field) => chip_value(&truth.rx, field)?,
                _ => return None,
            },
            _ => return None,
        },
    })
}

fn driver_value(value: &Value, like: &DriverValue) -> DriverValue {
    match (value, like) {
        (Value::Number(number), DriverValue::Whole(_)) => DriverValue::Whole(*number as i64),
        (Value::Count(count), DriverValue::Number(_)) => DriverValue::Number(*count as f64),
        (Value::Number(number), _) => DriverValue::Number(*number),
        (Value::Count(count), _) => DriverValue::Whole(i64::try_from(*count).unwrap()),
        (Value::Switch(on), _) => DriverValue::Switch(*on),
        (Value::Word(word), _) => DriverValue::Word(word.clone()),
    }
}

/// Judges one setting of a capture: what it says, against the truth. A beam is as its array's codes are.
fn judge(plan: &BenchPlan, truth: &Truth, setting: &SettingRecord) -> Result<bool, String> {
    let told = |truth: String| {
        let (asked, read) = (&setting.asked, &setting.read_back);
        format!("{}: asked {asked:?}, read back {read}, truly {truth}", setting.name)
    };
    if let Some(side) = setting.name.strip_prefix("beam.") {
        let (tx, rx) = plan.arrays.as_ref().unwrap();
        let (array, chip) = if side == "tx" { (tx, &truth.tx) } else { (rx, &truth.rx) };
        let Value::Number(angle_deg) = setting.read_back.value else { panic!("{setting:?}") };
        let wanted = array.geometry.steer(angle_deg);
        let codes: Vec<u16> = chip.codes.iter().map(|code| u16::from(code.phase)).collect();
        return match codes == wanted {
            true => Ok(setting.matched),
            false if setting.matched => Err(told(format!("{codes:?}"))),
            false => Ok(false),
        };
    }
    if setting.name == "frame" {
        return match &truth.source.playing {
            Some(_) => Ok(setting.matched),
            None if setting.matched => Err(told("nothing plays".into())),
            None => Ok(false),
        };
    }
    let (instrument, inner) = setting.name.split_once('.').unwrap();
    let truly = true_value(truth, &setting.name)
        .unwrap_or_else(|| panic!("the test knows no truth for {}", setting.name));
    let driver = &plan.instruments.iter().find(|one| one.name == instrument).unwrap().driver;
    let read = driver_value(&setting.read_back.value, &truly);
    // What the record claims is what was read back; whether it is what was asked is the record's
    // own word `matched`.
    if !driver.agree(inner, &truly, &read) && setting.after.is_none() {
        return Err(told(truly.to_string()));
    }
    let asked = setting.asked.as_ref().map(|asked| driver_value(&asked.value, &truly));
    // Read back within tolerance of what was asked, and again within tolerance of that.
    let far = asked.is_some_and(|asked| {
        !driver.agree(inner, &asked, &truly) && !driver.agree(inner, &asked, &read)
    });
    if far && setting.matched {
        return Err(told(truly.to_string()));
    }
    Ok(setting.matched)
}

/// The acquisition whose record a capture holds.
fn acquired_by(kept: &[Acquired], taken_s: f64) -> &Acquired {
    // The record's times are whole microseconds.
    let at = kept.iter().find(|one| one.truth.at.as_secs_f64() >= taken_s - 2e-6).unwrap();
    kept.iter().find(|one| one.index == at.hands_out).unwrap()
}

/// One run from an angle on; the angle to go on from.
async fn run(
    first_angle: usize,
    number: u64,
    folder: &Path,
    (tally, points): (&mut Tally, &mut BTreeSet<String>),
) -> usize {
    let text = std::fs::read_to_string(common::root().join("sequences/packing-arm.bench.yaml"));
    let text = text.unwrap().replace(
        "simulated: {seed: 1}",
        "simulated: {seed: 1, faults: random.yaml}\n\nframes: [short.yaml]",
    );
    let mut plan = BenchPlan::load(&Source::new("bench.yaml", text), Some(folder))
        .map_err(|files| files[0].render(false))
        .unwrap();
    plan.simulated.seed = SEED + number;
    let source = Source::new("sequence.yaml", sequence_from(first_angle));
    let sequence =
        read_sequence(&source, plan.knobs()).map_err(|faults| faults.render(false)).unwrap();
    let clock = Clock::start();
    let seed = Some(plan.simulated.seed);
    let inputs = RunInputs { sequence: &sequence, plan: &plan, seed, replay: None };
    let mut recorder = Recorder::begin(&folder.join("runs"), inputs, clock).unwrap();
    let began = clock.now();
    let (mut bench, failures) = Bench::open_what_answers(plan.clone(), None).await.unwrap();
    let door = bench.simulated_back_door().unwrap().clone();
    door.keep_acquisitions(10_000);
    let mut silent = Silent;
    let engine = Engine::new(&sequence, &mut bench, &mut recorder, &mut silent, Control::default());
    let summary =
        if failures.is_empty() { engine.execute().await } else { engine.give_up(failures).await };
    let ending = summary.error.map_or("completed".to_string(), |error| kind_of(&error.to_string()));
    *tally.endings.entry(ending).or_default() += 1;
    for done in door.faults_so_far() {
        *tally.faults.entry(done.fault).or_default() += 1;
    }
    compare(&plan, recorder.folder(), began, &door.acquisitions(), (tally, points));
    let whole = GAINS.len() * AMPLITUDES.len();
    first_angle + summary.tally.points as usize / whole
}

/// The end of an error's message without what differs from case to case.
fn kind_of(message: &str) -> String {
    let kinds = [
        "has restarted",
        "nothing came in time",
        "the connection is closed",
        "it reports",
        "refuses",
        "not a number",
        "neither on nor off",
        "does not become silent",
    ];
    let found = kinds.iter().find(|kind| message.contains(**kind));
    found.map_or_else(|| message.chars().take(160).collect(), ToString::to_string)
}

fn compare(
    plan: &BenchPlan,
    folder: &RunFolder,
    began: jiff::Timestamp,
    kept: &[Acquired],
    (tally, points): (&mut Tally, &mut BTreeSet<String>),
) {
    let journal = folder.read_journal().unwrap();
    assert!(journal.faults.is_empty(), "{:?}", journal.faults);
    let mut detected: BTreeMap<CaptureNo, bool> = BTreeMap::new();
    let mut captures = Vec::new();
    for entry in &journal.entries {
        match &entry.event {
            Event::Capture(taken) => captures.push(taken.capture),
            Event::Figures(found) => {
                let is = |name: &str, value: Value| {
                    found.figures.iter().any(|f| f.name == name && f.value == Some(value.clone()))
                };
                let sound =
                    is("detected", Value::Switch(true)) && is("bit_errors", Value::Count(0));
                detected.insert(found.capture, sound);
            }
            _ => {}
        }
    }
    for number in captures {
        let meta = folder.read_meta(number).unwrap();
        let capture: &SigmfCapture = &meta.captures[0];
        let taken_s = capture.taken_at.unwrap().duration_since(began).as_secs_f64();
        let acquired = acquired_by(kept, taken_s);
        tally.captures += 1;
        points.insert(format!("{:?}", capture.position));
        let doubtful = !capture.doubts.is_empty();
        tally.doubtful += u64::from(doubtful);
        for setting in &capture.settings {
            tally.settings += 1;
            match judge(plan, &acquired.truth, setting) {
                Ok(matched) => tally.marked += u64::from(!matched),
                Err(_) if doubtful => tally.wrong_and_doubted += 1,
                Err(wrong) => {
                    tally.silently_wrong.push(format!("{} {number}: {wrong}", folder.name()));
                }
            }
        }
        let source = &acquired.truth.source;
        if source.has_hole || source.playing.is_none() || !acquired.truth.link.linked {
            assert!(!detected[&number] || doubtful, "capture {number} of {}", folder.name());
            tally.faulty_signals += 1;
        }
    }
}

#[tokio::test(start_paused = true)]
async fn recorded_settings_are_true_at_the_trigger_under_random_faults() {
    // Every line of a journal is flushed; in memory that takes no time.
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    common::write(folder.path(), "random.yaml", FAULTS);
    common::write(folder.path(), "short.yaml", FRAME);
    println!("seed {SEED} and following");
    let (mut tally, mut points) = (Tally::default(), BTreeSet::new());
    let (mut angle, mut runs) = (0, 0);
    while angle < ANGLES && runs < RUNS_MAX {
        angle = run(angle, runs as u64, folder.path(), (&mut tally, &mut points)).await;
        runs += 1;
        // The disk need not hold them all.
        std::fs::remove_dir_all(folder.path().join("runs")).unwrap();
    }
    println!("{runs} runs");
    println!("{tally:#?}");
    assert_eq!(tally.silently_wrong, Vec::<String>::new());
    assert_eq!(points.len(), 2000, "every point has a capture");
    assert!(tally.captures >= 2000);
    for kind in common::FAULT_KINDS {
        assert!(tally.faults.contains_key(kind), "no {kind} among {:?}", tally.faults);
    }
    assert!(tally.marked > 0 && tally.doubtful > 0, "the faults show in the record");
}
