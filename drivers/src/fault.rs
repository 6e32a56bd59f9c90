//! Faults in a user's file: all of them at once, each with its place, underlined.
//!
//! Knows text and places in it; nothing of what the file means.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

/// Largest text accepted, in bytes.
pub const TEXT_BYTES_MAX: usize = 16 << 20;

/// Most faults of one file that are shown: nobody reads more, and each takes a look at the whole
/// text.
const SHOWN_MAX: usize = 100;

/// One thing that is wrong at one place of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// What is wrong, a fragment without a final stop.
    pub message: String,
    /// Byte range in the file's text.
    pub span: Range<usize>,
    /// What to do about it, or what was meant.
    pub help: Option<String>,
    /// Whatever else is said about exactly this place only follows from this fault.
    instead_of_others: bool,
}

impl Fault {
    /// A fault without advice.
    pub fn new(span: Range<usize>, message: impl Into<String>) -> Self {
        Fault { message: message.into(), span, help: None, instead_of_others: false }
    }

    /// The same fault with advice.
    #[must_use]
    pub fn with_help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// The same fault, which stands for all others at exactly its place.
    #[must_use]
    pub fn instead_of_others(mut self) -> Self {
        self.instead_of_others = true;
        self
    }
}

/// The text of a file and the name by which the user knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// Path or other name, as shown in messages.
    pub name: Arc<str>,
    /// The whole text.
    pub text: Arc<str>,
}

impl Source {
    /// Binds a name to a text.
    pub fn new(name: impl Into<Arc<str>>, text: impl Into<Arc<str>>) -> Self {
        Source { name: name.into(), text: text.into() }
    }

    /// Reads a file of the user's: text, and not without end, whatever the path leads to.
    ///
    /// # Errors
    /// When it cannot be read, is larger than [`TEXT_BYTES_MAX`] or is not UTF-8.
    pub fn read(path: &Path) -> io::Result<Self> {
        let mut bytes = Vec::new();
        File::open(path)?.take(TEXT_BYTES_MAX as u64 + 1).read_to_end(&mut bytes)?;
        if bytes.len() > TEXT_BYTES_MAX {
            let message = format!("it is larger than {TEXT_BYTES_MAX} bytes");
            return Err(io::Error::new(io::ErrorKind::FileTooLarge, message));
        }
        let text = String::from_utf8(bytes)
            .map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not UTF-8 text"))?;
        Ok(Source::new(path.display().to_string(), text))
    }

    /// Line and column, both from 1, columns counted in characters.
    #[must_use]
    pub fn line_column(&self, offset: usize) -> (usize, usize) {
        let mut end = offset.min(self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        let before = &self.text[..end];
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }
}

/// Everything that is wrong with one file. Never empty when returned as an error.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults {
    /// The file.
    pub source: Source,
    /// The faults in the order of their places.
    pub faults: Vec<Fault>,
}

impl Faults {
    /// Orders the faults by place; drops exact repetitions and what another stands for.
    #[must_use]
    pub fn new(source: Source, mut faults: Vec<Fault>) -> Self {
        let standing: Vec<Range<usize>> = faults
            .iter()
            .filter(|fault| fault.instead_of_others)
            .map(|fault| fault.span.clone())
            .collect();
        faults.retain(|fault| fault.instead_of_others || !standing.contains(&fault.span));
        faults.sort_by_key(|fault| (fault.span.start, fault.span.end));
        faults.dedup();
        Faults { source, faults }
    }

    /// The faults with the offending lines underlined, in colour on request; of very many the first
    /// ones and how many more there are.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let mut out = String::new();
        for fault in self.faults.iter().take(SHOWN_MAX) {
            let text: &str = &self.source.text;
            let span = on_boundaries(text, &fault.span);
            let snippet = Snippet::source(text)
                .path(&*self.source.name)
                .annotation(AnnotationKind::Primary.span(span));
            let mut group = Level::ERROR.primary_title(fault.message.as_str()).element(snippet);
            if let Some(help) = &fault.help {
                group = group.element(Level::HELP.message(help.as_str()));
            }
            out.push_str(&renderer.render(&[group]));
            out.push_str("\n\n");
        }
        if let Some(more) = self.faults.len().checked_sub(SHOWN_MAX).filter(|more| *more > 0) {
            out.push_str(&format!("… and {more} more faults in {}\n\n", self.source.name));
        }
        out
    }
}

