//! Whether the frozen files of a run are still those that the journal tells of.
//!
//! A run that is replayed from other files than it ran with would differ, and its bench would be
//! blamed for it. Knows names and hashes; nothing of what the files hold.

use super::error::ReplayError;
use super::recorded::Recorded;
use crate::record::sha256_hex;

/// What a replay, or who goes on with a run, needs the frozen files for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Use {
    /// The simulated bench; the run's own model is needed where no other takes its place.
    Model {
        /// Whether it is the run's own model.
        own: bool,
    },
    /// The recorded messages.
    Trace,
    /// Today's analysis of the captures.
    Captures,
    /// Going on with the run itself: all of them.
    GoingOn,
}

impl Use {
    fn needs(self, file: &str) -> bool {
        let folder = file.split_once('/').map_or("", |(folder, _)| folder);
        match (self, folder) {
            (Use::Captures, "") => file != "sequence.yaml",
            (Use::Captures, folder) => folder == "frames",
            (Use::Trace, folder) => !matches!(folder, "models" | "faults"),
            // Simulated instruments are driven by the shipped profiles.
            (Use::Model { .. }, "profiles") => false,
            (Use::Model { own }, "models") => own,
            (Use::Model { .. } | Use::GoingOn, _) => true,
        }
    }
}

impl Recorded {
    /// Compares the frozen files with what the journal tells of them.
    ///
    /// # Errors
    /// [`ReplayError::Inputs`] with every file that is needed and was changed or is missing.
    pub fn check_inputs(&self, needed: Use) -> Result<(), ReplayError> {
        let mut told = Vec::new();
        for input in self.start.inputs.iter().filter(|input| needed.needs(&input.file)) {
            let file = &input.file;
            match std::fs::read(self.folder.path().join(file)) {
                Ok(bytes) if sha256_hex(&bytes) == input.sha256 => {}
                Ok(_) => told.push(format!("{file} was changed since it was recorded")),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                    told.push(format!("{file} is missing"));
                }
                Err(error) => told.push(format!("{file} cannot be read: {error}")),
            }
        }
        if told.is_empty() {
            return Ok(());
        }
        let run = self.folder.name().to_owned();
        Err(ReplayError::Inputs { run, what: told.join("; ") })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_replay_needs_its_own_files() {
        let check = |needed: Use, files: [bool; 8]| {
            let names = [
                "sequence.yaml",
                "bench.yaml",
                "profiles/scope.yaml",
                "registers/chip.yaml",
                "frames/short.yaml",
                "corrections/flat.csv",
                "models/far.yaml",
                "faults/plan.yaml",
            ];
            assert_eq!(names.map(|name| needed.needs(name)), files, "{needed:?}");
        };
        check(Use::Captures, [false, true, false, false, true, false, false, false]);
        check(Use::Trace, [true, true, true, true, true, true, false, false]);
        check(Use::Model { own: true }, [true, true, false, true, true, true, true, true]);
        check(Use::Model { own: false }, [true, true, false, true, true, true, false, true]);
    }
}
