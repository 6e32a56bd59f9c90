//! Who is told when a run ends or a sequence asks for it: a command or a webhook of the user's.
//!
//! Values only; the run tells.

use std::path::{Path, PathBuf};
use std::time::Duration;

use beamwarden_drivers::fault::Fault;
use beamwarden_drivers::marked::Node;

use super::durations::period_of;

/// How somebody is told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notify {
    /// A program and its arguments; the text comes at its standard input.
    pub command: Vec<String>,
    /// Address that the text is posted to: `http://127.0.0.1:8080/told`.
    pub webhook: Option<String>,
    /// Longest time for either.
    pub timeout: Duration,
}

impl Notify {
    /// A program that is named with a `/` lies beside the bench file, like every other file that it
    /// names; one that is named without is looked for in the folders of `PATH`.
    pub fn beside(&mut self, near: &Path) {
        let Some(program) = self.command.first_mut().filter(|program| program.contains('/')) else {
            return;
        };
        // `join` leaves an absolute path as it is.
        let path = near.join(&*program);
        let path = std::path::absolute(&path).unwrap_or(path);
        *program = path.display().to_string();
    }

    /// Why its program cannot be started, as far as that is known without starting it.
    #[must_use]
    pub fn cannot_start(&self) -> Option<String> {
        let program = self.command.first()?;
        if program.contains('/') {
            return why_no_program(Path::new(program))
                .map(|why| format!("the command of 'notify' {why}: {program}"));
        }
        let folders = std::env::var_os("PATH").unwrap_or_default();
        let mut places = std::env::split_paths(&folders).map(|folder| folder.join(program));
        let found = places.any(|place: PathBuf| why_no_program(&place).is_none());
        (!found).then(|| {
            format!("the command of 'notify', {program}, is in no folder of PATH; one beside the bench file is written ./{program}")
        })
    }
}

/// Why a file is no program that can be started.
fn why_no_program(path: &Path) -> Option<&'static str> {
    let Ok(file) = path.metadata() else { return Some("does not exist") };
    if !file.is_file() {
        return Some("is no file");
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        if file.permissions().mode() & 0o111 == 0 {
            return Some("is not executable (chmod +x)");
        }
    }
    None
}

/// Longest time when the file does not say.
const TIMEOUT_DEFAULT: Duration = Duration::from_secs(10);

/// Reads what stands under `notify`.
pub(super) fn read(node: Option<&Node>, faults: &mut Vec<Fault>) -> Option<Notify> {
    let node = node?;
    let words = node.get("command").map_or(&[][..], Node::items);
    let command: Vec<String> = words.iter().filter_map(Node::text).map(str::to_string).collect();
    let at = |key: &str| node.get(key).map_or(0..0, |place| place.span.clone());
    let webhook = node.get("webhook").and_then(Node::text).map(str::to_string);
    if node.get("command").is_some() && command.first().is_none_or(|word| word.trim().is_empty()) {
        faults.push(Fault::new(at("command"), "the first word of a command names a program"));
    }
    if let Some(address) = &webhook
        && address.strip_prefix("http://").is_none_or(str::is_empty)
    {
        let fault = Fault::new(at("webhook"), "a webhook begins with http://");
        faults.push(fault.with_help("for https name a program that posts under 'command'"));
    }
    if command.is_empty() && webhook.is_none() && node.get("command").is_none() {
        let span = node.span.start..(node.span.start + 1).min(node.span.end);
        faults.push(Fault::new(span, "say how: a command, a webhook, or both"));
    }
    let timeout = period_of(node, "timeout", faults).unwrap_or(TIMEOUT_DEFAULT);
    Some(Notify { command, webhook, timeout })
}

#[cfg(test)]
mod tests {
    use super::*;
    use beamwarden_drivers::fault::Source;

    #[track_caller]
    fn check(text: &str, wanted: Result<Notify, &str>) {
        let source = Source::new("b.yaml", text);
        let (root, mut faults) = beamwarden_drivers::marked::parse(&source).unwrap();
        let notify = read(root.get("notify"), &mut faults);
        match wanted {
            Ok(wanted) => assert_eq!((notify, faults), (Some(wanted), Vec::new()), "{text}"),
            Err(message) => assert_eq!(faults[0].message, message, "{text}"),
        }
    }

    #[test]
    fn ways_of_telling_are_read() {
        let command = vec!["mail".to_string(), "-s".into(), "the night".into()];
        let timeout = Duration::from_secs(10);
        check(
            "notify: {command: [mail, -s, the night]}",
            Ok(Notify { command, webhook: None, timeout }),
        );
        let webhook = Some("http://127.0.0.1:8080/told".to_string());
        check(
            "notify: {webhook: \"http://127.0.0.1:8080/told\", timeout: 3 s}",
            Ok(Notify { command: Vec::new(), webhook, timeout: Duration::from_secs(3) }),
        );
        check("notify: {}", Err("say how: a command, a webhook, or both"));
        check("notify: {command: []}", Err("the first word of a command names a program"));
        check("notify: {webhook: ftp://x}", Err("a webhook begins with http://"));
        check("notify: {command: [x], timeout: 0 s}", Err("'timeout' is more than 0 s"));
    }

    #[cfg(unix)]
    #[test]
    fn a_program_lies_beside_the_bench_file_and_can_be_started() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let of = |program: &str| {
            let command = vec![program.to_string(), "./x".to_string()];
            let mut notify = Notify { command, webhook: None, timeout: TIMEOUT_DEFAULT };
            notify.beside(folder.path());
            notify
        };
        let path = folder.path().join("call-me.sh");
        let notify = of("./call-me.sh");
        assert_eq!(Path::new(&notify.command[0]), path);
        assert_eq!(notify.command[1], "./x");
        let told = |notify: &Notify| notify.cannot_start().unwrap_or_default();
        assert!(told(&notify).contains("does not exist: /"), "{}", told(&notify));
        std::fs::write(&path, "#!/bin/sh\n").unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(told(&notify).contains("is not executable"), "{}", told(&notify));
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).unwrap();
        assert_eq!(notify.cannot_start(), None);
        assert_eq!(of("sh").cannot_start(), None);
        assert_eq!(of("sh").command[0], "sh");
        assert!(told(&of("no-such-program-here")).contains("./no-such-program-here"));
        assert_eq!(of("/bin/sh").command[0], "/bin/sh");
        let webhook = Some("http://127.0.0.1:1/".to_string());
        let notify = Notify { command: Vec::new(), webhook, timeout: TIMEOUT_DEFAULT };
        assert_eq!(notify.cannot_start(), None);
    }
}
