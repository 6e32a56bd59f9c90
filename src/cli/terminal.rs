//! Where a command's words go: standard output for results, standard error for everything else.

use std::io::{self, IsTerminal, Write};

use super::failure::Failure;

/// The two streams and what they can do.
pub struct Terminal {
    out: Box<dyn Write + Send>,
    err: Box<dyn Write + Send>,
    /// Whether standard error shows colour.
    pub colour: bool,
    /// Whether a person watches standard error, so that progress may be redrawn.
    pub interactive: bool,
}

impl Terminal {
    /// The process's own streams. Colour is off when `NO_COLOR` is set or nobody watches.
    #[must_use]
    pub fn standard() -> Self {
        let interactive = io::stderr().is_terminal();
        let wanted = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
        Terminal {
            out: Box::new(io::stdout()),
            err: Box::new(io::stderr()),
            colour: interactive && wanted,
            interactive,
        }
    }

    /// Prints a line of the result.
    ///
    /// # Errors
    /// When the reader has gone away or the disk is full.
    pub fn line(&mut self, text: impl AsRef<str>) -> Result<(), Failure> {
        writeln!(self.out, "{}", text.as_ref()).and_then(|()| self.out.flush()).map_err(|error| {
            // A reader such as `head` that has seen enough is no failure of ours.
            if error.kind() == io::ErrorKind::BrokenPipe {
                Failure::reader_gone()
            } else {
                Failure::internal(anyhow::Error::new(error).context("failed to print"))
            }
        })
    }

    /// Prints a line about what is going on. Not being able to is no reason to stop.
    pub fn tell(&mut self, text: impl AsRef<str>) {
        let _ = writeln!(self.err, "{}", text.as_ref());
    }
}
