//! What the operator wants of a run, by signals and by requests from another terminal.
//!
//! Requests are lines of a file in the run's folder, so that they reach a run on any machine that
//! shares the folder, and stay with it as a trace of who wanted what.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use super::live::wish_on_signals;
use crate::record::RunFolder;
use crate::run::Control;

/// File of requests within a run folder.
const REQUESTS_FILE: &str = "requests";
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
        let mut file = File::options().create(true).append(true).open(path)?;
        file.write_all(format!("{}\n", self.line()).as_bytes())
    }
}

/// Listens for signals and requests as long as it lives.
pub(super) struct Wishes {
    control: Control,
    over: Arc<AtomicBool>,
    listener: Option<JoinHandle<()>>,
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
            Ok(listener) => Some(listener),
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
            listener.thread().unpark();
            // It only reads a file; a panic in it has nothing to tell here.
            let _ = listener.join();
        }
    }
}

/// The requests in a file that were not read yet.
struct Requests {
    path: PathBuf,
    read: u64,
}

impl Requests {
    fn from_now(path: PathBuf) -> Self {
        let read = std::fs::metadata(&path).map_or(0, |file| file.len());
        Requests { path, read }
    }

    /// Those whose line is whole.
    fn take(&mut self) -> Vec<Request> {
        let Ok(mut file) = File::open(&self.path) else { return Vec::new() };
        let mut text = String::new();
        let read = file
            .seek(SeekFrom::Start(self.read))
            .and_then(|_| file.take(4096).read_to_string(&mut text));
        if read.is_err() {
            return Vec::new();
        }
        let whole = text.rfind('\n').map_or(0, |end| end + 1);
        self.read += whole as u64;
        text[..whole].lines().filter_map(Request::of).collect()
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
}
