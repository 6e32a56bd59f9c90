//! Headers of SCPI messages with the nodes that may be left out:
//! `[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]`.
//!
//! Knows spellings (SCPI-99 vol. 1: long and short forms §6.2.1, numeric suffixes §6.2.5, default
//! nodes from memory); nothing of what a header means.

use crate::message::mnemonic_matches;

/// What is wrong with a header's brackets.
pub(super) const WRONG_BRACKETS: &str = "brackets stand around whole nodes of a header";
/// How to write them.
pub(super) const BRACKETS_HELP: &str =
    "write [SOURce:]VOLTage[:LEVel]; at least one node stands outside of brackets";

/// A header: nodes in order, some of which may be left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Header {
    nodes: Vec<Node>,
    query: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Node {
    mnemonic: String,
    optional: bool,
}

impl Header {
    /// Parses a header as profiles write it. `None` when it is no header: a node is a letter
    /// followed by letters, digits and `_`, or the only node begins with `*`.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let (text, query) = match text.strip_suffix('?') {
            Some(text) => (text, true),
            None => (text, false),
        };
        let mut nodes = Vec::new();
        let mut rest = from_root(text);
        // Whether the colon before the next node has come already, or none is due.
        let mut separated = true;
        while !rest.is_empty() {
            let (piece, after, optional) = match rest.strip_prefix('[') {
                Some(from) => {
                    let (inside, after) = from.split_once(']')?;
                    (inside, after, true)
                }
                None => {
                    let led = usize::from(rest.starts_with(':'));
                    let end = rest[led..].find(['[', ':']).map_or(rest.len(), |at| led + at);
                    let (piece, after) = rest.split_at(end);
                    (piece, after, false)
                }
            };
            let led = piece.strip_prefix(':');
            if led.is_some() == separated {
                return None;
            }
            let mnemonic = led.unwrap_or(piece);
            let trailed = mnemonic.strip_suffix(':');
            let mnemonic = trailed.unwrap_or(mnemonic).to_owned();
            nodes.push(Node { mnemonic, optional });
            (separated, rest) = (trailed.is_some(), after);
        }
        let legal = nodes.iter().all(|node| is_node(&node.mnemonic))
            || matches!(&nodes[..], [only] if is_common(&only.mnemonic) && !only.optional);
        let stands = nodes.iter().any(|node| !node.optional);
        (legal && stands && !separated).then_some(Header { nodes, query })
    }

    /// The header with every node: what is sent.
    #[must_use]
    pub fn full(&self) -> String {
        self.spelt(|_| true, str::to_owned)
    }

    /// The shortest legal spelling.
    #[must_use]
    pub fn shortest(&self) -> String {
        self.spelt(|node| !node.optional, |mnemonic| short_form(mnemonic).to_owned())
    }

    fn spelt(&self, keep: impl Fn(&Node) -> bool, spell: impl Fn(&str) -> String) -> String {
        let nodes = self.nodes.iter().filter(|node| keep(node));
        let text = nodes.map(|node| spell(&node.mnemonic)).collect::<Vec<_>>().join(":");
        text + if self.query { "?" } else { "" }
    }

    /// Whether a header as somebody typed it is one of the spellings of this one.
    #[must_use]
    pub fn matches(&self, given: &str) -> bool {
        let (given, query) = match given.strip_suffix('?') {
            Some(given) => (given, true),
            None => (given, false),
        };
        let given: Vec<&str> = from_root(given).split(':').collect();
        query == self.query && nodes_match(&self.nodes, &given)
    }
}

/// The header without a colon in front: that means the root, where every message of ours begins
/// anyway. A common header has no root.
fn from_root(header: &str) -> &str {
    header.strip_prefix(':').filter(|rest| !rest.starts_with('*')).unwrap_or(header)
}

/// Whether the nodes given are the known ones without some of those that may be left out.
fn nodes_match(known: &[Node], given: &[&str]) -> bool {
    // reached[k]: the nodes given so far may stand for the first k known ones.
    let mut reached = vec![false; known.len() + 1];
    reached[0] = true;
    let skip = |reached: &mut Vec<bool>| {
        for (at, node) in known.iter().enumerate() {
            reached[at + 1] |= reached[at] && node.optional;
        }
    };
    skip(&mut reached);
    for word in given {
        let mut next = vec![false; known.len() + 1];
        for (at, node) in known.iter().enumerate() {
            next[at + 1] = reached[at] && node_matches(&node.mnemonic, word);
        }
        skip(&mut next);
        reached = next;
    }
    reached[known.len()]
}

/// Whether a header as somebody typed it begins with one of these nodes, of whatever number.
pub(super) fn begins_with(given: &str, mnemonics: &[&str]) -> bool {
    let given = from_root(given);
    let first = given.split([':', '?']).next().unwrap_or_default();
    let bare = first.trim_end_matches(|c: char| c.is_ascii_digit());
    mnemonics.iter().any(|mnemonic| mnemonic_matches(mnemonic, bare))
}

/// Long or short form; a numeric suffix of 1 is the same as none.
fn node_matches(mnemonic: &str, word: &str) -> bool {
    if word.is_empty() {
        return false;
    }
    let numbered = mnemonic.ends_with(|c: char| c.is_ascii_digit());
    let bare = word.strip_suffix('1').filter(|bare| {
        !numbered && !bare.is_empty() && !bare.ends_with(|c: char| c.is_ascii_digit())
    });
    mnemonic_matches(mnemonic, word) || bare.is_some_and(|bare| mnemonic_matches(mnemonic, bare))
}