/// Widens a range to character boundaries and to at least one character where there is one.
fn on_boundaries(text: &str, span: &Range<usize>) -> Range<usize> {
    let mut start = span.start.min(text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    let mut end = span.end.clamp(start, text.len());
    if end == start && text[start..].chars().next().is_some_and(|c| c != '\n') {
        end += 1;
    }
    while !text.is_char_boundary(end) {
        end += 1;
    }
    start..end
}

impl fmt::Display for Faults {
    /// One line a fault: `file:line:column: message`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.faults.iter().enumerate() {
            let (line, column) = self.source.line_column(fault.span.start);
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{}:{line}:{column}: {}", self.source.name, fault.message)?;
            if let Some(help) = &fault.help {
                write!(f, " ({help})")?;
            }
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// Shortest name that counts as meant because it stands within what was written.
const CONTAINED_CHARS_MIN: usize = 4;

/// The name nearest to what was written, when it is near enough to be meant; else one that the
/// writing contains.
#[must_use]
pub fn nearest<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let allowed = (written.chars().count() / 3).max(1) + 1;
    let known: Vec<&str> = known.into_iter().collect();
    let near = known
        .iter()
        .map(|name| (edit_distance(written, name), *name))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name);
    let whole = written.to_lowercase();
    let within = |name: &&str| name.len() >= CONTAINED_CHARS_MIN && whole.contains(*name);
    near.or_else(|| known.iter().copied().filter(within).max_by_key(|name| name.len()))
}

/// Edits (insert, delete, replace, swap of neighbours) between two names, ignoring case.
/// The optimal string alignment distance, two rows and the one before.
fn edit_distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.to_lowercase().chars().collect();
    let b: Vec<char> = b.to_lowercase().chars().collect();
    let mut older: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let cost = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j] + 1).min(row[j - 1] + 1).min(last[j - 1] + cost);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(older[j - 2] + 1);
            }
        }
        older = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_very_many_faults_the_first_are_shown() {
        let source = Source::new("f", "x\n".repeat(200_000));
        let faults = (0..200_000).map(|line| Fault::new(2 * line..2 * line + 1, "wrong")).collect();
        let shown = Faults::new(source, faults).render(false);
        assert_eq!(shown.matches("error: wrong").count(), 100);
        assert!(shown.ends_with("… and 199900 more faults in f\n\n"), "{shown}");
    }

    #[cfg(unix)]
    #[test]
    fn a_file_without_end_is_refused() {
        let error = Source::read(Path::new("/dev/zero")).unwrap_err();
        assert_eq!(error.to_string(), "it is larger than 16777216 bytes");
    }

    #[test]
    fn faults_are_underlined_in_place_order() {
        let source = Source::new("a.yaml", "bench: x\nvoltage: 3 Vv\n");
        let faults = Faults::new(
            source,
            vec![
                Fault::new(18..22, "'Vv' is not a known unit").with_help("wanted a voltage"),
                Fault::new(0..5, "unknown key 'bench'"),
            ],
        );
        assert_eq!(
            faults.to_string(),
            "a.yaml:1:1: unknown key 'bench'\na.yaml:2:10: 'Vv' is not a known unit (wanted a voltage)"
        );
        let shown = faults.render(false);
        assert!(shown.contains("--> a.yaml:2:10"), "{shown}");
        assert!(shown.contains("^^^^"), "{shown}");
        assert!(shown.contains("= help: wanted a voltage"), "{shown}");
    }

    #[test]
    fn any_range_renders() {
        for span in [0..0, 3..90, 90..95, 2..3, 1..2] {
            let faults = Faults::new(Source::new("b", "aµ\n"), vec![Fault::new(span, "x")]);
            assert!(faults.render(false).contains('x'));
        }
    }

    #[test]
    fn misspelt_names_are_recognised() {
        let known = ["sample_rate", "amplitude", "output"];
        assert_eq!(nearest("sampel_rate", known), Some("sample_rate"));
        assert_eq!(nearest("Output", known), Some("output"));
        assert_eq!(nearest("voltage", known), None);
        assert_eq!(nearest("the_amplitude_of_it", known), Some("amplitude"));
        assert_eq!(nearest("measurement", ["me"]), None);
        assert_eq!(edit_distance("ab", "ba"), 1);
    }
}
