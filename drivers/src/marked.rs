//! YAML as a tree in which every node knows its place in the text.
//!
//! Knows YAML syntax; nothing of what a file means. Strictness beyond YAML: keys are plain text,
//! no key twice, one document a file, no anchors, aliases or tags (a bench file must read the
//! same to a person and to the program), bounded depth and size.

use std::ops::Range;

use saphyr_parser::{Event, Parser, ScalarStyle};

use crate::fault::{Fault, Faults, Source, TEXT_BYTES_MAX};

/// Deepest nesting accepted; far beyond what a person writes, far below what hurts a stack.
const DEPTH_MAX: usize = 48;

/// A node with its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// Byte range in the text.
    pub span: Range<usize>,
    /// What stands there.
    pub kind: NodeKind,
}

/// Most keys of one mapping; far beyond what a person writes, and each is compared with all before.
const KEYS_MAX: usize = 10_000;

/// What a node is.
#[derive(Clone, Debug, PartialEq)]
pub enum NodeKind {
    /// A scalar with its text; `quoted` when it stood in quotes or as a block.
    Scalar {
        /// The text without quotes.
        text: String,
        /// Whether the writer quoted it.
        quoted: bool,
    },
    /// A list.
    List(Vec<Node>),
    /// A mapping in the order of the text.
    Map(Vec<(Key, Node)>),
}

/// A mapping's key with its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Key {
    /// The key's text.
    pub text: String,
    /// Byte range in the text.
    pub span: Range<usize>,
}

impl Node {
    /// The text of a scalar.
    #[must_use]
    pub fn text(&self) -> Option<&str> {
        match &self.kind {
            NodeKind::Scalar { text, .. } => Some(text),
            _ => None,
        }
    }

    /// The items of a list; empty for anything else.
    #[must_use]
    pub fn items(&self) -> &[Node] {
        match &self.kind {
            NodeKind::List(items) => items,
            _ => &[],
        }
    }

    /// The entries of a mapping; empty for anything else.
    #[must_use]
    pub fn entries(&self) -> &[(Key, Node)] {
        match &self.kind {
            NodeKind::Map(entries) => entries,
            _ => &[],
        }
    }

    /// The value of one key of a mapping.
    #[must_use]
    pub fn get(&self, key: &str) -> Option<&Node> {
        self.entries().iter().find(|(k, _)| k.text == key).map(|(_, node)| node)
    }

    /// Whether this is an empty value (`key:` with nothing behind it, `~`, `null`).
    #[must_use]
    pub fn is_empty_value(&self) -> bool {
        matches!(&self.kind, NodeKind::Scalar { text, quoted: false }
            if text.is_empty() || text == "~" || text == "null")
    }

    /// In words, for messages: "a list", "a mapping", "'text'".
    #[must_use]
    pub fn describe(&self) -> String {
        match &self.kind {
            NodeKind::Scalar { .. } if self.is_empty_value() => "nothing".into(),
            NodeKind::Scalar { text, .. } => format!("'{text}'"),
            NodeKind::List(_) => "a list".into(),
            NodeKind::Map(_) => "a mapping".into(),
        }
    }
}

/// Parses one document: the tree, and what in it YAML allows and we do not. The tree is whole beside
/// such faults, so that a reader adds its own and the user sees all of them at once. An empty text
/// is an empty value at its very beginning, about which the check of the shape says what is wanted.
///
/// # Errors
/// When the YAML scanner gives up: the rest of the text cannot be trusted, so its fault ends the list.
pub fn parse(source: &Source) -> Result<(Node, Vec<Fault>), Faults> {
    let mut builder = Builder::new(&source.text);
    if source.text.len() > TEXT_BYTES_MAX {
        let fault = Fault::new(0..0, format!("the file is larger than {TEXT_BYTES_MAX} bytes"));
        return Err(Faults::new(source.clone(), vec![fault]));
    }
    for event in Parser::new_from_str(&source.text) {
        match event {
            Ok((event, span)) => {
                let range = builder.bytes(span.start.index())..builder.bytes(span.end.index());
                if !builder.take(event, range) {
                    break;
                }
            }
            Err(error) => {
                let at = builder.bytes(error.marker().index());
                builder.faults.push(scanner_fault(&source.text, at, error.info()));
                return Err(Faults::new(source.clone(), builder.faults));
            }
        }
    }
    builder.finish(source)
}