/// The capitals that a mnemonic begins with; all of it when it begins with none.
fn short_form(mnemonic: &str) -> &str {
    let end = mnemonic.find(|c: char| c.is_ascii_lowercase()).unwrap_or(mnemonic.len());
    if end == 0 { mnemonic } else { &mnemonic[..end] }
}

fn is_node(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_alphabetic())
        && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
}

fn is_common(text: &str) -> bool {
    text.strip_prefix('*')
        .is_some_and(|name| !name.is_empty() && name.chars().all(|c| c.is_ascii_alphabetic()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const VOLTAGE: &str = "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]";

    #[test]
    fn what_is_sent_is_the_full_form() {
        for (text, full, shortest) in [
            (VOLTAGE, "SOURce:VOLTage:LEVel:IMMediate:AMPLitude", "VOLT"),
            ("MEASure[:SCALar]:CURRent[:DC]?", "MEASure:SCALar:CURRent:DC?", "MEAS:CURR?"),
            ("OUTPut[:STATe]", "OUTPut:STATe", "OUTP"),
            (":TRACe[:DATA]", "TRACe:DATA", "TRAC"),
            ("[SENSe:][VOLTage:]RANGe", "SENSe:VOLTage:RANGe", "RANG"),
            ("*ESE", "*ESE", "*ESE"),
            ("level", "level", "level"),
        ] {
            let header = Header::parse(text).unwrap_or_else(|| panic!("{text}"));
            assert_eq!((header.full(), header.shortest()), (full.into(), shortest.into()));
            assert!(header.matches(full) && header.matches(shortest), "{text}");
        }
    }

    #[test]
    fn brackets_stand_around_whole_nodes() {
        for wrong in [
            "",
            "?",
            ":",
            "[A]",
            "[A:]",
            "[:A][:B]",
            "A[B]",
            "A[:B",
            "A]",
            "A[:]",
            "VOLT[age]",
            "A:",
            "A::B",
            "A[:B]C",
            "[A]B",
            "[A::]B",
            "[A:]:B",
            "A:[B]",
            "A[[:B]]",
            "A B",
            "1A",
            "*",
            "*A:B",
            "A:*B",
            ":*A",
            "[*A:]B",
            "A??",
            "A[:B?]",
        ] {
            assert_eq!(Header::parse(wrong), None, "{wrong}");
        }
    }

    /// SCPI-99 vol. 1: each mnemonic has exactly two spellings, in any case (§6.2.1); no numeric suffix
    /// means 1 (§6.2.5); default nodes may be left out anywhere (from memory).
    #[test]
    fn every_equal_spelling_is_recognised() {
        let header = Header::parse(VOLTAGE).unwrap();
        for same in [
            "VOLT",
            "volt",
            "VOLTage",
            "Voltage",
            ":VOLT",
            "SOUR:VOLT",
            "SOURCE:VOLT:LEV",
            "VOLT:IMM",
            "VOLT:AMPL",
            "VOLT:LEV:AMPL",
            "sour:volt:lev:imm:ampl",
            "VOLT1",
            "SOUR1:VOLT1",
        ] {
            assert!(header.matches(same), "{same}");
        }
        for other in [
            "",
            ":",
            "VOL",
            "VOLTA",
            "VOLT:",
            "::VOLT",
            "SOUR",
            "VOLT:AMPL:LEV",
            "VOLT:LEV:LEV",
            "VOLT:PROT",
            "VOLT?",
            "VOLT2",
            "VOLT11",
            "VOLT01",
            "VOLT ",
            " VOLT",
            "VO",
            "1",
            "VOLT:1",
        ] {
            assert!(!header.matches(other), "{other}");
        }
        assert!(!Header::parse("level").unwrap().matches(""));
        let channel = Header::parse("CH1:GAIN").unwrap();
        assert!(channel.matches("CH1:GAIN") && !channel.matches("CH11:GAIN"));
    }

    proptest! {
        #[test]
        fn any_choice_of_optional_nodes_matches(keep in proptest::array::uniform4(any::<bool>())) {
            let header = Header::parse(VOLTAGE).unwrap();
            let nodes = [("SOUR", keep[0]), ("VOLT", true), ("LEV", keep[1]), ("IMM", keep[2]), ("AMPL", keep[3])];
            let words: Vec<&str> = nodes.iter().filter(|(_, kept)| *kept).map(|(word, _)| *word).collect();
            prop_assert!(header.matches(&words.join(":")));
        }

        #[test]
        fn no_text_panics(text in "[\\[\\]:A-Ca-b1?*_ µ]{0,20}", given in "[A-C:1?µ ]{0,10}") {
            if let Some(header) = Header::parse(&text) {
                let _ = header.matches(&given);
                prop_assert!(header.matches(&header.full()), "{}", header.full());
                prop_assert!(header.matches(&header.shortest()), "{}", header.shortest());
                // What is sent reads back as the same header without choices.
                prop_assert_eq!(Header::parse(&header.full()).map(|h| h.full()), Some(header.full()));
            }
        }
    }
}
