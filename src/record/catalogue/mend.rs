//! What to do with a catalogue that cannot be used: it is only an index, so it never stands in the
//! way of the runs. A damaged file is put aside and made anew; where nothing can be written, the
//! runs are indexed in memory. Either is told.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, ErrorCode};

use super::{CATALOGUE_FILE, Catalogue, prepare};
use crate::record::error::{RecordError, RecordErrorKind};

/// Most damaged catalogues that are kept beside each other.
const ASIDE_MAX: u32 = 99;

/// What a refusal of the database means for an index.
enum Refusal {
    /// The file does not hold what it should.
    Damaged,
    /// The file cannot be written or waited for; what it holds may be sound.
    OutOfReach,
}

impl Refusal {
    fn of(error: &rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(
                ErrorCode::ReadOnly
                | ErrorCode::CannotOpen
                | ErrorCode::PermissionDenied
                | ErrorCode::DiskFull
                | ErrorCode::SystemIoFailure
                | ErrorCode::FileLockingProtocolFailed
                | ErrorCode::NoLargeFileSupport
                | ErrorCode::DatabaseBusy
                | ErrorCode::DatabaseLocked
                | ErrorCode::OutOfMemory,
            ) => Self::OutOfReach,
            _ => Self::Damaged,
        }
    }
}

impl Catalogue {
    /// Opens the catalogue of the runs below `root`, brings it up to date and looks something up.
    ///
    /// A damaged catalogue is put aside and built anew; one that cannot be written is replaced by
    /// one in memory. What was done about it stands in [`Self::notices`].
    ///
    /// # Errors
    /// When the folder cannot be listed, or `look` fails with a sound catalogue.
    pub fn with_fresh<T>(
        root: &Path,
        look: impl Fn(&mut Self) -> Result<T, RecordError>,
    ) -> Result<(T, Vec<String>), RecordError> {
        let attempt = |mut catalogue: Self| {
            catalogue.refresh()?;
            let found = look(&mut catalogue)?;
            Ok((found, catalogue.notices))
        };
        // Damage may show only deep within the file, when a query comes there.
        match attempt(Self::open(root)?) {
            Err(RecordError { kind: RecordErrorKind::Catalogue(error), .. }) => {
                attempt(Self::instead(root, &error)?)
            }
            done => done,
        }
    }

    /// A catalogue in place of the one that was refused with `error`.
    pub(super) fn instead(root: &Path, error: &rusqlite::Error) -> Result<Self, RecordError> {
        let path = root.join(CATALOGUE_FILE);
        let in_memory = |why: String| {
            let notice = format!("{}: {why}; the runs were indexed in memory", path.display());
            Self::in_memory(root, notice)
        };
        if matches!(Refusal::of(error), Refusal::OutOfReach) {
            return in_memory(format!("cannot be used: {error}"));
        }
        let aside = match put_aside(&path) {
            Ok(aside) => aside,
            Err(kept) => return in_memory(format!("is damaged ({error}) and stays: {kept}")),
        };
        let notice = format!(
            "{} was damaged ({error}) and was built anew from the run folders; the damaged file is \
             kept as {}",
            path.display(),
            aside.display()
        );
        match Self::open_file(root) {
            Ok(catalogue) => Ok(Self { notices: vec![notice], ..catalogue }),
            Err(again) => in_memory(format!("cannot be made anew: {again}")),
        }
    }

    fn in_memory(root: &Path, notice: String) -> Result<Self, RecordError> {
        let open = || -> rusqlite::Result<Connection> {
            let mut connection = Connection::open_in_memory()?;
            prepare(&mut connection)?;
            Ok(connection)
        };
        let fail = |error| RecordError::new(root, RecordErrorKind::Catalogue(error));
        let connection = open().map_err(fail)?;
        Ok(Self { connection, root: root.to_owned(), notices: vec![notice] })
    }
}

/// Gives a damaged catalogue another name, with the files SQLite keeps beside it.
fn put_aside(path: &Path) -> std::io::Result<PathBuf> {
    let named = |ending: &str| PathBuf::from(format!("{}{ending}", path.display()));
    let free = (1..=ASIDE_MAX)
        .map(|n| if n == 1 { ".damaged".to_owned() } else { format!(".damaged-{n}") })
        .find(|ending| !named(ending).exists());
    let ending = free.unwrap_or_else(|| ".damaged".to_owned());
    fs::rename(path, named(&ending))?;
    for side in ["-wal", "-shm"] {
        // Left behind, they would be taken for those of the new file.
        match fs::rename(named(side), named(&format!("{ending}{side}"))) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    Ok(named(&ending))
}
