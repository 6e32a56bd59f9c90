//! The catalogue: an SQLite index over all runs below one folder, `catalogue.sqlite`.
//!
//! An index and nothing more: everything in it comes from the journals and can be rebuilt from the
//! run folders at any time. Knows nothing of sequences or instruments. Journal mode is write-ahead,
//! so that a second process reads while a run writes.

mod index;
mod mend;
mod query;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

use super::error::{RecordError, RecordErrorKind};

pub use index::Indexed;
pub use query::{
    CaptureRow, ExpectationRow, MeasurementRow, PointRow, RunRow, RunsWanted, SettingRow,
};

/// File name of the catalogue within the folder of runs.
pub const CATALOGUE_FILE: &str = "catalogue.sqlite";

/// Version of the tables; another one is thrown away and rebuilt, as it is only an index.
const SCHEMA_VERSION: i64 = 5;
/// How long a reader or writer waits for another one.
const BUSY_WAIT: Duration = Duration::from_secs(10);

const SCHEMA: &str = include_str!("schema.sql");

/// An open catalogue.
#[derive(Debug)]
pub struct Catalogue {
    connection: Connection,
    root: PathBuf,
    notices: Vec<String>,
}

impl Catalogue {
    /// Opens the catalogue of the runs below `root`, making it when there is none.
    ///
    /// One that is damaged is put aside and made anew, empty; where none can be written, it is in
    /// memory. [`Self::notices`] tells of either.
    ///
    /// # Errors
    /// When the folder cannot be made.
    pub fn open(root: &Path) -> Result<Self, RecordError> {
        std::fs::create_dir_all(root).map_err(RecordError::io(root, "create"))?;
        Self::open_file(root).or_else(|error| Self::instead(root, &error))
    }

    fn open_file(root: &Path) -> rusqlite::Result<Self> {
        let mut connection = Connection::open(root.join(CATALOGUE_FILE))?;
        prepare(&mut connection)?;
        Ok(Self { connection, root: root.to_owned(), notices: Vec::new() })
    }

    /// Opens an existing catalogue for reading only, as a second process does beside a run.
    ///
    /// # Errors
    /// When there is none, or it was made by another version.
    pub fn open_to_read(root: &Path) -> Result<Self, RecordError> {
        let path = root.join(CATALOGUE_FILE);
        let fail = |error| RecordError::new(&path, RecordErrorKind::Catalogue(error));
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(&path, flags).map_err(fail)?;
        connection.busy_timeout(BUSY_WAIT).map_err(fail)?;
        let found = schema_version(&connection).map_err(fail)?;
        if found != SCHEMA_VERSION {
            let (found, known) = (found.to_string(), SCHEMA_VERSION.to_string());
            return Err(RecordError::new(&path, RecordErrorKind::Format { found, known }));
        }
        Ok(Self { connection, root: root.to_owned(), notices: Vec::new() })
    }

    /// What had to be done to have a catalogue at all, in words; empty when nothing was amiss.
    pub fn notices(&self) -> &[String] {
        &self.notices
    }

    /// The folder of runs this is the catalogue of.
    pub fn root(&self) -> &Path {
        &self.root
    }

    fn fail(&self, error: rusqlite::Error) -> RecordError {
        RecordError::new(&self.root.join(CATALOGUE_FILE), RecordErrorKind::Catalogue(error))
    }

    /// Runs `write` in one transaction: all of it happens, or nothing.
    fn write(
        &mut self,
        write: impl FnOnce(&Transaction<'_>) -> Result<(), Refused>,
    ) -> Result<(), RecordError> {
        let write = || -> Result<(), Refused> {
            let behavior = TransactionBehavior::Immediate;
            let transaction = self.connection.transaction_with_behavior(behavior)?;
            write(&transaction)?;
            Ok(transaction.commit()?)
        };
        write().map_err(|refused| match refused {
            Refused::Database(error) => self.fail(error),
            Refused::Record(error) => error,
        })
    }
}

/// Why something could not be written into the catalogue.
enum Refused {
    /// The database does not take it.
    Database(rusqlite::Error),
    /// What it is to be filled from cannot be read.
    Record(RecordError),
}

impl From<rusqlite::Error> for Refused {
    fn from(error: rusqlite::Error) -> Self {
        Self::Database(error)
    }
}

impl From<RecordError> for Refused {
    fn from(error: RecordError) -> Self {
        Self::Record(error)
    }
}

fn schema_version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

fn prepare(connection: &mut Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(BUSY_WAIT)?;
    // Where the file system cannot share memory, SQLite keeps another mode and says so; both work.
    connection.query_row("PRAGMA journal_mode = WAL", [], |row| row.get::<_, String>(0))?;
    connection.execute_batch("PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON;")?;
    // Looked at within the transaction: of two processes that come first, one makes the tables.
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    if schema_version(&transaction)? != SCHEMA_VERSION {
        transaction.execute_batch(SCHEMA)?;
    }
    transaction.commit()
}

#[cfg(test)]
mod tests;