/// What the scanner says. A tab in the indentation shows up as something else, often a line away,
/// so it is looked for and pointed at.
fn scanner_fault(text: &str, at: usize, info: &str) -> Fault {
    let before = text.get(..at).unwrap_or(text);
    let line = before.rfind('\n').map_or(0, |end| end + 1);
    let line_before = before[..line.saturating_sub(1)].rfind('\n').map_or(0, |end| end + 1);
    let line_after = text.get(at..).and_then(|rest| rest.find('\n')).map(|end| at + end + 1);
    let lines = [Some(line), line_after, Some(line_before)];
    let tab = lines.into_iter().flatten().find_map(|start| {
        let indentation = text[start..].bytes().take_while(|byte| matches!(byte, b' ' | b'\t'));
        Some(start + indentation.collect::<Vec<_>>().iter().position(|byte| *byte == b'\t')?)
    });
    match tab {
        Some(tab) => Fault::new(tab..tab + 1, "not YAML: a tab in the indentation")
            .with_help("indent with spaces"),
        None => {
            let fault = Fault::new(at..at, format!("not YAML: {info}"));
            let here = text.get(line..).and_then(|rest| rest.lines().next()).unwrap_or_default();
            // What messages hold and YAML takes for something else: *IDN?, [SOURce:]VOLTage.
            let special =
                text.get(at..).is_some_and(|rest| rest.starts_with(['*', '&', '!', '%', '@', '`']));
            if special || here.contains(":]") {
                fault.with_help("put the text in quotes, as every message with *, [ or {")
            } else {
                fault
            }
        }
    }
}

/// A container that is still open.
enum Open {
    List(Range<usize>, Vec<Node>),
    Map(Range<usize>, Vec<(Key, Node)>, Pending),
}

/// What a mapping waits for.
enum Pending {
    Key,
    ValueOf(Key),
    /// The value of a key that was refused: it is left out.
    Refused,
}

/// Builds the tree from the scanner's events without recursion.
struct Builder {
    /// Byte offset of each character; empty for ASCII texts, where both are the same.
    offsets: Vec<usize>,
    length: usize,
    open: Vec<Open>,
    root: Option<Node>,
    documents: usize,
    faults: Vec<Fault>,
}

impl Builder {
    fn new(text: &str) -> Self {
        let offsets = if text.is_ascii() {
            Vec::new()
        } else {
            text.char_indices().map(|(at, _)| at).collect()
        };
        let length = text.len();
        Builder { offsets, length, open: Vec::new(), root: None, documents: 0, faults: Vec::new() }
    }

    /// The scanner counts characters; everything else here counts bytes.
    fn bytes(&self, characters: usize) -> usize {
        if self.offsets.is_empty() {
            characters.min(self.length)
        } else {
            self.offsets.get(characters).copied().unwrap_or(self.length)
        }
    }

