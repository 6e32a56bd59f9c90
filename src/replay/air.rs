//! What was on the air in a run, from its frozen bench file and frame files: all that the analysis of
//! captures needs of a bench. Knows no instrument, model or fault plan.

use std::path::Path;

use beamwarden_drivers::fault::{Fault, Faults, Source};

use super::error::ReplayError;
use super::recorded::Recorded;
use crate::bench::file::{BenchFile, SignalEntry};
use crate::bench::frame_file::{FrameFile, NamedFrame};
use crate::record::RecordError;

/// What was on the air.
#[derive(Clone, Debug)]
pub struct Air {
    /// Rate and roll-off where a capture does not tell them.
    pub(super) signal: SignalEntry,
    own: Vec<NamedFrame>,
}

impl Air {
    /// Reads the frozen bench file and the frame files that it names.
    ///
    /// # Errors
    /// When one of them was changed since, cannot be read, or does not fit this version.
    pub fn of(recorded: &Recorded) -> Result<Self, ReplayError> {
        recorded.check_inputs(super::inputs::Use::Captures)?;
        let folder = recorded.folder.path();
        let source = read(&folder.join("bench.yaml"))?;
        let refused = |faults: Faults| ReplayError::Faults(vec![faults]);
        let (file, mut faults) = BenchFile::read(&source).map_err(refused)?;
        let (frames, mut own) = (folder.join("frames"), Vec::new());
        for place in &file.frames {
            let base = Path::new(&place.text).file_name().unwrap_or(place.text.as_ref());
            let base = base.to_string_lossy();
            if frames.join(format!("2-{base}")).exists() {
                let message = format!(
                    "the run keeps several files called {base}, and does not tell which of them this was"
                );
                faults.push(Fault::new(place.span.clone(), message));
                continue;
            }
            let source = read(&frames.join(&*base))?;
            own.push(FrameFile::read(&source, &frames).map_err(refused)?.frame);
        }
        if faults.is_empty() {
            Ok(Air { signal: file.signal, own })
        } else {
            Err(refused(Faults::new(source, faults)))
        }
    }

    /// The frame of a name: one of the run's own, or one that has a name of its own.
    pub(super) fn frame(&self, name: &str) -> Result<NamedFrame, String> {
        match self.own.iter().find(|frame| frame.name == name) {
            Some(frame) => Ok(frame.clone()),
            None => NamedFrame::parse(name).map_err(|error| error.to_string()),
        }
    }
}

fn read(path: &Path) -> Result<Source, ReplayError> {
    Ok(Source::read(path).map_err(RecordError::io(path, "read"))?)
}
