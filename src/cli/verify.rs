//! `verify`: whether a run folder is as it was written.

use std::path::PathBuf;

use anyhow::Context;
use serde_json::json;

use super::show::find_run;
use super::{Ended, Failure, Terminal};
use crate::record::{Account, verify_whole};
use crate::report::count;

/// Check a run folder against its own record: checksums, missing and extra files, journal, points.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The run: its name or its folder.
    run: PathBuf,
    /// The folder that holds the runs.
    #[arg(long, value_name = "FOLDER", default_value = "runs")]
    runs: PathBuf,
    /// One JSON object, for programs.
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments, terminal: &mut Terminal) -> Result<Ended, Failure> {
    let folder = find_run(&arguments.run, &arguments.runs)?;
    let verified = verify_whole(&folder)
        .with_context(|| format!("failed to check run {}", folder.name()))
        .map_err(Failure::usage)?;
    let told: Vec<String> = verified.findings.iter().map(ToString::to_string).collect();
    if arguments.json {
        let shown = json!({
            "run": folder.name(),
            "findings": told,
            "points": points_json(&verified.account),
            "open": verified.account.open,
        });
        terminal.line(shown.to_string())?;
    } else {
        for finding in &told {
            terminal.line(finding)?;
        }
        if let Some(points) = points_words(&verified.account) {
            terminal.line(points)?;
        }
        terminal.line(match told.len() {
            0 => format!("{} is as it was written", folder.name()),
            1 => format!("{}: 1 finding; nothing was changed", folder.name()),
            count => format!("{}: {count} findings; nothing was changed", folder.name()),
        })?;
    }
    Ok(if told.is_empty() { Ended::Done } else { Ended::ExpectationFailed })
}

fn points_json(account: &Account) -> serde_json::Value {
    json!({
        "planned": account.planned,
        "finished": account.finished,
        "skipped": account.skipped,
        "unfinished": account.unfinished,
        "not_reached": account.not_reached,
        "abandoned": account.abandoned,
    })
}

/// What became of the points, in one line; none of a run without points.
fn points_words(account: &Account) -> Option<String> {
    let Account { planned, finished, skipped, unfinished, .. } = *account;
    if planned.unwrap_or(0) + finished + skipped + unfinished == 0 {
        return None;
    }
    let planned = planned.map_or("unknown".to_owned(), count);
    let mut words = format!("points: {planned} planned, {} finished", count(finished));
    for (number, what) in [
        (skipped, "given up"),
        (unfinished, "not finished"),
        (account.not_reached.unwrap_or(0), "not reached"),
        (account.abandoned, "times begun anew or abandoned"),
    ] {
        if number > 0 {
            words += &format!(", {} {what}", count(number));
        }
    }
    Some(words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_told_in_one_line() {
        let check = |account: Account, wanted: Option<&str>| {
            assert_eq!(points_words(&account).as_deref(), wanted);
        };
        check(Account::default(), None);
        let account = Account { planned: Some(312), finished: 310, ..Account::default() };
        check(account, Some("points: 312 planned, 310 finished"));
        let account = Account { skipped: 1, not_reached: Some(1), abandoned: 4, ..account };
        let told = "points: 312 planned, 310 finished, 1 given up, 1 not reached, 4 times begun anew \
                    or abandoned";
        check(account, Some(told));
        let account = Account { finished: 7, unfinished: 1, ..Account::default() };
        check(account, Some("points: unknown planned, 7 finished, 1 not finished"));
    }
}
