//! Header patterns in the standard's own notation, and whether a header as sent fits one.
//!
//! `[SOURce#:]VOLTage[:LEVel]`: upper case is the short form, brackets hold optional nodes, `#`
//! allows a numeric suffix, of which only 1 exists here. Knows no command.

/// One node of a pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Node {
    long: String,
    short: String,
    optional: bool,
    suffixed: bool,
}

/// A header pattern, ready to be compared.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    nodes: Vec<Node>,
}

/// How a header compares with a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// It is this header.
    Yes,
    /// It would be, but for a numeric suffix that does not exist (-114).
    WrongSuffix,
    /// It is another one.
    No,
}

impl Pattern {
    /// Reads the notation.
    pub fn new(notation: &str) -> Self {
        let mut nodes = Vec::new();
        let mut optional = false;
        for part in notation.split_inclusive([':', '[', ']']) {
            let name = part.trim_end_matches([':', '[', ']']);
            if !name.is_empty() {
                let plain = name.trim_end_matches('#');
                nodes.push(Node {
                    long: plain.to_ascii_uppercase(),
                    short: plain.chars().filter(|c| !c.is_ascii_lowercase()).collect(),
                    optional,
                    suffixed: plain.len() < name.len(),
                });
            }
            optional = (optional || part.ends_with('[')) && !part.ends_with(']');
        }
        Self { nodes }
    }

    /// Compares the mnemonics of a header, in upper case, from the root.
    pub fn fits(&self, sent: &[&str]) -> Fit {
        fit(&self.nodes, sent)
    }
}

fn fit(nodes: &[Node], sent: &[&str]) -> Fit {
    let Some((node, further)) = nodes.split_first() else {
        return if sent.is_empty() { Fit::Yes } else { Fit::No };
    };
    let taken = match sent.split_first() {
        Some((name, rest)) => match node.fits(name) {
            Fit::Yes => fit(further, rest),
            Fit::WrongSuffix if fit(further, rest) != Fit::No => Fit::WrongSuffix,
            Fit::WrongSuffix | Fit::No => Fit::No,
        },
        None => Fit::No,
    };
    if taken != Fit::No || !node.optional {
        return taken;
    }
    fit(further, sent)
}

impl Node {
    fn fits(&self, name: &str) -> Fit {
        let is_word = |word: &str| word == self.long || word == self.short;
        if is_word(name) {
            return Fit::Yes;
        }
        let word = name.trim_end_matches(|c: char| c.is_ascii_digit());
        if !self.suffixed || !is_word(word) {
            return Fit::No;
        }
        // SCPI-99 vol. 1 ch. 6.2.5: no suffix means 1.
        match name[word.len()..].trim_start_matches('0') {
            "1" => Fit::Yes,
            _ => Fit::WrongSuffix,
        }
    }
}

/// Whether `word` is the long or short form of `notation`, such as `EXTernal`.
pub fn is_form_of(word: &str, notation: &str) -> bool {
    notation.eq_ignore_ascii_case(word) || short_form(notation) == word
}

/// The short form of a mnemonic, as answers give it.
pub fn short_form(notation: &str) -> String {
    notation.chars().filter(|c| !c.is_ascii_lowercase()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(notation: &str, header: &str, expected: Fit) {
        let sent: Vec<&str> = header.split(':').collect();
        assert_eq!(Pattern::new(notation).fits(&sent), expected, "{header} against {notation}");
    }

    #[test]
    fn long_or_short_form_and_nothing_between() {
        // SCPI-99 vol. 1 ch. 6.2.1.
        for (header, fits) in
            [("SYST", Fit::Yes), ("SYSTEM", Fit::Yes), ("SYS", Fit::No), ("SYSTE", Fit::No)]
        {
            check("SYSTem", header, fits);
        }
    }

    #[test]
    fn optional_nodes_may_be_left_out_anywhere() {
        let notation = "[SOURce#:]VOLTage[:LEVel][:IMMediate][:AMPLitude]";
        for header in [
            "VOLT",
            "SOUR:VOLT",
            "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE",
            "VOLT:AMPL",
            "SOUR1:VOLT:IMM",
            "SOURCE01:VOLT",
        ] {
            check(notation, header, Fit::Yes);
        }
        for header in ["SOUR", "VOLT:AMPL:LEV", "LEV", "VOLT1", "VOLT:FOO"] {
            check(notation, header, Fit::No);
        }
        check(notation, "SOUR2:VOLT", Fit::WrongSuffix);
        check("OUTPut#[:STATe]", "OUTP9", Fit::WrongSuffix);
        check("OUTPut#[:STATe]", "OUTP9:FOO", Fit::No);
    }

    #[test]
    fn words_have_forms_too() {
        assert!(is_form_of("EXT", "EXTernal") && is_form_of("EXTERNAL", "EXTernal"));
        assert!(!is_form_of("EXTE", "EXTernal"));
        assert_eq!(short_form("SWAPped"), "SWAP");
    }
}
