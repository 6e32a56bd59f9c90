//! The README's commands are run, and what it names exists.

#![allow(clippy::unwrap_used, reason = "a test that cannot set itself up shall fail")]

mod common;

use std::fs;

use common::{expect_status, program, root, run};

fn readme() -> String {
    fs::read_to_string(root().join("README.md")).unwrap()
}

/// The lines of all shell blocks.
fn commands() -> Vec<String> {
    let text = readme();
    let blocks = text.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap());
    let lines = blocks.flat_map(str::lines).map(str::to_string);
    lines.filter(|line| !line.trim().is_empty()).collect()
}

/// Every `cargo run` line is run as written, in a folder where it may leave its runs; the test
/// command is the one that the gate runs.
#[test]
fn the_commands_of_the_readme_work() {
    let commands = commands();
    assert!(commands.len() >= 3, "{commands:?}");
    let folder = tempfile::tempdir().unwrap();
    let sequences = root().join("sequences");
    std::os::unix::fs::symlink(sequences, folder.path().join("sequences")).unwrap();
    for command in commands {
        match command.strip_prefix("cargo run --release -- ") {
            Some(arguments) => {
                let output = program()
                    .args(arguments.split_whitespace())
                    .current_dir(folder.path())
                    .output()
                    .unwrap();
                expect_status(&output, 0);
            }
            None => {
                let gate = fs::read_to_string(root().join(".ci/run")).unwrap();
                assert!(gate.contains(&command), "{command}");
            }
        }
    }
}

/// Every file that the README links to exists, and it lists just the commands that there are.
#[test]
fn links_and_commands_are_true() {
    let text = readme();
    for link in text.split("](").skip(1).map(|rest| rest.split(')').next().unwrap()) {
        assert!(root().join(link).exists(), "{link}");
    }
    let help = expect_status(&run(&["--help"]), 0);
    let list = help.split("Commands:\n").nth(1).unwrap().split("\n\n").next().unwrap();
    // What is said of a command goes on further right.
    let first = list.lines().filter(|line| !line.starts_with("   "));
    for command in first.filter_map(|line| line.split_whitespace().next()) {
        if command != "help" {
            assert!(text.contains(&format!("`{command}")), "{command} is not in the README");
        }
    }
}

/// The exit statuses stand alike in the README and in the help.
#[test]
fn exit_statuses_are_told_alike() {
    let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let help = plain(&expect_status(&run(&["--help"]), 0));
    let statuses = "0 done, 1 done but an expectation failed, 2 wrong usage or file, 3 instrument or \
                    link, 4 limit or interlock, 5 stopped by the operator, 70 internal.";
    assert!(help.contains(statuses) && plain(&readme()).contains(statuses));
}