    /// Takes one event; false when the rest is not worth reading.
    fn take(&mut self, event: Event<'_>, span: Range<usize>) -> bool {
        match event {
            Event::DocumentStart(_) => {
                self.documents += 1;
                if self.documents > 1 {
                    self.faults.push(
                        Fault::new(span, "a second document begins here")
                            .with_help("one file holds one document; remove the line with '---'"),
                    );
                    return false;
                }
            }
            Event::Alias(_) => {
                self.faults.push(
                    Fault::new(span.clone(), "aliases are not accepted")
                        .with_help("write the value out, so that it reads the same to everybody")
                        .instead_of_others(),
                );
                self.place(scalar(String::new(), false, span));
            }
            Event::Scalar(text, style, anchor, tag) => {
                self.refuse_marks(anchor, tag.is_some(), &span);
                let quoted = !matches!(style, ScalarStyle::Plain);
                self.place(scalar(text.into_owned(), quoted, span));
            }
            Event::SequenceStart(anchor, tag) => {
                self.refuse_marks(anchor, tag.is_some(), &span);
                self.open.push(Open::List(span, Vec::new()));
            }
            Event::MappingStart(anchor, tag) => {
                self.refuse_marks(anchor, tag.is_some(), &span);
                self.open.push(Open::Map(span, Vec::new(), Pending::Key));
            }
            Event::SequenceEnd | Event::MappingEnd => self.close(&span),
            Event::Nothing | Event::StreamStart | Event::StreamEnd | Event::DocumentEnd => {}
        }
        if let Some(Open::Map(_, entries, _)) = self.open.last()
            && entries.len() > KEYS_MAX
        {
            let at = entries[KEYS_MAX].0.span.clone();
            self.faults.push(Fault::new(at, format!("more than {KEYS_MAX} keys in one mapping")));
            return false;
        }
        if self.open.len() > DEPTH_MAX {
            let at = self.length;
            self.faults.push(Fault::new(at..at, format!("nested deeper than {DEPTH_MAX} levels")));
            return false;
        }
        true
    }

    fn refuse_marks(&mut self, anchor: usize, tagged: bool, span: &Range<usize>) {
        if anchor > 0 {
            self.faults.push(Fault::new(span.clone(), "anchors are not accepted"));
        }
        if tagged {
            self.faults.push(Fault::new(span.clone(), "tags are not accepted"));
        }
    }

    fn close(&mut self, end: &Range<usize>) {
        let Some(open) = self.open.pop() else { return };
        let node = match open {
            Open::List(start, items) => {
                let last = items.last().map_or(start.end, |node| node.span.end);
                Node { span: start.start..last.max(end.end.min(last)), kind: NodeKind::List(items) }
            }
            Open::Map(start, entries, _) => {
                let last = entries.last().map_or(start.end, |(_, node)| node.span.end);
                Node { span: start.start..last, kind: NodeKind::Map(entries) }
            }
        };
        self.place(node);
    }

    /// Puts a finished node where it belongs.
    fn place(&mut self, node: Node) {
        match self.open.last_mut() {
            None => self.root = Some(node),
            Some(Open::List(_, items)) => items.push(node),
            Some(Open::Map(_, entries, pending)) => {
                match std::mem::replace(pending, Pending::Key) {
                    Pending::Refused => {}
                    Pending::ValueOf(key) => {
                        if entries.iter().any(|(known, _)| known.text == key.text) {
                            let message = format!("key '{}' stands twice", key.text);
                            let fault = Fault::new(key.span.clone(), message);
                            self.faults.push(fault.with_help("keep one of the two"));
                        }
                        entries.push((key, node));
                    }
                    Pending::Key => match node.kind {
                        NodeKind::Scalar { text, .. } => {
                            *pending = Pending::ValueOf(Key { text, span: node.span });
                        }
                        _ => {
                            self.faults.push(Fault::new(node.span, "a key must be plain text"));
                            *pending = Pending::Refused;
                        }
                    },
                }
            }
        }
    }

    fn finish(self, source: &Source) -> Result<(Node, Vec<Fault>), Faults> {
        let Builder { root, faults, open, .. } = self;
        match root {
            Some(node) if node.is_empty_value() => Ok((scalar(String::new(), false, 0..0), faults)),
            Some(node) => Ok((node, faults)),
            None if open.is_empty() => Ok((scalar(String::new(), false, 0..0), faults)),
            None => Err(Faults::new(source.clone(), faults)),
        }
    }
}

