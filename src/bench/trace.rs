//! Keeps every message to and from each instrument in the run's folder.

use std::fs::File;
use std::io::{LineWriter, Write};
use std::path::PathBuf;

use beamwarden_drivers::transport::{Direction, TraceEvent, TraceSink};

/// Where traces go: one file of JSON lines an instrument.
#[derive(Clone, Debug)]
pub struct TraceKeeper {
    folder: PathBuf,
}

impl TraceKeeper {
    /// Makes the folder.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn in_folder(folder: PathBuf) -> std::io::Result<Self> {
        std::fs::create_dir_all(&folder)?;
        Ok(TraceKeeper { folder })
    }

    /// The sink of one instrument.
    pub(super) fn sink(&self, instrument: &str) -> impl TraceSink + use<> {
        let path = self.folder.join(format!("{instrument}.jsonl"));
        let file = match File::options().create(true).append(true).open(&path) {
            Ok(file) => Some(LineWriter::new(file)),
            Err(error) => {
                tracing::warn!(path = %path.display(), %error, "the trace is not kept");
                None
            }
        };
        Keeper { file }
    }
}

/// Tells every message as a line of the log, for whoever asked to see them.
pub(super) fn told(instrument: &str) -> impl TraceSink + use<> {
    let name = instrument.to_string();
    move |event: TraceEvent| {
        let text = event.text;
        match event.direction {
            Direction::Sent => tracing::trace!("{name} <- {text}"),
            Direction::Received => tracing::trace!("{name} -> {text}"),
            Direction::Unasked => tracing::trace!("{name} -> {text} (no whole answer)"),
            Direction::Opened => tracing::trace!("{name} opened: {text}"),
            Direction::Cleared => tracing::trace!("{name} cleared: {text}"),
            Direction::Status => tracing::trace!("{name} status byte: {text}"),
            Direction::ServiceRequest => tracing::trace!("{name} asks for service: {text}"),
            Direction::Failed => tracing::trace!("{name}: {text}"),
        }
    }
}

struct Keeper {
    /// Each line goes to the system at once: after a crash the last message is what one looks for.
    file: Option<LineWriter<File>>,
}

impl TraceSink for Keeper {
    fn record(&mut self, event: TraceEvent) {
        let Some(file) = &mut self.file else { return };
        let line = serde_json::to_string(&event).unwrap_or_default();
        if let Err(error) = writeln!(file, "{line}") {
            // A full disk ends the run through the journal; the trace only stops.
            tracing::warn!(%error, "the trace ends here");
            self.file = None;
        }
    }
}
