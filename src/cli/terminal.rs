//! Where a command's words go: standard output for results, standard error for everything else.

use std::borrow::Cow;
use std::io::{self, IsTerminal, Write};

use super::failure::Failure;

/// Text with nothing in it that a terminal would obey: what instruments and files say may hold
/// control characters, and those could move the cursor, hide lines or set the window's title.
pub(super) fn plain(text: &str) -> Cow<'_, str> {
    let obeyed = |c: char| {
        // Marks that turn the direction of writing let a text read as another one.
        let turns = matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        turns || (c.is_control() && !matches!(c, '\n' | '\t'))
    };
    if !text.chars().any(obeyed) {
        return Cow::Borrowed(text);
    }
    let shown = text.chars().map(|c| if obeyed(c) { '\u{fffd}' } else { c });
    Cow::Owned(shown.collect())
}

/// Standard error for the log: every event in [`plain`] text.
pub(super) struct PlainLog<W>(pub(super) W);

impl<W: Write> Write for PlainLog<W> {
    /// The log writes whole events at once, so that no character is cut in two.
    fn write(&mut self, event: &[u8]) -> io::Result<usize> {
        self.0.write_all(plain(&String::from_utf8_lossy(event)).as_bytes())?;
        Ok(event.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

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

    /// Prints a line of the result; control characters in it are made visible.
    ///
    /// # Errors
    /// When the reader has gone away or the disk is full.
    pub fn line(&mut self, text: impl AsRef<str>) -> Result<(), Failure> {
        let text = plain(text.as_ref());
        writeln!(self.out, "{text}").and_then(|()| self.out.flush()).map_err(|error| {
            // A reader such as `head` that has seen enough is no failure of ours.
            if error.kind() == io::ErrorKind::BrokenPipe {
                Failure::reader_gone()
            } else {
                Failure::internal(anyhow::Error::new(error).context("failed to print"))
            }
        })
    }

    /// Prints a line about what is going on; control characters in it are made visible. Not being
    /// able to print is no reason to stop.
    pub fn tell(&mut self, text: impl AsRef<str>) {
        let _ = writeln!(self.err, "{}", plain(text.as_ref()));
    }

    /// Asks a person for a yes; nobody there, or any other answer, is a no.
    pub fn agrees(&mut self, question: &str) -> bool {
        if !self.interactive || !io::stdin().is_terminal() {
            return false;
        }
        let _ = write!(self.err, "{} [y/N] ", plain(question)).and_then(|()| self.err.flush());
        let mut answer = String::new();
        let read = io::stdin().read_line(&mut answer);
        read.is_ok() && matches!(answer.trim().to_lowercase().as_str(), "y" | "yes")
    }

    /// Prints a failure, in colour where a person watches.
    pub fn tell_failure(&mut self, failure: &Failure) {
        let shown = failure.render(self.colour);
        if !shown.is_empty() {
            let _ = writeln!(self.err, "{shown}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_a_terminal_obeys_is_printed() {
        let hostile = "0,\"\u{1b}]0;title\u{7}\u{9b}2J\u{202e}no\r\tok\n\"";
        let shown = "0,\"\u{fffd}]0;title\u{fffd}\u{fffd}2J\u{fffd}no\u{fffd}\tok\n\"";
        assert_eq!(plain(hostile), shown);
        assert_eq!(plain("−16 dB, 20 °C"), "−16 dB, 20 °C");
        let mut log = PlainLog(Vec::new());
        log.write_all(hostile.as_bytes()).unwrap();
        assert_eq!(String::from_utf8(log.0).unwrap(), shown);
    }
}
