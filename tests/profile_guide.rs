//! The guide to profiles is followed to the letter: its files are written, its commands are run
//! against the simulated instruments.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use beamwarden_sim::Post;
use common::{Served, expect_status, root};

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
    assert_eq!(ran.len(), 7, "{ran:?}");
    assert_eq!(served.bench.truth().supply.voltage_v, 1.1);
}
