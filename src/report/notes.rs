//! Warnings and errors of a run, those that say the same summed up.

use std::collections::HashMap;

use jiff::Timestamp;

use crate::record::{Level, Note};

/// Most different warnings and errors that are kept.
const KEPT_MAX: usize = 600;
/// Most characters of quoted bytes that are shown.
const BYTES_SHOWN: usize = 40;

/// Warnings and errors, alike ones together.
#[derive(Clone, Debug, Default)]
pub(super) struct Notes {
    pub(super) groups: Vec<Alike>,
    places: HashMap<String, usize>,
    /// All of them, also those that are not kept.
    pub(super) count: usize,
}

/// Notes that differ in numbers only.
#[derive(Clone, Debug)]
pub(super) struct Alike {
    /// The first of them.
    pub(super) note: Note,
    pub(super) first: Timestamp,
    pub(super) last: Timestamp,
    pub(super) count: usize,
}

impl Notes {
    pub(super) fn take(&mut self, at: Timestamp, note: &Note) {
        if note.level == Level::Info {
            return;
        }
        self.count += 1;
        let key = key(note);
        match self.places.get(&key) {
            Some(place) => {
                let group = &mut self.groups[*place];
                group.count += 1;
                group.last = at;
            }
            None if self.groups.len() < KEPT_MAX => {
                self.places.insert(key, self.groups.len());
                let (first, last, count) = (at, at, 1);
                self.groups.push(Alike { note: note.clone(), first, last, count });
            }
            None => {}
        }
    }

    /// Notes that are told of no group.
    pub(super) fn left_out(&self) -> usize {
        self.count - self.groups.iter().map(|group| group.count).sum::<usize>()
    }
}

/// What alike notes have in common.
pub(super) fn key(note: &Note) -> String {
    let instrument = note.instrument.as_deref().unwrap_or_default();
    format!("{:?} {instrument} {}", note.level, without_numbers(&note.message))
}

/// A text with long quoted bytes cut short, as instruments send them in place of an answer.
pub(super) fn shortened(text: &str) -> String {
    with_bytes(text, |bytes| {
        if bytes.chars().count() <= BYTES_SHOWN {
            return format!("'{bytes}'");
        }
        let shown: String = bytes.chars().take(BYTES_SHOWN).collect();
        // An escaped byte is not cut in two.
        let cut = shown.rfind('\\').filter(|at| shown.len() - at < "\\x00".len());
        format!("'{}…'", &shown[..cut.unwrap_or(shown.len())])
    })
}

/// A text in which quoted bytes are put as `put` says. Bytes are quoted when something escaped is among
/// them: in plain words a single quotation mark may be an apostrophe.
fn with_bytes(text: &str, put: impl Fn(&str) -> String) -> String {
    let mut shown = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(open) = rest.find('\'') {
        let (before, after) = rest.split_at(open + 1);
        let mut escaped = false;
        let close = after.char_indices().find_map(|(at, c)| {
            let ends = c == '\'' && !escaped;
            escaped = c == '\\' && !escaped;
            ends.then_some(at)
        });
        let bytes = close.map(|close| &after[..close]).filter(|bytes| bytes.contains("\\x"));
        match bytes {
            Some(bytes) => {
                shown += &rest[..open];
                shown += &put(bytes);
                rest = &after[bytes.len() + 1..];
            }
            None => {
                shown += before;
                rest = after;
            }
        }
    }
    shown + rest
}

/// A text with its numbers and quoted bytes taken out, to know those that say the same.
pub(super) fn without_numbers(text: &str) -> String {
    let text = with_bytes(text, |_| "''".to_owned());
    let mut plain = String::with_capacity(text.len());
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        if !c.is_ascii_digit() {
            plain.push(c);
            continue;
        }
        plain.push('#');
        // Digits, and a point or an exponent between digits.
        while let Some(next) = chars.peek() {
            if !(next.is_ascii_digit() || *next == '.') {
                break;
            }
            let end = chars.next() == Some('.') && !chars.peek().is_some_and(char::is_ascii_digit);
            if end {
                plain.push('.');
                break;
            }
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture;

    #[test]
    fn texts_that_differ_in_numbers_are_alike() {
        let check = |text: &str, plain: &str| assert_eq!(without_numbers(text), plain);
        check("no answer within 2.5 s; asked 3 times.", "no answer within # s; asked # times.");
        check("at 17. It", "at #. It");
        check("dut.rx.phase.12 differs", "dut.rx.phase.# differs");
        check("", "");
    }

    #[test]
    fn quoted_bytes_are_cut_short_and_tell_nothing_apart() {
        let told = |bytes: &str| format!("the file's end: not a block, in '{bytes}'; asked again");
        let one = told(&format!("]{}\\'\\xfe", "\\xa5\\x06".repeat(300)));
        let other = told("\\x12>0,\"No error\"");
        assert_eq!(without_numbers(&one), without_numbers(&other));
        assert_eq!(shortened(&one), told(&format!("]{}…", "\\xa5\\x06".repeat(4) + "\\xa5")));
        assert_eq!(shortened(&other), other);
        for plain in ["it's 'SENSe:A' and 'B'", "'", "a'b", "'\\xff", ""] {
            assert_eq!(shortened(plain), plain);
        }
        assert_ne!(without_numbers("failed to ask 'A?'"), without_numbers("failed to ask 'B?'"));
    }

    #[test]
    fn alike_notes_are_counted_together() {
        let mut notes = Notes::default();
        let note = |level, message: String| Note { level, class: None, instrument: None, message };
        for probe in 0..41 {
            let message = format!("probe {probe} is doubtful");
            notes.take(fixture::start(), &note(Level::Warning, message));
        }
        notes.take(fixture::start(), &note(Level::Info, "hello".to_owned()));
        notes.take(fixture::start(), &note(Level::Error, "probe 3 is doubtful".to_owned()));
        let counts: Vec<usize> = notes.groups.iter().map(|group| group.count).collect();
        assert_eq!((counts, notes.count, notes.left_out()), (vec![41, 1], 42, 0));
    }
}
