//! The report of a run: one self-contained page, and numbers as an engineer reads them.
//!
//! Reads a run folder through [`crate::record`], and nothing else. The page needs no network, no
//! script and no other file: it opens from a mail attachment.

mod captures;
mod comparison;
mod even;
mod happened;
mod html;
mod notes;
mod number;
mod page;
mod plot;
mod run;
mod search;
mod settings;
mod story;
mod totals;
mod trends;

use std::path::{Path, PathBuf};

use crate::record::{RecordError, RunFolder};

pub use comparison::{ComparedFigure, ComparedPair, Comparison};
pub use happened::{Happened, happened};
pub use notes::shortened;
pub use number::{count, duration, error_rate, number, number_exact, rate, recorded, spread};

/// Writes `report.html` into the run folder, over an older one, and returns its path.
///
/// # Errors
/// When the journal cannot be read, or the page cannot be written.
pub fn write(folder: &RunFolder) -> Result<PathBuf, RecordError> {
    let page = page(folder)?;
    folder.write_report(&page)
}

/// Writes the page to `file`, over an older one, and returns that path.
///
/// # Errors
/// As for [`write()`], and when `file` is another part of the run's record.
pub fn write_to(folder: &RunFolder, file: &Path) -> Result<PathBuf, RecordError> {
    let page = page(folder)?;
    folder.write_report_to(&page, file)?;
    Ok(file.to_owned())
}

/// The report as HTML.
///
/// # Errors
/// When the journal cannot be read. Captures and analyses that cannot be read are told in the page.
pub fn page(folder: &RunFolder) -> Result<String, RecordError> {
    Ok(page::render(&run::Run::gather(folder)?))
}

#[cfg(test)]
mod tests;
