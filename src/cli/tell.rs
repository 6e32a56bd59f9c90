//! Tells somebody who is not there, by the bench file's own ways: a command, a webhook.

use std::io::Write;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::json;

use crate::bench::BenchPlan;
use crate::bench::notify::Notify;
use crate::record::RunFolder;
use crate::run::{Later, Notifier, Told};
use crate::sequence::{Action, Sequence, Step};

/// File within a run folder that says beside what the bench file lay: a run that goes on finds the
/// command of 'notify' there, for its frozen bench file lies elsewhere.
const BESIDE_FILE: &str = "bench.folder";

/// The ways of a bench, with the command beside the bench file.
pub(super) fn ways(plan: &BenchPlan, bench: Option<&Path>) -> Option<Notify> {
    let mut notify = plan.notify.clone()?;
    notify.beside(bench.and_then(Path::parent).unwrap_or(Path::new("")));
    Some(notify)
}

/// The same of a run that goes on.
pub(super) fn ways_of_run(plan: &BenchPlan, folder: &RunFolder) -> Option<Notify> {
    let mut notify = plan.notify.clone()?;
    let near = std::fs::read_to_string(folder.path().join(BESIDE_FILE)).unwrap_or_default();
    notify.beside(Path::new(near.trim_end_matches('\n')));
    Some(notify)
}

/// Leaves in a run's folder beside what its bench file lay.
pub(super) fn keep_place(folder: &RunFolder, bench: Option<&Path>) -> std::io::Result<()> {
    let near = bench.and_then(Path::parent).unwrap_or(Path::new(""));
    let near = if near.as_os_str().is_empty() { Path::new(".") } else { near };
    let near = std::path::absolute(near)?;
    std::fs::write(folder.path().join(BESIDE_FILE), format!("{}\n", near.display()))
}

/// What is to be known before a run of whom it will tell; none when all is well.
pub(super) fn remark(notify: Option<&Notify>, sequence: &Sequence) -> Option<String> {
    match notify {
        Some(notify) => notify.cannot_start(),
        None if tells(&sequence.prepare) || tells(&sequence.steps) || tells(&sequence.finally) => {
            Some(
                "the sequence has 'notify', and the bench file names nobody to tell: nobody will be told"
                    .to_string(),
            )
        }
        None => None,
    }
}

/// Whether some step is to tell somebody.
fn tells(steps: &[Step]) -> bool {
    steps.iter().any(|step| match &step.action {
        Action::Notify(_) => true,
        Action::Sweep(sweep) => tells(&sweep.body),
        Action::Call(call) => tells(&call.steps),
        Action::Repeat(repeat) => tells(&repeat.body),
        Action::When(when) => tells(&when.then) || tells(&when.otherwise),
        _ => false,
    })
}

/// How often a command is looked at while it works.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// The ways of a bench, for one run.
pub(super) struct ByBench {
    notify: Option<Notify>,
    run: String,
}

impl ByBench {
    /// `run` is the run's folder, which the message names.
    pub(super) fn new(notify: Option<Notify>, run: String) -> Self {
        ByBench { notify, run }
    }
}

impl Notifier for ByBench {
    fn tell<'a>(&'a mut self, text: &'a str) -> Later<'a, Told> {
        let Some(notify) = self.notify.clone() else {
            return Box::pin(std::future::ready(Told::default()));
        };
        let (run, text) = (self.run.clone(), text.to_string());
        Box::pin(async move {
            // A thread of its own: neither a slow program nor a slow network may hold the run's clock.
            let told = tokio::task::spawn_blocking(move || by_all_ways(&notify, &run, &text)).await;
            told.unwrap_or_else(|error| Told { by: None, failed: Some(error.to_string()) })
        })
    }
}

fn by_all_ways(notify: &Notify, run: &str, text: &str) -> Told {
    let (mut by, mut failed) = (Vec::new(), Vec::new());
    if !notify.command.is_empty() {
        by.push("command");
        failed.extend(by_command(notify, run, text).err());
    }
    if let Some(address) = &notify.webhook {
        by.push("webhook");
        failed.extend(by_webhook(address, notify.timeout, run, text).err());
    }
    let joined = |words: Vec<String>| (!words.is_empty()).then(|| words.join("; "));
    Told { by: (!by.is_empty()).then(|| by.join(" and ")), failed: joined(failed) }
}

/// Runs the command with the text at its standard input and the run's folder in its environment.
fn by_command(notify: &Notify, run: &str, text: &str) -> Result<(), String> {
    let Some((program, arguments)) = notify.command.split_first() else { return Ok(()) };
    let failed =
        |what: &str, error: std::io::Error| format!("failed to {what} '{program}': {error}");
    let mut command = Command::new(program);
    command
        .args(arguments)
        .env("BEAMWARDEN_RUN", run)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    // A group of its own: what it starts ends with it, and Ctrl-C is meant for the run.
    #[cfg(unix)]
    std::os::unix::process::CommandExt::process_group(&mut command, 0);
    let mut child = command.spawn().map_err(|error| failed("start", error))?;
    if let Some(mut input) = child.stdin.take() {
        let text = format!("{text}\n");
        // On a thread that nobody waits for: a program that does not read would hold the run. Whoever
        // does not care to read the text is told all the same.
        let written = std::thread::Builder::new()
            .name("notify".to_string())
            .spawn(move || input.write_all(text.as_bytes()));
        if let Err(error) = written {
            end(&mut child);
            return Err(failed("write to", error));
        }
    }
    wait(&mut child, notify.timeout).map_err(|why| format!("'{program}' {why}"))
}