fn scalar(text: String, quoted: bool, span: Range<usize>) -> Node {
    Node { span, kind: NodeKind::Scalar { text, quoted } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The tree and the messages of all faults, the scanner's among them.
    fn parse_text(text: &str) -> (Option<Node>, Vec<String>) {
        let message = |fault: Fault| fault.message;
        match parse(&Source::new("t.yaml", text)) {
            Ok((node, faults)) => (Some(node), faults.into_iter().map(message).collect()),
            Err(faults) => (None, faults.faults.into_iter().map(message).collect()),
        }
    }

    #[test]
    fn places_are_byte_ranges_of_the_text() {
        let text = "a: 7.04 GHz\nµb: [x, 'y z']\nc:\n  - d: 1\n";
        let node = parse_text(text).0.unwrap();
        let at = |node: &Node| text[node.span.clone()].to_string();
        assert_eq!(at(node.get("a").unwrap()), "7.04 GHz");
        assert_eq!(at(&node.get("µb").unwrap().items()[1]), "'y z'");
        assert_eq!(at(node.get("c").unwrap().items()[0].get("d").unwrap()), "1");
        let (key, _) = &node.entries()[1];
        assert_eq!(&text[key.span.clone()], "µb");
    }

    #[track_caller]
    fn check_fault(text: &str, expected: &[&str]) {
        let (_, shown) = parse_text(text);
        assert_eq!(shown.len(), expected.len(), "{shown:?}");
        for (message, part) in shown.iter().zip(expected) {
            assert!(message.contains(part), "{message:?} lacks {part:?}");
        }
    }

    #[test]
    fn what_yaml_allows_and_we_do_not() {
        check_fault("a: 1\na: 2\nb: 1\nb: 1\n", &["'a' stands twice", "'b' stands twice"]);
        check_fault("a: &x 1\nb: *x\n", &["anchors", "aliases"]);
        check_fault("a: !!int 1\n", &["tags"]);
        check_fault("---\na: 1\n---\nb: 1\n", &["second document"]);
        check_fault("? [a]\n: 1\n", &["plain text"]);
        check_fault("a: [1, 2\n", &["not YAML"]);
        check_fault("a:\n\t- b\n", &["a tab in the indentation"]);
        check_fault(&"[".repeat(100), &["nested deeper"]);
        check_fault(&"[".repeat(5000), &["not YAML"]);
        // As many as a file may hold at all; each is compared with those before it.
        let keys: String = (0..1_500_000).map(|n| format!("{n}: 1\n")).collect();
        check_fault(&keys, &["more than 10000 keys"]);
    }

    #[test]
    fn the_tree_is_whole_beside_what_is_refused() {
        let text = "a: 1\na: 2\n? [x]\n: 3\nb: &n [!!int 4]\nc: 5\n";
        let (node, faults) = parse_text(text);
        assert_eq!(faults.len(), 4, "{faults:?}");
        let node = node.unwrap();
        let keys: Vec<_> = node.entries().iter().map(|(key, _)| key.text.as_str()).collect();
        assert_eq!(keys, ["a", "a", "b", "c"]);
        assert_eq!(node.get("b").unwrap().items()[0].text(), Some("4"));
    }

    #[test]
    fn an_empty_text_is_an_empty_value() {
        for text in ["", "\n\n", "# nothing yet\n", "---\n", "~\n"] {
            let (node, faults) = parse_text(text);
            let node = node.unwrap();
            assert!(node.is_empty_value() && node.span == (0..0) && faults.is_empty(), "{text:?}");
        }
    }

    #[test]
    fn a_tab_is_pointed_at() {
        for (text, place) in [("a:\n\t- b\n", "2:1"), ("a:\n  b: 1\n \tc: 2\n", "3:2")] {
            let faults = parse(&Source::new("t", text)).unwrap_err().to_string();
            assert!(faults.starts_with(&format!("t:{place}: ")), "{faults}");
            assert!(faults.contains("indent with spaces"), "{faults}");
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "[ \\n:\\-\\[\\]{}a-c'\"#&*!|>?,µ\t]{0,200}") {
            if let Err(faults) = parse(&Source::new("t.yaml", text)) {
                prop_assert!(!faults.faults.is_empty());
                prop_assert!(!faults.render(false).is_empty());
            }
        }
    }
}
