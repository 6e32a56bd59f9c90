//! The guide to profiles is followed to the letter: its files are written, its commands are run
//! against the simulated instruments.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use beamwarden_drivers::instrument::{Driver, Instrument};
use beamwarden_drivers::transport::{Direction, Traced, link_for};
use beamwarden_drivers::value::Value;
use beamwarden_sim::Post;
use common::{Served, expect_status, root};
use tokio::sync::mpsc::unbounded_channel;
use tokio::time::Instant;

/// The address that the guide names: the fifth port from the first, as `beamwarden sim` serves them.
const ADDRESS: &str = "tcp://127.0.0.1:5029";

/// The kind and text of every fenced block of the guide, and the text before it.
fn blocks() -> Vec<(String, String, String)> {
    let text = fs::read_to_string(root().join("drivers/README.md")).unwrap();
    let guide = text.split("## A profile for an instrument in 30 minutes").nth(1).unwrap();
    let guide = guide.split("\n## ").next().unwrap();
    let parts: Vec<&str> = guide.split("```").collect();
    let block = |pair: &[&str]| {
        let (kind, text) = pair[1].split_once('\n').unwrap();
        (kind.to_string(), text.to_string(), pair[0].to_string())
    };
    parts.chunks_exact(2).map(block).collect()
}

/// The arguments of a command line; quotes hold words together.
fn arguments(line: &str) -> Vec<String> {
    let pieces = line.split('"').enumerate();
    pieces
        .flat_map(|(index, piece)| match index % 2 {
            0 => piece.split_whitespace().map(str::to_string).collect(),
            _ => vec![piece.to_string()],
        })
        .collect()
}

fn run_line(folder: &Path, line: &str) -> String {
    let arguments = arguments(line.strip_prefix("beamwarden ").unwrap());
    let mut command = Command::new(env!("CARGO_BIN_EXE_beamwarden"));
    expect_status(&command.args(arguments).current_dir(folder).output().unwrap(), 0)
}

#[tokio::test]
async fn the_guide_works_as_written() {
    let served = Served::start().await;
    let addresses = served.serving.addresses();
    let supply = addresses.iter().find(|(post, _)| *post == Post::Supply).unwrap();
    let supply = supply.1.to_string();
    let folder = tempfile::tempdir().unwrap();
    let (mut file, mut ran, mut shown) = (String::new(), Vec::new(), Vec::new());
    for (kind, text, before) in blocks() {
        match kind.as_str() {
            "yaml" => {
                // The file named last before the block; without a name it goes on.
                if let Some((_, from)) = before.rsplit_once(".yaml`") {
                    let name = before[..before.len() - from.len() - 1].rsplit('`').next();
                    file = name.unwrap().to_string();
                }
                let path = folder.path().join(&file);
                let so_far = fs::read_to_string(&path).unwrap_or_default();
                fs::write(&path, so_far + &text.replace(ADDRESS, &supply)).unwrap();
            }
            "sh" => {
                for line in text.lines().filter(|line| *line != "beamwarden sim") {
                    let (line, folder) = (line.to_string(), folder.path().to_path_buf());
                    let task = tokio::task::spawn_blocking(move || {
                        let output = run_line(&folder, &line);
                        (line, output)
                    });
                    ran.push(task.await.unwrap());
                }
            }
            _ => shown.push(text),
        }
    }
    let last = &ran.last().unwrap().1;
    assert!(shown.len() == 1 && last.contains(&shown[0]), "{shown:?}\n{last}");
    assert!(!last.contains("protection_voltage"), "{last}");
    let of = |part: &str| &ran.iter().find(|(line, _)| line.contains(part)).unwrap().1;
    // 1.104 V lies between two steps.
    assert!(of("VOLT 1.104").contains("1.1 V"), "{}", of("VOLT 1.104"));
    assert!(of("VOLT?").contains("1.1"), "{}", of("VOLT?"));
    assert!(of("--exercise").contains("3 of 3 settings do what they are told"), "{ran:?}");
    assert_eq!(ran.len(), 8, "{ran:?}");
    assert_eq!(served.bench.truth().supply.voltage_v, 1.1);
}

/// What `check --profile` says of a file with this text: exit status, output, message.
fn checked(name: &str, text: &str, more: &[&str]) -> (Option<i32>, String, String) {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join(name), text).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_beamwarden"));
    command.args(["check", "--profile", name]).args(more).current_dir(folder.path());
    let output = command.output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

const DERIVED: &str = "profile: mine
based on: scpi-scope
settings: {points: {range: [16, 64 k]}, trigger_offset: absent}
models:
  - {called: deep memory, model: DS-*, settings: {points: {range: [16, 64 M]}}}
";

