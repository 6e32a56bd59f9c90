//! The files that say what is sent: frames and the response of the source.

use std::path::{Path, PathBuf};

use beamwarden_drivers::fault::{Fault, Faults, Source};

use super::super::file::{Placed, SignalEntry};
use super::super::frame_file::FrameFile;
use super::super::response_file::read_response_file;
use super::Loader;
use crate::phy::waveform::FrequencyResponse;

impl Loader<'_> {
    /// The frame files; two frames of one name are a fault.
    pub(super) fn frames(&mut self, places: &[Placed]) -> Vec<FrameFile> {
        let mut frames: Vec<FrameFile> = Vec::new();
        for place in places {
            let Some((path, source)) = self.named_file(place, "frame file") else { continue };
            let near = path.parent().unwrap_or(Path::new(""));
            let Some(file) = self.taken(FrameFile::read(&source, near)) else { continue };
            if frames.iter().any(|known| known.frame.name == file.frame.name) {
                let message = format!("a second frame is called '{}'", file.frame.name);
                self.faults.push(Fault::new(place.span.clone(), message));
            }
            frames.push(file);
        }
        frames
    }

    /// The response that waveforms are corrected for.
    pub(super) fn correction(
        &mut self,
        signal: &SignalEntry,
    ) -> Option<(Source, FrequencyResponse)> {
        let (_, source) = self.named_file(signal.correction.as_ref()?, "response")?;
        let response = self.taken(read_response_file(&source))?;
        Some((source, response))
    }

    fn named_file(&mut self, place: &Placed, what: &str) -> Option<(PathBuf, Source)> {
        let path = self.near.unwrap_or(Path::new("")).join(&place.text);
        match Source::read(&path) {
            Ok(source) => Some((path, source)),
            Err(error) => {
                let message = format!("failed to read the {what} {}: {error}", path.display());
                self.faults.push(Fault::new(place.span.clone(), message));
                None
            }
        }
    }

    fn taken<T>(&mut self, read: Result<T, Faults>) -> Option<T> {
        read.map_err(|faults| self.others.push(faults)).ok()
    }
}
