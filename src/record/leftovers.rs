//! Files of captures that a run left behind when it was cut off between writing them and telling of
//! them. Knows nothing of what they hold.

use std::collections::BTreeSet;
use std::fs;

use super::analysis::ANALYSIS_ENDING;
use super::error::RecordError;
use super::event::Event;
use super::folder::{CAPTURES_FOLDER, RunFolder};
use super::sigmf::{DATA_ENDING, META_ENDING};

impl RunFolder {
    /// Removes files of the captures folder that the journal does not tell of, whole or half written:
    /// nobody relied on them, and the point they belong to begins anew. Yields their names.
    ///
    /// Only for the process that writes the journal.
    ///
    /// # Errors
    /// When the folder cannot be listed, a file not removed, or the journal not read.
    pub fn remove_leftovers(&self) -> Result<Vec<String>, RecordError> {
        let mut told = BTreeSet::new();
        for entry in self.journal_lines()?.entries() {
            match entry?.event {
                Event::Capture(taken) => {
                    told.insert(format!("{}.{DATA_ENDING}", taken.capture));
                    told.insert(format!("{}.{META_ENDING}", taken.capture));
                }
                Event::Figures(found) => {
                    told.insert(format!("{}.{ANALYSIS_ENDING}", found.capture));
                }
                _ => {}
            }
        }
        let folder = self.path().join(CAPTURES_FOLDER);
        let mut removed = Vec::new();
        for entry in fs::read_dir(&folder).map_err(RecordError::io(&folder, "list"))? {
            let entry = entry.map_err(RecordError::io(&folder, "list"))?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if !told.contains(&name) && entry.file_type().is_ok_and(|kind| kind.is_file()) {
                let path = entry.path();
                fs::remove_file(&path).map_err(RecordError::io(&path, "remove"))?;
                removed.push(name);
            }
        }
        removed.sort();
        Ok(removed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{fixture, verify};

    #[test]
    fn what_the_journal_does_not_tell_of_is_removed_and_nothing_else() {
        let root = tempfile::tempdir().unwrap();
        let run = fixture::story(root.path(), 100, 100);
        let captures = run.path().join(CAPTURES_FOLDER);
        let before = fs::read_dir(&captures).unwrap().count();
        for name in
            ["000099.sigmf-data", "000099.sigmf-meta", "000098.analysis.json", ".000097.part"]
        {
            fs::write(captures.join(name), "half").unwrap();
        }
        let removed = run.remove_leftovers().unwrap();
        assert_eq!(
            removed,
            [".000097.part", "000098.analysis.json", "000099.sigmf-data", "000099.sigmf-meta"]
        );
        assert_eq!(fs::read_dir(&captures).unwrap().count(), before);
        assert_eq!(verify(&run).unwrap(), []);
    }
}
