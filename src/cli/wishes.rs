//! What the operator wants of a run, by signals and by requests from another terminal.
//!
//! Requests are lines of a file in the run's folder, so that they reach a run on any machine that
//! shares the folder, and stay with it as a trace of who wanted what.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::Thread;
use std::time::Duration;

use super::live::wish_on_signals;
use crate::record::RunFolder;
use crate::run::Control;

/// File of requests within a run folder.
const REQUESTS_FILE: &str = "requests";
/// Longest line that is looked at; no request is nearly as long.
const LINE_BYTES_MAX: usize = 256;
/// Most bytes that are read at one look.
const BYTES_AT_ONCE: u64 = 1 << 16;
/// How often it is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// What may be asked of a run that goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Request {
    /// Stop after the action at hand.
    StopNow,
    /// Stop when the point at hand is done.
    StopAfterPoint,
    /// Pause when the point at hand is done.
    Pause,
    /// Go on after a pause.
    GoOn,
}

impl Request {
    const ALL: [(Request, &'static str); 4] = [
        (Request::StopNow, "stop now"),
        (Request::StopAfterPoint, "stop after point"),
        (Request::Pause, "pause"),
        (Request::GoOn, "go on"),
    ];

    fn line(self) -> &'static str {
        Self::ALL.iter().find(|(request, _)| *request == self).map_or("", |(_, line)| line)
    }

    fn of(line: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, known)| *known == line.trim()).map(|(request, _)| *request)
    }

    fn give(self, control: &Control) {
        match self {
            Request::StopNow => control.stop_now(),
            Request::StopAfterPoint => control.stop_after_point(),
            Request::Pause => control.pause(),
            Request::GoOn => control.go_on(),
        }
    }

    /// Leaves the request for a run.
    pub(super) fn leave(self, folder: &RunFolder) -> std::io::Result<()> {
        let path = folder.path().join(REQUESTS_FILE);
        if std::fs::metadata(&path).is_ok_and(|found| !found.is_file()) {
            let told = format!("{} is not a regular file; take it away", path.display());
            return Err(std::io::Error::other(told));
        }
        let mut file = File::options().create(true).append(true).open(path)?;
        file.write_all(format!("{}\n", self.line()).as_bytes())
    }
}

/// Listens for signals and requests as long as it lives.
pub(super) struct Wishes {
    control: Control,
    over: Arc<AtomicBool>,
    listener: Option<Thread>,
}

impl Wishes {
    /// Begins to listen; requests that were left before count no more.
    pub(super) fn listen(folder: &RunFolder) -> Self {
        let control = wish_on_signals();
        let over = Arc::new(AtomicBool::new(false));
        let mut requests = Requests::from_now(folder.path().join(REQUESTS_FILE));
        let (told, ends) = (control.clone(), over.clone());
        let listener = std::thread::Builder::new().name("requests".to_string()).spawn(move || {
            while !ends.load(Ordering::Relaxed) {
                requests.take().into_iter().for_each(|request| request.give(&told));
                std::thread::park_timeout(LOOK_EVERY);
            }
        });
        let listener = match listener {
            Ok(listener) => Some(listener.thread().clone()),
            Err(error) => {
                tracing::warn!(%error, "requests from other terminals are not heard");
                None
            }
        };
        Wishes { control, over, listener }
    }

    /// The wishes as the engine asks for them.
    pub(super) fn control(&self) -> Control {
        self.control.clone()
    }
}

impl Drop for Wishes {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(listener) = self.listener.take() {
            // Nobody waits for its end: a folder that hangs must not hold the run's own.
            listener.unpark();
        }
    }
}

/// The requests in a file that were not read yet.
struct Requests {
    path: PathBuf,
    /// Bytes read of it.
    read: u64,
    /// The line at its end that is not whole yet.
    begun: Vec<u8>,
    /// Whether that line is longer than any request: what comes up to its end counts for nothing.
    too_long: bool,
}

impl Requests {
    fn from_now(path: PathBuf) -> Self {
        let read = std::fs::metadata(&path).map_or(0, |file| file.len());
        Requests { path, read, begun: Vec::new(), too_long: false }
    }

    /// Those whose line is whole. Whatever else stands in the file is passed over, so that it keeps
    /// nobody from being heard.
    fn take(&mut self) -> Vec<Request> {
        // To open anything else than a file may take for ever.
        let length = match std::fs::metadata(&self.path) {
            Ok(found) if found.is_file() => found.len(),
            _ => return Vec::new(),
        };
        if length < self.read {
            // Somebody has written it anew.
            *self = Requests { read: 0, ..Self::from_now(std::mem::take(&mut self.path)) };
        }
        if length == self.read {
            return Vec::new();
        }
        let mut bytes = Vec::new();
        let read = File::open(&self.path).and_then(|mut file| {
            file.seek(SeekFrom::Start(self.read))?;
            file.take(BYTES_AT_ONCE).read_to_end(&mut bytes)
        });
        if read.is_err() {
            return Vec::new();
        }
        self.read += bytes.len() as u64;
        bytes.iter().filter_map(|byte| self.take_byte(*byte)).collect()
    }

    fn take_byte(&mut self, byte: u8) -> Option<Request> {
        if byte != b'\n' {
            self.too_long |= self.begun.len() >= LINE_BYTES_MAX;
            if !self.too_long {
                self.begun.push(byte);
            }
            return None;
        }
        let line = std::mem::take(&mut self.begun);
        let too_long = std::mem::take(&mut self.too_long);
        if too_long { None } else { Request::of(std::str::from_utf8(&line).ok()?) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_are_heard_once_and_only_new_ones() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(REQUESTS_FILE);
        std::fs::write(&path, "stop now\n").unwrap();
        let mut requests = Requests::from_now(path.clone());
        assert_eq!(requests.take(), []);
        let mut file = File::options().append(true).open(&path).unwrap();
        file.write_all(b"pause\nnonsense\ngo").unwrap();
        assert_eq!(requests.take(), [Request::Pause]);
        file.write_all(b" on\n").unwrap();
        assert_eq!(requests.take(), [Request::GoOn]);
        assert_eq!(requests.take(), []);
    }
    /// Whatever somebody writes there, the next request is heard.
    #[test]
    fn nothing_in_the_file_makes_it_deaf() {
        for (what, noise) in [
            ("no text", &b"\xff\xfe\n"[..]),
            ("half a character before a request", b"\xc3\n"),
            ("a long line", &[b'a'; 5000]),
            ("zeros", &[0; 300]),
        ] {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join(REQUESTS_FILE);
            let mut requests = Requests::from_now(path.clone());
            let mut file = File::options().create(true).append(true).open(&path).unwrap();
            file.write_all(noise).unwrap();
            assert_eq!(requests.take(), [], "{what}");
            file.write_all(b"\nstop now\n").unwrap();
            assert_eq!(requests.take(), [Request::StopNow], "{what}");
            // Written anew, and shorter.
            std::fs::write(&path, "pause\n").unwrap();
            if noise.len() > 5 {
                assert_eq!(requests.take(), [Request::Pause], "{what}");
            }
        }
    }

    /// Opening a pipe waits for somebody who writes.
    #[cfg(unix)]
    #[test]
    fn only_a_regular_file_is_opened() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(REQUESTS_FILE);
        let made = std::process::Command::new("mkfifo").arg(&path).status().unwrap();
        assert!(made.success());
        let mut requests = Requests::from_now(path.clone());
        assert_eq!(requests.take(), []);
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, "go on\n").unwrap();
        assert_eq!(requests.take(), [Request::GoOn]);
    }
}
