//! Checks of the house itself: its edges, the size of its files, what every file begins with.

#![allow(clippy::unwrap_used, reason = "a test that cannot read the sources shall fail")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Longest source file, in lines.
const FILE_LINES_MAX: usize = 600;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Rust sources below some folders of the project, relative to its root.
fn sources(folders: &[&str]) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open: Vec<PathBuf> = folders.iter().map(|folder| root().join(folder)).collect();
    while let Some(folder) = open.pop() {
        let Ok(entries) = fs::read_dir(&folder) else { continue };
        for entry in entries {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path.strip_prefix(root()).unwrap().to_path_buf());
            }
        }
    }
    found.sort();
    assert!(found.len() > 10 || folders.len() == 1, "too few sources found: {found:?}");
    found
}

fn text(path: &Path) -> String {
    fs::read_to_string(root().join(path)).unwrap()
}

/// The names that a source uses from other rooms: `crate::x` and our two other crates.
fn used_rooms(text: &str) -> BTreeSet<String> {
    let mut rooms = BTreeSet::new();
    let code = text.lines().filter(|line| !line.trim_start().starts_with("//"));
    for line in code {
        for (at, _) in line.match_indices("crate::") {
            let before = line[..at].chars().next_back();
            if before.is_some_and(|c| c == '$' || c == '_' || c.is_alphanumeric()) {
                continue;
            }
            let name = |c: char| c.is_ascii_lowercase() || c == '_';
            let room: String = line[at + 7..].chars().take_while(|c| name(*c)).collect();
            if !room.is_empty() {
                rooms.insert(room);
            }
        }
        for (crate_name, room) in [("beamwarden_drivers", "drivers"), ("beamwarden_sim", "sim")] {
            if line.contains(crate_name) {
                rooms.insert(room.to_string());
            }
        }
    }
    rooms
}

/// The edges as DEVELOPERS.md draws them: lines `room -> room room` in the block after "edges".
fn drawn_edges() -> BTreeMap<String, BTreeSet<String>> {
    let document = text(Path::new("DEVELOPERS.md"));
    let block = document.split("```edges\n").nth(1).expect("DEVELOPERS.md has an edges block");
    let block = block.split("```").next().unwrap();
    block
        .lines()
        .map(|line| {
            let (room, uses) = line.split_once("->").expect("room -> rooms");
            let uses = uses.split_whitespace().map(str::to_string).collect();
            (room.trim().to_string(), uses)
        })
        .collect()
}

#[test]
fn edges_are_as_drawn() {
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for path in sources(&["src"]) {
        let inner = path.strip_prefix("src").unwrap();
        let room = inner.iter().next().unwrap().to_string_lossy();
        let room = room.trim_end_matches(".rs").to_string();
        if room == "lib" || room == "main" {
            continue;
        }
        let mut rooms = used_rooms(&text(&path));
        rooms.remove(&room);
        found.entry(room).or_default().extend(rooms);
    }
    assert_eq!(found, drawn_edges(), "left: the code, right: DEVELOPERS.md");
}

#[test]
fn edges_have_no_cycle() {
    let mut edges = drawn_edges();
    while !edges.is_empty() {
        let names: BTreeSet<String> = edges.keys().cloned().collect();
        let bottom: Vec<String> = edges
            .iter()
            .filter(|(_, uses)| uses.iter().all(|used| !names.contains(used)))
            .map(|(room, _)| room.clone())
            .collect();
        assert!(!bottom.is_empty(), "a cycle among {names:?}");
        edges.retain(|room, _| !bottom.contains(room));
    }
}

#[test]
fn pure_rooms_stay_pure() {
    let edges = drawn_edges();
    assert!(edges["phy"].is_empty() && edges["beam"].is_empty());
    let forbidden =
        ["std::fs", "std::net", "std::io", "tokio", "std::thread", "std::time", "tracing"];
    // The estimates of a fit are numbers in, numbers out, too.
    let pure = ["src/phy", "src/beam", "src/replay/fit"];
    for path in pure.iter().flat_map(|folder| sources(&[folder])) {
        let text = text(&path);
        let code: String =
            text.lines().filter(|line| !line.trim_start().starts_with("//")).collect();
        for word in forbidden {
            assert!(!code.contains(word), "{} uses {word}", path.display());
        }
    }
}

#[test]
fn crates_depend_downwards_only() {
    let sim = text(Path::new("sim/Cargo.toml"));
    let drivers = text(Path::new("drivers/Cargo.toml"));
    assert!(!sim.replace("name = \"beamwarden-sim\"", "").contains("beamwarden"));
    assert!(!drivers.replace("name = \"beamwarden-drivers\"", "").contains("beamwarden"));
}

#[test]
fn files_are_short_and_say_what_they_are_for() {
    let mut faults = Vec::new();
    for path in sources(&["src", "drivers", "sim", "tests", "benches"]) {
        if path.iter().any(|part| part == "target") {
            continue;
        }
        let text = text(&path);
        let lines = text.lines().count();
        if lines >= FILE_LINES_MAX {
            faults.push(format!("{} has {lines} lines", path.display()));
        }
        if !text.starts_with("//!") {
            faults.push(format!("{} does not begin with //!", path.display()));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn every_dependency_is_justified() {
    let document = text(Path::new("DEVELOPERS.md"));
    let mut missing = BTreeSet::new();
    for manifest in ["Cargo.toml", "drivers/Cargo.toml", "sim/Cargo.toml"] {
        let manifest: toml_lines::Manifest = toml_lines::read(&text(Path::new(manifest)));
        for name in manifest.dependencies {
            if !name.starts_with("beamwarden") && !document.contains(&format!("| `{name}` |")) {
                missing.insert(name);
            }
        }
    }
    assert!(missing.is_empty(), "no line in DEVELOPERS.md for {missing:?}");
}

/// Just enough of a manifest: the names under dependency headings.
mod toml_lines {
    pub struct Manifest {
        pub dependencies: Vec<String>,
    }

    pub fn read(text: &str) -> Manifest {
        let mut dependencies = Vec::new();
        let mut inside = false;
        for line in text.lines() {
            if let Some(heading) = line.strip_prefix('[') {
                inside = heading.contains("dependencies");
            } else if inside && let Some((name, _)) = line.split_once('=') {
                let name = name.trim().trim_end_matches(".workspace");
                dependencies.push(name.to_string());
            }
        }
        assert!(!dependencies.is_empty());
        Manifest { dependencies }
    }
}