/// Waits for a child; one that takes too long is ended.
fn wait(child: &mut Child, timeout: Duration) -> Result<(), String> {
    let mut waited = Duration::ZERO;
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(format!("ended with {status}")),
            Err(error) => return Err(format!("cannot be waited for: {error}")),
            Ok(None) if waited >= timeout => {
                end(child);
                return Err(format!("took longer than {} s and was ended", timeout.as_secs_f64()));
            }
            Ok(None) => {
                std::thread::park_timeout(LOOK_EVERY);
                waited += LOOK_EVERY;
            }
        }
    }
}

/// Ends a child and what it has started. It may have ended at this moment; either way it must not stay
/// behind.
fn end(child: &mut Child) {
    #[cfg(unix)]
    if let Ok(group) = i32::try_from(child.id()) {
        use nix::sys::signal::{Signal, killpg};
        let _ = killpg(nix::unistd::Pid::from_raw(group), Signal::SIGKILL);
    }
    let _ = child.kill().and_then(|()| child.wait());
}

fn by_webhook(address: &str, timeout: Duration, run: &str, text: &str) -> Result<(), String> {
    let agent: ureq::Agent =
        ureq::Agent::config_builder().timeout_global(Some(timeout)).build().into();
    let body = json!({"run": run, "text": text}).to_string();
    let sent = agent.post(address).header("Content-Type", "application/json").send(&body);
    sent.map(|_| ()).map_err(|error| format!("failed to post to {address}: {error}"))
}

#[cfg(test)]
mod tests {
    use std::io::{BufRead, BufReader, Read};
    use std::net::TcpListener;

    use super::*;

    fn notify(command: &[&str], webhook: Option<String>, timeout_ms: u64) -> Notify {
        Notify {
            command: command.iter().map(ToString::to_string).collect(),
            webhook,
            timeout: Duration::from_millis(timeout_ms),
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_command_gets_the_text_and_the_run() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("told");
        let script = format!("read line; echo \"$BEAMWARDEN_RUN: $line\" > {}", file.display());
        let told = by_all_ways(&notify(&["sh", "-c", &script], None, 5000), "runs/x", "all done");
        assert_eq!(told, Told { by: Some("command".into()), failed: None });
        assert_eq!(std::fs::read_to_string(file).unwrap(), "runs/x: all done\n");
    }

    #[cfg(unix)]
    #[test]
    fn what_does_not_get_through_says_why() {
        for (command, why) in [
            (["sh", "-c", "exit 3"], "'sh' ended with exit status: 3"),
            (["sh", "-c", "sleep 60"], "'sh' took longer than 0.1 s and was ended"),
        ] {
            let told = by_all_ways(&notify(&command, None, 100), "r", "t");
            assert_eq!(told.failed.as_deref(), Some(why));
        }
        let told = by_all_ways(&notify(&["/nowhere/at-all"], None, 100), "r", "t");
        assert!(told.failed.unwrap().starts_with("failed to start '/nowhere/at-all'"));
    }

    /// More text than a pipe holds, to a program that does not read it, and whose own child holds the
    /// pipe open.
    #[cfg(unix)]
    #[test]
    fn a_command_that_does_not_read_is_ended_with_all_that_it_started() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("grandchild");
        let script = format!("sleep 300 & echo $! > {}; wait", file.display());
        let text = "x".repeat(1 << 20);
        for command in [vec!["sleep", "300"], vec!["sh", "-c", &script]] {
            let told = by_all_ways(&notify(&command, None, 500), "r", &text);
            let why = format!("'{}' took longer than 0.5 s and was ended", command[0]);
            assert_eq!(told.failed, Some(why));
        }
        let started = std::fs::read_to_string(file).unwrap();
        let started = nix::unistd::Pid::from_raw(started.trim().parse().unwrap());
        let mut left = true;
        for _ in 0..100 {
            let state = std::fs::read_to_string(format!("/proc/{started}/stat"));
            // Nobody but the system may be there to bury it.
            left = state.is_ok_and(|state| !state.contains(") Z "));
            if !left {
                break;
            }
            std::thread::park_timeout(LOOK_EVERY);
        }
        assert!(!left, "what it started goes on");
    }

    #[test]
    fn a_webhook_gets_the_text_as_json() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = format!("http://{}/told", listener.local_addr().unwrap());
        let served = std::thread::spawn(move || {
            let (mut stream, _) = listener.accept().unwrap();
            let mut input = BufReader::new(stream.try_clone().unwrap());
            let (mut line, mut length) = (String::new(), 0);
            while input.read_line(&mut line).unwrap() > 2 {
                if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
                    length = value.trim().parse().unwrap();
                }
                line.clear();
            }
            let mut body = vec![0; length];
            input.read_exact(&mut body).unwrap();
            stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").unwrap();
            String::from_utf8(body).unwrap()
        });
        let told = by_all_ways(&notify(&[], Some(address), 5000), "runs/x", "all \"done\"");
        assert_eq!(told, Told { by: Some("webhook".into()), failed: None });
        let body: serde_json::Value = serde_json::from_str(&served.join().unwrap()).unwrap();
        assert_eq!(body, json!({"run": "runs/x", "text": "all \"done\""}));
    }
}