#[test]
fn a_profile_is_shown_whole_with_what_differs_by_model() {
    let (status, shown, _) = checked("mine.yaml", DERIVED, &[]);
    assert_eq!(status, Some(0));
    assert!(shown.starts_with("profile       mine\nbased on      scpi-scope.yaml\n"), "{shown}");
    assert!(!shown.contains("trigger_offset"), "{shown}");
    let general = "\nsetting points: 16 to 64000\n";
    let model = "\nmodel deep memory (model DS-*) differs in\n\nsetting points: 16 to 64000000\n";
    assert!(shown.contains(general) && shown.contains(model), "{shown}");
    assert!(shown.contains("SENSe:SWEep:POINts 64000000"), "{shown}");
    let (status, json, _) = checked("mine.yaml", DERIVED, &["--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((status, &json["models"][0]["called"]), (Some(0), &"deep memory".into()));
    assert_eq!(json["based_on"], serde_json::json!(["scpi-scope.yaml"]));
    assert_eq!(json["sections"][0]["messages"][0]["message"], "*IDN?");
}

#[test]
fn what_is_wrong_with_a_profile_is_underlined() {
    let faulty = DERIVED.replace("trigger_offset", "tigger_offset");
    let (status, shown, message) = checked("mine.yaml", &faulty, &[]);
    assert_eq!((status, shown.as_str()), (Some(2), ""));
    for part in [
        "there is no setting 'tigger_offset' to be absent",
        "--> mine.yaml:3:41",
        "did you mean 'trigger_offset'?",
        "1 fault; nothing was sent to any instrument",
    ] {
        assert!(message.contains(part), "{message}");
    }
    let (status, _, message) = checked("mine.yaml", DERIVED, &["--plan"]);
    assert_eq!(status, Some(2), "{message}");
}

/// A model is chosen by the identity, and `bench` names it.
#[tokio::test]
async fn the_model_is_chosen_when_the_session_begins() {
    let served = Served::start().await;
    let addresses = served.serving.addresses();
    let scope = addresses.iter().find(|(post, _)| *post == Post::Scope).unwrap().1.to_string();
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("mine.yaml"),
        DERIVED.replace("DS-*", "\"*\"").replace(", trigger_offset: absent", ""),
    )
    .unwrap();
    let bench = format!(
        "bench: b\ninstruments:\n  scope: {{role: scope, profile: mine.yaml, at: \"{scope}\"}}\n\
         safe state:\n  - {{scope.trigger_source: immediate}}\n"
    );
    fs::write(folder.path().join("bench.yaml"), bench).unwrap();
    let path = folder.path().to_path_buf();
    let run = move |line: &str| run_line(&path, line);
    let lines = tokio::task::spawn_blocking(move || {
        [
            run("beamwarden bench --bench bench.yaml --json"),
            run("beamwarden say scope \"SWE:POIN 1000000\" --write --bench bench.yaml"),
        ]
    });
    let [shown, _] = lines.await.unwrap();
    let row: serde_json::Value = serde_json::from_str(shown.lines().next().unwrap()).unwrap();
    assert_eq!((&row["model"], &row["trouble"]), (&"deep memory".into(), &serde_json::Value::Null));
    assert_eq!(served.bench.truth().scope.points, 1_000_000);
}

/// A turntable that is waited for by service request, over every link that it is served on: its
/// status byte is read beside the messages where the link can do so, and asked for elsewhere.
#[tokio::test]
async fn a_move_is_waited_for_by_service_request() {
    let served = Served::with_hislip().await;
    let folder = tempfile::tempdir().unwrap();
    let profile = "profile: mine\nbased on: scpi-turntable\n\
                   completion: {by: service request}\nsettings: {angle: {poll: absent}}\n";
    fs::write(folder.path().join("mine.yaml"), profile).unwrap();
    let addresses = served.serving.addresses();
    let tables = addresses.iter().filter(|(post, _)| *post == Post::Turntable);
    for (number, (_, address)) in tables.enumerate() {
        let link = link_for(&address.to_string().parse().unwrap()).unwrap();
        let (sink, mut trace) = unbounded_channel();
        let link = Traced::new(link, Instant::now(), sink);
        let driver = Driver::load("mine.yaml", None, Some(folder.path())).unwrap();
        let mut table = Instrument::open("table", Box::new(link), driver).await.unwrap();
        let angle_deg = 3.0 + number as f64;
        let applied = table.set("angle", &Value::Number(angle_deg)).await.unwrap();
        assert!(applied.matched, "{address}: {applied:?}");
        let truth = served.bench.truth().turntable;
        assert!(!truth.moving && (truth.angle_deg - angle_deg).abs() < 0.2, "{truth:?}");
        let mut sent = Vec::new();
        while let Ok(event) = trace.try_recv() {
            if event.direction == Direction::Sent {
                sent.push(event.text.trim_end_matches("\\n").to_string());
            }
        }
        let armed = sent.iter().filter(|message| *message == "*ESE 1;*SRE 32;*OPC").count();
        let asked = sent.iter().filter(|message| *message == "*STB?").count();
        let beside = !address.to_string().starts_with("tcp:");
        assert_eq!((armed, asked == 0), (1, beside), "{address}: {sent:?}");
    }
}
